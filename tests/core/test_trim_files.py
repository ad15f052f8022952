"""What is written of a trim kit: its maps, its tangents, its uv for light, its files."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh
from numpy.testing import assert_allclose, assert_array_equal

from knotgeom.errors import DesignError
from knotgeom.files import together
from knotgeom.trims.bakes import bake
from knotgeom.trims.finishing import finished
from knotgeom.trims.folder import files_of, glb, write_kit
from knotgeom.trims.kit import Kit, Port, TrimMesh
from knotgeom.trims.options import Green, Textures
from knotgeom.trims.preview import assembled
from knotgeom.trims.scene import encode_glb
from knotgeom.trims.sharing import pasted, share
from knotgeom.trims.sheet import laid
from knotgeom.trims.splitting import split, turned
from knotgeom.trims.tangents import seam_tangents, set_tangents
from knotgeom.trims.turning import arm_card, hulls
from knotgeom.trims.unwrap import MARGIN
from tests.core.gltf import array, found_by_the_validator, read
from tests.core.trim_bars import HEIGHT, PERIOD, bar_kit, bars


@pytest.fixture(scope="module")
def kit() -> Kit:
    return bar_kit()


def every_mesh(kit: Kit):
    return [(piece, level.mesh) for piece in kit.pieces for level in piece.levels]


def test_trims_that_share_a_sheet_have_their_own_maps_on_it_and_one_file(tmp_path):
    textures = Textures(size=256, padding=8)
    shared = share({"door": bar_kit(textures, (90.0,)), "belt": bar_kit(textures, ())})
    whole, kits = shared.whole, shared.kits
    assert [piece.name for piece in whole.pieces][:1] + [piece.name for piece in whole.pieces][-1:] == [
        "door-straight",
        "belt-cap-ahead",
    ]
    alone = [bake(kit) for kit in kits]
    maps = pasted([kit.sheet for kit in kits], alone)
    for kit, own in zip(kits, alone):
        for block in kit.sheet.blocks:
            left, bottom, right, top = block.texels
            part = slice(whole.sheet.height - top, whole.sheet.height - bottom), slice(left, right)
            for name, pixels in maps.items():
                assert_array_equal(pixels[part], own[name][part])
            assert maps["cover"][part].max() == 255
    write_kit(tmp_path / "both", whole, maps, shown=kits, pixels=400)
    assert found_by_the_validator(tmp_path / "both" / "kit.glb") == []
    other = replace(kits[1].design.make.trim, textures=Textures(size=512))
    strange = replace(kits[1], design=replace(kits[1].design, make=replace(kits[1].design.make, trim=other)))
    with pytest.raises(DesignError, match="belt asks for another sheet than door"):
        share({"door": kits[0], "belt": strange})


# ------------------------------------------------------------------------------------------------------- tangents


def test_tangents_at_seams_are_the_same_to_the_bit_in_every_piece_turned_onto_any_other(kit):
    for level in range(3):
        seen = []
        for piece in kit.pieces:
            mesh = piece.levels[level].mesh
            for port, seam in zip(piece.ports, mesh.seam):
                seen.append(turned(mesh.tangents[seam], -(port.heading if port.ahead else port.heading + 180)))
        assert len(seen) == 10
        for one in seen[1:]:
            assert_array_equal(one, seen[0])


def test_every_tangent_is_a_unit_vector_square_to_its_normal(kit):
    for _, mesh in every_mesh(kit):
        assert_allclose(np.linalg.norm(mesh.tangents[:, :3], axis=1), 1, atol=1e-12)
        assert_allclose(np.einsum("ij,ij->i", mesh.tangents[:, :3], mesh.normals), 0, atol=1e-9)


def test_at_a_seam_tangents_are_those_of_a_longer_run_that_goes_on_there(kit):
    piece = kit.pieces[0]
    straight = piece.levels[1].mesh
    x = np.linspace(0, 2 * PERIOD, 17)
    wave = 1.5 * (1 - np.cos(2 * np.pi * x / PERIOD)), 3 * np.pi / PERIOD * np.sin(2 * np.pi * x / PERIOD)
    double = bars(np.stack([x, 0 * x, 0 * x, *wave], 1), 2)
    double = set_tangents(laid(double, piece, kit.sheet))
    middle = np.flatnonzero(np.abs(double.positions[:, 0] - PERIOD) < 1e-9)
    order = np.argsort(double.positions[middle, 1])
    own = straight.seam[0][np.argsort(straight.positions[straight.seam[0], 1])]
    assert_allclose(straight.positions[own, 1:], double.positions[middle[order], 1:], atol=1e-9)
    assert_allclose(straight.tangents[own], double.tangents[middle[order]], atol=1e-6)
    assert_allclose(seam_tangents(straight), straight.tangents[straight.seam[0]], atol=1e-12)


def _patch(uv: list[list[float]]) -> TrimMesh:
    """Two triangles side by side in the plane."""
    v = 4
    return TrimMesh(
        positions=np.array([[0, 0, 0], [2, 0, 0], [2, 1, 0], [0, 1, 0]], float),
        normals=np.tile([0.0, 0, 1], (v, 1)),
        triangles=np.array([[0, 1, 2], [0, 2, 3]], np.int32),
        strand=np.zeros(v, np.int32),
        along=np.zeros(v),
        across=np.zeros(v),
        seam=(),
        patch=np.zeros(2, np.int32),
        uv=np.array(uv, np.float32),
        light_uv=np.zeros((v, 2), np.float32),
        tangents=np.zeros((v, 4)),
    )


def test_tangents_of_a_plane_follow_its_uv_in_closed_form():
    half = np.sqrt(0.5)
    assert_allclose(set_tangents(_patch([[0, 0], [2, 0], [2, 1], [0, 1]])).tangents, [[1, 0, 0, 1]] * 4)
    assert_allclose(set_tangents(_patch([[0, 0], [-2, 0], [-2, 1], [0, 1]])).tangents, [[-1, 0, 0, -1]] * 4)
    # u grows with x + y
    sheared = set_tangents(_patch([[0, 0], [1, -1], [1.5, -0.5], [0.5, 0.5]])).tangents
    assert_allclose(sheared, [[half, half, 0, 1]] * 4, atol=1e-7)
    # without extent on the sheet: along the run, of unit length
    assert_allclose(set_tangents(_patch([[0, 0]] * 4)).tangents, [[1, 0, 0, 1]] * 4)


def test_where_uv_turn_over_vertices_are_split_and_each_side_keeps_its_sign():
    mesh = set_tangents(_patch([[0, 0], [2, 0], [2, 1], [1.5, 0.2]]))
    assert len(mesh.positions) == 6
    signs = mesh.tangents[:, 3][mesh.triangles]
    assert_array_equal(signs, [[1, 1, 1], [-1, -1, -1]])
    assert_array_equal(split(mesh, np.zeros(2, int)).triangles, mesh.triangles)


# --------------------------------------------------------------------------------------------------- cards and hulls


def _strip(*lines: list[tuple[float, float]]) -> shapely.Geometry:
    """What strips about middle lines cover, by shapely."""
    return shapely.union_all(
        [shapely.LineString(line).buffer(HEIGHT / 2, cap_style="flat", join_style="mitre") for line in lines]
    )


@pytest.mark.parametrize(
    ("ports", "lines"),
    [
        ([((0, 0), 180, False), ((100, 100), 90, True)], [[(0, 0), (100, 0), (100, 100)]]),
        ([((0, 0), 180, False), ((100, -100), 270, True)], [[(0, 0), (100, 0), (100, -100)]]),
        (
            [((0, 0), 180, False), ((100 + 80 * np.cos(np.pi / 3), 80 * np.sin(np.pi / 3)), 60, True)],
            [[(0, 0), (100, 0), (100 + 80 * np.cos(np.pi / 3), 80 * np.sin(np.pi / 3))]],
        ),
        (
            [((0, 0), 180, False), ((200, 0), 0, True), ((100, 90), 90, True)],
            [[(0, 0), (200, 0)], [(100, 0), (100, 90)]],
        ),
        (
            [((0, 0), 180, False), ((200, 0), 0, True), ((100, 90), 90, True), ((100, -90), 270, False)],
            [[(0, 0), (200, 0)], [(100, -90), (100, 90)]],
        ),
    ],
)
def test_the_card_of_a_piece_that_turns_or_branches_covers_its_strips_and_nothing_else_once(kit, ports, lines):
    given = [Port(*one) for one in ports]
    card = arm_card(kit.pieces[0].levels[-1].mesh, given, -HEIGHT / 2, HEIGHT / 2)
    faces = shapely.polygons(card.positions[card.triangles][..., :2])
    assert np.cross(*np.diff(card.positions[card.triangles], axis=1).transpose(1, 0, 2))[:, 2].min() > 0
    whole = _strip(*lines)
    assert shapely.area(faces).sum() == pytest.approx(whole.area, rel=1e-9)
    assert shapely.union_all(faces).symmetric_difference(whole).area < 1e-6


def test_hulls_are_convex_closed_and_hold_every_vertex_without_filling_the_inside_of_a_corner(kit):
    for piece in kit.pieces:
        parts = [trimesh.Trimesh(*one) for one in hulls(piece)]
        assert all(one.is_watertight and one.is_convex and one.volume > 0 for one in parts)
        inside = np.zeros(len(piece.fine.positions), bool)
        for one in parts:
            away = np.einsum("vfk,fk->vf", piece.fine.positions[:, None] - one.triangles[:, 0], one.face_normals)
            inside |= away.max(1) < 1e-6
        assert inside.all()
        assert len(parts) == (2 if piece.name.startswith("corner") else 1)


# ---------------------------------------------------------------------------------------------------- baked light


def test_nothing_lies_twice_on_the_sheet_of_baked_light_and_patches_keep_their_distance_and_proportions(kit):
    for _, mesh in every_mesh(kit):
        corners = mesh.light_uv[mesh.triangles].astype(float)
        faces = shapely.polygons(corners)
        areas = shapely.area(faces)
        assert areas.min() > 0
        patches = [shapely.union_all(faces[mesh.patch == k], grid_size=1e-9) for k in np.unique(mesh.patch)]
        assert sum(one.area for one in patches) == pytest.approx(areas.sum(), rel=1e-4)
        for one, other in itertools.combinations(patches, 2):
            assert one.distance(other) >= 0.999 * MARGIN
        assert corners.min() >= 0.999 * MARGIN and corners.max() <= 1 - 0.999 * MARGIN
        # one scale for all: as long on the sheet as along and across the strand
        real = np.stack([mesh.along, mesh.across], 1)[mesh.triangles]
        for a, b in ((0, 1), (1, 2)):
            ratio = np.linalg.norm(corners[:, b] - corners[:, a], axis=1) / np.linalg.norm(
                real[:, b] - real[:, a], axis=1
            )
            assert_allclose(ratio, np.median(ratio), rtol=2e-3)


# -------------------------------------------------------------------------------------------------------- the files


def _flat(colour: tuple[int, ...] | int) -> np.ndarray:
    """A picture as large as the kit's sheet."""
    return np.tile(np.array(colour, np.uint8), (2048, 1024, 1) if isinstance(colour, tuple) else (2048, 1024))


