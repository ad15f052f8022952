"""The upper surface of strands as faces that carry a profile.

A band between two neighbouring rings of a strand is wide and short. It is not cut into the many narrow faces of its
section: one face carries the way from ring to ring, which gives the height of the strand's mid-plane, and the place
across the strand, and a table (:mod:`.upper_side`) gives the height of the section over the mid-plane there. So a
sample costs the same however fine the section is (:mod:`.filling`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..design import Making, Sizes, Strand
from ..drawing import Drawn
from ..lanes import Lanes
from ..mesh import Bools, Floats, Ints
from ..sections import outlines
from ..sweep import sweep_rings
from .upper_side import FINE, Walls, table, upper_range

F32 = NDArray[np.float32]
LAP = 1e-4
"""mm that bands of strand overlap, so that no sample falls between two whose common side is cut up differently."""
BESIDE_FORKS = 4
"""Steps from ring to ring beside forks, where faces are flat."""


@dataclass(frozen=True, slots=True, eq=False)
class Strips:
    """Convex quadrangles and triangles that carry a profile.

    Attributes
    ----------
    corner : (n, 4, 5) float64
        Round the outline; a triangle has its last corner twice.
        x, y, place in ``table`` (a fraction; one face keeps to one section), and two numbers whose quotient, 0 to 1, is
        the way from one ring to the next. All three are linear over the face.
    cubic : (n, 4) float64
        The height of the mid-plane as a cubic of that way, lowest power first.
    table : (t * FINE,) float32
        Heights added, section after section; the first section adds nothing.
    """

    corner: Floats
    cubic: Floats
    table: F32


def strand_strips(drawn: Drawn, z: Floats, strand: Strand, size: Sizes, walls: Walls) -> Strips:
    """The strips of all strands.

    Parameters
    ----------
    z : (m,) float64
        Height of the mid-plane at every lane sample, mm.
    """
    lanes, courses = drawn.lanes, drawn.courses
    swept = sweep_rings(courses, lanes, z, strand, size, Making.FUSED)
    tables: list[F32] = [np.zeros(FINE, np.float32)]
    made: list[tuple[Floats, Floats]] = []

    # the lane sample of every ring, by the first vertex of its bands
    a = swept.band_sample
    b = swept.following[a]
    lane = swept.lane
    half = swept.band_half
    width = np.where(half, lanes.width[a], lanes.breadth[lane[a]])
    plain = ~half | ((lanes.opened[a] >= 1.0) & (lanes.opened[b] >= 1.0))
    cubic = band_cubics(lanes, z)
    for breadth in np.unique(width[plain]).tolist():
        for is_half in (False, True):
            rows = np.flatnonzero(plain & (half == is_half) & (width == breadth))
            if not len(rows):
                continue
            own = replace(size, width=float(lanes.breadth[lane[a[rows[0]]]])) if is_half else size
            base = len(tables)
            tables.append(table(strand, own, breadth, walls))
            reach = breadth / 2 + walls.reach
            ends = []
            for end in (a[rows], b[rows]):
                sample = lanes.sample[end]
                offset = lanes.offset[end] if is_half else np.zeros(len(end))
                ends.append((courses.point[sample], courses.lateral[sample], offset))
            made += _bands(ends, cubic[a[rows]], breadth / 2, reach, base)

    # beside forks the section changes from ring to ring: its faces as they are
    outline = outlines(strand, size, np.array([size.width]))[0][0]
    first, last = upper_range(outline)
    chain = np.arange(first, last + 1)
    rest = np.flatnonzero(~plain)
    strips: list[tuple[Floats, Floats]] = []
    if len(rest):
        ring, next_ring = (swept.vertices[swept.ring_vertices(swept.band_ring[rest, end])[:, chain]] for end in (0, 1))
        # the height between the rings as the cubic has it, in a few steps
        low, high = cubic[a[rest]][:, 0], cubic[a[rest]].sum(1)
        shares = np.linspace(-1e-3, 1 + 1e-3, BESIDE_FORKS + 1)
        rings = []
        for t in shares.tolist():
            between = (1 - t) * ring + t * next_ring
            curve = cubic[a[rest]] @ np.array([1.0, t, t * t, t * t * t])
            between[:, :, 2] += (curve - (1 - t) * low - t * high)[:, None]
            rings.append(between)
        strips += list(zip(rings[:-1], rings[1:], strict=True))
        lateral = [courses.lateral[lanes.sample[end[rest]]] for end in (a, b)]
        for edge, side in ((0, 1.0), (-1, -1.0)):
            for inner, outer in _beside(walls):
                feet = [
                    np.stack(
                        [
                            _moved(around[:, edge], (1 - t) * lateral[0] + t * lateral[1], side, s)
                            for s in (inner, outer)
                        ],
                        1,
                    )
                    for t, around in zip(shares.tolist(), rings, strict=True)
                ]
                strips += list(zip(feet[:-1], feet[1:], strict=True))
    if len(swept.fork_sample):
        faces = swept.fork_quads.reshape(-1, 4)[:, [0, 1, 2, 0, 2, 3]].reshape(-1, 3)
        faces = np.concatenate([faces, swept.fork_triangles.reshape(-1, 3)])
        upright = swept.vertices[faces]
        if walls.line is None:
            made.append(_plain(upright))
        here, there = (
            courses.lateral[lanes.sample[at]] for at in (swept.fork_sample, swept.following[swept.fork_sample])
        )
        # quad j of a fork runs from point j of the whole strand's ring to point j of the halves'
        left, right = swept.fork_quads[:, first], swept.fork_quads[:, last - 1]
        for quads, side in ((left, 1.0), (right, -1.0)):
            pick = (0, 3) if side > 0 else (1, 2)
            one, other = swept.vertices[quads[:, pick[0]]], swept.vertices[quads[:, pick[1]]]
            for inner, outer in _beside(walls):
                strips.append(
                    (
                        np.stack([_moved(one, here, side, s) for s in (inner, outer)], 1),
                        np.stack([_moved(other, there, side, s) for s in (inner, outer)], 1),
                    )
                )
    if walls.line is not None:
        strips = [pair for pair in strips if pair[0].shape[1] == 2]
    for one, other in strips:
        quad = np.stack([one[:, :-1], one[:, 1:], other[:, 1:], other[:, :-1]], 2).reshape(-1, 4, 3)
        made += [_plain(quad[:, [0, 1, 3]]), _plain(quad[:, [1, 2, 3]])]
    corner = np.concatenate([part[0] for part in made]) if made else np.zeros((0, 4, 5))
    cubics = np.concatenate([part[1] for part in made]) if made else np.zeros((0, 4))
    return Strips(corner, cubics, np.concatenate(tables))


def _plain(triangles: Floats) -> tuple[Floats, Floats]:
    """Triangles (n, 3, 3) whose heights are their corners' own."""
    corner = np.zeros((len(triangles), 3, 5))
    corner[:, :, :2] = triangles[:, :, :2]
    corner[:, :, 3], corner[:, :, 4] = triangles[:, :, 2], 1.0
    return corner[:, [0, 1, 2, 2]], np.tile([0.0, 1.0, 0.0, 0.0], (len(triangles), 1))


