"""Plan curves: how a good hand draws the strands between their crossings.

Every strand passes through its crossings at the layout's angle and stands back from walls and breaks by half the pitch
(half its width and half the background), so that the background keeps its width there. Between such *knots of the
curve* run quintic pieces with given position, direction and curvature at both ends: the whole curve is
curvature-continuous, each piece depends only on its neighbours, and all are made at once.

A bend that begins at a crossing needs room: the curvature that it has there is shared with the straight step beyond,
which bows by less than a fiftieth of a cell. (Without that share a plain border bend would have half the radius.)
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from types import MappingProxyType

import numpy as np

from .design import Design, Sizes, Turn
from .layout import ALONG, CROSSING, Layout
from .layout.assemble import LOOP
from .layout.surfaces import Facets, Surface, unit
from .mesh import Floats, Ints
from .trace import Circuits

NONE_OWN: Mapping[int, Sizes] = MappingProxyType({})
STAND_OFF = 0.42
"""How far strands stand back from a wall or a break, in backgrounds, beyond half their width. Half a background would
keep it exact between two bends that face each other across a break; this keeps it within 16 %, and gives the strands
that cross beside a bend a quarter more room to climb."""
RIM = 0.3
"""The same from the layout's boundary, where no strand faces another: more room still, and larger openings along it."""
ROOM = 20.0
"""How large a cylinder a flat strip is swept on, at least, in thicknesses and separations."""
CORNER = 0.2
"""The same for the tips of pointed corners of the layout."""


@dataclass(frozen=True, slots=True, eq=False)
class Courses:
    """The centre lines of all circuits as dense samples, one circuit after another, each closed.

    Attributes
    ----------
    start : (C + 1,) int64
        Where each circuit begins among the samples.
    point : (n, 2) float64
        mm, layout coordinates; (n, 3) where the layout lies on a curved surface. Along a strip x runs on from one
        round to the next.
    lateral : (n, 2) float64
        Unit normal to the left, (n, 3) on a surface; at a pointed turn the mitre, longer than 1.
    curvature : (n,) float64
        1/mm, positive to the left; at a pointed turn 0.
    pointed : (n,) bool
        Samples at the tip of a pointed turn.
    along : (n,) float64
        Length from the circuit's beginning.
    length : (C,) float64
    visit_along : (V,) float64
        Where along its circuit each visit lies.
    run_bent : (V,) bool
        Whether the run that leads to a visit is turned by a break or the boundary.
    lap : (C,) float64
        How much further in x a circuit ends than it began, mm: whole rounds of a strip.
    period : float
        Length of a round, mm; 0 for a layout that is no strip.
    roll : float
        Radius, mm, of the cylinder that a strip is swept on: its own, or for a flat strip one that leaves room.
    lift : Lift or None
        How the surface lies along the strands; None in the plane.
    """

    start: Ints
    point: Floats
    lateral: Floats
    curvature: Floats
    pointed: Ints
    along: Floats
    length: Floats
    visit_along: Floats
    run_bent: Ints
    lap: Floats
    period: float = 0.0
    roll: float = 0.0
    lift: Lift | None = None

    def near(self, vectors: Floats) -> Floats:
        """Differences between places, the short way round a strip."""
        if not self.period:
            return vectors
        vectors = vectors.copy()
        vectors[..., 0] -= self.period * np.round(vectors[..., 0] / self.period)
        return vectors


@dataclass(frozen=True, slots=True, eq=False)
class Lift:
    """The surface along the strands, at every sample of the courses.

    Attributes
    ----------
    up : (n, 3) float64
        Unit normal.
    bow : (n,) float64
        How much the surface bends across the strand, 1/mm; positive where it falls away to both sides.
    twist : (n,) float64
        How much it turns along the strand for a step across it, 1/mm.
    slope : (n,) float64
        How much it bends along the strand, 1/mm.
    """

    up: Floats
    bow: Floats
    twist: Floats
    slope: Floats


@dataclass(slots=True)
class _Knots:
    """Points that the curve is led through, in order along the circuits, while they are being set."""

    point: list[tuple[float, ...]]
    into: list[tuple[float, ...]]
    out: list[tuple[float, ...]]
    bend: list[float]  # curvature; NaN at a crossing, filled in when both its sides are known
    wish: list[float]  # curvature that the piece before would like at its end
    lead: list[float]  # and the one that the piece before had at its beginning
    straight: list[bool]  # whether the piece leading here is a straight line
    visit: list[int]


