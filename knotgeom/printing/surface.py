"""A mesh as a bag of flat triangles with normals and areas, and points spread evenly over it.

Points are spread without chance. Their triangles come from equal steps along the areas laid end to end; within a
triangle the n-th point takes the fractional parts of n / p and n / p^2, where p = 1.3247... is the plastic number, the
root of p^3 = p + 1: as multiples of the golden ratio fill a line, these fill a square (a Kronecker sequence, M.
Roberts' R2, from memory). What falls beyond the square's diagonal is turned back over it, so that the square becomes a
triangle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..mesh import Bools, Floats, Ints, Mesh, all_triangles

PLASTIC = 0.7548776662466927, 0.5698402909980532
"""Steps of the plane sequence that fills a square most evenly: 1/p and 1/p^2, p being the plastic number."""


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """Triangles that have an area, and what follows from their corners.

    Attributes
    ----------
    vertices : (n, 3) float64
    triangles : (t, 3) int64
    corners : (t, 3, 3) float64
    normal : (t, 3) float64
        Outward, of length 1.
    area : (t,) float64
        mm2.
    source : (t,) int64
        The number of each triangle in what the surface was made from.
    """

    vertices: Floats
    triangles: Ints
    corners: Floats
    normal: Floats
    area: Floats
    source: Ints


def part_of(on: Surface, chosen: Bools) -> Surface:
    """Some triangles of a surface, (t,)."""
    return Surface(
        on.vertices, on.triangles[chosen], on.corners[chosen], on.normal[chosen], on.area[chosen], on.source[chosen]
    )


def surface_of(mesh: Mesh) -> Surface:
    """The triangles of ``mesh`` with an area of more than nothing."""
    return surface(mesh.vertices, all_triangles(mesh))


def surface(vertices: Floats, triangles: Ints) -> Surface:
    """The same of bare arrays, (n, 3) and (t, 3)."""
    vertices = np.asarray(vertices, float)
    triangles = np.asarray(triangles, np.int64).reshape(-1, 3)
    a, b, c = (vertices[corner] for corner in triangles.T)
    turned = np.cross(b - a, c - a)
    twice = np.linalg.norm(turned, axis=1)
    size = float(np.ptp(vertices, axis=0).max()) if len(vertices) else 0.0
    some = twice > (1e-7 * size) ** 2
    triangles, turned, twice = triangles[some], turned[some], twice[some]
    return Surface(vertices, triangles, vertices[triangles], turned / twice[:, None], twice / 2, np.flatnonzero(some))


def scatter(on: Surface, count: int) -> tuple[Floats, Ints]:
    """``count`` points, each standing for the same area, and the triangle that each lies on: (count, 3), (count,).

    The areas are laid end to end and cut into equal lengths, one point each; within its triangle a point's place comes
    from a sequence that fills the square evenly. No chance is involved.
    """
    ends = np.cumsum(on.area)
    number = np.arange(count)
    share = (number + 0.5) * (ends[-1] / count)
    face = np.minimum(np.searchsorted(ends, share, side="right"), len(ends) - 1)
    u, v = ((number * step) % 1.0 for step in PLASTIC)
    over = u + v > 1
    u, v = np.where(over, 1 - u, u), np.where(over, 1 - v, v)
    a, b, c = (on.corners[face, k] for k in range(3))
    return a + u[:, None] * (b - a) + v[:, None] * (c - a), face


def edge_pairs(triangles: Ints) -> tuple[Ints, Ints, Ints]:
    """Edges shared by two triangles: their vertices (e, 2), both triangles (e, 2), and each one's far vertex (e, 2)."""
    start = triangles.ravel()
    end = np.roll(triangles, -1, axis=1).ravel()
    far = np.roll(triangles, -2, axis=1).ravel()
    low, high = np.minimum(start, end), np.maximum(start, end)
    key = low * (int(triangles.max(initial=0)) + 1) + high
    order = np.argsort(key, kind="stable")
    ranked = key[order]
    same = np.flatnonzero(ranked[1:] == ranked[:-1])
    one, other = order[same], order[same + 1]
    return np.stack([low[one], high[one]], 1), np.stack([one, other], 1) // 3, np.stack([far[one], far[other]], 1)


@dataclass(frozen=True, slots=True, eq=False)
class Folds:
    """Edges where the surface turns sharply.

    Attributes
    ----------
    ends : (e, 2) int64
        Vertices.
    faces : (e, 2) int64
    far : (e, 2) int64
        The vertex of each face that is not on the edge.
    turn : (e,) float64
        Radians between the outward directions of both faces, below 0 where the surface folds inward.
    """

    ends: Ints
    faces: Ints
    far: Ints
    turn: Floats


def folds(on: Surface, least: float) -> Folds:
    """All edges where the surface turns by more than ``least``, in radians."""
    ends, faces, far = edge_pairs(on.triangles)
    n, m = on.normal[faces[:, 0]], on.normal[faces[:, 1]]
    sharp = np.flatnonzero(np.einsum("ek,ek->e", n, m) < np.cos(least))
    ends, faces, far, n, m = ends[sharp], faces[sharp], far[sharp], n[sharp], m[sharp]
    lift = np.einsum("ek,ek->e", n, on.vertices[far[:, 1]] - on.vertices[ends[:, 0]])
    turn = np.arccos(np.clip(np.einsum("ek,ek->e", n, m), -1, 1))
    return Folds(ends, faces, far, np.where(lift > 0, -turn, turn))


def along_edges(vertices: Floats, ends: Ints, apart: float) -> tuple[Floats, Ints]:
    """Points along edges, both ends with them, no farther apart than ``apart``, and the edge of each."""
    a, b = vertices[ends[:, 0]], vertices[ends[:, 1]]
    number = np.minimum(np.ceil(np.linalg.norm(b - a, axis=1) / apart).astype(np.int64) + 1, 1000)
    edge = np.repeat(np.arange(len(ends)), number)
    rank = np.arange(int(number.sum())) - np.repeat(np.cumsum(number) - number, number)
    share = (rank / (number[edge] - 1.0).clip(1))[:, None]
    return a[edge] + share * (b - a)[edge], edge
