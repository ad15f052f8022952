"""Halves, forks and the map of them, against walkers that carry two parallel lines."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from knotgeom.cycles import connected_labels
from knotgeom.design import Breaks, Design, Divide, Grid, Pass, Rejoin, Site, Way
from knotgeom.divide import strand_labels
from knotgeom.weave import end_nodes, end_turns
from tests.core.reference import linking, made, parts, tool_ends, tool_over, walks, woven
from tests.core.strategies import designs

EVERYTHING = Divide(all=True)


def doubled(columns: int, rows: int, rejoin: Rejoin = Rejoin.NONE) -> Design:
    return Design(Grid(columns, rows, 10.0, 10.0), divide=Divide(all=True, rejoin=rejoin))


@settings(deadline=None, max_examples=300)
@given(designs(4))
def test_the_map_is_that_of_parallel_lines_walked_side_by_side(design: Design) -> None:
    # every piece, the crossings and forks that it joins, and how it leaves each of them: nothing else, nothing twice
    layout, circuits, strand_map, _ = made(design)
    reference = woven(design)
    ends = tool_ends(layout, circuits, strand_map)
    event(f"forks: {min(reference.forks, 4)}")
    assert len(set(ends)) == len(ends) == strand_map.end_count
    assert sorted(strand_map.ends.ravel().tolist()) == list(range(len(ends)))
    assert Counter(frozenset((ends[a], ends[b])) for a, b in strand_map.ends.tolist()) == Counter(
        map(frozenset, reference.pieces)
    )
    assert strand_map.forks == reference.forks
    assert strand_map.crossings == len(reference.crossings)


@settings(deadline=None, max_examples=150)
@given(designs(4), st.sampled_from(Rejoin))
def test_forks_stand_where_divided_meets_whole_and_in_pairs_on_rejoined_steps(design: Design, rejoin: Rejoin) -> None:
    design = replace(design, divide=replace(design.divide, rejoin=rejoin))
    _, _, strand_map, _ = made(design)
    chosen = {tuple(divided) for divided in design.divide.passes}
    forks, crossing = 0, Counter()
    for walk in walks(design):
        course = [(visit.x, visit.y, visit.way) for visit in walk]
        whole_circuit = design.divide.all or any(tuple(named) in course for named in design.divide.circuits)
        halved = [whole_circuit or step in chosen for step in course]
        for place, visit in enumerate(walk):
            crossing[visit.x, visit.y] = max(1, crossing[visit.x, visit.y]) * (2 if halved[place] else 1)
            if halved[place] != halved[place - 1]:
                forks += 1
            elif halved[place] and (rejoin is Rejoin.STEPS or (rejoin is Rejoin.BENDS and visit.bounces)):
                forks += 2
    assert strand_map.forks == forks
    assert strand_map.crossings == sum(crossing.values())


@settings(deadline=None, max_examples=200)
@given(designs(4))
def test_the_map_lies_in_the_plane(design: Design) -> None:
    # Euler's formula with faces walked here one corner at a time
    _, _, strand_map, _ = made(design)
    mate = dict(strand_map.ends.tolist()) | {b: a for a, b in strand_map.ends.tolist()}
    turn = end_turns(strand_map).tolist()
    rest, faces = set(mate), 0
    while rest:
        end = first = rest.pop()
        faces += 1
        while (end := turn[mate[end]]) != first:
            rest.remove(end)
    nodes = strand_map.crossings + strand_map.forks
    assert nodes - len(mate) // 2 + faces == 2 * len(parts(woven(design)))
    node = end_nodes(strand_map, np.arange(strand_map.end_count))
    assert (
        Counter(Counter(node.tolist()).values()) == Counter({4: strand_map.crossings, 3: strand_map.forks}) + Counter()
    )


@pytest.mark.parametrize(("columns", "rows"), [(2, 2), (2, 3), (3, 3), (3, 4), (5, 2)])
def test_rejoining_a_divided_plait_puts_two_forks_on_each_step_it_names(columns: int, rows: int) -> None:
    crossings = 2 * columns * rows - columns - rows
    # each side of a cell on the rim is one bend; the two bends of a corner cell are on one step
    bent = 2 * (columns + rows) - 4
    assert made(doubled(columns, rows))[2].forks == 0
    assert made(doubled(columns, rows, Rejoin.BENDS))[2].forks == 2 * bent
    assert made(doubled(columns, rows, Rejoin.STEPS))[2].forks == 2 * (2 * crossings)


def test_rejoining_at_bends_counts_breaks_as_bends() -> None:
    # without the break 12 steps of the 3 x 3 plait bend; it takes a crossing and makes two more bends of its four steps
    plait = doubled(3, 3, Rejoin.BENDS)
    assert made(plait)[2].forks == 2 * 8
    assert made(replace(plait, breaks=Breaks(horizontal=(Site(3, 2),))))[2].forks == 2 * 10


def test_a_divided_pass_has_two_forks_and_neighbours_share_none() -> None:
    one = Design(Grid(3, 3, 10.0, 10.0), divide=Divide(passes=(Pass(2, 3, Way.RISING),)))
    two = replace(one, divide=Divide(passes=(Pass(2, 3, Way.RISING), Pass(3, 4, Way.RISING))))
    apart = replace(one, divide=Divide(passes=(Pass(2, 3, Way.RISING), Pass(5, 4, Way.RISING))))
    assert [made(design)[2].forks for design in (one, two, apart)] == [2, 2, 4]
    assert [made(design)[2].crossings for design in (one, two, apart)] == [13, 14, 14]
    steps = replace(two, divide=replace(two.divide, rejoin=Rejoin.STEPS))
    assert made(steps)[2].forks == 4


@settings(deadline=None, max_examples=100)
@given(designs(4, passes=False, rejoined=False))
def test_a_divided_circuit_is_two_closed_strands(design: Design) -> None:
    _, _, strand_map, _ = made(design)
    reference = woven(design)
    assert strand_map.forks == 0
    labels = strand_labels(strand_map)
    assert len(set(labels.tolist())) == len(reference.strands)


# 2 x 3, 3 x 4 and 4 x 5: parallel double of a closed plane curve, counts by computation (C) and standard
@pytest.mark.parametrize(("columns", "rows", "crossings"), [(2, 3, 28), (3, 4, 68), (4, 5, 124)])
def test_the_double_of_a_closed_curve_is_two_closed_curves_with_four_times_the_crossings(
    columns: int, rows: int, crossings: int
) -> None:
    _, _, strand_map, _ = made(doubled(columns, rows))
    reference = woven(doubled(columns, rows))
    assert strand_map.crossings == crossings
    assert len(set(strand_labels(strand_map).tolist())) == 2
    one, two = (Counter(node for node, _ in course) for course in reference.strands.values())
    assert sum((one & two).values()) == crossings // 2


# blackboard framing, status M; the values by computation, C
@pytest.mark.parametrize(("columns", "rows", "writhe"), [(2, 3, 7), (2, 5, 13), (3, 4, 17), (3, 5, 22)])
def test_halves_that_keep_their_parents_over_and_under_link_as_often_as_it_writhes(
    columns: int, rows: int, writhe: int
) -> None:
    layout, _, whole, weave = made(Design(Grid(columns, rows, 10.0, 10.0)))
    strand = frozenset([(0, 0)])
    parent = linking(woven(Design(Grid(columns, rows, 10.0, 10.0))), tool_over(layout, whole, weave.pass_one_over))
    assert parent[strand] == -writhe  # the design file's right hand: the plain 2 x 3 has writhe -7

    layout, _, halves, _ = made(doubled(columns, rows))
    over = tool_over(layout, halves, np.ones(halves.crossings, bool))
    assert linking(woven(doubled(columns, rows)), over)[frozenset([(0, 0), (0, 1)])] == -writhe


# status D (derived, then checked on random closed polygons); the values by computation, C
@pytest.mark.parametrize(("columns", "rows", "crossings"), [(2, 3, 7), (2, 7, 19), (3, 4, 17)])
def test_rewoven_halves_of_one_strand_link_as_often_as_it_crosses_itself(
    columns: int, rows: int, crossings: int
) -> None:
    layout, _, halves, weave = made(doubled(columns, rows))
    links = linking(woven(doubled(columns, rows)), tool_over(layout, halves, weave.pass_one_over))
    assert abs(links[frozenset([(0, 0), (0, 1)])]) == crossings


@settings(deadline=None, max_examples=100)
@given(designs(4, divided=False))
def test_rewoven_halves_link_by_the_crossings_of_their_parents_alone(design: Design) -> None:
    # status D: lk(Li, Ri) = -+ c_ii, lk(Li, Lj) = lk(Ri, Rj) = +- c_ij / 2, lk(Li, Rj) = -+ c_ij / 2, one sign for each
    # connected part of the design
    parent = woven(design)
    through: dict[tuple[int, int, int, int], list[int]] = {}
    for (circuit, _), course in parent.strands.items():
        for node, _way in course:
            through.setdefault(node, []).append(circuit)
    shared = Counter(frozenset(pair) for pair in through.values())

    whole = replace(design, divide=EVERYTHING)
    layout, _, halves, weave = made(whole)
    links = linking(woven(whole), tool_over(layout, halves, weave.pass_one_over))
    part_of = {
        circuit: number for number, part in enumerate(parts(parent)) for _, node in part for circuit in through[node]
    }
    sign: dict[int, int] = {}
    for pair, count in shared.items():
        i, j = min(pair), max(pair)
        for a, b in product((0, 1), repeat=2):
            if i == j and a == b:
                continue
            expected = -count if i == j else (count // 2 if a == b else -count // 2)
            found = links[frozenset([(i, a), (j, b)])]
            assert abs(found) == abs(expected)
            assert sign.setdefault(part_of[i], int(found / expected)) == found / expected
    event(f"pairs of circuits: {min(len(shared), 4)}")


@pytest.mark.parametrize(("columns", "rows", "own", "mutual"), [(2, 2, 0, 2), (2, 4, 1, 4)])
def test_halves_of_two_strands_link_as_computed_before(columns: int, rows: int, own: int, mutual: int) -> None:
    # status D, values C: 2 x 2 gives 0 and 2, 2 x 4 gives 1 and 4
    layout, _, halves, weave = made(doubled(columns, rows))
    links = linking(woven(doubled(columns, rows)), tool_over(layout, halves, weave.pass_one_over))
    for one, two in combinations(product((0, 1), repeat=2), 2):
        assert abs(links.get(frozenset((one, two)), 0)) == (own if one[0] == two[0] else mutual)


@settings(deadline=None, max_examples=60)
@given(st.sampled_from([(2, 3), (3, 4), (1, 4), (2, 5)]), st.integers(0, 2**68 - 1))
def test_however_the_double_is_woven_its_halves_link_at_most_as_often_as_the_parent_crosses(
    size: tuple[int, int], weave: int
) -> None:
    # standard: lk is half the signs of the 2c crossings between the halves, so whole and at most c; turning over a
    # crossing changes it by one where the two halves cross, else not at all
    reference = woven(doubled(*size))
    pair = frozenset([(0, 0), (0, 1)])
    over = {node: bool(weave >> i & 1) for i, node in enumerate(reference.crossings)}
    lk = linking(reference, over)[pair]
    assert lk.denominator == 1
    assert abs(lk) <= len(reference.crossings) // 4
    changes = Counter(abs(linking(reference, over | {node: not over[node]})[pair] - lk) for node in over)
    assert changes == {0: len(over) // 2, 1: len(over) // 2}


@settings(deadline=None, max_examples=60)
@given(designs(4))
def test_the_parts_of_the_map_are_those_of_its_pieces(design: Design) -> None:
    _, _, strand_map, weave = made(design)
    nodes = strand_map.crossings + strand_map.forks
    labels = connected_labels(nodes, *end_nodes(strand_map, strand_map.ends).T)
    assert len(set(labels.tolist())) == len(set(weave.part.tolist())) == len(parts(woven(design)))
