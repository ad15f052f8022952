"""The preview of a piece: front, side and back in its metal's colour, to one scale, over a bar of 20 mm."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..mesh import Mesh
from ..picture import picture
from .bodies import joined

if TYPE_CHECKING:
    from PIL.Image import Image

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


def preview(piece: Piece, found: Mapping[str, Any], *, pixels: int = 1400, material: str = "") -> Image:
    """Front, side and back of the finished piece side by side.

    Parameters
    ----------
    found : mapping
        The report.
    pixels : int
        Width of the whole picture.
    """
    from PIL import Image, ImageDraw, ImageFont

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
    sheet = Image.new("RGB", (pixels, int(top + height / pitch + foot)), PAPER)
    draw = ImageDraw.Draw(sheet)
    font = ImageFont.load_default(max(12.0, pixels / 70))
    left = gap / pitch
    for name, view, across in views:
        longer = max(across, height)
        image = Image.fromarray(picture(view, max(16, round(longer / pitch)), margin=0.0, colours=tones))
        mask = _covered(view, image.size)
        sheet.paste(image, (round(left), round(top)), mask)
        draw.text((left + across / pitch / 2, top + height / pitch + 0.012 * pixels), name, FAINT, font, anchor="mt")
        left += (across + gap) / pitch
    y = sheet.height - 0.045 * pixels
    x = gap / pitch
    bar = BAR / pitch
    draw.rectangle((x, y, x + bar, y + max(3, pixels // 300)), INK)
    for end in (x, x + bar / 2, x + bar):
        draw.line((end, y - pixels / 160, end, y + pixels / 160), INK, max(1, pixels // 700))
    draw.text((x + bar + 0.012 * pixels, y), f"{BAR:g} mm", INK, font, anchor="lm")
    sides = " x ".join(f"{side:.1f}" for side in (width, height, depth))
    count = found["bodies"]
    words = f"{sides} mm   {found['mass_g']:.2f} g {material}   {count} {'body' if count == 1 else 'bodies'}"
    draw.text((pixels - gap / pitch, y), words, INK, font, anchor="rm")
    return sheet


def thumbnail(image: Image, side: int = 320) -> bytes:
    """A small PNG of the preview's front."""
    from PIL import Image as Images

    front = image.crop((0, 0, min(image.width, image.height), image.height))
    front.thumbnail((side, side), Images.Resampling.LANCZOS)
    stream = io.BytesIO()
    front.save(stream, format="PNG")
    return stream.getvalue()


def colour_of(material: str) -> str:
    """The colour of a material, ``#rrggbb``."""
    return next((colour for word, colour in COLOURS if word.lower() in material.lower()), "#c9cdd1")


def _turned(mesh: Mesh, rows: tuple[tuple[int, int, int], ...]) -> Mesh:
    return replace(mesh, vertices=np.ascontiguousarray(mesh.vertices @ np.array(rows, float).T))


def _covered(mesh: Mesh, size: tuple[int, int]) -> Image:
    """What the mesh covers of its picture, its edges soft."""
    from PIL import Image

    from ..raster import height_buffer, window_of

    window = window_of(mesh, pixels=max(size)).finer(2)
    there = np.isfinite(height_buffer(mesh, window)[0])
    mask = Image.fromarray((there * 255).astype(np.uint8))
    return mask.resize(size, Image.Resampling.BOX)
