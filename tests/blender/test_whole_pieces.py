"""Whole pieces in Blender with the bundled manifold3d: fittings from the sidebar, soundness by bmesh, all files."""

from __future__ import annotations

import importlib
import importlib.util
import json
import platform
import sys
import zipfile
from pathlib import Path

import bmesh
import bpy
import numpy as np
import pytest

from blender_addon import build_extension, fill, piece_object, store
from knotgeom.files.threemf import read_threemf

ROOT = Path(__file__).resolve().parents[2]
SYSTEMS = {
    ("linux", "x86_64"): "x86_64.whl",
    ("win32", "AMD64"): "win_amd64.whl",
    ("win32", "ARM64"): "win_arm64.whl",
    ("darwin", "arm64"): "macosx_11_0_arm64.whl",
    ("darwin", "x86_64"): "macosx_10_14_x86_64.whl",
}


@pytest.fixture(scope="session")
def unpacked(tmp_path_factory):
    """manifold3d from the wheel that the extension brings for this Blender, imported once."""
    if importlib.util.find_spec("manifold3d") is not None:
        return importlib.import_module("manifold3d")
    python, system = f"-cp{sys.version_info[0]}{sys.version_info[1]}-", SYSTEMS.get((sys.platform, platform.machine()))
    mine = {k: v for k, v in build_extension.COMPILED.items() if python in k and system and k.endswith(system)}
    if not mine:
        pytest.skip("the extension brings no manifold3d for this system")
    wheels = ROOT / "build" / "wheels"
    try:
        build_extension.fetch_wheels(wheels, mine)
    except build_extension.BuildError as error:
        pytest.skip(str(error).splitlines()[0])
    folder = tmp_path_factory.mktemp("wheel")
    with zipfile.ZipFile(wheels / next(iter(mine))) as packed:
        packed.extractall(folder)
    sys.path.insert(0, str(folder))
    try:
        return importlib.import_module("manifold3d")
    finally:
        sys.path.remove(str(folder))
        del sys.modules["manifold3d"]  # the other tests are of a Blender without it


@pytest.fixture(autouse=True)
def manifold3d(unpacked, monkeypatch):
    """At hand for one test."""
    monkeypatch.setitem(sys.modules, "manifold3d", unpacked)
    return unpacked


@pytest.fixture
def pendant(knot):
    """A fused knot without fittings."""
    knot.relief_knot.way = "FUSED"
    return knot


