"""How far points are from a surface of triangles: exactly the nearest of all, found through a grid over the plan.

A triangle is entered in every cell of the grid that its box in plan touches. A point that is known to be no farther off
than some distance looks at all triangles whose boxes come as near as that, so none that is nearer is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints

FEW = 1 << 14
"""Pairs of a point and a triangle worked on together, few enough for the processor's cache."""
MANY = 1 << 20
"""Pairs gathered together at most."""
MOST_CELLS = 1 << 18
MOST_POINTS = 4096
"""Points looked at together at most."""


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """Triangles in a grid.

    Attributes
    ----------
    table : (13, t) float64
        Of each triangle: first corner a, edges ab and ac, and what distances need of them.
    low, high : (3, t) float64
        Its box.
    origin : (2,) float64
    cell : float
        mm.
    shape : (int, int)
        Cells across and up.
    start : (cells + 1,) int64
        Where each cell's triangles begin in ``entry``; cells row by row.
    entry : (e,) int64
    """

    table: Floats
    low: Floats
    high: Floats
    origin: Floats
    cell: float
    shape: tuple[int, int]
    start: Ints
    entry: Ints


def surface(corners: Floats) -> Surface:
    """Enter triangles, (t, 3, 3), in a grid."""
    a, ab, ac = corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    d, e, f = _dot(ab, ab), _dot(ab, ac), _dot(ac, ac)
    area = d * f - e * e
    table = np.concatenate([a.T, ab.T, ac.T, [d, e, f, np.where(area > 1e-14 * d * f, area, 0.0)]])
    low, high = corners.min(1).T.copy(), corners.max(1).T.copy()
    origin, far = low[:2].min(1), high[:2].max(1)
    cell = max(float(np.mean(high[:2] - low[:2])), float(np.sqrt(np.prod(far - origin) / MOST_CELLS)), 1e-9)
    shape = int((far[0] - origin[0]) / cell) + 1, int((far[1] - origin[1]) / cell) + 1
    first = ((low[:2] - origin[:, None]) / cell).astype(np.int64)
    wide = ((high[:2] - origin[:, None]) / cell).astype(np.int64) - first + 1
    which, step = _steps(wide[0] * wide[1])
    across = wide[0][which]
    at = (first[1][which] + step // across) * shape[0] + first[0][which] + step % across
    order = np.argsort(at, kind="stable")
    start = np.searchsorted(at[order], np.arange(shape[0] * shape[1] + 1))
    return Surface(table, low, high, origin, cell, shape, start, which[order])


def _steps(size: Ints) -> tuple[Ints, Ints]:
    """``size[k]`` times k one after another, and for each how many of its kind came before."""
    which = np.repeat(np.arange(len(size)), size)
    return which, np.arange(len(which)) - np.repeat(np.cumsum(size) - size, size)


def _dot(one: Floats, other: Floats) -> Floats:
    product: Floats = np.einsum("sx,sx->s", one, other)
    return product


def to_triangles(place: Floats, found: Surface, triangle: Ints) -> Floats:
    """Distance of each point from one triangle, (s,): (s, 3) and (s,).

    The nearest point of a triangle is the foot of the upright where that lies within it, otherwise one of an edge.
    """
    away = np.empty(len(place))
    for first in range(0, len(place), FEW):
        part = slice(first, first + FEW)
        away[part] = _to_triangles(place[part], found.table.take(triangle[part], axis=1))
    return away


def _to_triangles(place: Floats, table: Floats) -> Floats:
    x, y, z = (place[:, k] - table[k] for k in range(3))
    bx, by, bz, cx, cy, cz, d, e, f, area = table[3:]
    p, q = bx * x + by * y + bz * z, cx * x + cy * y + cz * z
    v, w = f * p - e * q, d * q - e * p
    inside = (v >= 0) & (w >= 0) & (v + w <= area) & (area > 0)
    whole = x * x + y * y + z * z
    best = _to_edge(whole, p, d)
    np.minimum(best, _to_edge(whole, q, f), out=best)
    np.minimum(best, _to_edge(whole - 2 * p + d, q - p - e + d, d - 2 * e + f), out=best)
    rows = np.flatnonzero(inside)
    if len(rows):
        bx, by, bz, cx, cy, cz, area = (column[rows] for column in (bx, by, bz, cx, cy, cz, area))
        height = (by * cz - bz * cy) * x[rows] + (bz * cx - bx * cz) * y[rows] + (bx * cy - by * cx) * z[rows]
        best[rows] = height * height / area
    return np.asarray(np.sqrt(np.maximum(best, 0.0)), float)


def _to_edge(whole: Floats, along: Floats, length: Floats) -> Floats:
    """Squared distance from an edge: of the squared distance from its start, the dot with it, its squared length."""
    share = np.clip(along / np.maximum(length, 1e-300), 0.0, 1.0)
    away: Floats = whole + share * (share * length - 2 * along)
    return away


def distances(place: Floats, bound: Floats, found: Surface) -> Floats:
    """Distance of points, (s, 3), from the nearest of all triangles; ``bound`` (s,) is how far off each is at most."""
    low, high = _cells(place[:, :2] - bound[:, None], found), _cells(place[:, :2] + bound[:, None], found)
    point, step = _steps(high[1] - low[1] + 1)  # one row of cells each
    row = (low[1][point] + step) * found.shape[0]
    return _least(place, bound, found, point, found.start[row + low[0][point]], found.start[row + high[0][point] + 1])


def _nearer(place: Floats, bound: Floats, found: Surface) -> Floats:
    """How far off points are at most, by the triangles in their own cells too."""
    across, up = _cells(place[:, :2], found)
    cell = up * found.shape[0] + across
    return _least(place, bound, found, np.arange(len(place)), found.start[cell], found.start[cell + 1])


def _cells(plan: Floats, found: Surface) -> tuple[Ints, Ints]:
    """Column and row of the cell of each place, (s, 2), or of the nearest one."""
    at = np.floor((plan - found.origin) / found.cell).astype(np.int64)
    return np.clip(at[:, 0], 0, found.shape[0] - 1), np.clip(at[:, 1], 0, found.shape[1] - 1)


def _least(place: Floats, bound: Floats, found: Surface, point: Ints, begin: Ints, end: Ints) -> Floats:
    """The bounds, or nearer triangles among the entries from ``begin`` to ``end`` for each of ``point``, in order."""
    best = bound.copy()
    done = np.concatenate([[0], np.cumsum(end - begin)])
    at = 0
    while at < len(point):
        to = max(at + 1, int(np.searchsorted(done, done[at] + MANY, side="right")) - 1)
        which, step = _steps((end - begin)[at:to])
        triangle = found.entry[begin[at:to][which] + step]
        owner = point[at:to][which]
        for k in range(3):  # boxes too far off
            near = found.low[k].take(triangle) <= (place[:, k] + bound).take(owner)
            near &= found.high[k].take(triangle) >= (place[:, k] - bound).take(owner)
            owner, triangle = owner[near], triangle[near]
        if len(owner):
            away = to_triangles(place[owner], found, triangle)
            begins = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]])
            own = owner[begins]
            best[own] = np.minimum(best[own], np.minimum.reduceat(away, begins))
        at = to
    return best


def greatest(place: Floats, bound: Floats, found: Surface) -> float:
    """Greatest of the points' distances from the surface; ``bound`` (s,) is how far off each is at most.

    Points are looked at in the order of their bounds, and the search ends when none that is left can be farther off.
    """
    order = np.argsort(-bound, kind="stable")
    worst, at, many = 0.0, 0, 32
    while at < len(order) and bound[order[at]] > worst:
        part = order[at : at + many]
        part = part[bound[part] > worst]
        near = _nearer(place[part], bound[part], found)
        part, near = part[near > worst], near[near > worst]
        if len(part):
            worst = max(worst, float(distances(place[part], near, found).max()))
        at, many = at + many, min(2 * many, MOST_POINTS)
    return worst
