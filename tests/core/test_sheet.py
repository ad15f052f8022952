"""Pattern sheets: what is drawn is what is seen, at true size, and what others read from the files."""

from __future__ import annotations

import ctypes
import dataclasses
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pypdf
import pypdfium2
import pytest
import resvg_py
import shapely
from hypothesis import HealthCheck, assume, given, settings
from PIL import Image, ImageFilter
from shapely.geometry import LineString, Point, Polygon

from knotgeom import command, counting, drawing, made, reading, sheets
from knotgeom.design import (
    Breaks,
    CircuitStyle,
    Design,
    Divide,
    Grid,
    Heights,
    Making,
    Pass,
    Rejoin,
    Section,
    Site,
    Strand,
    Turn,
    Turns,
    Way,
)
from knotgeom.errors import DesignError
from knotgeom.raster import height_buffer, window_of
from knotgeom.sheets import follow, outlines, pages, paper, pattern, pdf, sheet, visible
from knotgeom.sizing import sizes
from knotgeom.weave import planar_diagram
from tests.core import strategies

GRID = Grid(4, 3, 10.0, 10.0)
PLAIT = Design(GRID, heights=Heights(clearance=0.3), strand=Strand(width=3.6, thickness=1.2))
DESIGNS = {
    "plait": PLAIT,
    "pointed": dataclasses.replace(
        PLAIT,
        strand=Strand(3.0, 1.0, turns=Turns(Turn.POINTED, Turn.POINTED, Turn.POINTED)),
        breaks=Breaks((Site(3, 2),)),
    ),
    "divided": dataclasses.replace(PLAIT, divide=Divide(all=True, gap=0.9), strand=Strand(3.6, 0.8)),
    "incised": dataclasses.replace(
        PLAIT, divide=Divide(all=True, gap=0.0), heights=Heights(way=Making.CARVED, step=0.5), strand=Strand(3.6, 1.0)
    ),
    "forks": dataclasses.replace(
        PLAIT,
        divide=Divide(passes=(Pass(3, 2, Way.RISING), Pass(5, 4, Way.FALLING)), gap=0.8),
        heights=Heights(way=Making.FUSED, step=0.5),
    ),
    "rejoined": Design(
        Grid(5, 4, 12.0, 12.0),
        divide=Divide(all=True, rejoin=Rejoin.BENDS, gap=1.1),
        strand=Strand(4.2, 1.6),
        heights=Heights(way=Making.FUSED, step=0.5),
    ),
    "two widths": Design(
        Grid(4, 4, 10.0, 10.0),
        Breaks(horizontal=(Site(4, 3), Site(4, 5)), vertical=(Site(3, 4), Site(5, 4))),
        strand=Strand(3.6, 1.0, circuits=(CircuitStyle(Pass(1, 2, Way.RISING), 2.2),)),
    ),
    "loop": Design(Grid(4, 1, 10.0, 10.0), Breaks(vertical=(Site(4, 1),)), strand=Strand(2.4, 0.8)),
}
every_design = pytest.mark.parametrize("design", DESIGNS.values(), ids=DESIGNS)


def seen_of(design: Design):
    counted = counting.count(design)
    drawn = drawing.draw(counted)
    return counted, drawn, visible.visible(counted, drawn)


def areas(pieces) -> list[shapely.Geometry]:
    """Pieces as areas. A strand that crosses itself only once is one piece whose ends lie against its own side."""
    regions = [
        shapely.make_valid(Polygon(p.outline, p.holes), method="structure", keep_collapsed=False) for p in pieces
    ]
    for piece, region in zip(pieces, regions, strict=True):
        size = outlines.area(piece.outline) + sum(outlines.area(hole) for hole in piece.holes)
        assert region.area == pytest.approx(size, rel=1e-6)  # so nothing is folded over
    return regions


