"""Design files are read strictly, refused by name, and written so that they read back equal."""

from __future__ import annotations

import gc
import json
import math
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from knotgeom import design as d
from knotgeom import reading
from knotgeom.errors import DesignError
from knotgeom.sizing import sizes

FULL = """
{
  "interlace": 1,
  "layout": {"grid": [4, 4], "cell": 10.0, "without": [[3, 3]]},
  "breaks": {"horizontal": [[3, 4], [5, 4]], "vertical": [[4, 3]]},
  "divide": {"circuits": [[1, 2, "rising"]], "passes": [[3, 2, "falling"]], "all": false,
             "rejoin": "none", "gap": 0.8},
  "weave": {"hand": "right", "prefer": [[1, 2, "rising"]]},
  "strand": {"width": 4.0, "thickness": 1.6, "section": "flat",
             "turns": {"corners": "pointed", "borders": "round", "breaks": "round"}},
  "heights": {"way": "fused", "step": 0.5, "slope_limit_deg": 45}
}
"""
MISSING = object()
SCHEMA_FILE = Path(__file__).parents[2] / "shared" / "interlace.schema.json"


def plain(**changes: object) -> str:
    """The smallest design of 4 x 4 cells with keys added, as text: `plain(strand__width=4)`."""
    value: dict = {"interlace": 1, "layout": {"grid": [4, 4], "cell": 10.0}}
    for path, change in changes.items():
        *above, last = path.split("__")
        at = value
        for key in above:
            at = at.setdefault(key, {})
        if change is MISSING:
            del at[last]
        else:
            at[last] = change
    return json.dumps(value)


def refusal(text: str | bytes) -> DesignError:
    with pytest.raises(DesignError) as caught:
        reading.read_text(text, "a.interlace.json")
    line = str(caught.value)
    assert line.startswith("a.interlace.json: ") and "\n" not in line
    assert caught.value.remedy
    return caught.value


# ------------------------------------------------------------------------------------------------- what is accepted


def test_every_key_of_the_format_is_read():
    design = reading.read_text(FULL)
    assert design == d.Design(
        d.Grid(4, 4, 10.0, 10.0, ((3, 3),)),
        d.Breaks((d.Site(3, 4), d.Site(5, 4)), (d.Site(4, 3),)),
        d.Divide((d.Pass(1, 2, d.Way.RISING),), (d.Pass(3, 2, d.Way.FALLING),), gap=0.8),
        d.Weave(prefer=(d.Pass(1, 2, d.Way.RISING),)),
        d.Strand(width=4.0, thickness=1.6),
        d.Heights(d.Making.FUSED, step=0.5, slope_limit_deg=45.0),
    )
    assert isinstance(design.breaks.horizontal[0], d.Site) and isinstance(design.weave.prefer[0].way, d.Way)


def test_all_keys_but_the_layout_may_be_absent_or_empty():
    empty = plain(breaks={}, divide={"circuits": []}, weave={}, strand={"turns": {}, "groove": {}}, heights={})
    assert reading.read_text(empty) == reading.read_text(plain()) == d.Design(d.Grid(4, 4, 10.0, 10.0))


def test_a_whole_number_may_be_written_with_a_point():
    assert reading.read_text(plain(layout__grid=[4.0, 2])).layout == d.Grid(4, 2, 10.0, 10.0)


def test_only_what_was_set_is_written():
    written = json.loads(reading.write_text(reading.read_text(FULL)))
    assert written["divide"] == {"circuits": [[1, 2, "rising"]], "passes": [[3, 2, "falling"]], "gap": 0.8}
    assert written["strand"] == {"width": 4.0, "thickness": 1.6}
    assert json.loads(reading.write_text(d.Design(d.Grid(2, 3, 5.0, 6.0)))) == {
        "interlace": 1,
        "layout": {"grid": [2, 3], "cell": [5.0, 6.0]},
    }


