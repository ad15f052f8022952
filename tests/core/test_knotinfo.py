"""Knots and links by name, and determinants, from the planar diagram codes that the tool writes."""

from __future__ import annotations

import math
import re
from collections import Counter
from dataclasses import replace
from functools import cache

import pytest
import snappy  # noqa: F401 - gives Spherogram's links their exteriors
import spherogram
from database_knotinfo import link_list
from hypothesis import HealthCheck, assume, event, given, settings
from hypothesis import strategies as st

from knotgeom.design import Breaks, Design, Divide, Grid, Hand, Site, Weave
from knotgeom.divide import strand_labels
from knotgeom.weave import planar_diagram
from tests.core.pdcodes import (
    Code,
    checkerboard_graphs,
    components,
    connected,
    face_corners,
    fox_determinant,
    jones,
    linking_matrix,
    mirrored,
    signs,
    spanning_trees,
)
from tests.core.reference import End, crossing_names, linking, made, parts, tool_ends, tool_over, walks, woven
from tests.core.strategies import cells_beside, cells_of, designs, inner_sites


def plait(columns: int, rows: int, **more: object) -> Design:
    return Design(Grid(columns, rows, 10.0, 10.0), **more)  # type: ignore[arg-type]


def code_of(design: Design) -> Code:
    _, _, strand_map, weave = made(design)
    return planar_diagram(strand_map, weave)


def numbers(text: str) -> Code:
    """A table's planar diagram code."""
    return [[int(n) for n in re.findall(r"\d+", row)] for row in re.findall(r"[\[{]([\d, ]+)[\]}]", text)]


@cache
def table(links: bool, most: int) -> dict[str, dict[str, str]]:
    """KnotInfo's rows, or LinkInfo's, of up to ``most`` crossings."""
    rows = link_list(proper_links=links)[1:]
    names = (re.match(r"L?(\d+)", row["name"]) for row in rows)
    return {row["name"]: row for row, name in zip(rows, names, strict=True) if name and 0 < int(name[1]) <= most}


def polynomial_in_t(text: str) -> dict[int, int]:
    """KnotInfo's writing of a Jones polynomial, as coefficients of the powers of A; t = A^-4."""
    found: Counter[int] = Counter()
    for sign, factor, letter, power in re.findall(r"([+-]?)(\d*)\*?(t?)(?:\^\(?(-?\d+)\)?)?", text.replace(" ", "")):
        if factor or letter:
            exponent = (int(power) if power else 1) if letter else 0
            found[-4 * exponent] += (-1 if sign == "-" else 1) * int(factor or 1)
    return {power: factor for power, factor in found.items() if factor}


def lowered(polynomial: dict[int, int]) -> dict[int, int]:
    """A polynomial divided by its lowest power."""
    return {power - min(polynomial): factor for power, factor in polynomial.items()}


# --------------------------------------------------------------------------------------------------- the convention


def test_the_reading_of_a_code_is_knotinfos_own() -> None:
    # KnotInfo, page "PD Notation": anticlockwise from the incoming lower edge. Read so, its codes give the Jones
    # polynomials (Kauffman's bracket, right-handed trefoil t + t^3 - t^4) and the linking numbers that it lists.
    knots = {name: row for name, row in table(False, 7).items() if row["pd_notation"]}
    assert len(knots) == 14
    for row in knots.values():
        assert jones(numbers(row["pd_notation"])) == polynomial_in_t(row["jones_polynomial"])
        assert fox_determinant(numbers(row["pd_notation"])) == int(row["determinant"])
    assert jones(numbers(knots["3_1"]["pd_notation"])) == {-4: 1, -12: 1, -16: -1}
    for name in ("L4a1{0}", "L4a1{1}"):
        row = table(True, 4)[name]
        matrix = [int(n) for n in re.findall(r"-?\d+", row["linking_matrix"])]
        between = {sum_ for pair, sum_ in linking_matrix(numbers(row["pd_notation_vector"])).items() if len(pair) == 2}
        assert between == {2 * matrix[1]}


@settings(deadline=None, max_examples=150)
@given(designs(4, passes=False, rejoined=False))
def test_a_code_lists_each_crossing_anticlockwise_from_the_lower_strand_coming_in(design: Design) -> None:
    layout, circuits, strand_map, weave = made(design)
    code = planar_diagram(strand_map, weave)
    names = crossing_names(layout, strand_map)
    assert len(code) == len(names)
    assert Counter(n for labels in code for n in labels) == Counter(2 * list(range(1, 2 * len(code) + 1)))
    over = tool_over(layout, strand_map, weave.pass_one_over)

    named = tool_ends(layout, circuits, strand_map)
    arriving = {named[end] for end in strand_map.ends[:, 1].tolist()}
    around = [(1, 1), (-1, 1), (-1, -1), (1, -1)]  # anticlockwise; rising strands lie along the first and third
    ends: dict[int, list[End]] = {}
    for name, labels in zip(names, code, strict=True):
        lower = (1, 3) if over[name] else (0, 2)
        (start,) = (k for k in lower if End("crossing", name, around[k]) in arriving)
        for k, label in enumerate(labels):
            ends.setdefault(label, []).append(End("crossing", name, around[(start + k) % 4]))
    assert Counter(map(frozenset, ends.values())) == Counter(map(frozenset, woven(design).pieces))
    # numbers run on along each strand
    closed = components(code)
    assert len(set(closed.values())) == len(set(strand_labels(strand_map).tolist()))
    for name in set(closed.values()):
        own = sorted(label for label in closed if closed[label] == name)
        assert own == list(range(own[0], own[0] + len(own)))
        following = dict(zip(own, own[1:] + own[:1], strict=True))
        assert all(following[a] == c for a, _, c, _ in code if closed[a] == name)


