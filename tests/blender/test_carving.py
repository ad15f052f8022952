"""Carving from the sidebar: the relief beside its knot, its files read back by Blender, tools, sections and views."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import bpy
import numpy as np
import pytest
from mathutils import Vector
from mathutils.bvhtree import BVHTree

sys.path.insert(0, str(Path(__file__).resolve().parent))

from test_sidebar import Sheet, drawn, operator_type  # noqa: E402

from blender_addon import carving_props, ops_carve, rebuild, relief_looks, relief_object, store, ui_carving  # noqa: E402
from knotgeom.carving.field import panel_field  # noqa: E402
from knotgeom.carving.options import Carving  # noqa: E402
from knotgeom.carving.panel import plan_panel  # noqa: E402
from knotgeom.carving.reach import reach  # noqa: E402
from knotgeom.design import Design, Grid, Heights, Make, Making  # noqa: E402

ROOT = Path(__file__).resolve().parents[2]
BOARD = Design(
    Grid(3, 2, 24.0, 24.0),
    heights=Heights(Making.CARVED),
    make=Make(Carving(depth=5.0, margin=4.0, resolution=0.25)),
)


@pytest.fixture
def board():
    """A small board with its relief beside it."""
    from blender_addon.ops_add import new_knot

    obj = new_knot(bpy.context, BOARD, "Board")
    assert bpy.ops.mesh.relief_knot_relief() == {"FINISHED"}
    return obj


@pytest.fixture
def relief(board):
    """The relief of the board."""
    return relief_object.relief_of(board)


def places(obj):
    """Vertices in mm in the layout's plan, (n, 3)."""
    found = np.empty(3 * len(obj.data.vertices), np.float32)
    obj.data.attributes["position"].data.foreach_get("vector", found)
    return found.reshape(-1, 3) * 1000


def is_closed(mesh):
    """Whether every edge has two faces."""
    edges = np.empty(len(mesh.loops), np.int32)
    mesh.loops.foreach_get("edge_index", edges)
    return bool((np.bincount(edges, minlength=len(mesh.edges)) == 2).all())


def test_a_relief_is_a_closed_board_in_mm_beside_its_knot(board, relief):
    facts = relief_object.report_of(relief)
    xyz = places(relief)
    assert np.ptp(xyz, axis=0) == pytest.approx(facts["board_mm"], abs=1e-3)
    assert xyz[:, 2].max() == pytest.approx(0.0, abs=1e-6), "the face of the board"
    assert is_closed(relief.data)
    assert relief.parent == board
    assert relief.location.x + min(xyz[:, 0]) / 1000 > max(corner[0] for corner in board.bound_box)
    assert facts["left_mm"] == pytest.approx(facts["board_mm"][2] - facts["deepest_mm"])


def test_the_depth_slider_redraws_the_relief_and_leaves_the_knot_as_it_is(board, relief):
    knot = places(board)
    for depth in (3.0, 7.5):
        board.relief_knot_carving.depth = depth / 1000
        assert json.loads(board.relief_knot.text)["make"]["carve"]["depth"] == depth
        surface = places(relief)[:, 2]
        assert surface[surface > -depth - 0.01].min() == pytest.approx(-depth, abs=1e-3)
        assert not relief_object.is_stale(relief) and not rebuild.is_stale(board)
    assert np.array_equal(places(board), knot)


def test_other_changes_of_the_knot_reach_its_relief(board, relief):
    before = places(relief)
    board.relief_knot.columns = 4
    assert np.ptp(places(relief)[:, 0]) == pytest.approx(np.ptp(before[:, 0]) + 24.0, abs=1.0)
    assert not relief_object.is_stale(relief)


def test_what_does_not_fit_is_said_and_the_last_relief_stays(board, relief):
    board.relief_knot_carving.fits = False
    before = places(relief)
    board.relief_knot_carving.board_thickness = 0.004
    assert "goes through a board 4 mm thick" in relief.relief_knot_relief.error
    assert np.array_equal(places(relief), before)
    board.relief_knot_carving.board_thickness = 0.018
    assert relief.relief_knot_relief.error == "" and np.ptp(places(relief)[:, 2]) == pytest.approx(18.0, abs=1e-3)


