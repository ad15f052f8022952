"""Milling cutters: their shape below the shank, and the ridges that they leave between passes.

A cutter is a solid of revolution standing upright. Its shape is how high its surface lies above its tip at a distance
from its axis; beyond half its diameter there is nothing (a shank no wider than the cutting part and long enough is
taken for granted, and so said where results are printed).
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

import numpy as np

from ..errors import DesignError
from ..mesh import Floats


class CutterKind(str, enum.Enum):
    """Shapes of cutter."""

    BALL = "ball"
    FLAT = "flat"
    V = "v"
    TAPERED = "tapered"


@dataclass(frozen=True, slots=True)
class Cutter:
    """A cutter. Lengths are mm.

    Attributes
    ----------
    kind : CutterKind
    diameter : float
        Greatest width; of a ``v`` and a ``tapered`` cutter where the cone meets the shank.
    angle_deg : float
        ``v``: the angle between its two sides. ``tapered``: the angle of one side to the axis. Others do not use it.
    tip : float
        Diameter of the ball at the end of a ``tapered`` cutter, of the flat at the end of a ``v``.
    """

    kind: CutterKind = CutterKind.BALL
    diameter: float = 6.0
    angle_deg: float = 60.0
    tip: float = 0.0

    @property
    def name(self) -> str:
        """What a person calls it.

        >>> Cutter(CutterKind.TAPERED, 6.0, 5.0, 1.0).name
        '1 mm ball tapered 5 degrees a side to 6 mm'
        """
        size = f"{self.diameter:.4g} mm"
        match self.kind:
            case CutterKind.BALL:
                return f"{size} ball-nose"
            case CutterKind.FLAT:
                return f"{size} flat"
            case CutterKind.V:
                point = f", {self.tip:.4g} mm flat at the tip" if self.tip else ""
                return f"{size} V of {self.angle_deg:.4g} degrees{point}"
            case _:
                return f"{self.tip:.4g} mm ball tapered {self.angle_deg:.4g} degrees a side to {size}"


def check_cutter(cutter: Cutter, place: str = "cutter") -> None:
    """Refuse a cutter that cannot be.

    Raises
    ------
    DesignError
        Naming the measure that is wrong.
    """
    sizes = (cutter.diameter, cutter.angle_deg, cutter.tip)
    if not all(math.isfinite(size) for size in sizes) or cutter.diameter <= 0:
        raise DesignError(f"a cutter {cutter.diameter:.4g} mm wide", "give a width above 0 mm", f"{place}.diameter")
    if cutter.kind is CutterKind.V:
        if not 0 < cutter.angle_deg < 180:
            raise DesignError(
                f"a V of {cutter.angle_deg:.4g} degrees", "give an angle above 0 and below 180", f"{place}.angle_deg"
            )
        if not 0 <= cutter.tip < cutter.diameter:
            raise DesignError(
                f"a V {cutter.diameter:.4g} mm wide with a flat of {cutter.tip:.4g} mm",
                "give a flat narrower than the cutter, or 0",
                f"{place}.tip",
            )
    if cutter.kind is CutterKind.TAPERED:
        if not 0 < cutter.angle_deg < 90:
            raise DesignError(
                f"a taper of {cutter.angle_deg:.4g} degrees a side",
                "give an angle above 0 and below 90",
                f"{place}.angle_deg",
            )
        if not 0 < cutter.tip < cutter.diameter:
            raise DesignError(
                f"a tapered cutter {cutter.diameter:.4g} mm wide with a ball of {cutter.tip:.4g} mm",
                "give a ball above 0 and narrower than the cutter",
                f"{place}.tip",
            )


def rise(cutter: Cutter, radius: Floats) -> Floats:
    """Height of the cutter's surface above its tip at ``radius`` from its axis, mm; infinite beyond the cutter."""
    reach = cutter.diameter / 2
    inside = np.minimum(radius, reach)
    height: Floats
    match cutter.kind:
        case CutterKind.BALL:
            height = reach - np.sqrt(np.maximum(reach * reach - inside * inside, 0.0))
        case CutterKind.FLAT:
            height = np.zeros_like(inside)
        case CutterKind.V:
            slope = 1 / math.tan(math.radians(cutter.angle_deg) / 2)
            height = slope * np.maximum(inside - cutter.tip / 2, 0.0)
        case _:
            ball, taper = cutter.tip / 2, math.radians(cutter.angle_deg)
            meet = ball * math.cos(taper)  # where the cone touches the ball
            on_ball = np.minimum(inside, meet)
            height = ball - np.sqrt(ball * ball - on_ball * on_ball) + np.maximum(inside - meet, 0.0) / math.tan(taper)
    # half a thousandth of a micrometre lets a radius that is a whole number of cells count as within
    return np.where(radius <= reach + 5e-7, height, np.inf)


def tip_radius(cutter: Cutter) -> float:
    """Radius of the round end that leaves ridges between passes, mm; 0 where the end is flat or a point."""
    match cutter.kind:
        case CutterKind.BALL:
            return cutter.diameter / 2
        case CutterKind.TAPERED:
            return cutter.tip / 2
    return 0.0


def scallop_height(radius: float, stepover: float) -> float:
    """Height of the ridge that a ball of ``radius`` leaves on a plane between passes ``stepover`` apart, mm.

    Plane geometry, as machining handbooks give it: E. Oberg and others, Machinery's Handbook, has it under cusp or
    scallop height of ball-nose end mills (the book named from memory; the formula is checked on a swept cut).

    >>> round(scallop_height(3.0, 0.5), 6)
    0.010435
    """
    if not 0 < radius < math.inf or not 0 <= stepover <= 2 * radius:
        raise DesignError(
            f"passes {stepover:.4g} mm apart with a ball of {2 * radius:.4g} mm",
            "give a stepover from 0 to the ball's diameter",
            "stepover",
        )
    half = stepover / 2
    # the same as R - sqrt(R^2 - half^2) without the loss of digits where the stepover is small
    return half * half / (radius + math.sqrt(radius * radius - half * half))


def stepover_for(radius: float, scallop: float) -> float:
    """The distance between passes at which a ball of ``radius`` leaves ridges ``scallop`` high on a plane, mm.

    >>> round(stepover_for(3.0, 0.005), 3)
    0.346
    """
    if not 0 < radius < math.inf or not 0 <= scallop <= radius:
        raise DesignError(
            f"a scallop of {scallop:.4g} mm from a ball of {2 * radius:.4g} mm",
            "give a height from 0 to the ball's radius",
            "scallop",
        )
    return 2 * math.sqrt(scallop * (2 * radius - scallop))
