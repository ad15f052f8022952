"""Closed outlines of the visible pieces of strand, and the holes in them.

A piece is walked round: forward along its right edges, across under the edge of the strand that covers it, back along
its left edges, round the crotch of a fork.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..lanes import Lanes
from ..mesh import Floats
from .hidden import Hidden, Owner, Seen
from .rails import LEFT, RIGHT, TOUCH, Rails


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A visible piece of strand, whole or half or forked.

    Attributes
    ----------
    circuit, lane : int
        ``lane`` is the one of the piece's first edge.
    outline : (n, 2) float64
        Closed, anticlockwise, the first point not repeated; mm.
    holes : tuple of (n, 2) float64
        Clockwise.
    """

    circuit: int
    lane: int
    outline: Floats
    holes: tuple[Floats, ...]


def outlines(rails: Rails, hidden: Hidden, seen: list[list[Seen]], loops: list[bool]) -> tuple[list[Piece], int]:
    """Every visible piece of strand, by walking round it; and how many corners could not be closed as they should."""
    lanes = rails.lanes
    by_begin: dict[tuple[int, Owner], Seen] = {}
    by_end: dict[tuple[int, Owner], Seen] = {}
    walks: list[tuple[int, Floats]] = []
    rights: list[Seen] = []
    lefts: list[Seen] = []
    for rail, stretches in enumerate(seen):
        kind = rail & 3
        if kind > LEFT:
            continue
        if loops[rail]:
            loop = rails.loop(rail)
            walks.append((rail, loop if kind == RIGHT else loop[::-1]))
        for part in stretches:
            by_begin[rail, part.before] = part
            by_end[rail, part.after] = part
            (rights if kind == RIGHT else lefts).append(part)

    slot = {(int(hidden.rail[c, kind]), c): kind for c in range(len(hidden.rail)) for kind in (RIGHT, LEFT)}
    used: set[Seen] = set()
    doubtful = 0
    for first in (*rights, *lefts):
        if first in used:
            continue
        path: list[Floats] = []
        at = first
        while True:
            used.add(at)
            forward = at.rail & 3 == RIGHT
            line = rails.stretch(at.rail, at.begin, at.end)
            path.append(line if forward else line[::-1])
            owner = at.after if forward else at.before
            following, across, sure = _turn(rails, hidden, slot, by_begin, by_end, at, owner, forward)
            path.append(across)
            doubtful += not sure
            if following is None or following in used:
                break
            at = following
        walks.append((first.rail, _tidy(np.vstack(path))))

    return _gathered(lanes, walks), doubtful


def _turn(
    rails: Rails,
    hidden: Hidden,
    slot: dict[tuple[int, int], int],
    by_begin: dict[tuple[int, Owner], Seen],
    by_end: dict[tuple[int, Owner], Seen],
    at: Seen,
    owner: Owner,
    forward: bool,
) -> tuple[Seen | None, Floats, bool]:
    """What follows a stretch of edge round its piece, the points between, and whether all is as it should be."""
    none = np.zeros((0, 2))
    lanes, lane = rails.lanes, at.rail >> 2
    if owner.fork >= 0:  # from one half's inner edge to the other's
        left, right = (int(k) for k in lanes.lane_of[lanes.circuit[lane]])
        following = by_end.get((4 * right + LEFT, owner)) if forward else by_begin.get((4 * left + RIGHT, owner))
        return following, none, following is not None
    crossing = owner.crossing
    kind = slot[at.rail, crossing]
    opposite = LEFT if kind == RIGHT else RIGHT
    end = 0 if forward else 1
    other = int(hidden.rail[crossing, opposite])
    following = (by_end if forward else by_begin).get((other, owner))
    cap = _cap(rails, hidden, crossing, kind, opposite, end)
    if following is not None:
        return following, cap, True
    # The far edge is covered all along this piece: what remains is closed where the edges of the two strands that
    # cover it cross.
    back = at.before if forward else at.after
    if back.crossing >= 0 and (at.rail, back.crossing) in slot:
        home = _cap(rails, hidden, back.crossing, kind, opposite, 1 - end)
        joint = _first_crossing(cap, home)
        if joint is not None:
            i, j, point = joint
            return None, np.vstack([cap[: i + 1], point[None], home[: j + 1][::-1]]), True
    return None, none, False


