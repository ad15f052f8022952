"""What pages are made of: lines, areas and words in mm; x right, y up from the paper's lower left corner."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from ..mesh import Floats
from .visible import Line

Ink = tuple[float, float, float]
"""Red, green, blue, 0 to 1."""
BLACK: Ink = (0.0, 0.0, 0.0)
GREY: Ink = (0.45, 0.45, 0.45)
PALE: Ink = (0.72, 0.72, 0.72)
WHITE: Ink = (1.0, 1.0, 1.0)
RED: Ink = (0.72, 0.10, 0.08)
AMBER: Ink = (1.0, 0.80, 0.36)

PAPERS: dict[str, tuple[float, float]] = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "Letter": (215.9, 279.4)}
"""Width and height upright, mm: ISO 216 and ANSI/ASME Y14.1 (Letter is 8.5 x 11 in)."""


@dataclass(frozen=True, slots=True)
class Pen:
    """How a line or an area looks. ``width`` in mm, 0 for no line; ``fill`` None for no filling; ``dash`` in mm."""

    width: float
    ink: Ink = BLACK
    fill: Ink | None = None
    dash: tuple[float, ...] = ()
    butt: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """Lines of one kind. A filled shape is one path, filled by winding number; so is one that is a ``whole``."""

    layer: str
    pen: Pen
    lines: tuple[Line, ...]
    whole: bool = False


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text. ``anchor`` is ``start``, ``middle`` or ``end``; ``size`` in mm; ``y`` is the base line."""

    layer: str
    text: str
    x: float
    y: float
    size: float
    anchor: str = "start"
    bold: bool = False
    ink: Ink = BLACK


class Box(NamedTuple):
    """A rectangle, mm."""

    left: float
    bottom: float
    right: float
    top: float

    @property
    def width(self) -> float:
        """Its width."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """Its height."""
        return self.top - self.bottom


Item = Shape | Words


@dataclass(frozen=True, slots=True, eq=False)
class Inset:
    """A drawing that several pages show parts of: moved by ``shift``, cut off at ``clip``."""

    name: str
    shift: tuple[float, float]
    clip: Box


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """A sheet of paper."""

    width: float
    height: float
    items: tuple[Item | Inset, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Document:
    """Pages, and the drawings that insets name."""

    title: str
    pages: tuple[Page, ...]
    drawings: dict[str, tuple[Item, ...]]


def line(*points: tuple[float, float], closed: bool = False) -> Line:
    """A line through points."""
    return Line(np.array(points, float), closed)


def rectangle(box: Box) -> Line:
    """A rectangle's outline."""
    return line((box.left, box.bottom), (box.right, box.bottom), (box.right, box.top), (box.left, box.top), closed=True)


def disc(x: float, y: float, radius: float, corners: int = 28) -> Line:
    """A circle as a polygon."""
    turn = 2 * np.pi * np.arange(corners) / corners
    return Line(np.stack([x + radius * np.cos(turn), y + radius * np.sin(turn)], 1), True)


def moved(items: Iterable[Item], scale: float, dx: float, dy: float, flip: bool = False) -> list[Item]:
    """Items scaled and then moved; ``flip`` mirrors places left to right and leaves words readable. Pens stay."""
    across = -scale if flip else scale
    factor, shift = np.array([across, scale]), np.array([dx, dy])
    result: list[Item] = []
    for item in items:
        if isinstance(item, Shape):
            result.append(replace(item, lines=tuple(Line(p * factor + shift, c) for p, c in item.lines)))
        else:
            result.append(replace(item, x=item.x * across + dx, y=item.y * scale + dy, size=item.size * scale))
    return result


def extent(lines: Iterable[Line]) -> Box:
    """The rectangle that just holds lines."""
    points = np.concatenate([points for points, _ in lines])
    low, high = points.min(0), points.max(0)
    return Box(float(low[0]), float(low[1]), float(high[0]), float(high[1]))


def thinned(lines: Sequence[Line], within: float = 0.004) -> tuple[Line, ...]:
    """Lines with points left out that lie on a straight run, none moving the line by more than about ``within`` mm."""
    return tuple(Line(_thin(points, within / 3), closed) for points, closed in lines)


def _thin(points: Floats, within: float) -> Floats:
    for _ in range(3):
        if len(points) < 5:
            break
        a, b, c = points[:-2:2], points[1:-1:2], points[2::2]
        run = c - a
        length = np.maximum(np.hypot(run[:, 0], run[:, 1]), 1e-12)
        off = np.abs(run[:, 0] * (b - a)[:, 1] - run[:, 1] * (b - a)[:, 0]) / length
        keep = np.ones(len(points), bool)
        keep[1:-1:2] = off > within
        points = points[keep]
    return points


# fmt: off
_PLAIN = (
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556, 556, 556,
    556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833,
    722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556,
    556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334,
    260, 334, 584,
)
_BOLD = (
    278, 333, 474, 556, 556, 889, 722, 238, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556, 556, 556,
    556, 556, 556, 333, 333, 584, 584, 584, 611, 975, 722, 722, 722, 722, 667, 611, 778, 722, 278, 556, 722, 611, 833,
    722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 333, 278, 333, 584, 556, 333, 556, 611, 556, 611,
    556, 333, 611, 611, 278, 278, 556, 278, 889, 611, 611, 611, 611, 389, 556, 333, 611, 556, 778, 556, 556, 500, 389,
    280, 389, 584,
)
# fmt: on
"""Advance widths of Helvetica and Helvetica-Bold from the space to the tilde, thousandths of their size (Adobe Core 14
font metrics, from memory; a test measures rendered text against them)."""


def width_of(text: str, size: float, bold: bool = False) -> float:
    """Length of a line of text in Helvetica, mm."""
    table = _BOLD if bold else _PLAIN
    return sum(table[ord(c) - 32] if 32 <= ord(c) < 127 else 600 for c in text) / 1000 * size


def fitting(text: str, size: float, width: float, bold: bool = False) -> float:
    """The size at which a line of text keeps within ``width``, no larger than ``size``; mm."""
    return size * min(1.0, width / max(width_of(text, size, bold), 1e-9))


def wrapped(text: str, size: float, width: float) -> list[str]:
    """Text broken into lines no longer than ``width`` mm."""
    lines: list[str] = []
    for paragraph in text.split("\n"):
        current = ""
        for word in paragraph.split(" "):
            longer = f"{current} {word}" if current else word
            if current and width_of(longer, size) > width:
                lines.append(current)
                current = word
            else:
                current = longer
        lines.append(current)
    return lines


def column(
    layer: str, text: str, x: float, top: float, width: float, size: float, leading: float = 1.38, ink: Ink = BLACK
) -> tuple[list[Item], float]:
    """A column of text from ``top`` downwards, and where it ends."""
    items: list[Item] = []
    y = top
    for words in wrapped(text, size, width):
        y -= size * leading
        items.append(Words(layer, words, x, y, size, ink=ink))
    return items, y