@settings(deadline=None, max_examples=100)
@given(designs(4, divided=False))
def test_signs_read_from_a_code_are_those_of_the_directions_on_the_grid(design: Design) -> None:
    # the sign of a crossing of a strand with itself does not depend on the strand's direction
    layout, _, strand_map, weave = made(design)
    over = tool_over(layout, strand_map, weave.pass_one_over)
    own = [
        [total for strands, total in sums.items() if len(strands) == 1]
        for sums in (linking_matrix(planar_diagram(strand_map, weave)), linking(woven(design), over))
    ]
    event("crossings of a strand with itself" if own[0] else "none")
    assert Counter(own[0]) == Counter(own[1])


# --------------------------------------------------------------------------------------------------- names


def test_the_plain_2_by_3_plait_is_the_knot_7_4() -> None:
    # name M; a reduced alternating diagram of 7 crossings has crossing number 7 (Kauffman, Murasugi, Thistlethwaite)
    code = code_of(plait(2, 3))
    link = spherogram.Link(code)
    assert len(link.link_components) == 1
    assert len(link.crossings) == 7
    assert link.is_alternating()
    assert abs(link.writhe()) == 7
    named = spherogram.Link(numbers(table(False, 7)["7_4"]["pd_notation"]))
    assert link.exterior().is_isometric_to(named.exterior())
    assert "7_4" in {str(name).split("(")[0] for name in link.exterior().identify()}

    found = set()
    for name, row in table(False, 7).items():
        polynomial = jones(numbers(row["pd_notation"])) if row["pd_notation"] else {}
        if jones(code) in (polynomial, mirrored(polynomial)):
            found.add(name)
    assert found == {"7_4"}
    assert fox_determinant(code) == int(table(False, 7)["7_4"]["determinant"]) == 15


def test_the_right_and_the_left_hand_of_the_2_by_3_plait_are_mirror_images() -> None:
    right, left = (code_of(plait(2, 3, weave=Weave(hand))) for hand in (Hand.RIGHT, Hand.LEFT))
    assert (sum(signs(right)), sum(signs(left))) == (-7, 7)
    named = jones(numbers(table(False, 7)["7_4"]["pd_notation"]))
    assert jones(left) == named
    assert jones(right) == mirrored(named) != named


def test_the_plain_2_by_2_plait_is_solomons_link() -> None:
    # L4a1, name M. Its two rows in LinkInfo differ in the direction of one strand, and so by a power of t in their
    # polynomials.
    code = code_of(plait(2, 2))
    link = spherogram.Link(code)
    assert len(link.link_components) == 2
    assert len(link.crossings) == 4
    assert link.is_alternating()
    assert abs(link.linking_number()) == 2
    found = set()
    for name, row in table(True, 6).items():
        polynomial = jones(numbers(row["pd_notation_vector"])) if row["components"] == "2" else {0: 0}
        if lowered(jones(code)) in (lowered(polynomial), lowered(mirrored(polynomial))):
            found.add(name)
    assert found == {"L4a1{0}", "L4a1{1}"}


@pytest.mark.parametrize("kind", ["horizontal", "vertical"])
def test_one_break_makes_the_2_by_2_plait_a_trefoil(kind: str) -> None:
    # a triangle, or three edges between two nodes, as checkerboard graph: three spanning trees, status C
    breaks = Breaks(**{kind: (Site(2, 1) if kind == "horizontal" else Site(1, 2),)})
    code = code_of(plait(2, 2, breaks=breaks))
    polynomial = jones(numbers(table(False, 3)["3_1"]["pd_notation"]))
    assert jones(code) in (polynomial, mirrored(polynomial))
    assert abs(sum(signs(code))) == 3


# --------------------------------------------------------------------------------------------------- determinants


def trees_of_cells(design: Design) -> int:
    """Spanning trees of the graph of cells: a break along the common side of two parts them, one across joins them."""
    merged = {cell: cell for cell in cells_of(design.layout)}

    def find(cell: tuple[int, int]) -> tuple[int, int]:
        while merged[cell] != cell:
            cell = merged[cell]
        return cell

    joins = []
    for site in inner_sites(design.layout):
        one, two = cells_beside(site)
        if site in (design.breaks.vertical if site.x % 2 else design.breaks.horizontal):
            merged[find(one)] = find(two)
        elif site not in design.breaks.horizontal and site not in design.breaks.vertical:
            joins.append((one, two))
    number = {node: i for i, node in enumerate(sorted({find(cell) for cell in merged}))}
    return spanning_trees(len(number), [(number[find(a)], number[find(b)]) for a, b in joins])


