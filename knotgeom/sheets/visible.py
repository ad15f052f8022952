"""What is seen of every strand from straight above: edges, incised lines and closed outlines, hidden parts left out.

A *rail* is a line along a lane: its right edge, its left edge, the middle of the lane, or the middle of whole strand.
An under strand's rails dip under the over strand where they meet its edges, so what hides them is known as stretches of
length along the circuit, found from the corners of the overlaps (:mod:`knotgeom.footprints`) and sharpened here on the
very polylines that are drawn. A visible piece of strand is then walked round: forward along its right edges, across
under the edge of the strand that covers it, back along its left edges, round the crotch of a fork.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..course import Courses
from ..design import Section
from ..errors import DesignError
from ..footprints import Footprints
from ..lanes import Lanes
from ..made import Counted, Drawn
from ..mesh import Bools, Floats, Ints

RIGHT, LEFT, MIDDLE, TRUNK = 0, 1, 2, 3
"""Rails of a lane. The right rail of a left half and the left rail of a right one are the halves' inner edges; both
halves' outer edges run on along whole strand. TRUNK is the middle of whole strand on a divided circuit."""

TOUCH = 1e-4
"""Lengths below this in mm are none."""
ALIGNED = 1e-6
"""How near to one another in mm two edges must come at the corner where they cross."""


class Owner(NamedTuple):
    """What a visible stretch of a rail ends at: a woven crossing, or the course sample at which halves part."""

    crossing: int
    fork: int


NOTHING = Owner(-1, -1)


class Seen(NamedTuple):
    """A visible stretch of a rail, as lengths along its circuit; ``end`` may lie beyond the circuit's length."""

    rail: int
    begin: float
    end: float
    before: Owner
    after: Owner


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


class Line(NamedTuple):
    """A drawn line: its points (n, 2), mm, and whether it closes."""

    points: Floats
    closed: bool


@dataclass(frozen=True, slots=True, eq=False)
class Visible:
    """The visible line work of a design.

    Attributes
    ----------
    edges : tuple of Line
        Visible edges of strands, each once.
    incised : tuple of Line
        Visible lines cut into a strand: between halves without a gap, and down a median-incised strand.
    pieces : tuple of Piece
    cores : tuple of tuple of Line
        Of each lane, the visible parts of its middle; along whole strand of a divided circuit, of its half of that.
    doubtful : int
        Corners of pieces that could not be closed as they should, since strands lie on one another there.
    rails : Rails
    hidden : Hidden
    """

    edges: tuple[Line, ...]
    incised: tuple[Line, ...]
    pieces: tuple[Piece, ...]
    cores: tuple[tuple[Line, ...], ...]
    doubtful: int
    rails: Rails
    hidden: Hidden


