"""Over and under: least failures against exhaustive search, an integer programme and spin glasses; hand and wishes."""

from __future__ import annotations

import itertools
import math
import random
import sys
from collections import Counter
from dataclasses import replace

import networkx
import numpy as np
import pytest
from hypothesis import assume, event, given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from knotgeom.design import Breaks, Design, Divide, Grid, Hand, Pass, Rejoin, Site, Way, Weave
from knotgeom.tjoin import adjacency, least_matching, minimum_t_join, nearby_matching
from knotgeom.weave import (
    end_turns,
    faces,
    favour,
    first_crossings,
    fork_pieces,
    least_failures,
    spins,
    wished_spins,
)
from tests.core.reference import Over, Woven, made, parts, step_costs, tool_over, woven
from tests.core.strategies import designs, drawn, inner_sites

EXAMPLE = Design(
    Grid(4, 4, 10.0, 10.0, ((3, 3),)),
    Breaks((Site(3, 4), Site(5, 4)), (Site(4, 3),)),
    Divide((Pass(1, 2, Way.RISING),), (Pass(3, 2, Way.FALLING),), False, Rejoin.NONE, 0.8),
    Weave(Hand.RIGHT, (Pass(1, 2, Way.RISING),)),
)
"""The design that shows the file format."""


def failures(reference: Woven, over: Over) -> tuple[int, int]:
    """Failing steps and failing pieces at forks of one weave, every fork in its best state."""
    states, steps, at_forks = step_costs(reference)
    wanted = np.array([over[name] for name in reference.crossings], bool)
    row = np.flatnonzero((states == wanted).all(1))[0]
    return int(steps[row]), int(at_forks[row])


def best(steps: np.ndarray, at_forks: np.ndarray) -> np.ndarray:
    """Which weaves have the fewest failing steps and among those the fewest failures at forks."""
    fewest = steps == steps.min()
    return fewest & (at_forks == at_forks[fewest].min())


def small_designs(count: int, seed: int) -> list[tuple[Design, Woven]]:
    """Designs of up to 14 woven crossings, with forks."""
    rng = random.Random(seed)
    found: list[tuple[Design, Woven]] = []
    while len(found) < count:
        design = drawn(rng, rng.randint(1, 4), rng.randint(2, 4), rng.randint(1, 5), rng.choice([0.0, 0.2, 0.4]), 8)
        reference = woven(design)
        if reference.forks and len(reference.crossings) <= 14:
            found.append((design, reference))
    return found


def test_the_example_of_the_design_file_has_the_counts_it_states() -> None:
    layout, circuits, strand_map, weave = made(EXAMPLE)
    assert (int((layout.state == 0).sum()), circuits.count) == (19, 4)
    assert (strand_map.crossings, strand_map.forks, weave.exceptions) == (25, 2, 2)
    assert weave.unmet == ()


# --------------------------------------------------------------------------------------------------- without forks


@settings(deadline=None, max_examples=150)
@given(designs(5, passes=False, rejoined=False))
def test_without_forks_every_strand_goes_over_and_under_in_turn(design: Design) -> None:
    # Encyclopedia of Mathematics, "Alternating knots and links": any diagram can be made alternating
    layout, _, strand_map, weave = made(design)
    assert (weave.exceptions, weave.fork_exceptions, weave.exact) == (0, 0, True)
    over = tool_over(layout, strand_map, weave.pass_one_over)
    for a, b in woven(design).pieces:
        assert (over[a.node] == a.upper_when_true) != (over[b.node] == b.upper_when_true)


def test_200_by_200_cells_divided_alternate_on_every_step() -> None:
    _, _, strand_map, weave = made(Design(Grid(200, 200, 10.0, 10.0), divide=Divide(all=True)))
    assert strand_map.crossings == 4 * (2 * 200 * 200 - 400)
    node, slot = strand_map.ends >> 2, strand_map.ends & 3
    over = (slot % 2 == 0) == weave.pass_one_over[node]
    assert (over[:, 0] ^ over[:, 1]).all()
    assert weave.exceptions == 0


# --------------------------------------------------------------------------------------------------- least failures


