"""Changes that findings offer: one length set, layouts enlarged, and what is tried where no single length will do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from knotgeom.counting import count
from knotgeom.design import (
    Border,
    Breaks,
    CircuitStyle,
    Corners,
    Cylinder,
    Design,
    Divide,
    Dome,
    FreeMesh,
    Grid,
    Heights,
    Joins,
    Layouts,
    Making,
    Panel,
    Pass,
    Piece,
    Ring,
    Section,
    Site,
    Sphere,
    Strand,
    Strip,
    Turned,
    Way,
)
from knotgeom.errors import DesignError
from knotgeom.findings import Change, Finding
from knotgeom.layout import lay_out
from knotgeom.remedies import applied, enlarged, proved, search, uniting
from knotgeom.resolve import resolved
from knotgeom.sizing import sizes

GRID = Design(Grid(4, 3, 10.0, 8.0))
SQUARES = FreeMesh(
    ((0.0, 0.0, 0.0), (10.0, 0.0, 1.0), (20.0, 0.0, 0.0), (0.0, 10.0, 0.0), (10.0, 10.0, 1.0), (20.0, 10.0, 0.0)),
    ((0, 1, 4, 3), (1, 2, 5, 4)),
)
LAYOUTS: list[Layouts] = [
    GRID.layout,
    Ring(8, 2, 20.0, 40.0),
    Ring(8, 2, 0.0, 40.0, surface=Dome(12.0)),
    Strip(8, 2, 10.0, 10.0),
    Strip(12, 2, 10.0, 10.0, surface=Cylinder()),
    Strip(12, 2, 10.0, 10.0, surface=Sphere(45.0)),
    Strip(12, 2, 10.0, 10.0, surface=Turned(((18.0, 0.0), (20.0, 10.0), (18.0, 20.0)))),
    Border((5, 3), 2, 10.0),
    Border((5, 4), 2, 10.0, polygon=True, corners=Corners.MITRED),
    SQUARES,
    Panel((Piece("a", (0.0, 0.0), 0, False, GRID), Piece("a", (40.0, 0.0), 0, True, GRID)), Joins.ALL),
]


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: type(layout).__name__)
def test_a_layout_twice_as_large_has_every_crossing_twice_as_far_away_and_the_same_strands(layout: Layouts) -> None:
    design = Design(layout)
    large = enlarged(design, 2.0)
    one, two = (lay_out(resolved(each).layout, resolved(each).breaks) for each in (design, large))
    assert np.allclose(two.middle, 2 * one.middle, atol=1e-6)
    assert np.allclose(two.pitch, 2 * one.pitch, rtol=1e-6) and np.allclose(two.heading, one.heading, atol=1e-6)
    before, after = sizes(resolved(design)), sizes(resolved(large))
    assert (after.width, after.thickness, after.gap) == pytest.approx((before.width, before.thickness, before.gap))
    assert count(large).strand_map.crossings == count(design).strand_map.crossings


@pytest.mark.parametrize(
    ("key", "design", "asked"),
    [
        ("strand.width", GRID, lambda d: d.strand.width),
        ("strand.thickness", GRID, lambda d: d.strand.thickness),
        (
            "strand.groove.depth",
            replace(GRID, strand=Strand(section=Section.MEDIAN_INCISED)),
            lambda d: d.strand.groove.depth,
        ),
        ("divide.gap", replace(GRID, divide=Divide(all=True)), lambda d: d.divide.gap),
        ("heights.step", replace(GRID, heights=Heights(way=Making.CARVED)), lambda d: d.heights.step),
        ("heights.depth_limit", replace(GRID, heights=Heights(way=Making.CARVED)), lambda d: d.heights.depth_limit),
        ("heights.clearance", GRID, lambda d: d.heights.clearance),
    ],
)
def test_a_change_sets_its_one_length_and_nothing_else(key: str, design: Design, asked) -> None:
    changed = applied(design, Change(key, 0.625))
    assert asked(changed) == 0.625 != asked(design)
    assert applied(changed, Change(key, 0.5)) == applied(design, Change(key, 0.5))


@pytest.mark.parametrize("change", [Change("breaks", None), Change("layout.cell", None), Change("divide", 1.0)])
def test_what_is_no_single_length_is_not_set(change: Change) -> None:
    with pytest.raises(ValueError, match=change.key):
        applied(GRID, change)


# ------------------------------------------------------------------------------------------------- what is tried


def found(kind: str, *changes: Change) -> Finding:
    return Finding(kind, "crossing [3, 2]", 1.0, "too much", None, changes)


def test_a_search_that_starts_from_nothing_finds_nothing() -> None:
    for value in (None, 0.0, -1.0):
        assert search(GRID, "slope", Change("strand.width", value), lambda _: ()) is None


def test_a_search_ends_where_the_design_becomes_impossible() -> None:
    def judge(design: Design) -> tuple[Finding, ...]:
        if design.strand.width < 2.5:
            raise DesignError("too narrow", "give more", "strand.width")
        return (found("slope"),)

    assert search(GRID, "slope", Change("strand.width", 3.0), judge) is None
    assert search(GRID, "slope", Change("strand.width", 3.0), lambda d: [found("slope")] * (d.strand.width > 2.7)) == (
        Change("strand.width", 2.651)  # 3 x 0.94 x 0.94
    )


WALLED = replace(
    GRID, breaks=Breaks((Site(3, 2),)), divide=Divide(all=True), heights=Heights(way=Making.CARVED, step=0.5)
)


@pytest.mark.parametrize(
    ("sound", "key"),
    [
        (lambda d: d.layout.cell_width > 20, "layout.cell"),
        (lambda d: d.heights.step is not None and d.heights.step < 0.3, "heights.step"),
        (lambda d: d.divide == Divide(), "divide"),
        (lambda d: d.divide == Divide() and d.breaks == Breaks(), "breaks"),
        (lambda d: d.layout.columns != 4, "layout"),
    ],
)
def test_where_no_length_will_do_larger_cells_flatter_strands_no_dividing_and_no_breaks_are_tried_in_turn(
    sound, key: str
) -> None:
    def judge(design: Design) -> tuple[Finding, ...]:
        if design.layout.cell_width > 25:  # larger still is impossible
            raise DesignError("too large", "give less", "layout.cell")
        return () if sound(design) else (found("slope", Change("strand.width", 3.0)),)

    (finding,) = proved(WALLED, judge(WALLED), judge)
    assert [change.key for change in finding.changes] == [key]


def test_free_strands_are_made_thinner_where_a_step_is_lowered_of_united_ones() -> None:
    free = replace(GRID, heights=Heights(way=Making.FREE), strand=Strand(thickness=2.0))
    thin = proved(
        free,
        (found("step"),),
        lambda d: [found("step")] * (d.strand.thickness is None or d.strand.thickness > 1.2 or d.layout != GRID.layout),
    )
    assert [change.key for change in thin[0].changes] == ["strand.thickness"]


def test_of_strands_that_unite_to_nothing_the_first_change_that_makes_them_is_offered_past_those_that_are_refused() -> (
    None
):
    asked: list[float | None] = []

    def unites(design: Design) -> bool:
        asked.append(design.strand.width)
        if design.strand.width == 99.0:
            raise DesignError("no background", "be narrower", "strand.width")
        return design.strand.width == 3.0

    changes = (Change("strand.width", 99.0), Change("layout.cell", None), Change("strand.width", 3.0))
    offered = uniting(GRID, changes, unites)
    assert offered is not None and offered == ("with strand.width 3.0", applied(GRID, changes[2]))
    assert asked == [99.0, 3.0]
    assert uniting(GRID, changes, lambda _design: False) is None


# ------------------------------------------------------------------------------------- lengths that do not go together


def test_two_styles_of_one_circuit_are_refused() -> None:
    # of a grid of 2 x 1 all is one circuit
    eight = Design(
        Grid(2, 1, 10.0, 10.0),
        strand=Strand(
            circuits=(CircuitStyle(Pass(2, 1, Way.RISING), width=2.0), CircuitStyle(Pass(2, 1, Way.FALLING), width=1.5))
        ),
    )
    with pytest.raises(DesignError, match=r"same circuit as strand.circuits\[0\]") as refused:
        count(eight)
    assert refused.value.place == "strand.circuits[1]"


def test_cells_that_are_to_be_larger_are_larger_by_what_was_tried_and_every_other_length_is_kept() -> None:
    (finding,) = proved(GRID, (found("slope"),), lambda d: [found("slope")] * (d.layout.cell_width < 15))
    (change,) = finding.changes
    assert change == ("layout.cell", 1.7) and finding.remedy == "too much; cells 1.7 times as large would do"
    larger = applied(GRID, change)
    assert larger.layout == replace(GRID.layout, cell_width=17.0, cell_height=13.6)
    assert sizes(resolved(larger)).width == sizes(resolved(GRID)).width
    assert uniting(GRID, [change], lambda d: d == larger) == ("with cells 1.7 times as large", larger)
