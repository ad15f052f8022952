"""What no reader could take is not written, and what no writer here would write is not read: 3MF, PLY, PNG, glTF."""

from __future__ import annotations

import json
import re
import struct
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh

from knotgeom.errors import DesignError
from knotgeom.files import png16, threemf
from knotgeom.files.glb import Node, Surface, encode
from knotgeom.files.incoming import read_mesh
from knotgeom.files.threemf import MODEL, Body, read_threemf, write_threemf
from tests.core.test_glb import _box
from tests.core.test_incoming import polygons, written
from tests.core.test_threemf import PICTURE, ball, ring

# ---------------------------------------------------------------------------------------------------- 3MF packages


def changed(folder: Path, part: str, old: str, new: str) -> Path:
    """A package written here with one part changed."""
    write_threemf(folder / "a.3mf", [Body(ball(), "ball")], thumbnail=PICTURE, metadata={"Description": "a ball"})
    with zipfile.ZipFile(folder / "a.3mf") as good, zipfile.ZipFile(folder / "b.3mf", "w") as bad:
        for name in good.namelist():
            data = good.read(name)
            assert name != part or old.encode() in data
            bad.writestr(name, data.replace(old.encode(), new.encode(), 1) if name == part else data)
    return folder / "b.3mf"


@pytest.mark.parametrize(
    ("part", "old", "new", "words"),
    [
        ("_rels/.rels", "<Relationship ", "<Other ", "a relationship that is none"),
        ("_rels/.rels", "/metadata/thumbnail", "/3D/3dmodel", "one model and at most one picture"),
        ("_rels/.rels", 'Target="/3D/', 'Target="/4D/', "is missing or of no known type"),
        ("[Content_Types].xml", "image/png", "image/gif", "of no known type"),
        (MODEL, "<model ", "<!DOCTYPE model><model ", "a document type"),
        (MODEL, "<resources>", "<build/><resources>", "in this order"),
        (MODEL, 'name="Description"', 'name="Recipe"', 'metadata "Recipe" unknown'),
        (MODEL, "</model>", "", "no sound 3MF file"),
        (MODEL, 'x="', 'x="broken', "no sound 3MF file"),
        (MODEL, "<triangles>", "<triangles/><triangles>", "no mesh of vertices and triangles"),
        (MODEL, "<triangle ", '<triangle v1="0" v2="0" v3="1"/><triangle ', "not closed"),
    ],
)
def test_a_package_with_a_part_that_is_not_as_the_standard_has_it_is_refused_by_name(
    tmp_path: Path, part: str, old: str, new: str, words: str
) -> None:
    # ISO/IEC 29500-2 (the packaging) and the 3MF Core Specification 1.3, from memory
    with pytest.raises(OSError, match=words) as refused:
        read_threemf(changed(tmp_path, part, old, new))
    assert "b.3mf" in str(refused.value) and "\n" not in str(refused.value)


def test_a_coordinate_that_is_no_number_is_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(changed(tmp_path, MODEL, "<vertex ", "<vertex ")) as package:
        model = package.read(MODEL).decode()
    first = re.search(r'x="([^"]*)"', model)
    assert first is not None
    with pytest.raises(OSError, match="with one that is not finite"):
        read_threemf(changed(tmp_path, MODEL, first[0], 'x="nan"'))


def test_a_model_without_an_item_builds_nothing(tmp_path: Path) -> None:
    with zipfile.ZipFile(changed(tmp_path, MODEL, "<build>", "<build>")) as package:
        model = package.read(MODEL).decode()
    item = model[model.index("<item") : model.index("</build>")]
    with pytest.raises(OSError, match="nothing is to be built"):
        read_threemf(changed(tmp_path, MODEL, item, ""))


def test_a_damaged_package_and_one_with_a_part_twice_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.3mf"
    write_threemf(path, [Body(ball(), "ball")])
    data = bytearray(path.read_bytes())
    with zipfile.ZipFile(path) as package:
        info = package.getinfo(MODEL)
    for at in range(info.header_offset + 120, info.header_offset + 140):
        data[at] ^= 0xFF
    (tmp_path / "damaged.3mf").write_bytes(data)
    with pytest.raises(OSError, match=r"damaged.3mf: (the part .* is damaged|no sound 3MF file)"):
        read_threemf(tmp_path / "damaged.3mf")
    (tmp_path / "text.3mf").write_text("no package")
    with pytest.raises(OSError, match="no sound 3MF file"):
        read_threemf(tmp_path / "text.3mf")
    with zipfile.ZipFile(path, "a") as package, pytest.warns(UserWarning, match="Duplicate"):
        package.writestr(MODEL, "again")
    with pytest.raises(OSError, match="a part stands twice"):
        read_threemf(path)


