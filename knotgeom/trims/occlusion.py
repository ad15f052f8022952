"""How much of the light of an even sky reaches each place of a height field, weighted by the cosine to its normal.

Light is cut off by the horizon: in every vertical plane through a place all that lies below the steepest line of sight
to the surface, either way. Horizons after L. Bavoil, M. Sainz and R. Dimitrov, Image-space horizon-based ambient
occlusion (SIGGRAPH 2008); what a plane's visible arc gives for a slanted normal in closed form after J. Jimenez et al.,
Practical real-time strategies for accurate indirect occlusion (SIGGRAPH 2016). Round the field the ground goes on level
for ever, so nothing is lit from below.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]

PLANES = 12
"""Vertical planes through each place; twice as many directions."""
GROWTH = 1.12
"""Each step of the line of sight is so many times as far as the one before."""
AT_ONCE = 1 << 17
"""Places worked on together, few enough for the processor's cache."""


def occlusion(height: F32, normals: F32, margin: int, texel: float, planes: int = PLANES) -> F32:
    """Share of the sky's light, 0 dark to 1 open, (rows, columns) float32.

    Parameters
    ----------
    height : (rows + 2 margin, columns + 2 margin) float32
        mm, row 0 at the top.
    normals : (rows, columns, 3) float32
        Unit length: x to the right, y up, z up from the ground.
    margin : int
        Texels known all round; lines of sight go as far.
    texel : float
        mm per texel.
    planes : int
    """
    rows, columns = normals.shape[:2]
    out = np.empty((rows, columns), np.float32)
    band = max(1, AT_ONCE // columns)
    ways = [_offsets(np.pi * (k + 0.5) / planes, margin) for k in range(planes)]
    for first in range(0, rows, band):
        last = min(first + band, rows)
        part = height[first : last + 2 * margin]
        out[first:last] = _band(part, normals[first:last], margin, texel, ways)
    return out


def _offsets(angle: float, far: int) -> list[tuple[int, int]]:
    """Texels right and up along a direction, farther and farther apart, none twice."""
    steps, distance = [], 1.0
    while distance <= far:
        steps.append(distance)
        distance = max(distance + 1.0, distance * GROWTH)
    found = {(round(r * float(np.cos(angle))), round(r * float(np.sin(angle)))): None for r in steps}
    return [place for place in found if place != (0, 0)]


def _band(height: F32, normals: F32, margin: int, texel: float, ways: list[list[tuple[int, int]]]) -> F32:
    rows, columns = normals.shape[:2]
    here = height[margin : margin + rows, margin : margin + columns]
    total = np.zeros((rows, columns), np.float32)
    rise = np.empty((rows, columns), np.float32)
    up = np.maximum(normals[..., 2], np.float32(0.0))
    for k, offsets in enumerate(ways):
        angle = np.pi * (k + 0.5) / len(ways)
        steepest = []
        for sign in (1, -1):
            slope = np.zeros((rows, columns), np.float32)
            for right, above in offsets:
                dx, dy = sign * right, -sign * above
                there = height[margin + dy : margin + dy + rows, margin + dx : margin + dx + columns]
                np.subtract(there, here, out=rise)
                rise *= np.float32(1.0 / (texel * np.hypot(right, above)))
                np.maximum(slope, rise, out=slope)
            steepest.append(slope)
        aside = normals[..., 0] * np.float32(np.cos(angle)) + normals[..., 1] * np.float32(np.sin(angle))
        total += _arc(steepest[0], steepest[1], aside, up)
    return np.asarray(np.minimum(total / len(ways), 1.0), np.float32)


def _arc(ahead: F32, behind: F32, aside: F32, up: F32) -> F32:
    """What the visible arc of a plane gives: slopes of both horizons, the normal's parts along the plane and upward."""
    length = np.hypot(aside, up)
    tilt = np.arctan2(aside, up)
    half = np.float32(np.pi / 2)
    # angles from the zenith; light from behind the surface does not count
    one = np.minimum(half - np.arctan(ahead), half + tilt)
    other = np.minimum(half - np.arctan(behind), half - tilt)
    sine, cosine = np.sin(tilt), np.cos(tilt)
    lit = 2 * cosine - np.cos(2 * one - tilt) - np.cos(2 * other + tilt) + 2 * (one - other) * sine
    return np.asarray(length * lit / 4, np.float32)