def printed():
    spec = importlib.util.spec_from_file_location("demos", ROOT / "demo_scenes" / "demos.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["demos"] = module
    spec.loader.exec_module(module)
    return module.PRINTED


PRINTED = printed()


@pytest.mark.parametrize("demo", PRINTED, ids=lambda demo: demo.name)
def test_bmesh_and_manifold3d_agree_on_every_printed_demonstration(demo, manifold3d):
    """trimesh and manifold3d agree on them in tests/core/test_printing_demos.py."""
    piece = piece_object.piece_maker.make_piece(demo.design)
    data = bpy.data.meshes.new("piece")
    fill.fill(data, piece_object.bodies_of.joined(piece.bodies), 1.0)
    solids = [
        manifold3d.Manifold(manifold3d.Mesh(body.vertices.astype(np.float32), body.triangles.astype(np.uint32)))
        for body in piece.bodies
    ]
    shape = bmesh.new()
    try:
        shape.from_mesh(data)
        assert all(edge.is_manifold and edge.is_contiguous for edge in shape.edges)
        assert all(vertex.is_manifold for vertex in shape.verts)
        assert len(shape.faces) == sum(solid.num_tri() for solid in solids)
        assert shape.calc_volume(signed=True) == pytest.approx(sum(solid.volume() for solid in solids), rel=1e-4)
        assert islands(shape) == sum(len(solid.decompose()) for solid in solids) == piece.expected
        assert len(shape.verts) - len(shape.edges) + len(shape.faces) == sum(2 - 2 * one.genus() for one in solids)
    finally:
        shape.free()


def islands(shape):
    """Connected parts of a bmesh."""
    seen, count = set(), 0
    for start in shape.verts:
        if start in seen:
            continue
        count += 1
        todo = [start]
        seen.add(start)
        while todo:
            for edge in todo.pop().link_edges:
                for vertex in edge.verts:
                    if vertex not in seen:
                        seen.add(vertex)
                        todo.append(vertex)
    return count


def test_every_fitting_is_set_in_the_sidebar_and_made(pendant):
    look = pendant.relief_knot_print
    look.has_size, look.size = True, 0.036
    look.has_plate, look.plate_shape, look.plate_thickness = True, "DISC", 0.002
    look.has_frame, look.frame_shape, look.frame_height = True, "DISC", 0.004
    look.has_bail, look.bail_kind, look.bail_length = True, "TUBE", 0.005
    look.has_eye, look.eye_place = True, "BOTTOM"
    look.has_mark, look.mark_thickness = True, 0.0009
    look.has_hollow = True
    asked = store.design_of(pendant).make.print
    assert (asked.frame.height, asked.frame.overlap, asked.bail.length) == (4.0, None, 5.0)
    assert (asked.eye.place.value, asked.eye.thickness, asked.mark.thickness) == ("bottom", None, 0.9)
    assert piece_object.left_out(asked) == []
    assert bpy.ops.mesh.relief_knot_piece() == {"FINISHED"}, look.error
    report = piece_object.report_of(pendant)
    assert max(report["size_mm"]) == pytest.approx(36.0, abs=0.02)
    assert report["bodies"] == report["bodies_expected"] == 1 and report["left_out"] == []
    assert abs(report["hang"]["turned_deg"]) < 0.5 and abs(report["hang"]["tilted_deg"]) < 3
    look.frame_height = look.bail_length = 0.0  # back to what the rest gives
    look.eye_place = "FREE"
    asked = store.design_of(pendant).make.print
    assert (asked.frame.height, asked.bail.length, asked.eye.place) == (None, None, None)


def test_thickness_is_solved_for_the_mass_that_is_asked_for(pendant):
    look = pendant.relief_knot_print
    look.has_mass, look.mass_g, look.fillet = True, 9.0, 0.0
    assert bpy.ops.mesh.relief_knot_piece() == {"FINISHED"}, look.error
    assert piece_object.report_of(pendant)["mass_g"] == pytest.approx(9.0, rel=0.004)


def test_all_files_are_written_in_a_blender_without_pillow_and_none_over_another(pendant, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "PIL", None)
    pendant.relief_knot_print.has_bail, pendant.relief_knot_print.fillet = True, 0.0
    with pytest.raises(RuntimeError, match="Make the piece first"):
        bpy.ops.mesh.relief_knot_export_set(directory=str(tmp_path / "out"))
    bpy.ops.mesh.relief_knot_piece()
    assert bpy.ops.mesh.relief_knot_export_set(directory=str(tmp_path / "out")) == {"FINISHED"}
    names = ["preview.png", "report.json", "solid.3mf", "solid.stl"]
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == names
    report = json.loads((tmp_path / "out" / "report.json").read_text())
    assert report["mass_g"] == pytest.approx(piece_object.report_of(pendant)["mass_g"], rel=1e-3)
    read = read_threemf(tmp_path / "out" / "solid.3mf")
    assert len(read.bodies) == 1 and read.thumbnail.startswith(b"\x89PNG")
    image = bpy.data.images.load(str(tmp_path / "out" / "preview.png"))
    assert image.size[0] == 1400
    before = {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()}
    with pytest.raises(RuntimeError, match="is there already; give another folder, or tick Replace"):
        bpy.ops.mesh.relief_knot_export_set(directory=str(tmp_path / "out"))
    piece_object.forget()  # as after opening the file again: it is made anew, and is the same
    assert bpy.ops.mesh.relief_knot_export_set(directory=str(tmp_path / "out"), replace=True) == {"FINISHED"}
    assert {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()} == before
    pendant.relief_knot_print.shrinkage = 2.0
    with pytest.raises(RuntimeError, match="make the piece again"):
        bpy.ops.mesh.relief_knot_export_set(directory=str(tmp_path / "other"))


def test_own_limits_hold_for_a_bail_too(pendant, tmp_path):
    look = pendant.relief_knot_print
    look.has_bail, look.bail_wall = True, 0.0006
    with pytest.raises(RuntimeError, match="thinner than lost-wax casting in silver allows; give at least 0.8 mm"):
        bpy.ops.mesh.relief_knot_piece()
    path = tmp_path / "mine.json"
    path.write_text('{"name": "my caster", "kind": "casting", "bail_wall": 0.5}')
    look.limits_file = str(path)
    assert bpy.ops.mesh.relief_knot_piece() == {"FINISHED"}, look.error