def test_a_change_of_depth_is_one_step_of_undo_and_the_relief_goes_back_with_it(board):
    bpy.ops.ed.undo_push(message="made")
    board.relief_knot_carving.depth = 0.003
    bpy.ops.ed.undo_push(message="depth")
    bpy.ops.ed.undo()
    board = bpy.data.objects["Board"]
    relief = relief_object.relief_of(board)
    assert json.loads(board.relief_knot.text)["make"]["carve"]["depth"] == 5.0
    assert not relief_object.is_stale(relief)
    surface = places(relief)[:, 2]
    assert surface[surface > -5.01].min() == pytest.approx(-5.0, abs=1e-3)


def test_making_a_relief_is_one_step_of_undo():
    from blender_addon.ops_add import new_knot

    new_knot(bpy.context, BOARD, "Board")
    bpy.ops.ed.undo_push(message="knot")
    bpy.ops.mesh.relief_knot_relief("EXEC_DEFAULT", True)
    assert len(bpy.data.objects) == 2
    bpy.ops.ed.undo()
    assert [obj.name for obj in bpy.data.objects] == ["Board"]
    bpy.ops.ed.redo()
    assert len(bpy.data.objects) == 2 and relief_object.relief_of(bpy.data.objects["Board"]) is not None


# --- files ------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory, addon):
    """The files of the board, as the operator writes them."""
    from blender_addon.ops_add import new_knot

    bpy.ops.wm.read_homefile(use_empty=True)
    new_knot(bpy.context, BOARD, "Board")
    folder = tmp_path_factory.mktemp("carved")
    assert bpy.ops.mesh.relief_knot_carve_files(directory=str(folder)) == {"FINISHED"}
    return folder


def height_map(folder):
    """Heights in mm by Blender's own reading of the picture, row 0 at the top, and the picture's scale."""
    scale = json.loads((folder / "heights.json").read_text())
    image = bpy.data.images.load(str(folder / "heights.png"))
    image.colorspace_settings.name = "Non-Color"
    columns, rows = image.size
    pixels = np.empty(columns * rows * 4, np.float32)
    image.pixels.foreach_get(pixels)
    grey = pixels.reshape(rows, columns, 4)[::-1, :, 0].astype(float) * 65535
    return grey, scale, image


def test_blender_reads_the_height_map_within_a_grey_step(folder):
    grey, scale, _image = height_map(folder)
    field = panel_field(plan_panel(BOARD), 0.25)
    mm = (grey - 65535) * scale["mm_per_grey_step"]
    off = np.abs(mm - field.z)
    print(f"height map: max {off.max() / scale['mm_per_grey_step']:.3f} grey steps")
    assert grey.shape == field.z.shape
    assert off.max() <= scale["mm_per_grey_step"]


def test_blenders_displacement_by_the_height_map_gives_its_heights_within_a_grey_step(folder):
    grey, scale, image = height_map(folder)
    rows, columns = grey.shape
    rng = np.random.default_rng(4)
    row, column = rng.integers(0, rows, 400), rng.integers(0, columns, 400)
    mesh = bpy.data.meshes.new("Points")
    mesh.from_pydata([(float(k), 0.0, 0.0) for k in range(400)], [], [(k, k + 1, k + 2) for k in range(398)])
    uv = mesh.uv_layers.new(name="UVMap")
    for loop in mesh.loops:
        k = loop.vertex_index
        uv.data[loop.index].uv = ((column[k] + 0.5) / columns, 1 - (row[k] + 0.5) / rows)
    obj = bpy.data.objects.new("Points", mesh)
    bpy.context.collection.objects.link(obj)
    texture = bpy.data.textures.new("Heights", "IMAGE")
    texture.image, texture.use_interpolation, texture.extension = image, False, "EXTEND"
    modifier = obj.modifiers.new("Displace", "DISPLACE")
    modifier.texture, modifier.texture_coords, modifier.direction = texture, "UV", "Z"
    modifier.mid_level, modifier.strength = 1.0, 65535 * scale["mm_per_grey_step"]
    shown = obj.evaluated_get(bpy.context.evaluated_depsgraph_get()).data
    z = np.array([vertex.co.z for vertex in shown.vertices])
    wanted = (grey[row, column] - 65535) * scale["mm_per_grey_step"]
    assert np.ptp(wanted) > 3.0
    assert np.abs(z - wanted).max() <= scale["mm_per_grey_step"]