# Dasbach et al., arXiv math/0611025 (det = spanning trees); OEIS A116469 for the values, 2 x 4 and 2 x 5 among them
@pytest.mark.parametrize(
    ("columns", "rows", "determinant"),
    [
        (2, 2, 4), (2, 3, 15), (2, 4, 56), (2, 5, 209), (3, 3, 192), (3, 4, 2415), (4, 4, 100352), (3, 5, 30305),
        (4, 5, 4140081), (5, 5, 557568000), (1, 4, 1),
    ],
)  # fmt: skip
def test_determinants_of_plain_plaits_are_the_spanning_trees_of_grids(
    columns: int, rows: int, determinant: int
) -> None:
    assert fox_determinant(code_of(plait(columns, rows))) == determinant
    # OEIS A116469, Kreweras 1978: a product of sines
    product = math.prod(
        4 * math.sin(h * math.pi / (2 * columns)) ** 2 + 4 * math.sin(k * math.pi / (2 * rows)) ** 2
        for h in range(columns)
        for k in range(rows)
        if h or k
    )
    assert product / (columns * rows) == pytest.approx(determinant)


# deletion and contraction, M; the values C
@pytest.mark.parametrize(
    ("columns", "rows", "site", "vertical", "horizontal"),
    [(2, 3, (2, 1), 4, 11), (2, 3, (2, 3), 6, 9), (3, 3, (2, 1), 56, 136), (3, 3, (2, 3), 80, 112)],
)
def test_the_two_breaks_at_a_site_share_its_determinant_out(
    columns: int, rows: int, site: tuple[int, int], vertical: int, horizontal: int
) -> None:
    assert fox_determinant(code_of(plait(columns, rows, breaks=Breaks(vertical=(Site(*site),))))) == vertical
    assert fox_determinant(code_of(plait(columns, rows, breaks=Breaks(horizontal=(Site(*site),))))) == horizontal


def whole_determinant(design: Design) -> int:
    """Determinant of a design's link, 0 where it falls apart: its code says nothing of loops without a crossing."""
    loops = sum(not walk for walk in walks(design))
    code = code_of(design)
    if loops or not connected(code):
        return int(loops == 1 and not code)
    return fox_determinant(code)


@settings(deadline=None, max_examples=120, suppress_health_check=[HealthCheck.filter_too_much])
@given(designs(4, least=2, divided=False), st.data())
def test_determinants_add_up_over_the_two_breaks_at_any_site(design: Design, data: st.DataObject) -> None:
    breaks = design.breaks
    crossed = [site for site in inner_sites(design.layout) if site not in breaks.horizontal + breaks.vertical]
    assume(crossed and len(parts(woven(design))) == 1 and all(walks(design)))
    site = data.draw(st.sampled_from(crossed))
    broken = [
        replace(design, weave=Weave(), breaks=Breaks(breaks.horizontal + extra[0], breaks.vertical + extra[1]))
        for extra in (((site,), ()), ((), (site,)))
    ]
    whole = whole_determinant(design)
    event("of more than one" if whole > 1 else "of one")
    assert whole == sum(whole_determinant(one) for one in broken)


@settings(deadline=None, max_examples=200, suppress_health_check=[HealthCheck.filter_too_much])
@given(designs(4, least=2, passes=False, rejoined=False))
def test_the_determinant_is_the_number_of_spanning_trees_of_either_checkerboard_graph(design: Design) -> None:
    code = code_of(design)
    assume(code and connected(code))
    assert len(set(face_corners(code).values())) == len(code) + 2
    trees = [spanning_trees(*graph) for graph in checkerboard_graphs(code)]
    event(f"determinant of {min(len(str(trees[0])), 9)} digits")
    assert fox_determinant(code) == trees[0] == trees[1]
    if not (design.divide.all or design.divide.circuits) and all(walks(design)):
        assert trees[0] == trees_of_cells(design)


@pytest.mark.parametrize("size", [(2, 2), (2, 3), (3, 3)])
def test_divided_plaits_have_a_determinant_too(size: tuple[int, int]) -> None:
    code = code_of(plait(*size, divide=Divide(all=True)))
    assert fox_determinant(code) == spanning_trees(*checkerboard_graphs(code)[0]) > 1


@pytest.mark.parametrize(("size", "crossings"), [((2, 3), 7), ((2, 5), 13), ((3, 4), 17)])
def test_linking_numbers_of_halves_read_from_the_code(size: tuple[int, int], crossings: int) -> None:
    # status D: halves of one strand, woven over and under in turn, link as often as the strand crosses itself; they
    # run the same way, so the code's own directions are the right ones. Spherogram reads the same.
    code = code_of(plait(*size, divide=Divide(all=True)))
    (between,) = (twice for pair, twice in linking_matrix(code).items() if len(pair) == 2)
    assert abs(between) == 2 * crossings
    link = spherogram.Link(code)
    assert len(link.link_components) == 2
    assert 2 * link.linking_number() == between
