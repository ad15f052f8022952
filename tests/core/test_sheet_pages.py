"""Pattern sheets of every shape: tall and broad pages that join, one-page drawings, signs, and knots of one strand."""

from __future__ import annotations

import dataclasses
import re
from itertools import product

import numpy as np
import pypdf
import pytest
import shapely
from shapely.geometry import LineString

from knotgeom import made, sheets
from knotgeom.design import (
    Breaks,
    CircuitStyle,
    Design,
    Divide,
    Grid,
    Hand,
    Heights,
    Making,
    Pass,
    Rejoin,
    Section,
    Site,
    Strand,
    Way,
    Weave,
)
from knotgeom.errors import DesignError
from knotgeom.sheets import follow, pages, paper, pattern, sheet, stages
from knotgeom.sheets.pages import Tiling
from tests.core.test_sheet import DESIGNS, PLAIT, areas, bands, seen_of

INCISED = dataclasses.replace(PLAIT, strand=Strand(3.6, 1.2, Section.MEDIAN_INCISED))
RINGLET = Design(Grid(1, 1, 20.0, 20.0), strand=Strand(4.0, 1.0))
EIGHT = Design(Grid(2, 1, 20.0, 20.0), strand=Strand(4.0, 1.0))
WALLED = dataclasses.replace(PLAIT, breaks=Breaks((Site(3, 2),), (Site(4, 3),)))


def write(path, design: Design, kinds: tuple[str, ...], **wanted: bool) -> None:
    sheets.write_sheet(
        str(path), made.make(design, prove=0), sheets.Sheet(kinds, wanted=sheets.Wanted(**wanted)), "knot"
    )


def groups(text: str) -> set[str]:
    return set(re.findall(r'<g id="([^"]*)"', text))


# --------------------------------------------------------------------------------------------------- tiled pages


def tiling(wide: float, high: float) -> Tiling:
    return pages.tile(paper.Box(0.0, 0.0, wide, high), "A4", 10.0)


@pytest.mark.parametrize(("wide", "high"), [(200.0, 900.0), (900.0, 200.0), (700.0, 700.0)])
def test_a_page_names_on_each_side_the_page_that_lies_there(wide: float, high: float) -> None:
    whole = tiling(wide, high)
    assert max(whole.columns, whole.rows) > 2
    sheet_pages = pages.tiles(whole, "pattern", "knot")
    names = [whole.name(column, row) for row in reversed(range(whole.rows)) for column in range(whole.columns)]
    assert len(set(names)) == len(names) == len(sheet_pages)
    window = whole.window
    sides: dict[str, dict[str, str]] = {}
    for name, page in zip(names, sheet_pages, strict=True):
        words = [
            item for item in page.items if isinstance(item, paper.Words) and item.text.removeprefix("joins ") in names
        ]
        sides[name] = {}
        for item in words:
            text = item.text.removeprefix("joins ")
            if item.y > window.top:
                sides[name]["above"] = text
            elif item.y < window.bottom and "joins" in item.text:
                sides[name]["below"] = text
            elif item.x < window.left:
                sides[name]["left"] = text
            elif item.x > window.right:
                sides[name]["right"] = text
    other = {"above": "below", "below": "above", "left": "right", "right": "left"}
    for name, found in sides.items():
        for side, there in found.items():
            assert sides[there][other[side]] == name
    joints = sum(len(found) for found in sides.values())
    assert joints == 2 * (whole.columns * (whole.rows - 1) + whole.rows * (whole.columns - 1))


def test_cuts_of_neighbouring_pages_come_to_lie_on_one_another() -> None:
    whole = tiling(700.0, 700.0)
    crosses: list[set[tuple[float, float]]] = []
    for row, column in product(range(whole.rows), range(whole.columns)):
        at = whole.origin[0] + column * whole.step[0], whole.origin[1] + row * whole.step[1]
        shift = whole.window.left - at[0], whole.window.bottom - at[1]
        (marks,) = pages.crop_marks(whole, shift)
        rings = [np.asarray(drawn[0]) for drawn in marks.lines if len(drawn[0]) > 4]
        crosses.append({tuple(np.round(ring.mean(0) - shift, 3).tolist()) for ring in rings})
        # short strokes run in from the window's sides, none outside of it
        for drawn in marks.lines:
            x, y = np.asarray(drawn[0]).T
            assert x.min() > whole.window.left - 5 and x.max() < whole.window.right + 5
            assert y.min() > whole.window.bottom - 5 and y.max() < whole.window.top + 5
    every = set(product(np.round(whole.cuts(0), 3).tolist(), np.round(whole.cuts(1), 3).tolist()))
    assert set().union(*crosses) == every
    inner = [cross for cross in every if 0 < cross[0] < 700 and 0 < cross[1] < 700]
    assert inner and all(sum(cross in found for found in crosses) == 4 for cross in inner)


def test_rows_of_pages_beyond_z_have_two_letters() -> None:
    many = dataclasses.replace(tiling(10.0, 10.0), rows=60)
    names = [many.name(0, row) for row in reversed(range(60))]
    assert names[:3] == ["A1", "B1", "C1"] and names[25:28] == ["Z1", "AA1", "AB1"] and names[52] == "BA1"
    assert len(set(names)) == 60