class Rails:
    """All rails as polylines, four to a lane, over the samples of the lane's circuit."""

    def __init__(self, courses: Courses, lanes: Lanes) -> None:
        if courses.point.shape[1] > 2 and np.ptp(courses.point[:, 2]) > TOUCH:
            raise DesignError("the layout is curved and has no flat pattern", "give a flat layout")
        if courses.period:
            raise DesignError(
                "a strip goes round and has no pattern with ends",
                "give a grid of as many columns and rows",
                "layout.strip",
            )
        self.courses, self.lanes = courses, lanes
        point, lateral = courses.point[:, :2], courses.lateral[:, :2]
        at, aside = point[lanes.sample], lateral[lanes.sample]
        half = lanes.width / 2
        self.line = np.stack(
            [
                at + (lanes.offset - half)[:, None] * aside,
                at + (lanes.offset + half)[:, None] * aside,
                at + lanes.offset[:, None] * aside,
                at,
            ]
        )
        self.along = courses.along[lanes.sample]
        self.length = courses.length[lanes.circuit]
        base = np.concatenate([[0.0], np.cumsum(self.length + 1.0)])[:-1]
        self.base = base
        self.key = self.along + np.repeat(base, np.diff(lanes.start))

    def find(self, lane: Ints, s: Floats) -> tuple[Ints, Ints, Floats, Floats]:
        """Lane samples before and after places along circuits, the share between them, and how far apart they lie."""
        start, stop = self.lanes.start[lane], self.lanes.start[lane + 1]
        length = self.length[lane]
        wrapped = np.mod(s, length)
        low = np.clip(np.searchsorted(self.key, wrapped + self.base[lane], side="right") - 1, start, stop - 1)
        last = low + 1 == stop
        high = np.where(last, start, low + 1)
        run = np.maximum(np.where(last, length, self.along[high]) - self.along[low], 1e-12)
        return low, high, np.clip((wrapped - self.along[low]) / run, 0.0, 1.0), run

    def at(self, rail: Ints, s: Floats) -> Floats:
        """Points on rails, (..., 2); ``rail`` is ``4 * lane + kind``."""
        low, high, share, _ = self.find(rail >> 2, s)
        kind = rail & 3
        point: Floats = self.line[kind, low] * (1 - share)[..., None] + self.line[kind, high] * share[..., None]
        return point

    def stretch(self, rail: int, begin: float, end: float) -> Floats:
        """The part of a rail from one place to a later one, at most once round, (n, 2)."""
        lane, kind = rail >> 2, rail & 3
        start, stop = int(self.lanes.start[lane]), int(self.lanes.start[lane + 1])
        along, length = self.along[start:stop], float(self.length[lane])
        line = self.line[kind, start:stop]
        turn = np.floor(begin / length)
        begin, end = begin - turn * length, end - turn * length
        first = int(along.searchsorted(begin + TOUCH, "right"))
        last = int(along.searchsorted(min(end, length) - TOUCH, "left"))
        parts = [self._end(line, along, length, begin), line[first:last]]
        if end > length:
            # the round's last sample may lie so near its end, and the first at 0 is one and the same place
            parts += [line[last:], line[: int(along.searchsorted(end - length - TOUCH, "left"))]]
        parts.append(self._end(line, along, length, end % length))
        return np.concatenate(parts)

    @staticmethod
    def _end(line: Floats, along: Floats, length: float, s: float) -> Floats:
        """The point of a closed line at one place, (1, 2)."""
        low = max(int(along.searchsorted(s, "right")) - 1, 0)
        high = (low + 1) % len(along)
        run = (along[high] if high else length) - along[low]
        share = min(max((s - along[low]) / max(run, 1e-12), 0.0), 1.0)
        point: Floats = line[low : low + 1] * (1 - share) + line[high : high + 1] * share
        return point

    def loop(self, rail: int) -> Floats:
        """A rail all the way round, (n, 2)."""
        lane = rail >> 2
        whole: Floats = self.line[rail & 3, self.lanes.start[lane] : self.lanes.start[lane + 1]]
        return whole

    def ranges(self, rail: int) -> list[tuple[float, float]] | None:
        """Where a rail exists, as stretches along its circuit; None for all the way round."""
        lane, kind = rail >> 2, rail & 3
        if not self.lanes.paired[lane]:
            return [] if kind == TRUNK else None
        left = self.lanes.side[lane] == 0
        if kind == (LEFT if left else RIGHT):
            return None
        start, stop = int(self.lanes.start[lane]), int(self.lanes.start[lane + 1])
        whole = self.lanes.whole[start:stop]
        there = whole & left if kind == TRUNK else ~whole
        if there.all() or not there.any():
            return None if there.all() else []
        along, length = self.along[start:stop], float(self.length[lane])
        begins = np.flatnonzero(there & ~np.roll(there, 1))
        stops = np.flatnonzero(~there & np.roll(there, 1))
        found = []
        for begin in begins.tolist():
            after = stops[stops > begin]
            end = along[after[0]] if len(after) else along[stops[0]] + length
            found.append((float(along[begin]), float(end)))
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Hidden:
    """Where under strands are covered, a row a woven crossing; the second axis is the under strand's rail.

    Attributes
    ----------
    rail : (N, 3) int64
        The under strand's right edge, left edge and middle.
    begin, end : (N, 3) float64
        Where each is covered, as length along the under strand's circuit.
    over_rail : (N, 3, 2) int64
        The over strand's edge met at the beginning and at the end.
    over_at : (N, 3, 2) float64
        Where along the over strand's circuit.
    apart : (N, 3) float64
        How far from one another the lines are at the worse of both places; 0 where they cross as they should. mm.
    """

    rail: Ints
    begin: Floats
    end: Floats
    over_rail: Ints
    over_at: Floats
    apart: Floats


def crossing_rails(lanes: Lanes, footprints: Footprints) -> Ints:
    """The right, left and middle rail of both strands at each crossing, (N, 2, 3)."""
    lane, shared = footprints.lane, footprints.shared
    right_lane = np.where(shared, lanes.lane_of[lanes.circuit[lane], 1], lane)
    middle = 4 * lane + np.where(shared, TRUNK, MIDDLE)
    return np.stack([4 * right_lane + RIGHT, 4 * lane + LEFT, middle], -1)


