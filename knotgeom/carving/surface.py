"""The upper surface of strands as faces that carry a profile, and their heights over a grid.

A band between two neighbouring rings of a strand is wide and short. It is not cut into the many narrow faces of its
section: one face carries the way from ring to ring, which gives the height of the strand's mid-plane, and the place
across the strand, and a table gives the height of the section over the mid-plane there. So a sample costs the same
however fine the section is. Walls belong to the table: beyond the strand's edge the section falls with the draft down
to the ground.

Faces are cut into spans, one a row of samples, and spans of one length are filled together.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..design import Making, Sizes, Strand
from ..lanes import Lanes
from ..made import Drawn
from ..mesh import Bools, Floats, Ints
from ..sections import outlines
from ..sweep import sweep_rings

F32 = NDArray[np.float32]

FINE = 8192
"""Entries of a table across a strand: on a wall of 8 degrees they are about 0.01 mm apart in height."""
LAP = 1e-4
"""mm that bands of strand overlap, so that no sample falls between two whose common side is cut up differently."""
BESIDE_FORKS = 4
"""Steps from ring to ring beside forks, where faces are flat."""
BAND = 1 << 19
"""Samples of the rows filled together, few enough for the processor's cache."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Samples at ``x0 + column * dx``, ``y0 - row * dy``, mm."""

    x0: float
    y0: float
    dx: float
    dy: float
    columns: int
    rows: int

    def part(self, first: int, rows: int) -> Grid:
        """Some rows of it."""
        return replace(self, y0=self.y0 - first * self.dy, rows=rows)

    @property
    def x(self) -> Floats:
        """Along the rows, (columns,) mm."""
        return self.x0 + self.dx * np.arange(self.columns)

    @property
    def y(self) -> Floats:
        """Down the columns, (rows,) mm."""
        return self.y0 - self.dy * np.arange(self.rows)


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


@dataclass(frozen=True, slots=True)
class Walls:
    """How a section goes on beyond the strand's edge.

    Attributes
    ----------
    lean : float
        Run over fall of the wall.
    fall : float
        How far down it is followed, mm.
    line : float or None
        None for a wall alone. Else the ground beside the strand is what is described, not the strand: a line cut so
        deep along the edge, mm, and the ground rising from it at 45 degrees.
    """

    lean: float
    fall: float
    line: float | None = None

    @property
    def reach(self) -> float:
        """Width beside the strand that is described, mm."""
        return self.lean * self.fall if self.line is None else self.lean * self.line + self.fall

    def height(self, beyond: Floats) -> Floats:
        """Height relative to the strand's edge, ``beyond`` mm outside of it."""
        if self.line is None:
            return np.asarray(-beyond / max(self.lean, 1e-9))
        foot = self.lean * self.line
        return np.asarray(np.where(beyond >= foot, beyond - foot - self.line, -self.line))


def edge_and_crown(strand: Strand, size: Sizes, width: float) -> tuple[float, float]:
    """Height of the edge of a section's upper side and of its highest point over the mid-plane, mm."""
    across, up = _upper(strand, size, width)
    return float(min(up[0], up[-1])), float(up.max())


def _upper_range(across: Floats) -> tuple[int, int]:
    """First and last index of the upper side of an outline, its broadest places included."""
    half = len(across) // 2
    left, right = across[: half + 1], -across[:half:-1]
    first = len(left) - 1 - int((left[::-1] >= left.max() - 1e-9).argmax())
    last = len(across) - 1 - (len(right) - 1 - int((right[::-1] >= right.max() - 1e-9).argmax()))
    return first, last


def _upper(strand: Strand, size: Sizes, width: float) -> tuple[Floats, Floats]:
    """The upper side of a section from right to left: across rising, and up."""
    across, up = (a[0] for a in outlines(strand, replace(size, width=width), np.array([width])))
    first, last = _upper_range(across)
    return across[first : last + 1][::-1], up[first : last + 1][::-1]


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
            tables.append(_table(strand, own, breadth, walls))
            reach = breadth / 2 + walls.reach
            ends = []
            for end in (a[rows], b[rows]):
                sample = lanes.sample[end]
                offset = lanes.offset[end] if is_half else np.zeros(len(end))
                ends.append((courses.point[sample], courses.lateral[sample], offset))
            made += _bands(ends, cubic[a[rows]], breadth / 2, reach, base)

    # beside forks the section changes from ring to ring: its faces as they are
    outline = outlines(strand, size, np.array([size.width]))[0][0]
    first, last = _upper_range(outline)
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