def bands(drawn) -> shapely.Geometry:
    """All that strands cover, from quads between neighbouring samples: no matter who is over whom."""
    lanes, courses = drawn.lanes, drawn.courses
    quads = []
    for a, b in zip(lanes.start[:-1], lanes.start[1:], strict=True):
        at = np.append(np.arange(a, b), a)
        sample = lanes.sample[at]
        left, right = (
            courses.point[sample, :2]
            + (lanes.offset[at] + side * lanes.width[at] / 2)[:, None] * courses.lateral[sample, :2]
            for side in (1, -1)
        )
        quads.append(np.stack([right[:-1], right[1:], left[1:], left[:-1], right[:-1]], 1))
    return shapely.union_all(shapely.polygons(np.concatenate(quads)), grid_size=1e-7)


# ------------------------------------------------------------------------------------------------- what is seen


@every_design
def test_visible_pieces_lie_side_by_side_and_cover_exactly_what_strands_cover(design):
    _, drawn, seen = seen_of(design)
    pieces = areas(seen.pieces)
    assert seen.doubtful == 0
    together = shapely.union_all(pieces, grid_size=1e-7)
    assert sum(piece.area for piece in pieces) == pytest.approx(together.area, abs=1e-4)
    assert together.symmetric_difference(bands(drawn)).area < 1e-3


@settings(max_examples=20, suppress_health_check=[HealthCheck.filter_too_much])
@given(strategies.designs())
def test_pieces_of_any_design_that_can_be_made_lie_side_by_side(design):
    """Steps of random designs are mostly too short for usual widths, so strands are narrow."""
    pitch = sizes(design).pitch
    narrow = dataclasses.replace(design.strand, width=0.32 * pitch, thickness=0.05 * pitch, circuits=())
    design = dataclasses.replace(
        design,
        strand=narrow,
        divide=dataclasses.replace(design.divide, gap=0.06 * pitch),
        heights=Heights(clearance=0.0),
    )
    counted = counting.count(design)
    drawn = drawing.draw(counted, fine=False)
    assume(not {finding.kind for finding in made.judge(design)} & {"bend", "ground"})
    seen = visible.visible(counted, drawn)
    pieces = areas(seen.pieces)
    assert seen.doubtful == 0
    band = bands(drawn)
    assert sum(piece.area for piece in pieces) == pytest.approx(band.area, rel=1e-5)
    assert shapely.union_all(pieces, grid_size=1e-7).symmetric_difference(band).area < 1e-5 * band.area


@pytest.mark.parametrize("design", [DESIGNS[name] for name in ("pointed", "incised", "forks", "two widths")])
def test_edges_and_incised_lines_are_the_outlines_of_the_pieces_each_drawn_once(design):
    counted, _, seen = seen_of(design)
    outlines = shapely.union_all([piece.boundary for piece in areas(seen.pieces)])
    edges = [LineString([*points, points[0]] if closed else points) for points, closed in seen.edges]
    shut = counted.size.gap == 0
    lines = [LineString([*points, points[0]] if closed else points) for points, closed in seen.incised if shut]
    drawn = shapely.union_all([*edges, *lines])
    assert drawn.difference(outlines.buffer(1e-4)).length < 1e-2
    assert outlines.difference(drawn.buffer(1e-4)).length < 1e-2
    assert sum(line.length for line in edges) == pytest.approx(shapely.union_all(edges).length, rel=1e-4)


@every_design
def test_over_and_under_are_those_of_the_picture_from_above_at_every_crossing(design):
    """The height buffer knows nothing of footprints: what it has on top at a crossing is the strand whose edges run on.

    The strands that pass there are found from the lanes' lines in space alone.
    """
    done = made.make(design, prove=0)
    seen = visible.visible(done.counted, done.drawn)
    lines = shapely.union_all([LineString([*p, p[0]] if shut else p) for p, shut in (*seen.edges, *seen.incised)])
    shapely.prepare(lines)
    window = window_of(done.mesh, pitch=0.05)
    heights, _ = height_buffer(done.mesh, window)
    top = done.counted.size.thickness / 2
    assert len(done.drawn.footprints.point) == done.counted.strand_map.crossings > 0
    for point in done.drawn.footprints.point:
        passing = passes_near(done, point)
        assert len(passing) == 2
        (high, ahead, wide), (low, aside, narrow) = sorted(passing, key=lambda each: -each[0])
        row, column = int((window.top - point[1]) / window.pitch), int((point[0] - window.left) / window.pitch)
        assert heights[row, column] == pytest.approx(high + top, abs=0.1 * top) and high > low
        for way in (-1, 1):  # along the upper strand no line is met, across it its edge on either side
            assert not lines.intersects(LineString([point, point + way * 0.45 * narrow * ahead]))
            assert lines.intersects(LineString([point, point + way * 0.55 * wide * aside]))


