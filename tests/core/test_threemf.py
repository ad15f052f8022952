"""3MF files hold closed bodies in mm, as the consortium's own reader sees them in its strict mode (lib3mf)."""

from __future__ import annotations

import zipfile
from dataclasses import replace

import lib3mf
import numpy as np
import pytest
import trimesh

from knotgeom.errors import DesignError
from knotgeom.files.threemf import MODEL, Body, read_threemf, write_threemf
from knotgeom.mesh import Mesh

PICTURE = (
    b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\1\0\0\0\1\x08\2\0\0\0\x90wS\xde\0\0\0\x0cIDATx\x9cc\xf8\xcf\xc0\0\0\3\1\1\0"
    b"\xc9\xfe\x92\xef\0\0\0\0IEND\xaeB`\x82"
)


def mesh_of(shape: trimesh.Trimesh) -> Mesh:
    faces = shape.faces.astype(np.int32)
    none = np.zeros((0, 4), np.int32)
    return Mesh(
        np.asarray(shape.vertices, float),
        none,
        faces,
        np.zeros((0, 4, 2), np.float32),
        np.zeros((len(faces), 3, 2), np.float32),
        np.zeros(0, np.int32),
        np.zeros(len(faces), np.int32),
    )


def ring(at=(-7.5, 3.25, -1.0)) -> Mesh:
    return mesh_of(trimesh.creation.torus(5.0, 1.3).apply_translation(at))


def ball(at=(12.0, 0.0, 4.0)) -> Mesh:
    return mesh_of(trimesh.creation.icosphere(3, 2.5).apply_translation(at))


def strictly_read(path) -> tuple[lib3mf.Model, list[str]]:
    """The model as the consortium's reader has it in strict mode, and its warnings."""
    model = lib3mf.Wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    return model, [reader.GetWarning(i) for i in range(reader.GetWarningCount())]


def test_the_consortiums_reader_finds_the_bodies_in_strict_mode_without_a_warning(tmp_path):
    path = tmp_path / "two.3mf"
    write_threemf(
        path,
        [Body(ring(), "ring & <hoop>"), Body(ball(), 'ball "b"')],
        title="Ring & ball",
        thumbnail=PICTURE,
        metadata={"Description": "two bodies"},
    )
    model, warnings = strictly_read(path)
    assert warnings == []
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    assert model.HasPackageThumbnailAttachment()
    found = {}
    objects = model.GetMeshObjects()
    while objects.MoveNext():
        one = objects.GetCurrentMeshObject()
        assert one.IsManifoldAndOriented() and one.IsValid()
        vertices = np.array([list(point.Coordinates) for point in one.GetVertices()])
        triangles = np.array([list(face.Indices) for face in one.GetTriangleIndices()])
        found[one.GetName()] = trimesh.Trimesh(vertices, triangles, process=False)
    assert list(found) == ["ring & <hoop>", 'ball "b"']
    for mesh, read in zip((ring(), ball()), found.values()):
        assert read.is_watertight and read.is_winding_consistent
        assert read.volume == pytest.approx(trimesh.Trimesh(mesh.vertices, mesh.triangles).volume, rel=1e-6)
        assert np.ptp(read.vertices, axis=0) == pytest.approx(np.ptp(mesh.vertices, axis=0), abs=1e-5)
    items = model.GetBuildItems()
    assert items.Count() == 2
    lowest = []
    while items.MoveNext():
        item = items.GetCurrent()
        shift = np.array([list(row) for row in item.GetObjectTransform().Fields])[3]
        lowest.append(found[item.GetObjectResource().GetName()].vertices.min(0) + shift)
    assert np.min(lowest, axis=0) == pytest.approx(0.0, abs=1e-5)  # nothing below zero


def test_a_file_reads_back_as_it_was_written_and_the_same_bodies_give_the_same_bytes(tmp_path):
    for name in ("a.3mf", "b.3mf"):
        write_threemf(tmp_path / name, [Body(ring(), "ring")], title="Ring", thumbnail=PICTURE)
    read = read_threemf(tmp_path / "a.3mf")
    assert (tmp_path / "a.3mf").read_bytes() == (tmp_path / "b.3mf").read_bytes()
    assert read.metadata == {"Title": "Ring"} and read.thumbnail == PICTURE
    assert np.array_equal(read.bodies[0].vertices.astype(np.float32), ring().vertices.astype(np.float32))
    assert np.array_equal(read.bodies[0].triangles, ring().triangles)


def test_an_open_body_is_refused_in_one_line_and_the_old_file_stays(tmp_path):
    path = tmp_path / "a.3mf"
    write_threemf(path, [Body(ball(), "ball")])
    before = path.read_bytes()
    open_ball = replace(ball(), triangles=ball().triangles[1:])
    with pytest.raises(DesignError, match=r'"ball" is not closed; give .*every edge has exactly two faces') as refused:
        write_threemf(path, [Body(open_ball, "ball")])
    assert "\n" not in str(refused.value)
    with pytest.raises(DesignError, match='metadata named "Printer"'):
        write_threemf(path, [Body(ball(), "ball")], metadata={"Printer": "x"})
    assert path.read_bytes() == before and [found.name for found in tmp_path.iterdir()] == ["a.3mf"]


def test_a_disk_that_fills_up_while_writing_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "a.3mf"
    write_threemf(path, [Body(ball(), "ball")])
    before = path.read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(zipfile._ZipWriteFile, "write", full)
    with pytest.raises(OSError, match="No space left"):
        write_threemf(path, [Body(ring(), "ring")])
    assert path.read_bytes() == before and [found.name for found in tmp_path.iterdir()] == ["a.3mf"]


@pytest.mark.parametrize(
    "old, new",
    [
        ('unit="millimeter"', 'unit="inch"'),
        ('v3="', 'v4="'),
        ('v1="0"', 'v1="99999"'),
        ("<vertices>", "<vertices><vertex/>"),
        ('type="model"', 'type="support"'),
        ("1 0 0 0 1 0 0 0 1 ", "2 0 0 0 1 0 0 0 1 "),
        ("<resources>", '<resources><colour id="7"/>'),
        ('xml:lang="en-US"', 'xml:lang="en-US" p="1"'),
    ],
)
def test_the_strict_reader_refuses_what_the_specification_or_the_writer_does_not_know(tmp_path, old, new):
    write_threemf(tmp_path / "a.3mf", [Body(ball(), "ball")])
    with zipfile.ZipFile(tmp_path / "a.3mf") as good, zipfile.ZipFile(tmp_path / "b.3mf", "w") as bad:
        for name in good.namelist():
            text = good.read(name)
            bad.writestr(name, text.replace(old.encode(), new.encode(), 1) if name == MODEL else text)
    with pytest.raises(OSError, match="b.3mf"):
        read_threemf(tmp_path / "b.3mf")
