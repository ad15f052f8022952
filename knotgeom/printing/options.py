"""What a maker of pendants sets: the key ``make.print`` of a design file. Lengths are mm of the finished piece.

The numbers that stand here as defaults are common practice, no source, and every one of them can be set.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass


class Outline(str, enum.Enum):
    """The shape of a backing plate or a frame seen from the front."""

    KNOT = "outline"  # follows the knot
    DISC = "disc"
    OVAL = "oval"
    RECTANGLE = "rectangle"
    SHIELD = "shield"


class BailKind(str, enum.Enum):
    """What the chain passes through."""

    LOOP = "loop"  # a ring of round wire, standing across
    TUBE = "tube"  # a length of tube on top
    HIDDEN = "hidden"  # a length of tube behind the piece


class Extent(str, enum.Enum):
    """What a size is measured over."""

    PIECE = "piece"  # frame and bail included
    KNOT = "knot"


class Place(str, enum.Enum):
    """Where an eye for a jump ring stands."""

    TOP = "top"
    BOTTOM = "bottom"


@dataclass(frozen=True, slots=True)
class Plate:
    """A backing plate that every strand rests on; ``margin`` is how far it reaches beyond the knot."""

    shape: Outline = Outline.KNOT
    thickness: float = 1.0
    margin: float = 0.6


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame round the knot.

    ``overlap`` is how far it reaches into the outermost strands (default a third of the strand's width), ``height``
    how high it stands over the back (default as high as the knot).
    """

    shape: Outline = Outline.KNOT
    width: float = 1.6
    height: float | None = None
    overlap: float | None = None


@dataclass(frozen=True, slots=True)
class Bail:
    """What the piece hangs by. ``length`` is that of a tube along its bore (default 6 mm)."""

    kind: BailKind = BailKind.LOOP
    bore: float = 4.5
    wall: float = 1.2
    length: float | None = None


@dataclass(frozen=True, slots=True)
class Eye:
    """An eye for a jump ring: ``bore`` is its hole, ``wall`` the metal round it.

    ``place`` None is the top, or the bottom where a bail stands at the top.
    """

    bore: float = 1.5
    wall: float = 1.0
    thickness: float | None = None
    place: Place | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """A flat area on the back, kept free for a maker's mark."""

    width: float = 6.0
    height: float = 3.0
    thickness: float = 0.8


@dataclass(frozen=True, slots=True)
class Hollow:
    """A back hollowed out; ``wall`` is what is left everywhere."""

    wall: float = 1.0


@dataclass(frozen=True, slots=True)
class Finger:
    """A finger ring or bangle, made of a strip round a cylinder.

    Attributes
    ----------
    circumference, diameter : float or None
        Of the inside at its narrowest; one of them is given. The circumference in mm is the ring size (ISO 8653).
    band : float
        Thickness of the band under the strands, in its middle.
    comfort : float
        How much the inside is rounded: by so much its edges lie farther out than its middle; 0 for a straight bore.
    """

    circumference: float | None = None
    diameter: float | None = None
    band: float = 1.0
    comfort: float = 0.25


@dataclass(frozen=True, slots=True)
class Printing:
    """The finished piece and the allowances that its model is made with.

    Attributes
    ----------
    size : float or None
        Greatest side of the finished piece seen from the front, None for the size that the design itself has.
    size_of : Extent
    mass_g : float or None
        Wanted mass of the finished piece; the strands' thickness is solved for it.
    material : str
        What it is made of, for the mass: a name known to :mod:`.materials`.
    process : str
        Whose limits it is checked by: ``casting`` or ``printing``.
    shrinkage : float
        Percent of length that the casting loses, made up for by scaling.
    finishing : float
        What filing and polishing take off every face, made up for by adding it.
    fillet : float
        Radius of the fillets in the creases where strands meet; 0 for none.
    rounding : float
        Radius that sharp edges are rounded to, for wear; 0 for none.
    tolerance : float
        How far the mesh may lie off the true surface.
    """

    size: float | None = None
    size_of: Extent = Extent.PIECE
    mass_g: float | None = None
    material: str = "sterling silver"
    process: str = "casting"
    shrinkage: float = 0.0
    finishing: float = 0.0
    fillet: float = 0.25
    rounding: float = 0.15
    tolerance: float = 0.05
    plate: Plate | None = None
    frame: Frame | None = None
    bail: Bail | None = None
    eye: Eye | None = None
    mark: Mark | None = None
    hollow: Hollow | None = None
    ring: Finger | None = None
