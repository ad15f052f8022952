"""What a game artist sets: the key ``make.trim`` of a design file. Lengths are mm, angles degrees.

Numbers that stand here as defaults are common practice, no source, and every one of them can be set.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass


class Part(str, enum.Enum):
    """A kind of piece in the kit."""

    STRAIGHT = "straight"
    INNER = "inner"  # a corner that turns left along the run
    OUTER = "outer"  # a corner that turns right along the run
    CAP = "cap"  # both ends of a run
    TEE = "tee"
    CROSS = "cross"
    CHANGE = "change"  # where a divided strand begins and stops being divided


class Green(str, enum.Enum):
    """Which way the green channel of a normal map points."""

    OPENGL = "opengl"  # up the sheet
    DIRECTX = "directx"  # down the sheet


@dataclass(frozen=True, slots=True)
class Screen:
    """Levels by what is seen: no point of a level is more than ``pixels`` off at its ``distances`` (m, one a level)."""

    pixels: float = 1.0
    distances: tuple[float, ...] = (2.0, 5.0, 10.0, 20.0)
    height: int = 1080
    field_of_view: float = 50.0


@dataclass(frozen=True, slots=True)
class Textures:
    """The trim sheet: ``size`` is its width in texels, ``density`` texels a metre (None: what whole repeats give)."""

    size: int = 2048
    density: float | None = None
    padding: int = 16
    bits: int = 8
    green: Green = Green.OPENGL


@dataclass(frozen=True, slots=True)
class Trimming:
    """The kit.

    ``triangles`` is the budget of the straight piece at level 0, ``levels`` the shares of it, in percent, that the
    levels of detail get; ``screen`` sets levels by sight instead. ``repeats`` is the length of the straight piece in
    repeats of the design; ``lengths`` are further straight pieces, each whole repeats stretched by at most ``stretch``
    percent. ``corners`` are the angles that the run turns by. Edges that turn by more than ``hard`` are hard.
    """

    triangles: int = 4000
    levels: tuple[float, ...] = (100.0, 50.0, 25.0, 12.0)
    screen: Screen | None = None
    repeats: int = 1
    lengths: tuple[float, ...] = ()
    stretch: float = 5.0
    corners: tuple[float, ...] = (90.0,)
    pieces: tuple[Part, ...] = tuple(Part)
    underside: bool = False
    capped: bool = False
    card: bool = True
    hull: bool = False
    hard: float = 40.0
    textures: Textures = Textures()
