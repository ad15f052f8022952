"""Strips laid flat: a mesh of strands that run round and round, cut where the strip comes round and capped.

Strands are swept along a strip taken round, where they close; laid flat, what crosses the seam is cut there. Both
sides of the seam get the very same vertices, one strip's length apart, so that the strip repeats without a gap.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from .errors import DesignError
from .loop import step_of
from .mesh import Bools, Floats, Mesh, all_triangles

ASIDE = 1e-3
"""How far beside x = 0 a flat strip is cut at least, in strand widths."""
_BREADTH = 1e-7
"""Area of a triangle of a cap, in squares as wide as the cap, from which on it is taken for one."""
_REACH = 20.0
"""How far beyond the least place for a cut it may lie, times as far."""
_UPRIGHT = 1e-7
"""How far the places of an upright wall's points may lie apart in plan, in breadths of the cap."""
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
    return _cut_at(mesh, period, _clear_places(mesh.vertices[:, 0], period, ASIDE * width)[0])[0]


def cuts(mesh: Mesh, period: float, width: float, among: Bools | None) -> Iterator[tuple[Mesh, Bools | None]]:
    """The same for a mesh of triangles :func:`knotgeom.loop.rounded`, cut in several places, the clearest first.

    Vertices are in single precision, but for those at the far end. ``among``, (t,) bool, are some triangles of the
    mesh; with each cut come those that are left of them, and those that the cut made or moved.
    """
    step = step_of(period)
    for place in _clear_places(mesh.vertices[:, 0], period, ASIDE * width):
        at = round(place / step) * step
        cut, kept = _cut_at(mesh, period, at)
        places = cut.vertices.astype(np.float32).astype(float)
        end = cut.vertices[:, 0] == period
        places[end, 0] = period
        some = None
        if among is not None:
            some = np.ones(len(cut.triangles), bool)
            moved = (places != cut.vertices).any(1) | end | (places[:, 0] == 0.0)
            some[: kept.sum()] = among[kept] | moved[cut.triangles[: kept.sum()]].any(1)
        yield replace(cut, vertices=places), some


def _cut_at(mesh: Mesh, period: float, place: float) -> tuple[Mesh, Bools]:
    """The same, cut at ``place``; also which triangles of the mesh were kept as they are, which come first."""
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
            for ear in _triangulated(at[loop]):
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
    cut_mesh = Mesh(
        vertices=places[used],
        quads=np.zeros((0, 4), np.int32),
        triangles=(np.cumsum(used) - 1)[triangles].astype(np.int32),
        quad_uv=np.zeros((0, 4, 2), np.float32),
        triangle_uv=np.concatenate(uvs).astype(np.float32),
        quad_strand=np.zeros(0, np.int32),
        triangle_strand=np.concatenate(strands).astype(np.int32),
    )
    return cut_mesh, ~crossing


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


def _triangulated(outline: Floats) -> list[tuple[int, int, int]]:
    """A simple polygon, (n, 2), as triangles that turn as it does, none of them without a breadth if that can be."""
    swept, most = _flipped(outline, _swept(outline)), _BREADTH * float(np.ptp(outline, axis=0).max()) ** 2
    if _least_area(outline, swept) > most:
        return swept
    return max(swept, _flipped(outline, _ears(outline)), key=lambda triangles: _least_area(outline, triangles))


def _flipped(outline: Floats, triangles: list[tuple[int, int, int]]) -> list[tuple[int, int, int]]:
    """Turn edges within a polygon as long as that makes the lower of two triangles higher."""
    points = outline.tolist()

    def height(a: int, b: int, c: int) -> float:
        """Over the longest side; below 0 where the corners turn the other way."""
        (ax, ay), (bx, by), (cx, cy) = points[a], points[b], points[c]
        longest = max((bx - ax) ** 2 + (by - ay) ** 2, (cx - bx) ** 2 + (cy - by) ** 2, (ax - cx) ** 2 + (ay - cy) ** 2)
        return float(way * ((bx - ax) * (cy - ay) - (by - ay) * (cx - ax)) / math.sqrt(max(longest, 1e-300)))

    x, y = outline.T
    way = 1.0 if float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) > 0 else -1.0
    corner = {(t[k], t[(k + 1) % 3]): t[(k + 2) % 3] for t in triangles for k in range(3)}  # seen across each edge
    if len(corner) < 3 * len(triangles):
        return triangles
    todo = [edge for edge in corner if edge[0] < edge[1]]
    for _ in range(20 * len(corner)):  # each turn makes it better, but by how little is not known
        if not todo:
            break
        a, b = todo.pop()
        if (a, b) not in corner or (b, a) not in corner:
            continue
        c, d = corner[a, b], corner[b, a]
        before = min(height(a, b, c), height(b, a, d))
        if min(height(c, a, d), height(d, b, c)) > before + 1e-12 and (c, d) not in corner and (d, c) not in corner:
            del corner[a, b], corner[b, a]
            corner |= {(c, a): d, (a, d): c, (d, c): a, (d, b): c, (b, c): d, (c, d): b}
            todo += [(c, a), (a, d), (d, b), (b, c)]
    faces = {min((a, b, c), (b, c, a), (c, a, b)) for (a, b), c in corner.items()}
    return sorted(faces)