def test_rays_on_the_exported_stl_meet_the_height_map(folder):
    grey, scale, _image = height_map(folder)
    report = json.loads((folder / "report.json").read_text())
    bpy.ops.wm.stl_import(filepath=str(folder / "relief.stl"))
    obj = bpy.context.object
    tree = BVHTree.FromObject(obj, bpy.context.evaluated_depsgraph_get())
    pitch = scale["mm_per_pixel"]
    mm = (grey - 65535) * scale["mm_per_grey_step"]
    down, right = np.gradient(mm, pitch)
    lean = 1 / np.sqrt(1 + down**2 + right**2)
    upright, square = [], []
    for row in range(1, mm.shape[0] - 1, 5):
        for column in range(1, mm.shape[1] - 1, 3):
            x, y = scale["left_mm"] + (column + 0.5) * pitch, scale["top_mm"] - (row + 0.5) * pitch
            hit, *_ = tree.ray_cast(Vector((x, y, 10.0)), Vector((0, 0, -1)))
            assert hit is not None
            off = abs(hit.z - mm[row, column])
            upright.append(off)
            square.append(off * lean[row, column])
    print(f"{len(square)} rays: max {max(upright):.4f}, mean {np.mean(upright):.5f} mm upright")
    print(f"square to the surface: max {max(square):.4f}, mean {np.mean(square):.5f} mm")
    # beside a wall the mean of two slopes hides the steeper one, so the bound is that of the report's own measurement
    bound = report["map"]["deviation"]["square_max_mm"] + report["mesh"]["deviation"]["square_max_mm"]
    assert max(square) <= bound + scale["mm_per_grey_step"]
    assert np.mean(square) <= report["mesh"]["tolerance_mm"]


def test_rays_on_the_relief_object_meet_the_height_map(board, relief):
    field = panel_field(plan_panel(BOARD), 0.25)
    off = []
    for row in range(2, field.z.shape[0] - 2, 5):
        for column in range(2, field.z.shape[1] - 2, 5):
            around = field.z[row - 1 : row + 2, column - 1 : column + 2]
            x, y = field.left + (column + 0.5) * field.pitch, field.top - (row + 0.5) * field.pitch
            hit, place, *_ = relief.ray_cast(Vector((x, y, 10.0)) / 1000, Vector((0, 0, -1)))
            assert hit
            # between the lowest and the highest of the pixels around, but for the mesh's tolerance
            z = place.z * 1000
            off.append(max(around.min() - z, z - around.max(), 0.0))
    print(f"{len(off)} rays: at most {max(off):.4f} mm outside of the pixels around, mean {np.mean(off):.5f}")
    assert max(off) < 0.05


def test_files_are_never_replaced_without_a_word(board, folder, tmp_path):
    (tmp_path / "report.json").write_text("mine")
    with pytest.raises(RuntimeError, match="in that folder already"):
        bpy.ops.mesh.relief_knot_carve_files(directory=str(tmp_path))
    assert [path.name for path in tmp_path.iterdir()] == ["report.json"]
    assert (tmp_path / "report.json").read_text() == "mine"
    board.relief_knot_carving.resolution = 0.001
    assert bpy.ops.mesh.relief_knot_carve_files(directory=str(tmp_path), replace=True) == {"FINISHED"}
    assert json.loads((tmp_path / "report.json").read_text())["map"]["mm_per_pixel"] == 1.0
    assert {path.name for path in tmp_path.iterdir()} == {path.name for path in folder.iterdir()}


@pytest.mark.parametrize("name", ["carve_files", "sheet"])
def test_the_dialogs_of_files_show_every_caution(board, name):
    from types import SimpleNamespace

    cls = next(cls for cls in ops_carve.CLASSES if cls.bl_idname == f"mesh.relief_knot_{name}")
    notes = []
    dialog = SimpleNamespace(layout=Sheet(notes), format="PDF", bl_rna=operator_type(cls.bl_idname))
    cls.draw(dialog, bpy.context)
    said = " ".join(note for note in notes if isinstance(note, str))
    for caution in ops_carve.CAUTIONS:
        assert caution in said


def test_the_pattern_sheet_is_written_as_pages_and_as_a_drawing_in_mm(board, tmp_path):
    pages, drawing = tmp_path / "a.pdf", tmp_path / "a.svg"
    assert bpy.ops.mesh.relief_knot_sheet(filepath=str(pages), pages={"pattern", "mirrored"}, waste=True) == {
        "FINISHED"
    }
    assert pages.read_bytes().startswith(b"%PDF") and pages.read_bytes().rstrip().endswith(b"%%EOF")
    assert bpy.ops.mesh.relief_knot_sheet(filepath=str(drawing), format="SVG") == {"FINISHED"}
    assert 'mm"' in drawing.read_text()[:500]
    with pytest.raises(RuntimeError, match="one page"):
        bpy.ops.mesh.relief_knot_sheet(filepath=str(drawing), pages={"pattern", "stages"})


