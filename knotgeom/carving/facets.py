"""A height field as a watertight solid board of few triangles.

Triangles are halved at the middle of their longest side wherever the surface lies further off than a tolerance, and a
halved triangle always has its neighbour over that side halved too, so there are no cracks (W. Evans, D. Kirkpatrick
and G. Townsend, "Right-triangulated irregular networks", 2001; P. Lindstrom and others, 1996, for the vertices that
depend on one another). Whether the tolerance is kept is not estimated but measured, at every sample: what lies further
off is put in, until nothing does.

Vertices of level ``s`` are the middles of squares of side ``2 s`` and then the middles of those squares' sides. Which
diagonal a square has alternates like a chessboard; the levels fit into one another so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from ..mesh import Bools, Floats, Ints, Mesh

F32 = NDArray[np.float32]
T = TypeVar("T", bound=np.generic)


@dataclass(frozen=True, slots=True, eq=False)
class Facets:
    """A height field as triangles.

    Attributes
    ----------
    corner : (t, 3) int64
        Samples as row * columns + column, anticlockwise seen from above.
    flat : (rows, columns) float32
        The height of the triangles at every sample.
    """

    corner: Ints
    flat: F32


def square_side(rows: int, columns: int) -> int:
    """The side of the largest squares, in samples, for a field of about so many: a power of two."""
    side = 1
    while side < 64 and side * 64 <= min(rows, columns):
        side *= 2
    return side


def triangulate(height: F32, side: int, tolerance: float | F32, check: Callable[[float], None] | None = None) -> Facets:
    """Triangles that lie within ``tolerance`` of every sample.

    Parameters
    ----------
    height : (rows, columns) float32
        One more each way than a multiple of ``side``.
    side : int
        Of the largest squares, a power of two.
    tolerance : float or (rows, columns) float32
        Upright, mm; see :func:`upright` for one that is square to the surface.
    check : callable, optional
        Called now and then with a share of the work done; it may raise to cancel.
    """
    rows, columns = height.shape[0] - 1, height.shape[1] - 1
    if rows % side or columns % side or side & (side - 1):
        raise ValueError(f"a field of {rows} x {columns} cells does not part into squares of {side}")
    active = np.zeros(height.shape, np.bool_)
    active[::side, ::side] = True
    for middle, one, other in _middles(height, side):
        off: F32 = 0.5 * (one + other)
        off -= middle
        np.abs(off, out=off)
        allowed = _view(tolerance, middle, height) if isinstance(tolerance, np.ndarray) else np.float32(tolerance)
        _view(active, middle, height)[...] |= off > allowed
    flat = np.empty_like(height)
    share = 0.0
    while True:  # each round puts vertices in, so there is a last one, nearly always the third or fourth
        share = min(share + 0.2, 0.9)
        if check is not None:
            check(share)
        _complete(active, side)
        _flatten(height, active, flat, side)
        far = np.abs(flat - height) > tolerance
        far &= ~active
        if not far.any():
            break
        active |= far
    return Facets(_leaves(active, side), flat)


def upright(height: F32, dx: float, dy: float, tolerance: float) -> F32:
    """How far off a surface may be measured upright, if it may be ``tolerance`` measured square to itself.

    Parameters
    ----------
    height : (rows, columns) float32
    dx, dy : float
        From sample to sample along rows and columns, mm.
    """
    out = np.empty_like(height)
    for first in range(0, len(height), 256):
        low, high = max(first - 1, 0), min(first + 257, len(height))
        part = height[low:high]
        down: F32 = np.gradient(part, np.float32(dy), axis=0)
        across: F32 = np.gradient(part, np.float32(dx), axis=1)
        keep = slice(first - low, first - low + min(256, len(height) - first))
        out[first : first + 256] = tolerance * np.sqrt(1 + down[keep] ** 2 + across[keep] ** 2)
    return out


def _view(target: NDArray[T], like: F32, of: F32) -> NDArray[T]:
    """The part of ``target`` where ``like`` lies in ``of``; both arrays have the same shape."""
    at = (like.__array_interface__["data"][0] - of.__array_interface__["data"][0]) // of.itemsize
    row, column = divmod(at, of.shape[1])
    down, right = (stride // size for stride, size in zip(like.strides, of.strides, strict=True))
    return target[row :: max(down, 1), column :: max(right, 1)][: like.shape[0], : like.shape[1]]


def _middles(field: F32, side: int) -> Iterator[tuple[F32, F32, F32]]:
    """Views of all vertices from the finest to the coarsest, with both ends of the side that each halves."""
    rows, columns = field.shape[0] - 1, field.shape[1] - 1
    s = 1
    while 2 * s <= side:
        t = 2 * s
        yield field[::t, s::t], field[::t, 0:columns:t], field[::t, t::t]
        yield field[s::t, ::t], field[0:rows:t, ::t], field[t::t, ::t]
        for i in (0, 1):
            for j in (0, 1):
                middle = field[s + i * t :: 2 * t, s + j * t :: 2 * t]
                if not middle.size:
                    continue
                up = field[i * t : rows : 2 * t], field[t + i * t :: 2 * t]
                near, far = (0, 1) if (i + j) % 2 == 0 else (1, 0)
                one = up[near][:, j * t : columns : 2 * t]
                other = up[far][:, t + j * t :: 2 * t]
                yield middle, one[: len(middle), : middle.shape[1]], other[: len(middle), : middle.shape[1]]
        s = t


def _complete(active: Bools, side: int) -> None:
    """Whatever a vertex depends on becomes active with it."""
    s = 1
    finer: Bools | None = None
    while 2 * s <= side:
        t = 2 * s
        level, upright = active[::t, s::t], active[s::t, ::t]
        if finer is not None:
            pair = finer[:, 0::2] | finer[:, 1::2]
            level[:-1] |= pair[0::2]
            level[1:] |= pair[1::2]
            pair = finer[0::2] | finer[1::2]
            upright[:, :-1] |= pair[:, 0::2]
            upright[:, 1:] |= pair[:, 1::2]
        finer = active[s::t, s::t]
        finer |= level[:-1]
        finer |= level[1:]
        finer |= upright[:, :-1]
        finer |= upright[:, 1:]
        s = t


def _flatten(height: F32, active: Bools, flat: F32, side: int) -> None:
    """The height of the triangles at every sample: where no vertex stands, the mean of its side's ends."""
    flat[::side, ::side] = height[::side, ::side]
    for middle, one, other in reversed(list(_middles(flat, side))):
        mean = 0.5 * (one + other)
        stands = _view(active, middle, flat)
        own = _view(height, middle, flat)
        np.copyto(mean, own, where=stands)
        middle[...] = mean


