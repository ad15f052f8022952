"""The least steepest slope: a minimum-ratio problem on a graph, solved exactly.

The heights of a weave ask two things of places along the strands: over minus under at least the separation, and no two
neighbouring places further apart in height than the slope ``t`` times their distance. For a given ``t`` these are
difference constraints, and they can be met if and only if their graph has no negative cycle (R. Bellman, 1958). A cycle
that takes ``n`` separations and the length ``s`` of strand needs ``t >= sum of separations / s``; so the least slope is
the greatest such ratio over all cycles, and the cycle that attains it says *which* crossings are too tight and how much
room they share. Newton's iteration on ``t`` finds it: every negative cycle that turns up gives a steeper ``t``.

No linear programming solver is needed; tests compare with one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .mesh import Floats, Ints


@dataclass(frozen=True, slots=True, eq=False)
class Constraints:
    """``height[head] <= height[tail] + slope * run - drop`` for each row.

    Attributes
    ----------
    nodes : int
    tail, head : (m,) int64
    run : (m,) float64
        Length along the strand in mm; 0 for a row that holds whatever the slope.
    drop : (m,) float64
        mm by which head must lie below tail at least; 0 along a strand.
    """

    nodes: int
    tail: Ints
    head: Ints
    run: Floats
    drop: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Tightest:
    """The least slope that can be kept, as rise over run, and the rows of the cycle that needs it.

    ``slope`` is infinite where no slope will do: the rows then ask for a drop with no length to make it in.
    """

    slope: float
    rows: Ints


def _relax(given: Constraints, slope: float, sweeps: int, height: Floats) -> tuple[Floats, Ints, bool]:
    """Lower heights until every row holds: (heights, the row that set each, whether all hold)."""
    reach = slope * given.run - given.drop
    by = np.full(given.nodes, -1)
    small = 1e-9
    for _ in range(sweeps):
        candidate = height[given.tail] + reach
        lower = candidate < height[given.head] - small
        if not lower.any():
            return height, by, True
        rows = np.flatnonzero(lower)
        new = height.copy()
        np.minimum.at(new, given.head[rows], candidate[rows])
        won = rows[candidate[rows] <= new[given.head[rows]]]
        by[given.head[won]] = won
        height = new
    return height, by, False


def _cycles(given: Constraints, by: Ints) -> list[Ints]:
    """Cycles of the graph in which every node points to the tail of the row that set it."""
    nowhere = given.nodes
    parent = np.append(np.where(by >= 0, given.tail[by], nowhere), nowhere)
    end, reach = parent, 1
    while reach < given.nodes:  # so many steps on, every node has come to a cycle or nowhere
        end, reach = end[end], 2 * reach
    starts = np.flatnonzero(end[:-1] < nowhere)
    on_cycle = np.zeros(nowhere + 1, bool)
    on_cycle[end[starts]] = True
    found: list[Ints] = []
    seen: set[int] = set()
    for start in starts[np.unique(end[starts], return_index=True)[1]].tolist():
        node = start
        while not on_cycle[node]:
            node = int(parent[node])
        if node in seen:
            continue
        cycle = [node]
        while parent[cycle[-1]] != node:
            cycle.append(int(parent[cycle[-1]]))
        seen.update(cycle)
        found.append(by[np.array(cycle)])
    return found


def least_slope(given: Constraints, around: Ints | None = None) -> Tightest:
    """The least slope for which heights exist.

    ``around``, rows of a cycle, is where to begin: what limited much the same constraints mostly limits these.
    """
    slope = 0.0
    rows: Ints = np.zeros(0, np.int64)
    if around is not None and _needed(given, around) > 0:
        slope, rows = _needed(given, around), around
    if slope == float("inf"):
        return Tightest(slope, rows)
    # Every round settles, finds a steeper cycle, of which there are finitely many, or takes twice as many sweeps; after
    # as many as there are nodes what is steeper has turned up, but for what rounding hides.
    height: Floats = np.zeros(given.nodes)
    settled, sweeps = False, 16
    while not settled and sweeps <= 8 * given.nodes + 16:
        height, by, settled = _relax(given, slope * (1 + 1e-9), sweeps, height)
        steeper = slope
        for cycle in () if settled else _cycles(given, by):
            ratio = _needed(given, cycle)
            if ratio > steeper * (1 + 1e-9):
                steeper, rows = ratio, cycle
        if steeper == float("inf"):
            return Tightest(steeper, rows)
        sweeps *= 2
        if steeper > slope:
            slope, height, sweeps = steeper, np.zeros(given.nodes), 16
    return Tightest(slope, rows)


def _needed(given: Constraints, cycle: Ints) -> float:
    """The slope that a cycle of rows needs."""
    run, drop = float(given.run[cycle].sum()), float(given.drop[cycle].sum())
    if drop <= 0:
        return 0.0
    return drop / run if run > 1e-9 else float("inf")


def highest(given: Constraints, slope: float, ceiling: Floats) -> Floats:
    """The greatest heights below ``ceiling`` that keep every row at ``slope``.

    They are greatest at every node at once: heights that keep difference constraints form a lattice.

    Raises
    ------
    ArithmeticError
        If no heights keep them.
    """
    height, sweeps = ceiling.astype(float), 16
    while True:
        height, by, settled = _relax(given, slope, sweeps, height)
        if settled:
            return height
        # rows that set one another round a cycle set one another for ever
        if sweeps > 4 * given.nodes or _cycles(given, by):
            raise ArithmeticError("no heights keep these constraints at this slope")
        sweeps *= 2
