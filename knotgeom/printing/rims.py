"""Sharp edges rounded: the rims of plates, frames and pads.

A ball that rolls inside along an edge touches both its faces at some distance and leaves an arc between. The faces
beside each edge are cut along lines at shares of that distance, and the corners then set on the arc. Cuts and moves
keep the mesh closed whatever happens, since no face is taken out; where a move would turn a face over, its corners move
less. How round the former edges have become is measured, not assumed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..mesh import Bools, Floats, Ints

SHARP = np.radians(28.0)
"""Edges whose faces turn by less are no creases: the facets of a rounded section turn by less."""
BLUNTEST = np.radians(140.0)
"""Creases that turn by more are treated as turning by this much: a ball cannot lie in a slit."""
ROWS = (1.0, 2 / 3, 1 / 3)
"""Where faces are cut beside a crease, in shares of the distance at which the ball touches."""
PASSES = 4
BROKEN = np.radians(60.0)
TAKEN_BACK = 4


@dataclass(frozen=True, slots=True)
class Rounded:
    """What became of creases (or of sharp edges): their length before, mm, and the radii that they have now, mm.

    ``usual`` is the median along them, ``least`` what nine tenths of them have at least; None where there were none.
    ``left`` is the length of edges that still turn by more than 28 degrees, mm.
    """

    length: float
    usual: float | None
    least: float | None
    left: float


@dataclass(frozen=True, slots=True, eq=False)
class _Edges:
    """Every edge once: its two vertices, its two faces, how far they turn (above 0: a crease), its length."""

    ends: Ints
    faces: Ints
    turn: Floats
    length: Floats
    outward: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Creases:
    """Creases as segments: places of both ends, and at each end how far faces turn, which way is out, and the reach.

    ``turn`` and ``reach`` are (c, 2), ``outward`` (c, 2, 3), ``radius`` (c, 2), ``hollow`` (c,). ``link`` (c, 2) is the
    crease of the same kind that goes on at either end, the crease itself where none does.
    """

    place: Floats
    turn: Floats
    outward: Floats
    reach: Floats
    radius: Floats
    hollow: Bools
    link: Ints


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """The mesh being cut: for each vertex the crease it belongs to (-1: none) and its distance in shares of reach."""

    vertices: Floats
    triangles: Ints
    crease: Ints
    share: Floats
    on: Bools


def rounded(vertices: Floats, triangles: Ints, radius: float, most: float) -> tuple[Floats, Ints, Rounded]:
    """Round the sharp edges of a closed mesh.

    Parameters
    ----------
    radius : float
        Wanted, mm.
    most : float
        How far from an edge the ball may touch, mm: less than half of the thinnest wall. Where it would touch farther
        away, a smaller one is taken.

    Returns
    -------
    vertices, triangles
        The mesh, closed.
    Rounded
        What became of its sharp edges.
    """
    triangles = _without_ears(vertices, triangles)
    before = _edges(vertices, triangles)
    ridge = before.turn < -SHARP
    length = float(before.length[ridge].sum())
    chosen = np.flatnonzero(ridge)
    if not len(chosen):
        return vertices, triangles, Rounded(length, None, None, length)
    creases = _creases(vertices, before, chosen, 0.0, radius, most)
    state = _begun(vertices, triangles, before.ends[chosen], creases)
    for _ in range(3 * PASSES):
        state, done = _loosened(state, creases)
        if done:
            break
    for row in ROWS:
        state = _cut_row(state, creases, row)
    moved = _kept_smooth(state, creases)
    shift = np.linalg.norm(moved - state.vertices, axis=1)
    left = _edges(moved, state.triangles)
    return moved, state.triangles, _achieved(before, chosen, creases, shift, left, length, hollow=False)


FLAT = np.radians(3.0)


def _kept_smooth(state: _State, creases: _Creases) -> Floats:
    """The vertices moved, but creases left as they are where filling them would break the surface beside them.

    That happens where a ball finds no ground to touch: under the rim of a strand that barely dips into another.
    """
    moves = _moves(state, creases)
    before = _edges(state.vertices, state.triangles)
    smooth = np.abs(before.turn) < SHARP
    share = np.ones(len(creases.hollow))
    bad = np.zeros(len(share), bool)
    moved = state.vertices
    for _ in range(TAKEN_BACK):
        weight = np.where(state.crease >= 0, share[state.crease], 0.0)
        moved = _unfolded(state.vertices, state.vertices + weight[:, None] * moves, state.triangles)
        after = _measured(moved, state.triangles, before)
        broken = smooth & (np.abs(after.turn) > BROKEN)
        named = state.crease[after.ends[broken]].ravel()
        named = named[(named >= 0) & (share[named] > 0)]
        if not len(named):
            break
        bad[named] = True
        share = np.where(bad, 0.0, 1.0)
        for _ in range(3):  # what stays runs out towards what is taken back
            beside = share[creases.link]
            share = np.where(bad, 0.0, np.minimum(share, (beside.min(1) + share) / 2 + 0.2))
    return moved


def _without_ears(vertices: Floats, triangles: Ints) -> Ints:
    """Edges on level ground that join two corners of a crease turned, so that the ground beside it can be cut.

    Such an edge and a stretch of a bent crease shut in a face that has no corner off the crease.
    """
    count = len(vertices)
    for _ in range(PASSES):
        edges = _edges(vertices, triangles)
        on = np.zeros(count, bool)
        sharp: Bools = np.asarray(np.abs(edges.turn) > SHARP)
        on[edges.ends[sharp]] = True
        ear: Bools = np.asarray(on[triangles].all(axis=1))
        some = np.flatnonzero(~sharp & (np.abs(edges.turn) < FLAT) & on[edges.ends].all(1) & ear[edges.faces].any(1))
        if not len(some):
            break
        a, b = edges.ends[some].T
        faces = triangles[edges.faces[some]]
        c, d = (faces[:, k].sum(1) - a - b for k in range(2))
        # the face that runs from a to b has c on its left
        ahead = (faces[:, 0] == a[:, None]) & (np.roll(faces[:, 0], -1, axis=1) == b[:, None])
        c, d = np.where(ahead.any(1), c, d), np.where(ahead.any(1), d, c)
        first, second = np.stack([c, a, d], 1), np.stack([c, d, b], 1)

        def normals(corners: Ints) -> Floats:
            q = vertices[corners]
            return np.asarray(np.cross(q[:, 1] - q[:, 0], q[:, 2] - q[:, 0]))

        one, two = normals(first), normals(second)
        whole = one + two
        size = np.linalg.norm(whole, axis=1)
        good = np.minimum(np.einsum("ij,ij->i", one, whole), np.einsum("ij,ij->i", two, whole)) > 0.02 * size**2
        keys = np.sort(edges.ends.min(1) * count + edges.ends.max(1))
        sought = np.minimum(c, d) * count + np.maximum(c, d)
        good &= keys[np.minimum(np.searchsorted(keys, sought), len(keys) - 1)] != sought
        good &= ~(on[c] & on[d]) | (np.linalg.norm(vertices[c] - vertices[d], axis=1) > edges.length[some])
        rows = np.flatnonzero(good)
        claim = np.full(len(triangles), len(rows))
        pair = edges.faces[some[rows]]
        np.minimum.at(claim, pair.ravel(), np.repeat(np.arange(len(rows)), 2))
        corner = np.full(count, len(rows))
        four = np.stack([a, b, c, d], 1)[rows]
        np.minimum.at(corner, four.ravel(), np.repeat(np.arange(len(rows)), 4))
        mine = np.arange(len(rows))
        rows = rows[(claim[pair] == mine[:, None]).all(1) & (corner[four] == mine[:, None]).all(1)]
        if not len(rows):
            break
        triangles = triangles.copy()
        triangles[edges.faces[some[rows], 0]] = first[rows]
        triangles[edges.faces[some[rows], 1]] = second[rows]
    return triangles


def _edges(vertices: Floats, triangles: Ints) -> _Edges:
    count = len(vertices)
    a, b = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()
    order = np.argsort(np.minimum(a, b) * count + np.maximum(a, b), kind="stable")
    first, second = order[::2], order[1::2]  # a closed mesh has every edge twice
    ends, faces = np.stack([a[first], b[first]], 1), np.stack([first // 3, second // 3], 1)
    none = np.zeros(len(ends))
    return _measured(vertices, triangles, _Edges(ends, faces, none, none, none))


def _measured(vertices: Floats, triangles: Ints, edges: _Edges) -> _Edges:
    """The same edges measured anew where only places have changed."""
    p = vertices[triangles]
    normal = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-30)[:, None]
    along = vertices[edges.ends[:, 1]] - vertices[edges.ends[:, 0]]
    length = np.linalg.norm(along, axis=1)
    one, other = normal[edges.faces[:, 0]], normal[edges.faces[:, 1]]
    sine = np.einsum("ij,ij->i", np.cross(one, other), along) / np.maximum(length, 1e-30)
    cosine = np.einsum("ij,ij->i", one, other)
    return _Edges(edges.ends, edges.faces, -np.arctan2(sine, cosine), length, one + other)


def _creases(vertices: Floats, edges: _Edges, chosen: Ints, fillet: float, rounding: float, most: float) -> _Creases:
    """Creases with what is known at their ends averaged between neighbours of one kind, so that fillets run on."""
    ends = edges.ends[chosen]
    hollow = edges.turn[chosen] > 0
    outward = edges.outward[chosen]
    outward = outward / np.maximum(np.linalg.norm(outward, axis=1), 1e-9)[:, None]
    turn = np.minimum(np.abs(edges.turn[chosen]), BLUNTEST)
    weight = edges.length[chosen] + 1e-9
    count = len(vertices)
    key = ends + count * hollow[:, None]
    total = np.zeros(2 * count)
    turns, ways = np.zeros(2 * count), np.zeros((2 * count, 3))
    for k in range(2):
        total += np.bincount(key[:, k], weight, 2 * count)
        turns += np.bincount(key[:, k], weight * turn, 2 * count)
        for axis in range(3):
            ways[:, axis] += np.bincount(key[:, k], weight * outward[:, axis], 2 * count)
    shared = turns[key] / total[key]
    way = ways[key]
    way /= np.maximum(np.linalg.norm(way, axis=2), 1e-9)[:, :, None]
    wanted = np.where(hollow, fillet, rounding)[:, None]
    reach = np.minimum(wanted * np.tan(shared / 2), most)
    # chains: of the creases that meet at a vertex, the first and the last go on into one another
    slots = np.argsort(key.ravel(), kind="stable")
    named = key.ravel()[slots]
    first, last = np.searchsorted(named, key), np.searchsorted(named, key, side="right") - 1
    own = np.arange(len(ends))[:, None]
    one, other = slots[first] // 2, slots[last] // 2
    link = np.where(one == own, other, one)
    return _Creases(vertices[ends], shared, way, reach, reach / np.tan(shared / 2), hollow, link)


def _foot(creases: _Creases, which: Ints, place: Floats) -> tuple[Floats, Floats]:
    """How far along its crease (0 to 1) the nearest point to each place lies, and how far away it is."""
    start = creases.place[which, 0]
    along = creases.place[which, 1] - start
    square = np.maximum(np.einsum("ij,ij->i", along, along), 1e-30)
    share = np.clip(np.einsum("ij,ij->i", place - start, along) / square, 0.0, 1.0)
    return share, np.linalg.norm(place - start - share[:, None] * along, axis=1)


def _nearest(creases: _Creases, which: Ints, place: Floats) -> Ints:
    """The crease nearest to each place along the chain of the one given."""
    which = which.copy()
    foot, apart = _foot(creases, which, place)
    live = np.flatnonzero((foot <= 0) | (foot >= 1))
    for _ in range(16):
        onward = creases.link[which[live], (foot[live] >= 1).astype(int)]
        there, away = _foot(creases, onward, place[live])
        nearer = (away < apart[live] - 1e-9) & (onward != which[live])
        live = live[nearer]
        which[live], foot[live], apart[live] = onward[nearer], there[nearer], away[nearer]
        live = live[(foot[live] <= 0) | (foot[live] >= 1)]
        if not len(live):
            break
    return which


def _shares(creases: _Creases, which: Ints, place: Floats) -> Floats:
    """The distance of each place from its crease in shares of the reach there."""
    foot, apart = _foot(creases, which, place)
    reach = creases.reach[which]
    return np.asarray(apart / np.maximum(reach[:, 0] * (1 - foot) + reach[:, 1] * foot, 1e-9))


def _begun(vertices: Floats, triangles: Ints, ends: Ints, creases: _Creases) -> _State:
    """Each vertex near a crease with the crease that is nearest in shares of its reach."""
    count = len(vertices)
    crease, share = np.full(count, -1), np.full(count, np.inf)
    on = np.zeros(count, bool)
    on[ends] = True
    for k in range(2):
        order = np.argsort(creases.reach[:, k], kind="stable")
        crease[ends[order, k]] = order
    share[on] = 0.0
    pairs = _pairs(triangles)
    fresh = on.copy()
    for _ in range(12):
        live = fresh[pairs[:, 0]] & ~on[pairs[:, 1]]
        start, end = pairs[live].T
        which = _nearest(creases, crease[start], vertices[end])
        found = _shares(creases, which, vertices[end])
        better = found < share[end] - 1e-12
        if not better.any():
            break
        which, end, found = which[better], end[better], found[better]
        order = np.argsort(-found, kind="stable")  # the last one written is the nearest
        share[end[order]] = found[order]
        crease[end[order]] = which[order]
        fresh = np.zeros(count, bool)
        fresh[end] = True
        fresh &= share < 1.5
    return _State(vertices, triangles, crease, share, on)


def _pairs(triangles: Ints) -> Ints:
    """Every edge in both directions, (3t, 2)."""
    return np.stack([triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()], 1)


def _once(triangles: Ints) -> Ints:
    """Every edge of a closed mesh once, (n, 2)."""
    pairs = _pairs(triangles)
    return np.asarray(pairs[pairs[:, 0] < pairs[:, 1]])


def _loosened(state: _State, creases: _Creases) -> tuple[_State, bool]:
    """Edges that lead from crease to crease over open ground halved, so that the ground has vertices of its own."""
    pairs = _once(state.triangles)
    near = (state.share[pairs] < 1.0).all(1)
    pairs = pairs[near]
    middle = state.vertices[pairs].mean(1)
    least = np.full(len(pairs), np.inf)
    owner = np.full(len(pairs), -1)
    for k in range(2):
        which = _nearest(creases, state.crease[pairs[:, k]], middle)
        found = _shares(creases, which, middle)
        owner = np.where(found < least, which, owner)
        least = np.minimum(least, found)
    # along a crease, and inside a band, a middle lies no farther off than its ends
    far = least > state.share[pairs].max(1) + 0.25
    if not far.any():
        return state, True
    return _split(state, pairs[far], middle[far], owner[far], least[far]), False


def _cut_row(state: _State, creases: _Creases, row: float) -> _State:
    """Every edge cut where it passes that share of the reach."""
    pairs = _once(state.triangles)
    share = state.share[pairs]
    inner = share.argmin(1)
    rows = np.arange(len(pairs))
    low, high = share[rows, inner], share[rows, 1 - inner]
    near, far = pairs[rows, inner], pairs[rows, 1 - inner]
    through = (low < row - 0.08) & (high > row + 0.08)
    near, far, low, pairs = near[through], far[through], low[through], pairs[through]
    start, end, which = state.vertices[near], state.vertices[far], state.crease[near]
    # what is far off may belong to another crease: measure both ends from the nearer one's
    high = _shares(creases, _nearest(creases, which, end), end)
    through = high > row + 0.08
    pairs, which, low, high = pairs[through], which[through], low[through], high[through]
    start, end = start[through], end[through]
    at = start + ((row - low) / (high - low))[:, None] * (end - start)
    which = _nearest(creases, which, at)
    return _split(state, pairs, at, which, _shares(creases, which, at))


def _split(state: _State, split: Ints, at: Floats, crease: Ints, share: Floats) -> _State:
    """Every given edge, (lower, higher) vertex, cut at a place; its faces are cut in two, three or four."""
    triangles = state.triangles
    count = len(state.vertices)
    if not len(split):
        return state
    keys = split[:, 0] * count + split[:, 1]
    order = np.argsort(keys)
    keys = keys[order]
    a, b = triangles, np.roll(triangles, -1, axis=1)
    wanted = np.minimum(a, b) * count + np.maximum(a, b)
    found = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
    middle = np.where(keys[found] == wanted, count + found, -1)  # on the edges 01, 12, 20
    vertices = np.concatenate([state.vertices, at[order]])
    number = (middle >= 0).sum(1)
    out = [triangles[number == 0]]
    for turned in range(3):
        t, m = np.roll(triangles, -turned, axis=1), np.roll(middle, -turned, axis=1)
        one = (number == 1) & (m[:, 0] >= 0)
        (p, q, r), s = t[one].T, m[one, 0]
        out += [np.stack([p, s, r], 1), np.stack([s, q, r], 1)]
        two = (number == 2) & (m[:, 2] < 0)
        (p, q, r), s, u = t[two].T, m[two, 0], m[two, 1]
        out.append(np.stack([s, q, u], 1))
        # the four-cornered rest is cut along its shorter diagonal
        shorter = np.linalg.norm(vertices[p] - vertices[u], axis=1) < np.linalg.norm(vertices[s] - vertices[r], axis=1)
        out += [
            np.where(shorter[:, None], np.stack([p, s, u], 1), np.stack([p, s, r], 1)),
            np.where(shorter[:, None], np.stack([p, u, r], 1), np.stack([s, u, r], 1)),
        ]
    three = number == 3
    (p, q, r), (s, u, w) = triangles[three].T, middle[three].T
    out += [np.stack(corners, 1) for corners in ((p, s, w), (s, q, u), (w, u, r), (s, u, w))]
    return replace(
        state,
        vertices=vertices,
        triangles=np.concatenate(out),
        crease=np.concatenate([state.crease, crease[order]]),
        share=np.concatenate([state.share, share[order]]),
        on=np.concatenate([state.on, np.zeros(len(split), bool)]),
    )


def _moves(state: _State, creases: _Creases) -> Floats:
    """How far each vertex moves to lie on the ball's arc, (n, 3)."""
    moves = np.zeros_like(state.vertices)
    mine = np.flatnonzero(state.share < 1.0 - 1e-9)
    which, place = state.crease[mine], state.vertices[mine]
    foot, apart = _foot(creases, which, place)

    def at_foot(values: Floats) -> Floats:
        share = foot.reshape(-1, *([1] * (values.ndim - 2)))
        return np.asarray(values[which, 0] * (1 - share) + values[which, 1] * share)

    half, reach, radius = at_foot(creases.turn) / 2, at_foot(creases.reach), at_foot(creases.radius)
    up = at_foot(creases.outward)
    up /= np.maximum(np.linalg.norm(up, axis=1), 1e-9)[:, None]
    along = creases.place[which, 1] - creases.place[which, 0]
    along /= np.maximum(np.linalg.norm(along, axis=1), 1e-12)[:, None]
    away = place - (creases.place[which, 0] * (1 - foot[:, None]) + creases.place[which, 1] * foot[:, None])
    side = away - np.einsum("ij,ij->i", away, up)[:, None] * up
    side -= np.einsum("ij,ij->i", side, along)[:, None] * along
    side /= np.maximum(np.linalg.norm(side, axis=1), 1e-9)[:, None]
    share = np.minimum(apart / np.maximum(reach, 1e-9), 1.0)
    angle = share * half
    # in the plane across the crease: the face runs out at half the turn, the ball's middle lies over the crease
    across = radius * np.sin(angle) - apart * np.cos(half)
    rise = radius / np.cos(half) - radius * np.cos(angle) - apart * np.sin(half)
    sign = np.where(creases.hollow[which], 1.0, -1.0)
    moves[mine] = across[:, None] * side + (sign * rise)[:, None] * up
    return moves