def check_least(design: Design, reference: Woven) -> tuple[int, int]:
    layout, _, strand_map, weave = made(design)
    _, steps, at_forks = step_costs(reference)
    row = np.flatnonzero(best(steps, at_forks))[0]
    least = int(steps[row]), int(at_forks[row])
    assert (weave.exceptions, weave.fork_exceptions) == least
    # and the weave given has them
    assert failures(reference, tool_over(layout, strand_map, weave.pass_one_over)) == least
    assert weave.exact
    return least


def test_failures_are_the_fewest_of_all_weaves_on_designs_with_forks() -> None:
    least = [check_least(*both) for both in small_designs(400, seed=1)]
    assert sum(steps > 0 for steps, _ in least) >= 50
    assert sum(at_forks > 0 for _, at_forks in least) >= 200
    assert max(least)[0] >= 2


@settings(deadline=None, max_examples=150)
@given(designs(4))
def test_failures_are_the_fewest_of_all_weaves_on_any_small_design(design: Design) -> None:
    reference = woven(design)
    assume(len(reference.crossings) <= 14)
    steps, _ = check_least(design, reference)
    event(f"forks: {min(reference.forks, 4)}, exceptions: {min(steps, 2)}")


def programme(reference: Woven) -> tuple[int, int]:
    """The fewest failures by HiGHS: 0 or 1 for every node's state and every piece's failing."""
    nodes = sorted({(end.kind, end.node) for piece in reference.pieces for end in piece})
    at = {node: i for i, node in enumerate(nodes)}
    count = len(nodes) + len(reference.pieces)
    rows, lower = [], []

    def demand(coefficients: dict[int, float], least: float) -> None:
        row = np.zeros(count)
        for column, value in coefficients.items():
            row[column] += value
        rows.append(row)
        lower.append(least)

    graph = networkx.Graph()
    asks_change: dict[frozenset[int], set[tuple[int, bool]]] = {}
    for piece, (a, b) in enumerate(reference.pieces):
        u, v, fails = at[a.kind, a.node], at[b.kind, b.node], len(nodes) + piece
        differ = a.upper_when_true == b.upper_when_true  # then over and under alternate where the states differ
        if u == v:
            demand({fails: 1.0}, float(differ))
            continue
        if differ:
            demand({fails: 1.0, u: 1.0, v: 1.0}, 1.0)
            demand({fails: 1.0, u: -1.0, v: -1.0}, -1.0)
        else:
            demand({fails: 1.0, u: 1.0, v: -1.0}, 0.0)
            demand({fails: 1.0, u: -1.0, v: 1.0}, 0.0)
        graph.add_edge(u, v)
        asks_change.setdefault(frozenset((u, v)), set()).add((fails, differ))
    # what follows from these and helps the solver: round a closed course with an odd number of demands one fails
    for choices in asks_change.values():
        if len({differ for _, differ in choices}) == 2:
            demand({fails: 1.0 for fails, _ in choices}, 1.0)
    for cycle in networkx.minimum_cycle_basis(graph):
        around = [sorted(asks_change[frozenset(pair)]) for pair in itertools.pairwise([*cycle, cycle[0]])]
        if sum(choice[0][1] for choice in around) % 2:
            demand({choice[0][0]: 1.0 for choice in around}, 1.0)
    fork_piece = [any(end.kind == "fork" for end in piece) for piece in reference.pieces]
    step_cost = sum(fork_piece) + 1
    cost = np.concatenate([np.zeros(len(nodes)), np.where(fork_piece, 1.0, float(step_cost))])
    found = milp(
        cost,
        constraints=LinearConstraint(np.array(rows), np.array(lower), np.inf),
        integrality=np.ones(count),
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": 0.0},
    )
    assert found.status == 0
    return divmod(round(found.fun), step_cost)


def test_failures_are_the_fewest_that_an_integer_programme_finds_on_larger_designs() -> None:
    rng = random.Random(5)
    least = []
    while len(least) < 12:
        design = drawn(rng, rng.randint(3, 5), rng.randint(4, 5), rng.randint(3, 9), rng.choice([0.0, 0.15]))
        reference = woven(design)
        if len(reference.crossings) < 20 or not reference.forks:
            continue
        _, _, _, weave = made(design)
        least.append((weave.exceptions, weave.fork_exceptions))
        assert least[-1] == programme(reference)
    assert sum(steps > 0 for steps, _ in least) >= 6


