"""The starting points are sound, symmetrical, different from each other, and their pictures show them as they are."""

from __future__ import annotations

import hashlib
import importlib.util
import json
import re
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from knotgeom import design as d
from knotgeom import editing, made, reading
from knotgeom.sizing import sizes

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "blender_addon" / "presets"
ENTRIES: list[dict[str, str]] = json.loads((FOLDER / "collection.json").read_text(encoding="utf-8"))
KEYS = [entry["id"] for entry in ENTRIES]


def load(key: str) -> d.Design:
    return reading.read_file(FOLDER / f"{key}.interlace.json")


def walls(design: d.Design) -> set[tuple[int, int, str]]:
    """Every break as (x, y, the way its wall runs)."""
    return {(x, y, "-") for x, y in design.breaks.horizontal} | {(x, y, "|") for x, y in design.breaks.vertical}


def turned(design: d.Design, motion: str) -> tuple[set[tuple[int, int, str]], set[tuple[int, int]]]:
    """Breaks and left out cells after a motion of the whole grid."""
    columns, rows = design.layout.columns, design.layout.rows
    breaks: set[tuple[int, int, str]] = set()
    cells: set[tuple[int, int]] = set()
    for x, y, way in walls(design):
        breaks.add(
            {
                "left-right": (2 * columns - x, y, way),
                "up-down": (x, 2 * rows - y, way),
                "quarter": (2 * rows - y, x, "|" if way == "-" else "-"),
            }[motion]
        )
    for i, j in design.layout.without:
        cells.add(
            {
                "left-right": (columns - 1 - i, j),
                "up-down": (i, rows - 1 - j),
                "quarter": (rows - 1 - j, i),
            }[motion]
        )
    return breaks, cells


def is_kept_by(design: d.Design, motion: str) -> bool:
    return turned(design, motion) == (walls(design), set(design.layout.without))


def test_the_list_names_every_design_and_every_design_has_a_picture() -> None:
    designs = {path.relative_to(FOLDER).as_posix().removesuffix(".interlace.json") for path in FOLDER.rglob("*.json")}
    pictures = {path.relative_to(FOLDER).as_posix().removesuffix(".png") for path in FOLDER.rglob("*.png")}
    assert designs - {"collection.json"} == pictures == set(KEYS)
    assert len(KEYS) == len(set(KEYS)) == len({entry["name"] for entry in ENTRIES}) >= 20


def test_every_use_has_a_choice_of_designs_and_of_sizes() -> None:
    uses = Counter(key.partition("/")[0] for key in KEYS)
    assert set(uses) == {"pendant", "board", "trim", "drawing"} and min(uses.values()) >= 5
    cells = [load(key).layout.columns * load(key).layout.rows for key in KEYS]
    assert min(cells) <= 12 and max(cells) >= 60


def test_the_collection_shows_what_strands_can_do() -> None:
    designs = [load(key) for key in KEYS]
    assert any(not walls(design) for design in designs), "a plain plait"
    assert any(design.divide.circuits for design in designs), "divided circuits"
    assert any(design.divide.all for design in designs), "all divided"
    assert any(design.divide.passes for design in designs), "partly divided"
    assert any(design.divide.rejoin is d.Rejoin.BENDS for design in designs), "rejoined at bends"
    assert any(design.layout.without for design in designs), "cells left out"
    assert {design.strand.section for design in designs} >= {
        d.Section.FLAT,
        d.Section.HALF_ROUND,
        d.Section.MEDIAN_INCISED,
    }


def test_no_two_designs_have_the_same_pattern() -> None:
    patterns = {
        (design.layout.columns, design.layout.rows, design.layout.without, frozenset(walls(design)), design.divide)
        for design in map(load, KEYS)
    }
    assert len(patterns) == len(KEYS)


@pytest.mark.parametrize("key", KEYS)
def test_nothing_is_found_against_it_and_over_and_under_alternate(key: str) -> None:
    facts: dict[str, Any] = made.facts(load(key))
    assert facts["findings"] == []
    assert facts["exceptions"] == 0 and facts["exact"]
    plain = facts["plain_gap_mm"]
    assert facts["least_gap_mm"] >= 0.8 * plain
    assert 0.8 * plain <= facts["median_gap_mm"] <= 1.2 * plain
    assert facts["steepest_deg"] < 50


@pytest.mark.parametrize("key", KEYS)
def test_it_is_symmetrical_in_both_mirrors_or_under_quarter_turns(key: str) -> None:
    design = load(key)
    assert (is_kept_by(design, "left-right") and is_kept_by(design, "up-down")) or is_kept_by(design, "quarter")


@pytest.mark.parametrize("key", KEYS)
def test_no_cell_is_closed_on_three_sides_and_the_strand_suits_the_cell(key: str) -> None:
    design = load(key)
    grid, size = design.layout, sizes(design)
    for column in range(grid.columns):
        for row in range(grid.rows):
            if (column, row) in grid.without:
                continue
            x, y = 2 * column + 1, 2 * row + 1
            sides = [(x, y - 1, "-"), (x, y + 1, "-"), (x - 1, y, "|"), (x + 1, y, "|")]
            closed = sum(
                (sx, sy, way) in walls(design) or not editing.is_crossable(grid, d.Site(sx, sy))
                for sx, sy, way in sides
            )
            assert closed <= 2 or len(design.layout.without) + 1 == grid.columns * grid.rows
    assert 0.40 <= size.width / min(grid.cell_width, grid.cell_height) <= 0.45


def test_no_picture_is_older_than_its_design() -> None:
    stale = [
        entry["id"]
        for entry in ENTRIES
        if hashlib.sha256((FOLDER / f"{entry['id']}.interlace.json").read_bytes()).hexdigest() != entry["picture_of"]
    ]
    assert stale == [], "run manual/thumbnails.py"


def test_pictures_are_small_squares() -> None:
    for key in KEYS:
        with Image.open(FOLDER / f"{key}.png") as picture:
            assert picture.size == (256, 256)
    assert sum(path.stat().st_size for path in FOLDER.rglob("*")) < 1_500_000


@pytest.mark.parametrize("key", ["pendant/cross-encircled", "board/stepped-roundel", "trim/fully-divided-strip"])
def test_a_picture_shows_its_design(key: str) -> None:
    spec = importlib.util.spec_from_file_location("thumbnails", ROOT / "manual" / "thumbnails.py")
    assert spec is not None and spec.loader is not None
    thumbnails = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(thumbnails)

    def difference(other: str) -> float:
        with Image.open(FOLDER / f"{other}.png") as picture:
            kept = np.asarray(picture.convert("RGB"), np.int16)
        return float(np.abs(kept - drawn).mean())

    drawn = thumbnails.draw(FOLDER / f"{key}.interlace.json").astype(np.int16)
    assert difference(key) < 7
    assert difference("board/one-strand-panel") > 14, "and no other would do"


def test_names_and_words_are_plain() -> None:
    for entry in ENTRIES:
        assert re.fullmatch(r"[A-Z][A-Za-z,\- ]+", entry["name"]), entry["name"]
        assert entry["about"] and not entry["about"].endswith(".")
