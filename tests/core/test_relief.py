"""A relief is a height field that keeps its depth, its walls and its steps, and its files say what it is."""

from __future__ import annotations

import io
import json
import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh
from PIL import Image
from scipy.ndimage import maximum_filter, minimum_filter

from knotgeom import command, raster, reading
from knotgeom.carving import field as fields
from knotgeom.carving import files
from knotgeom.carving import relief as reliefs
from knotgeom.carving.facets import board_mesh, square_side, triangulate
from knotgeom.carving.field import heights, panel_field, surface_of
from knotgeom.carving.filling import Grid
from knotgeom.carving.moulding import section
from knotgeom.carving.options import Carving, Ground, Moulding, Wood
from knotgeom.carving.panel import plan_panel
from knotgeom.carving.texture import marks
from knotgeom.design import Breaks, Design, Divide, Heights, Pass, Rejoin, Section, Site, Strand, Way
from knotgeom.design import Grid as Cells
from knotgeom.errors import DesignError
from knotgeom.files import png16
from knotgeom.files.threemf import read_threemf
from knotgeom.mesh import volume
from knotgeom.progress import Cancelled
from knotgeom.solid import upper_runs

PLAIN = Design(Cells(3, 2, 24.0, 24.0), strand=Strand(width=10.0))
ROUND = Design(
    Cells(4, 3, 24.0, 24.0), Breaks(vertical=(Site(4, 3),)), strand=Strand(width=9.0, section=Section.HALF_ROUND)
)
DIVIDED = replace(PLAIN, divide=Divide(all=True, gap=2.4))
FORKED = Design(
    Cells(4, 3, 24.0, 24.0),
    breaks=Breaks(vertical=(Site(4, 3),)),
    divide=Divide(passes=(Pass(3, 2, Way.RISING), Pass(3, 4, Way.RISING)), rejoin=Rejoin.BENDS, gap=3.0),
    strand=Strand(width=10.0),
)
SMALL = Design(Cells(2, 2, 24.0, 24.0), strand=Strand(width=10.0))
INCISED = replace(PLAIN, strand=Strand(width=10.0, section=Section.MEDIAN_INCISED))
KNOTS = {"plain": PLAIN, "round": ROUND, "divided": DIVIDED, "forked": FORKED, "incised": INCISED}
every_knot = pytest.mark.parametrize("name", KNOTS)


def sample(panel, points):
    """The exact surface at points, each by itself: an independent grid of one sample."""
    surface = surface_of(panel)
    return np.array([heights(surface, Grid(x, y, 1.0, 1.0, 1, 1))[0, 0] for x, y in points])


# --------------------------------------------------------------------------------------------------- the surface


@every_knot
def test_a_relief_lies_between_the_boards_face_and_its_depth_and_reaches_both(name):
    panel = plan_panel(KNOTS[name], Carving(depth=6.0))
    z = panel_field(panel, 0.5).z
    assert np.isfinite(z).all()
    assert z.max() == pytest.approx(0, abs=1e-3) and z.max() <= 0
    assert z.min() == pytest.approx(-6, abs=1e-5)
    assert panel.least_left == pytest.approx(panel.thickness - 6)
    assert not panel.findings


