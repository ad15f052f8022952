"""Balls in walls and gaps, found from points spread over a surface: each looks straight across for the next face. mm.

A ball is held by the tangent plane of a point that is met, so it is as right as points lie close; :mod:`.touching`
measures it anew on the triangles. Points are sorted into the cells of a uniform grid, which the looks step through.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints
from .surface import Folds, Surface, along_edges, scatter

EXIT = 0.05
"""Below this a face is passed alongside rather than met."""
MOST_CELLS = 20_000_000
"""Of a grid that has a table of where each cell begins; what lies in a finer one is searched for."""


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Points spread over a surface and sorted into the cells of a grid.

    Attributes
    ----------
    on : Surface
    bent : Folds
    boxes : two of (t, 3) float64
        Lowest and highest corner of each triangle.
    spacing : float
        Every third point looks across; these lie about so far apart, mm.
    point, normal : (n, 3) float64
        In the order of the cells.
    face : (n,) int64
    kind : (n,) int8
        0 on a face; on an edge 1 where the surface folds outward, -1 where inward.
    origin : (m,) int64
        The points that look across.
    low : (3,) float64
    cell : float
    shape : (3,) int64
        Corner, cell side and size of the grid.
    find : _Finder
    """

    on: Surface
    bent: Folds
    boxes: tuple[Floats, Floats]
    spacing: float
    point: Floats
    normal: Floats
    face: Ints
    kind: Ints
    origin: Ints
    low: Floats
    cell: float
    shape: Ints
    find: _Finder


def spread_over(on: Surface, bent: Folds, boxes: tuple[Floats, Floats], spacing: float) -> Spread:
    """Points on faces, and twice as close along folds; ``boxes`` and ``spacing`` are those of :class:`Spread`."""
    count = max(int(math.ceil(float(on.area.sum()) / spacing**2)), 64)
    point, face = scatter(on, 3 * count)
    normal, kind = on.normal[face], np.zeros(len(point), np.int8)
    if len(bent.turn):
        ridge, edge = along_edges(on.vertices, bent.ends, spacing / 2)
        middle = on.normal[bent.faces].sum(1)
        middle /= np.maximum(np.linalg.norm(middle, axis=1), 1e-9)[:, None]
        point, face = np.concatenate([point, ridge]), np.concatenate([face, bent.faces[edge, 0]])
        normal = np.concatenate([normal, middle[edge]])
        kind = np.concatenate([kind, np.sign(bent.turn[edge]).astype(np.int8)])
    cell = 1.6 * spacing
    low = point.min(0) - 0.5 * cell
    shape = np.floor((point.max(0) - low) / cell).astype(np.int64) + 1
    box = np.floor((point - low) / cell).astype(np.int64)
    key = (box[:, 0] * shape[1] + box[:, 1]) * shape[2] + box[:, 2]
    order = np.argsort(key, kind="stable")
    find = _Finder(key[order], int(np.prod(shape.astype(float))))
    origin = np.flatnonzero((order % 3 == 0) & (order < 3 * count))
    return Spread(
        on, bent, boxes, spacing, point[order], normal[order], face[order], kind[order], origin, low, cell, shape, find
    )


@dataclass(frozen=True, slots=True, eq=False)
class Balls:
    """The largest balls at points of a surface.

    Attributes
    ----------
    point, other : (n, 3) float64
        Where each ball touches, and about where it is held on the other side.
    face, other_face : (n,) int64
        The triangles there.
    width : (n,) float64
        Diameter, mm.
    cosine : (n,) float64
        1 where both faces lie parallel.
    """

    point: Floats
    other: Floats
    face: Ints
    other_face: Ints
    width: Floats
    cosine: Floats


def look_across(spread: Spread, reach: float, side: int) -> Balls:
    """Balls from within (``side`` -1) or without (1) that meet a face within ``reach``."""
    points, normals, low, cell, shape = spread.point, spread.normal, spread.low, spread.cell, spread.shape
    p, n = points[spread.origin], normals[spread.origin]
    along = side * n
    found = np.full(len(p), np.inf)
    held = np.full(len(p), -1)
    active = np.arange(len(p))
    near = (0.8 * spread.spacing) ** 2
    step = 0.6 * cell
    # most points met face another way: told in single precision, those that lie on edges of the other kind being 0
    met = np.where((spread.kind * side >= 0)[:, None], normals, 0.0).astype(np.float32).T.copy()
    ahead = n.astype(np.float32)
    # places in cells, and the way to the next ones, column by column
    place, stride = ((p - low) / cell).T.copy(), (along * (step / cell)).T.copy()
    for k in range(int(math.ceil(reach / step)) + 1):
        at = [column + k * way for column, way in zip(place, stride)]
        inside = held[active] < 0
        for column, cells in zip(at, shape.tolist()):
            inside &= (column >= 0) & (column < cells)
        # the grid is convex: who left it does not come back
        going = np.flatnonzero(inside)
        active, place, stride = active[going], place.take(going, 1), stride.take(going, 1)
        x, y, z = (column[going].astype(np.int64) for column in at)
        first, number = spread.find((x * shape[1] + y) * shape[2] + z)
        some = np.flatnonzero(number)
        ray, first, number = active[some], first[some], number[some]
        hit = np.arange(int(number.sum())) + np.repeat(first - np.cumsum(number) + number, number)
        turned = np.repeat(ahead[ray, 0], number) * met[0].take(hit)
        for axis in (1, 2):
            turned += np.repeat(ahead[ray, axis], number) * met[axis].take(hit)
        some = np.flatnonzero(turned < -EXIT)
        ray, hit = np.repeat(ray, number)[some], hit[some]
        mine, theirs, away = along.take(ray, 0), normals.take(hit, 0), points.take(hit, 0) - p.take(ray, 0)
        far = np.einsum("ik,ik->i", away, theirs) / np.einsum("ik,ik->i", mine, theirs)
        off = away - far[:, None] * mine
        some = np.flatnonzero((far > 1e-9) & (far <= reach) & (np.einsum("ik,ik->i", off, off) <= near))
        some = some[np.lexsort((far[some], ray[some]))]
        ray, hit, far = ray[some], hit[some], far[some]
        lead = np.ones(len(ray), bool)
        lead[1:] = ray[1:] != ray[:-1]
        found[ray[lead]], held[ray[lead]] = far[lead], hit[lead]
    seen = np.flatnonzero(held >= 0)
    hit = held[seen]
    cosine = -np.einsum("ik,ik->i", n[seen], normals[hit])
    width = 2 * found[seen] * cosine / (1 + cosine)
    return Balls(p[seen], points[hit], spread.face[spread.origin[seen]], spread.face[hit], width, cosine)


class _Finder:
    """Where in a sorted list of cell numbers each cell begins, and how many entries it has."""

    def __init__(self, ranked: Ints, cells: int) -> None:
        self.ranked = ranked
        self.begins: Ints | None = None
        if cells <= MOST_CELLS:
            self.begins = np.concatenate([[0], np.cumsum(np.bincount(ranked, minlength=cells))])

    def __call__(self, key: Ints) -> tuple[Ints, Ints]:
        if self.begins is not None:
            return self.begins[key], self.begins[key + 1] - self.begins[key]
        first = np.searchsorted(self.ranked, key)
        return first, np.searchsorted(self.ranked, key, side="right") - first