MAPS = {
    "normal-lod0": _flat((128, 100, 255)),
    "packed": _flat((255, 200, 0)),
    "normal": _flat((128, 128, 255)),
    "cover": _flat(255),
    "height": np.arange(2048 * 1024).reshape(2048, 1024).astype(np.uint16),
}


def test_a_kit_is_written_whole_and_khronos_validator_finds_nothing_in_it(kit, tmp_path):
    folder = tmp_path / "kit"
    found = write_kit(folder, kit, MAPS, obj=True, pixels=600)
    names = [*(f"{name}.png" for name in MAPS), "kit.glb", "kit.obj", "preview.png", "report.json"]
    assert sorted(path.name for path in folder.iterdir()) == sorted(found["files"]) == sorted(names)
    assert json.loads((folder / "report.json").read_text(encoding="utf-8")) == found
    assert found_by_the_validator(folder / "kit.glb") == []
    bare = tmp_path / "bare.glb"
    bare.write_bytes(b"".join(encode_glb(kit)))
    assert found_by_the_validator(bare) == []


def test_the_glb_alone_is_the_one_in_the_folder(kit, tmp_path):
    maps = {"cover": np.full((kit.sheet.height, kit.sheet.width), 200, np.uint8)}
    bodies = {one.name: hulls(one) for one in kit.pieces}
    write_kit(tmp_path / "kit", kit, maps, hulls=bodies)
    assert b"".join(glb(kit, maps, bodies)) == (tmp_path / "kit" / "kit.glb").read_bytes()


