"""Verbs that make things say what is to be mended, in so many words, and keep what others put beside their files."""

from __future__ import annotations

import json
from pathlib import Path

from knotgeom import command
from knotgeom.trims import making

SHALLOW = {
    "interlace": 1,
    "layout": {"grid": [2, 1], "cell": 12},
    "divide": {"all": True, "gap": 0},
    "heights": {"way": "carved"},
    "make": {"carve": {"depth": 2, "tools": {"gouges": []}}},
}
"""Halves side by side climb too steeply for the depth."""
RING = {
    "interlace": 1,
    "layout": {"strip": {"cells": [1, 1], "cell": 6, "repeats": 8, "surface": {"cylinder": True}}},
    "strand": {"width": 2.6, "thickness": 1.2},
    "heights": {"way": "fused", "step": 0.5},
    "make": {"print": {"ring": {"circumference": 54}, "fillet": 0, "rounding": 0, "tolerance": 0.2}},
}
STRIP = {
    "interlace": 1,
    "layout": {"strip": {"cells": [3, 2], "cell": 10}},
    "strand": {"width": 4.2, "thickness": 2.4},
    "heights": {"way": "fused", "step": 2},
    "make": {
        "trim": {"triangles": 400, "levels": [100], "pieces": ["straight"], "textures": {"size": 64, "padding": 1}}
    },
}


def written(folder: Path, design: dict) -> str:
    path = folder / "design.json"
    path.write_text(json.dumps(design), encoding="utf-8")
    return str(path)


def test_what_a_relief_lacks_is_said_where_it_is_carved(tmp_path, capsys):
    out = tmp_path / "board"
    assert command.main(["carve", written(tmp_path, SHALLOW), "-o", str(out), "--resolution", "1"]) == 0
    said = capsys.readouterr().out.splitlines()
    found = json.loads((out / "report.json").read_text(encoding="utf-8"))["findings"]
    assert "step" in {one["kind"] for one in found}
    for one in found:
        assert f"{one['kind']} at {one['place']}: {one['remedy']}" in said


def test_a_finger_ring_is_not_said_to_lack_what_it_hangs_by(tmp_path, capsys):
    out = tmp_path / "ring"
    assert command.main(["print", written(tmp_path, RING), "-o", str(out)]) == 0
    said = capsys.readouterr().out
    assert "mm finished" in said and "hang" not in said
    assert json.loads((out / "report.json").read_text(encoding="utf-8"))["finished"]["size_mm"][0] > 54 / 3.15


def test_a_file_that_comes_to_be_while_a_kit_is_made_is_kept_and_named(tmp_path, capsys, monkeypatch):
    kit, make_kit = tmp_path / "kit", making.make_kit

    def meanwhile(*words, **more):
        kit.mkdir()
        (kit / "report.json").write_text("mine")
        return make_kit(*words, **more)

    monkeypatch.setattr(making, "make_kit", meanwhile)
    assert command.main(["trim", written(tmp_path, STRIP), "-o", str(kit), "--no-maps"]) == 2
    said = capsys.readouterr().err
    assert "report.json" in said and "--replace" in said and said.count("\n") == 1
    assert [(one.name, one.read_text()) for one in kit.iterdir()] == [("report.json", "mine")]