def passes_near(done, point) -> list[tuple[float, np.ndarray, float]]:
    """Height, direction and width of every strand whose middle passes through a point, each once."""
    lanes = done.drawn.lanes
    found: list[tuple[float, np.ndarray, float]] = []
    for lane, line in enumerate(done.circuits):
        start = int(lanes.start[lane])
        away = np.hypot(*(line[:, :2] - point).T)
        least = np.flatnonzero((away <= np.roll(away, 1)) & (away < np.roll(away, -1)) & (away < 0.3))
        for k in least.tolist():
            run = line[(k + 1) % len(line), :2] - line[k - 1, :2]
            run /= np.hypot(*run)
            whole = lanes.whole[start + k]
            width = float(lanes.breadth[lane] if whole else lanes.width[start + k])
            if not any(abs(z - line[k, 2]) < 1e-9 and abs(run @ way) > 0.9 for z, way, _ in found):
                found.append((float(line[k, 2]), run, width))
    return found


def test_every_pixel_of_the_picture_from_above_shows_the_circuit_of_the_piece_drawn_there():
    done = made.make(DESIGNS["two widths"], prove=0)
    seen = visible.visible(done.counted, done.drawn)
    window = window_of(done.mesh, pitch=0.2)
    _, faces = height_buffer(done.mesh, window)
    strand = np.concatenate([done.mesh.quad_strand, done.mesh.triangle_strand])
    row, column = np.indices(faces.shape)
    places = shapely.points(
        window.left + (column + 0.5) * window.pitch, window.top - (row + 0.5) * window.pitch
    ).ravel()
    compared = 0
    for piece, region in zip(seen.pieces, areas(seen.pieces), strict=True):
        inner = region.buffer(-0.05)
        shapely.prepare(inner)
        faces_there = faces.ravel()[shapely.contains(inner, places)]
        assert (faces_there >= 0).all() and (strand[faces_there] == piece.circuit).all()
        compared += len(faces_there)
    ground = ~shapely.contains(shapely.union_all(areas(seen.pieces)).buffer(0.05), places)
    assert (faces.ravel()[ground] == -1).all() and compared > 3000 and ground.sum() > 3000


def test_hatching_fills_the_ground_and_nothing_else():
    counted, drawn, seen = seen_of(DESIGNS["forks"])
    strokes = pattern.hatching(pattern.field_segments(counted.layout), pattern.band_segments(seen), 0.25)
    ground = shapely.box(0, 0, 40, 30).difference(bands(drawn))
    lines = shapely.multilinestrings([LineString(points) for points, _ in strokes])
    assert lines.difference(ground.buffer(1e-6)).length < 1e-6
    assert lines.length * 0.25 == pytest.approx(ground.area, rel=0.01)


def test_arrows_stand_on_the_strand_that_dips_under():
    design = DESIGNS["divided"]
    counted, drawn, seen = seen_of(design)
    shafts, _ = pattern.arrows(seen, drawn.footprints)
    assert counted.strand_map.crossings <= len(shafts.lines) <= 2 * counted.strand_map.crossings
    tree = shapely.STRtree(areas(seen.pieces))
    for points, _ in shafts.lines:
        ahead = points[1] + (points[1] - points[0]) / np.hypot(*(points[1] - points[0])) * 1.6
        (on,) = tree.query(LineString(points), "within")
        assert [k for k in tree.query(Point(ahead), "within") if k == on] == []