@every_knot
def test_over_strands_stand_the_set_step_above_what_they_cross_all_along_their_edges(name):
    # Shapely says where the edge of a stretch that passes over lies upon one that passes under, and the surface is
    # looked at on either side of that edge. Places where a third strand or its wall is near are left to their own edge.
    panel = plan_panel(replace(KNOTS[name], heights=Heights(step=2.0)), Carving(depth=7.0))
    drawn, counted = panel.made.drawn, panel.made.counted
    lanes, courses = drawn.lanes, drawn.courses
    upper = upper_runs(lanes, counted.strand_map, counted.weaving, drawn.relief.stretches)
    lane = np.repeat(np.arange(len(lanes.circuit)), np.diff(lanes.start))
    after = np.arange(1, len(lane) + 1)
    after[lanes.start[1:] - 1] = lanes.start[:-1]
    whole = lanes.whole | ~lanes.paired[lane]
    offset = np.where(whole, 0.0, lanes.offset)
    half = np.where(whole, lanes.breadth[lane], lanes.width) / 2
    lateral = courses.lateral[lanes.sample]
    left, right = (courses.point[lanes.sample] + (offset + s * half)[:, None] * lateral for s in (1, -1))
    bands = shapely.polygons(np.stack([left, left[after], right[after], right], 1))
    tree = shapely.STRtree(bands)
    square = np.abs(np.linalg.norm(lateral, axis=1) - 1) < 1e-3
    # what lies beside the place itself, its other half included, is no strand that it crosses
    circuit, along = lanes.circuit[lane], courses.along[lanes.sample]
    gap = np.abs(along[:, None] - along[None, :])
    gap = np.minimum(gap, courses.length[circuit][:, None] - gap)
    same = (circuit[:, None] == circuit[None, :]) & (gap < 1.2 * 10.0)
    itself = same & (lane[:, None] == lane[None, :])

    plain = square & (whole | (lanes.opened == 1))  # beside a fork the edges are still on their way
    at = np.flatnonzero(upper & upper[after] & plain & plain[after])
    inside, outside = [], []
    for edge, sign in ((left, 1.0), (right, -1.0)):
        out = sign * (lateral[at] + lateral[after[at]]) / 2
        place = (edge[at] + edge[after[at]]) / 2
        beyond = place + (panel.lean * 2.0 + 0.03) * out
        below, around = np.zeros((2, len(at), len(bands)), bool)
        below[tuple(tree.query(shapely.points(beyond), predicate="intersects"))] = True
        around[tuple(tree.query(shapely.buffer(shapely.points(beyond), panel.lean * 7.0), predicate="intersects"))] = (
            True
        )
        good = (below & ~same[at] & ~upper).any(1) & ~(around & ~itself[at] & (upper | same[at])).any(1)
        inside.append((place - 0.02 * out)[good])
        outside.append(beyond[good])
    inside, outside = np.concatenate(inside), np.concatenate(outside)
    assert len(inside) >= 60
    step = sample(panel, inside) - sample(panel, outside)
    assert step.min() >= 2.0 - 0.03, (name, step.min())


@pytest.mark.parametrize("draft", [0.0, 5.0, 8.0, 20.0])
def test_walls_lean_by_the_set_draft(draft):
    # across the straight strand below a pointed corner: the first wall from the board's edge inwards
    panel = plan_panel(PLAIN, Carving(depth=6.0, draft_deg=draft))
    fine = 0.002
    row = heights(surface_of(panel), Grid(panel.left, 34.0, fine, fine, 6000, 1))[0]
    wall = np.flatnonzero((row > -5.9) & (row < -4.5))
    wall = wall[wall < np.flatnonzero(row >= -4.5)[0]]
    if draft == 0:
        assert len(wall) == 0
    else:
        slope = np.polyfit(wall * fine, row[wall], 1)[0]
        assert slope == pytest.approx(1 / math.tan(math.radians(draft)), rel=0.01)


def test_where_strands_leave_no_room_to_climb_the_step_that_is_lacking_is_reported():
    crowded = Design(Cells(3, 3, 24.0, 24.0), divide=Divide(all=True, gap=0.0))
    panel = plan_panel(crowded, Carving(depth=6.0))
    assert panel.kept_step < panel.step and "step" in {finding.kind for finding in panel.findings}
    shallow = plan_panel(replace(DIVIDED, heights=Heights(step=3.0)), Carving(depth=4.0))
    (finding,) = [finding for finding in shallow.findings if finding.place == "make.carve.depth"]
    assert shallow.kept_step < 3 and finding.value == pytest.approx(shallow.kept_step, abs=1e-3)
    deeper = float(finding.remedy.split("a depth of ")[1].split(" mm")[0])
    assert plan_panel(replace(DIVIDED, heights=Heights(step=3.0)), Carving(depth=deeper)).kept_step >= 2.97


def test_ground_left_standing_is_cut_only_along_the_strands():
    panel = plan_panel(PLAIN, Carving(depth=6.0, ground=Ground.LEFT, easing=0.0))
    z = panel_field(panel, 0.25).z
    assert z[0, 0] == 0 and z[-1, -1] == 0
    assert z.min() == pytest.approx(-panel.deepest, abs=0.05) and panel.deepest <= 6 + 1e-6
    lowered = panel_field(plan_panel(PLAIN, Carving(depth=6.0, easing=0.0)), 0.25).z
    assert (z >= lowered - 1e-4).all() and z.mean() > lowered.mean() + 1


