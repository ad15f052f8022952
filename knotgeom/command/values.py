"""What options may hold: each takes the words of the command line, or says what they should be."""

from __future__ import annotations

import argparse
import re
from typing import Any

from ..forms import printable

MESH_ENDINGS = (".stl", ".ply", ".obj")
ENDINGS = ", ".join(MESH_ENDINGS)
PURPOSES = ("board", "pendant", "trim", "drawing")
SHEET_PAGES = ("pattern", "mirrored", "stages", "follow")
SHEET_PAPERS = ("A4", "A3", "Letter")
SHEET_MARKS = ("depths", "waste", "arrows", "grid", "outlines")
LEAST_PIXELS, MOST_PIXELS = 16, 20_000
_FIELD = re.compile(r"([0-9.]+)[xX×]([0-9.]+)")


def pixels(text: str) -> int:
    """The length of a side of a picture."""
    if not re.fullmatch(r"[0-9]{1,9}", text) or not LEAST_PIXELS <= int(text) <= MOST_PIXELS:
        raise argparse.ArgumentTypeError(
            f'found "{printable(text)}", give a whole number from {LEAST_PIXELS} to {MOST_PIXELS:,}'
        )
    return int(text)


def count(text: str) -> int:
    """A number of things."""
    if not re.fullmatch(r"[0-9]{1,6}", text) or int(text) < 1:
        raise argparse.ArgumentTypeError(f'found "{printable(text)}", give a whole number from 1 to 999,999')
    return int(text)


def symmetries(text: str) -> Any:
    """Symmetries, and how many times round."""
    from ..mending import chosen_symmetries

    try:
        return chosen_symmetries(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(
            f'found "{printable(str(error))}", give left-right, up-down, half-turn, quarter-turn, round or round:N'
        ) from None


def length(text: str) -> float:
    """A length, mm."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0 <= value < float("inf"):
        raise argparse.ArgumentTypeError(f'found "{printable(text)}", give a length in mm')
    return value


def resolution(text: str) -> float:
    """Millimetres to a sample."""
    value = length(text)
    if not 0.05 <= value <= 1:
        raise argparse.ArgumentTypeError(f'found "{printable(text)}", give 0.05 to 1 mm')
    return value


def field(text: str) -> tuple[float, float]:
    """Width and height, mm."""
    found = _FIELD.fullmatch(text)
    if not found or any(side.count(".") > 1 or side == "." for side in found.groups()):
        raise argparse.ArgumentTypeError(f'found "{printable(text)}", give WIDTHxHEIGHT in mm such as 280x180')
    return float(found[1]), float(found[2])
