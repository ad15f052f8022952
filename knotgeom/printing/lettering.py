"""Words and marks drawn into a picture by NumPy alone: a plain alphabet of strokes, each as a run of points.

A stroke's points are pairs of digits, across and up, the baseline at 2 and capitals up to 8; strokes that begin with
``~`` are rounded, with ``o`` rounded and closed.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

U8 = NDArray[np.uint8]
Floats = NDArray[np.float64]
Colour = tuple[int, int, int]

STROKES = {
    "0": "o02424808", "1": "162822", "2": "~0708484502 0242", "3": "~0708484515 ~1545420203", "4": "32380444",
    "5": "480805 ~0545420203", "6": "o02424505 ~38080503", "7": "084812", "8": "o05454808 o02424505",
    "9": "o05454808 ~464212", "a": "o02424606 4642", "b": "0802 o02424606", "c": "~454606024243",
    "d": "4842 o02424606", "e": "0444 ~444606024243", "f": "~381812 0636", "g": "o02424606 ~464000",
    "h": "0802 ~04064642", "i": "1612 1818", "j": "~262010 2828", "k": "0802 4604 1542", "l": "1812",
    "m": "0602 ~04063632 ~34366662", "n": "0602 ~04064642", "o": "o02424606", "p": "0600 o02424606",
    "q": "4640 o02424606", "r": "0602 ~040636", "s": "~460604444202", "t": "~181232 0636", "u": "~06024244 4642",
    "v": "062246", "w": "0622365266", "x": "0642 0246", "y": "0622 4610", "z": "06460242", "A": "022842 1434",
    "L": "080242", "P": "0208 ~08484505", ".": "2222", ",": "2211", "-": "1434", "+": "2325 1434",
}  # fmt: skip
SPACE = 3.0
APART = 2.0
THIN = 0.75
"""Width of a stroke, in units of which a capital has six."""


def _points(stroke: str) -> Floats:
    closed, round_it = stroke[0] == "o", stroke[0] in "~o"
    digits = stroke[1:] if round_it else stroke
    run = np.array([[int(a), int(b)] for a, b in zip(digits[::2], digits[1::2], strict=True)], float)
    if closed:
        run = np.concatenate([run, run[:1]])
    if round_it:
        for _ in range(3):  # corners are cut (G. Chaikin, 1974)
            cut = np.stack([0.75 * run[:-1] + 0.25 * run[1:], 0.25 * run[:-1] + 0.75 * run[1:]], 1).reshape(-1, 2)
            run = np.concatenate([cut, cut[:1]]) if closed else np.concatenate([run[:1], cut, run[-1:]])
    return run


_RUNS = {letter: [_points(stroke) for stroke in strokes.split()] for letter, strokes in STROKES.items()}


def width(text: str, size: float) -> float:
    """How many pixels a text takes whose capitals are ``size`` pixels high."""
    return sum(step for _, step in _set(text)) * size / 6 - (APART * size / 6 if text else 0.0)


def _set(text: str) -> list[tuple[list[Floats], float]]:
    """The strokes of each letter, drawn up to the left, and how far the next one stands on."""
    found = []
    for letter in text:
        runs = _RUNS.get(letter) or _RUNS.get(letter.lower())
        if runs is None:
            found.append((list[Floats](), SPACE))
            continue
        left = min(float(run[:, 0].min()) for run in runs)
        right = max(float(run[:, 0].max()) for run in runs)
        found.append(([run - [left, 2.0] for run in runs], right - left + APART))
    return found


def write(picture: U8, text: str, x: float, y: float, size: float, colour: Colour, anchor: float = 0.0) -> None:
    """Write a text into a picture.

    Parameters
    ----------
    picture : (rows, columns, 3) uint8
        Changed in place.
    x, y : float
        The place of the text's foot, in pixels from the upper left corner.
    size : float
        Height of a capital in pixels.
    anchor : float
        The part of the text's width that lies left of x: 0, 0.5 or 1.
    """
    unit = size / 6
    at = x - anchor * width(text, size)
    for runs, step in _set(text):
        for run in runs:
            line(picture, run * [unit, -unit] + [at, y], THIN * unit, colour)
        at += step * unit


def line(picture: U8, points: Floats | Sequence[tuple[float, float]], wide: float, colour: Colour) -> None:
    """Draw a run of straight strokes with round ends, its edges soft; points are (x, y) in pixels."""
    run = np.asarray(points, float)
    reach = wide / 2 + 1
    rows, columns = picture.shape[:2]
    left, top = np.maximum(np.floor(run.min(0) - reach), 0).astype(int)
    right, foot = np.minimum(np.ceil(run.max(0) + reach).astype(int) + 1, [columns, rows])
    if left >= right or top >= foot:
        return
    x, y = np.arange(left, right) + 0.5, (np.arange(top, foot) + 0.5)[:, None]
    near = np.full((foot - top, right - left), np.inf)
    for (ax, ay), (bx, by) in zip(run[:-1], run[1:]):
        along = max((bx - ax) ** 2 + (by - ay) ** 2, 1e-12)
        share = np.clip(((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / along, 0, 1)
        near = np.minimum(near, np.hypot(x - ax - share * (bx - ax), y - ay - share * (by - ay)))
    ink = np.broadcast_to(np.array(colour, np.uint8), (*near.shape, 3))
    lay(picture, int(left), int(top), ink, np.clip(reach - 0.5 - near, 0, 1))


def lay(picture: U8, left: int, top: int, over: U8, cover: Floats) -> None:
    """Lay a picture over another from a place on, covering it as ``cover``, (rows, columns) from 0 to 1, says."""
    rows, columns = over.shape[:2]
    part = picture[top : top + rows, left : left + columns]
    share = cover[: part.shape[0], : part.shape[1], None]
    part[:] = np.rint(part * (1 - share) + over[: part.shape[0], : part.shape[1]] * share).astype(np.uint8)