def test_depths_are_those_of_the_heights_at_every_crossing():
    design = DESIGNS["incised"]
    done = made.make(design, prove=0)
    depths = pattern.crossing_depths(done.counted, done.drawn)
    window = window_of(done.mesh, pitch=0.05)
    heights, _ = height_buffer(done.mesh, window)
    for depth in depths:  # carved: the board's face lies at 0
        row, column = int((window.top - depth.y) / window.pitch), int((depth.x - window.left) / window.pitch)
        assert -heights[row, column] == pytest.approx(depth.over, abs=0.03)
        assert depth.under - depth.over >= done.counted.size.step - 0.02


# ------------------------------------------------------------------------------------------- following the strand


@pytest.mark.parametrize("name", ["plait", "divided", "two widths"])
def test_following_the_strands_meets_the_crossings_in_the_order_of_the_planar_diagram(name):
    counted, drawn, seen = seen_of(DESIGNS[name])
    code = planar_diagram(counted.strand_map, counted.weaving)
    leaves = {}
    for crossing, (a, b, c, d) in enumerate(code):
        leaves[a] = (crossing, False, c)
        first, second = (b, d) if d == b + 1 or (b != d + 1 and d < b) else (d, b)
        leaves[first] = (crossing, True, second)
    expected = []
    while leaves:
        arc = next(iter(leaves))
        walk = []
        while arc in leaves:
            crossing, over, arc = leaves.pop(arc)
            walk.append((crossing, over))
        expected.append(walk)
    found = [[(p.crossing, p.over) for p in each] for each in follow.passages(counted, drawn, seen) if each]

    def turned(walk):
        at = walk.index(min(walk))
        return tuple(walk[at:] + walk[:at])

    assert sorted(map(turned, found)) == sorted(map(turned, expected))


def test_the_words_tell_where_over_and_under_do_not_alternate():
    def passed(pattern):
        return [follow.Passage(k, float(k), over == "o", float(k)) for k, over in enumerate(pattern)]

    assert follow.told([]) == "Meets no other strand."
    assert follow.told(passed("ouou")) == "4 crossings. Begin over at 1, then under at 2, and so on in turn."
    assert follow.told(passed("uoouou")).endswith("but 2 and 3 are both over, 6 and 1 are both under.")


# ------------------------------------------------------------------------------------------------------ the files


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name, design in {**DESIGNS, "board": BOARD}.items():
        Path(f"{name}.interlace.json").write_text(reading.write_text(design))
    return tmp_path


BOARD = Design(Grid(10, 9, 24.0, 24.0), strand=Strand(10.0, 6.0), heights=Heights(way=Making.CARVED, step=2.4))


def run(*arguments: str) -> None:
    assert command.main(["sheet", *arguments]) == 0


def rendered(path: str, page: int, dpi: float, keep: float | None = None) -> np.ndarray:
    """A page, or its lowest so many points, in grey by PDFium: 0 black to 1 white, row 0 at the top."""
    with pypdfium2.PdfDocument(path) as document:
        crop = 0.0 if keep is None else document[page].get_height() - keep
        image = document[page].render(scale=dpi / 72, crop=(0, 0, 0, crop)).to_pil().convert("L")
    return np.asarray(image, float) / 255


@pytest.mark.parametrize("name", ["A4", "A3", "Letter"])
def test_pages_have_the_papers_size_and_their_check_line_is_100_mm_long_at_300_dpi(folder, name):
    design = "board" if name == "A4" else "plait"
    run(f"{design}.interlace.json", "-o", "x.pdf", "--paper", name, "--pages", "pattern,mirrored,stages,follow")
    wide, high = {"A4": (210, 297), "A3": (297, 420), "Letter": (8.5 * 25.4, 11 * 25.4)}[name]  # ISO 216; ANSI Y14.1
    reader = pypdf.PdfReader("x.pdf", strict=True)
    assert reader.pdf_header == "%PDF-1.4"
    for number, page in enumerate(reader.pages):
        size = sorted(float(side) * 25.4 / 72 for side in page.mediabox[2:])
        assert size == pytest.approx(sorted((wide, high)), abs=0.01)
        foot = 1 - rendered("x.pdf", number, 300, keep=60.0)
        row = foot.shape[0] - 1 - round((pages.MARGIN + 3.4) * 300 / 25.4)
        strip = foot[row - 2 : row + 3, : round(120 / 25.4 * 300)].max(0)
        dark = np.flatnonzero(strip > 0.5)
        assert (np.diff(dark) == 1).all()
        assert (dark[-1] - dark[0] + 1) * 25.4 / 300 == pytest.approx(100, abs=0.1 + 0.2)  # the end ticks are 0.2 wide
        length = strip[dark[0] - 2 : dark[-1] + 3].sum() * 25.4 / 300 - 0.2
        assert length == pytest.approx(100, abs=0.1)


