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
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

import numpy as np

from .design import Design, Sizes, Turn
from .layout import CROSSING, Layout
from .layout.grid import wall_normals
from .mesh import Floats, Ints
from .trace import Circuits

NONE_OWN: Mapping[int, Sizes] = MappingProxyType({})
STAND_OFF = 0.42
"""How far strands stand back from a wall or a break, in backgrounds, beyond half their width. Half a background would
keep it exact between two bends that face each other across a break; this keeps it within 16 %, and gives the strands
that cross beside a bend a quarter more room to climb."""
RIM = 0.3
"""The same from the layout's boundary, where no strand faces another: more room still, and larger openings along it."""
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
        mm, layout coordinates.
    lateral : (n, 2) float64
        Unit normal to the left; at a pointed turn the mitre, longer than 1.
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


@dataclass(slots=True)
class _Knots:
    """Points that the curve is led through, in order along the circuits, while they are being set."""

    point: list[tuple[float, float]]
    into: list[tuple[float, float]]
    out: list[tuple[float, float]]
    bend: list[float]  # curvature; NaN at a crossing, filled in when both its sides are known
    wish: list[float]  # curvature that the piece before would like at its end
    lead: list[float]  # and the one that the piece before had at its beginning
    straight: list[bool]  # whether the piece leading here is a straight line
    visit: list[int]


def _turn(into: Floats, out: Floats) -> float:
    """Signed angle from one direction to another."""
    return float(np.arctan2(into[0] * out[1] - into[1] * out[0], into @ out))


def pass_direction(layout: Layout, edge: Ints, index: Ints, unit: Floats) -> Floats:
    """Direction in which a pass runs, (n, 2), unit length; ``unit`` is (cell width, cell height)."""
    odd = layout.site[edge, 0] % 2 == 1
    sign_x = np.where(odd | (index == 0), 1.0, -1.0)
    sign_y = np.where(odd & (index == 0), -1.0, 1.0)
    direction: Floats = np.stack([sign_x, sign_y], 1) * unit
    unit_direction: Floats = direction / np.linalg.norm(direction, axis=1, keepdims=True)
    return unit_direction


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
    knots, first = _set_knots(design, layout, circuits, size, own)
    return _sample(knots, first, circuits, spacing)


def _set_knots(
    design: Design, layout: Layout, circuits: Circuits, size: Sizes, own: Mapping[int, Sizes]
) -> tuple[_Knots, list[int]]:
    grid = design.layout
    unit = np.array([grid.cell_width, grid.cell_height])
    site = layout.site * unit / 2
    previous = np.empty_like(layout.next_half)
    previous[layout.next_half] = np.arange(len(previous))
    corner = circuits.darts >> 1
    arrives = np.where(circuits.darts & 1 == 0, corner, previous[corner])
    edge = arrives >> 1
    crossing = layout.state[edge] == CROSSING
    heading = np.zeros((len(edge), 2))
    ahead = pass_direction(layout, circuits.visit_edge, circuits.visit_pass, unit)
    heading[circuits.visit_dart] = np.where(circuits.visit_forward[:, None], ahead, -ahead)
    wall = wall_normals(layout)[edge]
    visit_of = np.full(len(edge), -1)
    visit_of[circuits.visit_dart] = np.arange(len(circuits.visit_dart))

    knots = _Knots([], [], [], [], [], [], [], [])
    first = []
    points = site[edge]
    for circuit in range(circuits.count):
        begin, end = int(circuits.dart_start[circuit]), int(circuits.dart_start[circuit + 1])
        first.append(len(knots.point))
        mine = own.get(circuit, size)
        walls: list[int] = []
        for dart in range(begin, end):
            if not crossing[dart]:
                walls.append(dart)
                continue
            if walls:
                before = end - 1 if walls[0] == begin else walls[0] - 1
                _bend(knots, design, mine, layout, edge, points, wall, walls, before, dart, heading)
                walls = []
            direction = (float(heading[dart, 0]), float(heading[dart, 1]))
            _add(knots, points[dart], direction, direction, float("nan"), visit=int(visit_of[dart]))
        if walls:  # a loop without a crossing
            _bend(knots, design, mine, layout, edge, points, wall, walls, None, None, heading)
    first.append(len(knots.point))
    return knots, first