def _table(strand: Strand, size: Sizes, width: float, walls: Walls) -> F32:
    """Height over the mid-plane from the right foot of the wall to the left one."""
    across, up = _upper(strand, size, width)
    reach = width / 2 + walls.reach
    place = np.linspace(-reach, reach, FINE)
    inside = np.interp(place, across, up)
    edge = np.where(place < 0, up[0], up[-1])
    beyond = np.maximum(np.abs(place) - width / 2, 0.0)
    if walls.line is not None:
        inside = np.minimum(up[0], up[-1]) - walls.line  # what lies under the strand does not matter
    return np.where(beyond > 0, edge + walls.height(beyond), inside).astype(np.float32)


# ------------------------------------------------------------------------------------------------------ filling


EDGES = 3
"""At most so many sides of a convex quadrangle bound its rows on the left, and as many on the right."""


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """Faces in samples: the rows they meet, the lines that bound them, and how what they carry changes."""

    top: Floats  # (n,) rows
    bottom: Floats
    left: Floats  # (EDGES, 2, n): column at row 0, and its change a row
    right: Floats
    place: Floats  # (3, n): value at sample [0, 0], change a column, change a row
    gone: Floats  # (3, n) likewise
    whole: Floats  # (3, n) likewise
    cubic: F32  # (4, n)
    low: Floats  # (2, n): least and greatest place, so that rounding never leaves a section


def _lay(strips: Strips, grid: Grid) -> _Laid:
    corner = strips.corner
    across = (corner[:, :, 0] - grid.x0) / grid.dx
    down = (grid.y0 - corner[:, :, 1]) / grid.dy
    shown = (down.max(1) >= 0) & (down.min(1) <= grid.rows - 1)
    shown &= (across.max(1) >= 0) & (across.min(1) <= grid.columns - 1)
    ux, uy = across[:, 1] - across[:, 0], down[:, 1] - down[:, 0]
    vx, vy = across[:, 3] - across[:, 0], down[:, 3] - down[:, 0]
    area = ux * vy - uy * vx
    shown &= np.abs(area) > 1e-9
    corner, across, down, area = corner[shown], across[shown], down[shown], area[shown]
    ux, uy, vx, vy = ux[shown], uy[shown], vx[shown], vy[shown]
    value = corner[:, :, 2:]

    def plane(k: int) -> Floats:
        one, two = value[:, 1, k] - value[:, 0, k], value[:, 3, k] - value[:, 0, k]
        right, below = (one * vy - two * uy) / area, (two * ux - one * vx) / area
        return np.stack([value[:, 0, k] - right * across[:, 0] - below * down[:, 0], right, below])

    left = np.zeros((EDGES, 2, len(corner)))
    right = np.zeros((EDGES, 2, len(corner)))
    left[:, 0], right[:, 0] = -np.inf, np.inf
    taken = np.zeros((2, len(corner)), np.int64)
    turned = area > 0
    for k in range(4):
        a, b = (across[:, k], down[:, k]), (across[:, (k + 1) % 4], down[:, (k + 1) % 4])
        # worked out from the upper corner, so that both faces of a side agree on it to the last bit
        falls = b[1] > a[1]
        x, y = np.where(falls, a[0], b[0]), np.where(falls, a[1], b[1])
        fall = np.abs(b[1] - a[1])
        lean = (np.where(falls, b[0], a[0]) - x) / np.where(fall > 0, fall, 1.0)
        for number, (bound, side) in enumerate(((left, falls != turned), (right, falls == turned))):
            at = np.flatnonzero(side & (fall > 0))
            bound[taken[number, at], 0, at] = x[at] - y[at] * lean[at]
            bound[taken[number, at], 1, at] = lean[at]
            taken[number, at] += 1

    gone, whole = plane(1), plane(2)
    even = np.ptp(value[:, :, 2], axis=1) <= 1e-9 * np.abs(value[:, 0, 2])
    gone[:, even] /= value[even, 0, 2]
    whole[:, even] = np.array([[1.0], [0.0], [0.0]])
    bounds = np.stack([value[:, :, 0].min(1), value[:, :, 0].max(1)])
    cubic = np.ascontiguousarray(strips.cubic[shown].T, np.float32)
    return _Laid(down.min(1), down.max(1), left, right, plane(0), gone, whole, cubic, bounds)


