"""Bails and eyes: what a piece hangs by, placed above its balance point so that it hangs straight.

A bail stands on a foot that reaches down until enough metal of the piece lies within it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..errors import DesignError
from ..mesh import Floats
from .bodies import Solid, cylinder, ring, slab
from .options import Bail, BailKind, Eye
from .plan import highest, seat, strip

SEAT = 0.8
"""Metal that a foot must find, in widths of the foot times walls of the bail: common practice, no source."""
TUBE = 6.0
"""Length of a tube where none is given, mm: common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class Fitting:
    """Parts to be added, parts to be cut away afterwards, and where the chain or ring pulls, (3,) mm.

    ``region`` is what it covers in plan.
    """

    added: tuple[Solid, ...]
    cut: tuple[Solid, ...]
    at: Floats
    region: Solid
    extent: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Bulk:
    """The piece that is to hang: centre of mass, and its lowest and highest z, mm."""

    x: float
    y: float
    z: float
    back: float
    front: float

    @property
    def depth(self) -> float:
        """From back to front."""
        return self.front - self.back


def bail(options: Bail, plan: Solid, bulk: Bulk, tolerance: float) -> Fitting:
    """A bail above the balance point of a piece whose silhouette is ``plan``.

    Raises
    ------
    DesignError
        Nothing of the piece lies below it.
    """
    if options.kind is BailKind.LOOP:
        return _loop(options, plan, bulk, tolerance)
    return (
        _tube(options, plan, bulk, tolerance)
        if options.kind is BailKind.TUBE
        else _hidden(options, plan, bulk, tolerance)
    )


def eye(options: Eye, plan: Solid, bulk: Bulk, tolerance: float, *, below: bool) -> Fitting:
    """An eye for a jump ring at the top, or at the bottom where ``below``."""
    sign = -1.0 if below else 1.0
    turned = plan.mirror((0.0, 1.0)) if below else plan
    outer = options.bore / 2 + options.wall
    name = "make.print.eye"
    clear, foot = _footing(turned, bulk.x, outer, 0.7 * options.wall, options.wall, name)
    y = clear + options.bore / 2 + 0.3 * options.wall
    thick = min(options.thickness or bulk.depth, bulk.depth)
    at = np.array([bulk.x, sign * y, bulk.z])
    low = max(bulk.back, min(bulk.z - thick / 2, bulk.front - thick))
    at[2] = low + thick / 2
    neck = strip(bulk.x - 0.7 * outer, bulk.x + 0.7 * outer, min(foot, y - 0.1), y)
    neck = neck.mirror((0.0, 1.0)) if below else neck
    disc = cylinder(outer, thick, at, "z", tolerance)
    hole = cylinder(options.bore / 2, 4 * bulk.depth + thick, at, "z", tolerance)
    region = strip(bulk.x - outer, bulk.x + outer, *sorted((sign * foot, sign * (y + outer))))
    reach = (bulk.x - outer, min(sign * foot, sign * (y + outer)), bulk.x + outer, max(sign * foot, sign * (y + outer)))
    pull = at + np.array([0.0, sign * options.bore / 2, 0.0])
    return Fitting((disc, slab(neck, low, low + thick)), (hole,), pull, region, reach)


def _footing(plan: Solid, x: float, corridor: float, half: float, wall: float, name: str) -> tuple[float, float]:
    """How far up the piece comes within a corridor about x, and how far down a foot must reach."""
    clear = highest(plan, x - corridor, x + corridor)
    foot = seat(plan, x - half, x + half, SEAT * 2 * half * wall)
    if clear is None or foot is None:
        raise DesignError(
            f"there is not enough of the piece below x = {x:.2f} mm to hang it by",
            "add a frame or a plate, or make it narrower",
            name,
        )
    return clear, foot


