"""Whether a closed mesh meets itself: triangles that pass through each other, or touch beside what they share.

Triangles are sorted into strips of the plan and along each strip; only those whose boxes meet are looked at. Signs of
volumes decide, in double precision, which for vertices rounded to single precision leave hardly a doubt; tests hold it
against exact predicates.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from .mesh import Bools, Floats, Ints

ROUNDING = 1e-14
"""Volumes and areas below this share of the mesh's span, cubed or squared, are rounding and count as none."""
_CHUNK = 1 << 18  # pairs at a time
_3 = range(3)


def crossing_pairs(vertices: Floats, triangles: Ints) -> Ints:
    """Pairs of triangles that pass through each other or touch elsewhere than where they hang together.

    Parameters
    ----------
    vertices : (n, 3) float64
    triangles : (t, 3) int64

    Returns
    -------
    (p, 2) int64
        Triangles, the lower number first.
    """
    corner = vertices[triangles]
    normal = _across(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    span = float(np.ptp(vertices, axis=0).max(initial=0.0)) if len(vertices) else 0.0
    least = ROUNDING * np.array([span**3, span**2])
    left = []
    for pair in _near(corner):
        pair = pair[~_parted(corner, normal, triangles, pair[:, 0], pair[:, 1], least[0])]
        left.append(pair[~_parted(corner, normal, triangles, pair[:, 1], pair[:, 0], least[0])])
    pairs = np.concatenate(left) if left else np.zeros((0, 2), np.int64)
    found = [
        pair[_pierce(vertices, triangles[pair[:, 0]], triangles[pair[:, 1]], least)]
        for pair in np.array_split(pairs, len(pairs) // _CHUNK + 1)
    ]
    return np.unique(np.sort(np.concatenate(found), axis=1), axis=0)


def _near(corner: Floats) -> Iterator[Ints]:
    """Pairs of triangles whose boxes overlap, each once, some at a time, (p, 2)."""
    if not len(corner):
        return
    low = np.minimum(np.minimum(corner[:, 0], corner[:, 1]), corner[:, 2])
    high = np.maximum(np.maximum(corner[:, 0], corner[:, 1]), corner[:, 2])
    base, span = low.min(0), np.maximum(np.ptp(np.concatenate([low, high]), axis=0), 1e-9)
    tall = max(2 * float(np.median(high[:, 1] - low[:, 1])), float(span[1]) / 400)
    first = ((low[:, 1] - base[1]) / tall).astype(np.int64)
    count = ((high[:, 1] - base[1]) / tall).astype(np.int64) - first + 1
    tri = np.repeat(np.arange(len(corner)), count)
    strip = np.repeat(first - np.cumsum(count) + count, count) + np.arange(len(tri))
    wide = 2 * float(span[0])
    start = strip * wide + (low[tri, 0] - base[0])
    order = np.argsort(start)
    tri, strip, start = tri[order], strip[order], start[order]
    stop = np.searchsorted(start, strip * wide + (high[tri, 0] - base[0]), side="right")
    number = stop - np.arange(len(tri)) - 1
    ends = np.cumsum(number)
    begin = 0
    while begin < len(tri):
        done = int(ends[begin - 1]) if begin else 0
        end = max(begin + 1, int(np.searchsorted(ends, done + _CHUNK, side="right")))
        some = number[begin:end]
        one = np.repeat(np.arange(begin, end), some)
        other = one + 1 + np.arange(len(one)) - np.repeat(np.cumsum(some) - some, some)
        a, b = tri[one], tri[other]
        meets = np.flatnonzero(np.maximum(first[a], first[b]) == strip[one])  # told in one strip alone
        for axis in (2, 1):
            a, b = tri[one[meets]], tri[other[meets]]
            meets = meets[(low[a, axis] <= high[b, axis]) & (low[b, axis] <= high[a, axis])]
        yield np.stack([tri[one[meets]], tri[other[meets]]], 1)
        begin = end


def _parted(corner: Floats, normal: Floats, triangles: Ints, plane: Ints, other: Ints, least: float) -> Bools:
    """Which pairs one triangle's plane parts: the other's corners lie on one side of it, but for shared ones, (p,)."""
    across = normal.take(plane, 0)
    at = corner[:, 0].take(plane, 0)
    mine = [triangles[:, k].take(plane) for k in _3]
    before = after = np.ones(len(plane), bool)
    for k in _3:
        side = np.einsum("pi,pi->p", corner[:, k].take(other, 0) - at, across)
        own = triangles[:, k].take(other)
        shared = (own == mine[0]) | (own == mine[1]) | (own == mine[2])
        before, after = before & (shared | (side < -least)), after & (shared | (side > least))
    return np.asarray(before ^ after)  # both only where all three are shared


def _pierce(vertices: Floats, one: Ints, other: Ints, least: Floats) -> Bools:
    """Which pairs of triangles, not parted by either plane, meet elsewhere than in what they share, (p,) bool."""
    hit = np.zeros(len(one), bool)
    a, b = vertices[one], vertices[other]
    for p, q, mine, theirs in ((a, b, one, other), (b, a, other, one)):
        side = _sides(q, p)
        side[np.abs(side) <= least[0]] = 0.0
        own = [(mine[:, k] == theirs[:, 0]) | (mine[:, k] == theirs[:, 1]) | (mine[:, k] == theirs[:, 2]) for k in _3]
        for k in _3:
            n = (k + 1) % 3
            at = np.flatnonzero((side[:, k] * side[:, n] < 0) & ~(own[k] | own[n] | hit))
            if len(at):
                hit[at] = _within(p[at, k], p[at, n], q[at])
        level = side == 0
        lies = (level[:, 0] & ~own[0]) | (level[:, 1] & ~own[1]) | (level[:, 2] & ~own[2])
        at = np.flatnonzero(lies & ~hit)
        if len(at):
            hit[at] = _level(p[at], level[at], q[at], float(least[1]))
    return hit


def _level(points: Floats, level: Bools, corner: Floats, least: float) -> Bools:
    """Whether what of another triangle lies in a triangle's plane, a corner, a side or all, overlaps its inside."""
    normal = _across(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    drop = np.abs(normal).argmax(1)
    kept = np.array([[1, 2], [0, 2], [0, 1]])[drop]
    rows = np.arange(len(points))[:, None]
    flat = points[rows[:, :, None], np.arange(3)[None, :, None], kept[:, None, :]]
    base = corner[rows[:, :, None], np.arange(3)[None, :, None], kept[:, None, :]]

    def turns(start: Floats, end: Floats, at: Floats) -> Floats:
        way, off = end - start, at - start[:, None]
        return np.asarray(way[:, None, 0] * off[:, :, 1] - way[:, None, 1] * off[:, :, 0])

    handed = np.sign(turns(base[:, 0], base[:, 1], base[:, 2:])[:, 0])
    apart = np.zeros(len(points), bool)
    for k in range(3):
        side = handed[:, None] * turns(base[:, k], base[:, (k + 1) % 3], flat)
        apart |= (np.where(level, side, -1.0) <= least).all(1)  # all of it outside this side, or on it
        n = (k + 1) % 3
        edge = level[:, k] & level[:, n]
        side = turns(flat[:, k], flat[:, n], base)
        whole = level.all(1)
        mine = np.sign(turns(flat[:, k], flat[:, n], flat[:, [(k + 2) % 3]])[:, 0])
        beyond = (mine[:, None] * side <= least).all(1) & whole  # all of the triangle on the other side of it
        apart |= edge & (beyond | (~whole & ((side >= -least).all(1) | (side <= least).all(1))))
    return ~apart


def _sides(plane: Floats, points: Floats) -> Floats:
    """Six times the volumes that points, (p, 3, 3), span with a triangle, (p, 3): their signs tell the side."""
    normal = _across(plane[:, 1] - plane[:, 0], plane[:, 2] - plane[:, 0])
    return np.asarray(np.einsum("pki,pi->pk", points - plane[:, :1], normal))


def _across(one: Floats, other: Floats) -> Floats:
    """Vector products, (p, 3)."""
    a, b, c = one.T
    d, e, f = other.T
    return np.stack([b * f - c * e, c * d - a * f, a * e - b * d], 1)


def _within(start: Floats, end: Floats, corner: Floats) -> Bools:
    """Whether lines through two points each pass within a triangle."""
    way = end - start
    spokes = corner - start[:, None]
    turns = np.stack(
        [np.einsum("pi,pi->p", way, _across(spokes[:, k], spokes[:, (k + 1) % 3])) for k in range(3)], axis=1
    )
    return np.asarray(((turns >= 0).all(1) | (turns <= 0).all(1)) & (turns != 0).any(1))
