"""Cleaning a closed triangle mesh: what is too small for single precision goes, and the surface stays closed.

Booleans leave edges and needles far below anything that can be made. Written to a file in single precision, their ends
fall together and the mesh is closed no more. So vertices are rounded first, and then short edges are collapsed and
needles turned, until none is left. Work is done on many places at once, none beside another.
"""

from __future__ import annotations

import numpy as np

from .cycles import connected_labels
from .mesh import Bools, Floats, Ints, compact, spanned_volumes

ROUNDS = 60
"""Most rounds of collapsing and turning; each round mends places of which none lies beside another."""
STUBBORN, WIDE, EVEN = 0.1, 40.0, 0.99
"""Needles below this share of the height that is asked for, and that cannot be turned, are taken out by an edge no
longer than so many short ones, where faces beside it turn by no more than this cosine."""


def edge_keys(triangles: Ints, count: int) -> tuple[Ints, Ints]:
    """A number for each directed edge, (3t,) int64, the three of a triangle together, and for each one's reverse."""
    a = triangles.astype(np.int64)
    b = np.roll(a, -1, axis=1)
    return (a * count + b).ravel(), (b * count + a).ravel()


def is_closed(triangles: Ints, count: int) -> bool:
    """Whether every edge has exactly two faces, in opposite directions."""
    return _is_twofold(np.sort(_both_ways(triangles, count)))


def _both_ways(triangles: Ints, count: int) -> Ints:
    """A number for each directed edge, (3t,) int64, odd and one more than that of its reverse where it runs down."""
    start = triangles.astype(np.int64)
    end = start[:, [1, 2, 0]]
    return np.asarray((2 * (np.minimum(start, end) * count + np.maximum(start, end)) + (start > end)).ravel())


def _is_twofold(ranked: Ints) -> bool:
    """Whether each edge is there just once either way."""
    up, down = ranked[::2], ranked[1::2]
    return bool(len(up) == len(down) and (up + 1 == down).all() and (up % 2 == 0).all() and (up[1:] > up[:-1]).all())


def is_sound(vertices: Floats, triangles: Ints, least: float) -> bool:
    """Whether a surface is closed, no triangle lower than ``least`` mm and no two vertices at one single place."""
    return bool(
        is_high(vertices, triangles, least) and is_closed(triangles, len(vertices)) and not _together(vertices).any()
    )


def is_high(vertices: Floats, triangles: Ints, least: float) -> bool:
    """Whether no triangle is as low as ``least`` mm over its longest edge."""
    return bool(_lowest(vertices[triangles])[0].min(initial=np.inf) > least)


def _bits(vertices: Floats) -> Ints:
    """The places as they are in single precision, (n, 3) int64."""
    return np.ascontiguousarray(vertices.astype(np.float32) + np.float32(0)).view(np.int32).astype(np.int64)


def _names(bits: Ints) -> Ints:
    """A number for each place, (n,), most likely another for each."""
    return np.asarray((bits[:, 0] * 0x9E3779B1 + bits[:, 1]) * 0x85EBCA77 + bits[:, 2])  # wraps round, as a hash may


def _together(vertices: Floats) -> Bools:
    """Which vertices share their place in single precision with another, (n,) bool."""
    bits = _bits(vertices)
    name = _names(bits)
    order = np.argsort(name)
    ranked = name[order]
    same = ranked[1:] == ranked[:-1]
    same[same] = (bits[order[1:][same]] == bits[order[:-1][same]]).all(1)
    together = np.zeros(len(vertices), bool)
    together[order[1:][same]] = True
    together[order[:-1][same]] = True
    return together


def shell_volumes(vertices: Floats, triangles: Ints) -> Floats:
    """For each triangle the volume of the closed surface that it is part of, (t,) mm3; below 0 for hollows."""
    label = connected_labels(len(vertices), triangles.ravel(), np.roll(triangles, -1, axis=1).ravel())
    shell = label[triangles[:, 0]]
    return np.asarray(np.bincount(shell, spanned_volumes(vertices, triangles))[shell])


