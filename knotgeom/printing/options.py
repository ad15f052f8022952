"""What a maker of pendants sets: the key ``make.print`` of a design file. Lengths are mm."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Printing:
    """The finished piece. ``size`` is its greatest side, None for the size that the design itself has."""

    size: float | None = None
