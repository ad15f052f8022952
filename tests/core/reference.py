"""A second, slower way to every count, sharing no code with the tool: walks of single steps on half cells.

Here a strand is a walker that stands on a site and looks along a diagonal. At a wall it turns in x or in y, elsewhere
it goes straight on; a divided pass is two parallel lines, one above and one below its middle. No half-edges, no
permutations, no faces: what these walks give is compared with what the tool gives.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from itertools import product
from typing import NamedTuple

import numpy as np

from knotgeom.design import Design, Rejoin, Way
from knotgeom.divide import StrandMap, divide_strands
from knotgeom.layout import Layout, grid_layout
from knotgeom.trace import Circuits, trace
from knotgeom.weave import Weaving, weave_strands
from tests.core.strategies import cells_beside, cells_of


def made(design: Design) -> tuple[Layout, Circuits, StrandMap, Weaving]:
    """The tool's own layout, circuits, map and weave of a design."""
    layout = grid_layout(design.layout, design.breaks)
    circuits = trace(layout)
    strand_map = divide_strands(layout, circuits, design.divide)
    return layout, circuits, strand_map, weave_strands(layout, strand_map, design.weave)


# --------------------------------------------------------------------------------------------------- walks


Crossing = tuple[int, int, int, int]
"""Place, offset of the rising line, offset of the falling line."""

Over = dict[Crossing, bool]
"""Whether the rising strand is over."""


class Visit(NamedTuple):
    """A walker at a crossing, looking along (dx, dy); ``bounces`` is how often it turned back since the one before."""

    x: int
    y: int
    dx: int
    dy: int
    bounces: int

    @property
    def way(self) -> Way:
        return Way.RISING if self.dx == self.dy else Way.FALLING


def walks(design: Design) -> list[list[Visit]]:
    """Every circuit's crossings in order, in one direction; an empty list for a loop without a crossing."""
    cells = cells_of(design.layout)
    horizontal, vertical = set(design.breaks.horizontal), set(design.breaks.vertical)

    def turned(x: int, y: int, dx: int, dy: int) -> tuple[int, int]:
        if (x, y) in horizontal:
            return dx, -dy
        if (x, y) in vertical:
            return -dx, dy
        if not cells.issuperset(cells_beside((x, y))):  # the wall round the layout
            return (dx, -dy) if x % 2 else (-dx, dy)
        return dx, dy

    seen: set[tuple[int, int, int, int]] = set()
    found = []
    for column, row in sorted(cells):
        for sx, sy, dx, dy in product((-1, 1), (0,), (-1, 1), (-1, 1)):
            start = (2 * column + 1 + sx, 2 * row + 1 + sy, dx, dy)
            if dx == sx or start in seen:  # a step from a side of the cell leads into the cell
                continue
            x, y, dx, dy = start
            walk, bounces = [], 0
            while (x, y, dx, dy) not in seen:
                # a step and the same step the other way
                seen |= {(x, y, dx, dy), (x + dx, y + dy, -dx, -dy)}
                x, y = x + dx, y + dy
                ahead = turned(x, y, dx, dy)
                if ahead == (dx, dy):
                    walk.append(Visit(x, y, dx, dy, bounces))
                    bounces = 0
                else:
                    bounces += 1
                dx, dy = ahead
            if walk:
                walk[0] = walk[0]._replace(bounces=walk[0].bounces + bounces)
            found.append(walk)
    return found


# --------------------------------------------------------------------------------------------------- dividing


class End(NamedTuple):
    """Where a piece of strand meets a node.

    ``node`` is ``(x, y, r, f)`` at a crossing: the rising line's offset and the falling line's, -1, 0 or 1 upwards. At
    a fork it is ``(x, y, dx, dy)``: the divided pass that the halves lead to, seen looking from that pass to the fork.
    ``part`` is the direction looking from the crossing along the piece, or ("trunk",) or ("half", offset at the pass).
    """

    kind: str
    node: tuple[int, int, int, int]
    part: tuple[object, ...]

    @property
    def upper_when_true(self) -> bool:
        """Whether the strand here is over when its node's state is true: rising strands, and trunks."""
        return self.part[0] == self.part[1] if self.kind == "crossing" else self.part == ("trunk",)