def _cap(rails: Rails, hidden: Hidden, crossing: int, kind: int, opposite: int, end: int) -> Floats:
    """The over strand's edge from one edge of the under strand to the other."""
    rail, across = int(hidden.over_rail[crossing, kind, end]), int(hidden.over_rail[crossing, opposite, end])
    a, b = float(hidden.over_at[crossing, kind, end]), float(hidden.over_at[crossing, opposite, end])
    if rail != across or abs(b - a) > rails.length[rail >> 2]:
        return np.zeros((0, 2))
    return rails.stretch(rail, a, b) if a <= b else rails.stretch(rail, b, a)[::-1]


def _first_crossing(one: Floats, two: Floats) -> tuple[int, int, Floats] | None:
    """Where two polylines first cross: the pieces of each and the point."""
    p, u = one[:-1, None], np.diff(one, axis=0)[:, None]
    q, v = two[None, :-1], np.diff(two, axis=0)[None]
    d = q - p
    cross = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (d[..., 0] * v[..., 1] - d[..., 1] * v[..., 0]) / cross
        t = (d[..., 0] * u[..., 1] - d[..., 1] * u[..., 0]) / cross
    hit = (s >= -1e-9) & (s <= 1 + 1e-9) & (t >= -1e-9) & (t <= 1 + 1e-9)
    if not hit.any():
        return None
    i, j = (int(k) for k in np.argwhere(hit)[0])
    return i, j, one[i] + s[i, j] * (one[i + 1] - one[i])


def _tidy(points: Floats) -> Floats:
    """A closed polyline without repeated points."""
    step = np.hypot(*(points - np.roll(points, 1, axis=0)).T)
    kept: Floats = points[step > TOUCH / 10]
    return kept


def area(outline: Floats) -> float:
    """Signed area of a closed polyline, mm2; positive where it runs anticlockwise."""
    x, y = outline.T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


def inside(outline: Floats, point: Floats) -> bool:
    """Whether a point lies within a closed polyline, by the parity of edges to its right."""
    a, b = outline - point, np.roll(outline, -1, axis=0) - point
    spans = (a[:, 1] > 0) != (b[:, 1] > 0)
    a, b = a[spans], b[spans]
    right = a[:, 0] - a[:, 1] * (b[:, 0] - a[:, 0]) / (b[:, 1] - a[:, 1]) > 0
    return bool(right.sum() % 2)


def _gathered(lanes: Lanes, walks: list[tuple[int, Floats]]) -> list[Piece]:
    """Outlines with the holes that lie in them; pieces too small to be cut or seen are left out."""
    sized = [(rail, line, area(line)) for rail, line in walks if len(line) > 2]
    none: list[Floats] = []
    outer = [(rail, line, size, none.copy()) for rail, line, size in sized if size > TOUCH]
    outer.sort(key=lambda each: each[2])
    for rail, line, size in sized:
        if size >= -TOUCH:
            continue
        circuit = lanes.circuit[rail >> 2]
        for own, around, room, holes in outer:
            if room > -size and lanes.circuit[own >> 2] == circuit and inside(around, line[0]):
                holes.append(line)
                break
    order = sorted(range(len(outer)), key=lambda k: (outer[k][0] >> 2, *outer[k][1].min(0).round(6).tolist()))
    return [
        Piece(int(lanes.circuit[rail >> 2]), rail >> 2, line, tuple(holes))
        for rail, line, _, holes in (outer[k] for k in order)
    ]
