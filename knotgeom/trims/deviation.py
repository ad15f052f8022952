"""How far a level and the exact surface lie apart at most: from either, the distance to the nearest point of the other.

A point's place along and across the strand tells which facet lies over it, and the distance to that one is never less
than the distance to the nearest. So points are looked at in order of it, the nearest facet is looked for among the
neighbours, what is found farthest off is held against all facets near it, and the search ends when what is left cannot
be farther off.
"""

from __future__ import annotations

import numpy as np

from ..mesh import Floats, Ints
from .choosing import Chains, looped
from .fitting import sample
from .net import Net
from .patches import Patches
from .shading import across_at

FINE = 6
"""A triangle of the level is looked at in (FINE + 1)(FINE + 2) / 2 points."""
ROWS = 4096
"""Points looked at together."""


def to_triangles(place: Floats, corners: Floats) -> Floats:
    """Distance from points to triangles, (s,): (s, 3) and (s, 3, 3).

    After C. Ericson, Real-Time Collision Detection (2005), 5.1.5, region by region; here from memory.
    """
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    ab, ac, ap = b - a, c - a, place - a
    d1, d2 = _dot(ab, ap), _dot(ac, ap)
    bp, cp = place - b, place - c
    d3, d4, d5, d6 = _dot(ab, bp), _dot(ac, bp), _dot(ab, cp), _dot(ac, cp)
    va, vb, vc = d3 * d6 - d5 * d4, d5 * d2 - d1 * d6, d1 * d4 - d3 * d2
    total = va + vb + vc
    flat = total <= 1e-30
    total = np.where(flat, 1.0, total)
    v, w = vb / total, vc / total
    inside = ~flat & (va >= 0) & (vb >= 0) & (vc >= 0)
    best = np.where(inside, np.linalg.norm(ap - v[:, None] * ab - w[:, None] * ac, axis=1), np.inf)
    for way, gone in ((ab, ap), (ac, ap), (c - b, bp)):
        share = np.clip(_dot(gone, way) / np.maximum(_dot(way, way), 1e-300), 0, 1)
        best = np.minimum(best, np.linalg.norm(gone - share[:, None] * way, axis=1))
    return best


def _dot(one: Floats, other: Floats) -> Floats:
    product: Floats = np.einsum("sx,sx->s", one, other)
    return product


def greatest(place: Floats, near: Ints, corners: Floats, around: Ints) -> float:
    """Greatest distance of points from a surface, when the triangle ``near`` each is not far from its nearest.

    ``around`` (t, w) are the triangles about each triangle, itself among them.
    """
    if not len(place):
        return 0.0
    bound = to_triangles(place, corners[near])
    order = np.argsort(-bound, kind="stable")
    low, high = corners.min(1), corners.max(1)
    worst = 0.0
    rows = 64
    at = 0
    while at < len(order) and bound[order[at]] > worst:
        part = order[at : at + rows]
        here, tried = near[part], bound[part]
        going = np.arange(len(part))
        while len(going):  # walk on while a neighbour is nearer
            about = around[here[going]]
            flat = to_triangles(np.repeat(place[part[going]], about.shape[1], 0), corners[about.ravel()])
            flat = flat.reshape(about.shape)
            least = flat.argmin(1)
            nearest = flat[np.arange(len(going)), least]
            better = nearest < tried[going] * (1 - 1e-9)
            going = going[better]
            here[going], tried[going] = about[better, least[better]], nearest[better]
        for row in np.argsort(-tried, kind="stable"):
            if tried[row] <= worst:
                break
            worst = max(worst, _nearest(place[part[row]], tried[row], corners, low, high))
        at += rows
        rows = min(2 * rows, ROWS)
    return worst


def _nearest(place: Floats, bound: float, corners: Floats, low: Floats, high: Floats) -> float:
    """Distance from a point to all triangles whose boxes are no farther off than ``bound``, which is one's distance."""
    near = np.flatnonzero(((low <= place + bound) & (high >= place - bound)).all(1))
    return min(bound, float(to_triangles(np.broadcast_to(place, (len(near), 3)), corners[near]).min()))


def about_triangles(triangles: Ints, points: int) -> Ints:
    """For each triangle those that share a point with it, itself first; rows are filled up with itself, (t, w)."""
    count = len(triangles)
    flat = triangles.ravel()
    order = np.argsort(flat, kind="stable")
    owner = order // 3
    begin = np.searchsorted(flat[order], np.arange(points + 1))
    size = np.diff(begin)
    width = int(size.max())
    star = np.full((points, width), -1)
    column = np.arange(len(flat)) - np.repeat(begin[:-1], size)
    star[flat[order], column] = owner
    around = star[triangles].reshape(count, -1)
    own = np.arange(count)[:, None]
    return np.concatenate([own, np.where(around < 0, own, around)], 1)