def _add(
    knots: _Knots,
    point: Floats,
    into: tuple[float, float] | Floats,
    out: tuple[float, float] | Floats,
    bend: float,
    *,
    straight: bool = False,
    visit: int = -1,
) -> None:
    knots.point.append((float(point[0]), float(point[1])))
    knots.into.append((float(into[0]), float(into[1])))
    knots.out.append((float(out[0]), float(out[1])))
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
    edge: Ints,
    points: Floats,
    wall: Floats,
    walls: list[int],
    before: int | None,
    after: int | None,
    heading: Floats,
) -> None:
    """Lead a strand past one wall after another, from the crossing before them to the one after."""
    loop = before is None or after is None
    at = points[walls]
    count = len(walls)
    # which way the strand comes to and leaves each wall: towards its neighbours in the walk
    last = points[before] if before is not None else at[-1]
    following = points[after] if after is not None else at[0]
    come = at - np.vstack([last[None], at[:-1]])
    go = np.vstack([at[1:], following[None]]) - at
    tau = wall[walls].copy()
    tau *= np.sign(np.einsum("ij,ij->i", tau, come + go))[:, None]
    normal = go - come
    normal -= np.einsum("ij,ij->i", normal, tau)[:, None] * tau
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    hand = np.sign(tau[:, 0] * normal[:, 1] - tau[:, 1] * normal[:, 0])  # +1 turns left
    boundary = layout.boundary[edge[walls]]

    if loop and count > 1:  # begin a loop where a pocket begins, so that no group straddles its ends
        changes = np.flatnonzero(hand != np.roll(hand, 1))
        if len(changes):
            shift = int(changes[0])
            at, tau, normal = (np.roll(a, -shift, axis=0) for a in (at, tau, normal))
            hand, boundary = np.roll(hand, -shift), np.roll(boundary, -shift)
    groups: list[list[int]] = []
    for i in range(count):
        if groups and hand[groups[-1][-1]] == hand[i]:
            groups[-1].append(i)
        else:
            groups.append([i])
    whole_loop = loop and len(groups) == 1

    stand = size.width / 2 + np.where(boundary, RIM, STAND_OFF) * size.background
    for group in groups:
        if len(group) > 2:  # a pocket of three walls or more is narrow: stand nearer, as far as even ground allows
            stand[group] = np.minimum(stand[group], size.width / 2 + 0.3 * max(size.background, 0.0))
            for k in range(len(group) if whole_loop else len(group) - 2):
                i, j = group[k], group[(k + 2) % len(group)]
                across = abs(float((at[j] - at[i]) @ normal[i]))
                if across > 1e-9:  # a strand too wide for its pocket goes nearer still before its inside edge folds
                    near = max(across / 2 - 0.62 * size.width, size.width / 2)
                    stand[group] = np.minimum(stand[group], near)
    for i in range(count if loop and not whole_loop else count - 1):
        j = (i + 1) % count
        if hand[i] != hand[j]:  # a corridor between two walls
            room = abs(float((at[j] - at[i]) @ normal[i]))
            stand[i], stand[j] = min(stand[i], room / 2), min(stand[j], room / 2)
    for i, j in ((group[0], group[1]) for group in groups if len(group) == 2 and not whole_loop):
        if design.strand.turns.corners is Turn.POINTED and boundary[i] and boundary[j]:
            # A mitre needs a straight reach on both sides. Nothing faces a corner of the layout from outside, so its
            # tip goes further out, and the bends before it keep their room.
            near = size.width / 2 + CORNER * max(size.background, 0.0)
            stand[i], stand[j] = min(stand[i], near), min(stand[j], near)
    foot = at + stand[:, None] * normal

    for group in groups:
        turn = float(hand[group[0]])
        if len(group) == 1:
            i = group[0]
            pointed = design.strand.turns.borders if boundary[i] else design.strand.turns.breaks
            alone = count == 1 and not loop
            if pointed is Turn.POINTED and alone:
                _pointed_bend(knots, size, points[before], at[i], tau[i], normal[i], bool(boundary[i]))
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
                radius = max(0.755 * size.width, 0.48 * size.pitch)
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


def _pointed_bend(
    knots: _Knots, size: Sizes, come_from: Floats, at: Floats, tau: Floats, normal: Floats, boundary: bool
) -> None:
    """A V-bend at a single wall: its tip stands off by 0.4 of the background, outside the mitre.

    At the layout's boundary nothing faces it, so it goes further out there and can be sharper.
    """
    near, sharp = (CORNER, 0.8) if boundary else (0.4, 0.6)
    run = abs(float((at - come_from) @ tau))
    high = float((come_from - at) @ normal)
    slant = 0.0
    for _ in range(8):
        stand = near * size.background + 0.5 * size.width / np.cos(slant)
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


