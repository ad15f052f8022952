"""The manual's page on pendants says what the code does."""

from __future__ import annotations

import json
import re
from pathlib import Path

from knotgeom.printing.piece import make_piece
from knotgeom.printing.profiles import LIMITS, SHIPPED, from_json
from knotgeom.reading import read_text

PAGE = (Path(__file__).resolve().parents[2] / "manual" / "docs" / "pendants.md").read_text(encoding="utf-8")


def test_the_table_of_limits_is_that_of_the_shipped_processes():
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")] for line in PAGE.splitlines() if line.startswith("| `")
    ]
    seen = set()
    for keys, _, *cells in rows:
        names = re.findall(r"`(\w+)`", keys)
        for shown, profile in zip(cells, SHIPPED.values(), strict=True):
            values = shown.split(", ") if ", " in shown else [shown] * len(names)
            for name, value in zip(names, values, strict=True):
                limit = getattr(profile, name).value
                assert (limit is None and value == "none") or float(value) == limit, (name, profile.name)
        seen.update(names)
    assert seen == set(LIMITS)


def test_its_designs_and_limits_can_be_used_as_they_stand():
    text = re.search(r"^    \{\n(?:    .*\n)+?    \}$", PAGE, re.MULTILINE).group()
    design = read_text(text)
    piece = make_piece(design)
    assert max(piece.finished[0].vertices.max(0) - piece.finished[0].vertices.min(0)) > 29
    assert abs(piece.hang.turned) < 0.5 and abs(piece.hang.tilted) < 2
    (limits,) = re.findall(r'^    (\{"name": "my caster".*\})$', PAGE, re.MULTILINE)
    assert from_json(json.loads(limits)).wall.value == 0.9
