"""Where over strands hide the rails of under strands, and what of each rail is seen.

An under strand's rails dip under the over strand where they meet its edges, so what hides them is known as stretches of
length along the circuit, found from the corners of the overlaps (:mod:`knotgeom.footprints`) and sharpened here on the
very polylines that are drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..footprints import Footprints
from ..lanes import Lanes
from ..mesh import Bools, Floats, Ints
from .rails import LEFT, MIDDLE, RIGHT, TOUCH, TRUNK, Rails

ALIGNED = 1e-6
"""How near to one another in mm two edges must come at the corner where they cross."""


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