@st.composite
def designs(draw: st.DrawFn) -> d.Design:
    """Sound designs in which any key may be set."""
    columns, rows = draw(st.integers(1, 6)), draw(st.integers(1, 6))
    cell_width = draw(st.floats(1, 100))
    cell_height = draw(st.one_of(st.just(cell_width), st.floats(1, 100)))
    grid = d.Grid(columns, rows, cell_width, cell_height)
    sites = [d.Site(x, y) for x in range(1, 2 * columns) for y in range(1, 2 * rows) if (x + y) % 2]
    kinds = draw(st.lists(st.sampled_from("cchv"), min_size=len(sites), max_size=len(sites)))
    of = {kind: tuple(site for site, k in zip(sites, kinds) if k == kind) for kind in "chv"}
    passes = [d.Pass(*site, way) for site in of["c"] for way in d.Way]
    some = st.lists(st.sampled_from(passes), unique=True, max_size=4).map(tuple) if passes else st.just(())
    pitch = sizes(d.Design(grid)).pitch
    width = draw(st.none() | st.floats(0.1 * pitch, 0.9 * pitch))
    outline = ((0.0, 0.0), (2.0, 0.0), (draw(st.floats(0.25, 1.75)), draw(st.floats(0.5, 9))))
    return d.Design(
        grid,
        d.Breaks(of["h"], of["v"]),
        d.Divide(draw(some), draw(some), draw(st.booleans()), draw(st.sampled_from(d.Rejoin))),
        d.Weave(draw(st.sampled_from(d.Hand)), draw(some)),
        d.Strand(
            width,
            section=draw(st.sampled_from([*d.Section, outline])),
            groove=d.Groove(angle_deg=draw(st.floats(10, 60))),
            turns=d.Turns(*(draw(st.sampled_from(d.Turn)) for _ in range(3))),
        ),
        d.Heights(
            draw(st.sampled_from([d.Making.FUSED, d.Making.CARVED])),
            slope_limit_deg=draw(st.none() | st.floats(1, 89)),
            step=draw(st.none() | st.floats(0.1, 3)),
        ),
    )


@given(designs())
def test_a_written_design_reads_back_equal_and_keeps_to_the_schema(design):
    text = reading.write_text(design)
    assert reading.read_text(text) == design
    assert reading.write_text(reading.read_text(text.encode())) == text
    jsonschema.validate(json.loads(text), reading.schema())


def test_a_layout_full_of_breaks_and_divided_passes_reads_back_equal():
    grid = d.Grid(60, 50, 10.0, 10.0)
    sites = [d.Site(x, y) for x in range(1, 120) for y in range(1, 100) if (x + y) % 2]
    passes = tuple(d.Pass(*site, way) for site in sites[3000:] for way in d.Way)
    design = d.Design(grid, d.Breaks(tuple(sites[:1500]), tuple(sites[1500:3000])), d.Divide(passes=passes))
    assert reading.read_text(reading.write_text(design)) == design


# -------------------------------------------------------------------------------------------------- what is no design


@pytest.mark.parametrize(
    ("text", "problem", "place"),
    [
        ("", "is empty", ""),
        ("[1, 2]", "found [1, 2]", ""),
        ('{"interlace": 1,}', "is not JSON here", "line 1, column 17"),
        ('{"interlace": 1', "is not JSON here", "line 1, column 16"),
        (b"\x89PNG\r\n\x1a\n\0\0\0", "is not UTF-8 text (byte 0x89 at offset 0)", "line 1"),
        ("\ufeff{}", "starts with a byte order mark", ""),
        ("{}".encode("utf-16"), "is UTF-16 text", ""),
        ("\0\0\0\0", "is not JSON here", "line 1, column 1"),
        ("[" * 5000, "nested too deeply", ""),
        ("[" * 5000 + "]" * 5000, "nested too deeply", ""),
        ('{"a":' * 500, "nested too deeply", ""),
        ('{"a":' * 100_000, "has about 100,000 keys", ""),
        ("[" * 40 + "]" * 40, "found a list of 1", ""),
        ("[" * 500 + "]" * 500, "nested too deeply", ""),
        ("{" + ", ".join(f'"{i}": {i}' for i in range(20_000)) + "}", "has about 20,000 keys", ""),
        (" " * (reading.MOST_BYTES + 1), "larger than 16 MiB", ""),
        ("{}", 'the key "interlace" is missing', ""),
        ('{"interlace": 1}', 'the key "layout" is missing', ""),
        (plain(interlace=2, later={}), "found 2", "interlace"),
        (plain(interlace=True), "found true", "interlace"),
        (
            '{"interlace": 1, "layout": {"grid": [1, 1], "cell": 1, "cell": 2}}',
            '"cell" stands here more than',
            "layout",
        ),
    ],
)
def test_what_is_no_design_is_refused_by_name(text, problem, place):
    error = refusal(text)
    assert problem in error.problem
    # Python releases differ in which column they give for a comma too many.
    assert error.place == place or (place.startswith("line 1, column") and error.place.startswith("line 1, column"))