def _bands(
    ends: list[tuple[Floats, Floats, Floats]], cubic: Floats, half: float, reach: float, base: int
) -> list[tuple[Floats, Floats]]:
    """One face a band, from the foot of one wall to that of the other.

    On the inside of a sharp turn the foot of a wall may come to lie behind that of the ring before. Such a band is
    laid in three strips: the strand by itself, and either wall by itself.
    """
    quad, usable = _across(ends, np.arange(len(cubic)), -reach, reach, reach, base)
    done = _faces(quad[usable], cubic[usable])
    rest = np.flatnonzero(~usable)
    walls = [(half, reach), (-reach, -half)] if reach - half > 1e-9 else []
    for low, high in ((-half, half), *walls):
        quad, usable = _across(ends, rest, low, high, reach, base)
        curve, fold = cubic[rest].copy(), ~usable  # a wall folded over itself: flat triangles do
        start, end = curve[fold, 0], curve[fold].sum(1)
        quad[fold, :, 4] = 1.0
        quad[fold, :2, 3], quad[fold, 2:, 3] = start[:, None], end[:, None]
        curve[fold] = (0.0, 1.0, 0.0, 0.0)
        done += _faces(quad, curve)
    return done


def _across(
    ends: list[tuple[Floats, Floats, Floats]], rows: Ints, low: float, high: float, reach: float, base: int
) -> tuple[Floats, Bools]:
    """One face of each of some bands, (n, 4, 5), between two places across; and which of them are not folded."""
    quad = np.empty((len(rows), 4, 5))
    for corner, (end, side) in enumerate(((0, high), (0, low), (1, low), (1, high))):
        point, lateral, offset = (values[rows] for values in ends[end])
        quad[:, corner, :2] = point + (offset + side)[:, None] * lateral
        quad[:, corner, 2] = base * FINE + (FINE - 1) * (side + reach) / (2 * reach)
    one, other = quad[:, [0, 1], :2].copy(), quad[:, [3, 2], :2].copy()
    for corners, line, way in (((0, 1), one, -LAP), ((3, 2), other, LAP)):
        run = line[:, 0] - line[:, 1]
        run = way * run / np.maximum(np.linalg.norm(run, axis=1, keepdims=True), 1e-12)
        quad[:, corners, 0] += run[:, None, 1]
        quad[:, corners, 1] -= run[:, None, 0]
    gone, left = (_from_line(line, quad[:, :, :2]) for line in (one, other))
    left = -left  # square to the first ring onward, and to the second one back
    whole = gone + left
    quad[:, :, 3], quad[:, :, 4] = gone, whole
    usable = whole.min(1) > 1e-3 * np.abs(whole).max(1)
    usable &= (gone > -2 * LAP).all(1) & (left > -2 * LAP).all(1)
    return quad, usable


