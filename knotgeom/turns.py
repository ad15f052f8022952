"""How strands turn at walls and breaks, seen flat: bends, mitres, and pockets between several walls.

What comes out are *knots of the curve*, a place and a direction each; :mod:`.course` runs pieces between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .design import Design, Sizes, Turn
from .fair import turn_between
from .layout.surfaces import unit
from .mesh import Bools, Floats

STAND_OFF = 0.42
"""How far strands stand back from a wall or a break, in backgrounds, beyond half their width. Half a background would
keep it exact between two bends that face each other across a break; this keeps it within 16 %, and gives the strands
that cross beside a bend a quarter more room to climb."""
RIM = 0.3
"""The same from the layout's boundary, where no strand faces another: more room still, and larger openings along it."""
CORNER = 0.2
"""The same for the tips of pointed corners of the layout."""
FAR = 20.0
"""How many times as far as walls stand apart their lines may meet, for a strand to be led to there."""
STRAIGHT = 0.01
"""Half the angle between two walls, in radians, below which they count as one line."""


@dataclass(slots=True)
class Knots:
    """Points that the curve is led through, in order along the circuits, while they are being set."""

    point: list[tuple[float, ...]]
    into: list[tuple[float, ...]]
    out: list[tuple[float, ...]]
    bend: list[float]  # curvature; NaN at a crossing, filled in when both its sides are known
    straight: list[bool]  # whether the piece leading here is a straight line
    visit: list[int]


def add_knot(
    knots: Knots,
    point: tuple[float, ...] | Floats,
    into: tuple[float, ...] | Floats,
    out: tuple[float, ...] | Floats,
    bend: float,
    *,
    straight: bool = False,
    visit: int = -1,
) -> None:
    """Set one more knot: where, which way the strand comes and goes, its curvature (1/mm), the crossing it visits."""
    knots.point.append(tuple(map(float, point)))
    knots.into.append(tuple(map(float, into)))
    knots.out.append(tuple(map(float, out)))
    knots.bend.append(bend)
    knots.straight.append(straight)
    knots.visit.append(visit)


def lead_past(
    knots: Knots,
    design: Design,
    size: Sizes,
    boundary: Bools,
    pitch: Floats,
    at: Floats,
    tau: Floats,
    side: Floats,
    before: Floats | None,
    after: Floats | None,
    keep: range | None = None,
) -> None:
    """Lead a strand past one wall after another.

    ``boundary`` tells the layout's own walls from breaks, ``pitch`` is that of each, mm; ``at`` are their middles,
    ``tau`` is the direction along each wall in which the strand runs, ``side`` the one from the wall to the strand;
    ``keep`` are the walls that knots are set at, all where left out.
    """
    loop = before is None or after is None
    count = len(at)
    hand = np.where(tau[:, 0] * side[:, 1] > tau[:, 1] * side[:, 0], 1.0, -1.0)  # +1 turns left
    normal = hand[:, None] * np.stack([-tau[:, 1], tau[:, 0]], 1)
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
                add_knot(knots, foot[i], tau[i], tau[i], 0.0)
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
                add_knot(knots, tip[0], across / apart, across / apart, 2 * turn / apart)
            elif pointed is Turn.POINTED and half < STRAIGHT:  # walls in one line: there is nothing to mitre
                along = (tau[i] + tau[j]) / 2
                add_knot(knots, tip[0], along, along, 0.0)
            elif pointed is Turn.POINTED:
                # both edges are sharp where the mitre falls on straight pieces
                reach = 0.5 * size.width * np.tan(half) * 1.02
                add_knot(knots, tip[0] - reach * tau[i], tau[i], tau[i], 0.0)
                add_knot(knots, tip[0], tau[i], tau[j], 0.0, straight=True)
                add_knot(knots, tip[0] + reach * tau[j], tau[j], tau[j], 0.0, straight=True)
            else:
                radius = max(0.755 * size.width, 0.48 * float(pitch[[i, j]].min()))
                inward = normal[i] + normal[j]
                inward /= np.linalg.norm(inward)
                middle = tip[0] + inward * radius * (1 / np.cos(half) - 1)
                along = tau[i] + tau[j]
                along /= np.linalg.norm(along)
                add_knot(knots, middle, along, along, turn / radius)
            continue
        # a pocket or a loop: round, as wide as it can be
        if whole_loop and count == 2 and np.allclose(tip[0], tip[1]):
            _round_a_corner(knots, foot, tau, normal, turn)
            continue
        if whole_loop:
            stretch = np.linalg.norm(tip - np.roll(tip, 1, axis=0), axis=1)
            radius = float(stretch.min()) / 2
            for k in range(len(group)):
                middle = (tip[k] + tip[k - 1]) / 2
                add_knot(knots, middle, tau[group[k]], tau[group[k]], turn / max(radius, 1e-9))
            continue
        stretch = np.linalg.norm(np.diff(tip, axis=0), axis=1)
        radius = max(float(stretch.min()) / 2, 1e-9)
        add_knot(knots, tip[0] - radius * tau[group[0]], tau[group[0]], tau[group[0]], turn / radius)
        for k in range(1, len(group) - 1):
            middle = (tip[k - 1] + tip[k]) / 2
            add_knot(knots, middle, tau[group[k]], tau[group[k]], turn / radius)
        add_knot(knots, tip[-1] + radius * tau[group[-1]], tau[group[-1]], tau[group[-1]], turn / radius)


def _round_a_corner(knots: Knots, foot: Floats, tau: Floats, normal: Floats, turn: float) -> None:
    """A loop past two walls alone that lean together, as round a vertex that two edges meet at.

    On the side where the walls' lines meet it turns by less than half a turn, on the other, open, side by more: there
    it is led round half a circle.
    """
    apart = max(float(np.linalg.norm(foot[1] - foot[0])), 1e-9)
    away = unit(normal.sum(0))
    back = turn * np.array([-away[1], away[0]])
    closing = turn * float(tau[0, 0] * tau[1, 1] - tau[0, 1] * tau[1, 0]) > 0  # from the first wall to the second
    bend = 2 * turn / apart
    far = ((foot[0] + foot[1]) / 2 + apart / 2 * away, back, back, bend)
    first, second = ((foot[k], tau[k], tau[k], bend) for k in range(2))
    for knot in (first, second, far) if closing else (first, far, second):
        add_knot(knots, *knot)


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
    add_knot(knots, tip - reach * down, down, down, 0.0)
    add_knot(knots, tip, down, up, 0.0, straight=True)
    add_knot(knots, tip + reach * up, up, up, 0.0, straight=True)


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