@dataclass(frozen=True)
class Woven:
    """Pieces of strand between nodes, and every closed walk (circuit, half) through crossings where nothing forks."""

    pieces: list[tuple[End, End]]
    forks: int
    strands: dict[tuple[int, int], list[tuple[tuple[int, int, int, int], tuple[int, int]]]]

    @property
    def crossings(self) -> list[tuple[int, int, int, int]]:
        return sorted({end.node for piece in self.pieces for end in piece if end.kind == "crossing"})


def divided(design: Design, circuits: list[list[Visit]]) -> set[tuple[int, int, Way]]:
    """The passes that are divided."""
    chosen = {(x, y, way) for x, y, way in design.divide.passes}
    for walk in circuits:
        passes = {(visit.x, visit.y, visit.way) for visit in walk}
        if design.divide.all or any((x, y, way) in passes for x, y, way in design.divide.circuits):
            chosen |= passes
    return chosen


def woven(design: Design) -> Woven:
    """Divide the walks and list the pieces of strand."""
    circuits = walks(design)
    halved = divided(design, circuits)

    def offsets(x: int, y: int, way: Way) -> tuple[int, ...]:
        return (-1, 1) if (x, y, way) in halved else (0,)

    def meets(visit: Visit, offset: int) -> list[tuple[int, int, int, int]]:
        """The crossings along one line of a pass, in order: going up the lower of the other's lines comes first."""
        other = Way.FALLING if visit.way is Way.RISING else Way.RISING
        lines = sorted(offsets(visit.x, visit.y, other), reverse=visit.dy < 0)
        if visit.way is Way.RISING:
            return [(visit.x, visit.y, offset, line) for line in lines]
        return [(visit.x, visit.y, line, offset) for line in lines]

    pieces: list[tuple[End, End]] = []
    forks = 0
    strands: dict[tuple[int, int], list[tuple[tuple[int, int, int, int], tuple[int, int]]]] = {}
    for number, walk in enumerate(circuits):
        for place, visit in enumerate(walk):
            last = walk[place - 1]
            here = offsets(visit.x, visit.y, visit.way)
            behind = offsets(last.x, last.y, last.way)
            back = (-visit.dx, -visit.dy)
            for offset in here:
                # the left of a walker that goes to the right is up
                side = 0 if offset == visit.dx or offset == 0 else 1
                met = meets(visit, offset)
                strands.setdefault((number, side), []).extend((node, (visit.dx, visit.dy)) for node in met)
                for one, two in zip(met, met[1:], strict=False):
                    pieces.append((End("crossing", one, (visit.dx, visit.dy)), End("crossing", two, back)))

            def leaves(offset: int, last: Visit = last) -> End:
                return End("crossing", meets(last, offset)[-1], (last.dx, last.dy))

            def enters(offset: int, visit: Visit = visit, back: tuple[int, int] = back) -> End:
                return End("crossing", meets(visit, offset)[0], back)

            closing = (last.x, last.y, last.dx, last.dy)
            opening = (visit.x, visit.y, *back)
            rejoined = len(here) == len(behind) == 2 and (
                design.divide.rejoin is Rejoin.STEPS or (design.divide.rejoin is Rejoin.BENDS and visit.bounces > 0)
            )
            closes = len(behind) == 2 and (len(here) == 1 or rejoined)
            opens = len(here) == 2 and (len(behind) == 1 or rejoined)
            forks += closes + opens
            trunk = []
            if closes:
                pieces += [(leaves(o), End("fork", closing, ("half", o))) for o in behind]
                trunk.append(End("fork", closing, ("trunk",)))
            elif len(behind) == 1:
                trunk.append(leaves(0))
            if opens:
                pieces += [(enters(o), End("fork", opening, ("half", o))) for o in here]
                trunk.append(End("fork", opening, ("trunk",)))
            elif len(here) == 1:
                trunk.append(enters(0))
            if trunk:
                pieces.append((trunk[0], trunk[1]))
            else:  # both halves run on: left to left, right to right
                pieces += [(leaves(last.dx * side), enters(visit.dx * side)) for side in (1, -1)]
    return Woven(pieces, forks, strands)


