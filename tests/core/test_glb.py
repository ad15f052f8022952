"""GLB files: what is given stands in them in metres, y up, and Khronos's validator finds nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from numpy.testing import assert_allclose, assert_array_equal

from knotgeom.files import png16
from knotgeom.files.glb import Material, Node, Surface, encode
from tests.core.gltf import array, found_by_the_validator, read


def _box(sides=(30.0, 20.0, 10.0)) -> Surface:
    """A box from the origin, one vertex a corner of each face, its uv the place in its face."""
    positions, normals, tangents, uv, triangles = [], [], [], [], []
    for axis in range(3):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        for end in (0, 1):
            for a, b in ((0, 0), (1, 0), (1, 1), (0, 1)):
                point = np.zeros(3)
                point[[axis, u, v]] = end, a, b
                positions.append(point * sides)
                normals.append(np.eye(3)[axis] * (2 * end - 1))
                tangents.append([*np.eye(3)[u], 2 * end - 1])
                uv.append((a, b))
            k = len(positions) - 4
            faces = [(k, k + 1, k + 2), (k, k + 2, k + 3)]
            triangles += faces if end else [face[::-1] for face in faces]
    return Surface(
        np.array(positions),
        np.array(triangles),
        np.array(normals),
        np.array(tangents),
        (np.array(uv, float), np.array(uv, float) / 2),
        {"strand": np.arange(24) // 4, "along": np.linspace(0, 1, 24)},
        0,
    )


def _picture(colour=(128, 128, 255)) -> bytes:
    return b"".join(png16.encode(np.full((64, 64, 3), colour, np.uint8), {}))


BAKED = (Material("stone", (0.5, 0.4, 0.3), 0.8, 0.1, normal=0, packed=1), Material("card", cutoff=0.5, base=2))
IMAGES = (("normal", _picture()), ("packed", _picture((255, 200, 0))), ("base", _picture((200, 180, 150))))


def _write(path, *args, **more):
    path.write_bytes(b"".join(encode(*args, **more)))
    return path


def test_the_validator_finds_nothing_in_baked_and_unbaked_scenes_of_short_and_long_indices(tmp_path):
    box = _box()
    many = 66_000  # vertices, more than 16 bits count
    rng = np.random.default_rng(1)
    up = np.tile([0.0, 0, 1], (many, 1))
    large = Surface(rng.uniform(-50, 50, (many, 3)), np.arange(many).reshape(-1, 3), up, material=-1)
    nodes = [Node("a_LOD0", box, facts={"level": 0}), Node("a_LOD1", box, (10, -20, 5.5)), Node("b", large)]
    assert found_by_the_validator(_write(tmp_path / "bare.glb", nodes, [Material("stone")])) == []
    card = replace(box, material=1)
    baked = [*nodes, Node("card", card)]
    assert found_by_the_validator(_write(tmp_path / "baked.glb", baked, BAKED, IMAGES, facts={"per_mm": 2})) == []


def test_the_validator_would_find_a_wrong_file(tmp_path):
    box = _box()
    path = _write(tmp_path / "right.glb", [Node("box", box)], [Material("stone")])
    data = bytearray(path.read_bytes())
    root, _ = read(path)
    start = len(data) - root["buffers"][0]["byteLength"]
    normal = root["bufferViews"][root["accessors"][1]["bufferView"]]
    data[start + normal["byteOffset"] : start + normal["byteOffset"] + 12] = np.array([3, 0, 0], "<f4").tobytes()
    wrong = tmp_path / "wrong.glb"
    wrong.write_bytes(bytes(data))
    assert [one[:2] for one in found_by_the_validator(wrong)] == [("error", "ACCESSOR_VECTOR3_NON_UNIT")]


def test_what_is_given_in_mm_with_z_up_stands_there_in_metres_with_y_up(tmp_path):
    box = _box()
    path = _write(tmp_path / "box.glb", [Node("box", box, (1000.0, 2000.0, 3000.0))], [Material("stone")])
    root, binary = read(path)
    part = root["meshes"][0]["primitives"][0]["attributes"]
    rows = {name: array(root, binary, number).astype(float) for name, number in part.items()}
    # x stays, up becomes y, ahead becomes -z (glTF 2.0, 3.4: y up, z forward, right-handed)
    assert_allclose(rows["POSITION"] * 1000, box.positions @ [[1, 0, 0], [0, 0, -1], [0, 1, 0]], atol=1e-6)
    assert_allclose(rows["NORMAL"], box.normals @ [[1, 0, 0], [0, 0, -1], [0, 1, 0]], atol=1e-7)
    assert_allclose(rows["TANGENT"][:, 3], box.tangents[:, 3])
    # the first row of a picture is at v = 0 (glTF 2.0, 3.8.3)
    assert_allclose(rows["TEXCOORD_0"], box.uvs[0] * [1, -1] + [0, 1], atol=1e-7)
    assert_allclose(rows["TEXCOORD_1"], box.uvs[1] * [1, -1] + [0, 1], atol=1e-7)
    assert_allclose(rows["_STRAND"], box.own["strand"])
    assert root["nodes"][0]["translation"] == [1.0, 3.0, -2.0]


def test_trimesh_reads_names_counts_sizes_uvs_and_a_volume_that_is_the_boxs(tmp_path):
    box = _box()
    path = _write(tmp_path / "box.glb", [Node("one", box), Node("two", box, (50, 0, 0))], [Material("stone")])
    scene = trimesh.load(path, process=False)
    assert sorted(scene.geometry) == ["one", "two"]
    one = scene.geometry["one"]
    assert (len(one.vertices), len(one.faces)) == (24, 12)
    assert_allclose(one.extents * 1000, (30, 10, 20), atol=1e-5)
    merged = one.copy()
    merged.merge_vertices(merge_tex=True, merge_norm=True)
    assert merged.is_watertight and merged.volume * 1e9 == pytest.approx(6000, rel=1e-5)
    assert_allclose(one.visual.uv, box.uvs[0], atol=1e-7)
    assert_allclose(scene.bounds[:, 0] * 1000, (0, 80), atol=1e-5)


def test_the_same_scene_gives_the_same_bytes_whatever_the_sign_of_its_zeros(tmp_path):
    box = _box()
    other = replace(box, normals=np.where(box.normals == 0, -0.0, box.normals))
    first = b"".join(encode([Node("box", box)], BAKED, IMAGES))
    assert first == b"".join(encode([Node("box", other)], BAKED, IMAGES))
    assert_array_equal(len(first) % 4, 0)


@pytest.mark.parametrize("wrong", [np.nan, np.inf])
def test_what_no_reader_could_take_is_refused(wrong):
    box = _box()
    broken = box.positions.copy()
    broken[3, 1] = wrong
    with pytest.raises(ValueError, match="finite"):
        encode([Node("box", replace(box, positions=broken))])
    with pytest.raises(ValueError, match="length"):
        encode([Node("box", replace(box, normals=0 * box.normals))])
    with pytest.raises(ValueError, match="one name"):
        encode([Node("box", box), Node("box", box)])
