"""The manual's pictures show the add-on as it is today, but for small parts that differ from one machine to another."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

Image = pytest.importorskip("PIL.Image", reason="comparing pictures needs Pillow")

ROOT = Path(__file__).resolve().parents[2]
BLUR = 8
"""Pixels over which shades are averaged: the edges of letters and lines differ between machines, areas do not."""
FAR = 16
"""How far averaged shades must lie apart, of 255, to count as another picture."""
MOST = 0.02
"""Part of a picture that may be another."""


def shades(path: Path) -> np.ndarray:
    """A picture as the mean shades of its squares."""
    full = np.asarray(Image.open(path).convert("RGB"), float)
    high, wide = (side // BLUR * BLUR for side in full.shape[:2])
    return full[:high, :wide].reshape(high // BLUR, BLUR, wide // BLUR, BLUR, 3).mean((1, 3))


def differing(one: Path, other: Path) -> float:
    """The part of two pictures in which they differ, 1 where their sizes do."""
    a, b = shades(one), shades(other)
    return 1.0 if a.shape != b.shape else float((np.abs(a - b).max(axis=2) > FAR).mean())


def script(name: str) -> ModuleType:
    """A script of the manual's folder."""
    spec = importlib.util.spec_from_file_location(f"manual_{name}_script", ROOT / "manual" / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_kept_pictures_are_those_that_the_window_shows(archive: Path, tmp_path: Path) -> None:
    pictures, drawn = script("pictures"), {f"{name}.png" for name in script("made_pictures").PICTURES}
    taken = pictures.take(tmp_path, archive)
    assert {path.name for path in taken} == {path.name for path in pictures.TARGET.glob("*.png")} - drawn
    apart = {path.name: round(differing(path, pictures.TARGET / path.name), 4) for path in taken}
    stale = {name: share for name, share in apart.items() if share > MOST}
    assert stale == {}, "run make pictures, and look at them"


def test_the_comparison_tells_pictures_apart(tmp_path: Path) -> None:
    kept = sorted((ROOT / "manual" / "docs" / "pictures").glob("*.png"))
    assert differing(kept[0], kept[0]) == 0.0
    changed = np.asarray(Image.open(kept[0]).convert("RGB")).copy()
    high, wide = changed.shape[:2]
    changed[: high // 4, : wide // 8] = 255 - changed[: high // 4, : wide // 8]
    Image.fromarray(changed).save(tmp_path / "changed.png")
    assert differing(kept[0], tmp_path / "changed.png") > MOST, "a thirty-second part of it is another"
