"""Trim kits in Blender: tangents as its own MikkTSpace finds them, and kit.glb as its own importer reads it."""

from __future__ import annotations

import bpy
import numpy as np
import pytest
from numpy.testing import assert_allclose

from knotgeom.trims.options import Textures
from knotgeom.trims.scene import encode_glb, encode_obj
from tests.core.trim_bars import bar_kit
from tests.core.trim_tubes import woven_kit


@pytest.fixture(scope="module")
def kit():
    return bar_kit(Textures(size=512))


def read(items, name, wide):
    values = np.zeros(len(items) * wide)
    items.foreach_get(name, values)
    return values.reshape(-1, wide)


def upright(mesh):
    """Corners at vertices of faces nearly upright: of those the sheet shows next to nothing, and rounding decides."""
    corners = mesh.positions[mesh.triangles]
    square = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    steep = np.abs(square[:, 2]) < 0.15 * np.linalg.norm(square, axis=1)
    return np.isin(mesh.triangles.ravel(), mesh.triangles[steep])


@pytest.mark.parametrize("kind", ["bars", "woven"])
def test_tangents_are_those_of_blenders_own_mikktspace(kit, kind):
    for piece in kit.pieces if kind == "bars" else woven_kit().pieces:
        for number, level in enumerate(piece.levels):
            mesh = level.mesh
            corners = mesh.triangles.ravel()
            own = bpy.data.meshes.new("piece")
            own.from_pydata(mesh.positions.tolist(), [], mesh.triangles.tolist(), shade_flat=False)
            own.uv_layers.new(name="sheet").data.foreach_set("uv", mesh.uv[corners].ravel())
            own.normals_split_custom_set(mesh.normals[corners].tolist())
            own.calc_tangents(uvmap="sheet")
            tangents, normals = read(own.loops, "tangent", 3), read(own.loops, "normal", 3)
            # Blender keeps normals as two 16-bit angles about its own; where those give out it cannot be compared
            same = np.abs(normals - mesh.normals[corners]).max(1) < 2e-3
            assert same.mean() > 0.999
            # at seams our neighbour counts, of which this mesh knows nothing
            within = same & ~np.isin(corners, np.concatenate(mesh.seam)) & ~upright(mesh)
            off = np.abs(tangents - mesh.tangents[corners, :3]).max(1)[within]
            # the woven corner folds at one place, with faces that look away from their normals
            assert (off > 3e-3).sum() <= (1 if (kind, piece.name) == ("woven", "corner-inner-090") else 0)
            assert_allclose(read(own.loops, "bitangent_sign", 1)[within, 0], mesh.tangents[corners[within], 3])
            if number == 0:
                assert within.mean() > 0.6


def test_blender_reads_every_piece_and_level_where_it_is_with_its_uv_normals_and_attributes(kit, tmp_path):
    bpy.ops.preferences.addon_enable(module="io_scene_gltf2")
    path = tmp_path / "kit.glb"
    path.write_bytes(b"".join(encode_glb(kit)))
    bpy.ops.import_scene.gltf(filepath=str(path), merge_vertices=False)
    for piece in kit.pieces:
        for number, level in enumerate(piece.levels):
            given, obj = level.mesh, bpy.data.objects[f"{piece.name}_LOD{number}"]
            mesh = obj.data
            assert (len(mesh.vertices), len(mesh.polygons)) == (len(given.positions), len(given.triangles))
            assert_allclose(read(mesh.vertices, "co", 3) * 1000, given.positions, atol=2e-5)
            corners = np.zeros(len(mesh.loops), int)
            mesh.loops.foreach_get("vertex_index", corners)
            assert_allclose(read(mesh.uv_layers[0].data, "uv", 2), given.uv[corners], atol=1e-6)
            assert_allclose(read(mesh.uv_layers[1].data, "uv", 2), given.light_uv[corners], atol=1e-6)
            assert_allclose(read(mesh.loops, "normal", 3), given.normals[corners], atol=2e-3)
            assert_allclose(read(mesh.attributes["_STRAND"].data, "value", 1)[:, 0], given.strand)
            assert_allclose(read(mesh.attributes["_ALONG"].data, "value", 1)[:, 0] * 1000, given.along, atol=1e-4)
            assert obj["piece"] == piece.name and obj["level"] == number
            assert [port["heading_degrees"] for port in obj["ports"]] == [one.heading % 360 for one in piece.ports]
    # pieces stand apart, levels behind one another
    places = {tuple(round(v, 6) for v in obj.location) for obj in bpy.data.objects}
    assert len(places) == len(bpy.data.objects)


def test_blender_reads_the_same_objects_from_the_obj_file(kit, tmp_path):
    path = tmp_path / "kit.obj"
    path.write_bytes(b"".join(encode_obj(kit)))
    bpy.ops.wm.obj_import(filepath=str(path), forward_axis="NEGATIVE_Z", up_axis="Y")
    assert len(bpy.data.objects) == sum(len(piece.levels) for piece in kit.pieces)
    straight = bpy.data.objects["straight_LOD0"]
    mesh, given = straight.data, kit.pieces[0].levels[0].mesh
    assert (len(mesh.vertices), len(mesh.polygons)) == (len(given.positions), len(given.triangles))
    places = read(mesh.vertices, "co", 3) @ np.array(straight.matrix_world)[:3, :3].T * 1000
    assert_allclose(places - places.min(0), given.positions - given.positions.min(0), atol=2e-3)
    corners = np.zeros(len(mesh.loops), int)
    mesh.loops.foreach_get("vertex_index", corners)
    assert_allclose(read(mesh.uv_layers[0].data, "uv", 2), given.uv[corners], atol=1e-6)