def _turn(into: Floats, out: Floats) -> float:
    """Signed angle from one direction to another."""
    return float(np.arctan2(into[0] * out[1] - into[1] * out[0], into @ out))


def plan_courses(
    design: Design,
    layout: Layout,
    circuits: Circuits,
    size: Sizes,
    spacing: float,
    own: Mapping[int, Sizes] = NONE_OWN,
) -> Courses:
    """Draw the centre lines of all circuits.

    Parameters
    ----------
    spacing : float
        Greatest distance between samples in mm.
    own : mapping of int to Sizes
        Sizes of circuits that have a width of their own.
    """
    knots, first, lap = _set_knots(design, layout, circuits, size, own)
    courses = _sample(knots, first, lap, circuits, spacing, layout)
    if not layout.period:
        return courses
    roll = layout.period / (2 * math.pi)
    if getattr(design.layout, "surface", None) is None:
        roll = max(roll, ROOM * (size.thickness + size.separation))
    return replace(courses, roll=roll)


@dataclass(frozen=True, slots=True, eq=False)
class _Darts:
    """What the circuits' darts meet: sites, their directions and their walls, one row a dart, in layout coordinates."""

    crossing: Ints
    outside: Ints
    site: Floats  # place of the edge that the dart arrives at
    heading: Floats  # direction of the strand there, zero at breaks
    wall: Floats  # direction of the wall there
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
    along = layout.state[edge] == ALONG
    forth, up = layout.forth[edge], layout.up[edge]
    visit_of = np.full(len(edge), -1)
    visit_of[circuits.visit_dart] = np.arange(len(circuits.visit_dart))
    return _Darts(
        crossing=layout.state[edge] == CROSSING,
        outside=layout.outside[corner],
        site=layout.middle[edge],
        heading=heading,
        wall=np.where(along[:, None], forth, np.cross(up, forth)),
        up=up,
        rim=layout.points[layout.origin[corner]],
        visit=visit_of,
        boundary=layout.boundary[edge],
        pitch=layout.pitch[edge],
        forward=circuits.darts & 1 == 0,
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

    def lift(self, knots: _Knots, begin: int) -> None:
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
    normal = unit(up.sum(0))
    if np.linalg.norm(normal) < 0.5:  # all round a closed form: any side of it will do
        normal = up[0]
    side = np.cross(normal, [0.0, 0.0, 1.0] if abs(normal[2]) < 0.9 else [1.0, 0.0, 0.0])
    side /= np.linalg.norm(side)
    return _Chart(points.mean(0), np.stack([side, np.cross(normal, side)]), layout.surface)


def _set_knots(
    design: Design, layout: Layout, circuits: Circuits, size: Sizes, own: Mapping[int, Sizes]
) -> tuple[_Knots, list[int], Floats]:
    darts = _darts(layout, circuits)
    knots = _Knots([], [], [], [], [], [], [], [])
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
    knots: _Knots,
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
    knots.wish.append(0.0)
    knots.lead.append(0.0)
    knots.straight.append(straight)
    knots.visit.append(visit)


def _bend(
    knots: _Knots,
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
    chart = _chart(layout, places, darts.up[run + ends])
    flat = chart.flat(places)
    at, flat_ends, rims = flat[: len(met)], flat[len(met) : len(met) + len(ends)], flat[len(met) + len(ends) :]
    begin = len(knots.point)
    lap = np.zeros(2)
    if not ends and layout.period:
        lap[0] = _lap(darts.site[met, 0], layout.period)
    if around:
        _outside(knots, size, darts, around, rims, flat_ends, chart)
    if met:
        wall = chart.flat_ways(darts.wall[met])
        before_at = flat_ends[0] if last is not None else None
        after_at = flat_ends[-1] if after is not None else None
        # both inside and outside in one run happens only where a boundary is crossed in places
        _walls(knots, design, size, darts, met, at, wall, before_at, after_at, lap)
    chart.lift(knots, begin)


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


def _outside(
    knots: _Knots, size: Sizes, darts: _Darts, around: list[int], rims: Floats, ends: Floats, chart: _Chart
) -> None:
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
    knots: _Knots,
    design: Design,
    size: Sizes,
    darts: _Darts,
    met: list[int],
    at: Floats,
    wall: Floats,
    before: Floats | None,
    after: Floats | None,
    lap: Floats,
) -> None:
    """Lead a strand past one wall after another; a loop ends ``lap`` from where it began."""
    loop = before is None or after is None
    count = len(met)
    # which way the strand comes to and leaves each wall: towards its neighbours in the walk
    last = before if before is not None else at[-1] - lap
    following = after if after is not None else at[0] + lap
    come = at - np.vstack([last[None], at[:-1]])
    go = np.vstack([at[1:], following[None]]) - at
    tau = wall * np.sign(np.einsum("ij,ij->i", wall, come + go))[:, None]
    normal = go - come
    normal -= np.einsum("ij,ij->i", normal, tau)[:, None] * tau
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    hand = np.sign(tau[:, 0] * normal[:, 1] - tau[:, 1] * normal[:, 0])  # +1 turns left
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

    for group in groups:
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
            if pointed is Turn.POINTED:
                # both edges are sharp where the mitre falls on straight pieces
                reach = 0.5 * size.width * abs(np.tan(_turn(tau[i], tau[j]) / 2)) * 1.02
                _add(knots, tip[0] - reach * tau[i], tau[i], tau[i], 0.0)
                _add(knots, tip[0], tau[i], tau[j], 0.0, straight=True)
                _add(knots, tip[0] + reach * tau[j], tau[j], tau[j], 0.0, straight=True)
            else:
                radius = max(0.755 * size.width, 0.48 * float(pitch[[i, j]].min()))
                inward = normal[i] + normal[j]
                inward /= np.linalg.norm(inward)
                half = abs(_turn(tau[i], tau[j])) / 2
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
    knots: _Knots,
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
    """Where the line through p along u meets the one through q along v (never parallel here)."""
    cross = u[0] * v[1] - u[1] * v[0]
    d = q - p
    met: Floats = p + u * (d[0] * v[1] - d[1] * v[0]) / cross
    return met


def _sample(
    knots: _Knots, first: list[int], lap: Floats, circuits: Circuits, spacing: float, layout: Layout
) -> Courses:
    surface = layout.surface
    point, into, out = np.array(knots.point), np.array(knots.into), np.array(knots.out)
    bend, straight, visit = np.array(knots.bend), np.array(knots.straight, bool), np.array(knots.visit)
    total = len(point)
    starts = np.array(first[:-1])
    ends = np.array(first[1:])
    nxt = np.arange(total) + 1
    nxt[ends - 1] = starts
    before = np.empty(total, np.int64)
    before[nxt] = np.arange(total)
    up = np.zeros((total, 3)) if surface is None else surface.project(point)[1]

    goal = point[nxt]  # where each piece ends
    goal[ends - 1, 0] += lap
    arrive = into[nxt]
    if surface is None:
        seen_goal, seen_out, seen_arrive = goal - point, out, arrive
    else:  # each piece seen flat, in the plane that touches the surface half way along
        middle = unit(up + up[nxt])
        ahead = unit(out - np.einsum("nd,nd->n", out, middle)[:, None] * middle)
        axes = np.stack([ahead, np.cross(middle, ahead)], 1)
        seen_goal, seen_out, seen_arrive = (np.einsum("nkd,nd->nk", axes, v) for v in (goal - point, out, arrive))
        seen_out, seen_arrive = unit(seen_out), unit(seen_arrive)

    # --- curvature at the crossings: what the bends on either side ask for
    chord = np.linalg.norm(goal - point, axis=1)
    cross = seen_out[:, 0] * seen_arrive[:, 1] - seen_out[:, 1] * seen_arrive[:, 0]
    turned = np.arctan2(cross, np.einsum("ij,ij->i", seen_out, seen_arrive))
    turned = _unwound(turned, seen_goal, seen_out)
    half = np.where(np.abs(turned) > 1e-9, turned / 2, 1.0)
    arc = chord * np.where(np.abs(turned) > 1e-9, half / np.sin(half), 1.0)
    at_crossing = np.isnan(bend)
    to_bend = at_crossing & ~at_crossing[nxt] & ~straight[nxt]
    from_bend = at_crossing & ~at_crossing[before] & ~straight

    def fair(i: int, leaving: bool, end: float, known: float | None) -> tuple[float, float, float]:
        return _fair(np.zeros(2), seen_out[i], seen_goal[i], seen_arrive[i], end, leaving, known)

    # what each bend asks for, were it alone; where two meet at a crossing they share, or have none if they disagree
    asks_after, asks_before = np.zeros(total), np.zeros(total)
    for i in np.flatnonzero(to_bend).tolist():
        asks_after[i] = fair(i, True, bend[nxt[i]], None)[0]
    for i in np.flatnonzero(from_bend).tolist():
        asks_before[i] = fair(before[i], False, bend[before[i]], None)[0]
    both = to_bend & from_bend
    agree = asks_after * asks_before > 0
    shared = np.where(both, np.where(agree, (asks_after + asks_before) / 2, 0.0), asks_after + asks_before)
    # between two bends of a course that turns on, as round a ring, the crossing takes its part of the turning
    through = at_crossing & ~to_bend & ~from_bend & (turned * turned[before] > 1e-12)
    going_round = (turned + turned[before]) / np.maximum(arc + arc[before], 1e-12)
    bend = np.where(at_crossing, np.where(through, going_round, shared), bend)

    # --- one quintic per piece
    k, m = np.arange(total), nxt
    speed_0, speed_1 = arc.copy(), arc.copy()
    for i in np.flatnonzero(to_bend | from_bend[m]).tolist():
        leaving = bool(to_bend[i])
        b = m[i]
        if leaving and from_bend[b]:
            continue
        end, known = (bend[b], bend[i]) if leaving else (bend[i], bend[b])
        _, near, far = fair(i, leaving, end, known)
        speed_0[i], speed_1[i] = (near, far) if leaving else (far, near)
    line = straight[m] | ((np.abs(turned) < 1e-12) & (bend == 0) & (bend[m] == 0))
    speed_0, speed_1 = np.where(line, chord, speed_0), np.where(line, chord, speed_1)
    b0 = np.where(line, 0.0, bend)
    b1 = np.where(line, 0.0, bend[m])
    push_0 = _left_of(out, up) * (b0 * speed_0**2)[:, None]
    push_1 = _left_of(arrive, up[m]) * (b1 * speed_1**2)[:, None]
    if surface is not None:  # and as the surface itself bends
        span = (0.25 if isinstance(surface, Facets) else 1e-3) * float(np.median(chord))
        push_0 -= up * (_bending(surface, point, out, span) * speed_0**2)[:, None]
        push_1 -= up[m] * (_bending(surface, point[m], arrive, span) * speed_1**2)[:, None]
    control = np.stack([point, out * speed_0[:, None], push_0, goal, arrive * speed_1[:, None], push_1], 1)

    # --- samples: from each knot up to, not including, the next
    number = np.maximum(np.ceil(np.maximum(arc, (speed_0 + speed_1) / 2) / spacing).astype(np.int64), 2)
    tip = np.linalg.norm(into - out, axis=1) > 1e-9
    number[tip | tip[m]] = (
        1  # a straight piece beside a mitre: samples within it would put its inner edge past the mitre
    )
    piece = np.repeat(k, number)
    offset = np.cumsum(number) - number
    u = ((np.arange(len(piece)) - offset[piece]) / number[piece])[:, None]
    position, velocity, acceleration = (
        np.einsum("nk,nkd->nd", weights, control[piece]) for weights in _quintic_weights(u)
    )
    sample_up: Floats = np.zeros((len(piece), 3))
    if isinstance(surface, Facets):  # smooth through the knots rather than over the creases between facets
        share = u * u * (3 - 2 * u)
        sample_up = unit(up[piece] * (1 - share) + up[m][piece] * share)
        way = unit(velocity)
        sample_up = unit(sample_up - np.einsum("nd,nd->n", sample_up, way)[:, None] * way)
    elif surface is not None:
        position, sample_up = surface.project(position)
    if surface is not None:
        velocity = velocity - np.einsum("nd,nd->n", velocity, sample_up)[:, None] * sample_up
    speed = np.maximum(np.linalg.norm(velocity, axis=1), 1e-12)
    tangent = velocity / speed[:, None]
    lateral = _left_of(tangent, sample_up)
    curvature = np.einsum("nd,nd->n", acceleration, lateral) / speed**2
    head = np.zeros(len(piece), bool)
    head[offset] = True
    tips = head & tip[piece]
    if tips.any():
        own = piece[tips]
        n_in, n_out = _left_of(into[own], up[own]), _left_of(out[own], up[own])
        lateral[tips] = (n_in + n_out) / (1 + np.einsum("ij,ij->i", n_in, n_out))[:, None]
        curvature[tips] = 0.0

    start = np.concatenate([offset[starts], [len(piece)]])
    along, length = running_length(position, start, lap)
    visit_along = np.zeros(len(circuits.visit_edge))
    passing = visit >= 0
    visit_along[visit[passing]] = along[offset[passing]]
    bent = np.zeros(len(visit_along), bool)
    bent[visit[passing]] = ~passing[before[passing]]
    lift = None
    if isinstance(surface, Facets):
        lift = _between_knots(surface, point, up, out, _left_of(out, up), sample_up, piece, m, u[:, 0], span)
    elif surface is not None:
        lift = _lift(surface, position, sample_up, unit(lateral), tangent, 0.05 * spacing)
    return Courses(
        start, position, lateral, curvature, tips, along, length, visit_along, bent, lap, layout.period, 0.0, lift
    )


def _left_of(ways: Floats, up: Floats) -> Floats:
    """Directions a quarter turn to the left, seen from above."""
    if ways.shape[1] == 2:
        return np.stack([-ways[:, 1], ways[:, 0]], 1)
    left: Floats = np.cross(up, ways)
    return left


def _unwound(turned: Floats, goal: Floats, out: Floats) -> Floats:
    """Turns from a piece's beginning to its end; of half a turn, the one on whose side the piece ends."""
    aside = out[:, 0] * goal[:, 1] - out[:, 1] * goal[:, 0]
    wrong = (np.abs(turned) > 0.9 * np.pi) & (turned * aside < 0)
    return np.where(wrong, turned - np.sign(turned) * 2 * np.pi, turned)


def _bending(surface: Surface, point: Floats, way: Floats, span: float) -> Floats:
    """How much a surface bends along directions, 1/mm, positive where it falls away."""
    ahead, back = (surface.project(point + sign * span * way)[1] for sign in (1, -1))
    bend: Floats = np.einsum("nd,nd->n", ahead - back, way) / (2 * span)
    return bend


def _lift(surface: Surface, point: Floats, up: Floats, lateral: Floats, tangent: Floats, span: float) -> Lift:
    aside = surface.project(point + span * lateral)[1] - surface.project(point - span * lateral)[1]
    return Lift(
        up=up,
        bow=np.einsum("nd,nd->n", aside, lateral) / (2 * span),
        twist=np.einsum("nd,nd->n", aside, tangent) / (2 * span),
        slope=_bending(surface, point, tangent, span),
    )


def _between_knots(
    surface: Surface,
    point: Floats,
    up: Floats,
    tangent: Floats,
    lateral: Floats,
    sample_up: Floats,
    piece: Ints,
    following: Ints,
    u: Floats,
    span: float,
) -> Lift:
    """The surface's bending at the knots, passing over from one to the next in between."""
    at = _lift(surface, point, up, lateral, tangent, span)
    share = u * u * (3 - 2 * u)

    def blended(value: Floats) -> Floats:
        mixed: Floats = value[piece] * (1 - share) + value[following][piece] * share
        return mixed

    return Lift(up=sample_up, bow=blended(at.bow), twist=blended(at.twist), slope=blended(at.slope))


def _fair(
    p: Floats,
    along_p: Floats,
    q: Floats,
    along_q: Floats,
    end_bend: float,
    leaving: bool,
    known: float | None,
) -> tuple[float, float, float]:
    """The fairest piece between a crossing and the next knot of a bend.

    Returns the curvature at the crossing and the speeds at the crossing and at the other knot. The search runs in a
    frame of its own (crossing at the origin, strand along x, bend to the left), so that equal bends are searched once.
    """
    if not leaving:  # seen backwards, a left turn is a right turn
        p, along_p, q, along_q = q, -along_q, p, -along_p
        end_bend, known = -end_bend, None if known is None else -known
    forward, left = along_p, np.array([-along_p[1], along_p[0]])
    turn = _turn(along_p, along_q)
    side = 1.0 if turn >= 0 else -1.0
    d = q - p
    key = (d @ forward, side * (d @ left), abs(turn), side * end_bend, None if known is None else side * known)
    bend, near, far = _fair_piece(*(None if value is None else round(float(value), 6) for value in key))
    return side * bend * (1.0 if leaving else -1.0), near, far


@lru_cache(maxsize=4096)
def _fair_piece(x: float, y: float, turn: float, end_bend: float, known: float | None) -> tuple[float, float, float]:
    """Least greatest curvature over a grid of curvatures at the crossing and speeds at both ends.

    Curves that swing past the tangent at their far end, towards the wall, count as worse, and so, a little, does
    curvature at the crossing, since the straight step beyond must bow to take it up.
    """
    chord = math.hypot(x, y)
    shares = np.linspace(0.0, 2.4, 13) * turn / chord if known is None else np.array([known])
    share, near, far = (
        a.ravel() for a in np.meshgrid(shares, np.linspace(0.7, 1.7, 11) * chord, np.linspace(0.7, 1.7, 11) * chord)
    )
    zero = np.zeros_like(share)
    ahead, aside = math.cos(turn), math.sin(turn)
    control_x = np.stack([zero, near, zero, zero + x, far * ahead, -aside * end_bend * far**2])
    control_y = np.stack([zero, zero, share * near**2, zero + y, far * aside, ahead * end_bend * far**2])
    value, velocity, acceleration = _quintic_weights(np.linspace(0, 1, 17)[:, None])
    px, py = value @ control_x, value @ control_y
    vx, vy = velocity @ control_x, velocity @ control_y
    ax, ay = acceleration @ control_x, acceleration @ control_y
    speed = np.hypot(vx, vy)
    greatest = (np.abs(vx * ay - vy * ax) / np.maximum(speed, 1e-9 * chord) ** 3).max(0)
    past = np.maximum((px - x) * aside - (py - y) * ahead, 0.0).max(0)
    uneven = speed.max(0) / np.maximum(speed.min(0), 1e-9)
    cost = greatest * chord + 0.05 * np.abs(share) * chord + 200 * np.maximum(past / chord - 0.01, 0) + 0.02 * uneven
    best = int(cost.argmin())
    return float(share[best]), float(near[best]), float(far[best])


def _quintic_weights(u: Floats) -> tuple[Floats, Floats, Floats]:
    """Weights of value, velocity and acceleration at both ends in a quintic and its two derivatives, each (n, 6)."""
    u2, u3, u4 = u * u, u**3, u**4
    u5 = u4 * u
    return (
        np.hstack(
            [
                1 - 10 * u3 + 15 * u4 - 6 * u5,
                u - 6 * u3 + 8 * u4 - 3 * u5,
                0.5 * u2 - 1.5 * u3 + 1.5 * u4 - 0.5 * u5,
                10 * u3 - 15 * u4 + 6 * u5,
                -4 * u3 + 7 * u4 - 3 * u5,
                0.5 * u3 - u4 + 0.5 * u5,
            ]
        ),
        np.hstack(
            [
                -30 * u2 + 60 * u3 - 30 * u4,
                1 - 18 * u2 + 32 * u3 - 15 * u4,
                u - 4.5 * u2 + 6 * u3 - 2.5 * u4,
                30 * u2 - 60 * u3 + 30 * u4,
                -12 * u2 + 28 * u3 - 15 * u4,
                1.5 * u2 - 4 * u3 + 2.5 * u4,
            ]
        ),
        np.hstack(
            [
                -60 * u + 180 * u2 - 120 * u3,
                -36 * u + 96 * u2 - 60 * u3,
                1 - 9 * u + 18 * u2 - 10 * u3,
                60 * u - 180 * u2 + 120 * u3,
                -24 * u + 84 * u2 - 60 * u3,
                3 * u - 12 * u2 + 10 * u3,
            ]
        ),
    )


def running_length(position: Floats, start: Ints, lap: Floats | None = None) -> tuple[Floats, Floats]:
    """Length along each closed polyline up to each of its points, and in all.

    A polyline closes at its first point, moved by ``lap`` in x.
    """
    after = np.arange(1, len(position) + 1)
    after[start[1:] - 1] = start[:-1]
    way = position[after] - position
    if lap is not None:
        way[start[1:] - 1, 0] += lap
    step = np.linalg.norm(way, axis=1)
    total = np.concatenate([[0.0], np.cumsum(step)])
    along = total[:-1] - np.repeat(total[start[:-1]], np.diff(start))
    return along, total[start[1:]] - total[start[:-1]]