def test_an_unknown_key_is_refused_with_the_nearest_right_one():
    assert "breaks" in refusal(plain(break_={})).remedy
    error = refusal(plain(strand__turns__boarders="round"))
    assert (error.place, '"boarders"' in error.problem, '"borders"' in error.remedy) == ("strand.turns", True, True)


def test_an_unknown_key_cannot_write_on_the_terminal():
    assert str(refusal(plain(**{"\x1b[2J\n\ud800": 1}))).isprintable()


@pytest.mark.parametrize("text", ["NaN", "Infinity", "-Infinity", "1e999", "-1e999", "9" * 5000, "1e400"])
@pytest.mark.parametrize("place", ["strand.width", "layout.grid[0]", "heights.clearance"])
def test_numbers_that_are_not_finite_are_refused_with_their_place(text, place):
    design = plain(
        strand={"width": "@" if place == "strand.width" else 4},
        layout={"grid": ["@" if place == "layout.grid[0]" else 4, 4], "cell": 10},
        heights={"clearance": "@" if place == "heights.clearance" else 0},
    )
    assert refusal(design.replace('"@"', text)).place == place


NO_NUMBERS = [True, False, None, "4", [], {}, [4], "", -1, -0.5]


@pytest.mark.parametrize("value", [*NO_NUMBERS, 0, 1e7])
@pytest.mark.parametrize("path", ["strand__width", "strand__thickness", "layout__cell", "heights__step"])
def test_a_size_is_a_number_above_zero(path, value):
    assert refusal(plain(**{path: value})).place == path.replace("__", ".")


@pytest.mark.parametrize("value", NO_NUMBERS)
@pytest.mark.parametrize("path", ["divide__gap", "heights__clearance"])
def test_a_distance_is_a_number_of_at_least_zero(path, value):
    assert refusal(plain(**{path: value})).place == path.replace("__", ".")
    reading.read_text(plain(**{path: 0}))