def _sample(knots: _Knots, first: list[int], circuits: Circuits, spacing: float) -> Courses:
    point, into, out = np.array(knots.point), np.array(knots.into), np.array(knots.out)
    bend, straight, visit = np.array(knots.bend), np.array(knots.straight, bool), np.array(knots.visit)
    total = len(point)
    starts = np.array(first[:-1])
    ends = np.array(first[1:])
    nxt = np.arange(total) + 1
    nxt[ends - 1] = starts
    before = np.empty(total, np.int64)
    before[nxt] = np.arange(total)

    # --- curvature at the crossings: what the bends on either side ask for
    chord = np.linalg.norm(point[nxt] - point, axis=1)
    cross = out[:, 0] * into[nxt, 1] - out[:, 1] * into[nxt, 0]
    turned = np.arctan2(cross, np.einsum("ij,ij->i", out, into[nxt]))
    at_crossing = np.isnan(bend)
    to_bend = at_crossing & ~at_crossing[nxt] & ~straight[nxt]
    from_bend = at_crossing & ~at_crossing[before] & ~straight
    # what each bend asks for, were it alone; where two meet at a crossing they share, or have none if they disagree
    asks_after, asks_before = np.zeros(total), np.zeros(total)
    for leaving, asks in ((True, asks_after), (False, asks_before)):
        for i in np.flatnonzero(to_bend if leaving else from_bend).tolist():
            a, b = (i, nxt[i]) if leaving else (before[i], i)
            asks[i] = _fair(point[a], out[a], point[b], into[b], bend[b] if leaving else bend[a], leaving, None)[0]
    both = to_bend & from_bend
    agree = asks_after * asks_before > 0
    shared = np.where(both, np.where(agree, (asks_after + asks_before) / 2, 0.0), asks_after + asks_before)
    bend = np.where(at_crossing, shared, bend)

    # --- one quintic per piece
    k, m = np.arange(total), nxt
    half = np.where(np.abs(turned) > 1e-9, turned / 2, 1.0)
    arc = chord * np.where(np.abs(turned) > 1e-9, half / np.sin(half), 1.0)
    speed_0, speed_1 = arc.copy(), arc.copy()
    for i in np.flatnonzero(to_bend | from_bend[m]).tolist():
        leaving = bool(to_bend[i])
        b = m[i]
        if leaving and from_bend[b]:
            continue
        end, known = (bend[b], bend[i]) if leaving else (bend[i], bend[b])
        _, near, far = _fair(point[i], out[i], point[b], into[b], end, leaving, known)
        speed_0[i], speed_1[i] = (near, far) if leaving else (far, near)
    line = straight[m] | ((np.abs(turned) < 1e-12) & (bend == 0) & (bend[m] == 0))
    speed_0, speed_1 = np.where(line, chord, speed_0), np.where(line, chord, speed_1)
    normal_0 = np.stack([-out[:, 1], out[:, 0]], 1)
    normal_1 = np.stack([-into[m, 1], into[m, 0]], 1)
    b0 = np.where(line, 0.0, bend)
    b1 = np.where(line, 0.0, bend[m])
    control = np.stack(
        [
            point,
            out * speed_0[:, None],
            normal_0 * (b0 * speed_0**2)[:, None],
            point[m],
            into[m] * speed_1[:, None],
            normal_1 * (b1 * speed_1**2)[:, None],
        ],
        1,
    )

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
    speed = np.maximum(np.linalg.norm(velocity, axis=1), 1e-12)
    tangent = velocity / speed[:, None]
    curvature = (velocity[:, 0] * acceleration[:, 1] - velocity[:, 1] * acceleration[:, 0]) / speed**3
    lateral = np.stack([-tangent[:, 1], tangent[:, 0]], 1)
    head = np.zeros(len(piece), bool)
    head[offset] = True
    tips = head & tip[piece]
    if tips.any():
        own = piece[tips]
        n_in = np.stack([-into[own, 1], into[own, 0]], 1)
        n_out = np.stack([-out[own, 1], out[own, 0]], 1)
        lateral[tips] = (n_in + n_out) / (1 + np.einsum("ij,ij->i", n_in, n_out))[:, None]
        curvature[tips] = 0.0

    start = np.concatenate([offset[starts], [len(piece)]])
    along, length = running_length(position, start)
    visit_along = np.zeros(len(circuits.visit_edge))
    passing = visit >= 0
    visit_along[visit[passing]] = along[offset[passing]]
    bent = np.zeros(len(visit_along), bool)
    bent[visit[passing]] = ~passing[before[passing]]
    return Courses(start, position, lateral, curvature, tips, along, length, visit_along, bent)


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


def running_length(position: Floats, start: Ints) -> tuple[Floats, Floats]:
    """Length along each closed polyline up to each of its points, and in all."""
    after = np.arange(1, len(position) + 1)
    after[start[1:] - 1] = start[:-1]
    step = np.linalg.norm(position[after] - position, axis=1)
    total = np.concatenate([[0.0], np.cumsum(step)])
    along = total[:-1] - np.repeat(total[start[:-1]], np.diff(start))
    return along, total[start[1:]] - total[start[:-1]]