def fill(
    strips: Strips,
    grid: Grid,
    out: F32,
    finish: Callable[[Grid, F32, slice], None] | None,
    progress: Callable[[float], None],
) -> None:
    """Raise ``out`` to the strips over a grid, rows of it at a time and several at once.

    Parameters
    ----------
    out : (rows, columns) float32
    finish : callable, optional
        Called with the part of the grid, the rows of ``out`` that are done, and which they are.
    progress : callable
        Called with a share of the work done; it may raise to cancel.
    """
    laid = _lay(strips, grid)
    band = max(8, BAND // grid.columns)
    first = np.clip(np.ceil(laid.top), 0, grid.rows).astype(np.int64)
    last = np.clip(np.ceil(laid.bottom), 0, grid.rows).astype(np.int64)  # the last row belongs to the face below

    def work(start: int) -> None:
        stop = min(start + band, grid.rows)
        ids = np.flatnonzero((first < stop) & (last > start))
        _fill_rows(laid, ids, first[ids], last[ids], strips.table, out[start:stop], start)
        if finish is not None:
            finish(grid.part(start, stop - start), out[start:stop], slice(start, stop))

    starts = list(range(0, grid.rows, band))
    workers = min(os.cpu_count() or 1, 8, len(starts))
    if workers < 2:
        for number, start in enumerate(starts):
            progress(number / len(starts))
            work(start)
        return
    with ThreadPoolExecutor(workers) as pool:
        jobs: list[Future[None]] = [pool.submit(work, start) for start in starts]
        try:
            for number, job in enumerate(jobs):
                job.result()
                progress((number + 1) / len(starts))
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise


def _fill_rows(laid: _Laid, ids: Ints, top: Ints, bottom: Ints, table: F32, out: F32, first: int) -> None:
    """Raise some rows to the faces ``ids``, which meet the rows from ``top`` to ``bottom``."""
    rows, columns = out.shape
    flat_out = out.reshape(-1)
    start = np.maximum(top - first, 0)
    count = np.maximum(np.minimum(bottom - first, rows) - start, 0)
    item = np.repeat(np.arange(len(count)), count)
    if not len(item):
        return
    row = np.arange(len(item)) + np.repeat(start - np.cumsum(count) + count, count)
    face = ids[item]
    line = (row + first).astype(float)
    begin, end = np.zeros(len(face)), np.full(len(face), float(columns))
    for k in range(EDGES):
        bound = laid.left[k]
        np.maximum(begin, bound[0].take(face) + bound[1].take(face) * line, out=begin)
        bound = laid.right[k]
        np.minimum(end, bound[0].take(face) + bound[1].take(face) * line, out=end)
    np.ceil(begin, out=begin)
    np.ceil(end, out=end)
    end -= begin
    kept = np.flatnonzero(end > 0)
    width = end[kept].astype(np.int32)
    face = face[kept]
    bent = (laid.whole[1].take(face) != 0) | (laid.whole[2].take(face) != 0)
    kind = 2 * width + bent
    order = np.argsort(kind.astype(np.uint16) if columns < 2**15 else kind, kind="stable")
    width, face, bent, kept = width[order], face[order], bent[order], kept[order]
    begin, line, row = begin[kept], line[kept], row[kept]

    def at_begin(plane: Floats) -> Floats:
        return np.asarray(plane[0].take(face) + plane[1].take(face) * begin + plane[2].take(face) * line)

    ahead, pace = at_begin(laid.gone).astype(np.float32), laid.gone[1].take(face).astype(np.float32)
    wide_at, widens = at_begin(laid.whole).astype(np.float32), laid.whole[1].take(face).astype(np.float32)
    # where rounding would leave the section by a hair, its edge is meant
    low, high = laid.low[0].take(face), laid.low[1].take(face)
    spot = at_begin(laid.place)
    past = np.minimum(np.maximum(spot + laid.place[1].take(face) * (width - 1), low), high)
    spot = np.minimum(np.maximum(spot, low), high)
    move = ((past - spot) / np.maximum(width - 1, 1)).astype(np.float32)
    spot = (spot + 0.5).astype(np.float32)
    cubic = laid.cubic.take(face, axis=1)
    curved = (cubic[2] != 0) | (cubic[3] != 0)
    at = (row * columns + begin.astype(np.int64)).astype(np.int32 if out.size < 2**31 else np.int64)
    ends = np.flatnonzero((width[1:] != width[:-1]) | (bent[1:] != bent[:-1])) + 1
    for a, b in zip([0, *ends.tolist()], [*ends.tolist(), len(width)]):
        steps = np.arange(int(width[a]), dtype=at.dtype)
        step = steps.astype(np.float32)
        way = pace[a:b, None] * step
        way += ahead[a:b, None]
        if bent[a]:
            divisor = widens[a:b, None] * step
            divisor += wide_at[a:b, None]
            way /= divisor
        c = cubic[:, a:b, None]
        if curved[a:b].any():
            filled = way * c[3]
            filled += c[2]
            filled *= way
            filled += c[1]
            filled *= way
        else:
            filled = way * c[1]
        filled += c[0]
        np.multiply(move[a:b, None], step, out=way)
        way += spot[a:b, None]
        filled += table.take(way.astype(np.int32), mode="clip")
        goal = at[a:b, None] + steps
        np.maximum.at(flat_out, goal.ravel(), filled.ravel())