@pytest.mark.parametrize(
    ("change", "place"),
    [
        ({"layout__grid": [0, 4]}, "layout.grid[0]"),
        ({"layout__grid": [4, -4]}, "layout.grid[1]"),
        ({"layout__grid": [4, 4, 4]}, "layout.grid"),
        ({"layout__grid": [4, True]}, "layout.grid[1]"),
        ({"layout__grid": [4, 4.5]}, "layout.grid[1]"),
        ({"layout__grid": "4x4"}, "layout.grid"),
        ({"layout__cell": [10]}, "layout.cell"),
        ({"layout__cell": [10, 0]}, "layout.cell[1]"),
        ({"layout__without": [[0, 0, 0]]}, "layout.without[0]"),
        ({"layout": MISSING}, ""),
        ({"layout": []}, "layout"),
        ({"layout__grid": MISSING}, "layout"),
        ({"layout__cell": MISSING}, "layout"),
        ({"breaks": None}, "breaks"),
        ({"breaks__horizontal": [[3, 4], [3.5, 4]]}, "breaks.horizontal[1][0]"),
        ({"breaks__horizontal": [[3, 4], [5, -4]]}, "breaks.horizontal[1][1]"),
        ({"breaks__vertical": [[4, 3], "x"]}, "breaks.vertical[1]"),
        ({"breaks__vertical": [[4, 3], [4, True]]}, "breaks.vertical[1][1]"),
        ({"breaks__vertical": {}}, "breaks.vertical"),
        ({"divide__passes": [[3, 2]]}, "divide.passes[0]"),
        ({"divide__passes": [[3, 2, "up"]]}, "divide.passes[0][2]"),
        ({"divide__circuits": [[3, 2, ["rising"]]]}, "divide.circuits[0][2]"),
        ({"divide__all": 1}, "divide.all"),
        ({"divide__rejoin": "never"}, "divide.rejoin"),
        ({"weave__hand": None}, "weave.hand"),
        ({"strand__section": "oval"}, "strand.section"),
        ({"strand__section": 7}, "strand.section"),
        ({"strand__section": {}}, "strand.section"),
        ({"strand__section": {"points": [[0, 0], [1, 1]]}}, "strand.section.points"),
        ({"strand__section": {"points": [[0, 0], [1, 1], [2, None]]}}, "strand.section.points[2][1]"),
        ({"strand__turns__breaks": "square"}, "strand.turns.breaks"),
        ({"strand__groove__depth": 0}, "strand.groove.depth"),
        ({"strand__groove__angle_deg": 180}, "strand.groove.angle_deg"),
        ({"heights__way": "cast"}, "heights.way"),
        ({"heights__slope_limit_deg": 0}, "heights.slope_limit_deg"),
        ({"heights__slope_limit_deg": 90}, "heights.slope_limit_deg"),
    ],
)
def test_reader_and_schema_refuse_the_same_shapes(change, place):
    text = plain(**change)
    assert refusal(text).place == place
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(json.loads(text), reading.schema())


def test_the_wrong_entry_of_a_long_list_is_the_one_named():
    sites = [[x, y] for x in range(1, 120) for y in range(1, 100) if (x + y) % 2]
    wrong = [*sites[:4000], [4, "3"], *sites[4000:]]
    assert refusal(plain(layout__grid=[60, 50], breaks__horizontal=wrong)).place == "breaks.horizontal[4000][1]"


@pytest.mark.parametrize(
    ("change", "place", "first"),
    [
        ({"layout__without": [[0, 0], [1, 0], [0, 0]]}, "layout.without[2]", "layout.without[0]"),
        ({"breaks__vertical": [[4, 3], [4, 3.0]]}, "breaks.vertical[1]", "breaks.vertical[0]"),
        ({"weave__prefer": [[3, 2, "rising"]] * 2}, "weave.prefer[1]", "weave.prefer[0]"),
        ({"strand__section": {"points": [[0, 0], [2, 0], [1, 1], [0, 0]]}}, "strand.section.points[3]", "points[0]"),
    ],
)
def test_an_entry_given_twice_is_refused(change, place, first):
    error = refusal(plain(**change))
    assert error.place == place and first in error.problem


def test_the_kept_schema_is_the_one_the_reader_follows():
    jsonschema.Draft202012Validator.check_schema(reading.schema())
    assert SCHEMA_FILE.read_text(encoding="utf-8") == reading.schema_text(), "make schema"


# --------------------------------------------------------------------------------------- what cannot be in a design


@pytest.mark.parametrize("grid", [[100_000, 100_000], [250_000, 2], [501, 500]])
def test_a_layout_larger_than_the_ceiling_is_refused(grid):
    error = refusal(plain(layout__grid=grid))
    assert error.place == "layout.grid" and "250,000" in error.remedy


def test_a_layout_of_the_greatest_size_is_read():
    assert reading.read_text(plain(layout__grid=[500, 500])).layout.columns == 500
    assert reading.read_text(plain(layout__grid=[1, 250_000])).layout.rows == 250_000


