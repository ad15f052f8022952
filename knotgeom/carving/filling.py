"""Heights over a grid from faces that carry a profile: a map raised to strips.

Faces are cut into spans, one a row of samples, and spans of one length are filled together.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..mesh import Floats, Ints
from .strips import Strips

F32 = NDArray[np.float32]

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