def parts(reference: Woven) -> list[set[tuple[str, tuple[int, int, int, int]]]]:
    """The connected parts of the map, as sets of (kind, node)."""
    near: dict[tuple[str, tuple[int, int, int, int]], set[tuple[str, tuple[int, int, int, int]]]] = {}
    for a, b in reference.pieces:
        near.setdefault((a.kind, a.node), set()).add((b.kind, b.node))
        near.setdefault((b.kind, b.node), set()).add((a.kind, a.node))
    found, seen = [], set()
    for node in near:
        if node in seen:
            continue
        part, todo = {node}, [node]
        while todo:
            for other in near[todo.pop()] - part:
                part.add(other)
                todo.append(other)
        seen |= part
        found.append(part)
    return found


# --------------------------------------------------------------------------------------------------- weaving


def step_costs(reference: Woven) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Failures of every weave of the crossings there is: 2 to the power of the number of crossings.

    Returns
    -------
    states : (2^n, n) bool
        Whether the rising strand is over, for the crossings in order.
    steps, at_forks : (2^n,) int64
        Failing pieces between two crossings; failing pieces at forks, each fork in its best state.
    """
    crossings = reference.crossings
    at = {name: number for number, name in enumerate(crossings)}
    states = (np.arange(1 << len(crossings))[:, None] >> np.arange(len(crossings)) & 1).astype(bool)
    over = {name: states[:, number] for name, number in at.items()}
    steps, at_forks = np.zeros(len(states), np.int64), np.zeros(len(states), np.int64)
    touching: dict[tuple[int, int, int, int], list[tuple[End, End]]] = {}
    joined: dict[tuple[int, int, int, int], set[tuple[int, int, int, int]]] = {}
    for a, b in reference.pieces:
        forks = [end.node for end in (a, b) if end.kind == "fork"]
        if not forks:
            steps += (over[a.node] == a.upper_when_true) == (over[b.node] == b.upper_when_true)
        for fork in forks:
            joined.setdefault(fork, set()).update(forks)
        if forks:
            touching.setdefault(forks[0], []).append((a, b))
    while joined:  # forks that hang together are tried in every state together
        group, todo = set(), [next(iter(joined))]
        while todo:
            fork = todo.pop()
            if fork not in group:
                group.add(fork)
                todo += joined.pop(fork)
        pieces = [piece for fork in group for piece in touching.get(fork, [])]
        best = np.full(len(states), len(pieces) + 1)
        for trial in product((False, True), repeat=len(group)):
            state = {("fork", node): np.bool_(value) for node, value in zip(group, trial, strict=True)}
            total = np.zeros(len(states), np.int64)
            for piece in pieces:
                up = [
                    (over[end.node] if end.kind == "crossing" else state["fork", end.node]) == end.upper_when_true
                    for end in piece
                ]
                total += up[0] == up[1]
            best = np.minimum(best, total)
        at_forks += best
    return states, steps, at_forks


def linking(reference: Woven, over: Over) -> dict[frozenset[tuple[int, int]], Fraction]:
    """Half the signed crossings of every two strands, and the signed crossings of every one with itself (its writhe).

    A crossing counts +1 where the upper strand turned anticlockwise by less than half a turn lies on the lower one.

    Parameters
    ----------
    over : dict
        Whether the rising strand is over at each crossing.
    """
    through: dict[tuple[int, int, int, int], list[tuple[tuple[int, int], tuple[int, int]]]] = {}
    for strand, course in reference.strands.items():
        for node, way in course:
            through.setdefault(node, []).append((strand, way))
    sums: Counter[frozenset[tuple[int, int]]] = Counter()
    for node, ((one, d), (two, e)) in through.items():
        turn = d[0] * e[1] - d[1] * e[0]
        first_over = over[node] == (d[0] == d[1])
        sums[frozenset((one, two))] += (1 if turn > 0 else -1) * (1 if first_over else -1)
    return {pair: Fraction(total, len(pair)) for pair, total in sums.items()}


# ----------------------------------------------------------------------------------------------- the tool's map


def direction(x: int, index: int, forward: bool = True) -> tuple[int, int]:
    """How the tool's pass 0 or 1 runs: where x is odd 0 falls and 1 rises to the right, where x is even each a quarter
    turn anticlockwise of that."""
    dx, dy = (1, -1 if index == 0 else 1) if x % 2 else (1 if index == 0 else -1, 1)
    return (dx, dy) if forward else (-dx, -dy)


def visit_directions(layout: Layout, circuits: Circuits) -> list[tuple[int, int, int, int]]:
    """Place and direction of each of the tool's visits."""
    rows = zip(circuits.visit_edge.tolist(), circuits.visit_pass.tolist(), circuits.visit_forward.tolist(), strict=True)
    return [(*(xy := layout.site[edge].tolist()), *direction(xy[0], index, forward)) for edge, index, forward in rows]