def _faces(quad: Floats, curve: Floats) -> list[tuple[Floats, Floats]]:
    """Quadrangles as one face where they are convex and what they carry is linear over them, else as two triangles."""
    side = np.roll(quad[:, :, :2], -1, axis=1) - quad[:, :, :2]
    following = np.roll(side, -1, axis=1)
    turn = side[:, :, 0] * following[:, :, 1] - side[:, :, 1] * following[:, :, 0]
    whole = (turn > 0).all(1) | (turn < 0).all(1)
    # the fourth corner as the plane through the other three has it
    one, other, to = (quad[:, k, :2] - quad[:, 0, :2] for k in (1, 3, 2))
    area = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    area = np.where(np.abs(area) > 1e-12, area, np.inf)
    a = (to[:, 0] * other[:, 1] - to[:, 1] * other[:, 0]) / area
    b = (one[:, 0] * to[:, 1] - one[:, 1] * to[:, 0]) / area
    carried = quad[:, :, 2:]
    expected = (
        carried[:, 0] + a[:, None] * (carried[:, 1] - carried[:, 0]) + b[:, None] * (carried[:, 3] - carried[:, 0])
    )
    off = np.abs(expected - carried[:, 2])
    whole &= (off[:, 0] <= 1.0) & (off[:, 1:] <= 1e-6).all(1)
    split, rest = quad[~whole], curve[~whole]
    return [(quad[whole], curve[whole]), (split[:, [0, 1, 3, 3]], rest), (split[:, [1, 2, 3, 3]], rest)]


def _from_line(line: Floats, place: Floats) -> Floats:
    """How far places (n, k, 2) lie to the left of lines (n, 2, 2), mm."""
    run = line[:, 1] - line[:, 0]
    run = run / np.maximum(np.linalg.norm(run, axis=1, keepdims=True), 1e-12)
    to = place - line[:, :1]
    return np.asarray(run[:, None, 0] * to[:, :, 1] - run[:, None, 1] * to[:, :, 0])


def band_cubics(lanes: Lanes, z: Floats) -> Floats:
    """Height from every lane sample to the next as a cubic of the way between them, (m, 4), lowest power first.

    Slopes at the samples are those of F. N. Fritsch and J. Butland (1984): the curve rises and falls only where the
    samples do, so nothing is over- or undershot.
    """
    after = np.arange(1, len(z) + 1)
    after[lanes.start[1:] - 1] = lanes.start[:-1]
    before = np.empty_like(after)
    before[after] = np.arange(len(z))
    lane = np.repeat(np.arange(len(lanes.circuit)), np.diff(lanes.start))
    run = lanes.along[after] - lanes.along
    run = np.maximum(np.where(run <= 0, run + lanes.length[lane], run), 1e-9)
    rise = z[after] - z
    slope, last = rise / run, (rise / run)[before]
    run_before = run[before]
    both = slope * last > 0
    weigh = (2 * run + run_before, run + 2 * run_before)
    tangent = np.zeros(len(z))
    tangent[both] = ((weigh[0] + weigh[1])[both]) / (weigh[0][both] / last[both] + weigh[1][both] / slope[both])
    here, there = tangent * run, tangent[after] * run
    return np.stack([z, here, 3 * rise - 2 * here - there, here + there - 2 * rise], 1)


def _beside(walls: Walls) -> Iterator[tuple[tuple[float, float], tuple[float, float]]]:
    """The strips beside a strand's edge: how far out and down each begins and ends."""
    if walls.line is None:
        yield (0.0, 0.0), (walls.lean * walls.fall, -walls.fall)
    else:
        foot = walls.lean * walls.line
        yield (0.0, -walls.line), (foot, -walls.line)
        yield (foot, -walls.line), (foot + walls.fall, walls.fall - walls.line)


def _moved(place: Floats, lateral: Floats, side: float, shift: tuple[float, float]) -> Floats:
    out, up = shift
    return np.column_stack([place[:, :2] + side * out * lateral, place[:, 2] + up])
