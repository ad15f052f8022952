"""Collision hulls: a closed convex body round a piece, for engines that need no more than that.

Nothing is searched for: the body is what lies between two heights over a convex polygon round the piece's plan, so it
is convex whatever the strands do, and has few faces.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..mesh import Floats, Ints

Hull = tuple[Floats, Ints]
"""Places (n, 3) and triangles (t, 3) of a closed convex body."""
SIDES = 12
"""Most sides of the polygon."""


def convex_outline(points: Floats) -> Floats:
    """The convex hull of points in the plane, anticlockwise, (h, 2), by Andrew's monotone chain (1979; from memory)."""
    ordered = np.unique(points, axis=0)

    def chain(rows: Floats) -> list[Floats]:
        kept: list[Floats] = []
        for point in rows:
            while len(kept) > 1 and _turn(kept[-2], kept[-1], point) <= 0:
                kept.pop()
            kept.append(point)
        return kept[:-1]

    return np.array(chain(ordered) + chain(ordered[::-1]))


def _turn(a: Floats, b: Floats, c: Floats) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


def fewer_sides(outline: Floats, most: int) -> Floats:
    """A convex polygon with at most so many sides about a convex one: sides that add least are left out, by turns.

    ``most`` is at least 4: of five sides and more there is always one beside which both neighbours go on until they
    meet, since all turns together are 360 degrees.
    """
    polygon = list(outline)
    while len(polygon) > most:
        _, side, meet = min(_left_out(polygon), key=lambda one: one[0])
        polygon[side] = meet
        del polygon[(side + 1) % len(polygon)]
    return np.array(polygon)


def _left_out(polygon: list[Floats]) -> Iterator[tuple[float, int, Floats]]:
    """Of every side whose neighbours meet without it: the area that this adds, its first corner, where they meet."""
    count = len(polygon)
    for side in range(count):
        a, b, c, d = (polygon[(side + step) % count] for step in (-1, 0, 1, 2))
        ahead, back = b - a, c - d
        cross = ahead[0] * back[1] - ahead[1] * back[0]
        if cross < -1e-12:  # otherwise they part or run alongside
            meet = a + ((d - a)[0] * back[1] - (d - a)[1] * back[0]) / cross * ahead
            yield abs(_turn(b, c, meet)) / 2, side, meet


def upright(points: Floats) -> Hull:
    """What lies between two heights over a convex polygon of at most ``SIDES`` sides about points, (n, 3)."""
    outline = fewer_sides(convex_outline(points[:, :2]), SIDES)
    count = len(outline)
    low, high = float(points[:, 2].min()), float(points[:, 2].max())
    vertices = np.vstack([np.column_stack([outline, np.full(count, z)]) for z in (low, high)])
    at = np.arange(count)
    after = (at + 1) % count
    sides = np.concatenate([np.stack([at, after, after + count], 1), np.stack([at, after + count, at + count], 1)])
    fan = np.stack([np.zeros(count - 2, np.int64), at[1:-1], at[2:]], 1)
    return vertices, np.concatenate([sides, fan[:, ::-1], fan + count]).astype(np.int32)
