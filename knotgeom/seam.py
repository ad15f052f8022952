"""Strips laid flat: a mesh of strands that run round and round, cut where the strip comes round and capped.

Strands are swept along a strip taken round, where they close; laid flat, what crosses the seam is cut there. Both
sides of the seam get the very same vertices, one strip's length apart, so that the strip repeats without a gap.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from .caps import triangulated
from .errors import DesignError
from .loop import step_of
from .mesh import Floats, Mesh, all_triangles

ASIDE = 1e-3
"""How far beside x = 0 a flat strip is cut at least, in strand widths."""
_REACH = 20.0
"""How far beyond the least place for a cut it may lie, times as far."""
_PLACES = 5  # that are tried for a cut


def laid_flat(mesh: Mesh, period: float, width: float) -> Mesh:
    """Cut the mesh of a strip where it comes round and close it there.

    Parameters
    ----------
    mesh : Mesh
        Closed when its x is taken round after ``period``.
    period, width : float
        Of the strip and of its strands, mm. Strands cross at x = 0, and a cut through the middle of a crossing would
        meet vertices: it is cut a hair beside it, where vertices leave most room, and comes out moved by as much.

    Returns
    -------
    Mesh
        Triangles only, x from 0 to ``period``.
    """
    return _cut_at(mesh, period, _clear_places(mesh.vertices[:, 0], period, ASIDE * width)[0])


def cuts(mesh: Mesh, period: float, width: float) -> Iterator[Mesh]:
    """The same for a mesh of triangles :func:`knotgeom.loop.rounded`, cut in several places, the clearest first.

    Vertices are in single precision, but for those at the far end.
    """
    step = step_of(period)
    for place in _clear_places(mesh.vertices[:, 0], period, ASIDE * width):
        cut = _cut_at(mesh, period, round(place / step) * step)
        places = cut.vertices.astype(np.float32).astype(float)
        places[cut.vertices[:, 0] == period, 0] = period
        yield replace(cut, vertices=places)


def _cut_at(mesh: Mesh, period: float, place: float) -> Mesh:
    """The same, cut at ``place``."""
    faces = all_triangles(mesh)
    quads = len(mesh.quads)
    uv = np.concatenate([mesh.quad_uv[:, [0, 1, 2, 0, 2, 3]].reshape(2 * quads, 3, 2), mesh.triangle_uv])
    strand = np.concatenate([np.repeat(mesh.quad_strand, 2), mesh.triangle_strand])
    vertices = mesh.vertices - [place, 0.0, 0.0]
    vertices[:, 0] %= period
    x = vertices[:, 0]
    a, b, c = (x[column] for column in faces.T)
    crossing = np.maximum(np.maximum(a, b), c) - np.minimum(np.minimum(a, b), c) > period / 2
    before = x > period / 2

    count = len(vertices)
    points: list[Floats] = []
    cut: dict[tuple[int, int], int] = {}  # the cut point of an edge; it stands twice, at x = 0 and at the far end

    def cut_point(a: int, b: int) -> tuple[int, float]:
        """The cut point of an edge from before the seam to after it, and its share of the way."""
        short, long = vertices[b, 0], period - vertices[a, 0]
        share = long / (long + short)
        if (a, b) not in cut:
            cut[a, b] = len(points)
            points.append(vertices[a, 1:] + share * (vertices[b, 1:] - vertices[a, 1:]))
        return cut[a, b], share

    pieces: list[list[int]] = []
    piece_uv: list[list[Floats]] = []
    piece_strand: list[int] = []
    after: dict[int, int] = {}  # cut points in the order in which the faces' cut edges lead round each strand
    owner: dict[int, int] = {}
    for face in np.flatnonzero(crossing).tolist():
        corner, flat = faces[face].tolist(), uv[face]
        far = before[corner].tolist()  # corners at the far end
        sides: tuple[list[tuple[int, Floats]], list[tuple[int, Floats]]] = ([], [])  # at x = 0, and at the far end
        begin = end = -1
        for i in range(3):
            j = (i + 1) % 3
            sides[far[i]].append((corner[i], flat[i]))
            if far[i] == far[j]:
                continue
            if far[i]:
                k, share = cut_point(corner[i], corner[j])
                between, end = flat[i] + share * (flat[j] - flat[i]), k
            else:
                k, share = cut_point(corner[j], corner[i])
                between, begin = flat[j] + share * (flat[i] - flat[j]), k
            for side in (0, 1):
                sides[side].append((count + 2 * k + side, between))
        after[begin], owner[begin] = end, int(strand[face])
        for polygon in sides:
            for n in range(1, len(polygon) - 1):
                three = polygon[0], polygon[n], polygon[n + 1]
                pieces.append([vertex for vertex, _ in three])
                piece_uv.append([place for _, place in three])
                piece_strand.append(int(strand[face]))

    tables, uvs, strands = [faces[~crossing]], [uv[~crossing]], [strand[~crossing]]
    everything = [vertices]
    if points:
        at = np.array(points)
        both = np.zeros((len(at), 2, 3))
        both[:, :, 1:] = at[:, None]
        both[:, 1, 0] = period
        everything.append(both.reshape(-1, 3))
        for loop in _loops(after):
            for ear in triangulated(at[loop]):
                a, b, c = (loop[v] for v in ear)
                flat_uv = [at[v] for v in (a, b, c)]
                # faces at x = 0 run along the loop, so their cap runs against it; at the far end the other way about
                pieces += [[count + 2 * v for v in (c, b, a)], [count + 2 * v + 1 for v in (a, b, c)]]
                piece_uv += [flat_uv[::-1], flat_uv]
                piece_strand += [owner[loop[0]]] * 2
        tables.append(np.array(pieces))
        uvs.append(np.array(piece_uv, np.float32))
        strands.append(np.array(piece_strand))
    triangles, places = np.concatenate(tables), np.concatenate(everything)
    used = np.zeros(len(places), bool)
    used[triangles] = True
    return Mesh(
        vertices=places[used],
        quads=np.zeros((0, 4), np.int32),
        triangles=(np.cumsum(used) - 1)[triangles].astype(np.int32),
        quad_uv=np.zeros((0, 4, 2), np.float32),
        triangle_uv=np.concatenate(uvs).astype(np.float32),
        quad_strand=np.zeros(0, np.int32),
        triangle_strand=np.concatenate(strands).astype(np.int32),
    )


def _clear_places(x: Floats, period: float, aside: float) -> list[float]:
    """Where to cut, at least ``aside``: the middles of the widest gaps between vertices, widest first."""
    near = np.mod(x - aside, period)
    near = np.sort(np.concatenate([[0.0], near[near < _REACH * aside], [_REACH * aside]]))
    widest = np.argsort(-np.diff(near), kind="stable")[:_PLACES]
    return [float(aside + (near[gap] + near[gap + 1]) / 2) for gap in widest]


def _loops(following: dict[int, int]) -> list[list[int]]:
    """Closed walks through cut points."""
    left = dict(following)
    loops = []
    while left:
        first, at = left.popitem()
        loop = [first]
        while at != first:
            loop.append(at)
            if at not in left:
                raise DesignError("the strands do not close where the strip comes round", "give a longer strip")
            at = left.pop(at)
        loops.append(loop)
    return loops