@settings(deadline=None, max_examples=200)
@given(designs(4))
def test_a_face_is_frustrated_where_it_holds_an_odd_number_of_crotches(design: Design) -> None:
    # status D: walking round a face changes over and under at every crossing and at every fork but between two halves
    _, _, strand_map, weave = made(design)
    mate = dict(strand_map.ends.tolist()) | {b: a for a, b in strand_map.ends.tolist()}
    turn, first_fork_end = end_turns(strand_map).tolist(), 4 * strand_map.crossings
    piece_at = {end: piece for piece, pair in enumerate(strand_map.ends.tolist()) for end in pair}

    def upper(end: int) -> bool:  # over when the node's state is true
        return end % 2 == 0 if end < first_fork_end else (end - first_fork_end) % 3 == 0

    seen: set[int] = set()
    frustrated = 0
    for start in mate:
        if start in seen:
            continue
        end, crotches, demands, failing = start, 0, 0, 0
        while end not in seen:
            seen.add(end)
            other = mate[end]
            demands += upper(end) == upper(other)
            failing += int(weave.failing[piece_at[end]])
            end = turn[other]
            crotches += end >= first_fork_end and (end - first_fork_end) % 3 == 2
        assert demands % 2 == crotches % 2
        assert failing % 2 == crotches % 2  # what fails is a T-join of the frustrated faces
        frustrated += crotches % 2
    assert frustrated % 2 == 0
    assert len(set(faces(strand_map).tolist())) == len(parts(woven(design))) * 2 + len(strand_map.ends) - (
        strand_map.crossings + strand_map.forks
    )
    event(f"frustrated: {min(frustrated, 4)}")


@settings(deadline=None, max_examples=60)
@given(designs(3, least=2, divided=False), st.data())
def test_one_divided_pass_frustrates_two_faces_or_none(design: Design, data: st.DataObject) -> None:
    # status D, computed on 53 plaits: one divided run gives no or two frustrated regions
    crossed = [s for s in inner_sites(design.layout) if s not in design.breaks.horizontal + design.breaks.vertical]
    assume(crossed)
    site, way = data.draw(st.sampled_from(crossed)), data.draw(st.sampled_from(Way))
    _, _, strand_map, weave = made(replace(design, divide=Divide(passes=(Pass(site.x, site.y, way),))))
    face = faces(strand_map)
    odd = np.bincount(face[strand_map.ends.ravel()], np.repeat(weave.failing, 2)) % 2
    assert odd.sum() in (0, 2)


def test_halves_that_nothing_crosses_between_their_forks_cost_nothing() -> None:
    # status D: a run crossed by nothing, no division and division throughout have no failure
    for divide in (Divide(), Divide(all=True)):
        assert made(Design(Grid(3, 4, 10.0, 10.0), divide=divide))[3].exceptions == 0


# --------------------------------------------------------------------------------------------------- T-joins


def square_glass(rows: int, columns: int) -> tuple[np.ndarray, list[tuple[int, int, int]]]:
    """Bonds of a sheet of plaquettes: (spin, spin) of each, and (bond, plaquette, plaquette), the outside last."""
    spin = np.arange((rows + 1) * (columns + 1)).reshape(rows + 1, columns + 1)
    outside = rows * columns
    bonds, dual = [], []

    def plaquette(row: int, column: int) -> int:
        return row * columns + column if 0 <= row < rows and 0 <= column < columns else outside

    for row, column in itertools.product(range(rows + 1), range(columns + 1)):
        if column < columns:
            dual.append((len(bonds), plaquette(row - 1, column), plaquette(row, column)))
            bonds.append((spin[row, column], spin[row, column + 1]))
        if row < rows:
            dual.append((len(bonds), plaquette(row, column - 1), plaquette(row, column)))
            bonds.append((spin[row, column], spin[row + 1, column]))
    return np.array(bonds), dual