@pytest.mark.parametrize(
    ("change", "place", "problem"),
    [
        ({"layout__without": [[0, 0], [4, 0]]}, "layout.without[1]", "off the layout"),
        ({"layout__without": [[c, r] for c in range(4) for r in range(4)]}, "layout.without", "every cell"),
        ({"breaks__horizontal": [[3, 4], [3, 3]]}, "breaks.horizontal[1]", "x + y even"),
        ({"breaks__horizontal": [[9, 4]]}, "breaks.horizontal[0]", "off the layout"),
        ({"breaks__horizontal": [[99, 99]]}, "breaks.horizontal[0]", "off the layout"),
        ({"breaks__horizontal": [[3, 0]]}, "breaks.horizontal[0]", "boundary"),
        ({"breaks__vertical": [[8, 3]]}, "breaks.vertical[0]", "boundary"),
        ({"layout__without": [[3, 3]], "breaks__vertical": [[6, 7]]}, "breaks.vertical[0]", "boundary"),
        ({"layout__without": [[3, 3]], "breaks__horizontal": [[7, 6]]}, "breaks.horizontal[0]", "boundary"),
        ({"layout__without": [[3, 3], [3, 2]], "weave__prefer": [[7, 6, "rising"]]}, "weave.prefer[0]", "left out"),
        ({"breaks": {"horizontal": [[3, 4]], "vertical": [[4, 3], [3, 4]]}}, "breaks.vertical[1]", "horizontal[0]"),
        ({"breaks__vertical": [[3, 4]], "divide__passes": [[3, 4, "rising"]]}, "divide.passes[0]", "break"),
        ({"breaks__vertical": [[3, 4]], "divide__circuits": [[3, 4, "rising"]]}, "divide.circuits[0]", "break"),
        ({"breaks__vertical": [[3, 4]], "weave__prefer": [[3, 4, "falling"]]}, "weave.prefer[0]", "break"),
        ({"divide__circuits": [[0, 1, "rising"]]}, "divide.circuits[0]", "boundary"),
        ({"weave__prefer": [[2, 2, "rising"]]}, "weave.prefer[0]", "x + y even"),
        ({"strand__width": 4, "divide__gap": 4}, "divide.gap", "leaves nothing"),
        ({"divide": {"all": True, "gap": 0.1}}, "divide.gap", "clearance"),
        ({"strand__thickness": 2, "heights__depth_limit": 2}, "heights.depth_limit", "cannot hold"),
        ({"strand": {"section": "median-incised", "groove": {"depth": 9}}}, "strand.groove.depth", "cuts through"),
        ({"strand": {"section": "median-incised", "groove": {"angle_deg": 179}}}, "strand.groove", "wide"),
    ],
)
def test_what_cannot_be_is_refused_by_name(change, place, problem):
    error = refusal(plain(**change))
    assert error.place == place and problem in error.problem


