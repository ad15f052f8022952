"""Strands cut into pieces that overlap only pieces of another kind, for a Boolean to unite.

What passes over overlaps nothing else that passes over, but for strands that lie very near each other; then further
kinds, and further cuts, part them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .cycles import connected_labels
from .lanes import Lanes
from .loop import looped, unlooped
from .mesh import Bools, Floats, Ints
from .selfcut import crossing_pairs
from .sweep import Swept

PLUG = 0.1
"""How much smaller than the strand a plug is at its end."""
BESIDE, WITHIN = 3, 2e-3
"""Bands of one piece up to so many on are beside each other and do not count as overlapping; others do when they lie
within each other by this share of their size."""


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Strands cut into closed pieces, each a little drawn back where it was cut.

    Attributes
    ----------
    vertices : (n, 3) float64
    faces : (t, 3) int64
    kind : (t,) int64
        The set of solids each face belongs to; the pieces of one set overlap nowhere.
    circuit : (t,) int64
    sides : (t,) int64
        2 c + s on a cap, c being the cut and s the side of it; -1 elsewhere.
    """

    vertices: Floats
    faces: Ints
    kind: Ints
    circuit: Ints
    sides: Ints


def _fork_rings(swept: Swept) -> Ints:
    """First vertex of each fork's three rings: the whole strand's, the left and the right half's, (F, 3)."""
    first, last = swept.fork_quads[:, 0], swept.fork_quads[:, -1]
    # quads are turned over where the whole strand lies ahead; the bands then tell which ring is which
    ring = np.zeros(len(swept.vertices), bool)
    ring[swept.bands[:, :, 0].ravel()] = True
    ahead = ring[last[:, 1]] & (first[:, 0] == last[:, 1])
    whole = np.where(ahead, first[:, 0], first[:, 3])
    left = np.where(ahead, first[:, 3], first[:, 0])
    right = np.where(ahead, last[:, 2], last[:, 1])
    return np.stack([whole, left, right], 1)


def labels(swept: Swept, lanes: Lanes, upper: Bools, *, parted: bool) -> Ints:
    """What each band and then each fork counts as, (B + F,): the strand is cut where this changes.

    A fork and the bands beside it count as one, so that no cut falls on a fork. ``parted`` tells halves apart as well.
    """
    bands = len(swept.bands)
    label = np.concatenate([upper[swept.band_sample], upper[swept.fork_sample]]).astype(np.int64)
    if parted:
        half = np.flatnonzero(swept.band_half)
        label[half] += 2 + 2 * lanes.side[swept.lane[swept.band_sample[half]]]
    if len(swept.fork_sample):
        rings = _fork_rings(swept)
        fork_of = np.full(len(swept.vertices), -1)
        fork_of[rings] = np.arange(len(rings))[:, None]
        ends = fork_of[swept.bands[:, :, 0]]
        band, end = np.nonzero(ends >= 0)
        group = connected_labels(len(label), band, bands + ends[band, end])
        most = np.zeros(len(label), np.int64)
        np.maximum.at(most, group[bands:], label[bands:])
        near = np.concatenate([band, np.arange(bands, len(label))])
        label[near] = most[group[near]]
    return label


