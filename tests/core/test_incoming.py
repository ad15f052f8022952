"""Meshes read from files: as trimesh writes them (M. Dawson-Haggerty and others), as the formats say, and garbage."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from knotgeom.command import main
from knotgeom.errors import DesignError
from knotgeom.files import incoming
from knotgeom.files.incoming import read_mesh
from knotgeom.layout.check import MOST_CELLS
from knotgeom.reading import read_file

SQUARES = """# two squares, a triangle
o piece
v 0 0 0
v 10 0 0 1.0
v 10 10 0
v 0 10 0 0.5 0.5 0.5
vt 0 0
vn 0 0 1
g left
f 1 2 3 4
v 20 0 0
v 20 10 0
usemtl wood
f 2/1 5/1 6/1 3/1
v 15 20 0
s off
f -5//1 -2/1/1 \\
  -1
"""
"""All that an object file may say of a face: plain corners, v/vt, v//vn, v/vt/vn, negative ones, a line carried on."""


def written(folder: Path, name: str, data: bytes | str) -> Path:
    path = folder / name
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return path


def polygons(order: str, kind: str = "double", count: str = "uchar") -> bytes:
    """A square and a triangle as a PLY file, with a colour and an element that nobody asked for."""
    name = {"": "ascii", "<": "binary_little_endian", ">": "binary_big_endian"}[order]
    head = (
        f"ply\nformat {name} 1.0\ncomment made by hand\nelement vertex 5\nproperty {kind} x\nproperty {kind} y\n"
        f"property {kind} z\nproperty uchar red\nelement seam 1\nproperty list uchar int edges\nelement face 2\n"
        f"property uchar flag\nproperty list {count} int vertex_indices\nend_header\n"
    ).encode()
    points = [(0, 0, 0), (10, 0, 0), (10, 10, 0), (0, 10, 0), (5, 20, 0.5)]
    faces = [(0, 1, 2, 3), (3, 2, 4)]
    if not order:
        rows = [f"{x} {y} {z} 200" for x, y, z in points] + ["2 7 8"]
        rows += [f"9 {len(face)} {' '.join(map(str, face))}" for face in faces]
        return head + ("\n".join(rows) + "\n").encode()
    letter, many = {"double": "d", "float": "f"}[kind], {"uchar": "B", "int": "i"}[count]
    body = b"".join(struct.pack(f"{order}3{letter}B", *point, 200) for point in points)
    body += struct.pack(f"{order}B2i", 2, 7, 8)
    body += b"".join(struct.pack(f"{order}B{many}{len(face)}i", 9, len(face), *face) for face in faces)
    return head + body


# ---------------------------------------------------------------------------------------------------- what is read


@pytest.mark.parametrize("kind", ["obj", "ply", "text.ply"])
@pytest.mark.parametrize("shape", ["icosahedron", "torus"])
def test_a_mesh_that_trimesh_wrote_comes_in_as_it_was(tmp_path: Path, kind: str, shape: str) -> None:
    mesh = trimesh.creation.icosahedron() if shape == "icosahedron" else trimesh.creation.torus(20, 5, 12, 8)
    path = tmp_path / f"shape.{kind}"
    mesh.export(path, **({"encoding": "ascii"} if kind == "text.ply" else {}))
    vertices, faces = read_mesh(path)
    assert np.abs(np.array(vertices) - mesh.vertices).max() < 1e-5 * 20
    assert np.array_equal(faces, mesh.faces)


def test_an_object_file_gives_polygons_whatever_way_their_corners_are_named(tmp_path: Path) -> None:
    vertices, faces = read_mesh(written(tmp_path, "a.obj", SQUARES))
    assert faces == ((0, 1, 2, 3), (1, 4, 5, 2), (2, 5, 6))
    assert vertices[1] == (10.0, 0.0, 0.0)
    assert vertices[6] == (15.0, 20.0, 0.0)
    assert read_mesh(written(tmp_path, "b.obj", SQUARES.replace("\n", "\r\n"))) == (vertices, faces)


