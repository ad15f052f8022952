"""Edits that a pointer makes: what is meant by a point, and what becomes of the design."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knotgeom import editing
from knotgeom.counting import count
from knotgeom.design import FREE, Breaks, CircuitStyle, Design, Divide, FreeMesh, Grid, Pass, Ring, Site, Way, Weave
from knotgeom.editing import Line
from knotgeom.errors import DesignError
from knotgeom.reading import check

PLAIN = Design(Grid(4, 3, 10.0, 8.0))
HOLED = Design(Grid(3, 3, 10.0, 10.0, without=((1, 1),)))


def crossings(design: Design) -> list[Pass]:
    """Every pass of a design, two at each site without a break."""
    return [
        Pass(site.x, site.y, way)
        for site in editing.sites(design.layout)
        if editing.break_at(design, site) is None
        for way in Way
    ]


@pytest.mark.parametrize(("columns", "rows"), [(1, 1), (2, 3), (5, 4)])
def test_a_plain_grid_has_2cr_minus_c_minus_r_sites(columns: int, rows: int) -> None:
    found = list(editing.sites(Grid(columns, rows, 10.0, 10.0)))
    assert len(found) == len(set(found)) == 2 * columns * rows - columns - rows


def test_sites_beside_a_missing_cell_are_no_sites() -> None:
    found = set(editing.sites(HOLED.layout))
    assert len(found) == 12 - 4
    assert found.isdisjoint({(3, 2), (3, 4), (2, 3), (4, 3)})


@given(st.floats(-15, 55), st.floats(-15, 40))
def test_the_nearest_site_is_the_nearest_of_all_within_a_cell(x: float, y: float) -> None:
    every = {site: math.dist(editing.position(PLAIN, site), (x, y)) for site in editing.sites(PLAIN.layout)}
    found = editing.nearest_site(PLAIN, (x, y))
    if found is None:
        assert min(every.values()) > 10.0
    else:
        assert every[found] == pytest.approx(min(every.values()))


def test_a_point_off_the_knot_or_without_end_means_nothing() -> None:
    for point in ((-20.0, 4.0), (1e300, 0.0), (math.nan, 1.0), (math.inf, 1.0)):
        assert editing.nearest_site(PLAIN, point) is None
        assert editing.nearest_pass(PLAIN, point) is None


@pytest.mark.parametrize("at", crossings(PLAIN))
def test_a_point_on_a_strand_means_that_strands_pass(at: Pass) -> None:
    x, y = editing.position(PLAIN, at.site)
    rise = 1 if at.way is Way.RISING else -1
    for along in (-0.2, -0.1, 0.1, 0.2):
        assert editing.nearest_pass(PLAIN, (x + along * 10.0, y + rise * along * 8.0)) == at


def test_a_break_has_no_pass_to_point_at() -> None:
    broken = replace(PLAIN, breaks=Breaks(vertical=(Site(4, 3),)))
    found = editing.nearest_pass(broken, editing.position(broken, Site(4, 3)))
    assert found is not None and found.site != (4, 3)


def test_toggling_a_break_sets_turns_and_clears_it() -> None:
    site = Site(3, 2)
    once = editing.toggle_break(PLAIN, site, Line.HORIZONTAL).design
    assert once.breaks == Breaks(horizontal=(site,))
    turned = editing.toggle_break(once, site, Line.VERTICAL).design
    assert turned.breaks == Breaks(vertical=(site,))
    assert editing.toggle_break(turned, site, Line.VERTICAL).design == PLAIN


@pytest.mark.parametrize("site", [Site(3, 0), Site(0, 3), Site(1, 6), Site(3, 3), Site(9, 2), Site(-1, 2)])
def test_no_break_on_the_boundary_or_off_the_layout(site: Site) -> None:
    with pytest.raises(DesignError, match="no break can stand"):
        editing.toggle_break(PLAIN, site, Line.HORIZONTAL)
    with pytest.raises(DesignError, match="no break can stand"):
        editing.toggle_break(HOLED, Site(3, 2), Line.HORIZONTAL)


def test_a_break_takes_the_wishes_and_divided_passes_at_its_site_with_it() -> None:
    here, there = Pass(3, 2, Way.RISING), Pass(5, 2, Way.RISING)
    design = replace(PLAIN, divide=Divide(passes=(here, there)), weave=Weave(prefer=(here, there)))
    changed = editing.toggle_break(design, Site(3, 2), Line.VERTICAL)
    assert changed.design.divide.passes == changed.design.weave.prefer == (there,)
    assert changed.dropped == ("divide.passes [3, 2, rising]", "weave.prefer [3, 2, rising]")


@given(st.data())
def test_a_break_leaves_every_other_pass_of_a_divided_circuit_divided(data: st.DataObject) -> None:
    named = data.draw(st.sampled_from(crossings(PLAIN)))
    line = data.draw(st.sampled_from((Line.HORIZONTAL, Line.VERTICAL)))
    design = replace(PLAIN, divide=Divide(circuits=(named,)))
    others = {at for at in editing.same_circuit(design, named) if at.site != named.site}
    changed = editing.set_break(design, named.site, line)
    assert changed.dropped == ()
    assert all(editing.is_divided(changed.design, at) for at in others)


def test_a_circuit_is_every_pass_of_one_closed_strand() -> None:
    # the plain 4 x 2 has gcd(4, 2) = 2 circuits, together through each crossing twice
    design = Design(Grid(4, 2, 10.0, 10.0))
    circuits = {editing.same_circuit(design, at) for at in crossings(design)}
    assert len(circuits) == 2
    assert sum(map(len, circuits)) == 2 * 10
    assert frozenset.union(*circuits) == set(crossings(design))
    assert editing.same_circuit(design, Pass(1, 0, Way.RISING)) == frozenset()


def test_any_pass_of_a_circuit_divides_it_and_any_other_makes_it_one_again() -> None:
    design = Design(Grid(4, 2, 10.0, 10.0))
    first, *_, last = sorted(editing.same_circuit(design, Pass(1, 2, Way.RISING)))
    divided = editing.toggle_circuit(design, first)
    assert {at for at in crossings(design) if editing.is_divided(divided, at)} == editing.same_circuit(design, first)
    assert editing.toggle_circuit(divided, last) == design


def test_dividing_the_passes_one_by_one_is_dividing_the_circuit_and_back() -> None:
    design = Design(Grid(2, 2, 10.0, 10.0))
    circuit = sorted(editing.same_circuit(design, Pass(1, 2, Way.RISING)))
    divided = design
    for number, at in enumerate(circuit, 1):
        divided = editing.toggle_pass(divided, at)
        assert sum(editing.is_divided(divided, each) for each in circuit) == number
    assert divided.divide.passes == () and len(divided.divide.circuits) == 1
    for number, at in enumerate(circuit, 1):
        divided = editing.toggle_pass(divided, at)
        assert sum(editing.is_divided(divided, each) for each in circuit) == len(circuit) - number
    assert divided == design


def test_one_circuit_taken_out_of_a_wholly_divided_design_leaves_the_others() -> None:
    design = replace(Design(Grid(4, 2, 10.0, 10.0)), divide=Divide(all=True))
    one = Pass(1, 2, Way.RISING)
    rest = editing.toggle_circuit(design, one)
    whole = {at for at in crossings(design) if not editing.is_divided(rest, at)}
    assert whole == editing.same_circuit(design, one) and not rest.divide.all


def test_a_wish_for_one_strand_replaces_the_wish_for_the_other() -> None:
    over, under = Pass(1, 2, Way.RISING), Pass(1, 2, Way.FALLING)
    design = editing.toggle_prefer(editing.toggle_prefer(PLAIN, over), under)
    assert design.weave.prefer == (under,)
    assert editing.toggle_prefer(design, under) == PLAIN
    with pytest.raises(DesignError, match="no strands cross"):
        editing.toggle_prefer(PLAIN, Pass(0, 1, Way.RISING))


def test_a_smaller_grid_keeps_what_fits_and_names_what_does_not() -> None:
    design = replace(
        PLAIN,
        layout=replace(PLAIN.layout, without=((0, 0), (3, 2))),
        breaks=Breaks(horizontal=(Site(3, 2),), vertical=(Site(6, 3),)),
        divide=Divide(circuits=(Pass(5, 4, Way.RISING),), passes=(Pass(3, 4, Way.FALLING),)),
    )
    changed = editing.resize_grid(design, 3, 3)
    assert changed.design.breaks == Breaks(horizontal=(Site(3, 2),))
    assert changed.design.layout.without == ((0, 0),)
    assert changed.design.divide == design.divide
    assert changed.dropped == ("layout.without [3, 2]", "breaks.vertical [6, 3]")
    assert editing.resize_grid(design, 4, 3) == (design, ())


def test_leaving_a_cell_out_drops_the_break_beside_it_and_the_last_cell_stays() -> None:
    design = replace(PLAIN, breaks=Breaks(horizontal=(Site(3, 2), Site(3, 4))))
    changed = editing.toggle_cell(design, (1, 0))
    assert changed.design.breaks.horizontal == (Site(3, 4),)
    assert changed.dropped == ("breaks.horizontal [3, 2]",)
    assert editing.toggle_cell(changed.design, (1, 0)).design.layout == PLAIN.layout
    with pytest.raises(DesignError, match="last cell"):
        editing.toggle_cell(Design(Grid(1, 1, 10.0, 10.0)), (0, 0))
    with pytest.raises(DesignError, match="columns run 0 to 3"):
        editing.toggle_cell(PLAIN, (4, 0))


def test_clearing_leaves_the_rest_of_the_design() -> None:
    at = Pass(3, 2, Way.RISING)
    design = replace(
        PLAIN,
        breaks=Breaks(vertical=(Site(4, 3),)),
        divide=Divide(circuits=(at,), gap=0.5),
        weave=Weave(prefer=(at,)),
    )
    assert editing.clear_breaks(design) == replace(design, breaks=Breaks())
    assert editing.clear_divisions(design).divide == Divide(gap=0.5)
    assert editing.clear_preferences(design).weave == Weave()


# ---------------------------------------------------------------------------------------------------------------------
# Many at once


def test_a_point_over_a_missing_cell_or_far_outside_is_not_over_the_layout() -> None:
    assert editing.is_over_layout(HOLED, (5.0, 5.0)) and editing.is_over_layout(HOLED, (-2.0, 5.0))
    assert not editing.is_over_layout(HOLED, (15.0, 15.0))
    assert not editing.is_over_layout(HOLED, (-3.0, 5.0)) and not editing.is_over_layout(HOLED, (math.inf, 1.0))


def test_among_the_passes_of_one_circuit_the_other_strand_is_never_meant() -> None:
    at = Pass(3, 2, Way.RISING)
    circuit = editing.same_circuit(PLAIN, at)
    for point in ((15.0, 8.0), (16.0, 7.2), (14.0, 8.8)):
        assert editing.nearest_pass(PLAIN, point, among=circuit) in circuit


def test_a_pointer_moving_along_a_strand_means_that_strand_at_the_middle_of_a_crossing() -> None:
    for way in Way:
        assert editing.nearest_pass(PLAIN, (15.1, 8.0), heading=way) == Pass(3, 2, way)


def test_breaks_set_in_number_are_those_set_one_by_one() -> None:
    lines = {Site(3, 2): Line.HORIZONTAL, Site(5, 2): Line.HORIZONTAL, Site(4, 3): Line.VERTICAL}
    one_by_one = PLAIN
    for site, line in lines.items():
        one_by_one = editing.set_break(one_by_one, site, line).design
    changed = editing.set_breaks(PLAIN, lines).design
    assert changed == one_by_one and len(changed.breaks.horizontal) == 2
    assert editing.set_breaks(changed, dict.fromkeys(lines)).design == PLAIN


@given(st.lists(st.sampled_from(crossings(PLAIN)), max_size=6), st.booleans())
def test_passes_set_in_number_end_as_they_are_asked(passes: list[Pass], divided: bool) -> None:
    start = replace(PLAIN, divide=Divide(all=not divided))
    changed = editing.set_passes(start, passes, divided)
    assert all(editing.is_divided(changed, at) is divided for at in passes)
    others = set(crossings(PLAIN)) - set(passes)
    assert all(editing.is_divided(changed, at) is not divided for at in others)


@given(st.lists(st.sampled_from(crossings(PLAIN)), max_size=4), st.sampled_from(crossings(PLAIN)), st.booleans())
def test_circuits_set_in_number_end_wholly_as_they_are_asked(through: list[Pass], part: Pass, divided: bool) -> None:
    start = editing.set_passes(PLAIN, [part], True)
    changed = editing.set_circuits(start, through, divided)
    for at in through:
        assert all(editing.is_divided(changed, each) is divided for each in editing.same_circuit(PLAIN, at))


def test_the_other_hand_twice_is_the_first() -> None:
    once = editing.turn_hand(PLAIN)
    assert once != PLAIN and editing.turn_hand(once) == PLAIN


# ---------------------------------------------------------------------------------------------------------------------
# Styles of circuits

TWO = Design(Grid(4, 2, 10.0, 10.0))


def styles_by_pass(design: Design) -> dict[Pass, str | None]:
    """The colour at every crossing pass."""
    found = {at: editing.style_of(design, at) for at in crossings(design)}
    return {at: style and style.colour for at, style in found.items()}


def test_a_colour_is_the_whole_circuits_and_a_second_one_replaces_it() -> None:
    first, *_ = circuit = sorted(editing.same_circuit(TWO, Pass(3, 2, Way.RISING)))
    red = editing.colour_circuits(TWO, [first], "#ff0000")
    assert {at for at, colour in styles_by_pass(red).items() if colour} == set(circuit)
    blue = editing.colour_circuits(red, [circuit[-1]], "#0000ff")
    assert len(blue.strand.circuits) == 1 and set(styles_by_pass(blue).values()) == {None, "#0000ff"}
    wide = editing.widen_circuits(blue, [first], 3.0)
    assert editing.style_of(wide, first) == CircuitStyle(first, 3.0, "#0000ff")
    assert editing.colour_circuits(editing.widen_circuits(wide, [first], None), [first], None) == TWO


@given(
    st.lists(
        st.tuples(
            st.sampled_from(list(editing.sites(TWO.layout))), st.sampled_from([None, Line.HORIZONTAL, Line.VERTICAL])
        ),
        max_size=6,
    ),
    st.lists(st.sampled_from(crossings(TWO)), min_size=1, max_size=3),
)
def test_designs_with_coloured_circuits_stay_makeable_through_any_breaks(
    breaks: list[tuple[Site, Line | None]], coloured: list[Pass]
) -> None:
    design = TWO
    for number, at in enumerate(coloured):
        design = editing.colour_circuits(design, [at], f"#00000{number}")
    for site, line in breaks:
        before = design
        design, dropped = editing.set_break(design, site, line)
        check(design)
        count(design)  # it refuses two entries for one circuit
        if not dropped and before.strand.circuits:
            assert design.strand.circuits
        colours_before = styles_by_pass(before)
        for at, colour in styles_by_pass(design).items():
            assert not colours_before.get(at) or colour, "no strand loses its colour while its circuit has crossings"


def test_a_smaller_layout_drops_colours_that_have_no_place_and_names_them() -> None:
    at = Pass(7, 2, Way.RISING)
    broken = editing.set_breaks(TWO, {Site(6, 1): Line.VERTICAL, Site(6, 3): Line.VERTICAL}).design
    red = editing.colour_circuits(broken, [at], "#ff0000")
    smaller, dropped = editing.resize_grid(red, 3, 2)
    assert smaller.strand.circuits == () and "strand.circuits [7, 2, rising]" in dropped


# ------------------------------------------------------------------------------------------------------- free meshes


def squares(count: int) -> FreeMesh:
    """Squares in a row; edge 1 lies between the first two, as the fourth of each face met is the one before."""
    vertices = tuple((10.0 * column, 10.0 * row, 0.0) for row in (0, 1) for column in range(count + 1))
    return FreeMesh(vertices, tuple((k, k + 1, k + count + 2, k + count + 1) for k in range(count)))


BETWEEN = Site(1, FREE)


def test_a_break_between_two_squares_parts_a_figure_of_eight_along_it_and_opens_it_across() -> None:
    # two cells with one crossing: smoothed one way it is two rings, the other way one
    pair = Design(squares(2))
    assert (count(pair).strand_map.crossings, count(pair).circuits.count) == (1, 1)
    along = editing.toggle_break(pair, BETWEEN, Line.ALONG).design
    assert editing.break_at(along, BETWEEN) is Line.ALONG
    assert (count(along).strand_map.crossings, count(along).circuits.count) == (0, 2)
    across = editing.toggle_break(along, BETWEEN, Line.ACROSS).design
    assert across.breaks == Breaks(across=(1,))
    assert (count(across).strand_map.crossings, count(across).circuits.count) == (0, 1)
    assert editing.toggle_break(across, BETWEEN, Line.ACROSS).design == pair


@pytest.mark.parametrize(
    ("design", "site", "line", "told"),
    [
        (Design(squares(2)), BETWEEN, Line.HORIZONTAL, "along or across an edge, not horizontal"),
        (PLAIN, Site(3, 2), Line.ACROSS, "horizontal or vertical, not across"),
        (Design(squares(2)), Site(0, FREE), Line.ALONG, "no break can stand at edge 0"),
    ],
)
def test_edges_take_breaks_along_and_across_and_sites_in_cells_take_level_and_upright_ones(
    design: Design, site: Site, line: Line, told: str
) -> None:
    with pytest.raises(DesignError, match=told):
        editing.set_break(design, site, line)


def test_a_mesh_with_fewer_faces_drops_what_stood_at_the_edges_that_are_gone_and_names_it() -> None:
    design = Design(
        squares(3),
        Breaks(along=(1,)),
        Divide(circuits=(Pass(5, FREE, Way.RISING),)),
        Weave(prefer=(Pass(5, FREE, Way.FALLING),)),
    )
    check(design)
    small = editing.set_layout(design, squares(2))
    assert small.design == Design(squares(2), Breaks(along=(1,)))
    assert small.dropped == ("divide.circuits [5, 1]", "weave.prefer [5, 0]")
    assert editing.set_layout(design, squares(3)) == (design, ())


# ------------------------------------------------------------------------------------------------- cells and wishes


def test_cells_left_out_in_number_and_put_back_give_the_first_grid_but_for_what_stood_there() -> None:
    design = replace(PLAIN, breaks=Breaks(horizontal=(Site(1, 2), Site(7, 2))))
    corner = [(0, 0), (0, 1), (0, 0)]  # one of them twice: it stays left out
    less = editing.set_cells(design, corner, there=False)
    assert set(less.design.layout.without) == {(0, 0), (0, 1)}
    assert less.dropped == ("breaks.horizontal [1, 2]",)
    assert editing.set_cells(less.design, corner, there=True) == (replace(PLAIN, breaks=Breaks((Site(7, 2),))), ())


def test_only_grids_have_cells_to_leave_out() -> None:
    with pytest.raises(DesignError, match="only grids"):
        editing.set_cells(Design(Ring(4, 1, 20.0, 32.0)), [(0, 0)], there=False)


def test_a_wish_made_again_stays_and_one_not_made_is_not_missed_when_dropped() -> None:
    at, other = Pass(3, 2, Way.RISING), Pass(4, 3, Way.FALLING)
    wished = editing.set_preferences(PLAIN, [at, at], True)
    assert wished.weave.prefer == (at,)
    assert editing.set_preferences(wished, [at], True) == wished
    assert editing.set_preferences(wished, [at, other], False) == PLAIN