def test_words_are_as_long_as_reckoned(tmp_path):
    """PDFium brings Helvetica's metrics of its own."""
    every = "".join(chr(k) for k in range(33, 127) if chr(k) != "@")  # PDFium's own bold @ is wider than Adobe's
    items = tuple(paper.Words("words", every, 10, 40 - 20 * bold, 5, bold=bool(bold)) for bold in (0, 1))
    Path(tmp_path / "x.pdf").write_bytes(b"".join(pdf.pdf(paper.Document("x", (paper.Page(400, 60, items),), {}))))
    with pypdfium2.PdfDocument(tmp_path / "x.pdf") as document:
        text = document[0].get_textpage()
        for bold in (0, 1):
            first = bold * (text.count_chars() - len(every))
            begins = [_origin(text, first + k) for k in range(len(every))]
            for character, begin, end in zip(every, begins, begins[1:], strict=False):
                assert (end - begin) * 25.4 / 72 == pytest.approx(paper.width_of(character, 5, bool(bold)), abs=0.005)


def _origin(text: pypdfium2.PdfTextPage, index: int) -> float:
    x, y = ctypes.c_double(), ctypes.c_double()
    assert pypdfium2.raw.FPDFText_GetCharOrigin(text, index, x, y)
    return x.value


def test_words_keep_within_the_paper_however_long_the_title(folder):
    title = "A frame for the mirror over the washstand in the upper room, with four knots tied into its corners"
    run("forks.interlace.json", "-o", "x.pdf", "--pages", "pattern,stages,follow", "--title", title)
    with pypdfium2.PdfDocument("x.pdf") as document:
        for page in document:
            text = page.get_textpage()
            boxes = np.array(
                [text.get_charbox(k) for k in range(text.count_chars()) if text.get_text_range(k, 1).strip()]
            )
            edge = (pages.MARGIN - 2.5) * 72 / 25.4
            assert boxes[:, 0].min() > edge and boxes[:, 2].max() < page.get_width() - edge
            assert boxes[:, 1].min() > edge and boxes[:, 3].max() < page.get_height() - edge


def near(one: np.ndarray, other: np.ndarray) -> float:
    """The share of one picture's ink that has ink of the other within two pixels."""
    grown = np.asarray(Image.fromarray(((other > 0.1) * 255).astype(np.uint8)).filter(ImageFilter.MaxFilter(5))) > 0
    dark = one > 0.5
    assert dark.sum() > 5000
    return float(grown[dark].mean())


def svg_ink(path: str, dpi: float) -> np.ndarray:
    data = bytes(resvg_py.svg_to_bytes(svg_path=path, dpi=dpi, background="white"))
    Path("svg.png").write_bytes(data)
    with Image.open("svg.png") as image:
        return 1 - np.asarray(image.convert("L"), float) / 255


