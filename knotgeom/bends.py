"""Where the strands are led through: their crossings, and the bends past walls and round the outside.

A bend is drawn in the plane, or on a curved surface in the plane that touches it there, and brought back to the
surface. What comes out are *knots of the curve*, a place and a direction each; :mod:`.course` runs pieces between them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from .design import Design, Sizes, Turn
from .fair import turn_between
from .layout import ALONG, CROSSING, Layout
from .layout.assemble import LOOP
from .layout.surfaces import Surface, unit
from .mesh import Floats, Ints
from .trace import Circuits

STAND_OFF = 0.42
"""How far strands stand back from a wall or a break, in backgrounds, beyond half their width. Half a background would
keep it exact between two bends that face each other across a break; this keeps it within 16 %, and gives the strands
that cross beside a bend a quarter more room to climb."""
RIM = 0.3
"""The same from the layout's boundary, where no strand faces another: more room still, and larger openings along it."""
CORNER = 0.2
"""The same for the tips of pointed corners of the layout."""


LEVEL = 0.9
"""Length of the mean normal of a run of walls from which on all of it is seen flat at once."""
FAR = 20.0
"""How many times as far as walls stand apart their lines may meet, for a strand to be led to there."""


@dataclass(slots=True)
class Knots:
    """Points that the curve is led through, in order along the circuits, while they are being set."""

    point: list[tuple[float, ...]]
    into: list[tuple[float, ...]]
    out: list[tuple[float, ...]]
    bend: list[float]  # curvature; NaN at a crossing, filled in when both its sides are known
    straight: list[bool]  # whether the piece leading here is a straight line
    visit: list[int]


@dataclass(frozen=True, slots=True, eq=False)
class _Darts:
    """What the circuits' darts meet: sites, their directions and their walls, one row a dart, in layout coordinates."""

    crossing: Ints
    outside: Ints
    site: Floats  # place of the edge that the dart arrives at
    heading: Floats  # direction of the strand there, zero at breaks
    wall: Floats  # direction of the wall there, as the strand runs along it
    side: Floats  # from the wall to the strand
    up: Floats
    rim: Floats  # the vertex that the dart goes round
    visit: Ints
    boundary: Ints
    pitch: Floats
    forward: Ints


