"""Design files in and out of Blender, and meshes out in millimetres."""

from __future__ import annotations

import struct
import sys

import bpy
import numpy as np
import pytest

from blender_addon import core, store, unite
from blender_addon.ops_add import new_knot
from knotgeom.design import Design, Grid, Heights, Making, Strand
from knotgeom.errors import DesignError
from knotgeom.made import make
from knotgeom.reading import read_file

BAD = {
    "unreadable": "{",
    "binary rubbish": "\x00\x01\x02",
    "unknown key": '{"interlace": 1, "layout": {"grid": [2, 2], "cell": 10}, "colour": "red"}',
    "wrong type": '{"interlace": 1, "layout": {"grid": "big", "cell": 10}}',
    "negative": '{"interlace": 1, "layout": {"grid": [2, 2], "cell": -10}}',
    "too wide": '{"interlace": 1, "layout": {"grid": [2, 2], "cell": 10}, "strand": {"width": 9}}',
    "boundary": '{"interlace": 1, "layout": {"grid": [2, 2], "cell": 10}, "breaks": {"vertical": [[0, 1]]}}',
    "nested": "[" * 5000,
    "huge": '{"interlace": 1, "layout": {"grid": [100000, 100000], "cell": 10}}',
    "later": '{"interlace": 2, "layout": {"grid": [2, 2], "cell": 10}}',
}


def test_a_design_exported_and_imported_is_the_same(knot, tmp_path):
    knot.relief_knot.width = 0.003
    bpy.ops.mesh.relief_knot_divide(point=(4, 7.5))
    path = str(tmp_path / "brooch.interlace.json")
    assert bpy.ops.mesh.relief_knot_export(filepath=path) == {"FINISHED"}
    assert read_file(path) == store.design_of(knot)
    assert bpy.ops.mesh.relief_knot_import(filepath=path) == {"FINISHED"}
    other = bpy.context.object
    assert other != knot and other.name == "brooch"
    assert other.relief_knot.text == knot.relief_knot.text
    assert len(other.data.vertices) == len(knot.data.vertices)


def test_an_imported_design_can_replace_the_active_one(knot, tmp_path):
    path = tmp_path / "small.interlace.json"
    path.write_text('{"interlace": 1, "layout": {"grid": [2, 3], "cell": 10}}')
    assert bpy.ops.mesh.relief_knot_import(filepath=str(path), replace=True) == {"FINISHED"}
    assert bpy.context.object == knot and len(bpy.data.objects) == 1
    assert (knot.relief_knot.columns, knot.relief_knot.rows) == (2, 3)
    assert store.report_of(knot)["facts"]["crossings"] == 7


@pytest.mark.parametrize("words", BAD.values(), ids=BAD)
def test_a_bad_file_is_refused_in_the_cores_words_and_the_knot_stays(knot, words, tmp_path):
    path = tmp_path / "bad.interlace.json"
    path.write_text(words)
    with pytest.raises(DesignError) as refused:
        read_file(str(path))
    text, count = knot.relief_knot.text, len(knot.data.vertices)
    with pytest.raises(RuntimeError, match="bad.interlace.json"):  # how a report of an error reaches a script
        bpy.ops.mesh.relief_knot_import(filepath=str(path), replace=True)
    assert bpy.context.window_manager.relief_knot.notice == str(refused.value)
    assert (knot.relief_knot.text, len(knot.data.vertices), len(bpy.data.objects)) == (text, count, 1)


def test_a_file_that_is_not_there_is_said_to_be_missing_until_one_is_opened(tmp_path):
    with pytest.raises(RuntimeError, match="nowhere"):
        bpy.ops.mesh.relief_knot_import(filepath=str(tmp_path / "nowhere.interlace.json"))
    assert "nowhere" in bpy.context.window_manager.relief_knot.notice and not bpy.data.objects
    path = tmp_path / "here.interlace.json"
    path.write_text('{"interlace": 1, "layout": {"grid": [2, 2], "cell": 10}}')
    bpy.ops.mesh.relief_knot_import(filepath=str(path))
    assert not bpy.context.window_manager.relief_knot.notice


def read_stl(path):
    """Corners of a binary STL, (triangles, 3, 3)."""
    data = path.read_bytes()
    (count,) = struct.unpack_from("<I", data, 80)
    assert len(data) == 84 + 50 * count
    kind = np.dtype([("normal", "<3f4"), ("corners", "<9f4"), ("more", "<u2")])
    return np.frombuffer(data, kind, count, 84)["corners"].reshape(-1, 3, 3)


@pytest.mark.parametrize("scale", [1.0, 0.001])
def test_meshes_leave_in_millimetres_whatever_the_scene(scale, tmp_path):
    bpy.context.scene.unit_settings.scale_length = scale
    bpy.ops.mesh.relief_knot_add(purpose="PENDANT")
    bpy.context.object.scale = (3, 3, 3)
    mesh = make(store.design_of(bpy.context.object)).mesh
    for kind in ("STL", "PLY", "OBJ"):
        path = tmp_path / f"pendant.{kind.lower()}"
        assert bpy.ops.mesh.relief_knot_export_mesh(filepath=str(path), format=kind) == {"FINISHED"}
        assert path.stat().st_size > 1000
    found = read_stl(tmp_path / "pendant.stl").reshape(-1, 3)
    assert np.allclose(found.min(axis=0), mesh.vertices.min(axis=0), atol=1e-4)
    assert np.allclose(found.max(axis=0), mesh.vertices.max(axis=0), atol=1e-4)


