"""What a game artist sets: the key ``make.trim`` of a design file. Lengths are mm."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Trimming:
    """The kit. ``triangles`` is the budget of its straight piece."""

    triangles: int = 4000
