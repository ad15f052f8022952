"""Dividing strands lengthwise into halves: from circuits to the map of crossings and forks.

The map is a rotation system. Its nodes are 4-way crossings (each crossing of the layout gives one, two or four) and
3-way forks; its *ends* are the places where a piece of strand meets a node, numbered ``4 * node + slot`` at crossings
and after those ``3 * fork + slot`` at forks. Slots go anticlockwise round the node:

* crossing: 0 pass 1 leaving, 1 pass 0 arriving, 2 pass 1 arriving, 3 pass 0 leaving (each pass in its own direction,
  pass 1 crossing pass 0 from right to left, see :mod:`knotgeom.layout.halfedge`);
* fork: 0 the trunk, then the two halves.

Halves are named from the direction of the circuit: left 0, right 1; a whole strand is side 0 of 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from .cycles import connected_labels
from .design import Divide, Rejoin
from .layout import Layout, edge_of_site, pass_index
from .mesh import Bools, Ints
from .trace import Circuits


class Run(IntEnum):
    """What becomes of the run of strand between two visits."""

    WHOLE = 0
    DIVIDED = 1
    OPENS = 2  # whole, then divided: one fork
    CLOSES = 3  # divided, then whole: one fork
    REJOINED = 4  # divided at both ends, whole between: two forks


@dataclass(frozen=True, slots=True, eq=False)
class StrandMap:
    """Crossings and forks, and the pieces of strand between them.

    Attributes
    ----------
    divided : (V,) bool
        Whether each visit of the circuits is divided.
    run : (V,) int64
        A :class:`Run` for the run that leads to each visit.
    loops_divided : bool
        Whether loops without a crossing are divided.
    crossing_edge : (N,) int64
        The layout's edge at which each woven crossing lies.
    crossing_sides : (N, 2) int64
        Which half of pass 0 and of pass 1 cross there, named from the pass's own direction.
    fork_visit : (F,) int64
        The visit to whose run each fork belongs.
    fork_opens : (F,) bool
        Whether the halves lie ahead of the fork along the circuit.
    ends : (P, 2) int64
        The two ends of each piece of strand, in the direction of the circuit.
    piece_visit : (P,) int64
        The visit that a piece leads to, or within which it lies.
    """

    divided: Bools
    run: Ints
    loops_divided: bool
    crossing_edge: Ints
    crossing_sides: Ints
    fork_visit: Ints
    fork_opens: Bools
    ends: Ints
    piece_visit: Ints

    @property
    def crossings(self) -> int:
        """Number of woven crossings."""
        return len(self.crossing_edge)

    @property
    def forks(self) -> int:
        """Number of forks."""
        return len(self.fork_visit)

    @property
    def end_count(self) -> int:
        """Number of ends."""
        return 4 * self.crossings + 3 * self.forks


def previous_visits(circuits: Circuits) -> Ints:
    """The visit before each visit along its circuit, (V,)."""
    before = np.arange(len(circuits.visit_edge)) - 1
    starts, ends = circuits.visit_start[:-1], circuits.visit_start[1:]
    some = ends > starts
    before[starts[some]] = ends[some] - 1
    return before


def circuit_of_visit(circuits: Circuits) -> Ints:
    """Which circuit each visit belongs to, (V,)."""
    return np.repeat(np.arange(circuits.count), np.diff(circuits.visit_start))


def divided_visits(layout: Layout, circuits: Circuits, divide: Divide) -> Bools:
    """Which visits of the circuits the designer has divided, (V,) bool."""
    count = len(circuits.visit_edge)
    if divide.all:
        return np.ones(count, bool)
    divided = np.zeros(count, bool)
    if not (divide.circuits or divide.passes):
        return divided
    edge_at = edge_of_site(layout)
    visit_at = {
        (edge, index): visit
        for visit, (edge, index) in enumerate(
            zip(circuits.visit_edge.tolist(), circuits.visit_pass.tolist(), strict=True)
        )
    }
    for x, y, way in divide.passes:
        divided[visit_at[edge_at[x, y], pass_index(layout, edge_at[x, y], way)]] = True
    owner = circuit_of_visit(circuits)
    for x, y, way in divide.circuits:
        divided[owner == owner[visit_at[edge_at[x, y], pass_index(layout, edge_at[x, y], way)]]] = True
    return divided


def divide_strands(layout: Layout, circuits: Circuits, divide: Divide) -> StrandMap:
    """Divide the chosen strands and build the map of what then crosses, forks and joins.

    Neighbouring divided passes run on without a fork; where the strand changes between whole and divided there is one
    fork, on a rejoined run two.
    """
    divided = divided_visits(layout, circuits, divide)
    before = previous_visits(circuits)
    bent = np.diff(circuits.visit_dart, prepend=-1) > 1
    first = circuits.visit_start[:-1][np.diff(circuits.visit_start) > 0]
    bent[first] = circuits.visit_dart[first] > circuits.dart_start[:-1][np.diff(circuits.visit_start) > 0]
    run = np.where(divided, np.where(divided[before], Run.DIVIDED, Run.OPENS), Run.WHOLE)
    run[~divided & divided[before]] = Run.CLOSES
    if divide.rejoin is not Rejoin.NONE:
        run[(run == Run.DIVIDED) & (bent | (divide.rejoin is Rejoin.STEPS))] = Run.REJOINED

    # --- crossings: one for every pair of sides that cross at a site
    sites = np.unique(circuits.visit_edge)
    row = np.searchsorted(sites, circuits.visit_edge)
    sides = np.ones((len(sites), 2), np.int64)
    sides[row, circuits.visit_pass] = 1 + divided
    number = sides.prod(1)
    base = np.cumsum(number) - number
    owner = np.repeat(np.arange(len(sites)), number)
    within = np.arange(len(owner)) - base[owner]
    crossing_sides = np.stack([within // sides[owner, 1], within % sides[owner, 1]], 1)

    # --- along every side of every visit: the first and the last crossing it meets there
    visit = np.repeat(np.arange(len(divided)), 1 + divided)
    side = np.arange(len(visit)) - np.searchsorted(visit, visit)
    index, forward = circuits.visit_pass[visit], circuits.visit_forward[visit]
    own = np.where(divided[visit] & ~forward, 1 - side, side)  # named from the pass's own direction
    other = sides[row[visit], 1 - index]
    # pass 0 meets the other's left half first, pass 1 the other's right half, each in its own direction
    left_first = (index == 0) == forward
    met_first = np.where(left_first, 0, other - 1)
    met_last = np.where(left_first, other - 1, 0)

    def crossing(met: Ints) -> Ints:
        stride = sides[row[visit], 1]
        met_crossing: Ints = base[row[visit]] + np.where(index == 0, own * stride + met, met * stride + own)
        return met_crossing

    leaving = np.where(index == 1, np.where(forward, 0, 2), np.where(forward, 3, 1))
    arriving = leaving ^ 2
    entry, exit_ = 4 * crossing(met_first) + arriving, 4 * crossing(met_last) + leaving

    # ends where each (visit, side) begins and stops; a whole visit answers for both sides
    at = np.searchsorted(visit, np.arange(len(divided)))
    start = np.stack([entry[at], entry[at + divided]], 1) if len(at) else np.zeros((0, 2), np.int64)
    stop = np.stack([exit_[at], exit_[at + divided]], 1) if len(at) else np.zeros((0, 2), np.int64)

    pieces: list[tuple[Ints, Ints, Ints]] = []  # from, to, visit

    def add(where: Ints, begin: Ints, end: Ints) -> None:
        pieces.append((begin, end, where))

    both = np.flatnonzero(other == 2)
    add(
        visit[both],
        4 * crossing(met_first)[both] + leaving[both],
        4 * crossing(met_last)[both] + arriving[both],
    )
    whole = np.flatnonzero(run == Run.WHOLE)
    add(whole, stop[before[whole], 0], start[whole, 0])
    halves = np.flatnonzero(run == Run.DIVIDED)
    for half in (0, 1):
        add(halves, stop[before[halves], half], start[halves, half])

    # --- forks
    closing = np.flatnonzero((run == Run.CLOSES) | (run == Run.REJOINED))
    opening = np.flatnonzero((run == Run.OPENS) | (run == Run.REJOINED))
    fork_visit = np.concatenate([closing, opening])
    fork_opens = np.arange(len(fork_visit)) >= len(closing)
    order = np.lexsort([fork_opens, fork_visit])
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    fork_end = 4 * len(owner) + 3 * place
    closes, opens = fork_end[: len(closing)], fork_end[len(closing) :]
    for half in (0, 1):
        # anticlockwise from the trunk: ahead of it left then right when it lies ahead, right then left when behind
        add(closing, stop[before[closing], half], closes + 1 + half)
        add(opening, opens + 2 - half, start[opening, half])
    plain = run[closing] == Run.CLOSES
    add(closing[plain], closes[plain], start[closing[plain], 0])
    plain = run[opening] == Run.OPENS
    add(opening[plain], stop[before[opening[plain]], 0], opens[plain])
    add(
        closing[run[closing] == Run.REJOINED],
        closes[run[closing] == Run.REJOINED],
        opens[run[opening] == Run.REJOINED],
    )

    begin, end, where = (np.concatenate(column) for column in zip(*pieces, strict=True))
    return StrandMap(
        divided=divided,
        run=run,
        loops_divided=divide.all,
        crossing_edge=sites[owner] if len(owner) else np.zeros(0, np.int64),
        crossing_sides=crossing_sides,
        fork_visit=fork_visit[order],
        fork_opens=fork_opens[order],
        ends=np.stack([begin, end], 1),
        piece_visit=where,
    )


def strand_labels(strand_map: StrandMap) -> Ints:
    """Which closed strand each end belongs to, (end_count,); only for a map without forks.

    At a crossing a strand goes straight through, so its ends 0 and 2, and 1 and 3, are on one strand.
    """
    node = 4 * np.arange(strand_map.crossings)
    first = np.concatenate([strand_map.ends[:, 0], node, node + 1])
    second = np.concatenate([strand_map.ends[:, 1], node + 2, node + 3])
    return connected_labels(strand_map.end_count, first, second)