def crossing_names(layout: Layout, strand_map: StrandMap) -> list[tuple[int, int, int, int]]:
    """Each of the tool's woven crossings as ``(x, y, r, f)``."""
    edges, sides = strand_map.crossing_edge.tolist(), strand_map.crossing_sides.tolist()
    halves = Counter()
    for edge, pair in zip(edges, sides, strict=True):
        for index in (0, 1):
            halves[edge, index] = max(halves[edge, index], pair[index])
    names = []
    for edge, pair in zip(edges, sides, strict=True):
        x, y = layout.site[edge].tolist()
        # the left of what goes to the right is up
        offset = {}
        for index in (0, 1):
            dx, dy = direction(x, index)
            offset[dx == dy] = (dx if pair[index] == 0 else -dx) if halves[edge, index] else 0
        names.append((x, y, offset[True], offset[False]))
    return names


def tool_ends(layout: Layout, circuits: Circuits, strand_map: StrandMap) -> list[End]:
    """Each end of the tool's map as an :class:`End`."""
    ends = []
    for name in crossing_names(layout, strand_map):
        d0, d1 = direction(name[0], 0), direction(name[0], 1)
        for dx, dy in (d1, (-d0[0], -d0[1]), (-d1[0], -d1[1]), d0):
            ends.append(End("crossing", name, (dx, dy)))
    visits = visit_directions(layout, circuits)
    starts = circuits.visit_start.tolist()
    before = {v: (v - 1 if v > a else b - 1) for a, b in zip(starts, starts[1:], strict=False) for v in range(a, b)}
    for visit, opens in zip(strand_map.fork_visit.tolist(), strand_map.fork_opens.tolist(), strict=True):
        if opens:
            x, y, dx, dy = visits[visit]
            node = (x, y, -dx, -dy)
        else:
            node = visits[before[visit]]
        # anticlockwise from the trunk: the right half of one who looks from the trunk at the halves, then the left
        ends += [
            End("fork", node, ("trunk",)),
            End("fork", node, ("half", node[2])),
            End("fork", node, ("half", -node[2])),
        ]
    return ends


def tool_over(layout: Layout, strand_map: StrandMap, pass_one_over: np.ndarray) -> Over:
    """Whether the rising strand is over at each woven crossing."""
    names = crossing_names(layout, strand_map)
    return {
        name: bool(one) == (direction(name[0], 1)[0] == direction(name[0], 1)[1])
        for name, one in zip(names, pass_one_over.tolist(), strict=True)
    }