def test_the_preview_picture_shows_wood(board, tmp_path):
    assert bpy.ops.mesh.relief_knot_preview(filepath=str(tmp_path / "a.png"), pixels=300) == {"FINISHED"}
    image = bpy.data.images.load(str(tmp_path / "a.png"))
    assert max(image.size) == pytest.approx(300, abs=3)
    middle = np.array(image.pixels[:]).reshape(image.size[1], image.size[0], 4)[60:-60, 60:-60, :3].mean((0, 1))
    assert middle[0] > middle[1] > middle[2], "wood is brown"


# --- tools ------------------------------------------------------------------------------------------------------------


def test_a_cutter_is_tried_and_what_it_leaves_lies_on_the_relief(board, relief):
    carving = board.relief_knot_carving
    carving.cutter, carving.cutter_width, carving.share = "BALL", 0.004, 0.10
    assert bpy.ops.mesh.relief_knot_tools() == {"FINISHED"}
    facts, fresh = carving_props.checked(board)
    design = store.design_of(board)
    assert fresh and design.make.carve.tools.cutters[0].diameter == pytest.approx(4.0)
    field = panel_field(plan_panel(design), 0.25)
    found = reach(field, design.make.carve.tools.cutters[0], 0.1)
    row = facts["cutters"][0]
    assert row["uncut_area_mm2"] == pytest.approx(found.area, abs=1e-3) and found.area > 0
    assert row["uncut_volume_mm3"] == pytest.approx(found.volume, abs=1e-3)
    assert row["largest_that_does"]["uncut_share"] <= 0.10
    most = relief_looks.most_uncut(relief.data)
    assert 0.5 * found.left.max() < most <= found.left.max() + 1e-4
    shown = drawn(ui_carving.VIEW3D_PT_relief_knot_tools)
    assert "4 mm ball-nose" in shown
    narrow = facts["hand"]["narrowest_ground"][0]
    assert any(str(note).startswith(f"{narrow['between_edges_mm']:.2f} mm:") for note in shown)
    carving.depth = 0.004
    assert carving_props.checked(board)[1] is False and relief_looks.most_uncut(relief.data) is None


def test_a_cutter_of_every_kind_can_be_tried(board):
    carving = board.relief_knot_carving
    for kind in ("FLAT", "V", "TAPERED", "BALL"):
        carving.cutter = kind
        assert board.relief_knot.error == "" and bpy.ops.mesh.relief_knot_tools() == {"FINISHED"}
        assert carving_props.checked(board)[0]["cutters"][0]["kind"] == kind.lower()


def test_a_cutter_wider_than_the_board_is_refused(board):
    board.relief_knot_carving.cutter_width = 0.15
    with pytest.raises(RuntimeError, match="give one of at most"):
        bpy.ops.mesh.relief_knot_tools()


def test_gouges_owned_are_written_as_sweep_over_width(board):
    board.relief_knot_carving.gouges = "3/6, #5/10"
    gouges = store.design_of(board).make.carve.tools.gouges
    assert [(gouge.sweep, gouge.width) for gouge in gouges] == [(3, 6.0), (5, 10.0)]
    board.relief_knot_carving.gouges = "3/6, spoon"
    assert 'no gouge is called "spoon"' in board.relief_knot.error
    assert store.design_of(board).make.carve.tools.gouges == gouges


def test_the_depth_table_has_every_crossing(board):
    bpy.ops.mesh.relief_knot_tools()
    rows = list(ops_carve.depth_rows(carving_props.checked(board)[0]))
    assert len(rows) - 1 == store.report_of(board)["facts"]["crossings"]
    assert all(float(row[3]) < float(row[4]) <= float(row[6]) + 1e-6 for row in rows[1:]), "over, under, ground"
    shown = drawn(ui_carving.VIEW3D_PT_relief_knot_depths)
    assert rows[1][3] in shown and rows[1][6] in shown


# --- views ------------------------------------------------------------------------------------------------------------


def test_depth_is_shown_in_colours_with_a_legend_in_mm(board, relief):
    relief.relief_knot_relief.view = "DEPTH"
    legend = relief_looks.legend(relief)
    assert [depth for _colour, depth in legend] == pytest.approx(np.linspace(0, 5.0, 9))
    colours = relief.data.color_attributes[relief_looks.COLOURS]
    z = places(relief)[:, 2]
    for level, (colour, _depth) in ((0.0, legend[0]), (-5.0, legend[-1])):
        vertex = int(np.argmin(np.abs(z - level)))
        assert tuple(colours.data[vertex].color_srgb)[:3] == pytest.approx(colour, abs=0.01)
    assert relief.data.materials[0].name == relief_looks.COLOURED
    relief.relief_knot_relief.view = "WOOD"
    board.relief_knot_carving.wood = "OAK"
    assert relief.data.materials[0].name == "Relief Oak" and relief_looks.legend(relief) == []


