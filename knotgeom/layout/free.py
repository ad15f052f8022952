"""Free meshes as layouts: any orientable polygon mesh, plane or curved, open or closed.

Strands cross at the middle of every edge: the interlace of a graph drawn on a surface is its medial graph, which has a
crossing for each edge and a strand step for each corner. It has four ends at every crossing whatever the mesh is, and
nothing else is asked but that faces agree in their sense of turning: each edge is run along at most once each way, so
no edge has three faces and no walk round turns left into right. A mesh may have any number of handles and rims.
"""

from __future__ import annotations

import functools
import itertools

import numpy as np

from ..design import FREE, Breaks, FreeMesh, Rim
from ..errors import DesignError
from ..mesh import Floats, Ints
from .assemble import set_out
from .halfedge import ACROSS, ALONG, CROSSING, Layout
from .nearest import tree
from .surfaces import Facets, Surface, unit

_NAMED = 3  # edges that an error names
_ROUND = 64  # triangles round a vertex that are looked through


def edges_of(mesh: FreeMesh) -> dict[tuple[int, int], int]:
    """The number of every edge by its two vertices, the lower first.

    Edges are numbered as they are met going round one face after another.
    """
    return dict(_edges(mesh.faces))


@functools.lru_cache(maxsize=8)
def _edges(faces: tuple[tuple[int, ...], ...]) -> dict[tuple[int, int], int]:
    number: dict[tuple[int, int], int] = {}
    for face in faces:
        for a, b in zip(face, (*face[1:], face[0])):
            number.setdefault((a, b) if a < b else (b, a), len(number))
    return number


def check_mesh(mesh: FreeMesh) -> None:
    """Refuse a mesh that no interlace can be set out on, naming the edges.

    Raises
    ------
    DesignError
        A face names a vertex twice or one that is not there; more than two faces share an edge; two faces run the same
        way along an edge; an edge has no length.
    """
    count = len(mesh.vertices)
    for index, face in enumerate(mesh.faces):
        if len(face) < 3 or len(set(face)) < len(face):
            raise DesignError(
                f"face {index} has {len(set(face))} different corners of {len(face)}",
                "give at least three, each once",
                f"layout.mesh.faces[{index}]",
            )
        if min(face) < 0 or max(face) >= count:
            wrong = next(v for v in face if not 0 <= v < count)
            raise DesignError(
                f"face {index} names vertex {wrong}",
                f"vertices run from 0 to {count - 1:,}",
                f"layout.mesh.faces[{index}]",
            )
    ways: dict[tuple[int, int], int] = {}
    for face in mesh.faces:
        for pair in zip(face, (*face[1:], face[0])):
            ways[pair] = ways.get(pair, 0) + 1
    crowded = sorted({(min(p), max(p)) for p in ways if ways[p] + ways.get(p[::-1], 0) > 2})
    if crowded:
        raise DesignError(
            f"{_several(len(crowded), 'edge')} with more than two faces: {_named(crowded)}",
            "take the extra faces away",
            "layout.mesh.faces",
        )
    twice = sorted(p for p, times in ways.items() if times > 1)
    if twice:
        words = "turn faces so that neighbours run opposite ways along their edge"
        if _one_sided(mesh.faces):
            words = "it has one side only, as a Moebius band: cut it"
        raise DesignError(
            f"faces on both sides run the same way along {_several(len(twice), 'edge')}: {_named(twice)}",
            words,
            "layout.mesh.faces",
        )
    for a, b in edges_of(mesh):
        if np.linalg.norm(np.subtract(mesh.vertices[a], mesh.vertices[b])) < 1e-6:
            raise DesignError(
                f"the edge between vertices {a} and {b} has no length", "merge the two", f"layout.mesh.vertices[{b}]"
            )


def _several(count: int, what: str) -> str:
    return f"{count:,} {what}{'s' if count > 1 else ''}"


def _named(edges: list[tuple[int, int]]) -> str:
    names = ", ".join(f"{a}-{b}" for a, b in edges[:_NAMED])
    return f"{names} and more" if len(edges) > _NAMED else names


def _one_sided(faces: tuple[tuple[int, ...], ...]) -> bool:
    """Whether no turning of faces makes neighbours agree."""
    at: dict[tuple[int, int], list[tuple[int, bool]]] = {}
    for index, face in enumerate(faces):
        for a, b in zip(face, (*face[1:], face[0])):
            at.setdefault((min(a, b), max(a, b)), []).append((index, a < b))
    beside: dict[int, list[tuple[int, bool]]] = {}
    for pair in at.values():
        if len(pair) == 2:
            (f, forth), (g, back) = pair
            beside.setdefault(f, []).append((g, forth == back))
            beside.setdefault(g, []).append((f, forth == back))
    turned: dict[int, bool] = {}
    for first in range(len(faces)):
        if first in turned:
            continue
        turned[first] = False
        todo = [first]
        while todo:
            f = todo.pop()
            for g, flips in beside.get(f, ()):
                if g not in turned:
                    turned[g] = turned[f] ^ flips
                    todo.append(g)
                elif turned[g] != turned[f] ^ flips:
                    return True
    return False


