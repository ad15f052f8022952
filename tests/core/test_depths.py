"""The depth table and the sections say what the relief is, read off it by other means."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image
from scipy import ndimage
from shapely.geometry import LineString

from knotgeom.carving.cutters import Cutter, CutterKind
from knotgeom.carving.depths import Line, crossing_depths, heights_at, middle_lines, section_along
from knotgeom.carving.field import HeightField, panel_field
from knotgeom.carving.files import carve_to
from knotgeom.carving.gouges import Gouge
from knotgeom.carving.options import Carving
from knotgeom.carving.panel import Panel, plan_panel
from knotgeom.carving.section_drawing import profile, sections_svg
from knotgeom.carving.tool_report import reach_report, tool_lines
from knotgeom.carving.tools import Tools
from knotgeom.design import Breaks, Design, Divide, Grid, Make, Section, Strand
from knotgeom.errors import DesignError
from knotgeom.reading import read_text, write_text


def knot(section: Section = Section.FLAT, *, divided: bool = False) -> Design:
    """A small knot of a carver's sizes."""
    return Design(
        Grid(3, 2, 24.0, 24.0),
        breaks=Breaks(),
        divide=Divide(all=divided, gap=2.0),
        strand=Strand(width=11.0, section=section),
    )


@pytest.fixture(scope="module")
def carved() -> tuple[Panel, HeightField]:
    panel = plan_panel(knot(), Carving())
    return panel, panel_field(panel, 0.2)


@pytest.mark.parametrize("section", [Section.FLAT, Section.HALF_ROUND, Section.MEDIAN_INCISED])
@pytest.mark.parametrize("divided", [False, True])
def test_every_crossing_has_the_depths_of_the_strands_that_were_woven(section: Section, divided: bool) -> None:
    panel = plan_panel(knot(section, divided=divided), Carving())
    field = panel_field(panel, 0.2)
    rows = crossing_depths(panel.made, field)
    assert len(rows) == panel.made.facts["woven_crossings"]
    assert [row.number for row in rows] == list(range(1, len(rows) + 1))
    drawn, counted = panel.made.drawn, panel.made.counted
    assert drawn is not None
    tops = -(panel.z + panel.crown)
    place = np.concatenate([line[:, :2] for line in panel.made.circuits])
    for row in rows:
        assert row.step == pytest.approx(row.under - row.over)
        assert row.step >= panel.kept_step - 0.1
        assert row.ground == pytest.approx(panel.depth, abs=1e-3)
        # the over-strand's own height, of which the map knows nothing
        near = np.hypot(*(place - (row.x, row.y)).T) < 0.6
        assert np.abs(tops[near] - row.over).min() < 0.12
        assert tops[near].min() >= row.over - 0.12
    by_place = {(round(float(x), 3), round(float(y), 3)): k for k, (x, y) in enumerate(drawn.footprints.point)}
    for row in rows:
        k = by_place[(round(row.x, 3), round(row.y, 3))]
        lane = drawn.footprints.lane[k, int(counted.weaving.pass_one_over[k])]
        assert row.over_circuit == drawn.lanes.circuit[lane]


def test_heights_between_pixels_are_scipys(carved: tuple[Panel, HeightField]) -> None:
    field = carved[1]
    rng = np.random.default_rng(0)
    x = field.left + field.pitch * field.z.shape[1] * rng.random(500)
    y = field.top - field.pitch * field.z.shape[0] * rng.random(500)
    row, column = (field.top - y) / field.pitch - 0.5, (x - field.left) / field.pitch - 0.5
    theirs = ndimage.map_coordinates(field.z, [row, column], order=1, mode="nearest")
    assert heights_at(field, x, y) == pytest.approx(theirs, abs=1e-4)


