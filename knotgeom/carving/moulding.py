"""The board's border: margin, frame moulding and eased edges, as heights over the distance from the board's edge.

Every moulding is one curve over that distance, so that it runs round the board alike and is mitred at the corners by
itself: there the distance to the nearer edge changes over from one side to the other, along the diagonal.
"""

from __future__ import annotations

import numpy as np

from ..mesh import Floats
from .options import Moulding

SHARE = 0.6
"""How far a moulding goes down, in depths of the relief; what is left is the wall to the ground."""


def section(moulding: Moulding, across: Floats, width: float, depth: float) -> Floats:
    """Height of a moulding, ``across`` counted from its outer edge, mm; 0 is the board's face.

    A bead lies between two sunk lines; an ogee runs from a fillet through a hollow and a round; a cove is a hollow.
    """
    t = np.clip(across / width, 0.0, 1.0)
    fall = min(SHARE * depth, 0.45 * width)
    if moulding is Moulding.BEAD:
        # an arc of 130 degrees between the lines, so that its flanks are no steeper than a wall
        half = width / 2
        radius = half * 0.86 / np.sin(np.radians(65.0))
        sag = radius * (1 - np.cos(np.radians(65.0)))
        scale = min(1.0, fall / sag)
        x = np.abs(across - half)
        arc = np.sqrt(np.maximum(radius**2 - np.minimum(x, 0.86 * half) ** 2, 0.0)) - radius
        flank = (x - 0.86 * half) / (0.14 * half)
        return np.asarray(np.where(x <= 0.86 * half, arc * scale, -sag * scale * (1 - np.clip(flank, 0, 1))))
    if moulding is Moulding.COVE:
        u = np.clip((t - 0.14) / 0.74, 0.0, 1.0)
        hollow = -((1 - (1 - u) ** 2.0) ** 0.5)
        return np.asarray(np.where(t < 0.14, 0.0, fall * hollow))
    if moulding is Moulding.OGEE:
        u = np.clip((t - 0.12) / 0.76, 0.0, 1.0)
        wave = u - 0.8 * np.sin(2 * np.pi * u) / (2 * np.pi)  # round above, hollow below
        return np.asarray(-fall * (0.12 * (t >= 0.12) + 0.88 * wave))
    return np.zeros_like(t)


def easing(distance: Floats, radius: float) -> Floats:
    """Height of an edge rounded by a quarter circle, ``distance`` from it."""
    if radius <= 0:
        return np.zeros_like(distance)
    inside = np.clip(radius - distance, 0.0, radius)
    return np.asarray(np.sqrt(radius**2 - inside**2) - radius)
