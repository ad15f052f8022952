"""How far a level and the exact surface lie apart at most: from either, the distance to the nearest point of the other.

The level is looked at in points spread over all its triangles, the exact surface in all its corners and in the middles
of its longer edges. Each point's distance from the other surface is that from the nearest of all its triangles
(:mod:`.nearest`). What lies between the points can be farther off, but by no more than its distance from the nearest of
them, since a distance grows no faster than the way one goes.

A point's place along and across its strand tells which triangle of the other surface lies over it. The distance to that
one is never less than that to the nearest, so the search can pass over nearly all points.
"""

from __future__ import annotations

import numpy as np

from ..mesh import Floats, Ints
from .choosing import looped
from .exact import Exact
from .fitting import sample
from .nearest import Surface, greatest, surface, to_triangles
from .net import Net
from .shading import across_at

FINE = 6
"""A triangle of the level is looked at in (FINE + 1)(FINE + 2) / 2 points."""


def deviation_of(exact: Exact, net: Net, points: Floats) -> float:
    """Greatest distance, mm, both ways between a net with its points at ``points`` and the exact surface."""
    patches, every = exact.patches, exact.net
    level, fine = points[net.point[net.triangles]], every.points[every.point[every.triangles]]
    forks = 4 * len(patches.runs)  # where their patches begin
    onto, step = surface(level), apart(level)
    there = [
        _on_exact(exact, net, step, onto),
        _on_forks(
            _corners_and_middles(fine, step), every.triangle_patch - forks, level, net.triangle_patch - forks, onto
        ),
    ]
    off = _greatest(there, onto)
    back = [
        _on_level(exact, net, level),
        _on_forks(spread() @ level, net.triangle_patch - forks, fine, every.triangle_patch - forks, exact.surface),
    ]
    return max(off, _greatest(back, exact.surface))


def _greatest(parts: list[tuple[Floats, Floats]], onto: Surface) -> float:
    return greatest(np.concatenate([place for place, _ in parts]), np.concatenate([off for _, off in parts]), onto)


def apart(level: Floats) -> float:
    """How far points lie apart along the longest edges of most triangles of a level, (t, 3, 3)."""
    return float(np.median(np.linalg.norm(level - np.roll(level, 1, 1), axis=2).max(1))) / FINE


def _on_exact(exact: Exact, net: Net, step: float, onto: Surface) -> tuple[Floats, Floats]:
    """Corners of the exact surface, forks' aside, and middles of edges longer than ``step``; how far off at most."""
    patches, every = exact.patches, exact.net
    rings = tuple(np.arange(len(looped(run)[0])) for run in patches.runs)
    seen = sample(patches, exact.shown, rings, net)
    plain = np.flatnonzero(~seen.rim)
    wide = np.array([2 * run.points.shape[1] for run in patches.runs])
    start = np.cumsum([0, *(len(rows) * many for rows, many in zip(rings, wide.tolist(), strict=True))])

    def key(run: Ints, ring: Ints, rail: Ints) -> Ints:
        return np.asarray(start[run] + ring * wide[run] + rail)

    over = np.zeros(start[-1], np.int64)  # the level's triangle over each corner
    over[key(seen.run[plain], seen.ring[plain], seen.rail[plain])] = seen.triangle[plain]
    own = every.triangles[every.triangle_patch < 4 * len(patches.runs)]
    edge = np.concatenate([own[:, [0, 1]], own[:, [1, 2]], own[:, [2, 0]]])
    ends = every.point[edge]
    long = np.linalg.norm(every.points[ends[:, 1]] - every.points[ends[:, 0]], axis=1) > step
    _, once = np.unique(ends[long].min(1) * len(every.points) + ends[long].max(1), return_index=True)
    one, other = edge[long][once].T
    middle = (every.points[every.point[one]] + every.points[every.point[other]]) / 2
    bounds = [
        to_triangles(middle, onto, over[key(every.run[end], every.ring[end], every.rail[end])]) for end in (one, other)
    ]
    return (
        np.concatenate([seen.place[plain], middle]),
        np.concatenate([to_triangles(seen.place[plain], onto, seen.triangle[plain]), np.minimum(*bounds)]),
    )


def _on_level(exact: Exact, net: Net, level: Floats) -> tuple[Floats, Floats]:
    """Points of the level's triangles, forks' aside, and how far off the exact surface each is at most."""
    share = spread()
    first = _first_of(exact.net)
    places, near = [], []
    for number, (run, chains) in enumerate(zip(exact.patches.runs, exact.shown, strict=True)):
        _, length = looped(run)
        for row, chain in enumerate(chains):
            own = np.flatnonzero(net.triangle_patch == number * 4 + row)
            across = across_at(run, chain)
            u = length[net.ring[net.triangles[own]]] @ share.T
            s = across_at(run, net.rail[net.triangles[own]].ravel()).reshape(-1, 3) @ share.T
            m = np.clip(np.searchsorted(length, u, side="right") - 1, 0, len(length) - 2)
            k = np.clip(np.searchsorted(across, s, side="right") - 1, 0, len(across) - 2)
            # a facet's second triangle lies beyond the diagonal from its first corner to the one across
            beyond = (u - length[m]) * (across[k + 1] - across[k]) > (s - across[k]) * (length[m + 1] - length[m])
            places.append((share @ level[own]).reshape(-1, 3))
            near.append((first[number * 4 + row] + 2 * (m * (len(chain) - 1) + k) + beyond).ravel())
    place = np.concatenate(places)
    return place, to_triangles(place, exact.surface, np.concatenate(near))


def spread() -> Floats:
    """Shares of a triangle's corners in the points that it is looked at in, (g, 3)."""
    rows, columns = np.meshgrid(np.arange(FINE + 1), np.arange(FINE + 1), indexing="ij")
    inside = rows + columns <= FINE
    v, w = rows[inside] / FINE, columns[inside] / FINE
    return np.stack([1 - v - w, v, w], 1)


def _corners_and_middles(fine: Floats, step: float) -> Floats:
    """Of triangles (t, 3, 3) the corners and the middles of edges longer than ``step``, (t, 6, 3)."""
    other = np.roll(fine, -1, 1)
    long = np.linalg.norm(other - fine, axis=2, keepdims=True) > step
    return np.concatenate([fine, np.where(long, (fine + other) / 2, fine)], 1)


def _on_forks(places: Floats, fork: Ints, others: Floats, of: Ints, onto: Surface) -> tuple[Floats, Floats]:
    """Points of forks' triangles, and how far off each is at most: from that of the fork whose middle is nearest.

    ``places`` (t, g, 3) lie on one surface's triangles, ``others`` (o, 3, 3) are the other's; ``fork`` (t,) and ``of``
    (o,) their forks' numbers, less than 0 where they are no forks'.
    """
    found, near = [np.zeros((0, 3))], [np.zeros(0, np.int64)]
    for number in np.unique(fork[fork >= 0]).tolist():
        own = np.flatnonzero(of == number)
        place = places[fork == number].reshape(-1, 3)
        found.append(place)
        near.append(own[np.linalg.norm(place[:, None] - others[own].mean(1), axis=2).argmin(1)])
    place = np.concatenate(found)
    return place, to_triangles(place, onto, np.concatenate(near))


def _first_of(net: Net) -> dict[int, int]:
    """The first triangle of each patch in the net of all rings and rails, which lie there ring by ring."""
    patch, first = np.unique(net.triangle_patch, return_index=True)
    return dict(zip(patch.tolist(), first.tolist(), strict=True))
