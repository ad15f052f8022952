"""Light on a field of heights: a lamp raking from the upper left, as a carver reads a relief by, and a soft sky.

What the lamp and the sky reach is found from the heights alone, so shadows need no rays. A place is in the shade if
something on the way to the lamp stands higher than the ray has climbed by then: max over d of z(x + d) - d tan(climb)
> z(x). That maximum over 1, 2, 4, 8, ... pixels is built by doubling, so a shadow of any length costs its logarithm.

The sky is as bright everywhere. What a level place gets of it from one bearing, with all below the horizon's angle h
hidden, is cos^2 h: the integral of sin * cos over the open heights, in shares of the whole. Averaged over bearings it
is the obscurance that a height field gives (horizon mapping; N. Max 1988, from memory).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]

LAMP_HEIGHT = 35.0  # degrees above the ground
LAMP_SPREAD = 4.0  # degrees; the lamp's half width, which softens the edges of shadows
LAMP_BEARING = 135.0  # degrees anticlockwise from x: the upper left
LAMP_POINTS = 14
SKY_BEARINGS = 16
SKY_DISTANCES = 12


def lamp_light(field: F32, edge: int, away: int, pitch: float) -> F32:
    """The part of the lamp that is not hidden, 0 to 1, inside the edge of the field.

    For each point of the lamp the field is swept along the light: after steps of 1, 2, 4, ... pixels every pixel holds
    the highest thing on its way to the lamp, less what the ray has climbed.
    """
    field = np.ascontiguousarray(field[:-edge, :-edge])  # nothing below or to the right shades anything
    inner = (slice(edge, None), slice(edge, None))
    here = field[inner]
    lit = np.zeros(here.shape, np.float32)
    highest, scratch = np.empty_like(field), np.empty_like(field)
    for point in range(LAMP_POINTS):
        # points spread evenly over a disc, each at its own height and bearing
        radius = LAMP_SPREAD * math.sqrt((point + 0.5) / LAMP_POINTS)
        turn = point * math.pi * (3.0 - math.sqrt(5.0))
        bearing = math.radians(LAMP_BEARING + 1.6 * radius * math.cos(turn))
        climb = math.radians(LAMP_HEIGHT + radius * math.sin(turn))
        right, down = math.cos(bearing), -math.sin(bearing)
        np.copyto(highest, field)
        step = 1
        while step <= away:
            over, under = round(right * step), round(down * step)
            drop = math.hypot(over, under) * pitch * math.tan(climb)
            _raise(highest, under, over, drop, scratch)
            step *= 2
        # only what stands clear over the surface hides the lamp: the slack keeps a slope from shading itself
        hidden = highest[inner] - here
        hidden *= np.float32(0.5 / pitch)
        hidden -= np.float32(0.5)
        lit += np.clip(hidden, 0.0, 1.0, out=hidden)
    lit *= np.float32(-1.0 / LAMP_POINTS)
    lit += np.float32(1.0)
    return lit


def _raise(highest: F32, under: int, over: int, drop: float, scratch: F32) -> None:
    """Raise every pixel to the one at ``[+under, +over]`` less ``drop``, where that is higher."""
    rows, columns = highest.shape
    here = (slice(max(0, -under), rows - max(0, under)), slice(max(0, -over), columns - max(0, over)))
    there = (slice(max(0, under), rows - max(0, -under)), slice(max(0, over), columns - max(0, -over)))
    moved = scratch[here]
    np.subtract(highest[there], np.float32(drop), out=moved)
    np.maximum(highest[here], moved, out=highest[here])


def sky_light(field: F32, edge: int, wide: int, pitch: float) -> F32:
    """The part of an even sky that other parts of the mesh leave open, 0 to 1, inside the edge of the field.

    In each direction the horizon is the steepest rise to heights farther and farther out; those farther out are
    blurred, which keeps the few distances from showing as rings. The surface's own slope does not count: shading
    reckons with that, and smoothly, where the field has facets.
    """
    rows, columns = (side - 2 * edge for side in field.shape)
    distances = np.unique(np.rint(np.geomspace(1.0, max(wide, 2), SKY_DISTANCES)).astype(int)).tolist()
    soft = [field]
    for reach in range(max(distances).bit_length() - 3):
        soft.append(_blurred(soft[-1], 1 << reach))
    angles = [2.0 * math.pi * (k + 0.5) / SKY_BEARINGS for k in range(SKY_BEARINGS)]
    open_sky = np.empty((rows, columns), np.float32)
    band = max(1, (1 << 16) // columns)  # rows at a time, few enough to stay in the processor's cache
    for first in range(0, rows, band):
        size = min(band, rows - first)

        def moved(source: F32, over: int, under: int, first: int = first, size: int = size) -> F32:
            top, left = edge + first + under, edge + over
            return source[top : top + size, left : left + columns]

        here = moved(field, 0, 0)
        total = np.zeros(here.shape, np.float32)
        rise = np.empty_like(total)
        for angle in angles:
            horizon = np.zeros_like(total)
            over, under = round(1.5 * math.cos(angle)), round(-1.5 * math.sin(angle))
            own = np.minimum(moved(field, over, under) - here, here - moved(field, -over, -under))
            own *= np.float32(1.0 / (math.hypot(over, under) * pitch))
            np.maximum(own, 0.0, out=own)
            for distance in distances:
                over, under = round(distance * math.cos(angle)), round(-distance * math.sin(angle))
                source = soft[max(0, distance.bit_length() - 3)]
                np.subtract(moved(source, over, under), here, out=rise)
                rise *= np.float32(1.0 / (math.hypot(over, under) * pitch))
                np.maximum(horizon, rise, out=horizon)
            # tangent of the angle between horizon and slope
            np.subtract(horizon, own, out=rise)
            np.maximum(rise, 0.0, out=rise)
            own *= horizon
            own += 1.0
            rise /= own
            rise *= rise
            rise += 1.0
            total += np.reciprocal(rise, out=rise)  # cos^2: what an even sky above the horizon gives
        open_sky[first : first + size] = total / SKY_BEARINGS
    return open_sky


def _blurred(field: F32, reach: int) -> F32:
    """Each pixel mixed 1 : 2 : 1 with those ``reach`` away, along both axes; the border stays as it is."""
    out = field.copy()
    out[:, reach:-reach] *= 2.0
    out[:, reach:-reach] += field[:, : -2 * reach]
    out[:, reach:-reach] += field[:, 2 * reach :]
    out[:, reach:-reach] *= 0.25
    across = out.copy()
    out[reach:-reach] *= 2.0
    out[reach:-reach] += across[: -2 * reach]
    out[reach:-reach] += across[2 * reach :]
    out[reach:-reach] *= 0.25
    return out


def evened(heights: F32, values: F32, pitch: float) -> F32:
    """Values mixed with those around them at about the same height: smooth, yet never across the rim of a strand."""
    for reach in (1, 2):
        rows, columns = values.shape
        padded, field = (np.pad(a, reach, mode="edge") for a in (values, heights))
        total, weight = values.copy(), np.ones_like(values)
        bend = np.float32(1.0 / (2.0 * reach * pitch) ** 2)
        for under in (0, reach, 2 * reach):
            for over in (0, reach, 2 * reach):
                if under == over == reach:
                    continue
                there = (slice(under, under + rows), slice(over, over + columns))
                share = field[there] - heights
                share *= share
                share *= -bend
                share += 1.0
                np.maximum(share, 0.0, out=share)
                weight += share
                share *= padded[there]
                total += share
        total /= weight
        values = total
    return values


def linear(srgb: Any) -> F32:
    """Linear light of sRGB values 0 to 1 (IEC 61966-2-1)."""
    values = np.asarray(srgb, np.float64)
    linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    return np.asarray(linear, np.float32)


def encoded(linear: F32) -> F32:
    """The sRGB values 0 to 1 of linear light."""
    values = np.clip(linear, 0.0, 1.0)
    curved = 1.055 * np.maximum(values, 1e-9) ** (1.0 / 2.4) - 0.055
    return np.asarray(np.where(values <= 0.0031308, 12.92 * values, curved), np.float32)