def test_a_stored_part_whose_sum_is_wrong_is_named(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.3mf", "w", zipfile.ZIP_STORED) as package:
        package.writestr(MODEL, "<model/>")
    data = (tmp_path / "a.3mf").read_bytes().replace(b"<model/>", b"<modem/>", 1)
    (tmp_path / "a.3mf").write_bytes(data)
    with pytest.raises(OSError, match=f"the part {MODEL} is damaged"):
        read_threemf(tmp_path / "a.3mf")


def test_bodies_and_pictures_that_are_none_are_not_written(tmp_path: Path) -> None:
    endless = replace(ball(), vertices=np.where(ball().vertices > 13, np.inf, ball().vertices))
    for bodies, thumbnail, words in (
        ([], None, "no body to write"),
        ([Body(ball(), "ball")], b"GIF89a", "no PNG"),
        ([Body(ring(), "ring"), Body(endless, "star")], None, 'the body "star" has vertices that are not finite'),
    ):
        with pytest.raises(DesignError, match=words):
            write_threemf(tmp_path / "a.3mf", bodies, thumbnail=thumbnail)
    assert not list(tmp_path.iterdir())


def test_a_file_that_does_not_read_back_as_it_was_written_gets_no_name(tmp_path: Path, monkeypatch) -> None:
    path = tmp_path / "a.3mf"
    write_threemf(path, [Body(ball(), "ball")])
    before = path.read_bytes()
    real = threemf.read_threemf

    def elsewhere(spare):
        read = real(spare)
        return replace(read, bodies=tuple(replace(body, vertices=body.vertices + 0.01) for body in read.bodies))

    monkeypatch.setattr(threemf, "read_threemf", elsewhere)
    with pytest.raises(OSError, match="does not read back"):
        write_threemf(path, [Body(ring(), "ring")])
    assert path.read_bytes() == before and [found.name for found in tmp_path.iterdir()] == ["a.3mf"]


# ------------------------------------------------------------------------------------------------ PLY that comes in

POINTS = b"element vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
FACES = b"element face 1\nproperty list uchar int vertex_indices\n"
ROWS = b"0 0 0\n1 0 0\n0 1 0\n3 0 1 2\n"


@pytest.mark.parametrize(
    ("data", "place", "words"),
    [
        (
            b"ply\nformat ascii 1.0\n" + POINTS + POINTS + FACES + b"end_header\n" + ROWS,
            "header",
            "two elements vertex",
        ),
        (b"ply\nformat ascii 1.0\nelement dust 4\n" + POINTS + FACES + b"end_header\n" + ROWS, "header", "no property"),
        (b"ply\n" + POINTS + FACES + b"end_header\n" + ROWS, "line 8", "names no format"),
        (polygons("").replace(b"list uchar int vertex", b"list float int vertex"), "line 13", "broken numbers"),
        (
            b"ply\nformat ascii 1.0\n" + b"comment again\n" * 1000 + POINTS + FACES + b"end_header\n",
            "line 1000",
            "1,000",
        ),
    ],
)
def test_a_header_that_says_nothing_or_the_same_twice_is_refused(
    tmp_path: Path, data: bytes, place: str, words: str
) -> None:
    with pytest.raises(DesignError) as refused:
        read_mesh(written(tmp_path, "a.ply", data))
    assert refused.value.place == place and words in refused.value.problem


def test_an_element_of_nothing_may_have_no_property(tmp_path: Path) -> None:
    data = b"ply\nformat ascii 1.0\nelement dust 0\n" + POINTS + FACES + b"end_header\n" + ROWS
    assert read_mesh(written(tmp_path, "a.ply", data))[1] == ((0, 1, 2),)


# --------------------------------------------------------------------------------------------------- PNG and glTF


@pytest.mark.parametrize(
    "pixels",
    [np.zeros((4, 4, 2), np.uint8), np.zeros(4, np.uint8), np.zeros((4, 4), np.float32), np.zeros((4, 4), bool)],
)
def test_pixels_that_no_png_holds_are_refused(pixels: np.ndarray) -> None:
    with pytest.raises(ValueError, match="pixels of shape"):
        list(png16.encode(pixels, {}))


@pytest.mark.parametrize("key", ["", "k" * 80])
def test_a_keyword_of_a_png_has_1_to_79_letters(key: str) -> None:
    # the PNG specification (W3C, third edition), 11.3.3.2
    with pytest.raises(ValueError, match="letters"):
        list(png16.encode(np.zeros((4, 4), np.uint8), {key: "x"}))
    assert b"k" * 79 in b"".join(png16.encode(np.zeros((4, 4), np.uint8), {"k" * 79: "x"}))


def test_a_bare_shape_without_materials_and_normals_is_the_same_box(tmp_path: Path) -> None:
    box = _box()
    bare = Surface(box.positions, box.triangles)
    data = b"".join(encode([Node("box", bare)]))
    (tmp_path / "a.glb").write_bytes(data)
    length = struct.unpack("<I", data[12:16])[0]
    root = json.loads(data[20 : 20 + length])
    (primitive,) = root["meshes"][0]["primitives"]
    assert set(primitive["attributes"]) == {"POSITION"} and "materials" not in root and "material" not in primitive
    (mesh,) = trimesh.load_scene(tmp_path / "a.glb").geometry.values()
    mesh.merge_vertices(merge_norm=True, merge_tex=True)
    assert mesh.is_watertight and len(mesh.faces) == 12
