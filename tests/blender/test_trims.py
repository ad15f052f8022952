"""Trim kits in Blender: pieces as objects, laid along curves and edge loops, baked, exported, marked as assets."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import bpy
import numpy as np
import pytest

from blender_addon import core, ops_trim, trim_object, trim_textures
from blender_addon.ops_add import new_knot
from knotgeom.design import Design, Heights, Make, Making, Strand, Strip
from knotgeom.trims.options import Part, Textures, Trimming

STRIP = Design(
    Strip(3, 2, 40.0, 40.0),
    strand=Strand(18.0, 8.0),
    heights=Heights(Making.FUSED, step=3.0),
    make=Make(
        trim=Trimming(
            triangles=900,
            levels=(100.0, 30.0),
            pieces=(Part.STRAIGHT, Part.INNER, Part.CAP),
            textures=Textures(size=256, padding=4),
        )
    ),
)


_kits: dict[Design, object] = {}


@pytest.fixture(autouse=True)
def kept(monkeypatch):
    """Kits of designs that were made before are not made again: what is tested here is what Blender does with them."""
    build = trim_object.build

    def remembered(design, progress):
        if design not in _kits:
            _kits[design] = build(design, progress)
        return _kits[design]

    monkeypatch.setattr(trim_object, "build", remembered)


@pytest.fixture
def strip():
    """A strip with its kit."""
    obj = new_knot(bpy.context, STRIP, "Strip")
    assert bpy.ops.mesh.relief_knot_kit() == {"FINISHED"}, obj.relief_knot_trim.error
    return obj


def places(obj):
    """Vertices in the world, mm."""
    bpy.context.view_layer.update()
    found = np.empty(3 * len(obj.data.vertices), np.float32)
    obj.data.attributes["position"].data.foreach_get("vector", found)
    matrix = np.array(obj.matrix_world)
    return 1000 * (found.reshape(-1, 3) @ matrix[:3, :3].T + matrix[:3, 3])


def poly(points, closed):
    """A curve of straight stretches, points in mm."""
    curve = bpy.data.curves.new("Path", "CURVE")
    curve.dimensions = "3D"
    spline = curve.splines.new("POLY")
    spline.points.add(len(points) - 1)
    for point, place in zip(spline.points, points, strict=True):
        point.co = (*(value / 1000 for value in place), 1.0)
    spline.use_cyclic_u = closed
    obj = bpy.data.objects.new("Path", curve)
    bpy.context.collection.objects.link(obj)
    return obj


def legs(strip):
    """How much of a side both its corners take, mm."""
    kit = trim_object.kit_of(strip)
    return sum(core.trims_laying.legs(core.trims_kit.piece(kit, "corner-inner-090")))


def test_every_piece_and_level_is_an_object_with_the_cores_vertices_normals_and_uvs(strip):
    kit = trim_object.kit_of(strip)
    assert [obj.name for obj in trim_object.pieces_of(strip, 0)] == sorted(f"{p.name}_LOD0" for p in kit.pieces)
    for obj in trim_object.pieces_of(strip):
        look = obj.relief_knot_trim
        mesh = core.trims_kit.piece(kit, look.piece_name).levels[look.piece_level].mesh
        assert len(obj.data.polygons) == len(mesh.triangles)
        assert not obj.data.validate(), "Blender found something to repair"
        own = np.empty(3 * len(obj.data.vertices), np.float32)
        obj.data.attributes["position"].data.foreach_get("vector", own)
        assert np.abs(1000 * own.reshape(-1, 3) - mesh.positions).max() < 1e-3
        corner = np.empty(3 * len(obj.data.loops), np.float32)
        obj.data.corner_normals.foreach_get("vector", corner)
        off = np.einsum("ij,ij->i", corner.reshape(-1, 3), mesh.normals[mesh.triangles.ravel()])
        assert np.quantile(np.degrees(np.arccos(np.clip(off, -1, 1))), 0.99) < 1.0
        uv = np.empty(2 * len(obj.data.loops), np.float32)
        obj.data.uv_layers["UVMap"].data.foreach_get("uv", uv)
        assert np.array_equal(uv.reshape(-1, 2), mesh.uv[mesh.triangles.ravel()])


def test_an_array_of_the_straight_piece_has_no_gap(strip):
    obj = next(o for o in trim_object.pieces_of(strip, 0) if o.relief_knot_trim.piece_name == "straight")
    kit = trim_object.kit_of(strip)
    array = obj.modifiers.new("Array", "ARRAY")
    array.use_relative_offset, array.use_constant_offset = False, True
    array.constant_offset_displace = (kit.period / 1000, 0.0, 0.0)
    array.count = 3
    array.use_merge_vertices, array.merge_threshold = True, 1e-6
    bpy.context.view_layer.update()
    seen = obj.evaluated_get(bpy.context.evaluated_depsgraph_get())
    mesh = core.trims_kit.piece(kit, "straight").levels[0].mesh
    joined = len({tuple(row) for row in mesh.positions[mesh.seam[0]].round(6).tolist()})
    assert len(seen.data.vertices) <= 3 * len(mesh.positions) - 2 * joined
    assert 1000 * seen.dimensions.x == pytest.approx(3 * kit.period, abs=1e-3)


def test_another_setting_makes_other_pieces_and_those_that_are_no_more_go(strip):
    strip.relief_knot_trim.pieces = {"STRAIGHT"}
    strip.relief_knot_trim.triangles = 700
    assert trim_object.is_stale(strip)
    assert bpy.ops.mesh.relief_knot_kit() == {"FINISHED"}
    assert {obj.relief_knot_trim.piece_name for obj in trim_object.pieces_of(strip)} == {"straight"}
    assert json.loads(strip.relief_knot.text)["make"]["trim"]["triangles"] == 700
    assert len(trim_object.pieces_of(strip, 0)[0].data.polygons) <= 700


def test_a_budget_that_closes_no_strand_is_refused_with_what_would_do(strip):
    before = [len(obj.data.polygons) for obj in trim_object.pieces_of(strip)]
    strip.relief_knot_trim.triangles = 12
    with pytest.raises(RuntimeError, match="give at least"):
        bpy.ops.mesh.relief_knot_kit()
    assert "give at least" in strip.relief_knot_trim.error
    assert [len(obj.data.polygons) for obj in trim_object.pieces_of(strip)] == before, "the last kit stays"


def test_a_frame_is_laid_along_a_curve_and_laid_anew_where_the_curve_changes(strip):
    side = legs(strip) + 2.04 * trim_object.kit_of(strip).period
    path = poly([(0, 0, 0), (side, 0, 0), (side, side, 0), (0, side, 0)], closed=True)
    strip.relief_knot_trim.path = path
    assert bpy.ops.mesh.relief_knot_lay() == {"FINISHED"}
    laid = trim_object.laid_of(strip, path)
    assert "joints open by at most 0.0000 mm" in laid.relief_knot_trim.report
    assert "12 pieces" in laid.relief_knot_trim.report and "2.00 %" in laid.relief_knot_trim.report
    low, high = places(laid).min(0), places(laid).max(0)
    assert low[:2] == pytest.approx([-40, -40], abs=6) and high[:2] == pytest.approx([side + 40] * 2, abs=6)
    path.data.splines[0].points[1].co.x = path.data.splines[0].points[2].co.x = (side + 1.03 * 120) / 1000
    assert bpy.ops.mesh.relief_knot_lay() == {"FINISHED"}
    assert trim_object.laid_of(strip, path) == laid and "14 pieces" in laid.relief_knot_trim.report


def test_a_side_that_no_repeats_fit_says_what_would(strip):
    side = legs(strip) + 1.5 * trim_object.kit_of(strip).period
    strip.relief_knot_trim.path = poly([(0, 0, 0), (side, 0, 0), (side, side, 0), (0, side, 0)], closed=True)
    with pytest.raises(RuntimeError, match="mm lie there"):
        bpy.ops.mesh.relief_knot_lay()


def test_a_ring_of_edges_carries_the_trim_on_its_own_surface(strip):
    kit = trim_object.kit_of(strip)
    radius = 6 * kit.period / (2 * np.pi) / 1000
    bpy.ops.mesh.primitive_cylinder_add(vertices=256, radius=radius, depth=1.0, end_fill_type="NOTHING")
    column = bpy.context.object
    for edge in column.data.edges:
        a, b = (column.data.vertices[v].co for v in edge.vertices)
        edge.select = a.z > 0 and b.z > 0
    bpy.context.view_layer.objects.active = strip
    strip.relief_knot_trim.path = column
    assert bpy.ops.mesh.relief_knot_lay() == {"FINISHED"}
    laid = trim_object.laid_of(strip, column)
    assert "6 pieces" in laid.relief_knot_trim.report
    away = np.hypot(*places(laid)[:, :2].T) - 1000 * radius
    assert away.min() > kit.low - 1.0 and away.max() == pytest.approx(kit.high, abs=1.0), "relief stands outward"


def test_edges_that_branch_are_no_path(strip):
    bpy.ops.mesh.primitive_grid_add(x_subdivisions=3, y_subdivisions=3)
    grid = bpy.context.object
    for edge in grid.data.edges:
        edge.select = True
    bpy.context.view_layer.objects.active = strip
    strip.relief_knot_trim.path = grid
    with pytest.raises(RuntimeError, match="form no one line"):
        bpy.ops.mesh.relief_knot_lay()


def test_textures_are_baked_packed_and_worn_by_the_kit(strip):
    assert bpy.ops.mesh.relief_knot_textures() == {"FINISHED"}
    images = trim_textures.images_of(strip)
    assert {"height", "normal", "normal-lod0", "normal-lod1", "occlusion", "curvature", "strand", "packed"} <= set(
        images
    )
    assert all(image.packed_file is not None for image in images.values())
    kit = trim_object.kit_of(strip)
    assert tuple(images["normal"].size) == (kit.sheet.width, kit.sheet.height)
    fresh = trim_textures.work(kit, lambda _share, _stage: None)
    for name, kept in trim_textures.maps_of(strip).items():
        assert kept.dtype == fresh[name].dtype
        assert np.abs(kept.astype(int) - fresh[name].astype(int)).max() <= 1, name
    worn = {slot.material.name for obj in trim_object.pieces_of(strip) for slot in obj.material_slots}
    assert worn == {"Strip Kit LOD0", "Strip Kit LOD1", "Strip Kit card"}


@pytest.mark.parametrize("form", ["GLB", "OBJ", "FBX", "USD"])
def test_the_kit_is_saved_whole_and_never_over_a_file_unasked(strip, form, tmp_path):
    path = tmp_path / f"kit{ops_trim.EXTENSIONS[form]}"
    if form == "USD" and "usd_export" not in dir(bpy.ops.wm):
        pytest.skip("this Blender was built without USD")
    path.write_text("mine")
    with pytest.raises(RuntimeError, match="is there already"):
        bpy.ops.mesh.relief_knot_export_kit(format=form, filepath=str(path))
    assert path.read_text() == "mine"
    assert bpy.ops.mesh.relief_knot_export_kit(format=form, filepath=str(path), replace=True) == {"FINISHED"}
    assert path.stat().st_size > 5000 and [p.name for p in tmp_path.iterdir()] == [path.name]
    if form == "GLB":
        head = path.read_bytes()[:12]
        assert struct.unpack("<4sII", head) == (b"glTF", 2, path.stat().st_size)


def test_pieces_are_marked_as_assets_with_picture_catalog_and_tags(strip, tmp_path):
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "library.blend"))
    strip = bpy.data.objects["Strip"]
    assert bpy.ops.mesh.relief_knot_kit_assets() == {"FINISHED"}
    marked = [obj for obj in bpy.data.objects if obj.asset_data]
    assert {obj.name for obj in marked} == {obj.name for obj in trim_object.pieces_of(strip, 0)}
    lines = Path(tmp_path / "blender_assets.cats.txt").read_text().splitlines()
    for obj in marked:
        assert {"interlace", "trim"} <= {tag.name for tag in obj.asset_data.tags}
        assert any(line.startswith(obj.asset_data.catalog_id) for line in lines)
        texels = np.empty(len(obj.preview.image_pixels_float), np.float32)
        obj.preview.image_pixels_float.foreach_get(texels)
        assert np.ptp(texels.reshape(-1, 4)[:, :3]) > 0.3, "a picture, not one colour"


def test_pieces_stay_marked_where_their_catalog_cannot_be_written(strip, tmp_path, capfd):
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "library.blend"))
    (tmp_path / "blender_assets.cats.txt").mkdir()
    assert bpy.ops.mesh.relief_knot_kit_assets() == {"FINISHED"}
    assert "cannot be saved" in "".join(capfd.readouterr())
    assert any(obj.asset_data for obj in bpy.data.objects) and (tmp_path / "blender_assets.cats.txt").is_dir()


def test_the_kit_outlives_saving_and_loading(strip, tmp_path):
    count = {obj.name: len(obj.data.polygons) for obj in trim_object.pieces_of(strip)}
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "kept.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "kept.blend"))
    strip = bpy.data.objects["Strip"]
    assert {obj.name: len(obj.data.polygons) for obj in trim_object.pieces_of(strip)} == count
    assert not trim_object.is_stale(strip) and trim_object.report_of(strip)["pieces"]