def test_every_site_between_two_cells_and_no_other_takes_a_break():
    without = [[1, 1], [0, 3], [3, 2]]
    cells = {(c, r) for c in range(4) for r in range(4)} - {(c, r) for c, r in without}
    for x in range(10):
        for y in range(10):
            text = plain(layout__without=without, breaks__vertical=[[x, y]])
            beside = {((x - 1) // 2, y // 2), (x // 2, y // 2)} if y % 2 else {(x // 2, y // 2 - 1), (x // 2, y // 2)}
            if (x + y) % 2 and beside <= cells:
                reading.read_text(text)
            else:
                assert refusal(text).place == "breaks.vertical[0]"


def test_a_strand_wider_than_its_pitch_is_refused_with_the_width_that_would_do():
    pitch = 12 * 9 / math.hypot(12, 9)  # 7.2: twice the area of half a cell over its diagonal
    error = refusal(plain(layout__cell=[12, 9], strand__width=8))
    assert error.place == "strand.width" and "8 mm" in error.problem and "7.2 mm" in error.problem
    assert "under 7.2 mm" in error.remedy
    reading.read_text(plain(layout__cell=[12, 9], strand__width=0.999 * pitch))
    refusal(plain(layout__cell=[12, 9], strand__width=1.001 * pitch))


def test_a_gap_under_the_clearance_is_fine_where_strands_are_one_piece_or_whole():
    reading.read_text(plain(divide={"all": True, "gap": 0}, heights__way="fused"))
    reading.read_text(plain(divide={"gap": 0}))


@pytest.mark.parametrize(
    ("points", "sound"),
    [
        ([[0, 0], [4, 0], [4, 1], [0, 1]], True),
        ([[0, 1], [4, 1], [4, 0], [0, 0]], True),
        ([[0, 0], [2, 1], [1, 3]], True),
        ([[0, 0], [1, -1], [3, -1], [4, 0], [3, 1], [2, 0.5], [1, 1]], True),
        ([[0, 0], [0, 0.5], [0, 1], [2, 1], [2, 0]], True),
        ([[0, 0], [0, 2], [0, 1], [2, 1], [2, 0]], False),  # a spike at its end
        ([[0, 0], [4, 0], [2, 1], [4, 2], [0, 2]], False),  # undercut
        ([[0, 0], [4, 0], [4, 1], [2, 1], [2, 2], [0, 2]], False),  # an upright edge inside
        ([[0, 0], [4, 2], [4, 0], [0, 2]], False),  # crosses itself
        ([[0, 0], [1, 1], [2, 0], [1, 2]], True),
        ([[0, 0], [1, 1], [2, 0], [3, 1], [4, 0], [3, 2], [2, 0.5], [1, 2]], True),
        ([[0, 0], [1, 1], [2, 0], [3, 1], [4, 0], [3, 2], [2, -0.5], [1, 2]], False),
        ([[0, 0], [2, 1], [4, 2]], False),  # no area
        ([[0, 1], [4, 1], [2, 1]], False),
        ([[1, 0], [1, 4], [1, 2]], False),
    ],
)
def test_an_outline_has_one_top_and_one_bottom(points, sound):
    text = plain(strand__section={"points": points})
    if sound:
        assert reading.read_text(text).strand.section == tuple((float(x), float(y)) for x, y in points)
    else:
        assert refusal(text).place == "strand.section.points"


def test_a_design_made_in_memory_is_checked_like_one_from_a_file():
    grid = d.Grid(4, 4, 10.0, 10.0)
    reading.check(d.Design(grid, d.Breaks((d.Site(np.int64(3), 4),)), strand=d.Strand(width=np.float32(4))))
    for design, place in [
        (d.Design(d.Grid(0, 4, 10.0, 10.0)), "layout.grid[0]"),
        (d.Design(d.Grid(4, 4, 10.0, math.nan)), "layout.cell[1]"),
        (d.Design(grid, strand=d.Strand(width=-1.0)), "strand.width"),
        (d.Design(grid, strand=d.Strand(width=True)), "strand.width"),
        (d.Design(grid, strand=d.Strand(width=9.0)), "strand.width"),
        (d.Design(grid, d.Breaks((d.Site(1, 0),))), "breaks.horizontal[0]"),
        (d.Design(grid, d.Breaks((d.Site(1, -2),))), "breaks.horizontal[0][1]"),
        (d.Design(grid, None), "breaks"),
    ]:
        with pytest.raises(DesignError) as caught:
            reading.check(design)
        assert caught.value.place == place


@pytest.mark.parametrize("on", [True, False])
def test_reading_leaves_the_search_for_garbage_as_it_was(on):
    before = gc.isenabled()
    try:
        (gc.enable if on else gc.disable)()
        reading.read_text(FULL)
        with pytest.raises(DesignError):
            reading.read_text("{")
        assert gc.isenabled() == on
    finally:
        (gc.enable if before else gc.disable)()


# ------------------------------------------------------------------------------------------------------------- files


def test_a_file_is_read_and_named_in_what_is_refused(tmp_path):
    path = tmp_path / "board.interlace.json"
    path.write_text(FULL, encoding="utf-8")
    assert reading.read_file(path) == reading.read_text(FULL)
    path.write_text(plain(strand__width=9))
    with pytest.raises(DesignError) as caught:
        reading.read_file(path)
    assert str(caught.value).startswith(f"{path}: strand.width: ")


def test_what_is_no_plain_file_is_refused(tmp_path):
    for path in (tmp_path / "none", tmp_path, Path("/dev/zero"), tmp_path / ("x" * 300), Path("a\0b")):
        with pytest.raises(DesignError, match="cannot be read"):
            reading.read_file(path)