def test_a_section_meets_every_strand_that_its_line_crosses(carved: tuple[Panel, HeightField]) -> None:
    panel, field = carved
    for line in (Line(-3.0, 11.0, 75.0, 40.0, "A"), Line(20.3, -3.0, 31.7, 52.0, "B")):
        found = section_along(panel.made, field, line)
        cut = LineString([(line.x0, line.y0), (line.x1, line.y1)])
        theirs = []
        for circuit in panel.made.circuits:
            meets = cut.intersection(LineString([*circuit[:, :2], circuit[0, :2]]))
            points = getattr(meets, "geoms", [meets])
            theirs += [math.hypot(p.x - line.x0, p.y - line.y0) for p in points if not p.is_empty]
        assert [strand.along for strand in found.strands] == pytest.approx(sorted(theirs), abs=1e-3)
        for strand in found.strands:
            assert 0 - 1e-5 <= strand.depth <= panel.depth
        for ground in found.ground:
            assert ground.depth == pytest.approx(panel.depth, abs=1e-3)
            middle = (ground.start + ground.end) / 2
            assert all(abs(middle - strand.along) > 2.0 for strand in found.strands)


def test_one_of_two_strands_at_a_crossing_is_hidden(carved: tuple[Panel, HeightField]) -> None:
    panel, field = carved
    for row in crossing_depths(panel.made, field)[:5]:
        found = section_along(panel.made, field, Line(row.x - 20, row.y + 0.01, row.x + 20, row.y + 0.01))
        here = [strand for strand in found.strands if abs(strand.along - 20) < 1.0]
        assert sorted(strand.hidden for strand in here) == [False, True]
        assert all(strand.depth == pytest.approx(row.over, abs=0.1) for strand in here)


def test_a_section_is_drawn_at_true_scale(carved: tuple[Panel, HeightField]) -> None:
    panel, field = carved
    sections = [section_along(panel.made, field, line) for line in middle_lines(field)]
    root = ElementTree.fromstring(sections_svg(panel.made, field, sections, panel.thickness))
    names = {"svg": "http://www.w3.org/2000/svg"}
    width, height = (float(root.attrib[key].removesuffix("mm")) for key in ("width", "height"))
    assert [float(v) for v in root.attrib["viewBox"].split()] == [0.0, 0.0, width, height]  # a unit is 1 mm
    for section in sections:
        group = root.find(f"svg:g[@id='section-{section.line.name}']", names)
        assert group is not None
        outline = group.find("svg:path", names)
        assert outline is not None
        numbers = np.array(re.findall(r"[-0-9.]+", outline.attrib["d"]), float).reshape(-1, 2)
        assert numbers[:, 0].min() >= 0
        assert numbers[:, 0].max() <= width
        assert numbers[:, 1].max() <= height
        assert np.ptp(numbers[:, 0]) == pytest.approx(section.line.length, abs=0.01)
        back = numbers[[0, -1], 1]
        drawn = numbers[1:-1]
        along = drawn[:, 0] - numbers[0, 0] + section.along[0]
        z = back[0] - drawn[:, 1] - panel.thickness
        apart = np.abs(np.interp(section.along, along, z) - section.z)
        steep = np.abs(np.gradient(section.z, section.along)) > 1
        assert apart[~steep].max() < 0.02
        assert len(profile(section)) < len(section.along) / 2
    bar = root.find("svg:g[@id='scale']/svg:path", names)
    assert bar is not None
    assert re.match(r"M[0-9.]+ [0-9.]+h(50|100)\.000", bar.attrib["d"])


def test_what_cannot_be_sectioned_is_refused_in_one_line(carved: tuple[Panel, HeightField]) -> None:
    panel, field = carved
    good = section_along(panel.made, field, middle_lines(field)[0])
    for line, words in (
        (Line(5.0, 5.0, 5.0, 5.0), "no length"),
        (Line(500.0, 0.0, 500.0, 50.0), "misses the board"),
        (Line(math.nan, 0.0, 500.0, 50.0), "no length"),
    ):
        with pytest.raises(DesignError, match=words):
            section_along(panel.made, field, line)
    with pytest.raises(DesignError, match="two sections named A"):
        sections_svg(panel.made, field, [good, good], panel.thickness)
    with pytest.raises(DesignError, match=r"board 3 mm thick"):
        sections_svg(panel.made, field, [good], 3.0)