def ground_state(rows: int, columns: int, negative: np.ndarray) -> int:
    """Unsatisfied bonds in the ground state, by a minimum T-join of the frustrated plaquettes."""
    _, dual = square_glass(rows, columns)
    odd = np.zeros(rows * columns + 1, np.int64)
    for bond, one, two in dual:
        odd[one] += negative[bond]
        odd[two] += negative[bond]
    frustrated = np.flatnonzero(odd % 2).tolist()
    edge, first, second = np.array(dual).T
    assert edge.tolist() == list(range(len(dual)))
    near = adjacency(rows * columns + 1, first, second, np.ones(len(dual), np.int64))
    join = minimum_t_join(near, frustrated, len(dual))
    degree = np.bincount(np.concatenate([first[join], second[join]]), minlength=rows * columns + 1)
    assert np.flatnonzero(degree % 2).tolist() == frustrated
    return int(join.sum())


def fully_frustrated(rows: int, columns: int) -> np.ndarray:
    """Bonds with an odd number of negative ones round each plaquette: every other column of upright bonds."""
    bonds, _ = square_glass(rows, columns)
    upright = bonds[:, 1] - bonds[:, 0] > 1
    return (upright & (bonds[:, 0] % (columns + 1) % 2 == 1)).astype(np.int64)


@pytest.mark.parametrize(
    ("rows", "columns", "failures"), [(1, 1, 1), (1, 5, 3), (2, 2, 2), (2, 3, 3), (3, 3, 5), (3, 4, 6), (6, 7, 21)]
)
def test_a_fully_frustrated_sheet_fails_on_half_its_plaquettes(rows: int, columns: int, failures: int) -> None:
    # I. Bieche et al., J. Phys. A 13 (1980), method; values by computation, C: half of the plaquettes, rounded up
    assert ground_state(rows, columns, fully_frustrated(rows, columns)) == failures == math.ceil(rows * columns / 2)


def test_one_negative_bond_fails_once_within_a_sheet_and_on_its_rim() -> None:
    for wanted in (0, 1):
        _, dual = square_glass(3, 3)
        bond = next(bond for bond, one, two in dual if (9 in (one, two)) == bool(wanted))
        assert ground_state(3, 3, np.eye(len(dual), dtype=np.int64)[bond]) == 1


def test_ground_states_of_random_signs_are_those_of_exhaustive_search() -> None:
    # F. Barahona, J. Phys. A 15 (1982); here 60 sheets of random bonds, status C
    rng = np.random.default_rng(3)
    above = 0
    for _ in range(60):
        rows, columns = (int(n) for n in rng.integers(1, 4, 2))
        bonds, _ = square_glass(rows, columns)
        negative = rng.integers(0, 2, len(bonds))
        spins = np.arange(1 << (rows + 1) * (columns + 1) - 1)[:, None] >> np.arange((rows + 1) * (columns + 1)) & 1
        unsatisfied = np.zeros(len(spins), np.int64)
        for (one, two), sign in zip(bonds, negative, strict=True):
            unsatisfied += (spins[:, one] ^ spins[:, two]) != sign
        assert ground_state(rows, columns, negative) == unsatisfied.min()
        above += unsatisfied.min() > 1
    assert above >= 20


def test_a_cheaper_way_round_is_taken_and_parallel_edges_count_by_their_lightest() -> None:
    first, second, weight = np.array([0, 0, 0, 2, 1]), np.array([1, 1, 2, 1, 1]), np.array([9, 7, 3, 3, 0])
    join = minimum_t_join(adjacency(3, first, second, weight), [0, 1], 5)
    assert join.tolist() == [False, False, True, True, False]
    weight[3] = 5
    assert minimum_t_join(adjacency(3, first, second, weight), [0, 1], 5).tolist() == [False, True, False, False, False]