@pytest.mark.parametrize("ground", [Ground.PUNCHED, Ground.STIPPLED])
def test_marks_of_a_textured_ground_keep_to_the_depth_and_lie_beside_the_strands_only(ground):
    flat = panel_field(plan_panel(PLAIN, Carving(depth=6.0)), 0.2).z
    rough = panel_field(plan_panel(PLAIN, Carving(depth=6.0, ground=ground, texture_depth=0.5)), 0.2).z
    floor = flat <= -6 + 1e-4
    assert rough.min() >= -6 - 1e-5 and rough.min() < -5.9
    assert rough[floor].max() == pytest.approx(-5.5, abs=1e-5)
    assert np.array_equal(rough[flat > -5.5], flat[flat > -5.5])
    hit = (rough[floor] < -5.5 - 1e-4).mean()
    assert 0.3 < hit < 0.8
    x = np.arange(0, 20, 0.05)
    assert np.array_equal(marks(ground, x, x, 2.0, 0.5)[100:], marks(ground, x, x[100:], 2.0, 0.5))


@pytest.mark.parametrize("moulding", [Moulding.FLAT, Moulding.BEAD, Moulding.OGEE, Moulding.COVE])
def test_a_frame_runs_round_the_ground_the_same_on_all_sides_and_is_mitred(moulding):
    carving = Carving(depth=6.0, margin=5.0, frame=moulding, frame_width=8.0, easing=0.0)
    panel = plan_panel(PLAIN, carving)
    surface = surface_of(panel)
    distance = np.arange(0.05, 13.0, 0.1)
    across = section(moulding, distance - 5.0, 8.0, 6.0)
    middle_x, middle_y = panel.left + panel.length / 2, panel.bottom + panel.width / 2
    count = len(distance)
    left = heights(surface, Grid(panel.left + 0.05, middle_y, 0.1, 1.0, count, 1))[0]
    right = heights(surface, Grid(panel.left + panel.length - 0.05, middle_y, -0.1, 1.0, count, 1))[0]
    top = heights(surface, Grid(middle_x, panel.top - 0.05, 1.0, 0.1, 1, count))[:, 0]
    corner = np.diag(heights(surface, Grid(panel.left + 0.05, panel.top - 0.05, 0.1, 0.1, count, count)))
    for side in (left, right, top, corner):
        assert np.abs(side - across).max() < 0.02
    assert (across[distance < 5] == 0).all() and across.min() >= -6
    shape = across[(distance > 5) & (distance < 13)]
    if moulding is Moulding.FLAT:
        assert (shape == 0).all()
    elif moulding is Moulding.BEAD:  # round: highest in its middle, at the face, and the same to both sides
        assert abs(shape[len(shape) // 2]) < 0.01 and shape.min() < -1
        assert np.abs(shape - shape[::-1]).max() < 0.01
    else:  # falling inward; a cove hollow all the way, an ogee round above and hollow below
        assert (np.diff(shape) <= 1e-9).all() and shape[-1] < -2.5
        bend = np.diff(shape[(shape < -0.5) & (shape > shape.min() + 0.05)], 2)
        assert (bend > 0).all() if moulding is Moulding.COVE else (bend[:5] < 0).all() and (bend[-5:] > 0).all()


def test_an_eased_edge_is_a_quarter_circle():
    panel = plan_panel(PLAIN, Carving(depth=6.0, margin=6.0, easing=2.0))
    d = np.arange(0.05, 3, 0.1)
    row = heights(surface_of(panel), Grid(panel.left + 0.05, panel.bottom + panel.width / 2, 0.1, 1.0, len(d), 1))[0]
    assert np.abs(row - np.where(d < 2, np.sqrt(4 - np.minimum(2 - d, 2) ** 2) - 2, 0)).max() < 0.02


def test_an_incised_line_and_a_gap_between_halves_survive_in_the_relief():
    panel = plan_panel(INCISED, Carving(depth=6.0))
    drawn = panel.made.drawn
    crest = int(panel.z.argmax())
    point, lateral = (a[drawn.lanes.sample[crest]] for a in (drawn.courses.point, drawn.courses.lateral))
    middle, beside = sample(panel, [point, point + 2.0 * lateral])
    assert beside - middle == pytest.approx(panel.made.counted.size.groove_depth, abs=0.05)
    halves = plan_panel(DIVIDED, Carving(depth=6.0))
    assert sample(halves, [halves.made.drawn.courses.point[200]])[0] < -4


# ---------------------------------------------------------------------------------------------------- the triangles


def test_triangles_keep_the_tolerance_at_every_sample_and_leave_flat_ground_alone():
    rng = np.random.default_rng(3)
    rows, columns = np.meshgrid(np.arange(129), np.arange(193), indexing="ij")
    for field, tolerance in (
        (-3 + np.sin(rows / 9) * np.cos(columns / 13), 0.02),
        (-3 - 2.0 * ((rows - 60) ** 2 + (columns - 90) ** 2 < 1500), 0.01),
        (-3 + rng.normal(size=rows.shape), 0.3),
        (np.full(rows.shape, -1.0), 0.01),
    ):
        height = field.astype(np.float32)
        facets = triangulate(height, 64, tolerance)
        mesh = board_mesh(facets, height, np.arange(193.0), -np.arange(129.0), -20.0, -15.0)
        # by the picture's own rasteriser, from the mesh alone
        found, _ = raster.height_buffer(mesh, raster.Window(-0.5, 0.5, 1.0, 193, 129))
        inner = found[1:-1, 1:-1]
        assert np.abs(inner - height[1:-1, 1:-1]).max() <= tolerance + 1e-4
        solid = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
        assert solid.is_watertight and solid.is_winding_consistent and solid.area_faces.min() > 0
        assert solid.volume == pytest.approx(volume(mesh))
    assert len(facets.corner) == 2 * 2 * 3


def test_the_board_can_be_had_alone_for_a_view():
    mesh = reliefs.panel_mesh(plan_panel(PLAIN, Carving(depth=6.0)), 0.5)
    assert np.array_equal(mesh.vertices, reliefs.carve(PLAIN, Carving(depth=6.0, resolution=0.5)).mesh.vertices)


def test_the_largest_squares_suit_the_field():
    assert square_side(10, 10) == 1 and square_side(128, 500) == 4 and square_side(9000, 9000) == 64


# -------------------------------------------------------------------------------------------------------- the files


@pytest.fixture(scope="module")
def carved(tmp_path_factory):
    """A framed panel carved by the command, and its folder."""
    folder = tmp_path_factory.mktemp("carved")
    design = folder / "knot.json"
    carving = Carving(depth=6.0, margin=4.0, frame=Moulding.COVE, resolution=0.3, wood=Wood.OAK)
    design.write_text(reading.write_text(replace(FORKED, make=replace(FORKED.make, carve=carving))))
    assert command.main(["carve", str(design), "-o", str(folder / "out")]) == 0
    return reading.read_file(design), folder / "out"


def test_pillow_reads_the_height_map_back_within_one_grey_step(carved):
    design, out = carved
    scale = json.loads((out / "heights.json").read_text())
    image = Image.open(out / "heights.png")
    assert image.mode in ("I;16", "I") and image.size == (scale["columns"], scale["rows"])
    assert float(image.text["mm per grey step"]) == pytest.approx(scale["mm_per_grey_step"])
    assert float(image.text["mm per pixel"]) == scale["mm_per_pixel"] == 0.3
    assert image.info["dpi"][0] == pytest.approx(25.4 / 0.3, abs=0.1)
    z = (np.asarray(image).astype(float) - 65535) * scale["mm_per_grey_step"]
    field = panel_field(plan_panel(design, design.make.carve), 0.3)
    assert np.abs(z - field.z).max() <= scale["mm_per_grey_step"]
    assert (scale["left_mm"], scale["top_mm"]) == (field.left, field.top)


def test_the_board_is_one_watertight_solid_of_its_size_without_an_undercut(carved):
    _, out = carved
    solid = trimesh.load_mesh(out / "relief.stl")
    report = json.loads((out / "report.json").read_text())
    assert solid.is_watertight and solid.is_winding_consistent and solid.body_count == 1
    assert solid.extents == pytest.approx(report["board_mm"], abs=1e-3)
    assert solid.volume == pytest.approx(report["volume_mm3"], rel=1e-5)
    # SG 0.68 at 12 % moisture: white oak, Wood Handbook table 5-3a (FPL-GTR-282)
    assert report["mass_g"] == pytest.approx(report["volume_mm3"] / 1000 * 0.68 * 1.12, rel=1e-3)
    middle = solid.triangles_center[:, 2]
    top = (middle > report["board_mm"][2] * -0.999) & (np.abs(solid.face_normals[:, 2]) > 1e-6)
    assert (solid.face_normals[top, 2] > 0).all()
    (body,) = read_threemf(out / "relief.3mf").bodies
    other = trimesh.Trimesh(body.vertices, body.triangles, process=False)
    assert other.volume == pytest.approx(solid.volume, rel=1e-5) and other.is_watertight


def test_rays_on_the_solid_find_the_heights_of_the_map(carved):
    # Embree. What a ray finds is bounded by the surface within two pixels of it, measured five times as fine, however
    # steep the wall.
    from embreex.mesh_construction import TriangleMesh
    from embreex.rtcore_scene import EmbreeScene

    design, out = carved
    solid = trimesh.load_mesh(out / "relief.stl")
    report = json.loads((out / "report.json").read_text())
    field = panel_field(plan_panel(design, design.make.carve), 0.3)
    rows, columns = field.z.shape
    x = field.left + (np.arange(1, columns - 1) + 0.5) * 0.3
    y = field.top - (np.arange(1, rows - 1) + 0.5) * 0.3
    place = np.stack([*np.meshgrid(x, y), np.full((rows - 2, columns - 2), 5.0)], 2).reshape(-1, 3).astype(np.float32)
    scene = EmbreeScene()
    TriangleMesh(scene, solid.triangles.astype(np.float32))
    down = np.tile(np.float32([0, 0, -1]), (len(place), 1))
    hit = 5 - scene.run(place, down, query="DISTANCE").reshape(rows - 2, columns - 2)
    fine = panel_field(plan_panel(design, design.make.carve), 0.06)
    low, high = (f(fine.z, 23)[2::5, 2::5][1 : rows - 1, 1 : columns - 1] for f in (minimum_filter, maximum_filter))
    tolerance = report["mesh"]["tolerance_mm"] + 1e-3
    # on a wall of 8 degrees the tolerance square to it is 7.2 times as much upright
    assert (hit <= high + 7.2 * tolerance).all() and (hit >= low - 7.2 * tolerance).all()
    off = np.abs(hit - field.z[1:-1, 1:-1])
    assert off.mean() < 0.03 and off.mean() < 5 * report["mesh"]["deviation"]["mean_mm"] + 0.01
    # where nothing is steep, map and mesh are the same to a hair
    level = high - low < 0.05
    assert level.mean() > 0.3 and off[level].max() < 0.05 + tolerance


def test_the_deviation_grows_smaller_with_the_resolution_and_flat_ground_costs_few_triangles():
    coarse, fine = (reliefs.carve(PLAIN, Carving(depth=6.0, resolution=r)) for r in (0.5, 0.25))
    assert fine.map_deviation.mean < 0.6 * coarse.map_deviation.mean
    assert fine.mesh_deviation.mean < 0.6 * coarse.mesh_deviation.mean
    wide = reliefs.carve(PLAIN, Carving(board=(400.0, 300.0, 15.0), depth=6.0, resolution=0.25))
    assert wide.field.z.size > 20 * fine.field.z.size
    assert len(wide.mesh.triangles) < 1.3 * len(fine.mesh.triangles) + 4000


def test_the_report_says_what_to_know_before_cutting(carved, capsys):
    _, out = carved
    report = json.loads((out / "report.json").read_text())
    assert report["thinnest_board_left_mm"] == pytest.approx(report["board_mm"][2] - report["deepest_cut_mm"])
    assert report["deepest_cut_mm"] <= report["depth_mm"] + 1e-4 == pytest.approx(6.0, abs=1e-3)
    assert report["step"]["least_mm"] >= report["step"]["set_mm"] - 0.02
    assert "Wood Handbook" in report["wood"]["source"]
    words = " ".join(report["cautions"])
    assert all(word in words for word in ("dust", "edges sharp", "Clamp", "Cutters break", "CAM", "rules"))
    assert Image.open(out / "preview.png").size[0] >= 1300


def test_the_same_design_gives_the_same_bytes():
    one, other = (
        (relief.mesh.vertices.tobytes(), b"".join(png16.encode(reliefs.greys(relief), reliefs.png_texts(relief))))
        for relief in (reliefs.carve(DIVIDED, Carving(resolution=0.5)) for _ in range(2))
    )
    assert one == other


def test_pictures_in_colour_are_read_back_by_pillow():
    pixels = np.random.default_rng(0).integers(0, 256, (300, 7, 3), np.uint8)
    image = Image.open(io.BytesIO(b"".join(png16.encode(pixels, {"Title": "x"}))))
    assert np.array_equal(np.asarray(image), pixels)


# ------------------------------------------------------------------------------------------------- what is refused


@pytest.mark.parametrize(
    ("carving", "place", "words"),
    [
        (Carving(board=(90, 60, 10), depth=12), "make.carve.depth", ("12 mm deep", "10 mm thick", "5 mm")),
        (Carving(board=(70, 60, 20), depth=6), "make.carve.board", ("70 mm long", "give a board of at least")),
        (Carving(board=(90, 60, 20), depth=6, margin=15), "make.carve.board", ("with its margin and frame",)),
        (Carving(board=(90, 60, 20), depth=6, easing=40), "make.carve.easing", ("give at most 20 mm",)),
        (
            Carving(depth=6, ground=Ground.PUNCHED, texture_depth=4),
            "make.carve.texture_depth",
            ("give at most 3.00 mm",),
        ),
    ],
)
def test_what_does_not_fit_the_board_is_refused_in_numbers(carving, place, words):
    with pytest.raises(DesignError) as caught:
        reliefs.carve(PLAIN, carving)
    assert caught.value.place == place and "\n" not in str(caught.value)
    assert all(word in str(caught.value) for word in words), str(caught.value)


def test_a_map_that_needs_more_memory_than_there_is_is_refused_before_it_is_begun(monkeypatch):
    monkeypatch.setattr(fields, "free_memory", lambda: 1.0e9)
    board = Carving(board=(2000.0, 1000.0, 20.0), depth=6.0, resolution=0.1)
    with pytest.raises(
        DesignError, match=r"200,000,000 heights need 44\.\d GB of memory, the machine has 1\.0 GB free"
    ):
        reliefs.carve(PLAIN, board)


def test_files_that_are_there_are_kept_unless_they_may_be_replaced(tmp_path, capsys):
    (tmp_path / "knot.json").write_text(reading.write_text(SMALL))
    out = tmp_path / "out"
    out.mkdir()
    (out / "notes.txt").write_text("mine")
    (out / "relief.stl").write_text("old")
    asked = ["carve", str(tmp_path / "knot.json"), "-o", str(out), "--resolution", "1"]
    assert command.main(asked) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1 and "relief.stl: is there already" in error and "--replace" in error
    assert (out / "relief.stl").read_text() == "old"
    assert command.main([*asked, "--replace"]) == 0
    assert (out / "notes.txt").read_text() == "mine"
    assert {path.name for path in out.iterdir()} == {*files.NAMES, "notes.txt"}
    assert "Cautions:" in capsys.readouterr().out


@pytest.mark.parametrize("fails", ["preview", "write_threemf", "report"])
def test_all_files_are_written_or_none(tmp_path, monkeypatch, fails):
    def full(*_args, **_more):
        raise OSError(28, "No space left on device", "x")

    relief = reliefs.carve(SMALL, Carving(resolution=1.0))
    monkeypatch.setattr(files, fails, full)
    with pytest.raises(OSError, match="No space"):
        files.write(tmp_path / "out", relief)
    assert not list(tmp_path.iterdir())


def test_carving_stops_when_its_progress_raises_and_writes_nothing(tmp_path):
    stages = []

    def stop(share, stage):
        stages.append((share, stage))
        if stage == stop.at:
            raise Cancelled

    for stop.at in ("weaving the relief", "measuring heights", "laying triangles", "writing files"):
        with pytest.raises(Cancelled):
            files.carve_to(SMALL, tmp_path / "out", Carving(resolution=0.5), progress=stop)
        assert not list(tmp_path.iterdir())
    shares = [share for share, _ in stages]
    assert min(shares) >= 0 and max(shares) <= 1


@pytest.mark.parametrize(
    ("key", "value"), [("depth", 0), ("resolution", 0.01), ("ground", "smooth"), ("draft_deg", 89), ("board", [1, 2])]
)
def test_a_value_that_cannot_be_is_refused_by_its_place(key, value):
    text = json.dumps({"interlace": 1, "layout": {"grid": [2, 2], "cell": 9}, "make": {"carve": {key: value}}})
    with pytest.raises(DesignError) as caught:
        reading.read_text(text)
    assert caught.value.place.startswith(f"make.carve.{key}")
