"""Mesh files hold the mesh they were given, byte for byte the same each time, and appear whole or not at all."""

from __future__ import annotations

import os
import stat
import struct
from dataclasses import replace

import numpy as np
import pytest
import trimesh

from knotgeom import files
from knotgeom.errors import DesignError
from knotgeom.files import whole
from knotgeom.mesh import Mesh, all_triangles, volume


def prism(sides: int = 24, radius: float = 8.0, height: float = 3.0) -> Mesh:
    """A closed prism with quads round its side and triangles as its two ends, off the origin."""
    turn = 2 * np.pi * np.arange(sides) / sides
    ring = np.stack([radius * np.cos(turn) + 20, radius * np.sin(turn) - 5], axis=1)
    bottom = np.column_stack([ring, np.full(sides, -height / 2)])
    top = np.column_stack([ring, np.full(sides, height / 2)])
    i = np.arange(sides)
    j = (i + 1) % sides
    quads = np.stack([i, j, j + sides, i + sides], axis=1).astype(np.int32)
    fan = np.stack([np.zeros(sides - 2, int), i[1:-1], i[2:]], axis=1)
    triangles = np.concatenate([fan[:, ::-1], fan + sides]).astype(np.int32)
    u = turn[:, None] * radius
    quad_uv = np.stack([np.hstack([u, 0 * u]), np.hstack([u + 1, 0 * u]), np.hstack([u + 1, 0 * u + height]),
                        np.hstack([u, 0 * u + height])], axis=1)  # fmt: skip
    return Mesh(
        np.concatenate([bottom, top]),
        quads,
        triangles,
        quad_uv.astype(np.float32),
        np.concatenate([bottom, top])[triangles][:, :, :2].astype(np.float32),
        (i % 2).astype(np.int32),
        np.zeros(len(triangles), np.int32),
    )


@pytest.mark.parametrize("ending", [".stl", ".ply", ".obj", ".STL"])
def test_what_is_written_reads_back_as_the_same_closed_body(tmp_path, ending):
    mesh = prism()
    path = tmp_path / f"prism{ending}"
    files.write_mesh(path, mesh)
    read = trimesh.load_mesh(path, file_type=ending[1:].lower())
    read.merge_vertices(merge_tex=True, merge_norm=True)
    assert read.is_watertight and read.is_winding_consistent
    assert len(read.vertices) == len(mesh.vertices) and len(read.faces) == len(all_triangles(mesh))
    assert read.volume == pytest.approx(volume(mesh), rel=1e-5)
    assert read.bounds == pytest.approx(np.array([mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)]), abs=1e-5)


@pytest.mark.parametrize("ending", files.FORMATS)
def test_the_same_mesh_gives_the_same_bytes(tmp_path, ending):
    files.write_mesh(tmp_path / f"a{ending}", prism())
    files.write_mesh(tmp_path / f"b{ending}", prism())
    assert (tmp_path / f"a{ending}").read_bytes() == (tmp_path / f"b{ending}").read_bytes()


def test_an_stl_is_binary_with_unit_outward_normals(tmp_path):
    mesh = prism()
    files.write_mesh(tmp_path / "a.stl", mesh)
    data = (tmp_path / "a.stl").read_bytes()
    count = len(all_triangles(mesh))
    assert not data.startswith(b"solid")
    assert struct.unpack_from("<I", data, 80) == (count,) and len(data) == 84 + 50 * count
    for i, corners in enumerate(mesh.vertices[all_triangles(mesh)]):
        normal = np.cross(corners[1] - corners[0], corners[2] - corners[0])
        assert struct.unpack_from("<3f", data, 84 + 50 * i) == pytest.approx(normal / np.linalg.norm(normal), abs=1e-6)
        assert struct.unpack_from("<9f", data, 96 + 50 * i) == pytest.approx(corners.ravel(), abs=1e-5)
        assert data[132 + 50 * i : 134 + 50 * i] == b"\0\0"


def test_a_triangle_without_area_gets_no_normal():
    none = np.zeros((0, 4), np.int32)
    mesh = Mesh(np.eye(3), none, np.array([[0, 1, 1]], np.int32), none, none, none[:, 0], np.zeros(1, np.int32))
    assert struct.unpack_from("<3f", b"".join(files.FORMATS[".stl"](mesh)), 84) == (0, 0, 0)


def quads_only() -> Mesh:
    """The side of the prism alone."""
    whole_prism = prism()
    return replace(
        whole_prism,
        triangles=whole_prism.triangles[:0],
        triangle_uv=whole_prism.triangle_uv[:0],
        triangle_strand=whole_prism.triangle_strand[:0],
    )