@pytest.mark.parametrize("order", ["", "<", ">"])
@pytest.mark.parametrize(("kind", "count"), [("double", "uchar"), ("float", "int")])
def test_ply_gives_polygons_in_text_and_in_both_byte_orders(tmp_path: Path, order: str, kind: str, count: str) -> None:
    vertices, faces = read_mesh(written(tmp_path, "a.ply", polygons(order, kind, count)))
    assert faces == ((0, 1, 2, 3), (3, 2, 4))
    assert vertices == ((0, 0, 0), (10, 0, 0), (10, 10, 0), (0, 10, 0), (5, 20, 0.5))


# ------------------------------------------------------------------------------------------------- what is refused

HEAD = "v 0 0 0\nv 1 0 0\nv 0 1 0\n"


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        (HEAD + "f 1 2 4\n", "line 4", "vertex 4"),
        (HEAD + "f 1 2 0\n", "line 4", "vertex 0"),
        (HEAD + "f 1 2 -4\n", "line 4", "vertex -4"),
        (HEAD + "f 1 2\n", "line 4", "2 corners"),
        (HEAD + "f 1 2 three\n", "line 4", '"three"'),
        (HEAD + "f 1 2 99999999999999999999\n", "line 4", "no corner"),
        ("v 0 nan 0\n", "line 1", '"nan"'),
        ("v 0 1e999 0\n", "line 1", "too large"),
        ("v 0 1e7 0\n", "line 1", "1e+07"),
        ("v 0 1_0 0\n", "line 1", '"1_0"'),
        ("v 0 0\n", "line 1", "2 numbers"),
        (HEAD + "curv 0 1 1 2\n", "line 4", '"curv"'),
        (HEAD, "", "no face"),
        ("", "", "no face"),
        (HEAD + "f 1 2 3\0\n", "byte 31", "zero byte"),
        ("v " + "9" * 100_000, "line 1", "100,002 bytes"),
    ],
)
def test_an_object_file_is_refused_by_the_line(tmp_path: Path, text: str, place: str, words: str) -> None:
    with pytest.raises(DesignError) as refused:
        read_mesh(written(tmp_path, "a.obj", text))
    assert refused.value.place == place
    assert words in refused.value.problem


@pytest.mark.parametrize(
    ("data", "place", "words"),
    [
        (b"solid of another format\n", "byte 0", "does not begin with ply"),
        (b"ply\nformat ascii 1.0\n", "line 3", "does not end"),
        (b"ply\nformat pictures 1.0\nend_header\n", "line 2", '"pictures"'),
        (polygons("").replace(b"\n0 0 0 200", b"\n0 0 inf 200"), "line 15", '"inf"'),
        (polygons("").replace(b"9 3 3 2 4", b"9 3 3 2 5"), "line 22", "vertex 5"),
        (polygons("").replace(b"9 3 3 2 4", b"9 3 3 2 -1"), "line 22", "vertex -1"),
        (polygons("").replace(b"9 3 3 2 4", b"9 4 3 2 4"), "line 22", "3 of 4"),
        (polygons("").replace(b"9 3 3 2 4", b"9 3 3 2 4 4"), "line 22", "6 numbers in a row of 5"),
        (polygons("").replace(b"9 3 3 2 4\n", b""), "line 21", "ends after 1 of 2"),
        (polygons("") + b"1 2 3\n", "line 23", "more rows"),
        (polygons("<")[:-1], f"byte {len(polygons('<')) - 1}", "ends after 1 of 2"),
        (polygons("<") + b"more", f"byte {len(polygons('<'))}", "more bytes"),
        (polygons("<")[:-4] + struct.pack("<i", 9), f"byte {len(polygons('<')) - 14}", "vertex 9"),
        (
            polygons("<", count="int")[:-16] + struct.pack("<i", -2),
            f"byte {len(polygons('<', count='int')) - 16}",
            "-2",
        ),
        (polygons("<").replace(struct.pack("<d", 0.5), struct.pack("<d", float("nan"))), None, "nan"),
        (polygons("").replace(b"list uchar int vertex", b"list uchar float vertex"), "header", "not whole"),
        (polygons("").replace(b"property double z\n", b""), "header", "vertex has no such property"),
        (polygons("").replace(b"element vertex 5", b"element vertex 5000000000"), "header", "5,000,000,000 vertices"),
        (polygons("").replace(b"element seam 1", b"element seam 5000000000"), "header", "5,000,000,000 seam"),
    ],
)
def test_a_ply_file_is_refused_by_the_line_or_byte(tmp_path: Path, data: bytes, place: str | None, words: str) -> None:
    with pytest.raises(DesignError) as refused:
        read_mesh(written(tmp_path, "a.ply", data))
    assert place is None or refused.value.place == place
    assert words in refused.value.problem


