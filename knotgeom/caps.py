"""Caps: the outline of what is cut across, a simple polygon, as triangles none of which is a needle if that can be."""

from __future__ import annotations

import math

import numpy as np

from .mesh import Floats

_BREADTH = 1e-7
"""Area of a triangle of a cap, in squares as wide as the cap, from which on it is taken for one."""
_UPRIGHT = 1e-7
"""How far the places of an upright wall's points may lie apart in plan, in breadths of the cap."""


def triangulated(outline: Floats) -> list[tuple[int, int, int]]:
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
    # every turn raises the lowest heights that it touches, so no triangulation comes twice and there is a last one
    while todo:
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
