"""The finished piece in Blender: made, measured, mended, written and shown."""

from __future__ import annotations

import importlib.util
import struct

import bpy
import numpy as np
import pytest
from mathutils import Vector

from blender_addon import piece_object, printing_props, store
from knotgeom.files.threemf import read_threemf
from knotgeom.printing.materials import MATERIALS
from knotgeom.printing.profiles import SHIPPED

WHOLE = importlib.util.find_spec("manifold3d") is not None


@pytest.fixture
def pendant(knot):
    """A fused knot without fittings."""
    knot.relief_knot.way = "FUSED"
    return knot


def asked(obj):
    """What the design says of its piece."""
    return store.design_of(obj).make.print


def signed_volume(vertices, triangles):
    """Volume inside a closed mesh, by the divergence theorem."""
    a, b, c = (vertices[column] for column in np.asarray(triangles).T)
    return float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6


def test_settings_are_kept_in_the_design_and_leave_the_knots_mesh_alone(pendant):
    look, built = pendant.relief_knot_print, len(pendant.data.vertices)
    look.has_size, look.size = True, 0.032
    look.shrinkage, look.finishing = 2.5, 0.0001
    look.has_bail, look.bail_kind, look.bail_bore = True, "TUBE", 0.005
    look.has_plate, look.plate_shape = True, "DISC"
    look.material, look.profile = "FINE_GOLD", "RESIN_PRINT"
    found = asked(pendant)
    assert (found.size, found.shrinkage, found.finishing) == (32.0, 2.5, 0.1)
    assert (found.bail.kind.value, found.bail.bore, found.plate.shape.value) == ("tube", 5.0, "disc")
    assert (found.material, found.process, look.profile) == ("fine gold", "printing", "RESIN_PRINT")
    assert not pendant.relief_knot.error and len(pendant.data.vertices) == built
    look.has_bail = False
    assert asked(pendant).bail is None
    look.bail_bore = 0.003  # a part that is left out is not brought back by its numbers
    assert asked(pendant).bail is None


def test_every_material_and_process_of_the_core_can_be_chosen():
    assert [name for name, _ in printing_props.MATERIALS] == list(MATERIALS)
    assert [name for name, _ in printing_props.PROFILES] == list(SHIPPED)


def test_the_piece_is_one_closed_body_of_the_size_asked_for(pendant):
    look = pendant.relief_knot_print
    look.has_size, look.size, look.shrinkage = True, 0.030, 2.0
    assert bpy.ops.mesh.relief_knot_piece() == {"FINISHED"}, look.error
    (model,) = piece_object.models_of(pendant)
    report = piece_object.report_of(pendant)
    assert max(np.ptp(model.vertices[:, :2], axis=0)) == pytest.approx(30 / 0.98, abs=0.02)
    assert max(report["size_mm"][:2]) == pytest.approx(30, abs=0.01)
    assert report["bodies"] == report["bodies_expected"] == 1
    volume = signed_volume(model.vertices, model.triangles)
    assert report["volume_mm3"] == pytest.approx(volume * 0.98**3, rel=2e-4)
    assert report["mass_g"] == pytest.approx(report["volume_mm3"] * 10.36 / 1000, rel=1e-4)
    edges = np.sort(
        np.concatenate([model.triangles[:, [0, 1]], model.triangles[:, [1, 2]], model.triangles[:, [2, 0]]])
    )
    assert (np.unique(edges, axis=0, return_counts=True)[1] == 2).all()


def test_free_strands_are_as_many_bodies_as_the_knot_has_components(knot):
    knot.relief_knot.way = "FREE"
    assert bpy.ops.mesh.relief_knot_piece() == {"FINISHED"}, knot.relief_knot_print.error
    facts = store.report_of(knot)["facts"]
    assert len(piece_object.models_of(knot)) == facts["components"]


def test_a_thin_piece_is_found_shown_and_mended_by_its_remedy(pendant):
    pendant.relief_knot.thickness = 0.0005
    bpy.ops.mesh.relief_knot_piece()
    report = piece_object.report_of(pendant)
    number, finding = next((k, f) for k, f in enumerate(report["findings"]) if f["kind"] == "wall")
    assert finding["value"] < finding["limit"] == 0.8
    shown = {empty.name.split()[0] for empty in piece_object.places(pendant)}
    assert "Wall" in shown
    bpy.ops.mesh.relief_knot_piece_look(finding=number)
    piece = piece_object.piece_of(pendant)
    here = np.array(piece.matrix_world.inverted() @ bpy.context.scene.cursor.location) * 1000
    assert here == pytest.approx(finding["at"], abs=0.02)
    key = next(k for k, c in enumerate(finding["changes"]) if c["key"] == "strand.thickness")
    bpy.ops.mesh.relief_knot_piece_mend(finding=number, remedy=key)
    after = piece_object.report_of(pendant)
    assert store.design_of(pendant).strand.thickness == finding["changes"][key]["value"]
    assert after["wall_mm"]["value"] > 1.5 * finding["value"]
    pendant.relief_knot_print.show_places = False
    assert not piece_object.places(pendant)