@pytest.mark.parametrize("kind", ["pattern", "mirrored"])
def test_all_pages_joined_at_their_crosses_are_the_svg(folder, kind):
    """Two formats by two renderers: PDFium and resvg. The tiles are laid together where the crop marks say."""
    dpi = 100
    run("board.interlace.json", "-o", "x.svg", "--waste", "--pages", kind)
    run("board.interlace.json", "-o", "x.pdf", "--waste", "--pages", kind, "--overlap", "12")
    whole = svg_ink("x.svg", dpi)
    box = paper.Box(0.0, 0.0, 240.0, 216.0)
    tiling = pages.tile(box, "A4", 12.0)
    assert sorted((tiling.columns, tiling.rows)) == [1, 2]
    mm = dpi / 25.4
    joined = np.zeros_like(whole)
    left = 6.0  # the SVG's margin round the layout
    number = 1
    for row in reversed(range(tiling.rows)):
        for column in range(tiling.columns):
            page = 1 - rendered("x.pdf", number, dpi)
            number += 1
            xs, ys = tiling.cuts(0), tiling.cuts(1)
            part = paper.Box(xs[column], ys[row], xs[column + 1], ys[row + 1])
            at = tiling.origin[0] + column * tiling.step[0], tiling.origin[1] + row * tiling.step[1]
            x = part.left - at[0] + tiling.window.left
            y = part.top - at[1] + tiling.window.bottom
            first = round((tiling.paper[1] - y) * mm), round(x * mm)
            size = round(part.height * mm), round(part.width * mm)
            to = round((left + 216.0 - part.top) * mm), round((left + part.left) * mm)
            for down in (first[0], first[0] + size[0]):  # a cross at each corner: ink both ways, none on the slant
                for right in (first[1], first[1] + size[1]):
                    around = page[down - 14 : down + 15, right - 14 : right + 15]
                    assert min(around[13:16, 2:27].max(0).min(), around[2:27, 13:16].max(1).min()) > 0.3
            joined[to[0] : to[0] + size[0], to[1] : to[1] + size[1]] = page[
                first[0] : first[0] + size[0], first[1] : first[1] + size[1]
            ]
    margin = round((left + 1.5) * mm)  # crosses and the layout's border lie on the rim
    part = np.s_[margin : round((left + 214.5) * mm), margin : round((left + 238.5) * mm)]
    assert near(whole[part], joined[part]) > 0.999
    inner = np.s_[round(20 * mm) : round((left + 205) * mm), round(20 * mm) : round((left + 225) * mm)]
    assert near(joined[inner], whole[inner]) > 0.999


def test_an_svg_is_in_mm_and_has_a_group_for_each_kind_of_line(folder):
    run("forks.interlace.json", "-o", "x.svg", "--depths", "--waste", "--arrows", "--grid")
    root = ElementTree.parse("x.svg").getroot()
    space = "{http://www.w3.org/2000/svg}"
    wide, high = (float(root.get(key).removesuffix("mm")) for key in ("width", "height"))
    assert [float(part) for part in root.get("viewBox").split()] == pytest.approx([0, 0, wide, high])
    groups = {group.get("id"): group for group in root.findall(f"{space}g")}
    assert groups.keys() >= {"grid", "waste", "field", "outlines", "edges", "arrows", "depths", "title", "check line"}
    counted, drawn, seen = seen_of(DESIGNS["forks"])
    paths = [path.get("d") for path in groups["outlines"].iter(f"{space}path")]
    assert len(paths) == len(seen.pieces) and all(path.endswith("Z") for path in paths)
    size = sum(_size(path) for path in paths)
    assert size == pytest.approx(bands(drawn).area, rel=1e-3)


def _size(path: str) -> float:
    rings = [
        np.array([[float(k) for k in pair.split(",")] for pair in ring.split()])
        for ring in re.findall(r"M([^Z]*)Z", path)
    ]
    return abs(sum(outlines.area(ring) for ring in rings))


def test_halves_without_a_gap_and_incised_strands_have_lines_down_their_middle():
    _, _, shut = seen_of(DESIGNS["incised"])
    _, _, groove = seen_of(dataclasses.replace(PLAIT, strand=Strand(3.6, 1.2, Section.MEDIAN_INCISED)))
    for seen in (shut, groove):
        lines = shapely.union_all([LineString(points) for points, _ in seen.incised])
        whole = shapely.union_all([area.buffer(1e-4) for area in areas(seen.pieces)])
        assert lines.difference(whole).length < 1e-3
        # middles of strands: half the width from the edges
        edges = shapely.union_all([LineString(points) for points, _ in seen.edges if len(points) > 1])
        places = shapely.points(np.concatenate([points for points, _ in seen.incised]))
        away = shapely.distance(places, edges)
        assert len(places) > 100 and (away < 1.8 + 1e-3).all() and np.median(away) > 1.0
    none = seen_of(PLAIT)[2].incised
    assert none == ()


