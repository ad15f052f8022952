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
from types import MappingProxyType

import numpy as np

from .bends import set_knots
from .design import Design, Sizes
from .fair import fair_piece, quintic_weights
from .layout import Layout
from .layout.surfaces import Facets, Surface, unit
from .mesh import Bools, Floats, Ints
from .trace import Circuits
from .turns import Knots

NONE_OWN: Mapping[int, Sizes] = MappingProxyType({})
ROOM = 20.0
"""How far from its axis a flat strip is taken round, at least, in thicknesses and separations."""


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
        Radius, mm, of the cylinder that a strip is swept on; for a flat strip how far it is taken round, see
        :mod:`knotgeom.loop`.
    flat : bool
        Whether it is a flat strip, taken round only to be swept and united.
    lift : Lift or None
        How the surface lies along the strands; None in the plane.
    """

    start: Ints
    point: Floats
    lateral: Floats
    curvature: Floats
    pointed: Bools
    along: Floats
    length: Floats
    visit_along: Floats
    run_bent: Ints
    lap: Floats
    period: float = 0.0
    roll: float = 0.0
    flat: bool = False
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
    knots, first, lap = set_knots(design, layout, circuits, size, own)
    courses = _sample(knots, first, lap, circuits, spacing, layout)
    if not layout.period:
        return courses
    roll = layout.period / (2 * math.pi)
    flat = getattr(design.layout, "surface", None) is None
    if flat:
        roll = max(roll, ROOM * (size.thickness + size.separation))
    return replace(courses, roll=roll, flat=flat)


def _sample(knots: Knots, first: list[int], lap: Floats, circuits: Circuits, spacing: float, layout: Layout) -> Courses:
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
        return fair_piece(np.zeros(2), seen_out[i], seen_goal[i], seen_arrive[i], end, leaving, known)

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
        np.einsum("nk,nkd->nd", weights, control[piece]) for weights in quintic_weights(u)
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
        start, position, lateral, curvature, tips, along, length, visit_along, bent, lap, layout.period, lift=lift
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


def running_length(position: Floats, start: Ints, lap: Floats) -> tuple[Floats, Floats]:
    """Length along each closed polyline up to each of its points, and in all.

    A polyline closes at its first point, moved by ``lap`` in x.
    """
    after = np.arange(1, len(position) + 1)
    after[start[1:] - 1] = start[:-1]
    way = position[after] - position
    way[start[1:] - 1, 0] += lap
    step = np.linalg.norm(way, axis=1)
    total = np.concatenate([[0.0], np.cumsum(step)])
    along = total[:-1] - np.repeat(total[start[:-1]], np.diff(start))
    return along, total[start[1:]] - total[start[:-1]]