def test_where_strands_cannot_be_united_the_export_says_so(knot, tmp_path, capfd, monkeypatch):
    def fails(*_):
        raise unite.NotUnited("no union")

    monkeypatch.setitem(sys.modules, "manifold3d", None)
    monkeypatch.setattr(unite, "unite", fails)
    bpy.ops.mesh.relief_knot_export_mesh(filepath=str(tmp_path / "overlapping.stl"), format="STL")
    assert "not united" in capfd.readouterr().out
    mesh = make(store.design_of(knot)).mesh
    assert len(read_stl(tmp_path / "overlapping.stl")) == 2 * len(mesh.quads) + len(mesh.triangles)


@pytest.mark.parametrize("way", ["FUSED", "CARVED"])
def test_strands_are_united_by_blenders_own_boolean(tmp_path, monkeypatch, way):
    monkeypatch.setitem(sys.modules, "manifold3d", None)
    heights = Heights(Making[way], step=0.6)
    knot = new_knot(bpy.context, Design(Grid(2, 2, 7.0, 7.0), strand=Strand(3.0, 1.8), heights=heights), "Small")
    before = {kind: len(getattr(bpy.data, kind)) for kind in ("objects", "meshes")}
    for name, united in (("overlapping", False), ("united", True)):
        bpy.ops.mesh.relief_knot_export_mesh(filepath=str(tmp_path / f"{name}.stl"), format="STL", unite=united)
    assert {kind: len(getattr(bpy.data, kind)) for kind in before} == before
    overlapping, united = (read_stl(tmp_path / f"{name}.stl") for name in ("overlapping", "united"))
    assert 0.5 * signed_volume(overlapping) < signed_volume(united) < signed_volume(overlapping)
    assert edges_used_otherwise_than_once_each_way(united) == 0 and bodies(united) == 1
    for axis in (0, 1):
        assert np.allclose(np.ptp(overlapping[..., axis]), np.ptp(united[..., axis]), atol=0.01)
    assert knot.relief_knot.error == ""


def numbered(corners):
    """Triangles of numbered vertices, vertices at one place being one."""
    _, number = np.unique(corners.reshape(-1, 3), axis=0, return_inverse=True)
    return np.asarray(number).reshape(-1, 3)


def edges_used_otherwise_than_once_each_way(corners):
    """Directed edges that have no single partner the other way."""
    faces = numbered(corners)
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    one, count = np.unique(edges, axis=0, return_counts=True)
    there = {tuple(edge) for edge in one.tolist()}
    return int((count > 1).sum()) + sum((b, a) not in there for a, b in there)


def bodies(corners):
    """How many parts hang together."""
    import networkx

    faces = numbered(corners)
    graph = networkx.Graph()
    graph.add_edges_from(faces[:, :2].tolist() + faces[:, 1:].tolist())
    return networkx.number_connected_components(graph)


def test_strands_are_united_by_manifold3d_where_that_is_installed(knot, tmp_path):
    pytest.importorskip("manifold3d")
    for name, together in (("overlapping", False), ("united", True)):
        bpy.ops.mesh.relief_knot_export_mesh(filepath=str(tmp_path / f"{name}.stl"), format="STL", unite=together)
    overlapping, united = (signed_volume(read_stl(tmp_path / f"{name}.stl")) for name in ("overlapping", "united"))
    assert 0 < united < overlapping, "what two strands share is counted once"


def signed_volume(corners):
    """Enclosed volume of triangles, mm3."""
    a, b, c = np.moveaxis(corners.astype(float), 1, 0)
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def test_an_impossible_design_is_not_exported_and_says_why(knot, tmp_path):
    knot.relief_knot.width = 0.05
    for export in (bpy.ops.mesh.relief_knot_export, bpy.ops.mesh.relief_knot_export_mesh):
        with pytest.raises(RuntimeError, match="leaves no background"):
            export(filepath=str(tmp_path / "none.stl"))
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written_is_named(knot, tmp_path):
    with pytest.raises(RuntimeError, match="cannot be written"):
        bpy.ops.mesh.relief_knot_export_mesh(filepath=str(tmp_path / "no" / "folder.stl"))
    assert "choose another place" in bpy.context.window_manager.relief_knot.notice


def test_a_board_whose_strands_unite_only_when_sampled_anew_is_united_all_the_same():
    if unite.is_slow():
        pytest.skip("the solver of Blender before 4.5 takes minutes for it")
    board = core.starters.STARTERS[core.starters.Purpose.BOARD]
    for line, site in ((core.editing.Line.HORIZONTAL, (7, 4)), (core.editing.Line.VERTICAL, (9, 6))):
        board = core.editing.set_break(board, core.design.Site(*site), line).design
    made = core.made.make(board, prove=0)
    assert made.facts["crossings"] == 61
    united = core.made.solid(made, unite.tool())
    corners = united.vertices[core.mesh.all_triangles(united)]
    assert edges_used_otherwise_than_once_each_way(corners) == 0 and bodies(corners) == 1
