"""Bails and eyes: what a piece hangs by, placed above its balance point so that it hangs straight.

A bail stands on a foot that reaches down until enough metal of the piece lies within it.

A piece that is free to slide on its chain comes to rest with its centre of mass under the middle of the arc in which
the chain lies: whatever force the arc passes on goes through that point. For a round bore it is the bore's middle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..errors import DesignError
from ..mesh import Floats
from .bodies import Section, Solid, cylinder, ring, segments, slab
from .options import Bail, BailKind, Eye
from .plan import highest, seat, strip

SEAT = 0.8
"""Metal that a foot must find, in widths of the foot times walls of the bail: common practice, no source."""
TUBE = 6.0
"""Length of a tube where none is given, mm: common practice, no source."""


CHAIN = 1.5
"""Thickness of a chain, whose seat in a hidden bail is rounded to it, mm: common practice, no source."""
ROOF = 30.0
"""How steeply the roof of a hidden bail's bore rises to the chain's seat, degrees: steeper than a piece ever tips."""
VEIL = 0.5
"""How far forward a hidden bail may come where openings show it, in shares of the piece's depth: no source."""

VEILED = 0.05
"""How far behind a face it stays, mm: faces that lie flush unite badly."""


@dataclass(frozen=True, slots=True, eq=False)
class Fitting:
    """Parts to be added, parts to be cut away afterwards, and what the piece hangs by.

    Attributes
    ----------
    at : (3,) float64
        The middle of the arc in which chain or ring lies, mm.
    bore : (3,) float64
        The middle of the round through which the chain's end passes, mm.
    region : CrossSection
        What it covers in plan.
    extent : (float, float, float, float)
        Its bounds in plan.
    """

    added: tuple[Solid, ...]
    cut: tuple[Solid, ...]
    at: Floats
    bore: Floats
    region: Section
    extent: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Bulk:
    """The piece that is to hang, mm.

    Attributes
    ----------
    x, y, z : float
        Centre of mass.
    back, front : float
        Its lowest and highest z.
    solid : Manifold or None
        The piece itself, where it is made already.
    plate : float or None
        z of the front of its backing plate.
    """

    x: float
    y: float
    z: float
    back: float
    front: float
    solid: Solid | None = None
    plate: float | None = None

    @property
    def depth(self) -> float:
        """From back to front."""
        return self.front - self.back


def bail(options: Bail, plan: Section, bulk: Bulk, tolerance: float) -> Fitting:
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


def eye(options: Eye, plan: Section, bulk: Bulk, tolerance: float, *, below: bool) -> Fitting:
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
    return Fitting((disc, slab(neck, low, low + thick)), (hole,), at, at, region, reach)


def _footing(plan: Section, x: float, corridor: float, half: float, wall: float, name: str) -> tuple[float, float]:
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


def _loop(options: Bail, plan: Section, bulk: Bulk, tolerance: float) -> Fitting:
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
    region = strip(bulk.x - half, bulk.x + half, foot, top)
    extent = (bulk.x - half, foot, bulk.x + half, top)
    return Fitting((hoop, slab(neck, low, low + thick)), (), at, at, region, extent)


def _tube(options: Bail, plan: Section, bulk: Bulk, tolerance: float) -> Fitting:
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
    reach = (bulk.x - length / 2, foot, bulk.x + length / 2, y + outer)
    return Fitting((body, slab(neck, low, low + thick)), (hole,), at, at, strip(*_by_axis(reach)), reach)


def _hidden(options: Bail, plan: Section, bulk: Bulk, tolerance: float) -> Fitting:
    """A length of tube behind the piece, as far forward and as high as it can be without being seen.

    Its bore is round below, so that the chain's end passes, and rises like a roof to a seat for the chain at its front:
    there the chain pulls as near to the plane of the centre of mass as the piece allows.
    """
    from manifold3d import CrossSection

    wall, bore = options.wall, options.bore
    half = (TUBE if options.length is None else options.length) / 2
    seat_radius = min(CHAIN, bore) / 2
    ahead = bore / 2 - seat_radius  # the seat's middle before the round's
    above = ahead * math.tan(math.radians(45 + ROOF / 2))  # makes the line that touches both rise by ROOF
    clear, _ = _footing(plan, bulk.x, half, half, wall, "make.print.bail")
    span = seat_radius + above + bore / 2 + 2 * wall
    holding = seat(plan, bulk.x - half, bulk.x + half, SEAT * 2 * half * wall)
    # as high as it can stand without being seen, but where enough of the piece lies before it
    top = clear if holding is None else min(clear, holding + 0.8 * span)
    pad = strip(bulk.x - half, bulk.x + half, top - span, top) ^ plan
    if pad.area() < SEAT * 2 * half * wall:
        raise DesignError(
            f"only {pad.area():.1f} mm2 of the piece lie before a hidden bail {2 * half:.1f} mm long",
            f"add a plate, or a shorter one; {SEAT * 2 * half * wall:.1f} mm2 would hold it",
            "make.print.bail.length",
        )
    y = top - wall - seat_radius
    reach = (bulk.x - half, top - span, bulk.x + half, top)
    z = min(bulk.z, _hiding(bulk, strip(*_by_axis(reach)) ^ plan) - wall - seat_radius)

    def tube(more: float, long: float) -> Solid:
        rounds = [
            CrossSection.circle(radius + more, segments(radius + more, tolerance)).translate(place)
            for radius, place in ((bore / 2, (-ahead, -above)), (seat_radius, (0.0, 0.0)))
        ]
        # drawn along z in the plane of depth and height, then laid along x
        drawn = slab(CrossSection.batch_hull(rounds), -long / 2, long / 2)
        return drawn.transform(np.array([[0.0, 0.0, -1.0, bulk.x], [0.0, 1.0, 0.0, y], [1.0, 0.0, 0.0, z]]))

    at = np.array([bulk.x, y, z])
    saddle = slab(pad, z - ahead, bulk.back + 0.5 * bulk.depth) if z - ahead < bulk.back else None
    added = (tube(wall, 2 * half), *(() if saddle is None else (saddle,)))
    middle = at - np.array([0.0, above, ahead])
    # the chain leaves sideways, behind the piece or along a channel in its back
    left, _, right, _ = plan.bounds()
    long = 4 * half if z + seat_radius <= bulk.back else 2 * max(right - bulk.x, bulk.x - left) + 2
    return Fitting(added, (tube(0.0, long),), at, middle, strip(*_by_axis(reach)), reach)


def _hiding(bulk: Bulk, before: Section) -> float:
    """How far forward something may come behind a piece, z in mm: behind solid metal up to just under its face.

    Where openings show it, it stays in the depth; a plate it does not pierce.
    """
    seen = bulk.back + VEIL * bulk.depth if bulk.plate is None else bulk.plate
    seen -= VEILED
    if bulk.solid is None or seen >= bulk.front - VEILED:
        return seen
    low, high = seen, bulk.front
    whole = 0.999 * before.area()
    for _ in range(20):
        tried = (low + high) / 2
        covered = (bulk.solid.slice(tried + VEILED) ^ before).area() >= whole
        low, high = (tried, high) if covered else (low, tried)
    return low


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