def _unfolded(before: Floats, after: Floats, triangles: Ints) -> Floats:
    """Fairing taken back, bit by bit, wherever it turns a face over or flattens it."""
    shift = after - before
    share = np.ones(len(before))

    def normals(place: Floats) -> Floats:
        p = place[triangles]
        return np.asarray(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]))

    moving = np.abs(shift[triangles]).max((1, 2)) > 0
    triangles = triangles[moving]
    old = normals(before)
    size = np.linalg.norm(old, axis=1)
    for _ in range(8):
        new = normals(before + share[:, None] * shift)
        length = np.linalg.norm(new, axis=1)
        bad = (np.einsum("ij,ij->i", old, new) < 0.2 * size * length) | (length < 0.02 * size)
        if not bad.any():
            break
        share[triangles[bad].ravel()] *= 0.4
    else:
        share[triangles[bad].ravel()] = 0.0
    return np.asarray(before + share[:, None] * shift)


def _achieved(
    before: _Edges, chosen: Ints, creases: _Creases, shift: Floats, after: _Edges, length: float, *, hollow: bool
) -> Rounded:
    """The radii of the balls that fit where the creases were, by how far the surface has moved away from them."""
    mine = creases.hollow == hollow
    if not mine.any():
        return Rounded(length, None, None, length)
    ends = before.ends[chosen][mine]
    radius = (shift[ends] / np.maximum(1 / np.cos(creases.turn[mine] / 2) - 1, 1e-6)).mean(1)
    weight = before.length[chosen][mine]
    order = np.argsort(radius)
    share = np.cumsum(weight[order]) / weight.sum()
    usual, least = (float(radius[order][min(int(np.searchsorted(share, s)), len(order) - 1)]) for s in (0.5, 0.1))
    left = after.turn > SHARP if hollow else after.turn < -SHARP
    return Rounded(length, usual, least, float(after.length[left].sum()))