def deviation_of(patches: Patches, shown: tuple[Chains, ...], net: Net, exact: Net, points: Floats) -> float:
    """Greatest distance, mm, both ways between a net with its points at ``points`` and the exact surface.

    ``exact`` is the net of all rings and all shown rails.
    """
    rings = tuple(np.arange(len(looped(run)[0])) for run in patches.runs)
    seen = sample(patches, shown, rings, net)
    plain = ~seen.rim
    corner = points[net.point[net.triangles]]
    around = about_triangles(net.point[net.triangles], len(points))
    there = greatest(seen.place[plain], seen.triangle[plain], corner, around)
    place, near = _on_forks(exact, net, points, 4 * len(patches.runs))
    there = max(there, greatest(place, near, corner, around))

    exact_corner = exact.points[exact.point[exact.triangles]]
    exact_around = about_triangles(exact.point[exact.triangles], len(exact.points))
    place, near = _on_level(patches, shown, net, exact, points)
    return max(there, greatest(place, near, exact_corner, exact_around))


def _on_level(patches: Patches, shown: tuple[Chains, ...], net: Net, exact: Net, points: Floats) -> tuple[Floats, Ints]:
    """Points of the level's triangles, and an exact triangle near each."""
    share = _spread()
    corner = points[net.point[net.triangles]]
    place = np.einsum("gc,tcx->tgx", share, corner)
    near = np.full(place.shape[:2], -1)
    first = _first_of(patches, shown, exact)
    for number, (run, chains) in enumerate(zip(patches.runs, shown, strict=True)):
        _, length = looped(run)
        for row, chain in enumerate(chains):
            own = np.flatnonzero(net.patch[net.triangles[:, 0]] == number * 4 + row)
            if not len(own):
                continue
            across = across_at(run, chain)
            u = np.einsum("gc,tc->tg", share, length[net.ring[net.triangles[own]]])
            s = np.einsum("gc,tc->tg", share, across_at(run, net.rail[net.triangles[own]].ravel()).reshape(-1, 3))
            m = np.clip(np.searchsorted(length, u, side="right") - 1, 0, len(length) - 2)
            k = np.clip(np.searchsorted(across, s, side="right") - 1, 0, len(across) - 2)
            near[own] = first[number * 4 + row] + 2 * (m * (len(chain) - 1) + k)
    fork = near[:, 0] < 0
    if fork.any():  # few: from each the nearest exact point's first triangle
        flat = place[fork].reshape(-1, 3)
        owner = np.zeros(len(exact.points), np.int64)
        owner[exact.point[exact.triangles].ravel()] = np.repeat(np.arange(len(exact.triangles)), 3)
        nearest = np.array([int(((exact.points - one) ** 2).sum(1).argmin()) for one in flat])
        near[fork] = owner[nearest].reshape(near[fork].shape)
    return place.reshape(-1, 3), near.reshape(-1)


def _spread() -> Floats:
    """Shares of a triangle's corners in the points that it is looked at in, (g, 3)."""
    rows, columns = np.meshgrid(np.arange(FINE + 1), np.arange(FINE + 1), indexing="ij")
    inside = rows + columns <= FINE
    v, w = rows[inside] / FINE, columns[inside] / FINE
    return np.stack([1 - v - w, v, w], 1)


def _on_forks(exact: Net, net: Net, points: Floats, first: int) -> tuple[Floats, Ints]:
    """Points of forks' exact surface, patches from ``first`` on, and the level's triangle of the nearest middle."""
    places, near = [np.zeros((0, 3))], [np.zeros(0, np.int64)]
    middle = points[net.point[net.triangles]].mean(1)
    for patch in np.unique(exact.triangle_patch[exact.triangle_patch >= first]):
        corner = exact.points[exact.point[exact.triangles[exact.triangle_patch == patch]]]
        own = np.flatnonzero(net.triangle_patch == patch)
        place = np.einsum("gc,tcx->tgx", _spread(), corner).reshape(-1, 3)
        apart = np.linalg.norm(place[:, None] - middle[own], axis=2)
        places.append(place)
        near.append(own[apart.argmin(1)])
    return np.concatenate(places), np.concatenate(near)


def _first_of(patches: Patches, shown: tuple[Chains, ...], exact: Net) -> dict[int, int]:
    """The first triangle of each row of columns in the net of all rings and rails, which lie there ring by ring."""
    patch = exact.patch[exact.triangles[:, 0]]
    return {
        number * 4 + row: int((patch == number * 4 + row).argmax())
        for number, chains in enumerate(shown)
        for row in range(len(chains))
    }