# ---------------------------------------------------------------------------------------------- one page as SVG


@pytest.mark.parametrize("kind", ["stages", "follow"])
def test_a_page_for_teaching_is_the_same_drawing_as_svg_and_as_pdf(tmp_path, kind: str) -> None:
    design = INCISED if kind == "stages" else EIGHT
    write(tmp_path / "x.svg", design, (kind,))
    write(tmp_path / "x.pdf", design, (kind,))
    text = (tmp_path / "x.svg").read_text()
    assert 'width="210.000mm" height="297.000mm"' in text or 'width="210mm" height="297mm"' in text
    words = pypdf.PdfReader(tmp_path / "x.pdf").pages[0].extract_text()
    said = set(re.findall(r"<text[^>]*>([^<]*)</text>", text))
    assert said and all(part.split()[0] in words for part in said if part.split())
    assert (groups(text) >= {"incised"}) is (kind == "stages")


def test_strands_that_take_several_pages_are_no_svg(tmp_path) -> None:
    design = Design(Grid(6, 6, 10.0, 10.0), strand=Strand(3.0, 1.0))
    with pytest.raises(DesignError, match=r"takes \d+ pages, and an SVG holds one") as refused:
        write(tmp_path / "x.svg", design, ("follow",))
    assert refused.value.place == "--pages" and not list(tmp_path.iterdir())


# ------------------------------------------------------------------------------------------------ signs and words


def test_every_kind_of_line_that_is_drawn_is_explained_and_no_other(tmp_path) -> None:
    signs = {
        "waste": "ground between strands",
        "grid": "grid of the layout",
        "arrows": "dips under here",
        "depths": "top of the upper strand, of the lower",
        "outlines": "closed outline of a visible piece",
    }
    for wanted in (set(), {"grid", "arrows"}, set(signs)):
        for design, reference in (
            (INCISED, "mm below the highest top: top of"),
            (DESIGNS["incised"], "mm below the board's face: top of"),
        ):
            write(tmp_path / "x.pdf", design, ("pattern",), **dict.fromkeys(wanted, True))
            first = " ".join(pypdf.PdfReader(tmp_path / "x.pdf").pages[0].extract_text().split())
            assert {name for name, words in signs.items() if words in first} == wanted
            assert "line cut into a strand" in first
            assert (reference in first) == ("depths" in wanted)
            (tmp_path / "x.pdf").unlink()


def test_walls_are_drawn_with_the_grid_and_lines_cut_into_strands_with_the_pattern(tmp_path) -> None:
    for design, drawn in ((WALLED, {"breaks"}), (PLAIT, set()), (INCISED, {"incised"})):
        write(tmp_path / "x.svg", design, ("pattern",), grid=True)
        assert groups((tmp_path / "x.svg").read_text()) & {"breaks", "incised"} == drawn
        (tmp_path / "x.svg").unlink()


def test_the_words_tell_of_one_crossing_and_of_two_alike_at_the_beginning() -> None:
    def passed(order: str) -> list[follow.Passage]:
        return [follow.Passage(k, float(k), over == "o", float(k)) for k, over in enumerate(order)]

    assert follow.told(passed("u")) == "Passes one crossing, under."
    assert follow.told(passed("oou")) == "3 crossings. Begin over at 1, and so on in turn, but 1 and 2 are both over."


@pytest.mark.parametrize(
    ("design", "words"),
    [
        (dataclasses.replace(PLAIT, breaks=Breaks((Site(3, 2),))), "Draw the wall."),
        (WALLED, "Draw the 2 walls."),
        (PLAIT, "This design has none"),
    ],
)
def test_stages_tell_how_many_walls_to_draw(tmp_path, design: Design, words: str) -> None:
    write(tmp_path / "x.svg", design, ("stages",))
    assert words in (tmp_path / "x.svg").read_text()


@pytest.mark.parametrize(("cells", "columns"), [((2, 6), 3), ((3, 3), 2), ((3, 2), 2), ((12, 2), 1)])
def test_stages_stand_in_as_many_columns_as_the_design_is_narrow(cells: tuple[int, int], columns: int) -> None:
    counted, drawn, seen = seen_of(Design(Grid(*cells, 10.0, 10.0), strand=Strand(3.0, 1.0)))
    box = paper.Box(0.0, 0.0, 10.0 * cells[0], 10.0 * cells[1])
    page = stages.stages_page(counted, drawn, seen, box, "A4", "knot")
    heads = [item for item in page.items if isinstance(item, paper.Words) and re.match(r"[1-6]  ", item.text)]
    assert len({item.x for item in heads}) == columns and len(heads) == 6


