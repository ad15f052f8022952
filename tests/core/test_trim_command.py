"""``knotgeom trim``: a strip becomes a folder whose files fit each other, and what cannot be is said in one line."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from numpy.testing import assert_allclose
from PIL import Image

from knotgeom import command
from knotgeom.design import Breaks, Design, Grid, Heights, Make, Making, Site, Strand, Strip
from knotgeom.reading import write_text
from knotgeom.trims.options import Part, Textures, Trimming
from tests.core.gltf import array, found_by_the_validator, read

TRIM = Trimming(
    triangles=900,
    levels=(100.0, 40.0),
    pieces=(Part.STRAIGHT, Part.INNER, Part.CAP),
    textures=Textures(size=256, padding=4),
    hull=True,
)
STRIP = Design(
    Strip(4, 2, 10.0, 10.0),
    strand=Strand(width=4.2, thickness=2.4),
    heights=Heights(way=Making.FUSED, step=0.8),
    make=Make(trim=TRIM),
)


def _file(folder: Path, design: Design, name: str = "plait") -> str:
    path = folder / f"{name}.interlace.json"
    path.write_text(write_text(design), encoding="utf-8")
    return str(path)


def _trimmed(design: Design, **settings) -> Design:
    return replace(design, make=Make(trim=replace(design.make.trim, **settings)))


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("trim")
    assert command.main(["trim", _file(folder, STRIP), "-o", str(folder / "kit"), "--obj"]) == 0
    return folder / "kit"


def test_the_folder_has_what_its_report_says_and_the_validator_finds_nothing(made):
    report = json.loads((made / "report.json").read_text(encoding="utf-8"))
    assert sorted(path.name for path in made.iterdir()) == sorted(report["files"])
    assert {"kit.glb", "kit.obj", "preview.png", "normal-lod0.png", "packed.png", "height.png"} <= set(report["files"])
    assert found_by_the_validator(made / "kit.glb") == []
    sheet = tuple(report["sheet"]["texels"])
    for name in report["files"]:
        if name.endswith(".png") and name != "preview.png":
            assert Image.open(made / name).size == sheet
    names = [piece["name"] for piece in report["pieces"]]
    assert {"straight", "corner-inner-090", "cap-behind", "cap-ahead"} == set(names)


def test_the_budget_is_kept_and_what_trimesh_reads_is_what_the_report_says(made):
    report = json.loads((made / "report.json").read_text(encoding="utf-8"))
    scene = trimesh.load(made / "kit.glb", process=False)
    for piece in report["pieces"]:
        for number, level in enumerate(piece["levels"]):
            one = scene.geometry[f"{piece['name']}_LOD{number}"]
            assert (len(one.faces), len(one.vertices)) == (level["triangles"], level["vertices"])
            # nothing lies outside the piece's box but for the level's deviation
            assert (one.extents[[0, 2]] * 1000 <= np.array(piece["size_mm"]) + 2 * level["deviation_mm"] + 1e-3).all()
            if piece["name"] == "straight":  # one repeat of four cells of 10 mm, from seam to seam
                assert one.extents[0] * 1000 == pytest.approx(40.0, abs=1e-3)
    straight = report["pieces"][[piece["name"] for piece in report["pieces"]].index("straight")]
    shares = [level["triangles"] for level in straight["levels"] if not level["card"]]
    assert shares[0] <= 900 and shares[1] <= 360 and shares[0] > 700


def _ports(root, binary, node):
    """Of each port the vertices in its plane as (place, normal, tangent) in the port's own frame, sorted, (k, 10)."""
    part = root["meshes"][node["mesh"]]["primitives"][0]["attributes"]
    rows = [array(root, binary, part[name]).astype(float) for name in ("POSITION", "NORMAL", "TANGENT")]
    for port in node["extras"]["ports"]:
        turn = np.radians(port["heading_degrees"] + (0 if port["ahead"] else 180))
        ahead, left = np.array([np.cos(turn), 0, -np.sin(turn)]), np.array([-np.sin(turn), 0, -np.cos(turn)])
        frame = np.stack([ahead, left, [0, 1, 0]])
        places = (rows[0] - port["at"]) @ frame.T
        on = np.abs(places[:, 0]) < 2e-7
        both = np.column_stack([places[on], rows[1][on] @ frame.T, rows[2][on, :3] @ frame.T, rows[2][on, 3]])
        yield np.unique(np.round(both, 4), axis=0), port["profile"]


