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
    parent = np.where(by >= 0, given.tail[by], -1).tolist()
    colour = [0] * given.nodes
    found: list[Ints] = []
    for start in range(given.nodes):
        node, trail = start, []
        while node >= 0 and not colour[node]:
            colour[node] = start + 1
            trail.append(node)
            node = parent[node]
        if node >= 0 and colour[node] == start + 1:
            cycle = trail[trail.index(node) :]
            found.append(by[np.array(cycle)])
    return found


def least_slope(given: Constraints) -> Tightest:
    """The least slope for which heights exist."""
    slope = 0.0
    rows: Ints = np.zeros(0, np.int64)
    height: Floats = np.zeros(given.nodes)
    sweeps = 16
    for _ in range(200):
        height, by, settled = _relax(given, slope * (1 + 1e-9), sweeps, height)
        if settled:
            return Tightest(slope, rows)
        steeper = slope
        for cycle in _cycles(given, by):
            run, drop = float(given.run[cycle].sum()), float(given.drop[cycle].sum())
            if drop <= 0:
                continue
            ratio = drop / run if run > 1e-9 else float("inf")
            if ratio > steeper * (1 + 1e-9):
                steeper, rows = ratio, cycle
        if steeper == float("inf"):
            return Tightest(steeper, rows)
        if steeper > slope:
            slope, height = steeper, np.zeros(given.nodes)
            sweeps = 16
        else:
            sweeps = min(2 * sweeps, 4 * given.nodes + 16)
    return Tightest(slope, rows)


def highest(given: Constraints, slope: float, ceiling: Floats) -> Floats:
    """The greatest heights below ``ceiling`` that keep every row at ``slope``.

    They are greatest at every node at once: heights that keep difference constraints form a lattice.
    """
    height, _, settled = _relax(given, slope, 4 * given.nodes + 16, ceiling.astype(float))
    if not settled:
        raise ArithmeticError("no heights keep these constraints at this slope")
    return height