def test_a_finished_stage_shows_circuits_in_their_own_colours_lightened() -> None:
    red = dataclasses.replace(PLAIT.strand, circuits=(CircuitStyle(Pass(1, 2, Way.RISING), colour="#ff0000"),))
    counted, drawn, seen = seen_of(dataclasses.replace(PLAIT, strand=red))
    page = stages.stages_page(counted, drawn, seen, paper.Box(0.0, 0.0, 40.0, 30.0), "A4", "knot")
    fills = {item.pen.fill for item in page.items if isinstance(item, paper.Shape) and item.layer == "pieces"}
    ((circuit, _),) = counted.colours.items()
    strong = [fill for fill in fills if fill[0] == 1.0 and fill[1] == fill[2] == pytest.approx(0.45)]
    assert len(strong) == 1 and (len(fills) > 1) == (counted.circuits.count > 1)
    assert circuit in range(counted.circuits.count)


# -------------------------------------------------------------------------------------------- knots of one strand


def test_a_ring_without_a_crossing_is_one_piece_with_a_hole_and_has_no_depths(tmp_path) -> None:
    counted, drawn, seen = seen_of(RINGLET)
    (piece,) = seen.pieces
    assert len(piece.holes) == 1 and pattern.crossing_depths(counted, drawn) == []
    assert follow.told(follow.passages(counted, drawn, seen)[0]) == "Meets no other strand."
    write(tmp_path / "x.svg", RINGLET, ("pattern",), depths=True, arrows=True)
    assert "depths" not in groups((tmp_path / "x.svg").read_text())


@pytest.mark.parametrize("name", ["ring", "forks"])
def test_halves_that_touch_have_one_line_between_them_wherever_both_are_seen(name: str) -> None:
    shut = Divide(all=True, gap=0.0) if name == "ring" else dataclasses.replace(DESIGNS["forks"].divide, gap=0.0)
    fused = Heights(way=Making.FUSED, step=0.5)
    design = dataclasses.replace(RINGLET if name == "ring" else DESIGNS["forks"], divide=shut, heights=fused)
    _, drawn, seen = seen_of(design)
    line = shapely.union_all([LineString(np.vstack([p, p[:1]]) if closed else p) for p, closed in seen.incised])
    regions = areas(seen.pieces)
    edges = shapely.union_all([LineString(np.vstack([p, p[:1]]) if closed else p) for p, closed in seen.edges])
    whole = shapely.union_all(regions, grid_size=1e-7)
    assert line.length > 10 and whole.area == pytest.approx(bands(drawn).area, rel=1e-3)
    # it runs inside what strands cover, half a strand from the outer edges, and is drawn once
    assert line.difference(whole.buffer(1e-4)).length < 1e-3
    assert sum(
        LineString(np.vstack([p, p[:1]]) if closed else p).length for p, closed in seen.incised
    ) == pytest.approx(line.length, rel=1e-6)
    middle = shapely.line_interpolate_point(line, 0.5, normalized=True) if name == "ring" else None
    assert middle is None or edges.distance(middle) == pytest.approx(2.0, abs=0.01)


# --------------------------------------------------------------------------------------------------------- refusals


def test_options_that_programs_give_are_refused_as_the_commands_are() -> None:
    for options, words in (
        (sheets.Sheet(paper="A9"), 'no paper is called "A9"'),
        (sheets.Sheet(overlap=float("nan")), "an overlap of nan mm"),
        (sheets.Sheet(overlap=-1.0), "give 0 or more"),
    ):
        with pytest.raises(DesignError, match=words):
            sheet.refuse_options(options, "x.pdf")


def test_a_design_that_cannot_be_drawn_is_refused_though_nothing_was_found_against_it(tmp_path) -> None:
    crowded = Design(Grid(3, 2, 4.0, 4.0), divide=Divide(all=True, rejoin=Rejoin.STEPS), strand=Strand(2.6, 0.8))
    done = made.make(crowded, prove=0)
    for lacking, words in (
        (dataclasses.replace(done, findings=()), "strands lie on one another"),
        (dataclasses.replace(done, drawn=None), "no strand can be made"),
    ):
        with pytest.raises(DesignError, match=words):
            sheets.write_sheet(str(tmp_path / "x.pdf"), lacking, sheets.Sheet(), "x")
    assert not list(tmp_path.iterdir())


def test_a_strand_seen_only_between_two_that_cross_over_it_is_closed_where_they_cross() -> None:
    design = Design(
        Grid(2, 2, 10.0, 10.0),
        divide=Divide(passes=(Pass(3, 2, Way.FALLING),), rejoin=Rejoin.BENDS),
        weave=Weave(Hand.LEFT, (Pass(3, 2, Way.FALLING),)),
        strand=Strand(5.232590180780451, 0.5),
        heights=Heights(way=Making.FUSED, step=0.2),
    )
    _, drawn, seen = seen_of(design)
    regions = areas(seen.pieces)
    whole = shapely.union_all(regions, grid_size=1e-7)
    assert sum(region.area for region in regions) == pytest.approx(whole.area, rel=1e-6)
    assert shapely.symmetric_difference(whole, bands(drawn)).area < 1e-3 * whole.area


def test_strands_as_wide_as_their_pitch_are_not_drawn(tmp_path) -> None:
    design = Design(Grid(2, 2, 10.0, 10.0), strand=Strand(6.57, 0.5), heights=Heights(way=Making.FUSED, step=0.2))
    with pytest.raises(DesignError, match="no clean line can be drawn"):
        write(tmp_path / "x.svg", design, ("pattern",))