def test_files_hold_the_piece_in_mm_and_replace_nothing_unasked(pendant, tmp_path):
    bpy.ops.mesh.relief_knot_piece()
    (model,) = piece_object.models_of(pendant)
    path = tmp_path / "piece.3mf"
    assert bpy.ops.mesh.relief_knot_export_piece(filepath=str(path), format="3MF") == {"FINISHED"}
    read = read_threemf(path)
    assert len(read.bodies) == 1 and len(read.bodies[0].triangles) == len(model.triangles)
    assert np.ptp(read.bodies[0].vertices, axis=0) == pytest.approx(np.ptp(model.vertices, axis=0), abs=1e-4)
    stl = tmp_path / "piece.stl"
    stl.write_bytes(b"the work of last week")
    with pytest.raises(RuntimeError, match="is there already"):
        bpy.ops.mesh.relief_knot_export_piece(filepath=str(stl), format="STL")
    assert stl.read_bytes() == b"the work of last week"
    bpy.ops.mesh.relief_knot_export_piece(filepath=str(stl), format="STL", replace=True)
    content = stl.read_bytes()
    assert len(content) == 84 + 50 * len(model.triangles) == 84 + 50 * struct.unpack("<I", content[80:84])[0]
    assert sorted(each.name for each in tmp_path.iterdir()) == ["piece.3mf", "piece.stl"]


def test_a_piece_that_is_out_of_date_is_not_written(pendant, tmp_path):
    bpy.ops.mesh.relief_knot_piece()
    pendant.relief_knot_print.shrinkage = 3.0
    with pytest.raises(RuntimeError, match="make the piece again"):
        bpy.ops.mesh.relief_knot_export_piece(filepath=str(tmp_path / "piece.stl"), format="STL")
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(WHOLE, reason="this Python has manifold3d, which makes all parts")
def test_what_this_blender_cannot_make_is_named(pendant):
    look = pendant.relief_knot_print
    look.has_bail = look.has_hollow = True
    assert piece_object.left_out(asked(pendant)) == ["bail", "hollow"]
    bpy.ops.mesh.relief_knot_piece()
    assert piece_object.report_of(pendant)["left_out"] == ["bail", "hollow"]


@pytest.mark.skipif(not WHOLE, reason="this Python has no manifold3d")
def test_a_bail_hangs_the_whole_piece_straight(pendant):
    pendant.relief_knot_print.has_bail = True
    assert bpy.ops.mesh.relief_knot_piece() == {"FINISHED"}, pendant.relief_knot_print.error
    assert abs(piece_object.report_of(pendant)["hang"]["turned_deg"]) < 0.5


def test_a_ring_size_is_kept_as_the_inside_circumference_in_mm(pendant):
    look = pendant.relief_knot_print
    look.has_ring = True
    look.ring_circumference = 0.0585
    assert (asked(pendant).ring.circumference, asked(pendant).ring.diameter) == (58.5, None)
    assert look.ring_circumference == pytest.approx(0.0585)
    if WHOLE:
        with pytest.raises(RuntimeError, match="a strip round a cylinder"):
            bpy.ops.mesh.relief_knot_piece()  # the pendant is none
    else:
        assert piece_object.left_out(asked(pendant)) == ["ring"]


def test_a_file_of_limits_that_is_not_there_is_refused_and_the_piece_kept(pendant, tmp_path):
    bpy.ops.mesh.relief_knot_piece()
    before = len(piece_object.piece_of(pendant).data.vertices)
    pendant.relief_knot_print.limits_file = str(tmp_path / "limits.json")
    with pytest.raises(RuntimeError, match="cannot be read"):
        bpy.ops.mesh.relief_knot_piece()
    assert len(piece_object.piece_of(pendant).data.vertices) == before


def test_the_studio_lights_the_piece_beside_20_mm_and_turns_it_once_in_its_place(pendant):
    bpy.ops.mesh.relief_knot_piece()
    bpy.ops.mesh.relief_knot_studio()
    bpy.ops.mesh.relief_knot_studio()  # again: nothing is doubled
    bar = [obj for obj in bpy.data.objects if obj.name.startswith("Scale Bar")]
    assert len(bar) == 1 and bar[0].dimensions.x == pytest.approx(0.020, abs=1e-6)
    piece, scene = piece_object.piece_of(pendant), bpy.context.scene
    (metal,) = piece.data.materials
    assert metal.node_tree.nodes["Principled BSDF"].inputs["Metallic"].default_value == 1.0
    middle = sum((np.array(corner) for corner in piece.bound_box), np.zeros(3)) / 8
    seen = []
    for frame in (1, 31, 61, 121):
        scene.frame_set(frame)
        seen.append(np.array(piece.matrix_world @ Vector(middle)))
    assert np.ptp(seen, axis=0) == pytest.approx(0, abs=1e-5)
    assert scene.camera is not None and scene.camera.data.type == "ORTHO"