def test_a_million_faces_are_refused_before_they_are_parsed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    wanted = f"1,000,000 faces; give at most {MOST_CELLS:,}"
    head = b"ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
    head += b"element face 1000000\nproperty list uchar int vertex_indices\nend_header\n"
    for name, data in (("a.obj", HEAD.encode() + b"f 1 2 3\n" * 1_000_000), ("a.ply", head)):
        monkeypatch.setattr(incoming, "_lines", None)  # so that nothing can be taken apart into lines
        with pytest.raises(DesignError, match=wanted):
            read_mesh(written(tmp_path, name, data))


def test_a_file_too_large_or_of_another_kind_is_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(tmp_path, "a.obj", SQUARES)
    with pytest.raises(DesignError, match=r'"\.stl" is no mesh format'):
        read_mesh(path.rename(tmp_path / "a.stl"))
    monkeypatch.setattr(incoming, "MOST_BYTES", len(SQUARES) - 1)
    with pytest.raises(DesignError, match=f"the file has more than {len(SQUARES) - 1} bytes"):
        read_mesh(written(tmp_path, "b.obj", SQUARES))


@settings(deadline=None, max_examples=300)
@given(st.data())
def test_a_damaged_file_is_read_or_refused_in_one_line(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    kind, whole = data.draw(
        st.sampled_from([("obj", SQUARES.encode()), *(("ply", polygons(order)) for order in ("", "<", ">"))])
    )
    content = bytearray(whole)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, max(len(content) - 1, 0)))
        size = data.draw(st.integers(0, 9))
        content[at : at + size] = data.draw(
            st.binary(max_size=9) | st.sampled_from([b"-1", b" 99 ", b"\n", b"nan", b""])
        )
    path = written(tmp_path_factory.getbasetemp(), f"damaged.{kind}", bytes(content))
    try:
        vertices, faces = read_mesh(path)
    except DesignError as error:
        assert "\n" not in str(error)
        assert str(error).isprintable()
    else:
        assert np.isfinite(vertices).all()
        assert all(len(face) >= 3 and min(face) >= 0 and max(face) < len(vertices) for face in faces)


# ------------------------------------------------------------------------------------------------- in a design


def design_with(folder: Path, mesh: str) -> Path:
    return written(
        folder,
        "a.interlace.json",
        json.dumps({"interlace": 1, "layout": {"mesh": {"file": mesh}}, "strand": {"width": 2}}),
    )


def test_facts_of_a_design_on_a_mesh_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mesh = trimesh.creation.icosahedron()
    mesh.apply_scale(20)
    mesh.export(tmp_path / "bead.ply")
    assert main(["facts", str(design_with(tmp_path, "bead.ply"))]) == 0
    counts = json.loads(capsys.readouterr().out)
    # the medial graph of the icosahedron is the icosidodecahedron's: 30 crossings on 6 great circles
    assert (counts["crossings"], counts["circuits"], counts["exceptions"]) == (30, 6, 0)


@pytest.mark.parametrize(
    "name", ["../bead.obj", "below/../../bead.obj", "away.obj", "none.obj", "a\0b.obj", "n" * 5000]
)
def test_no_mesh_outside_the_folder_of_the_design_is_read(tmp_path: Path, name: str) -> None:
    written(tmp_path, "bead.obj", SQUARES)
    folder = tmp_path / "inner"
    (folder / "below").mkdir(parents=True)
    (folder / "away.obj").symlink_to(tmp_path / "bead.obj")
    with pytest.raises(DesignError) as refused:
        read_file(design_with(folder, name))
    assert refused.value.place == "layout.mesh.file"
    assert str(tmp_path / "bead.obj") not in str(refused.value)


def test_a_fault_in_a_mesh_is_told_of_with_its_file_and_line(tmp_path: Path) -> None:
    written(tmp_path, "bad.obj", HEAD + "f 1 2 9\n")
    with pytest.raises(DesignError, match=r'layout\.mesh\.file: in "bad\.obj": line 4: the face names vertex 9'):
        read_file(design_with(tmp_path, "bad.obj"))
