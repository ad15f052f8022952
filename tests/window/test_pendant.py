"""A maker of pendants at the window: a piece, its findings, a remedy, a file; pictures in ``out/pendant``."""

from __future__ import annotations

from typing import Any

SESSION = ("pendant.py", "pendant", 300)


def test_the_piece_is_made_and_checked_by_a_button_of_the_sidebar(seen: dict[str, Any]) -> None:
    assert seen["found piece button"] is True and seen["error"] == "" and seen["piece"] > 1000
    assert seen["before"]["bodies"] == seen["before"]["bodies_expected"] == 1


def test_its_bail_is_made_in_the_window_s_own_blender(seen: dict[str, Any]) -> None:
    # with the wheel for that Blender's Python, which the extension brings
    assert seen["before"]["left_out"] == []
    assert abs(seen["before"]["hang"]["turned_deg"]) < 0.5 and abs(seen["before"]["hang"]["tilted_deg"]) < 3


def test_a_thin_wall_is_found_and_its_place_shown(seen: dict[str, Any]) -> None:
    walls = [finding for finding in seen["before"]["findings"] if finding["kind"] == "wall"]
    assert walls and walls[0]["value"] < 0.8
    assert seen["places"] == sum(finding["at"] is not None for finding in seen["before"]["findings"])


def test_one_click_on_a_remedy_makes_it_thicker(seen: dict[str, Any]) -> None:
    assert seen["found remedy"] is True
    assert seen["after"]["wall_mm"]["value"] > seen["before"]["wall_mm"]["value"] + 0.05


def test_a_file_is_replaced_only_where_that_is_ticked(seen: dict[str, Any]) -> None:
    assert seen["dialog False"] and seen["dialog True"]
    assert seen["begins False"] == "mine" and "is there already" in seen["notice False"]
    assert seen["begins True"] == "PK\x03\x04" and seen["notice True"] == ""


def test_the_pictures_are_there(seen: dict[str, Any]) -> None:
    assert len(seen["pictures"]) == 4