def _least_area(outline: Floats, triangles: list[tuple[int, int, int]]) -> float:
    a, b, c = (outline[list(corner)] for corner in zip(*triangles))
    return float(np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]).min()) / 2


def _swept(outline: Floats) -> list[tuple[int, int, int]]:
    """A simple polygon as triangles.

    A strand cut across has one top and one underside at every place, so its outline is monotone and is cut up in one
    sweep (M. Garey, D. Johnson, F. Preparata and R. Tarjan, Triangulating a simple polygon, 1978).
    """
    count = len(outline)
    # walls stand upright but for rounding
    step = _UPRIGHT * float(np.ptp(outline, axis=0).max())
    along = np.round(outline[:, 0] / step) if step else outline[:, 0]
    order = sorted(range(count), key=lambda i: (along[i], outline[i, 1], i))
    first, last = order[0], order[-1]
    rank = {vertex: place for place, vertex in enumerate(order)}
    upper = [(first + k) % count for k in range((last - first) % count + 1)]
    lower = [(last + k) % count for k in range((first - last) % count + 1)]
    if any(rank[a] > rank[b] for a, b in zip(upper, upper[1:])) or any(
        rank[a] < rank[b] for a, b in zip(lower, lower[1:])
    ):
        return _ears(outline)
    on_first = dict.fromkeys(upper[1:-1], True)
    points = outline.tolist()

    def turn(a: int, b: int, c: int) -> float:
        p, q, r = points[a], points[b], points[c]
        return float((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]))

    # the first chain runs forwards along the outline: a polygon that turns left has its inside on that chain's left
    x, y = outline[:, 0], outline[:, 1]
    way = 1.0 if float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) > 0 else -1.0
    triangles: list[tuple[int, int, int]] = []
    stack = [order[0], order[1]]

    def add(a: int, b: int, c: int) -> None:
        triangles.append((a, b, c) if turn(a, b, c) * way >= 0 else (a, c, b))

    for place in range(2, count - 1):
        vertex, top = order[place], stack[-1]
        if (vertex in on_first) != (top in on_first):
            for a, b in zip(stack, stack[1:]):
                add(a, b, vertex)
            stack = [top, vertex]
            continue
        side = way if vertex in on_first else -way
        while len(stack) > 1 and turn(stack[-2], stack[-1], vertex) * side > 0:
            add(stack[-2], stack[-1], vertex)
            stack.pop()
        stack.append(vertex)
    for a, b in zip(stack, stack[1:]):
        add(a, b, last)
    return triangles


def _ears(outline: Floats) -> list[tuple[int, int, int]]:
    """Any simple polygon as triangles, by cutting off ears (G. Meisters, 1975)."""
    x, y = outline[:, 0], outline[:, 1]
    turn = 1.0 if float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) > 0 else -1.0
    left = list(range(len(outline)))
    ears: list[tuple[int, int, int]] = []

    def area(a: int, b: int, c: int) -> float:
        p, q, r = outline[a], outline[b], outline[c]
        return turn * float((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]))

    while len(left) > 3:
        best, best_quality = -1, -np.inf
        for i in range(len(left)):
            a, b, c = left[i - 1], left[i], left[(i + 1) % len(left)]
            size = area(a, b, c)
            if size <= 0:
                continue
            if any(area(a, b, d) > 0 and area(b, c, d) > 0 and area(c, a, d) > 0 for d in left if d not in (a, b, c)):
                continue
            longest = max(np.linalg.norm(outline[p] - outline[q]) for p, q in ((a, b), (b, c), (c, a)))
            quality = size / float(longest) ** 2
            if quality > best_quality:
                best, best_quality = i, quality
        if best < 0:  # places in a line, or all but: any will do
            best = int(np.argmax([area(left[i - 1], left[i], left[(i + 1) % len(left)]) for i in range(len(left))]))
        ears.append((left[best - 1], left[best], left[(best + 1) % len(left)]))
        del left[best]
    ears.append((left[0], left[1], left[2]))
    return ears