def free_layout(mesh: FreeMesh, breaks: Breaks) -> Layout:
    """Set out a free mesh. Half-edge ``2e`` runs as the first face that has edge e does."""
    number = edges_of(mesh)
    points = np.array(mesh.vertices, float)
    half: list[int] = []
    sizes: list[int] = []
    forth: dict[int, int] = {}
    ends = np.zeros((len(number), 2), np.int64)
    for face in mesh.faces:
        sizes.append(len(face))
        for a, b in zip(face, (*face[1:], face[0])):
            edge = number[(a, b) if a < b else (b, a)]
            if edge not in forth:
                forth[edge] = a
                ends[edge] = a, b
            half.append(2 * edge + (forth[edge] != a))
    tail = points[ends.reshape(-1)]
    start = np.concatenate([[0], np.cumsum(sizes)])
    state = np.full(len(number), CROSSING, np.uint8)
    state[list(breaks.along)], state[list(breaks.across)] = ALONG, ACROSS
    site = np.stack([np.arange(len(number)), np.full(len(number), FREE)], 1)
    surface = facets(mesh)
    if surface is None:
        tail = tail - [0.0, 0.0, points[0, 2]]
        if _area(points, mesh.faces) < 0:  # seen from below, everything is turned over
            raise DesignError(
                "the faces of this plane mesh look down", "turn them over, so that they look up", "layout.mesh.faces"
            )
    return set_out(
        np.array(half),
        start,
        tail,
        site,
        crossed=np.full(len(number), mesh.boundary is Rim.CROSSED),
        breaks=state,
        rising=np.ones(len(number), np.int64),
        right=1,
        surface=surface,
    )


def _area(points: Floats, faces: tuple[tuple[int, ...], ...]) -> float:
    total = 0.0
    for face in faces:
        x, y = points[list(face), 0], points[list(face), 1]
        total += float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    return total


def facets(mesh: FreeMesh) -> Surface | None:
    """The rounded surface of a mesh; None where it is plane and level."""
    points = np.array(mesh.vertices, float)
    used = np.unique(list(itertools.chain.from_iterable(mesh.faces)))
    if np.ptp(points[used, 2]) <= 1e-9 * max(1.0, float(np.ptp(points[used, :2]))):
        return None
    triangles: list[tuple[int, int, int]] = []
    middles: list[Floats] = []
    for face in mesh.faces:
        if len(face) == 3:
            triangles.append((face[0], face[1], face[2]))
            continue
        hub = len(points) + len(middles)
        middles.append(points[list(face)].mean(0))
        triangles += [(a, b, hub) for a, b in zip(face, (*face[1:], face[0]))]
    if middles:
        points = np.vstack([points, middles])
    table = np.array(triangles)
    cross = np.cross(points[table[:, 1]] - points[table[:, 0]], points[table[:, 2]] - points[table[:, 0]])
    normals = np.zeros_like(points)
    for corner in range(3):
        np.add.at(normals, table[:, corner], cross)
    inside = tree(points[table].mean(1))
    return Facets(points, unit(normals), table, _beside(table, len(points)), inside)


def _beside(triangles: Ints, count: int) -> Ints:
    """The triangles that share a vertex with each, (T, m), filled up with itself.

    Where more than ``_ROUND`` meet at a vertex, of these only those on both sides of each edge: else a fan of thousands
    would hold, and look through, the square of them.
    """
    at: list[list[int]] = [[] for _ in range(count)]
    sides: dict[tuple[int, int], list[int]] = {}
    for index, triangle in enumerate(triangles.tolist()):
        for vertex, after in zip(triangle, (*triangle[1:], triangle[0])):
            at[vertex].append(index)
            sides.setdefault((min(vertex, after), max(vertex, after)), []).append(index)
    crowded = {vertex for vertex in range(count) if len(at[vertex]) > _ROUND}
    near = []
    for a, b, c in triangles.tolist():
        found = {t for vertex in (a, b, c) if vertex not in crowded for t in at[vertex]}
        if not crowded.isdisjoint((a, b, c)):
            found.update(t for pair in ((a, b), (b, c), (c, a)) for t in sides[min(pair), max(pair)])
        near.append(sorted(found))
    most = max(map(len, near))
    table = np.repeat(np.arange(len(near))[:, None], most, 1)
    for index, row in enumerate(near):
        table[index, : len(row)] = row
    return table