def test_in_the_file_vertices_normals_and_tangents_are_the_same_at_every_port_of_a_level(made):
    root, binary = read(made / "kit.glb")
    for level in (0, 1):
        seen: dict[str, list[np.ndarray]] = {}
        for node in root["nodes"]:
            if node["extras"].get("level") == level:
                for rows, profile in _ports(root, binary, node):
                    seen.setdefault(profile, []).append(rows)
        assert len(seen["run"]) == 6
        for rows in seen.values():
            assert len(rows[0]) > 8
            for one in rows[1:]:
                assert one.shape == rows[0].shape
                assert_allclose(one, rows[0], atol=2.1e-4)


def test_two_designs_share_one_sheet(tmp_path, capsys):
    one = _trimmed(STRIP, pieces=(Part.STRAIGHT, Part.CAP), hull=False)
    other = replace(one, layout=Strip(6, 2, 10.0, 10.0), breaks=Breaks(vertical=(Site(6, 1),)))
    files = [_file(tmp_path, one, "plain"), _file(tmp_path, other, "rings")]
    assert command.main(["trim", *files, "-o", str(tmp_path / "both"), "--no-maps", "--triangles", "500"]) == 0
    report = json.loads((tmp_path / "both" / "report.json").read_text(encoding="utf-8"))
    names = [piece["name"] for piece in report["pieces"]]
    assert {"plain-straight", "rings-straight", "plain-cap-ahead", "rings-cap-behind"} <= set(names)
    assert [part["piece"] for part in report["sheet"]["parts"] if part["wraps"]] == ["plain-straight", "rings-straight"]
    assert found_by_the_validator(tmp_path / "both" / "kit.glb") == []
    assert "6 pieces" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("design", "words"),
    [
        (Design(Grid(4, 3, 10.0, 10.0)), "strip"),
        (_trimmed(STRIP, triangles=20), "triangles"),
        (_trimmed(STRIP, lengths=(47.0,), stretch=1.0), "47"),
        (_trimmed(STRIP, textures=Textures(size=256, density=50_000.0)), "texels a metre"),
        (_trimmed(STRIP, textures=Textures(size=64, padding=40)), "padding"),
    ],
)
def test_what_cannot_be_made_ends_in_one_line_that_names_the_file_and_a_remedy(tmp_path, capsys, design, words):
    path = _file(tmp_path, design)
    assert command.main(["trim", path, "-o", str(tmp_path / "kit")]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and path in said and words in said and ";" in said
    assert [one.name for one in tmp_path.iterdir()] == ["plait.interlace.json"]


def test_a_zero_density_is_refused_where_it_stands(tmp_path, capsys):
    path = Path(_file(tmp_path, _trimmed(STRIP, textures=Textures(density=2000.0))))
    path.write_text(path.read_text(encoding="utf-8").replace("2000.0", "0"), encoding="utf-8")
    assert command.main(["trim", str(path), "-o", str(tmp_path / "kit")]) == 2
    assert "make.trim.textures.density" in capsys.readouterr().err


def test_a_kit_that_is_there_is_kept_and_said_before_any_work(tmp_path, capsys):
    (tmp_path / "kit").mkdir()
    (tmp_path / "kit" / "kit.glb").write_text("mine")
    assert command.main(["trim", _file(tmp_path, STRIP), "-o", str(tmp_path / "kit")]) == 2
    assert "--replace" in capsys.readouterr().err
    assert (tmp_path / "kit" / "kit.glb").read_text() == "mine"
    assert command.main(["trim", _file(tmp_path, STRIP), _file(tmp_path, STRIP), "-o", str(tmp_path / "x")]) == 2
    assert "one name" in capsys.readouterr().err
