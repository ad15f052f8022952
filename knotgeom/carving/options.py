"""What a carver sets: the key ``make.carve`` of a design file. Lengths are mm."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Carving:
    """The board and the relief cut into it. ``board`` is length, width and thickness, None for one that fits."""

    board: tuple[float, float, float] | None = None