def test_the_same_design_gives_the_same_bytes(folder):
    for ending in ("pdf", "svg"):
        run("forks.interlace.json", "-o", f"a.{ending}", "--waste", "--title", "A (new) knot \\ of Zoë")
        run("forks.interlace.json", "-o", f"b.{ending}", "--waste", "--title", "A (new) knot \\ of Zoë")
        assert Path(f"a.{ending}").read_bytes() == Path(f"b.{ending}").read_bytes()
    assert pypdf.PdfReader("a.pdf").metadata.title == "A (new) knot \\ of Zoë"
    assert "A (new) knot \\ of Zoë" in pypdf.PdfReader("a.pdf").pages[0].extract_text()


def test_stages_and_follow_pages_say_what_they_show(folder):
    run("forks.interlace.json", "-o", "x.pdf", "--pages", "stages,follow")
    texts = [page.extract_text() for page in pypdf.PdfReader("x.pdf").pages]
    for number, stage in enumerate(("Layout", "Breaks", "Strands", "Divided", "Woven", "Finished"), 1):
        assert f"{number}  {stage}" in texts[0]
    counted, _, _ = seen_of(DESIGNS["forks"])
    lanes = int(counted.circuits.count + 1)
    assert sum(text.count(f"of {lanes}: left half") + text.count(f"of {lanes}: right half") for text in texts) == 2
    assert all("check line: 100 mm" in text for text in texts)


# ---------------------------------------------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("x.png",), "ends in .pdf or .svg"),
        (("x.pdf", "--paper", "A9"), "choose from"),
        (("x.pdf", "--pages", "pattern,cover"), 'no pages are called "cover"'),
        (("x.pdf", "--pages", "stages,stages"), "given once"),
        (("x.svg", "--pages", "stages,follow"), "an SVG holds one page"),
        (("x.pdf", "--overlap", "180"), "give 0 to 154 mm"),
        (("x.pdf", "--overlap", "-1"), "give a length in mm"),
        (("there.pdf",), "--replace"),
        (("plait.interlace.json", "--replace"), "ends in .pdf or .svg"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line_and_nothing_is_written(folder, capsys, arguments, words):
    Path("there.pdf").write_text("mine")
    before = {path: path.read_bytes() for path in folder.iterdir()}
    assert command.main(["sheet", "plait.interlace.json", "-o", *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and words in err
    assert {path: path.read_bytes() for path in folder.iterdir()} == before


def test_a_pattern_of_too_many_pages_is_refused_with_their_number():
    with pytest.raises(DesignError, match=r"give larger paper or an SVG") as refusal:
        pages.tile(paper.Box(0, 0, 9000, 9000), "A4", 10.0)
    assert re.search(r"takes? [0-9,]+ pages", str(refusal.value))


def test_a_design_whose_strands_lie_on_one_another_is_refused_with_its_finding(tmp_path):
    design = Design(Grid(3, 2, 4.0, 4.0), divide=Divide(all=True, rejoin=Rejoin.STEPS), strand=Strand(2.6, 0.8))
    done = made.make(design, prove=0)
    assert done.findings
    with pytest.raises(DesignError, match="no clean line can be drawn"):
        sheets.write_sheet(str(tmp_path / "x.pdf"), done, sheets.Sheet(), "x")
    assert not (tmp_path / "x.pdf").exists()


def test_a_curved_layout_is_refused():
    counted, drawn, _ = seen_of(PLAIT)
    bent = np.column_stack([drawn.courses.point, np.linspace(0, 5, len(drawn.courses.point))])
    drawn = dataclasses.replace(drawn, courses=dataclasses.replace(drawn.courses, point=bent))
    with pytest.raises(DesignError, match="curved"):
        visible.visible(counted, drawn)


def test_the_command_knows_pages_papers_and_marks_without_loading_them():
    assert command.values.SHEET_PAGES == sheets.KINDS
    assert set(command.values.SHEET_PAPERS) == set(paper.PAPERS)
    assert set(command.values.SHEET_MARKS) == set(sheets.Wanted.__dataclass_fields__)
    assert sheet.title_of("a/chest_panel.interlace.json") == "Chest panel"