def without_folds(triangles: Ints, suspect: Bools) -> Bools:
    """Which triangles are neither an edge nor one of two back to back, (t,) bool; only ``suspect`` ones may be."""
    kept = np.ones(len(triangles), bool)
    some = np.flatnonzero(suspect)
    kept[some] = (triangles[some] != np.roll(triangles[some], 1, axis=1)).all(1)
    some = some[kept[some]]
    named = np.sort(triangles[some], axis=1)
    order = np.lexsort(named.T)
    same = (named[order[1:]] == named[order[:-1]]).all(1)
    kept[some[order[1:][same]]] = False
    kept[some[order[:-1][same]]] = False
    return kept


def filled(vertices: Floats, triangles: Ints) -> Ints:
    """Faces that close every hole, (n, 3) int64, cut off each hole's rim where that takes the shortest new edge.

    Meant for slits: what fills them may have no area, and is to be cleaned afterwards. Holes that take an edge which
    the mesh already has stay open.
    """
    count = len(vertices)
    ahead, back = edge_keys(triangles, count)
    order = np.sort(ahead)
    rim = back[order[np.minimum(np.searchsorted(order, back), len(order) - 1)] != back]
    if not len(rim):
        return np.zeros((0, 3), np.int64)
    on_rim = np.zeros(count, bool)
    on_rim[rim // count] = True
    known = {*ahead[on_rim[ahead // count]].tolist(), *back[on_rim[back // count]].tolist()}
    onward: dict[int, list[int]] = {}
    for key in rim.tolist():
        onward.setdefault(key // count, []).append(key % count)
    faces = []
    while onward:
        loop = [next(iter(onward))]
        while loop[-1] in onward:
            here = onward[loop[-1]]
            following = here.pop()
            if not here:
                del onward[loop[-1]]
            if following in loop:  # a rim may meet itself: what is closed so far is a hole
                at = loop.index(following)
                faces += _cut_off(vertices, loop[at:], known)
                del loop[at + 1 :]
                if len(loop) == 1 and following not in onward:
                    break
            else:
                loop.append(following)
        else:  # no closed rim
            break
    return np.array(faces, np.int64).reshape(-1, 3)


def _cut_off(vertices: Floats, loop: list[int], known: set[int]) -> list[tuple[int, int, int]]:
    count = len(vertices)
    faces = []
    loop = loop.copy()
    while len(loop) > 3:
        place = vertices[loop]
        apart = np.linalg.norm(np.roll(place, -1, axis=0) - np.roll(place, 1, axis=0), axis=1)
        before = [loop[k - 1] for k in range(len(loop))]
        after = [loop[(k + 1) % len(loop)] for k in range(len(loop))]
        taken = [one * count + other in known for one, other in zip(before, after, strict=True)]
        best = int(np.where(taken, np.inf, apart).argmin())
        if taken[best]:
            return []
        known |= {before[best] * count + after[best], after[best] * count + before[best]}
        faces.append((before[best], loop[best], after[best]))
        del loop[best]
    return [*faces, (loop[0], loop[1], loop[2])] if len(loop) == 3 else []


def separated(vertices: Floats, triangles: Ints, source: Ints, nudge: float) -> tuple[Floats, Ints, Ints]:
    """Part a surface where it touches itself in a vertex or along an edge.

    Every vertex that several fans of faces share is given to each of them anew, and vertices at one place in single
    precision are drawn ``nudge`` mm into their own fans, so that nothing joins them again by position.

    Returns
    -------
    vertices : (n, 3) float64
    triangles : (t, 3) int64
    source : (t,) int64
        Carried along with the triangles. A surface that is not closed comes back as it is.
    """
    pair = _paired(vertices, triangles)
    if pair is None:
        return vertices, triangles, source
    corner = 3 * (pair // 3) + (pair % 3 + 1) % 3  # the next corner round the vertex
    fan, reach, most = np.arange(3 * len(triangles)), 1, int(np.bincount(triangles.ravel()).max())
    while reach <= most:
        fan = np.minimum(fan, fan[corner])
        corner = corner[corner]
        reach *= 2
    leaders, numbered = compact(fan.reshape(-1, 3), 3 * len(triangles))
    vertices, triangles = vertices[triangles.ravel()[leaders]], numbered
    vertices, triangles, source = _halved(vertices, triangles, source, pair)
    together = _together(vertices)
    if together.any():
        mine = together[triangles].any(1)
        centre, faces = np.zeros_like(vertices), np.zeros(len(vertices))
        np.add.at(centre, triangles[mine].ravel(), np.repeat(vertices[triangles[mine]].mean(1), 3, axis=0))
        np.add.at(faces, triangles[mine].ravel(), 1)
        inward = centre[together] / faces[together][:, None] - vertices[together]
        inward *= nudge / np.maximum(np.linalg.norm(inward, axis=1), nudge)[:, None]
        vertices = vertices.copy()
        vertices[together] = (vertices[together] + inward).astype(np.float32)
    return vertices, triangles, source


def _halved(vertices: Floats, triangles: Ints, source: Ints, pair: Ints) -> tuple[Floats, Ints, Ints]:
    """Halve all but one of several edges that join the same two vertices."""
    ahead, _ = edge_keys(triangles, len(vertices))
    _, first = np.unique(ahead, return_index=True)
    again = np.ones(len(ahead), bool)
    again[first] = False
    todo = np.flatnonzero(again)
    todo = np.unique(np.minimum(todo, pair[todo]))
    if not len(todo):
        return vertices, triangles, source
    faces, origin, points = triangles.tolist(), source.tolist(), [*vertices]
    busy: set[int] = set()
    for edge in todo.tolist():
        back = int(pair[edge])
        if busy & {edge // 3, back // 3}:
            continue
        busy |= {edge // 3, back // 3}
        points.append((points[faces[edge // 3][edge % 3]] + points[faces[edge // 3][(edge % 3 + 1) % 3]]) / 2)
        for half in (edge, back):
            a, b, c = (faces[half // 3][(half % 3 + k) % 3] for k in range(3))
            faces[half // 3] = [a, len(points) - 1, c]
            faces.append([len(points) - 1, b, c])
            origin.append(origin[half // 3])
    return np.array(points), np.array(faces, np.int64), np.array(origin, np.int64)


def _paired(vertices: Floats, triangles: Ints) -> Ints | None:
    """For each directed edge the one that runs back along it, (3t,) int64; None where some edge lacks its reverse.

    Where more than two faces share an edge, those are paired that have nothing but solid between them.
    """
    key = _both_ways(triangles, len(vertices))
    order = np.argsort(key)
    pair = np.empty(len(key), np.int64)
    if _is_twofold(key[order]):
        pair[order[::2]], pair[order[1::2]] = order[1::2], order[::2]
        return pair
    ahead, back = edge_keys(triangles, len(vertices))
    by_ahead, by_back = np.argsort(ahead, kind="stable"), np.argsort(back, kind="stable")
    if not np.array_equal(ahead[by_ahead], back[by_back]):
        return None
    pair[by_back] = by_ahead
    ranked = ahead[by_ahead]
    crowd = np.unique(ranked[1:][ranked[1:] == ranked[:-1]])
    for key in crowd.tolist():
        start, end = divmod(key, len(vertices))
        if start > end:
            continue
        forth, home = np.flatnonzero(ahead == key), np.flatnonzero(back == key)
        axis = vertices[end] - vertices[start]
        axis /= max(float(np.linalg.norm(axis)), 1e-300)
        across = np.cross(axis, np.eye(3)[np.abs(axis).argmin()])
        up = np.cross(axis, across)
        edges = np.concatenate([forth, home])
        third = vertices[triangles[edges // 3, (edges % 3 + 2) % 3]] - vertices[start]
        angle = np.arctan2(third @ up, third @ across)
        # seen along the edge, the solid lies clockwise of a face on whose border the edge runs forth
        for k, edge in enumerate(forth.tolist()):
            turn = np.mod(angle[k] - angle[len(forth) :], 2 * np.pi)
            other = int(home[turn.argmin()])
            pair[edge], pair[other] = other, edge
        if len(np.unique(pair[forth])) < len(forth):
            return None
    return pair


def clean(
    vertices: Floats, triangles: Ints, label: Ints, short: float, flat: float, *, period: float = 0.0
) -> tuple[Floats, Ints, Ints]:
    """Round to single precision, collapse short edges and turn needles.

    Parameters
    ----------
    vertices : (n, 3) float64
    triangles : (t, 3) int64
        A closed surface, anticlockwise seen from outside.
    label : (t,) int64
        Carried along with the triangles.
    short : float
        Edges below this length are collapsed, mm.
    flat : float
        Triangles lower than this over their longest edge are turned, mm.
    period : float, optional
        After how many mm x is taken round, for a flat strip; its vertices must be rounded already, in their own way.

    Returns
    -------
    vertices, triangles, label
        Only vertices in use. Places that cannot be mended without tearing the surface or folding it over stay.
    """
    if not period:
        vertices = vertices.astype(np.float32).astype(float)
        # single precision is finest about 0, where rounding alone would keep places apart that are one
        vertices[np.abs(vertices) < np.spacing(np.float32(np.abs(vertices).max(initial=0.0)))] = 0.0
    # a place that could not be mended is looked at again once something beside it has changed
    alive = np.ones(len(vertices), bool)
    needle = 0.0
    for number in range(ROUNDS):
        around = _spread(_spread(alive, triangles), triangles)
        some = np.flatnonzero(_touch(around, triangles))
        before = triangles[some]
        part, waiting = _collapse(vertices, before, short, number, alive, needle, period)
        lasts = (part != np.roll(part, 1, axis=1)).all(1)
        part[lasts], waiting_too = _turn(vertices, part[lasts], flat, number, alive, period)
        alive = np.zeros(len(vertices), bool)
        alive[waiting], alive[waiting_too], alive[part[(part != before).any(1)]] = True, True, True
        if not alive.any() and not needle:  # nothing is left but what cannot be turned
            needle = STUBBORN * flat
            alive[triangles[_lowest(_corners(vertices, triangles, period))[0] < needle]] = True
        if not alive.any():
            break
        triangles = triangles.copy()
        triangles[some] = part
        kept = np.ones(len(triangles), bool)
        kept[some[~lasts]] = False
        triangles, label = triangles[kept], label[kept]
    used = np.zeros(len(vertices), bool)
    used[triangles] = True
    return vertices[used], (np.cumsum(used) - 1)[triangles], label


def _corners(vertices: Floats, triangles: Ints, period: float) -> Floats:
    """Corners of triangles, (t, 3, 3), where x is taken round all beside the first."""
    corner = vertices[triangles]
    if period:
        off = corner[:, 1:, 0] - corner[:, :1, 0]
        corner[:, 1:, 0] -= period * np.round(off / period)
    return corner


def _touch(some: Bools, triangles: Ints) -> Bools:
    """Which triangles have one of some vertices."""
    return np.asarray(some[triangles[:, 0]] | some[triangles[:, 1]] | some[triangles[:, 2]])


def _spread(some: Bools, triangles: Ints) -> Bools:
    """Some vertices and those beside them."""
    if some.all():
        return some
    wider = some.copy()
    wider[triangles[_touch(some, triangles)]] = True
    return wider


def _order(count: int, number: int) -> Ints:
    """A scattered order of places, another in each round, so that neighbours do not wait for each other for long."""
    return np.random.default_rng(number).permutation(count)


def _collapse(
    vertices: Floats, triangles: Ints, short: float, number: int, alive: Bools, needle: float, period: float
) -> tuple[Ints, Ints]:
    """Triangles after a round of collapsing, those that have gone still among them, and ends that wait for the next.

    Of triangles lower than ``needle`` edges are collapsed that are longer than ``short`` by ``WIDE`` times.

    Edges with an end that is ``alive`` are looked at; what lies within two faces of those has to be there.
    """
    corner = _corners(vertices, triangles, period)
    edges = [corner[:, (k + 1) % 3] - corner[:, k] for k in range(3)]
    most = np.full((len(triangles), 1), short * short)
    low = _lowest(corner)[0] < needle if needle else np.zeros(len(triangles), bool)
    most[low] *= WIDE * WIDE
    face, side = np.nonzero(np.stack([np.einsum("ij,ij->i", edge, edge) for edge in edges], 1) < most)
    ends = np.stack([triangles[face, side], triangles[face, (side + 1) % 3]], 1)
    ends = np.unique(np.sort(ends[alive[ends].any(1)], axis=1), axis=0)
    if not len(ends):
        return triangles.copy(), ends
    beside = np.zeros(len(vertices), bool)
    beside[ends] = True
    near = np.flatnonzero(_touch(beside, triangles))
    chosen = _apart(ends, triangles[near], len(vertices), number)
    ends, waiting = ends[chosen], ends[~chosen]

    # link condition: just the two vertices opposite the edge are beside both of its ends
    touched = np.full(len(vertices), -1)
    touched[ends] = np.arange(len(ends))[:, None]
    owner = touched[triangles[near]].max(1)
    near, owner = near[owner >= 0], owner[owner >= 0]
    both = (touched[triangles[near]] >= 0).sum(1) == 2
    pairs = []
    for which in range(2):
        at = np.full(len(vertices), False)
        at[ends[:, which]] = True
        mine = _touch(at, triangles[near])
        pairs.append(np.unique(np.repeat(owner[mine], 3) * len(vertices) + triangles[near[mine]].ravel()))
    common, twice = np.unique(np.concatenate(pairs), return_counts=True)
    shared = np.bincount(common[twice == 2] // len(vertices), minlength=len(ends)) - 2  # less the ends themselves
    sound = shared == 2

    # either end may stay: the one whose faces turn least
    normal = np.cross(corner[near, 1] - corner[near, 0], corner[near, 2] - corner[near, 0])
    worst = np.full((2, len(ends)), 2.0)
    for stays in range(2):
        moved = np.arange(len(vertices))
        moved[ends[:, 1 - stays]] = ends[:, stays]
        after = _corners(vertices, moved[triangles[near]], period)
        turned = np.cross(after[:, 1] - after[:, 0], after[:, 2] - after[:, 0])
        size = np.linalg.norm(normal, axis=1) * np.linalg.norm(turned, axis=1)
        cosine = np.einsum("ij,ij->i", normal, turned) / np.maximum(size, 1e-300)
        sliver = (np.linalg.norm(normal, axis=1) < short * short) | low[near]  # has no side of its own to keep to
        np.minimum.at(worst[stays], owner[~both & ~sliver], cosine[~both & ~sliver])
    stays = worst.argmax(0)
    step = _corners(vertices, ends, period)
    short_one = np.linalg.norm(step[:, 1] - step[:, 0], axis=1) < short
    sound &= worst.max(0) > np.where(short_one, 0.5 if number < ROUNDS // 2 else 0.0, EVEN)
    ends, stays = ends[sound], stays[sound]
    moved = np.arange(len(vertices))
    rows = np.arange(len(ends))
    moved[ends[rows, 1 - stays]] = ends[rows, stays]
    return moved[triangles], waiting


def _apart(ends: Ints, triangles: Ints, count: int, number: int) -> Bools:
    """Edges (n, 2) of which no triangle touches two, (n,) bool; ``triangles`` are all that touch any."""
    rank = _order(len(ends), number)
    claim = np.full(count, len(ends))
    np.minimum.at(claim, ends.ravel(), np.repeat(rank, 2))
    np.minimum.at(claim, triangles.ravel(), np.repeat(claim[triangles].min(1), 3))
    return np.asarray((claim[ends] == rank[:, None]).all(1))


def _turn(
    vertices: Floats, triangles: Ints, flat: float, number: int, alive: Bools, period: float
) -> tuple[Ints, Ints]:
    """Triangles after the longest edges of those lower than ``flat`` were turned, and corners that wait.

    Those with a corner that is ``alive`` are looked at; what lies within two faces of those has to be there.
    """
    low, longest = _lowest(_corners(vertices, triangles, period))
    bad = np.flatnonzero((low < flat) & _touch(alive, triangles))
    if not len(bad):
        return triangles, np.zeros((0, 4), np.int64)
    count = len(vertices)
    beside = np.zeros(count, bool)
    beside[triangles[bad]] = True
    near = np.flatnonzero(beside[triangles[:, 0]] | beside[triangles[:, 1]] | beside[triangles[:, 2]])
    ahead, back = edge_keys(triangles[near], count)
    order = np.argsort(ahead)
    found = order[np.searchsorted(ahead[order], back.reshape(-1, 3)[np.searchsorted(near, bad), longest[bad]])]
    other = near[found // 3]
    a, b = triangles[bad, longest[bad]], triangles[bad, (longest[bad] + 1) % 3]
    c, d = triangles[bad, (longest[bad] + 2) % 3], triangles[other, (found + 2) % 3]
    # turned, c-a-d and c-d-b: they must be higher, face the way the pair faced, and c-d must be a new edge
    first, second = np.stack([c, a, d], 1), np.stack([c, d, b], 1)
    higher = np.minimum(_lowest(_corners(vertices, first, period))[0], _lowest(_corners(vertices, second, period))[0])
    before = np.minimum(low[bad], low[other])

    def facing(faces: Ints) -> Floats:
        p = _corners(vertices, faces, period)
        return np.asarray(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]))

    whole = facing(triangles[bad]) + facing(triangles[other])
    size = np.linalg.norm(whole, axis=1)
    agree = np.full(len(bad), 2.0)
    for faces in (first, second):
        mine = facing(faces)
        cosine = np.einsum("ij,ij->i", mine, whole) / np.maximum(np.linalg.norm(mine, axis=1) * size, 1e-300)
        agree = np.minimum(agree, cosine)
    keys = ahead[order]
    wanted = c * count + d
    known = keys[np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)] == wanted
    fits = (c != d) & ~known & (higher > before * 1.01) & (agree > 0.7)

    rows = np.flatnonzero(fits)
    rank = _order(len(rows), number)
    claim = np.full(count, len(rows))
    corners = np.stack([a, b, c, d], 1)[rows]
    np.minimum.at(claim, corners.ravel(), np.repeat(rank, 4))
    chosen = (claim[corners] == rank[:, None]).all(1)
    rows = rows[chosen]
    triangles = triangles.copy()
    triangles[bad[rows]] = first[rows]
    triangles[other[rows]] = second[rows]
    return triangles, corners[~chosen]


def _lowest(corner: Floats) -> tuple[Floats, Ints]:
    """Height of each triangle over its longest edge, and which edge that is."""
    a, b, c = corner[:, 0], corner[:, 1], corner[:, 2]
    edges = b - a, c - b, a - c
    squares = np.stack([np.einsum("ij,ij->i", edge, edge) for edge in edges], 1)
    (x0, y0, z0), (x1, y1, z1) = edges[0].T, edges[1].T
    area = np.sqrt((y0 * z1 - z0 * y1) ** 2 + (z0 * x1 - x0 * z1) ** 2 + (x0 * y1 - y0 * x1) ** 2)
    return area / np.sqrt(np.maximum(squares.max(1), 1e-300)), squares.argmax(1)
