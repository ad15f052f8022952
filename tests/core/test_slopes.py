"""The least steepest slope against linear programmes that are stated here and solved by HiGHS."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from knotgeom.design import Breaks, Design, Divide, Grid, Heights, Making, Pass, Rejoin, Site, Strand, Way
from knotgeom.divide import circuit_of_visit
from knotgeom.made import make
from knotgeom.slopes import Constraints, highest, least_slope
from knotgeom.stretches import Lines, slope_constraints
from tests.core.measures import least_slope_by_programme, rows_of
from tests.core.reference import crossing_names, direction, made

# ---------------------------------------------------------------------------------------------- random graphs


@st.composite
def constraint_graphs(draw):
    """Small graphs: strands (rows both ways with a length), separations (a drop, no length), now and then slack."""
    nodes = draw(st.integers(2, 8))
    node = st.integers(0, nodes - 1)
    rows = []
    for a, b, run in draw(st.lists(st.tuples(node, node, st.integers(1, 9)), min_size=1, max_size=12)):
        rows += [(a, b, run / 2, 0.0), (b, a, run / 2, 0.0)]
    for a, b, drop in draw(st.lists(st.tuples(node, node, st.integers(1, 5)), min_size=1, max_size=6)):
        rows.append((a, b, 0.0, drop / 4))
    for a, b, slack in draw(st.lists(st.tuples(node, node, st.integers(1, 8)), max_size=3)):
        rows.append((a, b, 0.0, -slack / 4))
    tail, head, run, drop = zip(*rows, strict=True)
    return Constraints(nodes, np.array(tail), np.array(head), np.array(run), np.array(drop))


def check_cycle(given: Constraints, tightest):
    """The rows named form closed walks whose separations, over the length they leave, need exactly that slope."""
    rows = tightest.rows
    assert len(rows)
    assert sorted(given.tail[rows].tolist()) == sorted(given.head[rows].tolist())
    drop, run = given.drop[rows].sum(), given.run[rows].sum()
    if math.isinf(tightest.slope):
        assert drop > 0 and run < 1e-9
    else:
        assert drop / run == pytest.approx(tightest.slope, rel=1e-9)


@given(constraint_graphs())
def test_the_least_slope_is_the_optimum_of_a_linear_programme(graph):
    found = least_slope(graph)
    assert found.slope == pytest.approx(least_slope_by_programme(graph), rel=1e-6, abs=1e-9)
    if found.slope > 0:
        check_cycle(graph, found)


@given(constraint_graphs(), st.lists(st.sampled_from([0.0, 0.5, 1.0, 1.3, 9.0]), min_size=21, max_size=21))
def test_beginning_from_what_limited_other_separations_finds_the_same_optimum(graph, factors):
    before = least_slope(graph)
    other = replace(graph, drop=graph.drop * np.resize(factors, len(graph.drop)))
    found = least_slope(other, before.rows)
    assert found.slope == pytest.approx(least_slope_by_programme(other), rel=1e-6, abs=1e-9)
    if found.slope > 0:
        check_cycle(other, found)


@given(constraint_graphs(), st.lists(st.integers(-4, 4), min_size=8, max_size=8), st.sampled_from([1.0, 1.5]))
def test_highest_heights_are_greatest_at_every_node_at_once(graph, ceiling, factor):
    least = least_slope(graph).slope
    if math.isinf(least):
        return
    slope, top = least * factor + 1e-6, np.array(ceiling[: graph.nodes], float)
    height = highest(graph, slope, top)
    keeps = height[graph.head] - height[graph.tail] - slope * graph.run + graph.drop
    assert keeps.max() <= 1e-8 and (height <= top).all()
    matrix = rows_of(graph)[:, : graph.nodes]
    answer = linprog(
        -np.ones(graph.nodes),
        A_ub=matrix,
        b_ub=slope * graph.run - graph.drop,
        bounds=[(None, float(t)) for t in top],
        method="highs",
    )
    assert answer.status == 0
    assert height == pytest.approx(answer.x, abs=1e-6)


def test_heights_that_no_slope_allows_are_refused():
    impossible = Constraints(2, np.array([0, 1]), np.array([1, 0]), np.zeros(2), np.ones(2))
    assert math.isinf(least_slope(impossible).slope)
    with pytest.raises(ArithmeticError):
        highest(impossible, 100.0, np.zeros(2))


# ---------------------------------------------------------------------------------------------- designs


WIDE = Strand(width=4.0, thickness=0.8)
DESIGNS = {
    "plain": Design(Grid(4, 4, 10.0, 10.0), strand=WIDE),
    "breaks": Design(Grid(4, 3, 10.0, 8.0), Breaks((Site(3, 2),), (Site(4, 3),)), strand=Strand(3.0, 0.8)),
    "one circuit divided": Design(
        Grid(4, 4, 10.0, 10.0), divide=Divide(circuits=(Pass(1, 2, Way.RISING),), gap=1.0), strand=WIDE
    ),
    "forks": Design(
        Grid(4, 4, 10.0, 10.0),
        divide=Divide(passes=(Pass(3, 4, Way.RISING), Pass(4, 3, Way.FALLING)), gap=1.0),
        strand=WIDE,
    ),
    "rejoined": Design(Grid(3, 3, 10.0, 10.0), divide=Divide(all=True, rejoin=Rejoin.BENDS, gap=1.2), strand=WIDE),
    "carved": Design(
        Grid(3, 4, 10.0, 10.0, ((0, 0),)),
        divide=Divide(passes=(Pass(3, 4, Way.RISING),), gap=1.0),
        strand=WIDE,
        heights=Heights(Making.CARVED, step=0.8),
    ),
}


@pytest.mark.parametrize("name", DESIGNS)
def test_the_least_slope_of_a_design_is_the_optimum_of_a_linear_programme(name):
    relief = make(DESIGNS[name]).drawn.relief
    assert relief.tightest.slope == pytest.approx(least_slope_by_programme(relief.constraints), rel=1e-6)
    assert relief.tightest.slope > 0
    check_cycle(relief.constraints, relief.tightest)


@pytest.mark.parametrize("share", [1.5, 0.6])
def test_a_depth_limit_enters_the_programme(share):
    done = make(DESIGNS["one circuit divided"])
    relief, size = done.drawn.relief, done.counted.size
    # without any rounding, as the constraints take them
    lines = Lines(relief.stretches, done.drawn.lanes, 0.0)
    wanted = np.full(done.counted.strand_map.crossings, size.separation)
    deep = slope_constraints(lines, relief.stretches, done.counted.weaving, wanted, share * size.separation)
    assert least_slope(deep).slope == pytest.approx(least_slope_by_programme(deep), rel=1e-6)
    assert math.isinf(least_slope(deep).slope) == (share < 1)


# ---------------------------------------------------------------------------------------------- straight lines

CELL, WIDTH, GAP, SEPARATION = 10.0, 4.0, 1.0, 1.0


def straight_plan(circuits):
    """Overlaps on the zig-zag centre lines of the plain 4 x 4, some circuits divided, built from crossings alone.

    Strands are straight from site to site, offsets of halves are parallel, strands cross at right angles, so every
    overlap reaches half the other strand's width to either side.

    Returns the lanes as ``{(circuit, side): [(from, to, crossing, strand)]}`` along their length, each circuit's
    length, and the weave.
    """
    plain = Design(Grid(4, 4, CELL, CELL))
    layout, traced, _, _ = made(plain)
    owner = circuit_of_visit(traced)
    chosen = []
    for circuit in circuits:
        visit = int(traced.visit_start[circuit])
        x, y = layout.site[traced.visit_edge[visit]].tolist()
        dx, dy = direction(x, int(traced.visit_pass[visit]))
        chosen.append(Pass(x, y, Way.RISING if dx == dy else Way.FALLING))
    layout, traced, strand_map, weaving = made(
        Design(Grid(4, 4, CELL, CELL), divide=Divide(circuits=tuple(chosen), gap=GAP))
    )
    step, half, offset = CELL / math.sqrt(2), (WIDTH - GAP) / 2, (WIDTH + GAP) / 4
    visit_at = {
        key: v for v, key in enumerate(zip(traced.visit_edge.tolist(), traced.visit_pass.tolist(), strict=True))
    }
    lanes: dict[tuple[int, int], list[tuple[float, float, int, int]]] = {}
    for crossing, (x, _, r, f) in enumerate(crossing_names(layout, strand_map)):
        edge = int(strand_map.crossing_edge[crossing])
        for strand in (0, 1):
            visit = visit_at[edge, strand]
            forward = bool(traced.visit_forward[visit])
            dx, dy = direction(x, strand, forward)
            mine, other = (r, f) if dx == dy else (f, r)
            # the other strand's offset, upwards across it, taken along this strand's own way
            shift = other * offset * (1 if dy > 0 else -1)
            side = 2 if mine == 0 else int(strand_map.crossing_sides[crossing, strand]) ^ (not forward)
            reach = (half if other else WIDTH) / 2
            place = step * (int(traced.visit_dart[visit]) - int(traced.dart_start[owner[visit]])) + shift
            lanes.setdefault((int(owner[visit]), side), []).append((place - reach, place + reach, crossing, strand))
    length = {c: step * int(np.diff(traced.dart_start)[c]) for c in range(traced.count)}
    return {lane: sorted(at) for lane, at in lanes.items()}, length, weaving.pass_one_over


def plan_constraints(lanes, length, one_over):
    """Overlaps level from end to end (at right angles that costs nothing), with rooms to climb between."""
    rows = []
    for (circuit, _), overlaps in lanes.items():
        for k, (_, end, crossing, strand) in enumerate(overlaps):
            begin, _, following, other = overlaps[(k + 1) % len(overlaps)]
            room = begin - end + (length[circuit] if k + 1 == len(overlaps) else 0.0)
            a, b = 2 * crossing + strand, 2 * following + other
            rows += [(a, b, room, 0.0), (b, a, room, 0.0)]
    for crossing, over in enumerate(one_over.tolist()):
        rows.append((2 * crossing + over, 2 * crossing + (not over), 0.0, SEPARATION))
    tail, head, run, drop = (np.array(column) for column in zip(*rows, strict=True))
    return Constraints(2 * len(one_over), tail.astype(int), head.astype(int), run.astype(float), drop.astype(float))


def fixed_levels(lanes, length, one_over):
    """Steepest slope where everything above lies on one level and everything below on another."""
    worst = 0.0
    for (circuit, _), overlaps in lanes.items():
        for k, (_, end, crossing, strand) in enumerate(overlaps):
            begin, _, following, other = overlaps[(k + 1) % len(overlaps)]
            room = begin - end + (length[circuit] if k + 1 == len(overlaps) else 0.0)
            if (bool(one_over[crossing]) == strand) != (bool(one_over[following]) == other):
                worst = max(worst, SEPARATION / room)
    return worst


def sampled_programme(lanes, length, one_over, spacing):
    """Least slope, and that of two fixed levels, between samples: separation is kept at the samples inside overlaps."""
    first: dict[tuple[int, int], int] = {}
    tail, head, run, inside, count, fixed = [], [], [], {}, 0, 0.0
    for lane, overlaps in lanes.items():
        number = round(length[lane[0]] / spacing)
        pace = length[lane[0]] / number
        first[lane] = count
        level = np.zeros(number)
        at = pace * np.arange(number)
        for begin, end, crossing, strand in overlaps:
            middle = (begin + end) / 2
            away = np.mod(at - middle + length[lane[0]] / 2, length[lane[0]]) - length[lane[0]] / 2
            samples = np.flatnonzero(np.abs(away) <= (end - begin) / 2 + 1e-9)
            inside[crossing, strand] = count + samples
            level[samples] = 1 if bool(one_over[crossing]) == strand else -1
        set_ = np.flatnonzero(level)
        for here, there in zip(set_, np.roll(set_, -1), strict=True):
            if level[here] != level[there]:
                fixed = max(fixed, SEPARATION / (((there - here) % number) * pace))
        here = count + np.arange(number)
        there = count + (np.arange(number) + 1) % number
        tail += [here, there]
        head += [there, here]
        run += [np.full(2 * number, pace)]
        count += number
    drop = [np.zeros(sum(len(part) for part in tail))]
    for crossing, over in enumerate(one_over.tolist()):
        upper, lower = np.meshgrid(inside[crossing, int(over)], inside[crossing, int(not over)], indexing="ij")
        tail.append(upper.ravel())
        head.append(lower.ravel())
        run.append(np.zeros(upper.size))
        drop.append(np.full(upper.size, SEPARATION))
    graph = Constraints(count, *(np.concatenate(column) for column in (tail, head, run, drop)))
    return least_slope_by_programme(graph), fixed, graph


def degrees(slope):
    return math.degrees(math.atan(slope))


@pytest.mark.parametrize("circuit", range(4))
def test_one_divided_circuit_climbs_well_under_two_fixed_levels(circuit):
    """4 x 4 cells of 10 mm, 4 mm strands, gap and separation 1 mm, strands straight in plan, one circuit divided.

    Between its crossings a half has 1 mm to climb, a whole strand 7.071 - 4 = 3.071 mm; with one half riding high and
    the other low the two are shared: the least slope is 2 / (1 + 3.071), 26.2 degrees, against 1 / 1, 45 degrees.
    """
    plan = straight_plan([circuit])
    graph = plan_constraints(*plan)
    assert least_slope(graph).slope == pytest.approx(least_slope_by_programme(graph), rel=1e-7)
    assert least_slope(graph).slope == pytest.approx(2 / (GAP + CELL / math.sqrt(2) - WIDTH), rel=1e-9)
    assert fixed_levels(*plan) == pytest.approx(SEPARATION / GAP, rel=1e-9)


def test_samples_of_the_same_plan_are_less_steep_than_what_lies_between_them():
    """The figures of the design document, 22.6 degrees against 39.8, are those of samples 0.6 mm apart.

    A room of 1 mm then looks like two spaces of 0.6 mm, one of 3.07 mm like six: 2 / (1.2 + 3.6) and 1 / 1.2.
    """
    plan = straight_plan([0])
    least, fixed, graph = sampled_programme(*plan, spacing=0.6)
    assert degrees(least) == pytest.approx(22.6, abs=0.1)
    assert degrees(fixed) == pytest.approx(39.8, abs=0.1)
    assert least_slope(graph).slope == pytest.approx(least, rel=1e-7)
    assert least < least_slope(plan_constraints(*plan)).slope


def test_where_everything_is_divided_two_fixed_levels_are_best():
    plan = straight_plan([0, 1, 2, 3])
    assert least_slope(plan_constraints(*plan)).slope == pytest.approx(fixed_levels(*plan), rel=1e-9)


def test_where_nothing_is_divided_two_fixed_levels_are_best():
    plan = straight_plan([])
    assert least_slope(plan_constraints(*plan)).slope == pytest.approx(fixed_levels(*plan), rel=1e-9)
    assert fixed_levels(*plan) == pytest.approx(SEPARATION / (CELL / math.sqrt(2) - WIDTH), rel=1e-9)
