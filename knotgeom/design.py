"""What a designer sets down: the design as small immutable values. Lengths are mm, angles degrees.

A *site* is ``(x, y)`` in half cells from the lower left corner of the grid; x + y is odd. x odd, y even lies on a
horizontal grid line, x even, y odd on a vertical one. At a site two *passes* of strand cross: ``rising`` (lower left
to upper right) and ``falling`` (upper left to lower right). On a strip x runs on round the whole of it; on a ring x
counts half sectors anticlockwise and y half rows outward, and so along a mitred border. On a free mesh a site is an
edge, held as ``(edge, FREE)``; its pass 0 is held as ``falling``, its pass 1 as ``rising``.

Values that the designer left open are ``None`` here and get their defaults in :func:`sizes`, so that a design written
back to its file says no more than its designer did.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field
from typing import NamedTuple

from .carving.options import Carving
from .printing.options import Printing
from .trims.options import Trimming

SCHEMA = 1
"""Version of the design file, the value of its key ``interlace``."""

FREE = -1
"""Stands for y in the sites of a free mesh, which have no place in half cells."""


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


class Rim(str, enum.Enum):
    """What strands do at a boundary of the layout."""

    WALLED = "walled"  # they turn back
    CROSSED = "crossed"  # they cross on it, and loop outside


class Corners(str, enum.Enum):
    """How the cells of a border meet at its corners."""

    SQUARE = "square"  # a block of square cells
    MITRED = "mitred"  # cells that spread towards the outer corner


@dataclass(frozen=True, slots=True)
class Grid:
    """A layout of equal cells, ``columns`` x ``rows``, less the cells named in ``without`` (column, row)."""

    columns: int
    rows: int
    cell_width: float
    cell_height: float
    without: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Dome:
    """A part of a sphere raised over a plane layout: it rises by ``rise`` mm from the layout's edge to its middle."""

    rise: float


@dataclass(frozen=True, slots=True)
class Cylinder:
    """The surface that a strip bent round without stretching lies on."""


@dataclass(frozen=True, slots=True)
class Sphere:
    """A sphere round which a strip is laid, the strip's middle line on its equator."""

    diameter: float


@dataclass(frozen=True, slots=True)
class Turned:
    """A turned form, as a vase, round which a strip is laid: its profile's points, radius and height in mm.

    The profile runs from the strip's lower edge to its upper one.
    """

    profile: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Ring:
    """A ring of ``sectors`` x ``rows`` cells between two radii in mm, round (0, 0); a wheel where ``inner`` is 0."""

    sectors: int
    rows: int
    inner: float
    outer: float
    inner_edge: Rim = Rim.WALLED
    outer_edge: Rim = Rim.WALLED
    surface: Dome | None = None


@dataclass(frozen=True, slots=True)
class Strip:
    """``columns`` x ``rows`` cells, ``repeats`` times end to end, the last joined to the first.

    A design on a strip is set down for its first repeat and holds for all of them.
    """

    columns: int
    rows: int
    cell_width: float
    cell_height: float
    repeats: int = 1
    lower_edge: Rim = Rim.WALLED
    upper_edge: Rim = Rim.WALLED
    surface: Cylinder | Sphere | Turned | None = None


@dataclass(frozen=True, slots=True)
class Border:
    """A frame ``deep`` cells wide round an opening.

    The opening is a rectangle of ``inside`` cells, columns and rows, or a regular polygon with ``inside[1]`` corners
    and ``inside[0]`` cells along each side, which is mitred always.
    """

    inside: tuple[int, int]
    deep: int
    cell: float
    polygon: bool = False
    corners: Corners = Corners.SQUARE


@dataclass(frozen=True, slots=True)
class FreeMesh:
    """Any polygon mesh: every edge is a site. Faces run anticlockwise seen from outside, as tuples of vertices.

    Where they do not lie in one plane the surface is rounded between them. ``file`` is where the mesh was read from,
    None where the design holds it itself.
    """

    vertices: tuple[tuple[float, float, float], ...]
    faces: tuple[tuple[int, ...], ...]
    boundary: Rim = Rim.WALLED
    file: str | None = None


@dataclass(frozen=True, slots=True)
class Piece:
    """A finished knot placed in a panel.

    Its design's file, where its lower left corner comes to lie, mm, and by how many degrees it is turned
    anticlockwise after being mirrored in x.
    """

    file: str
    at: tuple[float, float] = (0.0, 0.0)
    turn: int = 0
    mirror: bool = False
    design: Design | None = None


@dataclass(frozen=True, slots=True)
class Panel:
    """Finished knots joined: at every site where two pieces touch, at the middle of each seam, or at sites named."""

    pieces: tuple[Piece, ...]
    joins: Joins | tuple[Site, ...]


class Joins(str, enum.Enum):
    """Where the pieces of a panel are joined, other than at named sites."""

    ALL = "all"
    MIDDLE = "middle"


Layouts = Grid | Ring | Strip | Border | FreeMesh | Panel
"""Every way to set out."""


@dataclass(frozen=True, slots=True)
class Breaks:
    """Sites where the strands turn back from a short wall instead of crossing.

    On a free mesh they are edges: a break along an edge, or across it.
    """

    horizontal: tuple[Site, ...] = ()
    vertical: tuple[Site, ...] = ()
    along: tuple[int, ...] = ()
    across: tuple[int, ...] = ()


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

    layout: Layouts
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
    ``arc`` is the number of points on each eased edge, and about a third of those on one side of a half-round.
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
    arc: int = 4

    @property
    def background(self) -> float:
        """Width of the background of the plain plait."""
        return self.pitch - self.width
