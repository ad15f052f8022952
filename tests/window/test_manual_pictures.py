"""The manual's pictures show the add-on as it is today. Slow, so run by name: ``pytest tests/window``."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

ROOT = Path(__file__).resolve().parents[2]
FAR = 48
"""How far shades of a pixel must lie apart to count as another picture."""
MOST = 0.02
"""Of the pixels that may be another picture: the anti-aliasing of letters differs between machines."""


def shades(path: Path) -> np.ndarray:
    return np.asarray(Image.open(path).convert("RGB"), np.int16)


def test_kept_pictures_are_those_that_the_window_shows(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("manual_pictures_script", ROOT / "manual" / "pictures.py")
    assert spec is not None and spec.loader is not None
    pictures = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = pictures
    spec.loader.exec_module(pictures)
    missing = pictures.desk.why_not()
    if missing:
        pytest.skip(missing)
    taken = pictures.take(tmp_path)
    assert {path.name for path in taken} == {path.name for path in pictures.TARGET.glob("*.png")}
    stale = []
    for path in taken:
        new, kept = shades(path), shades(pictures.TARGET / path.name)
        if new.shape != kept.shape or (np.abs(new - kept).max(axis=2) > FAR).mean() > MOST:
            stale.append(path.name)
    assert stale == [], "run make pictures, and look at them"
