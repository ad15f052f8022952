"""The upper surface of strands as triangles that carry a profile, and their heights over a grid.

A band between two neighbouring rings of a strand is wide and short. It is not cut into the many narrow faces of its
section: two triangles carry, besides the height of the strand's mid-plane, the place across the strand, and a table
gives the height of the section over the mid-plane there. So a sample costs the same however fine the section is. Walls
belong to the table: beyond the strand's edge the section falls with the draft down to the ground.

Triangles are cut into spans, one a row of samples, and spans of one length are filled together.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..design import Making, Sizes, Strand
from ..made import Drawn
from ..mesh import Floats, Ints
from ..sections import outlines
from ..sweep import sweep_rings

F32 = NDArray[np.float32]

FINE = 8192
"""Entries of a table across a strand: on a wall of 8 degrees they are about 0.01 mm apart in height."""
BAND = 1 << 18
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
        """(columns,)"""
        return self.x0 + self.dx * np.arange(self.columns)

    @property
    def y(self) -> Floats:
        """(rows,)"""
        return self.y0 - self.dy * np.arange(self.rows)


@dataclass(frozen=True, slots=True, eq=False)
class Strips:
    """Triangles that carry a profile.

    Attributes
    ----------
    corner : (n, 3, 4) float64
        x, y, height, and place in ``table`` (a fraction; one triangle keeps to one section).
    table : (t * FINE,) float32
        Heights added, section after section; the first section adds nothing.
    """

    corner: Floats
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
    made: list[Floats] = []

    # the lane sample of every ring, by the first vertex of its bands
    a = swept.band_sample
    b = swept.following[a]
    lane = swept.lane
    half = swept.band_half
    width = np.where(half, lanes.width[a], lanes.breadth[lane[a]])
    plain = ~half | ((lanes.opened[a] >= 1.0) & (lanes.opened[b] >= 1.0))
    for breadth in np.unique(width[plain]).tolist():
        for is_half in (False, True):
            rows = np.flatnonzero(plain & (half == is_half) & (width == breadth))
            if not len(rows):
                continue
            own = replace(size, width=float(lanes.breadth[lane[a[rows[0]]]])) if is_half else size
            base = len(tables)
            tables.append(_table(strand, own, breadth, walls))
            reach = breadth / 2 + walls.reach
            quad = np.empty((len(rows), 4, 4))
            for corner, (end, side) in enumerate(((a, 1.0), (a, -1.0), (b, -1.0), (b, 1.0))):
                at = end[rows]
                sample = lanes.sample[at]
                shift = (lanes.offset[at] if is_half else 0.0) + side * reach
                quad[:, corner, :2] = courses.point[sample] + np.multiply(
                    np.broadcast_to(shift, len(rows))[:, None], courses.lateral[sample]
                )
                quad[:, corner, 2] = z[at]
                quad[:, corner, 3] = base * FINE + (FINE - 1) * (side + 1) / 2
            made.append(quad[:, [0, 1, 3]])
            made.append(quad[:, [1, 2, 3]])

    # beside forks the section changes from ring to ring: its faces as they are
    outline = outlines(strand, size, np.array([size.width]))[0][0]
    first, last = _upper_range(outline)
    chain = np.arange(first, last + 1)
    rest = np.flatnonzero(~plain)
    strips: list[tuple[Floats, Floats]] = []
    if len(rest):
        one, other = (swept.ring_vertices(swept.band_ring[rest, end])[:, chain] for end in (0, 1))
        strips.append((swept.vertices[one], swept.vertices[other]))
        lateral = [courses.lateral[lanes.sample[end[rest]]] for end in (a, b)]
        for edge, side in ((0, 1.0), (-1, -1.0)):
            for inner, outer in _beside(walls):
                strips.append(
                    tuple(
                        np.stack(
                            [_moved(swept.vertices[ring[:, edge]], lat, side, shift) for shift in (inner, outer)], 1
                        )
                        for ring, lat in ((one, lateral[0]), (other, lateral[1]))
                    )  # type: ignore[arg-type]
                )
    if len(swept.fork_sample):
        faces = swept.fork_quads.reshape(-1, 4)[:, [0, 1, 2, 0, 2, 3]].reshape(-1, 3)
        faces = np.concatenate([faces, swept.fork_triangles.reshape(-1, 3)])
        upright = swept.vertices[faces]
        if walls.line is None:
            made.append(np.concatenate([upright, np.zeros((len(upright), 3, 1))], 2))
        lateral_at = courses.lateral[lanes.sample[swept.fork_sample]]
        # quad j of a fork runs from point j of the whole strand's ring to point j of the halves'
        left, right = swept.fork_quads[:, first], swept.fork_quads[:, last - 1]
        for quads, side in ((left, 1.0), (right, -1.0)):
            pick = (0, 3) if side > 0 else (1, 2)
            one, other = swept.vertices[quads[:, pick[0]]], swept.vertices[quads[:, pick[1]]]
            for inner, outer in _beside(walls):
                strips.append(
                    (
                        np.stack([_moved(one, lateral_at, side, s) for s in (inner, outer)], 1),
                        np.stack([_moved(other, lateral_at, side, s) for s in (inner, outer)], 1),
                    )
                )
    if walls.line is not None:
        strips = [pair for pair in strips if pair[0].shape[1] == 2]
    for one, other in strips:
        quad = np.stack([one[:, :-1], one[:, 1:], other[:, 1:], other[:, :-1]], 2).reshape(-1, 4, 3)
        quad = np.concatenate([quad, np.zeros((len(quad), 4, 1))], 2)
        made.append(quad[:, [0, 1, 3]])
        made.append(quad[:, [1, 2, 3]])
    corner = np.concatenate(made) if made else np.zeros((0, 3, 4))
    return Strips(corner, np.concatenate(tables))


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


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """Triangles in samples: corners (n, 3) from the top row down, and how height and place change."""

    down: Floats  # (n, 3) rows
    across: Floats  # (n, 3) columns
    height: Floats  # (n, 3): value at sample [0, 0], change a column, change a row
    place: Floats  # (n, 3) likewise
    low: Floats  # (n, 2): least and greatest place, so that rounding never leaves a section


def _lay(strips: Strips, grid: Grid) -> _Laid:
    corner = strips.corner
    across = (corner[:, :, 0] - grid.x0) / grid.dx
    down = (grid.y0 - corner[:, :, 1]) / grid.dy
    shown = (down.max(1) >= 0) & (down.min(1) <= grid.rows - 1)
    shown &= (across.max(1) >= 0) & (across.min(1) <= grid.columns - 1)
    corner, across, down = corner[shown], across[shown], down[shown]
    order = np.argsort(down, axis=1, kind="stable")
    across, down = np.take_along_axis(across, order, 1), np.take_along_axis(down, order, 1)
    value = np.take_along_axis(corner[:, :, 2:], order[:, :, None], 1)
    ux, uy = across[:, 1] - across[:, 0], down[:, 1] - down[:, 0]
    vx, vy = across[:, 2] - across[:, 0], down[:, 2] - down[:, 0]
    area = ux * vy - uy * vx
    solid = np.abs(area) > 1e-9
    across, down, value = across[solid], down[solid], value[solid]
    ux, uy, vx, vy, area = ux[solid], uy[solid], vx[solid], vy[solid], area[solid]

    def plane(k: int) -> Floats:
        one, two = value[:, 1, k] - value[:, 0, k], value[:, 2, k] - value[:, 0, k]
        right, below = (one * vy - two * uy) / area, (two * ux - one * vx) / area
        return np.stack([value[:, 0, k] - right * across[:, 0] - below * down[:, 0], right, below], 1)

    height, place = plane(0), plane(1)
    return _Laid(down, across, height, place, np.stack([value[:, :, 1].min(1), value[:, :, 1].max(1)], 1))


def fill(
    strips: Strips,
    grid: Grid,
    out: F32,
    finish: Callable[[Grid, F32, slice], None] | None = None,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Raise ``out`` to the strips over a grid, rows of it at a time and several at once.

    Parameters
    ----------
    out : (rows, columns) float32
    finish : callable, optional
        Called with the part of the grid, the rows of ``out`` that are done, and which they are.
    """
    laid = _lay(strips, grid)
    band = max(8, BAND // grid.columns)
    top, bottom = laid.down[:, 0], laid.down[:, 2]
    first = np.clip(np.ceil(top), 0, grid.rows)
    last = np.clip(np.floor(bottom) + 1, 0, grid.rows)

    def work(start: int) -> None:
        stop = min(start + band, grid.rows)
        ids = np.flatnonzero((first < stop) & (last > start))
        _fill_rows(laid, ids, strips.table, out[start:stop], start)
        if finish is not None:
            finish(grid.part(start, stop - start), out[start:stop], slice(start, stop))

    starts = list(range(0, grid.rows, band))
    workers = min(os.cpu_count() or 1, 8, len(starts))
    if workers < 2:
        for number, start in enumerate(starts):
            if progress is not None:
                progress(number / len(starts))
            work(start)
        return
    with ThreadPoolExecutor(workers) as pool:
        jobs: list[Future[None]] = [pool.submit(work, start) for start in starts]
        try:
            for number, job in enumerate(jobs):
                job.result()
                if progress is not None:
                    progress((number + 1) / len(starts))
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise


def _fill_rows(laid: _Laid, ids: Ints, table: F32, out: F32, first: int) -> None:
    """Raise some rows to the triangles ``ids``."""
    rows, columns = out.shape
    down, across = laid.down[ids], laid.across[ids]
    flat_out = out.reshape(-1)
    # each triangle as two parts, above and below its middle corner
    fall = down[:, [2, 1, 2]] - down[:, [0, 0, 1]]
    lean = (across[:, [2, 1, 2]] - across[:, [0, 0, 1]]) / np.where(fall > 0, fall, 1.0)
    limit = np.clip(np.ceil(down) - first, 0, rows).astype(np.int64)
    count = np.concatenate([limit[:, 1] - limit[:, 0], limit[:, 2] - limit[:, 1]])
    start = np.concatenate([limit[:, 0], limit[:, 1]])
    which = np.tile(np.arange(len(ids)), 2)
    item = np.repeat(np.arange(len(count)), count)
    if not len(item):
        return
    row = np.arange(len(item)) - np.repeat(np.cumsum(count) - count, count) + start[item]
    # the long side, and the short one of this part
    long_x = across[:, 0] - down[:, 0] * lean[:, 0]
    short_x = np.concatenate([across[:, 0] - down[:, 0] * lean[:, 1], across[:, 1] - down[:, 1] * lean[:, 2]])
    short_lean = np.concatenate([lean[:, 1], lean[:, 2]])
    line = (row + first).astype(float)
    tri = which[item]
    # a side's place in a row is worked out from its own upper corner, so that both faces of it agree to the last bit
    long = long_x[tri] + line * lean[tri, 0]
    short = short_x[item] + line * short_lean[item]
    begin = np.maximum(np.ceil(np.minimum(long, short)), 0.0)
    width = (np.minimum(np.ceil(np.maximum(long, short)), columns) - begin).astype(np.int64)
    kept = np.flatnonzero(width > 0)
    order = kept[np.argsort(width[kept].astype(np.uint16), kind="stable")]
    width, begin, line, tri, row = width[order], begin[order], line[order], tri[order], row[order]
    mine = ids[tri]
    height, place, low = laid.height[mine], laid.place[mine], laid.low[mine]
    value = (height[:, 0] + height[:, 1] * begin + height[:, 2] * line).astype(np.float32)
    rise = height[:, 1].astype(np.float32)
    spot = place[:, 0] + place[:, 1] * begin + place[:, 2] * line
    end = np.clip(spot + place[:, 1] * (width - 1), low[:, 0], low[:, 1])
    spot = np.clip(spot, low[:, 0], low[:, 1])
    move = np.where(width > 1, (end - spot) / np.maximum(width - 1, 1), 0.0).astype(np.float32)
    spot = (spot + 0.5).astype(np.float32)
    at = (row * columns + begin.astype(np.int64)).astype(np.int32 if out.size < 2**31 else np.int64)
    bound = np.flatnonzero(np.diff(width)) + 1
    for a, b in zip([0, *bound.tolist()], [*bound.tolist(), len(width)]):
        wide = int(width[a])
        step = np.arange(wide, dtype=np.float32)
        filled = rise[a:b, None] * step
        filled += value[a:b, None]
        where = move[a:b, None] * step
        where += spot[a:b, None]
        filled += table.take(where.astype(np.int32), mode="clip")
        goal = at[a:b, None] + np.arange(wide, dtype=at.dtype)
        np.maximum.at(flat_out, goal.ravel(), filled.ravel())

