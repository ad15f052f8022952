"""A game artist at the window: a kit, a frame laid along a curve, a file; pictures in ``out/trims``."""

from __future__ import annotations

from typing import Any

import pytest

SESSION = ("trims.py", "trims", 400)


def test_the_kit_is_made_by_a_button_of_the_sidebar(seen: dict[str, Any]) -> None:
    assert seen["found kit button"] is True and seen["error"] == ""
    names = {piece["name"] for piece in seen["report"]["pieces"]}
    assert {"straight", "corner-inner-090", "corner-outer-090", "cap-ahead", "cap-behind", "tee", "cross"} <= names
    assert seen["objects"] == sorted(f"{name}_LOD0" for name in names)
    straight = next(piece for piece in seen["report"]["pieces"] if piece["name"] == "straight")
    assert 0 < straight["triangles"][0] <= 2000 and straight["triangles"] == sorted(straight["triangles"], reverse=True)


def test_a_path_that_does_not_fit_says_what_would(seen: dict[str, Any]) -> None:
    assert seen["found lay button"] is True
    assert "mm lie there" in seen["refused"]


def test_a_frame_is_laid_along_a_curve_and_undo_takes_it_away(seen: dict[str, Any]) -> None:
    assert seen["found lay button again"] is True and "joints open by at most 0.0000 mm" in seen["laid"]
    assert max(seen["size_mm"][:2]) == pytest.approx(seen["wanted_mm"], rel=0.12), "less the margins of the strip"
    assert seen["after undo"] is False


def test_the_kit_is_saved_from_the_dialog(seen: dict[str, Any]) -> None:
    assert seen["dialog"] is True and seen["notice"] == "" and seen["bytes"] > 10_000


def test_the_pictures_are_there(seen: dict[str, Any]) -> None:
    assert len(seen["pictures"]) == 3
