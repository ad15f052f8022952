"""What a designer sets down: the design as small immutable values. Lengths are mm, angles degrees.

A *site* is ``(x, y)`` in half cells from the lower left corner of the grid; x + y is odd. x odd, y even lies on a
horizontal grid line, x even, y odd on a vertical one. At a site two *passes* of strand cross: ``rising`` (lower left
to upper right) and ``falling`` (upper left to lower right).

Values that the designer left open are ``None`` here and get their defaults in :func:`sizes`, so that a design written
back to its file says no more than its designer did.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, field
from typing import NamedTuple

from .carving.options import Carving
from .printing.options import Printing
from .trims.options import Trimming

SCHEMA = 1
"""Version of the design file, the value of its key ``interlace``."""


class Way(str, enum.Enum):
    """Which of the two strands at a site is meant."""

    RISING = "rising"
    FALLING = "falling"


class Rejoin(str, enum.Enum):
    """Where the halves of a divided strand run as one again (both ends of the step being divided)."""

    NONE = "none"
    BENDS = "bends"  # on every step that touches a break or the boundary
    STEPS = "steps"  # on every step


class Hand(str, enum.Enum):
    """Which of a weave and its mirror image is taken."""

    RIGHT = "right"
    LEFT = "left"


class Section(str, enum.Enum):
    """The shape of a strand cut across."""

    FLAT = "flat"
    HALF_ROUND = "half-round"
    PEAKED = "peaked"
    MEDIAN_INCISED = "median-incised"


class Turn(str, enum.Enum):
    """How a strand turns back."""

    ROUND = "round"
    POINTED = "pointed"


class Making(str, enum.Enum):
    """The way of making, which sets how far apart strands are kept at a crossing."""

    FREE = "free"
    FUSED = "fused"
    CARVED = "carved"


class Site(NamedTuple):
    """A place where strands may cross, in half cells."""

    x: int
    y: int


class Pass(NamedTuple):
    """One strand's way through one site."""

    x: int
    y: int
    way: Way

    @property
    def site(self) -> Site:
        """The site passed through."""
        return Site(self.x, self.y)


@dataclass(frozen=True, slots=True)
class Grid:
    """A layout of equal cells, ``columns`` x ``rows``, less the cells named in ``without`` (column, row)."""

    columns: int
    rows: int
    cell_width: float
    cell_height: float
    without: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Breaks:
    """Sites where the strands turn back from a short wall instead of crossing."""

    horizontal: tuple[Site, ...] = ()
    vertical: tuple[Site, ...] = ()


@dataclass(frozen=True, slots=True)
class Divide:
    """Which strands run as two halves. ``gap`` is the open background between the halves, None for its default."""

    circuits: tuple[Pass, ...] = ()
    passes: tuple[Pass, ...] = ()
    all: bool = False
    rejoin: Rejoin = Rejoin.NONE
    gap: float | None = None


@dataclass(frozen=True, slots=True)
class Weave:
    """The hand of the weave and the passes wished over."""

    hand: Hand = Hand.RIGHT
    prefer: tuple[Pass, ...] = ()


@dataclass(frozen=True, slots=True)
class Turns:
    """How strands turn at the corners of the layout, along its borders, and at breaks."""

    corners: Turn = Turn.POINTED
    borders: Turn = Turn.ROUND
    breaks: Turn = Turn.ROUND


@dataclass(frozen=True, slots=True)
class Groove:
    """The incised line of a median-incised section: its depth in mm and the angle between its walls in degrees."""

    depth: float | None = None
    angle_deg: float = 75.0


@dataclass(frozen=True, slots=True)
class CircuitStyle:
    """What one circuit has of its own: a width, None for the strand's, and a colour ``#rrggbb``, None for none."""

    through: Pass
    width: float | None = None
    colour: str | None = None


@dataclass(frozen=True, slots=True)
class Strand:
    """The strand cut across. ``section`` is a named shape, or the outline's points, scaled to width x thickness.

    ``circuits`` gives whole circuits a width or a colour of their own.
    """

    width: float | None = None
    thickness: float | None = None
    section: Section | tuple[tuple[float, float], ...] = Section.FLAT
    groove: Groove = field(default_factory=Groove)
    turns: Turns = field(default_factory=Turns)
    circuits: tuple[CircuitStyle, ...] = ()


@dataclass(frozen=True, slots=True)
class Heights:
    """How the strands rise and fall, and the limits they must keep."""

    way: Making = Making.FREE
    clearance: float = 0.2
    step: float | None = None
    slope_limit_deg: float | None = None
    depth_limit: float | None = None


@dataclass(frozen=True, slots=True)
class Make:
    """What is made of the woven strands, each for one kind of maker."""

    carve: Carving = field(default_factory=Carving)
    print: Printing = field(default_factory=Printing)
    trim: Trimming = field(default_factory=Trimming)


@dataclass(frozen=True, slots=True)
class Design:
    """A whole design, as its file says it."""

    layout: Grid
    breaks: Breaks = field(default_factory=Breaks)
    divide: Divide = field(default_factory=Divide)
    weave: Weave = field(default_factory=Weave)
    strand: Strand = field(default_factory=Strand)
    heights: Heights = field(default_factory=Heights)
    make: Make = field(default_factory=Make)


@dataclass(frozen=True, slots=True)
class Sizes:
    """Every length of a design in mm, defaults filled in.

    ``pitch`` is the distance between neighbouring parallel strands of the plain plait, so ``pitch - width`` is its
    background; ``separation`` is what must lie between the mid-planes of two strands at a crossing.
    """

    pitch: float
    width: float
    thickness: float
    gap: float
    half_width: float
    clearance: float
    step: float
    separation: float
    groove_depth: float

    @property
    def background(self) -> float:
        """Width of the background of the plain plait."""
        return self.pitch - self.width


def sizes(design: Design) -> Sizes:
    """Fill in the lengths that ``design`` leaves open.

    >>> sizes(Design(Grid(4, 4, 10.0, 10.0))).width
    4.5
    """
    grid, strand, heights = design.layout, design.strand, design.heights
    cell = min(grid.cell_width, grid.cell_height)
    width = 0.45 * cell if strand.width is None else strand.width
    thickness = 0.3 * width if strand.thickness is None else strand.thickness
    gap = 0.2 * width if design.divide.gap is None else design.divide.gap
    step = 0.3 * thickness if heights.step is None else heights.step
    separation = thickness + heights.clearance if heights.way is Making.FREE else step
    groove = 0.3 * thickness if strand.groove.depth is None else strand.groove.depth
    return Sizes(
        pitch=grid.cell_width * grid.cell_height / math.hypot(grid.cell_width, grid.cell_height),
        width=width,
        thickness=thickness,
        gap=gap,
        half_width=(width - gap) / 2,
        clearance=heights.clearance,
        step=step,
        separation=separation,
        groove_depth=groove,
    )