def bent_columns(outline: Floats, swept: Swept, lanes: Lanes) -> Ints:
    """Points of the outline, less its two middles where they lie on a straight side and no fork needs them."""
    column = np.arange(len(outline))
    if len(swept.fork_sample) or not (lanes.whole | (lanes.opened == 1)).all():
        return column
    one, other = outline - np.roll(outline, 1, axis=0), np.roll(outline, -1, axis=0) - outline
    straight = np.abs(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]) < 1e-9 * np.abs(outline).max() ** 2
    return np.asarray(column[~straight | (column % (len(outline) // 2) != 0)])


def cut(
    swept: Swept,
    lanes: Lanes,
    label: Ints,
    outline: Floats,
    column: Ints,
    slit: float,
    triangulate: Callable[[Floats], Ints],
    *,
    upright: bool,
    plugged: bool,
    severed: Bools | None = None,
    bulging: Bools | None = None,
    rounds: int = 4,
    loop: tuple[float, float] | None = None,
) -> Pieces:
    """Cut the strands wherever their label changes and close the pieces with caps, ``slit`` clear of the cut.

    Of the rings' points only those of ``column`` are taken. Where strands stand ``upright``, not on a curved surface,
    the plan shows what overlaps; that of a flat strip taken round is seen on the flat, by its period and reach in
    ``loop``. A piece that overlaps itself is cut once more between, for some ``rounds``; on curved
    surfaces this is looked for when ``plugged``. ``severed`` bands are cut from the next one whatever their label.
    Twisted bands that would meet themselves are made ``bulging``: their sides are folded outwards.

    When ``plugged``, each piece ends with a plug that reaches into the next one instead of being drawn back: for cuts
    that lie within another strand, where what is left of both caps is not the same. It leaves a groove for cleaning.
    """
    rings = swept.bands[:, :, column]
    bands = rings.copy()
    count, corners = len(bands), len(column)
    wide = int(outline[: len(outline) // 2, 0].argmax())
    left, right = np.searchsorted(column, [wide, len(outline) - wide]).tolist()
    begins = np.full(len(swept.vertices), -1)
    begins[bands[:, 0, 0]] = np.arange(count)
    follows = begins[bands[:, 1, 0]]
    joined = follows >= 0
    severed = np.zeros(count, bool) if severed is None else severed
    if bulging is None:  # whole strands are beside pointed turns from the first
        bulging = swept.band_turned.any(1) & ~swept.band_half
    parts = severed | (label[:count] != label[follows])
    apart, along = np.flatnonzero(joined & parts), np.flatnonzero(joined & ~parts)
    vertices = [swept.vertices]
    caps: list[Ints] = []
    for band, near, far in (
        (follows[apart] if plugged else apart, 0 if plugged else 1, 1 if plugged else 0),
        (follows[apart], 0, 1),
    ):
        at, to = (swept.vertices[rings[band, end]] for end in (near, far))
        run = np.linalg.norm((to - at).mean(1), axis=1)
        share = np.minimum(slit / np.maximum(run, 1e-12), 0.25)[:, None, None]
        drawn = at + share * (to - at)
        if plugged and not caps:
            drawn = (at + to) / 2
            drawn += PLUG * (drawn.mean(1, keepdims=True) - drawn)
        first = sum(len(part) for part in vertices)
        caps.append(first + np.arange(len(band) * corners).reshape(-1, corners))
        vertices.append(drawn.reshape(-1, 3))
    if not plugged:
        bands[apart, 1] = caps[0]
    bands[follows[apart], 0] = caps[1]
    place = np.concatenate(vertices)

    one, other = along, follows[along]
    forks = len(swept.fork_sample)
    if forks:
        fork_of = np.full(len(place), -1)
        fork_of[_fork_rings(swept)] = np.arange(forks)[:, None]
        ends = fork_of[bands[:, :, 0]]
        band, end = np.nonzero(ends >= 0)
        one, other = np.concatenate([one, band]), np.concatenate([other, count + ends[band, end]])
    piece = connected_labels(count + forks, one, other)

    def between(a: Ints, b: Ints) -> Ints:
        return np.stack([a, np.roll(a, -1, 1), np.roll(b, -1, 1), b], 2).reshape(-1, 4)

    a, b = bands[:, 0], bands[:, 1]
    walls = [between(a, b), swept.fork_quads.reshape(-1, 4)]
    plugs = between(b[apart], caps[0])[: len(apart) * corners * plugged]
    cap = np.asarray(triangulate(outline[column]), np.int64)
    cuts = np.arange(len(apart))
    # right halves are cut into triangles as the left ones' mirror image: where halves part, one wall lies on the other
    halves = swept.band_half & (lanes.side[swept.lane[swept.band_sample]] == 1)
    folded = np.repeat(halves[:, None], corners, axis=1)
    folded[bulging] = _hollow(place[walls[0].reshape(count, corners, 4)[bulging]])
    turned = np.concatenate([folded.ravel(), np.zeros(len(walls[1]), bool)])[:, None]
    faces = [
        np.take_along_axis(
            np.concatenate(walls), np.where(turned, [1, 2, 3, 1, 3, 0], [0, 1, 2, 0, 2, 3]), axis=1
        ).reshape(-1, 3),
        swept.fork_triangles.reshape(-1, 3),
        plugs[:, [0, 1, 2, 0, 2, 3]].reshape(-1, 3),
        caps[0][:, cap].reshape(-1, 3),
        a[follows[apart]][:, cap[:, ::-1]].reshape(-1, 3),
    ]
    element = np.concatenate(
        [
            np.repeat(np.arange(count + forks), 2 * corners),
            np.repeat(np.arange(count, count + forks), 4),
            np.repeat(apart, 2 * corners * plugged),
            np.repeat(apart, len(cap)),
            np.repeat(follows[apart], len(cap)),
        ]
    )
    plain = len(element) - 2 * len(cuts) * len(cap)
    sides = np.concatenate([np.full(plain, -1), np.repeat(2 * cuts, len(cap)), np.repeat(2 * cuts + 1, len(cap))])
    sample = np.concatenate([swept.band_sample, swept.fork_sample])
    plan = np.concatenate(
        [
            np.stack([a[:, left], b[:, left], b[:, right], a[:, right]], 1),
            swept.fork_quads[:, [wide, wide, corners - 1 - wide, corners - 1 - wide], [0, 3, 2, 1]],
        ]
    )
    upper = label % 2
    everything = np.concatenate(faces)
    if upright and not plugged:
        seen = place if loop is None else unlooped(place, *loop)
        met = _meeting_in_plan(seen[plan][:, :, :2], piece, upper, 0.0 if loop is None else loop[0])
    else:
        met = _meeting(place, everything, element, piece, upper, thorough=plugged)
    own = piece[met[:, 0]] == piece[met[:, 1]]
    beside = own & (np.abs(met[:, 0] - met[:, 1]) <= BESIDE)
    if own.any() and rounds:
        more = _between(met[own & ~beside], along, follows, np.stack([one, other], 1)[len(along) :])
        twisted = met[beside]
        twisted = twisted[twisted < count]
        if len(more) or not bulging[twisted].all():
            severed[more] = bulging[twisted] = True
            return cut(
                swept, lanes, label, outline, column, slit, triangulate,
                upright=upright, plugged=plugged, severed=severed, bulging=bulging, rounds=rounds - 1, loop=loop,
            )  # fmt: skip
    kind = upper + 2 * _kinds(piece[met[~own]], int(piece.max()) + 1)[piece]
    if plugged:  # what is symmetric may touch just in a point: shift each kind a little, in a direction of its own
        way = np.random.default_rng(0).normal(size=(int(kind.max()) + 1, 3)) * [1.0, 1.0, 0.0 if upright else 1.0]
        shift = np.zeros_like(place)
        shift[everything] = slit * way[kind[element]][:, None]
        place = place + shift if loop is None else looped(unlooped(place, *loop) + shift, *loop)
    return Pieces(place, everything, kind[element], lanes.circuit[swept.lane[sample]][element], sides)


def _meeting_in_plan(plan: Floats, piece: Ints, upper: Ints, period: float = 0.0) -> Ints:
    """Pairs of bands of the same level that overlap in plan, (p, 2), where strands stand upright.

    With a ``period`` the plan is that of a strip whose x is taken round.
    """
    number = np.arange(len(plan))
    if period:  # what lies at the beginning is there once more after the end
        plan = plan.copy()
        plan[:, :, 0] -= period * np.round((plan[:, :, 0] - plan[:, :1, 0]) / period)
        early = np.flatnonzero(plan[:, :, 0].min(1) < 2 * np.ptp(plan[:, :, 0], axis=1).max())
        number = np.concatenate([number, early])
        plan = np.concatenate([plan, plan[early] + [period, 0.0]])
    one, other = _near(plan)
    mine, theirs = number[one], number[other]
    some = (upper[mine] == upper[theirs]) & ((piece[mine] != piece[theirs]) | (np.abs(mine - theirs) > BESIDE))
    one, other = one[some], other[some]
    own = piece[number[one]] == piece[number[other]]
    middle = plan.mean(1, keepdims=True)
    lesser = middle + (1 - WITHIN) * (plan - middle)  # bands beside each other touch
    meets = np.empty(len(one), bool)
    meets[own] = _overlap(lesser[one[own]], lesser[other[own]])
    meets[~own] = _overlap(plan[one[~own]], plan[other[~own]])
    return np.unique(number[np.stack([one[meets], other[meets]], 1)], axis=0)


def _meeting(vertices: Floats, faces: Ints, element: Ints, piece: Ints, upper: Ints, *, thorough: bool) -> Ints:
    """Pairs of bands of the same level whose surfaces cross, (p, 2), wherever they lie.

    Those of one piece are looked for only if ``thorough``.
    """
    count = len(piece)
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    corner = vertices[faces]
    np.minimum.at(low, element, corner.min(1))
    np.maximum.at(high, element, corner.max(1))
    near = np.full(count, thorough)
    if not thorough:
        one, other = _near(np.stack([low, high], 1))
        some = (piece[one] != piece[other]) & (upper[one] == upper[other])
        near[one[some]] = near[other[some]] = True
    pairs = []
    for level in (0, 1):
        mine = np.flatnonzero((near & (upper == level))[element])
        pairs.append(element[mine[crossing_pairs(vertices, faces[mine])]])
    met = np.unique(np.concatenate(pairs), axis=0)
    return met if thorough else np.asarray(met[piece[met[:, 0]] != piece[met[:, 1]]])


def _hollow(quads: Floats) -> Bools:
    """Which quadrangles, (..., 4, 3), are hollow when folded from their first corner to their third, (...,) bool."""
    one, two, three = (quads[..., k, :] - quads[..., 0, :] for k in (1, 2, 3))
    return np.asarray((np.cross(one, two) * three).sum(-1) > 0)


def _between(pairs: Ints, along: Ints, follows: Ints, fixed: Ints) -> Ints:
    """Bands to be cut from the next one so that nothing leads from one of any pair to the other any more.

    Parameters
    ----------
    pairs : (p, 2) int64
        Bands or forks that overlap and belong to one piece.
    along, follows
        Bands that hang together with the next one, and the next of every band.
    fixed : (f, 2) int64
        Bands and forks that hang together and cannot be cut apart.
    """
    beside: dict[int, dict[int, int]] = {}
    for cut, one, other in [
        *zip(along.tolist(), along.tolist(), follows[along].tolist()),
        *((-1, one, other) for one, other in fixed.tolist()),
    ]:
        beside.setdefault(one, {})[other] = cut
        beside.setdefault(other, {})[one] = cut
    chosen = []
    for start, end in pairs.tolist():
        while (path := _path(beside, start, end)) is not None:
            free = [k for k in range(len(path) - 1) if beside[path[k]][path[k + 1]] >= 0]
            if not free:
                break
            at = min(free, key=lambda k: abs(2 * k + 2 - len(path)))
            one, other = path[at : at + 2]
            chosen.append(beside[one].pop(other))
            del beside[other][one]
    return np.array(chosen, np.int64)


def _path(beside: dict[int, dict[int, int]], start: int, end: int) -> list[int] | None:
    """The shortest way from one to another, both included."""
    came = {start: start}
    queue = [start]
    for here in queue:
        if here == end:
            way = [end]
            while way[-1] != start:
                way.append(came[way[-1]])
            return way[::-1]
        for near in beside.get(here, {}):
            if near not in came:
                came[near] = here
                queue.append(near)
    return None


def _kinds(meeting: Ints, count: int) -> Ints:
    """A number for each of ``count`` pieces, another than that of any piece that it meets.

    Nearly always 0: only where two crossings lie so close that no straight cut parts them do pieces of one level meet.
    """
    pairs = np.unique(np.sort(meeting, axis=1), axis=0)
    kind = np.zeros(count, np.int64)
    beside: dict[int, set[int]] = {}
    for left, right in pairs.tolist():
        beside.setdefault(left, set()).add(right)
        beside.setdefault(right, set()).add(left)
    done: dict[int, int] = {}
    for number in sorted(beside):
        taken = {done[near] for near in beside[number] if near in done}
        done[number] = next(k for k in range(len(taken) + 1) if k not in taken)
        kind[number] = done[number]
    return kind


def _near(plan: Floats) -> tuple[Ints, Ints]:
    """Pairs of groups of points, (n, k, 2 or 3), whose boxes overlap, each pair once."""
    low, high = plan.min(1), plan.max(1)
    cell = max(float((high - low).max()), 1e-9)
    box = np.floor((low - low.min(0))[:, :2] / cell).astype(np.int64)
    wide = int(box[:, 1].max()) + 3
    key = box[:, 0] * wide + box[:, 1]
    order = np.argsort(key, kind="stable")
    ranked = key[order]
    ones, others = [], []
    for across, up in ((0, 0), (0, 1), (1, -1), (1, 0), (1, 1)):
        first = np.searchsorted(ranked, key + across * wide + up)
        last = np.searchsorted(ranked, key + across * wide + up, side="right")
        number = last - first
        one = np.repeat(np.arange(len(key)), number)
        other = order[np.repeat(first - np.cumsum(number) + number, number) + np.arange(number.sum())]
        keep = (one < other) if (across, up) == (0, 0) else np.ones(len(one), bool)
        keep &= ((low[one] < high[other]) & (low[other] < high[one])).all(1)
        ones.append(one[keep])
        others.append(other[keep])
    return np.concatenate(ones), np.concatenate(others)


def _overlap(one: Floats, other: Floats) -> Bools:
    """Which pairs of convex quadrangles, each (p, 4, 2), overlap: no side of either parts them."""
    meets = np.ones(len(one), bool)
    for sides in (one, other):
        edge = np.roll(sides, -1, axis=1) - sides
        normal = np.stack([-edge[:, :, 1], edge[:, :, 0]], 2)
        mine, theirs = (np.einsum("pki,pji->pkj", normal, points) for points in (one, other))
        apart = (mine.max(2) <= theirs.min(2)) | (theirs.max(2) <= mine.min(2))
        meets &= ~apart.any(1)
    return meets
