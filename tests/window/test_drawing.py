"""Drawing at a real window: hover, click, drag, divide, keys, Esc, undo, and what is seen of it.

The pictures are in ``out/drawing``.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

SESSION = ("drawing.py", "drawing", 400)


def breaks(seen: dict[str, Any], name: str) -> dict[str, Any]:
    """The breaks of a design text that the session noted."""
    found: dict[str, Any] = json.loads(seen[name]).get("breaks", {})
    return found


def divide(seen: dict[str, Any], name: str) -> dict[str, Any]:
    """The dividing of a design text that the session noted."""
    found: dict[str, Any] = json.loads(seen[name]).get("divide", {})
    return found


def test_what_lies_under_the_pointer_is_known_while_hovering(seen: dict[str, Any]) -> None:
    assert seen["hovered"] == [[5, 4]] and seen["hovered beside"] is False


def test_a_click_breaks_and_a_drag_draws_a_wall_with_a_turn(seen: dict[str, Any]) -> None:
    assert breaks(seen, "clicked") == {"horizontal": [[5, 4]]}
    assert seen["while dragging"] == seen["clicked"], "nothing is done before the button is let go"
    assert breaks(seen, "dragged") == {"horizontal": [[5, 4], [3, 6], [5, 6]], "vertical": [[6, 7]]}


@pytest.mark.parametrize("key", ["ESC", "RIGHTMOUSE"])
def test_a_stroke_given_up_leaves_all_as_it_was(seen: dict[str, Any], key: str) -> None:
    assert seen[f"given up with {key}"] == seen["dragged"]
    assert seen[f"given up with {key}, stroke"] is False


def test_ctrl_divides_and_rejoins_a_pass_and_with_shift_the_circuit(seen: dict[str, Any]) -> None:
    plain = {"gap": 0.9}
    assert divide(seen, "pass") == plain | {"passes": [[9, 4, "rising"]]}
    assert divide(seen, "pass again") == plain
    assert divide(seen, "circuit") == plain | {"circuits": [[9, 4, "rising"]]}
    assert seen["circuit error"] == ""


def test_keys_wish_over_and_turn_the_hand(seen: dict[str, Any]) -> None:
    assert json.loads(seen["over"])["weave"] == {"prefer": [[9, 6, "rising"]]}
    assert json.loads(seen["hand"])["weave"] == {"hand": "left", "prefer": [[9, 6, "rising"]]}


def test_each_gesture_is_one_step_of_undo(seen: dict[str, Any]) -> None:
    expected = ["over", "circuit", "pass again", "pass", "dragged", "clicked", "start"]
    assert seen["undone"] == [seen[name] for name in expected]
    assert seen["redone"] == seen["hand"]


def test_a_stroke_from_the_side_finds_its_site_and_its_mirror_image(seen: dict[str, Any]) -> None:
    assert seen["from the side"] == [[3, 2], [9, 2]]
    assert {(3, 2), (9, 2)} <= {tuple(site) for site in breaks(seen, "clicked from the side")["horizontal"]}


def test_a_circuit_takes_a_colour(seen: dict[str, Any]) -> None:
    assert len(seen["colours"]) == 2 and seen["colours"][1].startswith("Strand #")


def test_a_press_beside_the_knot_is_blenders_own(seen: dict[str, Any]) -> None:
    assert seen["pressed beside"] is True
    assert seen["selected after a press beside"] == []


def test_there_were_forks_to_be_shown(seen: dict[str, Any]) -> None:
    assert seen["forks"] > 0


def test_nothing_drawn_has_failed(seen: dict[str, Any]) -> None:
    assert seen["drawing still"] is True, "a drawing that fails is taken out of the view"


def test_the_pictures_differ_where_something_else_is_shown(seen: dict[str, Any]) -> None:
    pictures = seen["pictures"]
    assert len(pictures) == 8
    assert len({picture.read_bytes() for picture in pictures}) == 8