@pytest.mark.parametrize(("mesh", "faces"), [(prism(), all_triangles(prism())), (quads_only(), quads_only().quads)])
def test_a_ply_says_its_unit_and_keeps_quads_where_all_faces_are(mesh, faces):
    header, _, body = b"".join(files.FORMATS[".ply"](mesh)).partition(b"end_header\n")
    assert b"format binary_little_endian 1.0\n" in header and b"comment lengths in mm" in header
    assert f"element vertex {len(mesh.vertices)}\n".encode() in header
    assert f"element face {len(faces)}\n".encode() in header
    at = 12 * len(mesh.vertices)
    assert np.frombuffer(body[:at], "<f4").reshape(-1, 3) == pytest.approx(mesh.vertices, abs=1e-5)
    for face in faces:
        assert body[at] == len(face)
        assert struct.unpack_from(f"<{len(face)}i", body, at + 1) == tuple(face)
        at += 1 + 4 * len(face)
    assert at == len(body)


def test_an_obj_keeps_quads_uvs_and_circuits(tmp_path):
    mesh = prism()
    files.write_mesh(tmp_path / "a.obj", mesh)
    lines = (tmp_path / "a.obj").read_text("ascii").splitlines()
    assert lines[0].startswith("#") and "mm" in lines[0]
    numbers = {
        word: np.array([[float(n) for n in line.split()[1:]] for line in lines if line.split()[0] == word])
        for word in ("v", "vt")
    }
    assert numbers["v"] == pytest.approx(mesh.vertices, abs=1e-6)
    faces: dict[str, dict[tuple[int, ...], list[int]]] = {}
    for line in lines:
        word, *rest = line.split()
        if word == "g":
            group = faces.setdefault(rest[0], {})
        elif word == "f":
            corners, uvs = zip(*((int(a) - 1, int(b) - 1) for a, b in (corner.split("/") for corner in rest)))
            group[corners] = list(uvs)
    assert set(faces) == {"circuit_0", "circuit_1"}
    for corners_of, uv_of, strand_of in [
        (mesh.quads, mesh.quad_uv, mesh.quad_strand),
        (mesh.triangles, mesh.triangle_uv, mesh.triangle_strand),
    ]:
        for corners, uv, strand in zip(corners_of, uv_of, strand_of):
            found = faces[f"circuit_{strand}"].pop(tuple(corners))
            assert numbers["vt"][found] == pytest.approx(uv, abs=1e-5)
    assert not any(faces.values())
    assert not any(" -0.000000" in line for line in lines)


@pytest.mark.parametrize("name", ["a.3mf", "a", "stl", ".stl"])
def test_other_endings_are_refused_with_those_that_would_do(tmp_path, name):
    with pytest.raises(DesignError, match=r"end the name in \.stl, \.ply, \.obj"):
        files.write_mesh(tmp_path / name, prism())
    assert not list(tmp_path.iterdir())


# ------------------------------------------------------------------------------------------------ whole or not at all


def test_a_failed_write_leaves_what_was_there_and_nothing_else(tmp_path):
    path = tmp_path / "a.stl"
    path.write_bytes(b"before")

    def pieces():
        yield b"half"
        raise RuntimeError

    with pytest.raises(RuntimeError):
        whole.write(path, pieces())
    assert path.read_bytes() == b"before" and list(tmp_path.iterdir()) == [path]


def test_an_interrupted_write_leaves_nothing(tmp_path):
    with pytest.raises(KeyboardInterrupt), whole.replacing(tmp_path / "a.stl") as spare:
        spare.write_bytes(b"half")
        raise KeyboardInterrupt
    assert not list(tmp_path.iterdir())


def test_a_name_is_not_seen_before_its_file_is_whole(tmp_path):
    path = tmp_path / "a.png"
    with whole.replacing(path) as spare:
        spare.write_bytes(b"half")
        assert not path.exists() and spare.parent == tmp_path and spare.suffix == ".png"
        spare.write_bytes(b"whole")
    assert path.read_bytes() == b"whole" and list(tmp_path.iterdir()) == [path]


@pytest.mark.skipif(os.name != "posix", reason="permissions and links as POSIX has them")
def test_permissions_and_links_stay_as_they_were(tmp_path):
    mask = os.umask(0o027)
    try:
        whole.write(tmp_path / "new", [b"1"])
    finally:
        os.umask(mask)
    assert stat.S_IMODE((tmp_path / "new").stat().st_mode) == 0o640
    old = tmp_path / "old"
    old.write_bytes(b"1")
    old.chmod(0o604)
    (tmp_path / "link").symlink_to("old")
    whole.write(tmp_path / "link", [b"2"])
    assert (tmp_path / "link").is_symlink() and old.read_bytes() == b"2"
    assert stat.S_IMODE(old.stat().st_mode) == 0o604


def test_folders_devices_and_missing_folders_are_refused_before_and_when_writing(tmp_path):
    for path in (tmp_path, tmp_path / "none" / "a.stl", tmp_path / ("x" * 300) / "a.stl", "/dev/null"):
        for attempt in (whole.refuse_unwritable, lambda path: whole.write(path, [b"1"])):
            with pytest.raises(OSError):
                attempt(path)
    whole.refuse_unwritable(tmp_path / "a.stl")
    assert not list(tmp_path.iterdir())
