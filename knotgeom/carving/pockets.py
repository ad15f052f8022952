"""Ground between strands: how wide it is, where it is narrowest, and which chisel or gouge enters it.

A gouge is an arc; it is compared with the ground in section.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ..made import Made, no_mesh
from ..mesh import Bools, Floats
from .field import HeightField
from .gouges import OWNED, Gouge, check_gouges, gouge_radius, hollow_depth
from .options import Ground
from .panel import Panel
from .regions import distance, greatest, regions, totals

Progress = Callable[[float, str], None]

COVER = 0.9
"""Share of a pocket's ground that a tool must reach to be offered for it first; common practice, no source."""
MIDDLE = 2
"""Cells by which the middle of the floor may lie off that of the strands' edges, whose walls are not equally high."""
WIDEST = 20.0
"""mm; ground wider than this is wide enough for anything on the list."""
HAND_PITCH = 0.2
"""mm; ground is measured no finer than this."""


@dataclass(frozen=True, slots=True)
class NarrowPlace:
    """Ground between two strands where they come nearest.

    ``width`` is what the design leaves between the strands' edges in plan, ``floor`` how wide the lowered ground is
    there, walls taken off; mm. ``gouge`` is the widest of the list that enters at the floor.
    """

    x: float
    y: float
    width: float
    floor: float
    gouge: Gouge | None


@dataclass(frozen=True, slots=True)
class Pocket:
    """A connected piece of lowered ground.

    Attributes
    ----------
    x, y : float
        Where it is widest, mm.
    area : float
        mm2 of floor.
    depth : float
        Of the floor there below the board's face, mm.
    widest : float
        Width of the widest tool that stands on the floor anywhere, mm: diameter of the largest circle within, never
        too much, and less than a pixel too little.
    enters : Gouge or None
        The widest tool of the list that enters.
    gouge : Gouge or None
        The one that suits best: that covers most of the floor, then leaves the least ridge, then is widest.
    covered : float
        Share of the floor that it reaches; corners are left for a narrower tool.
    misfit : float
        Depth of the hollow that its edge leaves in flat ground, mm; 0 where nothing enters.
    """

    x: float
    y: float
    area: float
    depth: float
    widest: float
    enters: Gouge | None
    gouge: Gouge | None
    covered: float
    misfit: float


def ground_level(field: HeightField) -> float:
    """Height up to which a place counts as lowered ground where nothing else is known: a twelfth of the depth, mm.

    That is less than strands that dip stand over their ground.
    """
    low, high = float(field.z.min()), float(field.z.max())
    return low + (high - low) / 12


def panel_ground_level(panel: Panel) -> float:
    """The same for a panel: marks of texture belong to the ground; where it is left standing, nothing is lowered."""
    if panel.carving.ground is Ground.LEFT:
        return -math.inf
    return -panel.depth + panel.texture_depth + panel.depth / 20


def _floor(field: HeightField, level: float | None) -> tuple[HeightField, Bools]:
    """The map thinned for measuring ground, and where it is ground; the level is taken on the whole map."""
    stride = max(1, math.floor(HAND_PITCH / field.pitch + 1e-9))
    half = stride // 2
    thin = HeightField(
        np.ascontiguousarray(field.z[half::stride, half::stride]), field.pitch * stride, field.left, field.top
    )
    if not float(field.z.max()) - float(field.z.min()) > 1e-6:
        return thin, np.zeros(thin.z.shape, bool)
    return thin, thin.z <= (ground_level(field) if level is None else level)


def pockets(
    field: HeightField,
    gouges: Sequence[Gouge] = OWNED,
    progress: Progress | None = None,
    level: float | None = None,
) -> tuple[Pocket, ...]:
    """Every pocket of lowered ground, narrowest first, with the tools of a list that enter it.

    A tool enters where a circle of its width has room; what it covers is what such circles cover. Pockets smaller
    than 1 mm2 are left out. Places are true to :data:`HAND_PITCH`, or the map's pitch where that is coarser. Ground
    is what lies no higher than ``level``, :func:`ground_level` where left out.
    """
    check_gouges(gouges)
    thin, ground = _floor(field, level)
    cell = thin.pitch**2
    labels, count = regions(ground)
    if not count:
        return ()
    most = math.ceil(WIDEST / 2 / thin.pitch)
    room = distance(ground, most)
    far, at = greatest(labels, count, room)
    area = totals(labels, count) * cell
    widest = (2 * far - 1) * thin.pitch
    covers: dict[float, Floats] = {}
    widths = sorted({gouge.width for gouge in gouges})
    for k, width in enumerate(widths):
        if progress:
            progress(k / len(widths), "trying gouges in the ground")
        radius = (width / thin.pitch + 1) / 2
        if radius > far.max():
            covers[width] = np.zeros(count)
            continue
        core = room >= min(radius, most) - 1e-6
        near = distance(~core, math.ceil(radius) + 1) < radius  # cells that a circle round the core covers
        covers[width] = totals(labels, count, near & ground) * cell / area
    found = []
    for k in np.flatnonzero(area >= 1.0).tolist():
        row, column = divmod(int(at[k]), thin.z.shape[1])
        x, y = thin.place(row, column)
        inside = [gouge for gouge in gouges if covers[gouge.width][k] > 0]
        enters = max(inside, key=lambda gouge: (gouge.width, -gouge.sweep), default=None)
        best = min(inside, key=lambda gouge: _suits(gouge, float(covers[gouge.width][k])), default=None)
        found.append(
            Pocket(
                x,
                y,
                float(area[k]),
                -float(thin.z[row, column]),
                float(widest[k]),
                enters,
                best,
                float(covers[best.width][k]) if best else 0.0,
                hollow_depth(gouge_radius(best), best.width) if best else 0.0,
            )
        )
    return tuple(sorted(found, key=lambda pocket: pocket.widest))


def _suits(gouge: Gouge, covered: float) -> tuple[float, float, float]:
    """Least for the tool that suits a pocket best."""
    ridge = hollow_depth(gouge_radius(gouge), gouge.width)
    return (-min(round(covered, 1), COVER), round(ridge, 1), -gouge.width)


def narrow_places(
    made: Made,
    field: HeightField,
    gouges: Sequence[Gouge] = OWNED,
    most: int = 12,
    level: float | None = None,
) -> tuple[NarrowPlace, ...]:
    """The narrowest ground between strands, narrowest first, at most ``most`` places.

    The width in plan comes from the design's own approaches of strands, the floor from the map: twice how far ground
    in the middle between them lies from its walls.
    """
    check_gouges(gouges)
    if made.drawn is None:
        raise no_mesh(made)
    gaps = made.drawn.gaps
    thin, ground = _floor(field, level)
    room = distance(ground, math.ceil(WIDEST / 2 / thin.pitch))
    found = []
    for k in np.argsort(gaps.apart, kind="stable").tolist():
        x, y = gaps.point[k].tolist()
        column, row = (x - thin.left) / thin.pitch - 0.5, (thin.top - y) / thin.pitch - 0.5
        rows = slice(max(0, round(row) - MIDDLE), max(0, round(row) + MIDDLE + 1))
        columns = slice(max(0, round(column) - MIDDLE), max(0, round(column) + MIDDLE + 1))
        near = room[rows, columns]
        floor = min(max(0.0, (2 * float(near.max()) - 1) * thin.pitch), max(float(gaps.apart[k]), 0.0))
        enters = max((g for g in gouges if g.width <= floor), key=lambda g: (g.width, -g.sweep), default=None)
        found.append(NarrowPlace(x, y, float(gaps.apart[k]), floor, enters))
        if len(found) == most:
            break
    return tuple(found)
