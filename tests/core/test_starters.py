"""Starters are sound designs, and proposed grids fill their field with cells and strands of good proportion."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knotgeom import design as d
from knotgeom import made, reading, starters
from knotgeom.errors import DesignError
from knotgeom.sizing import sizes


@pytest.mark.parametrize(
    ("purpose", "cell", "width", "thickness", "step"),
    [
        ("drawing", 10, 5, 2, 0.8),
        ("board", 24, 12, 6, 2.5),
        ("pendant", 7, 3.2, 1.8, 0.6),
        ("trim", 60, 30, 12, 5),
    ],
)
def test_starters_have_the_sizes_of_their_purpose(purpose, cell, width, thickness, step):
    design = starters.STARTERS[starters.Purpose(purpose)]
    size = sizes(design)
    assert (design.layout.cell_width, design.layout.cell_height) == (cell, cell)
    assert (size.width, size.thickness, size.step) == (width, thickness, step)


@pytest.mark.parametrize("purpose", starters.Purpose)
def test_starters_are_sound_broken_and_the_same_mirrored_both_ways(purpose):
    design = starters.STARTERS[purpose]
    assert reading.read_text(reading.write_text(design)) == design
    grid, breaks = design.layout, design.breaks
    assert breaks.horizontal or breaks.vertical
    for sites in map(set, (breaks.horizontal, breaks.vertical)):
        assert sites == {(2 * grid.columns - x, y) for x, y in sites} == {(x, 2 * grid.rows - y) for x, y in sites}


@pytest.mark.parametrize("purpose", starters.Purpose)
def test_nothing_is_found_against_a_starter(purpose):
    facts = made.facts(starters.STARTERS[purpose])
    assert facts["findings"] == []
    assert facts["steepest_deg"] < 45
    assert facts["least_gap_mm"] > 0.8 * facts["plain_gap_mm"]


@pytest.mark.parametrize("purpose", starters.Purpose)
def test_strands_of_a_starter_climb_their_step_over_the_background_gently(purpose):
    for design in (starters.STARTERS[purpose], starters.start(purpose, (500, 400), 10, 20)):
        size = sizes(design)
        assert math.degrees(math.atan2(size.separation, size.background)) < 30


def test_a_field_280_by_180_with_a_margin_of_12_takes_12_by_7_cells_for_strands_of_10():
    grid = starters.propose(280, 180, 12, 10)
    assert (grid.columns, grid.rows) == (12, 7)
    assert (grid.cell_width, grid.cell_height) == pytest.approx((256 / 12, 156 / 7), abs=1e-6)


field = st.floats(0.5, 5000)


@given(field, field, st.floats(0, 0.3), st.floats(0.002, 0.5))
def test_a_proposal_fills_its_field_or_names_a_strand_that_would(width, height, margin, strand):
    margin *= min(width, height)
    strand = max(0.01, strand * min(width, height))
    try:
        grid = starters.propose(width, height, margin, strand)
    except DesignError as error:
        if error.place == "strand":
            strand = float(error.remedy.removeprefix("give a strand of about ").removesuffix(" mm"))
            starters.propose(width, height, margin, strand)
        else:
            assert error.place == "field" and max(width, height) > 50 * min(width, height)
        return
    assert 0.8 <= grid.cell_width / grid.cell_height <= 1.25
    assert grid.columns * grid.cell_width == pytest.approx(width - 2 * margin, abs=1e-6 * grid.columns)
    assert grid.rows * grid.cell_height == pytest.approx(height - 2 * margin, abs=1e-6 * grid.rows)
    assert 0.5 <= strand / sizes(d.Design(grid)).pitch <= 0.8


@given(st.sampled_from(starters.Purpose), st.floats(60, 900), st.floats(60, 900), st.floats(4, 12))
def test_a_starter_set_out_anew_is_sound(purpose, width, height, strand):
    design = starters.start(purpose, (width, height), 5, strand)
    reading.check(design)
    assert sizes(design).width == strand
    assert design.heights.way is starters.STARTERS[purpose].heights.way


@pytest.mark.parametrize(
    ("arguments", "place"),
    [
        ((280, 180, 90, 10), "margin"),
        ((280, 180, -1, 10), "margin"),
        ((280, 180, 12, 100), "strand"),
        ((280, 180, 12, 0), "strand"),
        ((280, 180, 12, math.nan), "strand"),
        ((0, 180, 0, 10), "field"),
        ((280, math.inf, 0, 10), "field"),
        ((1e5, 1e5, 0, 1), "strand"),
        ((1e6, 0.5, 0, 0.1), "field"),
    ],
)
def test_a_field_that_cannot_be_set_out_is_refused_by_name(arguments, place):
    with pytest.raises(DesignError) as caught:
        starters.propose(*arguments)
    assert caught.value.place == place