def hidden_stretches(rails: Rails, footprints: Footprints, pass_one_over: Bools) -> Hidden:
    """Where over strands cover the rails of under strands."""
    count = len(footprints.lane)
    row = np.arange(count)
    under = np.where(pass_one_over, 0, 1)
    named = crossing_rails(rails.lanes, footprints)
    mine, other = named[row, under], named[row, 1 - under]
    # corner 0..3: edges of pass 0 and pass 1 (-1 right, 1 left) are (-1 -1), (-1 1), (1 1), (1 -1)
    corner = footprints.corner
    at = np.empty((count, 3, 2, 2))  # crossing, my rail, the other's edge, (mine, the other's)
    for number, (first, second) in enumerate(((0, 0), (0, 1), (1, 1), (1, 0))):
        own = np.where(under == 0, first, second)
        edge = np.where(under == 0, second, first)
        at[row, own, edge, 0] = corner[row, number, under]
        at[row, own, edge, 1] = corner[row, number, 1 - under]
    at[:, 2] = (at[:, 0] + at[:, 1]) / 2
    rail_u = np.broadcast_to(mine[:, :, None], (count, 3, 2))
    rail_o = np.broadcast_to(other[:, None, :2], (count, 3, 2))
    s, t, apart = _meet(rails, rail_u, rail_o, at[..., 0], at[..., 1])
    order = np.argsort(s, axis=2)
    s, t = np.take_along_axis(s, order, 2), np.take_along_axis(t, order, 2)
    return Hidden(mine, s[..., 0], s[..., 1], np.take_along_axis(rail_o, order, 2), t, apart.max(2, initial=0.0))


def _meet(rails: Rails, one: Ints, two: Ints, s: Floats, t: Floats) -> tuple[Floats, Floats, Floats]:
    """Where pairs of rails cross, from places near by: by Newton's method on the polylines, so exactly."""
    s, t = s.copy(), t.copy()
    apart = np.zeros(s.shape)
    for _ in range(12):
        p, u = _point_and_direction(rails, one, s)
        q, v = _point_and_direction(rails, two, t)
        d = q - p
        apart = np.hypot(d[..., 0], d[..., 1])
        if (apart < ALIGNED / 100).all():
            break
        cross = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
        cross = np.where(np.abs(cross) < 0.02, np.where(cross < 0, -0.02, 0.02), cross)
        ahead = (d[..., 0] * v[..., 1] - d[..., 1] * v[..., 0]) / cross
        aside = (d[..., 0] * u[..., 1] - d[..., 1] * u[..., 0]) / cross
        moves = apart >= ALIGNED / 100
        s = np.where(moves, s + ahead, s)
        t = np.where(moves, t + aside, t)
    return s, t, apart


def _point_and_direction(rails: Rails, rail: Ints, s: Floats) -> tuple[Floats, Floats]:
    low, high, share, run = rails.find(rail >> 2, s)
    a, b = rails.line[rail & 3, low], rails.line[rail & 3, high]
    return a + (b - a) * share[..., None], (b - a) / run[..., None]


def seen_stretches(
    rail: int, rails: Rails, covers: list[tuple[float, float, int]], *, all_round: bool = False
) -> tuple[list[Seen], bool]:
    """The visible stretches of a rail; also whether it is seen all the way round.

    Parameters
    ----------
    covers : list of (begin, end, crossing)
        What hides the rail.
    all_round : bool
        Whether to take the rail to exist along whole strand too.
    """
    length = float(rails.length[rail >> 2])
    ranges = None if all_round else rails.ranges(rail)
    if ranges is None:
        if not covers:
            return [], True
        first, crossing = min((begin % length, crossing) for begin, _, crossing in covers)
        spans = [(first, first + length, NOTHING, Owner(crossing, -1))]
    else:
        spans = [
            (a, b, Owner(-1, _sample_at(rails, rail, a)), Owner(-1, _sample_at(rails, rail, b))) for a, b in ranges
        ]
    seen = []
    for a, b, before, after in spans:
        placed = []
        for begin, end, crossing in covers:
            low = a + (begin - a) % length
            for shift in (low - length, low):
                if shift < b and shift + end - begin > a:
                    placed.append((shift, shift + end - begin, crossing))
        place, owner = a, before
        for low, high, crossing in sorted(placed):
            if low > place + TOUCH:
                seen.append(Seen(rail, place, low, owner, Owner(crossing, -1)))
            if high > place:
                place, owner = high, Owner(crossing, -1)
        if b > place + TOUCH:
            seen.append(Seen(rail, place, b, owner, after))
    return seen, False


def _sample_at(rails: Rails, rail: int, s: float) -> int:
    low, high, share, _ = rails.find(np.array([rail >> 2]), np.array([s]))
    return int(rails.lanes.sample[high[0] if share[0] > 0.5 else low[0]])


