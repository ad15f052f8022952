"""Finger rings and bangles: a strip round a cylinder on a band whose inside has the size asked for. Lengths are mm.

A ring's size is the circumference of its inside in mm (ISO 8653 defines sizes so; the standard is cited from memory).
The strip's cells are made as wide as it takes for the strands to lie on the band at that size. Band and strands are one
body; the bore is cut last, so the inside is exact whatever the strands do. It is widest at both edges and narrowest in
the middle where it has a comfort shape: the size is that of its narrowest place, which is what a gauge stick stops at.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ..design import Cylinder, Design, Making, Strip
from ..errors import DesignError
from ..made import Made, make
from ..mesh import Floats
from ..sizing import sizes
from .bodies import Solid, segments, solid_of
from .knot import Knot, knot_of
from .options import Finger, Printing

ARC = 24
"""Chords of the comfort shape across the band."""
SUNK = 0.04
"""How far the band reaches over the highest underside of a strand, in thicknesses, so that every strand joins it."""
ROUNDS = 4
"""How often the cells' width is solved again: the strands' heights depend on it a little."""
NEAR = 1e-3
"""How nearly the band's thickness is met, mm; the inside itself is exact."""
LEAST_EDGE = 0.3
"""Least thickness of a band at its edges, mm: common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class Banded:
    """A finger ring's solid before creases are filled, and what it was made of.

    ``cell_width`` is the one solved for, ``band`` the band's thickness in the middle and ``outside`` its outer radius.
    """

    solid: Solid
    knot: Knot
    design: Design
    cell_width: float
    inside: float
    band: float
    outside: float


def inner_circumference(ring: Finger) -> float:
    """The size in mm.

    Raises
    ------
    DesignError
        Both or neither of circumference and diameter are given.
    """
    if (ring.circumference is None) == (ring.diameter is None):
        found = "both are given" if ring.circumference is not None else "neither is given"
        raise DesignError(f"circumference and diameter: {found}", "give one of them", "make.print.ring")
    if ring.circumference is not None:
        return ring.circumference
    assert ring.diameter is not None
    return math.pi * ring.diameter


def refuse(design: Design, wanted: Printing) -> None:
    """Refuse what no ring can be made of, before any work.

    Raises
    ------
    DesignError
    """
    assert wanted.ring is not None
    ring, strip = wanted.ring, design.layout
    inner_circumference(ring)
    if not isinstance(strip, Strip) or not isinstance(strip.surface, Cylinder):
        raise DesignError(
            "a finger ring is made of a strip round a cylinder, which this layout is not",
            'give layout.strip with "surface": {"cylinder": true}',
            "make.print.ring",
        )
    if design.heights.way is not Making.FUSED:
        raise DesignError("strands on a ring's band are one piece with it", 'give "fused"', "heights.way")
    for name in ("size", "mass_g", "plate", "frame", "bail", "eye", "mark", "hollow"):
        if getattr(wanted, name) is not None:
            raise DesignError(
                "a finger ring has none", "leave it out, or leave make.print.ring out", f"make.print.{name}"
            )
    edge = ring.band - ring.comfort
    if edge < LEAST_EDGE:
        raise DesignError(
            f"a band {ring.band:g} mm thick with {ring.comfort:g} mm rounded off inside is {edge:.2f} mm "
            "thick at its edges",
            f"give a comfort of at most {max(ring.band - LEAST_EDGE, 0):.2f} mm, or a thicker band",
            "make.print.ring.comfort",
        )


def banded(design: Design, wanted: Printing, progress: Callable[[float, str], None]) -> Banded:
    """The strands of a strip on their band, the bore cut.

    Raises
    ------
    DesignError
        No ring can be made; it says why.
    """
    assert wanted.ring is not None and isinstance(design.layout, Strip)
    ring, strip = wanted.ring, design.layout
    inside = inner_circumference(ring) / (2 * math.pi)
    columns = strip.columns * strip.repeats
    under = 0.0
    for turn in range(ROUNDS):
        # strands at the cells' own radius lie with their highest underside on the band's outside
        roll = inside + ring.band - under
        cell = 2 * math.pi * roll / columns
        sized = replace(design, layout=replace(strip, cell_width=cell))
        progress(0.03 * turn, "making the strands")
        resting = _resting(make(sized, prove=0))
        if resting >= inside + ring.band:
            raise _too_narrow(inside, sizes(sized).thickness)
        if abs(resting - under) <= NEAR:
            break
        under = resting
    progress(0.12, "uniting the strands")
    knot = knot_of(sized, 1.0, 1.0, wanted.rounding, wanted.tolerance)
    progress(0.5, "uniting strands and band")
    outside = roll + _resting(knot.made)
    low, high = float(knot.vertices[:, 1].min()), float(knot.vertices[:, 1].max())
    strands = solid_of(knot.vertices, knot.triangles)
    body = strands + _band(inside, outside, low, high, ring, wanted) - _bore(inside, low, high, ring, wanted.tolerance)
    return Banded(body, knot, sized, cell, inside, outside - inside, outside)


def _too_narrow(inside: float, thickness: float) -> DesignError:
    return DesignError(
        f"an inside {2 * math.pi * inside:.1f} mm round is too narrow for strands {thickness:.2f} mm thick",
        "give a larger ring, or thinner strands",
        "make.print.ring",
    )


def _resting(made: Made) -> float:
    """How high over the strip's middle the band has to reach so that every strand joins it."""
    assert made.drawn is not None
    return float(made.drawn.relief.z.max()) - (0.5 - SUNK) * made.counted.size.thickness


