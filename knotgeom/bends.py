"""Where the strands are led through: their crossings, and the bends past walls and round the outside.

A bend is drawn in the plane, or on a curved surface in the plane that touches it there, and brought back to the
surface. What comes out are *knots of the curve*, a place and a direction each; :mod:`.course` runs pieces between them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from .design import Design, Sizes
from .layout import ALONG, CROSSING, Layout
from .layout.assemble import LOOP
from .layout.surfaces import Surface, unit
from .mesh import Bools, Floats, Ints
from .trace import Circuits
from .turns import RIM, Knots, add_knot, lead_past

LEVEL = 0.9
"""Length of the mean normal of a run of walls from which on all of it is seen flat at once."""


@dataclass(frozen=True, slots=True, eq=False)
class _Darts:
    """What the circuits' darts meet: sites, their directions and their walls, one row a dart, in layout coordinates."""

    crossing: Bools
    outside: Bools
    site: Floats  # place of the edge that the dart arrives at
    heading: Floats  # direction of the strand there, zero at breaks
    wall: Floats  # direction of the wall there, as the strand runs along it
    side: Floats  # from the wall to the strand
    up: Floats
    rim: Floats  # the vertex that the dart goes round
    visit: Ints
    boundary: Bools
    pitch: Floats
    forward: Bools


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
            add_knot(knots, place, ways[dart], ways[dart], float("nan"), visit=int(darts.visit[dart]))
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
        lead_past(knots, design, size, darts.boundary[met], darts.pitch[met], at, wall, side, before_at, after_at)
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
        at, boundary, pitch = chart.flat(darts.site[seen]), darts.boundary[seen], darts.pitch[seen]
        lead_past(knots, design, size, boundary, pitch, at, wall, side, ends[0], ends[1], keep)
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
        add_knot(
            knots,
            rims[i] + reach * outward,
            tau,
            tau,
            -left * 2.0 / max(spread + deep, 1e-9) if deep > 0.2 * spread else 0.0,
        )