def _leaves(active: Bools, side: int) -> Ints:
    """The triangles that are not halved, (t, 3)."""
    rows, columns = active.shape[0] - 1, active.shape[1] - 1
    wide = columns + 1
    i, j = (a.ravel() for a in np.meshgrid(np.arange(rows // side), np.arange(columns // side), indexing="ij"))
    upper_left = i * side * wide + j * side
    upper_right, lower_left = upper_left + side, upper_left + side * wide
    lower_right = lower_left + side
    even = (i + j) % 2 == 0
    # the longest side first: its two ends and then the corner over against it, anticlockwise with rows going down
    one = np.where(
        even[:, None],
        np.stack([lower_right, upper_left, lower_left], 1),
        np.stack([upper_right, lower_left, lower_right], 1),
    )
    other = np.where(
        even[:, None],
        np.stack([upper_left, lower_right, upper_right], 1),
        np.stack([lower_left, upper_right, upper_left], 1),
    )
    todo = np.concatenate([one, other])
    one_turn = _turn(todo, wide)
    todo[one_turn < 0] = todo[one_turn < 0][:, [1, 0, 2]]
    flags = active.reshape(-1)
    done = []
    while len(todo):
        a, b, c = todo.T
        down, right = b // wide - a // wide, b % wide - a % wide
        middle = (a + b) // 2
        halves = (down % 2 == 0) & (right % 2 == 0)
        halves[halves] = flags[middle[halves]]
        done.append(todo[~halves])
        a, b, c, m = a[halves], b[halves], c[halves], middle[halves]
        todo = np.concatenate([np.stack([c, a, m], 1), np.stack([b, c, m], 1)])
    return np.concatenate(done)


def _turn(corner: Ints, wide: int) -> Ints:
    """Twice the area of triangles, positive where they turn anticlockwise with rows counted downward."""
    row, column = corner // wide, corner % wide
    ux, uy = column[:, 1] - column[:, 0], row[:, 0] - row[:, 1]
    vx, vy = column[:, 2] - column[:, 0], row[:, 0] - row[:, 2]
    return np.asarray(ux * vy - uy * vx)


def board_mesh(facets: Facets, height: F32, x: Floats, y: Floats, bottom: float, level: float) -> Mesh:
    """The solid board: the triangles, upright sides and a flat back.

    Parameters
    ----------
    x : (columns,) float64
    y : (rows,) float64
        Of the samples, mm; y falling.
    bottom : float
        z of the back, mm.
    level : float
        A height between the back and the lowest sample, mm.
    """
    wide = len(x)
    used, numbered = np.unique(facets.corner, return_inverse=True)
    top = np.column_stack([x[used % wide], y[used // wide], height.reshape(-1)[used]])
    faces = np.asarray(numbered).reshape(-1, 3)
    row, column = used // wide, used % wide
    # the border anticlockwise seen from above, from the lower left corner
    sides = []
    for at, key in (
        (row == len(y) - 1, column),
        (column == wide - 1, -row),
        (row == 0, -column),
        (column == 0, row),
    ):
        ids = np.flatnonzero(at)
        sides.append(ids[np.argsort(key[ids], kind="stable")])
    ring = np.concatenate([ids[:-1] for ids in sides])
    after = np.roll(ring, -1)
    count, first = len(ring), len(top)
    lower = first + np.arange(count)
    lower_after = np.roll(lower, -1)
    rim = top[ring].copy()
    rim[:, 2] = level
    corner_at = np.cumsum([0, *(len(ids) - 1 for ids in sides)])[:4]
    back = rim[corner_at].copy()
    back[:, 2] = bottom
    foot = first + count + np.arange(4)
    walls = [np.stack([lower, lower_after, after], 1), np.stack([lower, after, ring], 1)]
    for k in range(4):
        begin = int(corner_at[k])
        number = len(sides[k]) - 1
        near = lower[begin : begin + number]
        far = lower_after[begin : begin + number]
        walls.append(np.stack([np.full(number, foot[k]), far, near], 1))
        walls.append(np.array([[foot[k], foot[(k + 1) % 4], far[-1]]]))
    walls.append(np.array([[foot[0], foot[2], foot[1]], [foot[0], foot[3], foot[2]]]))
    vertices = np.concatenate([top, rim, back]).astype(np.float32).astype(float)
    triangles = np.concatenate([faces, *walls]).astype(np.int32)
    return Mesh(
        vertices=vertices,
        quads=np.zeros((0, 4), np.int32),
        triangles=triangles,
        quad_uv=np.zeros((0, 4, 2), np.float32),
        triangle_uv=np.ascontiguousarray(vertices[triangles][:, :, :2], np.float32),
        quad_strand=np.zeros(0, np.int32),
        triangle_strand=np.full(len(triangles), -1, np.int32),
    )