def test_tools_are_read_from_a_design_and_reported_as_json(tmp_path: Path) -> None:
    tools = Tools(
        cutters=(Cutter(CutterKind.BALL, 3.0), Cutter(CutterKind.TAPERED, 4.0, 6.0, 1.0)),
        share=0.3,
        gouges=(Gouge(3, 4.0), Gouge(5, 6.0, 9.0)),
        grain_deg=90.0,
        sections=((0.0, 12.0, 72.0, 12.0),),
    )
    text = write_text(
        Design(knot().layout, strand=knot().strand, make=Make(carve=Carving(resolution=0.5, tools=tools)))
    )
    design = read_text(text)
    assert design.make.carve.tools == tools
    panel = plan_panel(design)
    field = panel_field(panel, 0.25)
    seen: list[float] = []
    found = reach_report(panel, field, lambda share, _stage: seen.append(share))
    assert seen == sorted(seen)
    facts = json.loads(json.dumps(found.facts, allow_nan=False))
    ball, tapered = facts["cutters"]
    assert ball["passes"]["stepover_mm"] == pytest.approx(2 * math.sqrt(0.05 * (3.0 - 0.05)), abs=1e-3)
    assert tapered["uncut_share"] < ball["uncut_share"]
    assert ball["uncut_area_mm2"] == pytest.approx(ball["uncut_share"] * ball["lowered_area_mm2"], rel=1e-2)
    assert ball["largest_that_does"]["uncut_share"] <= 0.3
    assert {bend["gouge"] for bend in facts["hand"]["bends"]} <= {"3/4", "5/6", None}
    assert len(facts["depths"]) == panel.made.facts["woven_crossings"]
    assert [section["name"] for section in facts["sections"]] == ["A"]
    first, second = tool_lines(facts)
    assert first.startswith(f"3 mm ball-nose: {100 * ball['uncut_share']:.1f} % of the lowered area uncut")
    assert tapered["name"] in second
    done = carve_to(design, tmp_path / "board", replace=False)
    with Image.open(tmp_path / "board" / "uncut.png") as picture:  # one picture a cutter, each with its legend
        assert picture.size[0] >= done.field.z.shape[1]
        assert picture.size[1] > 2 * done.field.z.shape[0]
        assert "3 mm ball-nose" in picture.info["Description"]
    drawing = (tmp_path / "board" / "sections.svg").read_text(encoding="utf-8")
    assert 'id="section-A"' in drawing
    written = json.loads((tmp_path / "board" / "report.json").read_text(encoding="utf-8"))
    assert [row["name"] for row in written["tools"]["cutters"]] == [ball["name"], tapered["name"]]


def test_a_cutter_wider_than_the_board_is_refused_by_its_place(tmp_path: Path) -> None:
    tools = Tools(cutters=(Cutter(), Cutter(CutterKind.FLAT, 190.0)))
    panel = plan_panel(knot(), Carving(tools=tools))
    with pytest.raises(DesignError) as refused:
        reach_report(panel, panel_field(panel, 0.5))
    board = (100.0, 80.0, 18.0)
    stages: list[str] = []
    with pytest.raises(DesignError, match="100 x 80 mm"):  # before anything is worked out
        carve_to(
            knot(), tmp_path, Carving(board=board, tools=tools), progress=lambda _share, stage: stages.append(stage)
        )
    assert stages == []
    assert list(tmp_path.iterdir()) == []
    assert refused.value.place == "make.carve.tools.cutters[1].diameter"
    assert "give one of at most" in str(refused.value)