def visible(counted: Counted, drawn: Drawn) -> Visible:
    """The visible line work of a design.

    Raises
    ------
    DesignError
        The layout is curved.
    """
    lanes = drawn.lanes
    rails = Rails(drawn.courses, lanes)
    hidden = hidden_stretches(rails, drawn.footprints, counted.weaving.pass_one_over)
    covers: list[list[tuple[float, float, int]]] = [[] for _ in range(4 * len(lanes.circuit))]
    for crossing, (names, begins, ends) in enumerate(
        zip(hidden.rail.tolist(), hidden.begin.tolist(), hidden.end.tolist(), strict=True)
    ):
        for rail, begin, end in zip(names, begins, ends, strict=True):
            covers[rail].append((begin, end, crossing))

    seen: list[list[Seen]] = []
    loops: list[bool] = []
    for rail in range(len(covers)):
        stretches, loop = seen_stretches(rail, rails, covers[rail])
        seen.append(stretches)
        loops.append(loop)

    edges, incised = [], []
    groove = counted.design.strand.section is Section.MEDIAN_INCISED
    for lane, (circuit, paired, side) in enumerate(
        zip(lanes.circuit.tolist(), lanes.paired.tolist(), lanes.side.tolist(), strict=True)
    ):
        shut = paired and counted.own.get(circuit, counted.size).gap <= TOUCH
        for kind in (RIGHT, LEFT):
            inner = paired and kind == (RIGHT if side == 0 else LEFT)
            if not (shut and inner):
                edges += _lines(rails, 4 * lane + kind, seen, loops)
        if groove:
            for kind in (MIDDLE, TRUNK):
                incised += _lines(rails, 4 * lane + kind, seen, loops)
        if shut and side == 0:
            incised += _either(rails, 4 * lane + RIGHT, 4 * int(lanes.lane_of[circuit, 1]) + LEFT, seen, loops)

    cores = tuple(_core(rails, lane, covers_of) for lane, covers_of in enumerate(_middles(rails, hidden, covers)))
    pieces, doubtful = _pieces(rails, hidden, seen, loops)
    return Visible(tuple(edges), tuple(incised), tuple(pieces), cores, doubtful, rails, hidden)


def _middles(
    rails: Rails, hidden: Hidden, covers: list[list[tuple[float, float, int]]]
) -> list[list[tuple[float, float, int]]]:
    """What covers the middle of each lane, all the way round."""
    lanes = rails.lanes
    middles = [list(covers[4 * lane + MIDDLE]) for lane in range(len(lanes.circuit))]
    for crossing in np.flatnonzero(hidden.rail[:, 2] & 3 == TRUNK).tolist():
        circuit = lanes.circuit[hidden.rail[crossing, 2] >> 2]
        for lane, share in zip(lanes.lane_of[circuit].tolist(), (0.75, 0.25), strict=True):
            begin, end = (
                float(edge[crossing, RIGHT] + share * (edge[crossing, LEFT] - edge[crossing, RIGHT]))
                for edge in (hidden.begin, hidden.end)
            )
            middles[lane].append((begin, end, crossing))
    return middles


def _core(rails: Rails, lane: int, covers: list[tuple[float, float, int]]) -> tuple[Line, ...]:
    rail = 4 * lane + MIDDLE
    stretches, loop = seen_stretches(rail, rails, covers, all_round=True)
    if loop:
        return (Line(rails.loop(rail), True),)
    return tuple(Line(rails.stretch(rail, part.begin, part.end), False) for part in stretches)


def _lines(rails: Rails, rail: int, seen: list[list[Seen]], loops: list[bool]) -> list[Line]:
    if loops[rail]:
        return [Line(rails.loop(rail), True)]
    return [Line(rails.stretch(rail, part.begin, part.end), False) for part in seen[rail]]


def _either(rails: Rails, one: int, two: int, seen: list[list[Seen]], loops: list[bool]) -> list[Line]:
    """Where either of two rails that run on one another is seen."""
    if loops[one] or loops[two]:
        return [Line(rails.loop(one), True)]
    length = float(rails.length[one >> 2])
    parts = sorted(
        (part.begin + turn * length, part.end + turn * length)
        for part in (*seen[one], *seen[two])
        for turn in (-1, 0, 1)
    )
    merged: list[tuple[float, float]] = []
    for begin, end in parts:
        if merged and begin <= merged[-1][1] + TOUCH:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((begin, end))
    if any(end - begin >= length for begin, end in merged):
        return [Line(rails.loop(one), True)]
    return [Line(rails.stretch(one, a, b), False) for a, b in merged if -TOUCH <= a < length - TOUCH]


# ------------------------------------------------------------------------------------------------- closed outlines


def _pieces(rails: Rails, hidden: Hidden, seen: list[list[Seen]], loops: list[bool]) -> tuple[list[Piece], int]:
    """Walk round every visible piece of strand."""
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
