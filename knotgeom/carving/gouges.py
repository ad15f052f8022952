"""Gouges and chisels: the arc of an edge by its sweep and width, a list of those someone owns, and how one fits a bend.

A gouge is an arc: the width w across its edge is the chord, and an arc of 2a on that chord has the radius
w / (2 sin a). It stands off its chord by r - sqrt(r^2 - w^2 / 4), the sagitta, and pressed against an edge of another
radius it strays from it by the difference of the two sagittas on the same chord.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import DesignError

FIT = 0.15
"""mm by which a gouge may stray from a bend and still count as fitting; common practice, no source."""
SWEEP_DEG = {1: 0.0, 2: 10.0, 3: 18.0, 4: 26.0, 5: 35.0, 6: 45.0, 7: 57.0, 8: 72.0, 9: 90.0, 10: 90.0, 11: 90.0}
"""Half the angle of the arc that each sweep spans, degrees; common practice, no source. That gouges of one sweep are
parts of circles in the same proportion, and number 9 half a circle, is the London pattern as tool makers' writings
have it; the angles between are our own even steps. Makers differ: give a radius where one has been measured."""


@dataclass(frozen=True, slots=True)
class Gouge:
    """A gouge or chisel that someone owns.

    Attributes
    ----------
    sweep : int
        Number of the sweep, 1 (flat) to 11.
    width : float
        Across the edge, mm.
    radius : float or None
        Of the edge, mm; None for what the sweep gives.
    """

    sweep: int
    width: float
    radius: float | None = None

    @property
    def name(self) -> str:
        """The usual way of writing it: sweep over width.

        >>> Gouge(5, 12.0).name
        '5/12'
        """
        return f"{self.sweep}/{self.width:.4g}"


OWNED = tuple(
    Gouge(sweep, float(width))
    for sweep, widths in {
        1: (3, 6, 10),
        3: (4, 6, 10, 14),
        5: (6, 10, 14),
        7: (6, 10, 14),
        9: (3, 6, 10),
        11: (2,),
    }.items()
    for width in widths
)
"""A modest set to begin with, for a list that its owner edits; common practice, no source."""


def check_gouges(gouges: Sequence[Gouge], place: str = "gouges") -> None:
    """Refuse a list with a gouge that cannot be; raises `DesignError`, naming the entry."""
    for k, gouge in enumerate(gouges):
        if gouge.sweep not in SWEEP_DEG:
            raise DesignError(f"sweep {gouge.sweep}", "give a number from 1 to 11", f"{place}[{k}].sweep")
        if not 0 < gouge.width < math.inf:
            raise DesignError(f"a gouge {gouge.width:.4g} mm wide", "give a width above 0 mm", f"{place}[{k}].width")
        if gouge.radius is not None and not gouge.width / 2 <= gouge.radius < math.inf:
            raise DesignError(
                f"a gouge {gouge.width:.4g} mm wide with an edge of radius {gouge.radius:.4g} mm",
                f"give a radius of at least half the width, {gouge.width / 2:.4g} mm",
                f"{place}[{k}].radius",
            )


def gouge_radius(gouge: Gouge) -> float:
    """Radius of a gouge's edge, mm: its own, or width / (2 sin a) where its sweep spans an arc of 2a; infinite if flat.

    >>> gouge_radius(Gouge(9, 10.0)), gouge_radius(Gouge(1, 10.0))
    (5.0, inf)
    """
    if gouge.radius is not None:
        return gouge.radius
    half = math.radians(SWEEP_DEG[gouge.sweep])
    return gouge.width / (2 * math.sin(half)) if half else math.inf


def hollow_depth(radius: float, chord: float) -> float:
    """How far an arc of ``radius`` stands off its ``chord``, mm; 0 for a flat edge.

    >>> hollow_depth(5.0, 10.0), hollow_depth(math.inf, 10.0)
    (5.0, 0.0)
    """
    if math.isinf(radius):
        return 0.0
    half = min(chord / 2, radius)
    return radius - math.sqrt(radius * radius - half * half)


def fit_bend(radius: float, chord: float, gouges: Sequence[Gouge]) -> tuple[Gouge | None, float]:
    """The gouge of a list that fits an edge of ``radius`` over ``chord`` best, and its misfit in mm.

    A gouge wider than the chord would cut beyond the bend and is left out. Of those that stray no more than
    :data:`FIT` the widest is taken, since it needs the fewest cuts; if none does, the one that strays least.
    """
    found: list[tuple[float, Gouge]] = []
    for gouge in gouges:
        if gouge.width <= min(chord, 2 * radius) + 1e-9:
            own = hollow_depth(gouge_radius(gouge), gouge.width)
            found.append((abs(own - hollow_depth(radius, gouge.width)), gouge))
    if not found:
        return None, 0.0
    fitting = [row for row in found if row[0] <= FIT]
    if fitting:
        misfit, gouge = min(fitting, key=lambda row: (-row[1].width, row[0]))
    else:
        misfit, gouge = min(found, key=lambda row: (row[0], -row[1].width))
    return gouge, misfit