@given(
    st.integers(2, 7),
    st.integers(2, 7),
    st.sampled_from([[1], [1, 2, 3], [1, 40], [1, 1, 1, 900]]),
    st.floats(0.05, 1.0),
    st.integers(0, 2**32),
)
def test_matching_only_what_is_near_gives_the_pairs_that_matching_everything_gives(rows, columns, lengths, share, seed):
    """Grids with steps of mixed lengths; all distances by SciPy's Dijkstra, all pairs offered to the matching."""
    chance = np.random.default_rng(seed)
    cell = np.arange(rows * columns).reshape(rows, columns)
    first = np.concatenate([cell[:, 1:].ravel(), cell[1:].ravel()])
    second = np.concatenate([cell[:, :-1].ravel(), cell[:-1].ravel()])
    weight = chance.choice(lengths, len(first))
    chosen = np.flatnonzero(chance.random(rows * columns) < share)
    chosen = chosen[: len(chosen) // 2 * 2]
    assume(len(chosen) >= 2)
    graph = csr_array((weight, (first, second)), shape=(rows * columns,) * 2)
    length = dijkstra(graph, directed=False, indices=chosen)[:, chosen].astype(np.int64)
    near = nearby_matching(adjacency(rows * columns, first, second, weight), chosen.tolist())
    assert near == least_matching(length)


def test_matchings_weigh_the_same_with_either_library(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("rustworkx")
    rng = np.random.default_rng(8)
    tables = []
    for count in (2, 4, 6, 8, 20, 40):
        upper = np.triu(rng.integers(0, 9, (count, count)), 1)
        tables.append(upper + upper.T)
    compiled = [least_matching(table) for table in tables]
    monkeypatch.setitem(sys.modules, "rustworkx", None)  # as where it is not installed
    plain = [least_matching(table) for table in tables]
    for table, one, two in zip(tables, compiled, plain, strict=True):
        for pairs in (one, two):
            assert sorted(node for pair in pairs for node in pair) == list(range(len(table)))
        assert sum(table[pair] for pair in one) == sum(table[pair] for pair in two)
    for table, pairs in list(zip(tables, plain, strict=True))[:4]:
        orders = itertools.permutations(range(len(table)))
        least = min(sum(table[p[i], p[i + 1]] for i in range(0, len(p), 2)) for p in orders)
        assert sum(table[pair] for pair in pairs) == least


def test_designs_fail_as_seldom_without_the_compiled_library(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("rustworkx")
    rng = random.Random(2)
    several = [drawn(rng, 6, 5, 14, 0.1) for _ in range(8)]
    compiled = [made(design)[3] for design in several]
    monkeypatch.setitem(sys.modules, "rustworkx", None)
    plain = [made(design)[3] for design in several]
    counts = [[(w.exceptions, w.fork_exceptions) for w in weaves] for weaves in (compiled, plain)]
    assert counts[0] == counts[1]
    assert any(steps for steps, _ in counts[0])


# --------------------------------------------------------------------------------------------------- hand and wishes


def lowest(names: list[tuple[int, int, int, int]]) -> tuple[int, int, int, int]:
    """Least y, then x, of the sites; there the lowest, then leftmost, crossing. Rising line r and falling line f, both
    offsets upwards, meet r + f up and f - r to the right of the middle."""
    return min(names, key=lambda n: (n[1], n[0], n[2] + n[3], n[3] - n[2]))


@settings(deadline=None, max_examples=150)
@given(designs(4))
def test_the_hand_settles_the_first_crossing_of_every_part(design: Design) -> None:
    design = replace(design, weave=replace(design.weave, prefer=()))
    layout, _, strand_map, weave = made(design)
    over = tool_over(layout, strand_map, weave.pass_one_over)
    for part in parts(woven(design)):
        first = lowest([name for kind, name in part if kind == "crossing"])
        assert over[first] == ((first[0] % 2 == 1) == (design.weave.hand is Hand.RIGHT))


@settings(deadline=None, max_examples=80)
@given(designs(5, divided=False))
def test_right_and_left_are_rising_over_or_under_on_horizontal_grid_lines(design: Design) -> None:
    for hand in Hand:
        layout, _, strand_map, weave = made(replace(design, weave=Weave(hand)))
        for (x, *_), rising in tool_over(layout, strand_map, weave.pass_one_over).items():
            assert rising == ((x % 2 == 1) == (hand is Hand.RIGHT))


@settings(deadline=None, max_examples=100)
@given(designs(4))
def test_the_two_hands_are_mirror_images(design: Design) -> None:
    weaves = [made(replace(design, weave=Weave(hand)))[3] for hand in Hand]
    assert (weaves[0].pass_one_over ^ weaves[1].pass_one_over).all()
    assert np.array_equal(weaves[0].failing, weaves[1].failing)


def wishes_kept(design: Design, over: Over) -> set[Pass]:
    """Preferred passes that are over at the lowest, then leftmost, crossing of their sites."""
    return {
        wish
        for wish in design.weave.prefer
        if over[lowest([name for name in over if name[:2] == wish.site])] == (wish.way is Way.RISING)
    }


def least_unmet(design: Design, reference: Woven) -> int:
    """The fewest wishes unmet among all weaves with the fewest failures."""
    states, steps, at_forks = step_costs(reference)
    states = states[best(steps, at_forks)]
    column = {name: i for i, name in enumerate(reference.crossings)}
    unmet = np.zeros(len(states), np.int64)
    for wish in design.weave.prefer:
        name = lowest([name for name in column if name[:2] == wish.site])
        unmet += states[:, column[name]] != (wish.way is Way.RISING)
    return int(unmet.min())


@settings(deadline=None, max_examples=150)
@given(designs(4))
def test_wishes_listed_unmet_are_those_that_are_not_over(design: Design) -> None:
    layout, _, strand_map, weave = made(design)
    kept = wishes_kept(design, tool_over(layout, strand_map, weave.pass_one_over))
    assert Counter(weave.unmet) == Counter(wish for wish in design.weave.prefer if wish not in kept)
    plain = made(replace(design, weave=replace(design.weave, prefer=())))[3]
    assert (weave.exceptions, weave.fork_exceptions) == (plain.exceptions, plain.fork_exceptions)


@settings(deadline=None, max_examples=100)
@given(designs(4, passes=False, rejoined=False))
def test_without_forks_the_fewest_wishes_that_can_be_are_unmet(design: Design) -> None:
    reference = woven(design)
    assume(len(reference.crossings) <= 14)
    assert len(made(design)[3].unmet) == least_unmet(design, reference)


def test_with_forks_the_fewest_wishes_that_can_be_are_unmet_on_nearly_all_small_designs() -> None:
    # best effort by design: wishes are served one after another and never against a wish already kept; 391 of these 400
    # designs, with up to eight wishes each, reached the fewest when this was written
    pairs = [(len(made(d)[3].unmet), least_unmet(d, r)) for d, r in small_designs(400, seed=4)]
    assert all(unmet >= least for unmet, least in pairs)
    assert sum(unmet == least for unmet, least in pairs) >= 380


def test_wishes_are_served_by_weaves_of_the_same_count_and_by_fewer_turned_crossings_not_as_often() -> None:
    rng, served = random.Random(3), 0
    for _ in range(60):
        design = drawn(rng, rng.randint(2, 4), rng.randint(2, 4), rng.randint(1, 4), 0.1)
        layout, _, strand_map, _ = made(design)
        fork_piece = fork_pieces(strand_map)
        failing, _ = least_failures(strand_map)
        spin, part = spins(strand_map, failing)
        order = first_crossings(layout, strand_map)
        wanted = list(wished_spins(layout, strand_map, order, design.weave.prefer).values())
        met = []
        for most in (1, 400):
            turned, fails = favour(strand_map, spin, failing, wanted, most)
            assert (fails.sum(), (fails & fork_piece).sum()) == (failing.sum(), (failing & fork_piece).sum())
            # these spins are the ones that make just these pieces fail, but for parts turned over whole
            other = spins(strand_map, fails)[0] ^ turned
            assert all(len(set(other[part == number])) == 1 for number in set(part.tolist()))
            met.append(sum(turned[crossing] == want for crossing, want in wanted))
        assert met[0] <= met[1]
        served += met[0] < met[1]
    assert served >= 5


def test_a_wish_goes_before_the_hand() -> None:
    for way in Way:
        weave = made(Design(Grid(2, 3, 10.0, 10.0), weave=Weave(Hand.RIGHT, (Pass(1, 2, way),))))[3]
        assert weave.unmet == ()
        assert weave.pass_one_over.tolist() == [way is Way.RISING] * 7
    both = Weave(Hand.LEFT, (Pass(1, 2, Way.RISING), Pass(1, 2, Way.FALLING)))
    assert made(Design(Grid(2, 3, 10.0, 10.0), weave=both))[3].unmet == (Pass(1, 2, Way.RISING),)