def _loop(options: Bail, plan: Solid, bulk: Bulk, tolerance: float) -> Fitting:
    wall, bore = options.wall, options.bore
    half = 0.9 * wall
    clear, foot = _footing(plan, bulk.x, max(0.6 * bore, half), half, wall, "make.print.bail")
    wire_y = clear + 0.4 * wall  # the middle of the wire where it stands on the foot
    y = wire_y + bore / 2 + wall / 2
    thick = min(bulk.depth, 1.5 * wall)
    low = min(max(bulk.z - thick / 2, bulk.back), bulk.front - thick)
    at = np.array([bulk.x, y, bulk.z])
    from manifold3d import CrossSection

    neck = CrossSection(
        [
            np.array(
                [
                    (bulk.x - half, min(foot, clear - 0.1)),
                    (bulk.x + half, min(foot, clear - 0.1)),
                    (bulk.x + half, clear - 0.1 * wall),
                    (bulk.x + 0.45 * wall, wire_y),
                    (bulk.x - 0.45 * wall, wire_y),
                    (bulk.x - half, clear - 0.1 * wall),
                ]
            )
        ]
    )
    hoop = ring(bore / 2 + wall / 2, wall, at, tolerance)
    top = y + bore / 2 + wall
    pull = at + np.array([0.0, bore / 2, 0.0])
    region = strip(bulk.x - half, bulk.x + half, foot, top)
    return Fitting((hoop, slab(neck, low, low + thick)), (), pull, region, (bulk.x - half, foot, bulk.x + half, top))


def _tube(options: Bail, plan: Solid, bulk: Bulk, tolerance: float) -> Fitting:
    wall, bore = options.wall, options.bore
    length = TUBE if options.length is None else options.length
    outer, half = bore / 2 + wall, 0.4 * length
    clear, foot = _footing(plan, bulk.x, length / 2, half, wall, "make.print.bail")
    y = clear + outer - 0.2 * wall
    at = np.array([bulk.x, y, bulk.z])
    thick = min(0.7 * bulk.depth, 1.6 * outer)
    low = min(max(bulk.z - thick / 2, bulk.back), bulk.front - thick)
    neck = strip(bulk.x - half, bulk.x + half, foot, y)
    body = cylinder(outer, length, at, "x", tolerance)
    hole = cylinder(bore / 2, 2 * length, at, "x", tolerance)
    pull = at + np.array([0.0, bore / 2, 0.0])
    reach = (bulk.x - length / 2, foot, bulk.x + length / 2, y + outer)
    return Fitting((body, slab(neck, low, low + thick)), (hole,), pull, strip(*_by_axis(reach)), reach)


def _hidden(options: Bail, plan: Solid, bulk: Bulk, tolerance: float) -> Fitting:
    wall, bore = options.wall, options.bore
    length = TUBE if options.length is None else options.length
    outer = bore / 2 + wall
    half = length / 2
    clear, _ = _footing(plan, bulk.x, half, half, wall, "make.print.bail")
    # as high as it can stand without being seen, but where the piece covers it
    y = seat(plan, bulk.x - half, bulk.x + half, 0.75 * length * wall)
    y = clear - outer if y is None else min(clear - outer, y + wall / 2)
    at = np.array([bulk.x, y, bulk.back - outer + 0.7 * wall])
    body = cylinder(outer, length, at, "x", tolerance)
    hole = cylinder(bore / 2, 2 * length, at, "x", tolerance)
    pad = strip(bulk.x - half, bulk.x + half, y - outer / 2, y + outer / 2) ^ plan
    if pad.area() < SEAT * length * wall:
        raise DesignError(
            f"only {pad.area():.1f} mm2 of the piece lie before a hidden bail {length:.1f} mm long",
            f"add a plate, or a shorter one; {SEAT * length * wall:.1f} mm2 would hold it",
            "make.print.bail.length",
        )
    pull = at + np.array([0.0, bore / 2, 0.0])
    reach = (bulk.x - half, y - outer, bulk.x + half, y + outer)
    saddle = slab(pad, float(at[2]), bulk.back + 0.5 * bulk.depth)
    return Fitting((body, saddle), (hole,), pull, strip(*_by_axis(reach)), reach)


def _by_axis(reach: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    return reach[0], reach[2], reach[1], reach[3]


@dataclass(frozen=True, slots=True)
class Hang:
    """How a piece hangs, degrees: ``turned`` off upright seen from the front, ``tilted`` forward at its top.

    ``below`` is how far the centre of mass lies under what it hangs by, mm.
    """

    turned: float
    tilted: float
    below: float


def hang(at: Floats, centre: Floats) -> Hang:
    """How a piece with that centre of mass hangs by a place."""
    down = float(at[1] - centre[1])
    turned = math.degrees(math.atan2(float(centre[0] - at[0]), down))
    return Hang(turned, math.degrees(math.atan2(float(centre[2] - at[2]), down)), down)
