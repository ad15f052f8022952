"""A first-time user at a real window, from the zip to an STL file; large knots, Esc; and nothing left afterwards.

The pictures are in ``out/first``.
"""

from __future__ import annotations

from typing import Any

import numpy as np

SESSION = ("first.py", "first", 400)


def test_a_first_pendant_is_exported_without_a_number_typed(seen: dict[str, Any]) -> None:
    assert seen["added"] == "Relief Knot"
    keys, clicks = seen["keys and clicks"]
    assert (keys, clicks) == (19, 0), "as the manual says: 9 to add it, 10 to export it, 7 of which are typed"
    data = (seen["job"] / "first.stl").read_bytes()
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
    assert seen["made in the end"] and seen["large"] > 4000


def test_a_click_on_the_remedy_mends_the_finding(seen: dict[str, Any]) -> None:
    assert "depth" in seen["findings"] and "depth" not in seen["findings left"]


def test_disabled_and_removed_the_add_on_leaves_nothing(seen: dict[str, Any]) -> None:
    assert (seen["job"] / "left.txt").read_text().split() == []
    assert "Traceback" not in (seen["job"] / "remove.log").read_text() + (seen["job"] / "disable.log").read_text()