def test_trimesh_reads_every_piece_and_level_as_it_is_from_glb_and_obj(kit, tmp_path):
    write_kit(tmp_path / "kit", kit, obj=True, pixels=400)
    scene = trimesh.load(tmp_path / "kit" / "kit.glb", process=False)
    names = [f"{piece.name}_LOD{number}" for piece in kit.pieces for number in range(len(piece.levels))]
    assert list(scene.geometry) == names
    for piece in kit.pieces:
        for number, level in enumerate(piece.levels):
            name, mesh = f"{piece.name}_LOD{number}", level.mesh
            one = scene.geometry[name]
            assert (len(one.vertices), len(one.faces)) == (len(mesh.positions), len(mesh.triangles))
            # x, z and -y, in metres
            assert_allclose(one.vertices * 1000, mesh.positions[:, [0, 2, 1]] * [1, 1, -1], atol=2e-5)
            assert_allclose(one.visual.uv, mesh.uv, atol=1e-6)
            assert_allclose(one.vertex_normals, mesh.normals[:, [0, 2, 1]] * [1, 1, -1], atol=1e-6)
            assert_allclose(np.asarray(one.vertex_attributes["_STRAND"]).ravel(), mesh.strand)
    # of an OBJ file's objects trimesh makes one
    loose = trimesh.load(tmp_path / "kit" / "kit.obj", process=False)
    whole = [scene.geometry[name].copy().apply_transform(scene.graph.get(name)[0]) for name in names]
    assert_allclose(loose.vertices, np.concatenate([one.vertices for one in whole]), atol=2e-6)
    assert_allclose(loose.visual.uv, np.concatenate([one.visual.uv for one in whole]), atol=1e-6)
    assert len(loose.faces) == sum(len(one.faces) for one in whole)


