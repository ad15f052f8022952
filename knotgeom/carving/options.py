"""What a carver sets: the key ``make.carve`` of a design file. Lengths are mm, angles degrees."""

from __future__ import annotations

import enum
from dataclasses import dataclass, field

from .tools import Tools


class Ground(str, enum.Enum):
    """What becomes of the board between and around the strands."""

    FLAT = "flat"  # lowered to the full depth
    PUNCHED = "punched"  # lowered, and struck with a round punch in rows
    STIPPLED = "stippled"  # lowered, and pricked all over with a point
    LEFT = "left"  # left standing at the board's face; a line is cut along the strands


class Moulding(str, enum.Enum):
    """The frame between the board's margin and the ground, cut across."""

    NONE = "none"
    FLAT = "flat"
    BEAD = "bead"
    OGEE = "ogee"
    COVE = "cove"


class Wood(str, enum.Enum):
    """Woods whose density is known here, for the mass of the board."""

    LIME = "lime"  # American lime, basswood
    WALNUT = "walnut"
    CHERRY = "cherry"
    MAPLE = "maple"
    OAK = "oak"
    MAHOGANY = "mahogany"
    PINE = "pine"


@dataclass(frozen=True, slots=True)
class Carving:
    """The board and the relief cut into it.

    Attributes
    ----------
    board : (length, width, thickness) or None
        None for a board that fits. The knot lies in its middle.
    depth : float or None
        Of the relief below the board's face. None for half the width of a strand, or for as much as a strand of a set
        thickness needs.
    draft_deg : float
        How far walls lean from upright, outward to their foot.
    ground : Ground
    texture_size, texture_depth : float or None
        Distance between the marks of a textured ground, and how deep they are; None for what suits the depth.
    margin : float
        Width of board left standing at its face all round the frame or the ground.
    frame : Moulding
    frame_width : float or None
        None for the width of a strand.
    easing : float
        Radius of the board's rounded upper edges.
    wood : Wood
    resolution : float
        mm from one sample of the height map to the next.
    tolerance : float or None
        How far the mesh may lie from the samples, square to the surface; None for a quarter of the resolution.
    tools : Tools
        Cutters, gouges and grain to report on, and where to section the relief.
    """

    board: tuple[float, float, float] | None = None
    depth: float | None = None
    draft_deg: float = 8.0
    ground: Ground = Ground.FLAT
    texture_size: float | None = None
    texture_depth: float | None = None
    margin: float = 0.0
    frame: Moulding = Moulding.NONE
    frame_width: float | None = None
    easing: float = 1.0
    wood: Wood = Wood.LIME
    resolution: float = 0.2
    tolerance: float | None = None
    tools: Tools = field(default_factory=Tools)
