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
"""Volumes and areas below this share of what two triangles span, cubed or squared, are rounding and count as none."""
_CHUNK = 1 << 15  # pairs at a time, few enough for a processor's own memory
_MANY = 200  # large triangles that are compared with all others one by one
_3 = range(3)


def crossing_pairs(vertices: Floats, triangles: Ints, among: Bools | None = None) -> Ints:
    """Pairs of triangles that pass through each other or touch elsewhere than where they hang together.

    Parameters
    ----------
    vertices : (n, 3) float64
    triangles : (t, 3) int64
    among : (t,) bool, optional
        Only pairs with one of these triangles at least are looked at.

    Returns
    -------
    (p, 2) int64
        Triangles, the lower number first.
    """
    if not len(triangles):
        return np.zeros((0, 2), np.int64)
    some = None
    if among is not None:  # what lies far from all of them is left out
        near = np.flatnonzero(_about(vertices[triangles], among))
        triangles, some = triangles[near], among[near]
        if not some.any():
            return np.zeros((0, 2), np.int64)
    order = _by_strips(vertices, triangles)  # neighbours come to lie near each other in memory
    triangles = triangles[order]
    some = None if some is None else some[order]
    corner = vertices[triangles]
    normal = _across(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    # places are taken from each other first, which is exact: how far triangles reach matters, not where they lie
    reach = np.maximum(np.maximum(corner[:, 0], corner[:, 1]), corner[:, 2])
    reach -= np.minimum(np.minimum(corner[:, 0], corner[:, 1]), corner[:, 2])
    span = min(float(np.ptp(vertices, axis=0).max(initial=0.0)), 2 * float(reach.max()))
    least = ROUNDING * np.array([span**3, span**2])
    # number by number, since what is done to many pairs goes fastest along rows
    corners, columns = triangles.T.copy(), np.concatenate([corner.reshape(-1, 9), normal], axis=1).T.copy()
    left = []
    for one, other in _near(corner, some):
        mine, theirs = corners.take(one, 1), corners.take(other, 1)
        meets = np.flatnonzero(~_parted(columns, one, other, _among(theirs, mine), least[0]))
        one, other, shared = one[meets], other[meets], _among(mine.take(meets, 1), theirs.take(meets, 1))
        meets = np.flatnonzero(~_parted(columns, other, one, shared, least[0]))
        left.append(np.stack([one[meets], other[meets]], 1))
    pairs = np.concatenate(left)
    found = [
        pair[_pierce(columns, corners, pair[:, 0], pair[:, 1], least)]
        for pair in np.array_split(pairs, len(pairs) // _CHUNK + 1)
    ]
    pairs = order[np.concatenate(found)]
    return np.unique(np.sort(pairs if among is None else near[pairs], axis=1), axis=0)


def _about(corner: Floats, some: Bools) -> Bools:
    """Which triangles are near some of them, (t,) bool; all whose boxes meet are."""
    low = np.minimum(np.minimum(corner[:, 0], corner[:, 1]), corner[:, 2])
    high = np.maximum(np.maximum(corner[:, 0], corner[:, 1]), corner[:, 2])
    reach = (high - low).max(1)
    cell = 1.001 * max(float(np.quantile(reach, 0.9)), 1e-9)
    large = reach > cell
    first = np.floor((low - low.min(0)) / cell).astype(np.int64)
    last = np.floor((high - low.min(0)) / cell).astype(np.int64)
    shape = last.max(0) + 1
    if (large & some).sum() > _MANY or shape.prod() > 1 << 24:
        return np.ones(len(corner), bool)
    about = some | large
    for one in np.flatnonzero(large & some).tolist():
        about |= ((low <= high[one]) & (high >= low[one])).all(1)
    cells = np.zeros(tuple(shape), bool)
    small = some & ~large
    ends = np.stack([first, last], 1)
    for k in range(8):  # a box no larger than a cell lies in eight at most
        at = [ends[small, k >> axis & 1, axis] for axis in _3]
        cells[at[0], at[1], at[2]] = True
    for k in range(8):
        about |= cells[ends[:, k & 1, 0], ends[:, k >> 1 & 1, 1], ends[:, k >> 2, 2]]
    return np.asarray(about)


def _by_strips(vertices: Floats, triangles: Ints) -> Ints:
    """An order in which triangles that lie near each other in plan come near each other."""
    x, y = (vertices[triangles[:, 0], axis] for axis in (0, 1))
    tall = max(float(np.ptp(vertices[:, 1])) / 400, 1e-9)
    return np.argsort(np.floor(y / tall) * (2 * float(np.ptp(x)) + 1e-9) + x)


def _near(corner: Floats, among: Bools | None = None) -> Iterator[tuple[Ints, Ints]]:
    """Pairs of triangles whose boxes overlap, one ``among`` some at least, each once, some at a time, (p,) each."""
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
    # bounds of each entry, so that those of neighbours are read one after another
    told = first[tri]
    bounds = [(axis_low[tri], axis_high[tri]) for axis_low, axis_high in zip(low.T[2:0:-1], high.T[2:0:-1])]
    wanted = None if among is None else among[tri]
    begin = 0
    while begin < len(tri):
        done = int(ends[begin - 1]) if begin else 0
        end = max(begin + 1, int(np.searchsorted(ends, done + _CHUNK, side="right")))
        some = number[begin:end]
        one = np.repeat(np.arange(begin, end), some)
        other = np.arange(len(one)) + np.repeat(np.arange(begin, end) + 1 - np.cumsum(some) + some, some)
        if wanted is not None:
            kept = wanted[one] | wanted[other]
            one, other = one[kept], other[kept]
        for lower, upper in bounds:
            kept = (lower[one] <= upper[other]) & (lower[other] <= upper[one])
            one, other = one[kept], other[kept]
        kept = np.maximum(told[one], told[other]) == strip[one]  # told in one strip alone
        yield tri[one[kept]], tri[other[kept]]
        begin = end


def _among(corners: Ints, others: Ints) -> Bools:
    """Which corners are one of three others, all (3, p)."""
    return np.asarray((corners == others[0]) | (corners == others[1]) | (corners == others[2]))


def _parted(columns: Floats, plane: Ints, other: Ints, shared: Bools, least: float) -> Bools:
    """Which pairs one triangle's plane parts: the other's corners lie on one side of it, but for shared ones, (p,).

    The columns, (12, t), are all triangles' corners and normals; ``shared``, (3, p), are the other's corners.
    """
    before = after = np.ones(len(plane), bool)
    for k, side in enumerate(_sides(columns, plane, other)):
        before, after = before & (shared[k] | (side < -least)), after & (shared[k] | (side > least))
    return np.asarray(before ^ after)  # both only where all three are shared


def _sides(columns: Floats, plane: Ints, other: Ints) -> Iterator[Floats]:
    """Six times the volumes that each corner of some triangles spans with others, (p,): their signs tell the side."""
    start, normal = columns[:3].take(plane, 1), columns[9:].take(plane, 1)
    for k in _3:
        off = columns[3 * k : 3 * k + 3].take(other, 1)
        off -= start
        off *= normal
        yield off[0] + off[1] + off[2]


def _pierce(columns: Floats, corners: Ints, one: Ints, other: Ints, least: Floats) -> Bools:
    """Which pairs of triangles, not parted by either plane, meet elsewhere than in what they share, (p,) bool."""
    hit = np.zeros(len(one), bool)
    for mine, theirs in ((one, other), (other, one)):
        own = _among(corners.take(mine, 1), corners.take(theirs, 1))
        side = np.stack(list(_sides(columns, theirs, mine)))
        level = np.abs(side) <= least[0]
        side[level] = 0.0
        for k in _3:
            n = (k + 1) % 3
            at = np.flatnonzero((side[k] * side[n] < 0) & ~(own[k] | own[n] | hit))
            hit[at] = _within(columns, mine[at], k, theirs[at])
        lies = (level & ~own).any(0)
        at = np.flatnonzero(lies & ~hit)
        hit[at] = _level(columns, mine[at], level[:, at], theirs[at], float(least[1]))
    return hit


def _level(columns: Floats, mine: Ints, level: Bools, theirs: Ints, least: float) -> Bools:
    """Whether what of a triangle lies in another's plane, a corner, a side or all, overlaps the other's inside."""
    drop = np.abs(columns[9:].take(theirs, 1)).argmax(0)
    count = columns.shape[1]
    across, up = (np.array(axes)[drop] * count for axes in ((1, 0, 0), (2, 2, 1)))

    def in_plane(which: Ints, k: int) -> tuple[Floats, Floats]:
        place = which + 3 * k * count
        return columns.take(place + across), columns.take(place + up)

    flat, base = [in_plane(mine, k) for k in _3], [in_plane(theirs, k) for k in _3]
    overlap = np.ones(len(mine), bool)
    handed = np.sign(_turn(base[0], base[1], base[2]))
    for k in _3:  # all of it outside this side, or on it
        outside = [~level[j] | (handed * _turn(base[k], base[(k + 1) % 3], flat[j]) <= least) for j in _3]
        overlap &= ~(outside[0] & outside[1] & outside[2])
    # few are left
    left = np.flatnonzero(overlap)
    level = level[:, left]
    flat, base = ([(x[left], y[left]) for x, y in places] for places in (flat, base))
    whole, apart = level.all(0), np.zeros(len(left), bool)
    for k in _3:
        n = (k + 1) % 3
        side = np.stack([_turn(flat[k], flat[n], place) for place in base])
        inward = np.sign(_turn(flat[k], flat[n], flat[(k + 2) % 3]))
        beyond = (inward * side <= least).all(0) & whole  # all of the triangle on the other side of it
        apart |= level[k] & level[n] & (beyond | (~whole & ((side >= -least).all(0) | (side <= least).all(0))))
    overlap[left] = ~apart
    return overlap


def _turn(start: tuple[Floats, Floats], end: tuple[Floats, Floats], at: tuple[Floats, Floats]) -> Floats:
    """Twice the areas in plan of triangles, (p,), above 0 for anticlockwise ones."""
    (x, y), (u, v), (p, q) = start, end, at
    return np.asarray((u - x) * (q - y) - (v - y) * (p - x))


def _across(one: Floats, other: Floats) -> Floats:
    """Vector products, (p, 3)."""
    a, b, c = one.T
    d, e, f = other.T
    return np.stack([b * f - c * e, c * d - a * f, a * e - b * d], 1)


def _within(columns: Floats, mine: Ints, k: int, theirs: Ints) -> Bools:
    """Whether lines along one side of triangles each pass within another triangle."""
    start, end = (columns[3 * j : 3 * j + 3].take(mine, 1).T for j in (k, (k + 1) % 3))
    way = end - start
    spokes = [columns[3 * j : 3 * j + 3].take(theirs, 1).T - start for j in _3]
    turns = np.stack([np.einsum("pi,pi->p", way, _across(spokes[j], spokes[(j + 1) % 3])) for j in _3])
    return np.asarray(((turns >= 0).all(0) | (turns <= 0).all(0)) & ~(turns == 0).all(0))
