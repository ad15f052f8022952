"""A carver at the window: a relief from its button, a depth typed and undone, files from the dialog.

The pictures are in ``out/carve``.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

SESSION = ("carve.py", "carve", 300)


def test_the_relief_is_made_by_a_button_of_the_sidebar(seen: dict[str, Any]) -> None:
    assert seen["found relief button"] is True and seen["relief"] > 1000


def test_a_depth_that_is_typed_becomes_the_ground_of_the_relief(seen: dict[str, Any]) -> None:
    assert seen["found depth"] is True
    before, after, depth = seen["typed"]
    assert before != pytest.approx(-4.5, abs=0.1)
    assert depth == pytest.approx(4.5) and after == pytest.approx(-4.5, abs=1e-3)


def test_typing_a_depth_is_one_step_of_undo(seen: dict[str, Any]) -> None:
    before, _after, _depth = seen["typed"]
    lowest, depth = seen["undone"]
    assert lowest == pytest.approx(before, abs=1e-3) and depth == pytest.approx(-before, abs=1e-3)
    assert seen["redone"] == pytest.approx([-4.5, 4.5], abs=1e-3)


def test_files_are_replaced_only_where_that_is_ticked(seen: dict[str, Any]) -> None:
    assert seen["dialog False"] == [True, True] and seen["dialog True"] == [True, True]
    assert seen["report False"] == "mine" and "report.json" in seen["notice False"]
    assert seen["report True"] != "mine" and seen["notice True"] == ""
    assert len(seen["files"]) == 8
    report = json.loads((seen["job"] / "carved" / "report.json").read_text())
    assert report["depth_mm"] == pytest.approx(4.5)


def test_the_pictures_are_there(seen: dict[str, Any]) -> None:
    assert len(seen["pictures"]) == 7