def test_a_section_plane_cuts_the_board_and_shows_its_section(board, relief):
    whole = places(relief)
    relief.relief_knot_relief.section = 0.5
    relief.relief_knot_relief.has_section = True
    cut = places(relief)
    middle = (whole[:, 1].min() + whole[:, 1].max()) / 2
    assert cut[:, 1].min() == pytest.approx(middle, abs=1e-3) and is_closed(relief.data)
    field = panel_field(plan_panel(BOARD), 0.1)
    row = int((field.top - middle) / field.pitch)
    edge = cut[(np.abs(cut[:, 1] - middle) < 1e-3) & (cut[:, 2] > -5.01)]
    edge = edge[np.argsort(edge[:, 0])]
    assert edge[:, 2].min() == pytest.approx(field.z[row].min(), abs=0.05)
    relief.relief_knot_relief.has_section = False
    assert np.array_equal(places(relief), whole)


def test_raking_light_is_low_and_is_one_lamp(board, relief):
    for _ in range(2):
        assert bpy.ops.mesh.relief_knot_rake() == {"FINISHED"}
    (lamp,) = [obj for obj in bpy.data.objects if obj.type == "LIGHT"]
    bpy.context.view_layer.update()
    shines = lamp.matrix_world.to_3x3() @ Vector((0, 0, -1))
    assert shines.x > 0 and shines.y < 0, "from the upper left"
    assert np.degrees(np.arcsin(-shines.z)) == pytest.approx(relief_looks.LAMP_HEIGHT, abs=0.01)


def test_every_section_draws_before_and_after_a_relief_is_made():
    from blender_addon.ops_add import new_knot

    obj = new_knot(bpy.context, BOARD, "Board")
    panels = [cls for cls in ui_carving.CLASSES if cls is not ui_carving.VIEW3D_PT_relief_knot_of_relief]
    for step in (bpy.ops.mesh.relief_knot_relief, bpy.ops.mesh.relief_knot_tools):
        before = obj.relief_knot.text
        assert all(drawn(cls) for cls in panels)
        assert obj.relief_knot.text == before
        step()
    assert all(drawn(cls) for cls in panels)
    relief = relief_object.relief_of(obj)
    bpy.context.view_layer.objects.active = relief
    assert drawn(ui_carving.VIEW3D_PT_relief_knot_of_relief)
    assert bpy.ops.mesh.relief_knot_select_source() == {"FINISHED"} and bpy.context.object == obj
    obj.relief_knot.way = "FREE"
    assert all(drawn(cls) is None for cls in panels)


def test_the_button_of_the_relief_stays_and_brings_back_one_that_is_out_of_sight_or_deleted(board, relief):
    def buttons():
        notes = drawn(ui_carving.VIEW3D_PT_relief_knot_carving)
        return [note[1] for note in notes if note[0] == "mesh.relief_knot_relief"]

    assert buttons() == ["Make Relief Again"]
    relief.hide_set(True)
    relief.users_collection[0].objects.unlink(relief)
    assert bpy.ops.mesh.relief_knot_relief() == {"FINISHED"}
    assert relief_object.relief_of(board) == relief and relief.users_scene and relief.visible_get()
    bpy.data.objects.remove(relief)
    assert buttons() == ["Make Relief"]
    assert bpy.ops.mesh.relief_knot_relief() == {"FINISHED"}
    assert relief_object.relief_of(board).users_scene


def test_carving_needs_nothing_but_numpy_and_what_the_extension_brings():
    code = """
import sys
for name in ("PIL", "scipy", "manifold3d", "trimesh", "shapely", "bpy"):
    sys.modules[name] = None
import tempfile
from knotgeom import sheets
from knotgeom.carving import files
from knotgeom.design import Design, Grid
from knotgeom.made import make
design = Design(Grid(2, 2, 20.0, 20.0))
from knotgeom.carving.options import Carving
folder = tempfile.mkdtemp()
files.carve_to(design, folder, Carving(resolution=0.5), replace=True)
sheets.write_sheet(folder + "/a.pdf", make(design, prove=0), sheets.Sheet(), "A")
print("done")
"""
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
    assert ran.stdout.strip() == "done", ran.stderr
