"""A session at a real window: menu, sidebar, clicks on the knot, undo, and words where a value cannot be.

The pictures it takes are in ``out/window``.
"""

from __future__ import annotations

import json
from typing import Any

SESSION = ("work.py", "window", 300)


def design(seen: dict[str, Any], name: str) -> dict[str, Any]:
    """A design text that the session noted."""
    text: dict[str, Any] = json.loads(seen[name])
    return text


def test_the_menu_adds_a_board_in_three_arrow_keys_and_a_return(seen: dict[str, Any]) -> None:
    assert seen["added"] == "Relief Knot" and seen["error"] == ""
    start = design(seen, "starting text")
    assert (start["layout"]["cell"], start["strand"]["width"]) == (24, 12)
    assert seen["vertices"] > 1000


def test_a_new_knot_lies_whole_within_the_view(seen: dict[str, Any]) -> None:
    (left, low), (right, high) = seen["corners on screen"]
    assert 0 < left < right < 1310 and 60 < low < high < 870
    assert right - left > 300, "and is not lost in it"


def test_a_click_on_a_site_breaks_there_and_shift_click_the_other_way(seen: dict[str, Any]) -> None:
    start = design(seen, "starting text")["breaks"]
    once, twice = design(seen, "after break")["breaks"], design(seen, "after second break")["breaks"]
    assert once == start | {"horizontal": [[7, 4]]}
    assert twice == once | {"vertical": [*start["vertical"], [9, 6]]}


def test_a_click_on_a_strand_divides_its_circuit(seen: dict[str, Any]) -> None:
    divide = design(seen, "after divide")["divide"]
    assert list(divide) == ["circuits"] and len(divide["circuits"]) == 1
    assert seen["divide error"] == ""
    assert seen["after divide, forks"] == 0 and seen["after divide, woven crossings"] > seen["crossings"]


def test_the_sidebars_buttons_take_the_drawing_tool_and_put_it_away(seen: dict[str, Any]) -> None:
    assert seen["tools"] == ["BREAK", "CIRCUIT", "none"]


def test_every_click_is_one_step_of_undo(seen: dict[str, Any]) -> None:
    assert seen["undone once"] == seen["after second break"]
    assert seen["undone twice"] == seen["after break"]
    assert seen["undone three times"] == seen["starting text"]
    assert seen["undone three times, vertices"] == seen["vertices"]
    assert seen["redone once"] == seen["after break"]


def test_an_impossible_width_is_answered_in_words_and_the_mesh_stays(seen: dict[str, Any]) -> None:
    assert "leaves no background" in seen["impossible"]
    assert seen["mesh stayed"] is True


def test_the_pictures_show_something(seen: dict[str, Any]) -> None:
    pictures = seen["pictures"]
    assert len(pictures) == 8
