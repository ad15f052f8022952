"""Circuits: counts from number theory and linear algebra, courses from a walker on half cells."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest
from hypothesis import event, given, settings

from knotgeom.design import Breaks, Design, Grid, Site
from knotgeom.layout import CROSSING, grid_layout
from knotgeom.trace import trace
from tests.core.reference import visit_directions, walks
from tests.core.strategies import cells_beside, cells_of, designs, inner_sites

Step = tuple[int, int, int, int]


def circuits_of(design: Design) -> int:
    return trace(grid_layout(design.layout, design.breaks)).count


def one_way(course: list[Step]) -> tuple[Step, ...]:
    """A closed course, named the same wherever it begins and whichever way it runs."""
    back = [(x, y, -dx, -dy) for x, y, dx, dy in reversed(course)]
    turns = [c[i:] + c[:i] for c in (course, back) for i in range(len(course))]
    return tuple(min(turns)) if course else ()


@pytest.mark.parametrize("columns", range(1, 13))
@pytest.mark.parametrize("rows", range(1, 13))
def test_the_plain_plait_has_gcd_circuits_and_2cr_minus_c_minus_r_crossings(columns: int, rows: int) -> None:
    # circuits: Lj. Radovic, lecture "Mirror curves" (c = GCD(a, b)); crossings: edges of the grid graph, status C
    layout = grid_layout(Grid(columns, rows, 10.0, 10.0), Breaks())
    assert trace(layout).count == math.gcd(columns, rows)
    assert int((layout.state == CROSSING).sum()) == 2 * columns * rows - columns - rows


def test_a_plait_of_200_by_200_cells_is_traced() -> None:
    circuits = trace(grid_layout(Grid(200, 200, 10.0, 10.0), Breaks()))
    assert circuits.count == 200
    assert len(circuits.visit_edge) == 2 * (2 * 200 * 200 - 400)


@settings(deadline=None, max_examples=250)
@given(designs(5, divided=False))
def test_circuits_take_the_courses_of_a_walker_that_turns_back_at_walls(design: Design) -> None:
    layout = grid_layout(design.layout, design.breaks)
    circuits = trace(layout)
    steps = visit_directions(layout, circuits)
    starts = circuits.visit_start.tolist()
    traced = [steps[a:b] for a, b in zip(starts, starts[1:], strict=False)]
    walked = [[visit[:4] for visit in walk] for walk in walks(design)]
    event("loops without a crossing" if [] in walked else "every circuit crosses")
    assert Counter(map(one_way, traced)) == Counter(map(one_way, walked))
    assert len(circuits.darts) == 4 * len(cells_of(design.layout))  # every corner of every cell has its step


@settings(deadline=None, max_examples=100)
@given(designs(5, divided=False))
def test_runs_turn_back_as_often_as_the_walker(design: Design) -> None:
    layout = grid_layout(design.layout, design.breaks)
    circuits = trace(layout)
    traced: Counter[frozenset[tuple[Step, int]]] = Counter()
    names = visit_directions(layout, circuits)
    for first, last, start, end in zip(
        circuits.visit_start, circuits.visit_start[1:], circuits.dart_start, circuits.dart_start[1:], strict=False
    ):
        for v in range(first, last):
            before = v - 1 if v > first else last - 1
            darts = (circuits.visit_dart[v] - circuits.visit_dart[before] - 1) % (end - start)
            x, y, dx, dy = names[v]
            traced[frozenset([(names[before], int(darts)), ((x, y, -dx, -dy), int(darts))])] += 1
    walked: Counter[frozenset[tuple[Step, int]]] = Counter()
    for walk in walks(design):
        for place, (x, y, dx, dy, bounces) in enumerate(walk):
            walked[frozenset([(walk[place - 1][:4], bounces), ((x, y, -dx, -dy), bounces)])] += 1
    assert traced == walked


def nullity_mod_2(matrix: np.ndarray) -> int:
    """Dimension of the null space over GF(2)."""
    rows = [int("".join(map(str, row)), 2) for row in (matrix % 2).tolist()]
    rank = 0
    while rows:
        row = rows.pop()
        if row:
            rank += 1
            low = row & -row
            rows = [other ^ row if other & low else other for other in rows]
    return len(matrix) - rank


@settings(deadline=None, max_examples=250)
@given(designs(5, divided=False))
def test_circuits_are_the_nullity_of_the_laplacian_modulo_2(design: Design) -> None:
    # D. Silver and S. Williams, On the component number of links from plane graphs, 2014, theorem 1.1: nodes are the
    # cells, a crossing joins the two beside it; a break along their common side parts them, one across it makes them
    # one. Where the ones made so close up in rings the diagram falls apart: one circuit more for every ring (D).
    cells = sorted(cells_of(design.layout))
    merged = {cell: cell for cell in cells}

    def find(cell: tuple[int, int]) -> tuple[int, int]:
        while merged[cell] != cell:
            cell = merged[cell]
        return cell

    rings, joins = 0, []
    for site in inner_sites(design.layout):
        one, two = cells_beside(site)
        level = site.x % 2 == 1  # on a horizontal grid line
        if site in (design.breaks.vertical if level else design.breaks.horizontal):
            if find(one) == find(two):
                rings += 1
            merged[find(one)] = find(two)
        elif site not in design.breaks.horizontal and site not in design.breaks.vertical:
            joins.append((one, two))
    number = {node: i for i, node in enumerate(sorted({find(cell) for cell in cells}))}
    laplacian = np.zeros((len(number), len(number)), np.int64)
    for one, two in joins:
        u, v = number[find(one)], number[find(two)]
        laplacian[u, u] += 1
        laplacian[v, v] += 1
        laplacian[u, v] -= 1
        laplacian[v, u] -= 1
    event(f"rings: {min(rings, 2)}")
    assert circuits_of(design) == nullity_mod_2(laplacian) + rings


def test_single_breaks_part_or_join_circuits() -> None:
    # values by tracing and by the nullity above, status C
    plait, square = Grid(2, 3, 10.0, 10.0), Grid(3, 3, 10.0, 10.0)
    assert circuits_of(Design(plait, Breaks(vertical=(Site(2, 3),)))) == 2
    assert circuits_of(Design(plait, Breaks(horizontal=(Site(2, 3),)))) == 1
    assert circuits_of(Design(square, Breaks(vertical=(Site(2, 1),)))) == 2


def test_a_loop_without_a_crossing_is_a_circuit_and_the_walk_outside_is_none() -> None:
    circuits = trace(grid_layout(Grid(1, 1, 10.0, 10.0), Breaks()))
    assert (circuits.count, len(circuits.visit_edge), len(circuits.darts)) == (1, 0, 4)
    # two cells walled off from each other, two cells that touch only at a corner, and two with one loop round both
    assert circuits_of(Design(Grid(2, 1, 10.0, 10.0), Breaks(vertical=(Site(2, 1),)))) == 2
    assert circuits_of(Design(Grid(2, 2, 10.0, 10.0, without=((0, 1), (1, 0))))) == 2
    assert circuits_of(Design(Grid(2, 1, 10.0, 10.0), Breaks(horizontal=(Site(2, 1),)))) == 1
    # breaks across all round the middle of four cells: a loop along the boundary and one round the middle
    round_middle = Breaks(horizontal=(Site(2, 1), Site(2, 3)), vertical=(Site(1, 2), Site(3, 2)))
    assert circuits_of(Design(Grid(2, 2, 10.0, 10.0), round_middle)) == 2
