"""The preview of a piece: front, side and back in its metal's colour, to one scale, over a bar of 20 mm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..files import png16
from ..mesh import Mesh
from ..picture import picture
from ..raster import height_buffer, window_of
from .bodies import joined
from .lettering import U8, Floats, lay, line, write

if TYPE_CHECKING:
    from .piece import Piece

COLOURS = (
    ("silver", "#c9cdd1"),
    ("white gold", "#cfcdc6"),
    ("red gold", "#d79b78"),
    ("green gold", "#cfc27a"),
    ("gold", "#dcb45a"),
    ("copper", "#c4835e"),
    ("bronze", "#a87c4a"),
    ("brass", "#c9a954"),
    ("pewter", "#a8abad"),
    ("nylon", "#e4e3de"),
    ("PLA", "#8fa5b4"),
    ("resin", "#b7bcc0"),
    ("wax", "#7fa88c"),
)
"""The colour of a material by what its name holds; the first that fits."""
BAR = 20.0
"""Length of the scale bar, mm."""
PAPER, INK, FAINT = (246, 244, 240), (52, 50, 48), (120, 116, 112)


def preview(piece: Piece, found: Mapping[str, Any], *, pixels: int = 1400, material: str = "") -> U8:
    """Front, side and back of the finished piece side by side, (rows, pixels, 3) uint8; NumPy alone.

    Parameters
    ----------
    found : mapping
        The report.
    pixels : int
        Width of the whole picture.
    """
    mesh = joined(piece.finished)
    tones = {k: colour_of(material) for k in range(len(piece.finished))}
    width, height, depth = (float(v) for v in np.ptp(mesh.vertices, axis=0))
    gap = 0.09 * max(width, height)
    pitch = (2 * width + depth + 4 * gap) / pixels
    views = (
        ("front", mesh, width),
        ("side", _turned(mesh, ((0, 0, 1), (0, 1, 0), (-1, 0, 0))), depth),
        ("back", _turned(mesh, ((-1, 0, 0), (0, 1, 0), (0, 0, -1))), width),
    )
    top, foot = gap / pitch, 0.115 * pixels
    sheet: U8 = np.empty((int(top + height / pitch + foot), pixels, 3), np.uint8)
    sheet[:] = PAPER
    letters = max(8.0, pixels / 95)
    left = gap / pitch
    for name, view, across in views:
        longer = max(across, height)
        image = picture(view, max(16, round(longer / pitch)), margin=0.0, colours=tones)
        lay(sheet, round(left), round(top), image, _covered(view, image.shape[:2]))
        y = top + height / pitch + 0.012 * pixels + letters
        write(sheet, name, left + across / pitch / 2, y, letters, FAINT, 0.5)
        left += (across + gap) / pitch
    y = len(sheet) - 0.045 * pixels
    x, bar, thin = gap / pitch, BAR / pitch, max(1.0, pixels / 700)
    line(sheet, [(x, y), (x + bar, y)], max(3.0, pixels / 300), INK)
    for end in (x, x + bar / 2, x + bar):
        line(sheet, [(end, y - pixels / 160), (end, y + pixels / 160)], thin, INK)
    write(sheet, f"{BAR:g} mm", x + bar + 0.012 * pixels, y + letters / 2, letters, INK)
    sides = " x ".join(f"{side:.1f}" for side in (width, height, depth))
    count = found["bodies"]
    words = f"{sides} mm   {found['mass_g']:.2f} g {material}   {count} {'body' if count == 1 else 'bodies'}"
    write(sheet, words, pixels - gap / pitch, y + letters / 2, letters, INK, 1.0)
    return sheet


def thumbnail(image: U8, side: int = 320) -> bytes:
    """A small PNG of the preview's front."""
    least = min(image.shape[:2])
    front = image[:, :least].astype(np.float32)
    step = max(1, -(-max(front.shape[:2]) // side))
    rows, columns = front.shape[0] // step, front.shape[1] // step
    small = front[: rows * step, : columns * step].reshape(rows, step, columns, step, 3).mean((1, 3))
    return as_png(np.rint(small).astype(np.uint8))


def as_png(image: U8) -> bytes:
    """The content of a PNG file."""
    return b"".join(png16.encode(image, {}, level=9))


def colour_of(material: str) -> str:
    """The colour of a material, ``#rrggbb``."""
    return next((colour for word, colour in COLOURS if word.lower() in material.lower()), "#c9cdd1")


def _turned(mesh: Mesh, rows: tuple[tuple[int, int, int], ...]) -> Mesh:
    return replace(mesh, vertices=np.ascontiguousarray(mesh.vertices @ np.array(rows, float).T))


def _covered(mesh: Mesh, shape: tuple[int, int]) -> Floats:
    """How much of each pixel of its picture the mesh covers, 0 to 1."""
    fine = window_of(mesh, pixels=max(shape)).finer(2)
    there = np.isfinite(height_buffer(mesh, fine)[0])
    rows, columns = shape
    there = there[: 2 * rows, : 2 * columns]
    spare = (2 * rows - there.shape[0], 2 * columns - there.shape[1])
    full = np.pad(there, [(0, max(0, more)) for more in spare])
    return np.asarray(full.reshape(rows, 2, columns, 2).mean((1, 3)), np.float64)