def _curve(inside: float, low: float, high: float, comfort: float) -> tuple[Floats, Floats]:
    """Places along the axis and radii of the inside: an arc that is narrowest in the middle."""
    half, middle = (high - low) / 2, (low + high) / 2
    y = np.linspace(-half, half, ARC + 1)
    if comfort <= 0:
        return middle + y, np.full(len(y), inside)
    bend = (half**2 + comfort**2) / (2 * comfort)
    return middle + y, inside + bend - np.sqrt(bend**2 - y**2)


def _band(inside: float, outside: float, low: float, high: float, ring: Finger, wanted: Printing) -> Solid:
    """A tube for the strands to stand on, its outer rims rounded, its inside to be cut still."""
    ease = min(wanted.rounding, 0.4 * (outside - inside - ring.comfort), 0.2 * (high - low))
    turn = np.linspace(0.0, np.pi / 2, 4) if ease > 0 else np.zeros(1)
    upper = np.stack([outside - ease + ease * np.cos(turn), high - ease + ease * np.sin(turn)], 1)
    lower = (upper * [1, -1] + [0, low + high])[::-1]
    spare = inside - min(0.3, inside / 4)
    return _turned(np.vstack([lower, upper, [[spare, high], [spare, low]]]), wanted.tolerance, outside, exact=False)


def _bore(inside: float, low: float, high: float, ring: Finger, tolerance: float) -> Solid:
    """What is cut away for the finger; beyond the band it goes straight on."""
    y, radius = _curve(inside, low, high, ring.comfort)
    far = high - low
    rim = np.stack([np.r_[radius[0], radius, radius[-1]], np.r_[low - far, y, high + far]], 1)
    return _turned(np.vstack([rim, [[0.0, high + far], [0.0, low - far]]]), tolerance, inside, exact=True)


def _turned(profile: Floats, tolerance: float, radius: float, *, exact: bool) -> Solid:
    """A profile of (radius, y) turned about the y axis; ``exact``: its polygons are as long round as the circles."""
    from manifold3d import CrossSection, Manifold

    sides = 2 * segments(radius, tolerance / 8)
    wide = math.pi / sides / math.sin(math.pi / sides) if exact else 1.0
    section = CrossSection([profile * [wide, 1.0]])
    # turned about the section's y axis and set upright along z: back to lie along y
    turned: Solid = Manifold.revolve(section, sides)
    return turned.rotate((-90.0, 0.0, 0.0))


def notes(made: Banded, wanted: Printing) -> tuple[str, ...]:
    """What was done, in words."""
    assert wanted.ring is not None
    size = 2 * math.pi * made.inside
    return (
        f"cells made {made.cell_width:.4f} mm wide so that the inside measures {size:.2f} mm round "
        f"({2 * made.inside:.2f} mm across) at its narrowest, the size as ISO 8653 defines it",
        f"band {made.band:.3f} mm thick in the middle, {made.band - wanted.ring.comfort:.3f} mm at its edges",
    )
