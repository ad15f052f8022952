"""The upper side of a strand's section and the walls beside it, as a table of heights across the strand. mm.

Walls belong to the table: beyond the strand's edge the section falls with the draft down to the ground.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..design import Sizes, Strand
from ..mesh import Floats
from ..sections import outlines

F32 = NDArray[np.float32]

FINE = 8192
"""Entries of a table across a strand: on a wall of 8 degrees they are about 0.01 mm apart in height."""


@dataclass(frozen=True, slots=True)
class Walls:
    """How a section goes on beyond the strand's edge.

    Attributes
    ----------
    lean : float
        Run over fall of the wall.
    fall : float
        How far down it is followed, mm.
    line : float or None
        None for a wall alone. Else the ground beside the strand is what is described, not the strand: a line cut so
        deep along the edge, mm, and the ground rising from it at 45 degrees.
    """

    lean: float
    fall: float
    line: float | None = None

    @property
    def reach(self) -> float:
        """Width beside the strand that is described, mm."""
        return self.lean * self.fall if self.line is None else self.lean * self.line + self.fall

    def height(self, beyond: Floats) -> Floats:
        """Height relative to the strand's edge, ``beyond`` mm outside of it."""
        if self.line is None:
            return np.asarray(-beyond / max(self.lean, 1e-9))
        foot = self.lean * self.line
        return np.asarray(np.where(beyond >= foot, beyond - foot - self.line, -self.line))


def edge_and_crown(strand: Strand, size: Sizes, width: float) -> tuple[float, float]:
    """Height of the edge of a section's upper side and of its highest point over the mid-plane, mm."""
    across, up = _upper(strand, size, width)
    return float(min(up[0], up[-1])), float(up.max())


def upper_range(across: Floats) -> tuple[int, int]:
    """First and last index of the upper side of an outline, its broadest places included."""
    half = len(across) // 2
    left, right = across[: half + 1], -across[:half:-1]
    first = len(left) - 1 - int((left[::-1] >= left.max() - 1e-9).argmax())
    last = len(across) - 1 - (len(right) - 1 - int((right[::-1] >= right.max() - 1e-9).argmax()))
    return first, last


def _upper(strand: Strand, size: Sizes, width: float) -> tuple[Floats, Floats]:
    """The upper side of a section from right to left: across rising, and up."""
    across, up = (a[0] for a in outlines(strand, replace(size, width=width), np.array([width])))
    first, last = upper_range(across)
    return across[first : last + 1][::-1], up[first : last + 1][::-1]


def table(strand: Strand, size: Sizes, width: float, walls: Walls) -> F32:
    """Height over the mid-plane from the right foot of the wall to the left one."""
    across, up = _upper(strand, size, width)
    reach = width / 2 + walls.reach
    place = np.linspace(-reach, reach, FINE)
    inside = np.interp(place, across, up)
    edge = np.where(place < 0, up[0], up[-1])
    beyond = np.maximum(np.abs(place) - width / 2, 0.0)
    if walls.line is not None:
        inside = np.minimum(up[0], up[-1]) - walls.line  # what lies under the strand does not matter
    return np.where(beyond > 0, edge + walls.height(beyond), inside).astype(np.float32)