def test_baked_normals_stand_in_the_glb_with_green_up_whatever_way_the_files_have_it(kit, tmp_path):
    import io

    from PIL import Image

    textures = replace(kit.design.make.trim.textures, green=Green.DIRECTX)
    trim = replace(kit.design.make.trim, textures=textures)
    other = replace(kit, design=replace(kit.design, make=replace(kit.design.make, trim=trim)))
    deep = {**MAPS, "normal-lod0": MAPS["normal-lod0"].astype(np.uint16) * 257}
    for one, maps, green in ((kit, MAPS, 100), (other, deep, 155)):
        write_kit(tmp_path / str(green), one, maps, pixels=400)
        root, binary = read(tmp_path / str(green) / "kit.glb")
        material = root["materials"][0]
        image = root["images"][root["textures"][material["normalTexture"]["index"]]["source"]]
        view = root["bufferViews"][image["bufferView"]]
        content = binary[view["byteOffset"] : view["byteOffset"] + view["byteLength"]]
        assert Image.open(io.BytesIO(content)).getpixel((5, 5)) == (128, green, 255)
        assert root["images"][material["occlusionTexture"]["index"]]["name"] == "packed"
        assert "TANGENT" in root["meshes"][0]["primitives"][0]["attributes"]


def test_hulls_stand_beside_their_pieces_under_names_that_sort(kit, tmp_path):
    box = trimesh.creation.box((10, 10, 10))
    path = tmp_path / "kit.glb"
    path.write_bytes(b"".join(encode_glb(kit, hulls={"straight": [(np.array(box.vertices), np.array(box.faces))]})))
    assert found_by_the_validator(path) == []
    root, binary = read(path)
    nodes = {node["name"]: node for node in root["nodes"]}
    hull = nodes["straight_hull"]
    assert hull["translation"] == nodes["straight_LOD0"]["translation"] and hull["extras"]["hull"] is True
    part = root["meshes"][hull["mesh"]]["primitives"][0]
    assert_allclose(array(root, binary, part["attributes"]["POSITION"]).max(0), 0.005)


def test_the_same_kit_gives_the_same_bytes(kit, tmp_path):
    for name in ("a", "b"):
        write_kit(tmp_path / name, kit, MAPS, obj=True, pixels=400)
    for name in files_of(MAPS, obj=True):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_what_is_there_is_kept_unless_it_may_be_replaced_and_a_failure_leaves_all_as_it_was(kit, tmp_path, monkeypatch):
    folder = tmp_path / "kit"
    folder.mkdir()
    (folder / "kit.glb").write_text("mine")
    (folder / "notes.txt").write_text("mine too")
    with pytest.raises(DesignError, match="--replace"):
        write_kit(folder, kit, pixels=400)
    moved = together.os.replace

    def failing(source, target):
        if str(target).endswith("report.json"):
            raise OSError(28, "No space left on device")
        return moved(source, target)

    monkeypatch.setattr(together.os, "replace", failing)
    with pytest.raises(OSError, match="No space"):
        write_kit(folder, kit, pixels=400, replace=True)
    monkeypatch.undo()
    assert {path.name: path.read_text() for path in folder.iterdir()} == {"kit.glb": "mine", "notes.txt": "mine too"}
    write_kit(folder, kit, pixels=400, replace=True)
    assert (folder / "kit.glb").read_bytes()[:4] == b"glTF" and (folder / "notes.txt").read_text() == "mine too"


def test_the_preview_has_a_frame_whose_strands_run_on_through_all_joints(kit):
    parts = assembled(kit)
    # two bars go round side by side, so there are two strands in all
    assert {int(k) for mesh in parts for k in np.unique(mesh.strand)} == {0, 1}
    wide, high = np.ptp(np.concatenate([mesh.positions for mesh in parts])[:, :2], axis=0)
    assert 1.3 < wide / high < 3


def test_finishing_pieces_twice_changes_nothing(kit):
    again, sheet = finished(kit.pieces, kit.design.make.trim.textures, PERIOD, HEIGHT)
    assert sheet == kit.sheet
    for one, other in zip(kit.pieces, again):
        for a, b in zip(one.levels, other.levels):
            for name in ("positions", "uv", "light_uv", "tangents", "triangles"):
                assert_array_equal(getattr(a.mesh, name), getattr(b.mesh, name))
