"""A first-time user at a real window, from the zip to an STL file; large knots, Esc; and nothing left afterwards.

Run by name, as ``test_window``. The pictures are in ``out/first``.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))

import desk  # noqa: E402

ROOT = Path(__file__).resolve().parents[2]
PICTURES = ROOT / "out" / "first"


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the session, after it."""
    missing = desk.why_not() or desk.prepare()
    if missing:
        pytest.skip(missing)
    folder = tmp_path_factory.mktemp("first")
    build = [sys.executable, str(ROOT / "blender_addon" / "build_extension.py"), "-o", str(folder / "dist")]
    built = subprocess.run(build, capture_output=True, text=True, check=False)
    if "could not be fetched" in built.stderr:
        pytest.skip(built.stderr.splitlines()[0])
    assert built.returncode == 0, built.stderr
    archive = sorted((folder / "dist").glob("*.zip"))[0]
    place = folder / "job"
    place.mkdir()
    status = desk.drive("first.py", archive, place, seconds=300)
    logs = "".join((place / name).read_text() for name in ("install.log", "blender.log") if (place / name).exists())
    shutil.rmtree(PICTURES, ignore_errors=True)
    PICTURES.mkdir(parents=True)
    for picture in place.glob("*.png"):
        shutil.copy(picture, PICTURES)
    if (place / "seen.json").exists():
        shutil.copy(place / "seen.json", PICTURES)
    assert status == 0 and (place / "seen.json").exists(), logs
    assert "Traceback" not in logs, logs
    return place


@pytest.fixture(scope="module")
def seen(job: Path) -> dict[str, Any]:
    """What the session saw."""
    found: dict[str, Any] = json.loads((job / "seen.json").read_text())
    assert "failed" not in found, found.get("failed")
    return found


def test_a_first_pendant_is_exported_without_a_number_typed(seen: dict[str, Any], job: Path) -> None:
    assert seen["added"] == "Relief Knot"
    keys, clicks = seen["keys and clicks"]
    assert keys <= 25 and clicks == 0, "three of them open menus, nine are the letters searched for"
    data = (job / "first.stl").read_bytes()
    count = int(np.frombuffer(data, "<u4", 1, 80)[0])
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("rest", "<u2")])
    corners = np.frombuffer(data, record, count, 84)["corners"].astype(float)
    assert np.allclose(np.ptp(corners.reshape(-1, 3), axis=0), seen["size"], atol=0.11), "millimetres"
    a, b, c = np.moveaxis(corners, 1, 0)
    assert np.einsum("ij,ij->", a, np.cross(b, c)) > 0


def test_a_moving_slider_shows_drafts_and_the_exact_mesh_follows(seen: dict[str, Any]) -> None:
    assert 300 < seen["crossings"] < 400
    assert any(seen["a mesh after every move"]) and seen["exact at rest"]


def test_a_large_knot_shows_how_far_it_is_stops_at_esc_and_can_be_made_after_all(seen: dict[str, Any]) -> None:
    assert seen["watched"]
    assert seen["stopped"] == [True, True, True], "stale, the mesh as it was, nothing under way"
    assert seen["made in the end"] and seen["large"] > 1900


def test_a_click_on_the_remedy_mends_the_finding(seen: dict[str, Any]) -> None:
    assert "depth" in seen["findings"] and "depth" not in seen["findings left"]


def test_disabled_and_removed_the_add_on_leaves_nothing(seen: dict[str, Any], job: Path) -> None:
    assert (job / "left.txt").read_text().split() == []
    assert "Traceback" not in (job / "remove.log").read_text() + (job / "disable.log").read_text()
