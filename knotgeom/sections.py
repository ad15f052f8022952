"""Sections: the outline of a strand cut across, at any width.

An outline is a closed polygon of an even number ``K`` of points in (across, up), across counted to the left of the
strand, the mid-plane at 0. Point 0 is the middle of the underside, then the left side upwards, point ``K / 2`` the
middle of the top, then the right side downwards: anticlockwise when the strand is seen coming. Both middles are there
so that a strand can part along them at a fork.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from .design import Section, Sizes, Strand
from .mesh import Floats

EASING = 0.25
"""Radius of a flat strand's eased edges, as a share of its thickness."""
EASED, GROOVED = 0.2, 0.6
"""What eased edges may take of the width at most, and the groove of what is left of one half."""
CHAMFER = 0.12, 0.1
"""The same for the lower edges of a peaked strand: shares of its thickness, and of the width at most."""


def side_points(strand: Strand, size: Sizes, width: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """One side of the outline at each width, from underside to top, and the heights of both middles.

    Returns
    -------
    across, up : (n, J) float64
        ``across`` positive: the left side as it stands, the right side mirrored.
    bottom, top : (n,) float64
        Heights of the two middles.
    """
    width = np.asarray(width, float)
    half, deep = width[:, None] / 2, size.thickness / 2
    shape = strand.section
    ones = np.ones_like(half)
    if shape is Section.FLAT or shape is Section.MEDIAN_INCISED:
        ease = np.minimum(EASING * size.thickness, EASED * width)[:, None]
        if size.arc == 2:  # one cut in place of the arc takes away as much as the arc would
            ease = math.sqrt(2 - math.pi / 2) * ease
        angle = np.linspace(0, math.pi / 2, size.arc)
        low_x, low_z = half - ease + ease * np.sin(angle), -deep + ease * (1 - np.cos(angle))
        across = np.hstack([low_x, low_x[:, ::-1]])
        up = np.hstack([low_z, -low_z[:, ::-1]])
        bottom, top = np.full(len(width), -deep), np.full(len(width), deep)
        if shape is Section.MEDIAN_INCISED:
            depth, spread = _groove(strand, size)
            edge = np.minimum(spread, GROOVED * (half - ease)[:, 0])
            across = np.hstack([across, edge[:, None]])
            up = np.hstack([up, deep * ones])
            top = deep - np.minimum(depth, edge * depth / max(spread, 1e-12))
        return across, up, bottom, top
    if shape is Section.HALF_ROUND:
        angle = np.linspace(0, math.pi / 2, 3 * size.arc - 3, endpoint=False)
        across, up = half * np.cos(angle), np.broadcast_to(-deep + 2 * deep * np.sin(angle), (len(width), len(angle)))
        return across, up, np.full(len(width), -deep), np.full(len(width), deep)
    # peaked: low sides, then two flat slopes to a ridge
    ease = np.minimum(CHAMFER[0] * size.thickness, CHAMFER[1] * width)[:, None]
    across = np.hstack([half - ease, half, half])
    up = np.hstack([-deep * ones, -deep + ease, -0.35 * deep * ones])
    return across, up, np.full(len(width), -deep), np.full(len(width), deep)


def outlines(strand: Strand, size: Sizes, width: Floats) -> tuple[Floats, Floats]:
    """The outline at each width: across and up, each (n, K) float64."""
    if isinstance(strand.section, tuple):
        return _own_outline(strand.section, size, np.asarray(width, float))
    across, up, bottom, top = side_points(strand, size, width)
    middle = np.zeros((len(across), 1))
    return (
        np.hstack([middle, across, middle, -across[:, ::-1]]),
        np.hstack([bottom[:, None], up, top[:, None], up[:, ::-1]]),
    )


@lru_cache(maxsize=64)
def whole_outline(strand: Strand, size: Sizes) -> tuple[Floats, Floats]:
    """The outline at the strand's whole width: across and up, each (K,), kept and not to be written to."""
    across, up = (row[0] for row in outlines(strand, size, np.array([size.width])))
    across.flags.writeable = up.flags.writeable = False
    return across, up


def kinks(strand: Strand, size: Sizes) -> Floats:
    """Widths, ascending, between which every point of the outline moves linearly with the width."""
    if isinstance(strand.section, tuple) or strand.section is Section.HALF_ROUND:
        return np.zeros(0)
    if strand.section is Section.PEAKED:
        return np.array([CHAMFER[0] * size.thickness / CHAMFER[1]])
    bends = [EASING * size.thickness / EASED]
    if strand.section is Section.MEDIAN_INCISED:
        cut = math.sqrt(2 - math.pi / 2) if size.arc == 2 else 1.0
        spread = _groove(strand, size)[1]
        room = spread / GROOVED  # the groove is as wide as it wants to be where there is so much of the half
        bends += [room / (0.5 - EASED * cut), 2 * (room + cut * EASING * size.thickness)]
    return np.array(sorted(bends))


def _groove(strand: Strand, size: Sizes) -> tuple[float, float]:
    """Depth of an incised strand's groove, and half of its width where there is room."""
    depth = min(size.groove_depth, 0.9 * size.thickness)
    return depth, depth * math.tan(math.radians(strand.groove.angle_deg) / 2)


def _own_outline(points: tuple[tuple[float, float], ...], size: Sizes, width: Floats) -> tuple[Floats, Floats]:
    """A free outline, scaled to width x thickness, with both middles put in and as many points on either side."""
    outline = np.array(points, float)
    low, high = outline.min(0), outline.max(0)
    outline = (outline - (low + high) / 2) / (high - low)
    area = outline[:, 0] @ np.roll(outline[:, 1], -1) - outline[:, 1] @ np.roll(outline[:, 0], -1)
    if area < 0:
        outline = outline[::-1]
    left, right = _half(outline), _half(outline[::-1] * np.array([-1.0, 1.0]))
    most = max(len(left), len(right))
    left, right = _refine(left, most), _refine(right, most)
    bottom, top = left[0, 1], left[-1, 1]
    across = np.concatenate([[0.0], left[1:-1, 0], [0.0], -right[1:-1, 0][::-1]])
    up = np.concatenate([[bottom], left[1:-1, 1], [top], right[1:-1, 1][::-1]])
    return width[:, None] * across, np.broadcast_to(size.thickness * up, (len(width), len(up))).copy()


def _half(outline: Floats) -> Floats:
    """The part of an anticlockwise outline with across > 0, from the lower to the upper middle, both put in."""
    after = np.roll(outline, -1, axis=0)
    inside, inside_after = outline[:, 0] > 1e-9, after[:, 0] > 1e-9
    enters = int(np.flatnonzero(~inside & inside_after)[0])
    leaves = int(np.flatnonzero(inside & ~inside_after)[0])

    def middle(edge: int) -> float:
        (x0, z0), (x1, z1) = outline[edge], after[edge]
        return float(z0 + (z1 - z0) * x0 / (x0 - x1)) if abs(x0 - x1) > 1e-12 else float(z0)

    count = (leaves - enters) % len(outline)
    chain = outline[(enters + 1 + np.arange(count)) % len(outline)]
    return np.vstack([[[0.0, middle(enters)]], chain, [[0.0, middle(leaves)]]])


def _refine(side: Floats, points: int) -> Floats:
    """Split the longest edges of an open polyline until it has ``points`` points."""
    while len(side) < points:
        edge = int(np.linalg.norm(np.diff(side, axis=0), axis=1).argmax())
        side = np.insert(side, edge + 1, (side[edge] + side[edge + 1]) / 2, axis=0)
    return side