def _darts(layout: Layout, circuits: Circuits) -> _Darts:
    previous = np.empty_like(layout.next_half)
    previous[layout.next_half] = np.arange(len(previous))
    corner = circuits.darts >> 1
    arrives = np.where(circuits.darts & 1 == 0, corner, previous[corner])
    edge = arrives >> 1
    heading = np.zeros((len(edge), 3))
    ahead = layout.heading[circuits.visit_edge, circuits.visit_pass]
    heading[circuits.visit_dart] = np.where(circuits.visit_forward[:, None], ahead, -ahead)
    along = (layout.state[edge] == ALONG)[:, None]
    forward = circuits.darts & 1 == 0
    up = layout.up[edge]
    half = np.where(arrives & 1 == 0, 1.0, -1.0)[:, None] * layout.forth[edge]
    left = np.cross(up, half)
    # A break along an edge keeps the strand in its face, to the left of the half-edge; one across it keeps the strand
    # round its vertex, going over to the right of the half-edge.
    sense = np.where(forward, 1.0, -1.0)[:, None]
    visit_of = np.full(len(edge), -1)
    visit_of[circuits.visit_dart] = np.arange(len(circuits.visit_dart))
    return _Darts(
        crossing=layout.state[edge] == CROSSING,
        outside=layout.outside[corner],
        site=layout.middle[edge],
        heading=heading,
        wall=np.where(along, sense * half, -left),
        side=np.where(along, left, -sense * half),
        up=up,
        rim=layout.points[layout.origin[corner]],
        visit=visit_of,
        boundary=layout.boundary[edge],
        pitch=layout.pitch[edge],
        forward=forward,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Chart:
    """A piece of the layout seen flat: the plane itself, or the plane that touches a curved surface."""

    origin: Floats
    axes: Floats  # (2, 3)
    surface: Surface | None

    def flat(self, points: Floats) -> Floats:
        """Places on the chart, (n, 2)."""
        seen: Floats = (points - self.origin) @ self.axes.T
        return seen

    def flat_ways(self, ways: Floats) -> Floats:
        """Directions on the chart, (n, 2)."""
        seen: Floats = unit(ways @ self.axes.T)
        return seen

    def lift(self, knots: Knots, begin: int) -> None:
        """Bring the knots set since ``begin`` from the chart back to where they belong."""
        if self.surface is None:
            return
        for name in ("point", "into", "out"):
            rows: list[tuple[float, ...]] = getattr(knots, name)
            part = np.array(rows[begin:]).reshape(-1, 2) @ self.axes
            if name == "point":
                foot, up = self.surface.project(part + self.origin)
                part = foot
            else:
                part = unit(part - np.einsum("nd,nd->n", part, up)[:, None] * up)
            rows[begin:] = [tuple(row) for row in part.tolist()]


_PLANE = _Chart(np.zeros(3), np.eye(3)[:2], None)


def _chart(layout: Layout, points: Floats, up: Floats) -> _Chart:
    if layout.surface is None:
        return _PLANE
    normal = unit(up.sum(0) + 1e-9 * up[0])  # all round a closed form: any side of it will do
    side = np.cross(normal, [0.0, 0.0, 1.0] if abs(normal[2]) < 0.9 else [1.0, 0.0, 0.0])
    side /= np.linalg.norm(side)
    return _Chart(points.mean(0), np.stack([side, np.cross(normal, side)]), layout.surface)


def set_knots(
    design: Design, layout: Layout, circuits: Circuits, size: Sizes, own: Mapping[int, Sizes]
) -> tuple[Knots, list[int], Floats]:
    """The knots of all circuits, where each circuit begins among them, and by how much it ends further on in x, mm."""
    darts = _darts(layout, circuits)
    knots = Knots([], [], [], [], [], [])
    first = []
    lap = np.zeros(circuits.count)
    plane = layout.surface is None
    site, heading = (darts.site[:, :2], darts.heading[:, :2]) if plane else (darts.site, darts.heading)
    points, ways = site.tolist(), heading.tolist()
    crossing, outside = darts.crossing.tolist(), darts.outside.tolist()
    for circuit in range(circuits.count):
        begin, end = int(circuits.dart_start[circuit]), int(circuits.dart_start[circuit + 1])
        first.append(len(knots.point))
        mine = own.get(circuit, size)
        run: list[int] = []  # darts since the last crossing that met a wall or went round the outside
        last: int | None = end - 1 if crossing[end - 1] else None
        last_x = float(darts.site[begin, 0])  # x of the last site met, running on round a strip
        for dart in range(begin, end):
            if outside[dart] or not crossing[dart]:
                run.append(dart)
            if not crossing[dart]:
                continue
            shift = 0.0
            if layout.period:
                last_x += _short(points[dart][0] - last_x, layout.period)
                shift = last_x - points[dart][0]
            if run:
                _bend(knots, design, mine, layout, darts, run, last, dart, shift)
                run = []
            place = tuple(points[dart]) if not shift else (points[dart][0] + shift, points[dart][1])
            _add(knots, place, ways[dart], ways[dart], float("nan"), visit=int(darts.visit[dart]))
            last = dart
        if run:  # a loop without a crossing
            _bend(knots, design, mine, layout, darts, run, None, None, 0.0)
        if layout.period and len(knots.point) > first[-1]:
            lap[circuit] = _lap(darts.site[begin:end, 0], layout.period)
    first.append(len(knots.point))
    return knots, first, lap


def _short(step: float, period: float) -> float:
    return step - period * round(step / period)


def _lap(x: Floats, period: float) -> float:
    """How far round a strip a circuit runs until it is back: the sum of its steps."""
    step = np.roll(x, -1) - x
    return float(np.round((step - period * np.round(step / period)).sum() / period) * period)


def _add(
    knots: Knots,
    point: tuple[float, ...] | Floats,
    into: tuple[float, ...] | Floats,
    out: tuple[float, ...] | Floats,
    bend: float,
    *,
    straight: bool = False,
    visit: int = -1,
) -> None:
    knots.point.append(tuple(map(float, point)))
    knots.into.append(tuple(map(float, into)))
    knots.out.append(tuple(map(float, out)))
    knots.bend.append(bend)
    knots.straight.append(straight)
    knots.visit.append(visit)


def _bend(
    knots: Knots,
    design: Design,
    size: Sizes,
    layout: Layout,
    darts: _Darts,
    run: list[int],
    last: int | None,
    after: int | None,
    shift: float,
) -> None:
    """Lead a strand past walls, or round outside the boundary, from the crossing before them to the one after.

    ``shift`` is how far in x the crossing after lies from where the layout has it, on a strip.
    """
    met = [dart for dart in run if not darts.outside[dart] and not darts.crossing[dart]]
    around = [dart for dart in run if darts.outside[dart]]
    ends = [dart for dart in (last, after) if dart is not None]
    places = np.concatenate([darts.site[met + ends], darts.rim[around]])
    if layout.period:  # lay everything out beside the crossing after, or beside the first wall
        anchor = darts.site[after, 0] + shift if after is not None else places[0, 0]
        order = _in_walk(met, around, last, after)
        x = anchor
        for row in order[::-1]:
            x += _short(places[row, 0] - x, layout.period)
            places[row, 0] = x
    if not around and layout.surface is not None and np.linalg.norm(darts.up[run + ends].mean(0)) < LEVEL:
        _far_round(knots, design, size, layout, darts, met, last, after)
        return
    chart = _chart(layout, places, darts.up[run + ends])
    flat = chart.flat(places)
    at, flat_ends, rims = flat[: len(met)], flat[len(met) : len(met) + len(ends)], flat[len(met) + len(ends) :]
    begin = len(knots.point)
    if around:
        _outside(knots, size, darts, around, rims, flat_ends)
    if met:
        wall = chart.flat_ways(darts.wall[met])
        before_at = flat_ends[0] if last is not None else None
        after_at = flat_ends[-1] if after is not None else None
        # both inside and outside in one run happens only where a boundary is crossed in places
        side = chart.flat_ways(darts.side[met])
        _walls(knots, design, size, darts, met, at, wall, side, before_at, after_at)
    chart.lift(knots, begin)


def _far_round(
    knots: Knots,
    design: Design,
    size: Sizes,
    layout: Layout,
    darts: _Darts,
    met: list[int],
    last: int | None,
    after: int | None,
) -> None:
    """Lead a strand past walls that lie far round a curved surface, as round a ball: each pocket seen flat by itself.

    A pocket is what lies on one hand; the walls before and after it, which it leads to, are seen with it.
    """
    hand = np.einsum("nd,nd->n", np.cross(darts.wall[met], darts.side[met]), darts.up[met]) > 0
    changes = np.flatnonzero(hand != np.roll(hand, 1))
    loop = last is None and len(changes) > 0
    if loop:  # begin where a pocket begins
        met, hand = np.roll(met, -changes[0]).tolist(), np.roll(hand, -changes[0])
    for pocket in np.split(np.arange(len(met)), np.flatnonzero(hand[1:] != hand[:-1]) + 1):
        mine = [met[k] for k in pocket]
        begin, end = int(pocket[0]), int(pocket[-1]) + 1
        come = met[begin - 1 : begin] if begin or not loop else met[-1:]
        go = met[end : end + 1] if end < len(met) or not loop else met[:1]
        chart = _chart(layout, darts.site[mine], darts.up[mine])
        seen = [*come, *mine, *go]
        ends = [chart.flat(darts.site[[dart]])[0] if dart is not None else None for dart in (last, after)]
        if loop:
            ends = [chart.flat(darts.site[[dart]])[0] for dart in (come[0], go[0])]
        first = len(knots.point)
        wall, side = chart.flat_ways(darts.wall[seen]), chart.flat_ways(darts.side[seen])
        keep = range(len(come), len(come) + len(mine))
        _walls(knots, design, size, darts, seen, chart.flat(darts.site[seen]), wall, side, ends[0], ends[1], keep)
        chart.lift(knots, first)


def _in_walk(met: list[int], around: list[int], last: int | None, after: int | None) -> list[int]:
    """Rows of the places of a run in the order in which the strand comes to them."""
    row = {("met", dart): number for number, dart in enumerate(met)}
    ends = len(met)
    result = []
    if last is not None:
        result.append(ends)
    for dart in sorted({*met, *around}):
        if ("met", dart) in row:
            result.append(row["met", dart])
        if dart in around:
            result.append(ends + (last is not None) + (after is not None) + around.index(dart))
    if after is not None:
        result.append(ends + (last is not None))
    return result


def _outside(knots: Knots, size: Sizes, darts: _Darts, around: list[int], rims: Floats, ends: Floats) -> None:
    """Lead a strand round outside the boundary, past one vertex after another."""
    come, go = ends[0], ends[-1]
    line = np.vstack([come[None], rims, go[None]])
    for i, dart in enumerate(around):
        tau = line[i + 2] - line[i]
        if np.linalg.norm(tau) < 1e-9:  # a single crossed edge whose two ends are one vertex's neighbours
            tau = np.array([-(rims[i] - come)[1], (rims[i] - come)[0]])
        tau = tau / np.linalg.norm(tau)
        # forward darts have their vertex on the right and the outside on the left: see layout.halfedge
        left = 1.0 if darts.forward[dart] else -1.0
        outward = left * np.array([-tau[1], tau[0]])
        pitch = float(darts.pitch[dart])
        stand = size.width / 2 + RIM * max(pitch - size.width, 0.0)
        reach = max(LOOP * pitch - stand, 0.25 * size.width)
        spread = float(np.linalg.norm(line[i + 2] - line[i]))
        deep = abs(float((rims[i] - (line[i] + line[i + 2]) / 2) @ outward))  # round a corner: how far it stands out
        _add(
            knots,
            rims[i] + reach * outward,
            tau,
            tau,
            -left * 2.0 / max(spread + deep, 1e-9) if deep > 0.2 * spread else 0.0,
        )


def _walls(
    knots: Knots,
    design: Design,
    size: Sizes,
    darts: _Darts,
    met: list[int],
    at: Floats,
    tau: Floats,
    side: Floats,
    before: Floats | None,
    after: Floats | None,
    keep: range | None = None,
) -> None:
    """Lead a strand past one wall after another.

    ``tau`` is the direction along each wall in which the strand runs, ``side`` the one from the wall to the strand;
    ``keep`` are the walls that knots are set at, all where left out.
    """
    loop = before is None or after is None
    count = len(met)
    hand = np.where(tau[:, 0] * side[:, 1] > tau[:, 1] * side[:, 0], 1.0, -1.0)  # +1 turns left
    normal = hand[:, None] * np.stack([-tau[:, 1], tau[:, 0]], 1)
    boundary = darts.boundary[met]
    pitch = darts.pitch[met]
    background = np.maximum(pitch - size.width, 0.0)

    if loop and count > 1:  # begin a loop where a pocket begins, so that no group straddles its ends
        changes = np.flatnonzero(hand != np.roll(hand, 1))
        if len(changes):
            shift = int(changes[0])
            at, tau, normal = (np.roll(a, -shift, axis=0) for a in (at, tau, normal))
            hand, boundary, background = (np.roll(a, -shift) for a in (hand, boundary, background))
            pitch = np.roll(pitch, -shift)
    groups: list[list[int]] = []
    for i in range(count):
        if groups and hand[groups[-1][-1]] == hand[i]:
            groups[-1].append(i)
        else:
            groups.append([i])
    whole_loop = loop and len(groups) == 1

    stand = size.width / 2 + np.where(boundary, RIM, STAND_OFF) * background
    for group in groups:
        if len(group) > 2:  # a pocket of three walls or more is narrow: stand nearer, as far as even ground allows
            stand[group] = np.minimum(stand[group], size.width / 2 + 0.3 * background[group])
            for k in range(len(group) if whole_loop else len(group) - 2):
                i, j = group[k], group[(k + 2) % len(group)]
                across = _facing(at[j] - at[i], normal[i], normal[j])
                if across > 1e-9:  # a strand too wide for its pocket goes nearer still before its inside edge folds
                    near = max(across / 2 - 0.62 * size.width, size.width / 2)
                    stand[group] = np.minimum(stand[group], near)
    for i in range(count if loop and not whole_loop else count - 1):
        j = (i + 1) % count
        if hand[i] != hand[j]:  # a corridor between two walls
            room = _facing(at[j] - at[i], normal[i], normal[j])
            stand[i], stand[j] = min(stand[i], room / 2), min(stand[j], room / 2)
    for i, j in ((group[0], group[1]) for group in groups if len(group) == 2 and not whole_loop):
        if design.strand.turns.corners is Turn.POINTED and boundary[i] and boundary[j]:
            # A mitre needs a straight reach on both sides. Nothing faces a corner of the layout from outside, so its
            # tip goes further out, and the bends before it keep their room.
            near = size.width / 2 + CORNER * float(background[[i, j]].min())
            stand[i], stand[j] = min(stand[i], near), min(stand[j], near)
    foot = at + stand[:, None] * normal

    for group in groups if keep is None else [group for group in groups if group[0] in keep]:
        turn = float(hand[group[0]])
        if len(group) == 1:
            i = group[0]
            pointed = design.strand.turns.borders if boundary[i] else design.strand.turns.breaks
            alone = count == 1 and not loop
            if pointed is Turn.POINTED and alone:
                assert before is not None
                _pointed_bend(knots, size, float(background[i]), before, at[i], tau[i], normal[i], bool(boundary[i]))
            else:
                _add(knots, foot[i], tau[i], tau[i], 0.0)
            continue
        joints = len(group) if whole_loop else len(group) - 1
        tip = np.array(
            [
                _meet(
                    foot[group[k]], tau[group[k]], foot[group[(k + 1) % len(group)]], tau[group[(k + 1) % len(group)]]
                )
                for k in range(joints)
            ]
        )
        if len(group) == 2 and not whole_loop:
            i, j = group
            both = boundary[i] and boundary[j]
            pointed = design.strand.turns.corners if both else design.strand.turns.breaks
            half = abs(turn_between(tau[i], tau[j])) / 2
            if np.cos(half) < 1 / FAR:  # walls side by side, run along one after the other: round the end between
                across = foot[j] - foot[i]
                apart = max(float(np.linalg.norm(across)), 1e-9)
                _add(knots, tip[0], across / apart, across / apart, 2 * turn / apart)
            elif pointed is Turn.POINTED:
                # both edges are sharp where the mitre falls on straight pieces
                reach = 0.5 * size.width * np.tan(half) * 1.02
                _add(knots, tip[0] - reach * tau[i], tau[i], tau[i], 0.0)
                _add(knots, tip[0], tau[i], tau[j], 0.0, straight=True)
                _add(knots, tip[0] + reach * tau[j], tau[j], tau[j], 0.0, straight=True)
            else:
                radius = max(0.755 * size.width, 0.48 * float(pitch[[i, j]].min()))
                inward = normal[i] + normal[j]
                inward /= np.linalg.norm(inward)
                middle = tip[0] + inward * radius * (1 / np.cos(half) - 1)
                along = tau[i] + tau[j]
                along /= np.linalg.norm(along)
                _add(knots, middle, along, along, turn / radius)
            continue
        # a pocket or a loop: round, as wide as it can be
        if whole_loop:
            stretch = np.linalg.norm(tip - np.roll(tip, 1, axis=0), axis=1)
            radius = float(stretch.min()) / 2
            for k in range(len(group)):
                middle = (tip[k] + tip[k - 1]) / 2
                _add(knots, middle, tau[group[k]], tau[group[k]], turn / max(radius, 1e-9))
            continue
        stretch = np.linalg.norm(np.diff(tip, axis=0), axis=1)
        radius = max(float(stretch.min()) / 2, 1e-9)
        _add(knots, tip[0] - radius * tau[group[0]], tau[group[0]], tau[group[0]], turn / radius)
        for k in range(1, len(group) - 1):
            middle = (tip[k - 1] + tip[k]) / 2
            _add(knots, middle, tau[group[k]], tau[group[k]], turn / radius)
        _add(knots, tip[-1] + radius * tau[group[-1]], tau[group[-1]], tau[group[-1]], turn / radius)


def _facing(way: Floats, one: Floats, other: Floats) -> float:
    """How far apart two walls stand, as seen from both alike, so that a strand looks the same walked the other way."""
    return (abs(float(way @ one)) + abs(float(way @ other))) / 2


def _pointed_bend(
    knots: Knots,
    size: Sizes,
    background: float,
    come_from: Floats,
    at: Floats,
    tau: Floats,
    normal: Floats,
    boundary: bool,
) -> None:
    """A V-bend at a single wall: its tip stands off by 0.4 of the background, outside the mitre.

    At the layout's boundary nothing faces it, so it goes further out there and can be sharper.
    """
    near, sharp = (CORNER, 0.8) if boundary else (0.4, 0.6)
    run = abs(float((at - come_from) @ tau))
    high = float((come_from - at) @ normal)
    slant = 0.0
    for _ in range(8):
        stand = near * background + 0.5 * size.width / np.cos(slant)
        slant = sharp * float(np.arctan2(max(high - stand, 0.0), run))
    tip = at + stand * normal
    down, up = np.cos(slant) * tau - np.sin(slant) * normal, np.cos(slant) * tau + np.sin(slant) * normal
    reach = 0.5 * size.width * np.tan(slant) * 1.02 + 0.02 * size.width
    _add(knots, tip - reach * down, down, down, 0.0)
    _add(knots, tip, down, up, 0.0, straight=True)
    _add(knots, tip + reach * up, up, up, 0.0, straight=True)


def _meet(p: Floats, u: Floats, q: Floats, v: Floats) -> Floats:
    """Where the line through p along u meets the one through q along v.

    Walls that run side by side, or all but, meet nowhere near: the strand then turns half-way between them.
    """
    cross = float(u[0] * v[1] - u[1] * v[0])
    d = q - p
    along = float(d[0] * v[1] - d[1] * v[0])
    apart = float(np.linalg.norm(d))
    if abs(along) > FAR * apart * abs(cross):
        middle: Floats = (p + q) / 2 + (u - v) * apart / 4
        return middle
    met: Floats = p + u * (along / cross) if cross else p
    return met
