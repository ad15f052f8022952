"""Walls that run across the grain, where wood splits most easily."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import DesignError
from .field import HeightField
from .regions import greatest, regions

PLACES = 12
"""So many places are told at most."""

STEEP_DEG = 70.0
"""Walls steeper than this are looked at for the grain; common practice, no source."""
ACROSS_DEG = 30.0
"""A wall runs across the grain if it faces along it within this angle; common practice, no source."""
LEAST_WALL = 0.4
"""mm; lower walls do not count."""


@dataclass(frozen=True, slots=True)
class GrainWall:
    """A steep wall that runs across the grain: its deepest point, extent across the grain, height; mm and degrees."""

    x: float
    y: float
    length: float
    height: float
    steepest_deg: float


@dataclass(frozen=True, slots=True)
class GrainWalls:
    """All steep walls across the grain: how many, their length together in mm, the longest ones."""

    count: int
    length: float
    worst: tuple[GrainWall, ...]


def walls_across_grain(
    field: HeightField, grain_deg: float = 0.0, steep_deg: float = STEEP_DEG, within_deg: float = ACROSS_DEG
) -> GrainWalls:
    """Steep walls that run across the grain, where fibres are cut through and short pieces break out.

    Parameters
    ----------
    grain_deg : float
        Direction of the grain, degrees anticlockwise from x.
    steep_deg : float
        Least steepness, degrees from level.
    within_deg : float
        How far from the grain's direction a wall may face.
    """
    if not math.isfinite(grain_deg):
        raise DesignError(f"a grain of {grain_deg} degrees", "give a finite angle", "grain_deg")
    if not 0 < steep_deg < 90:
        raise DesignError(f"walls steeper than {steep_deg:.4g} degrees", "give above 0 and below 90", "steep_deg")
    z = field.z
    steepest = np.zeros(z.shape, np.float32)
    flagged = np.zeros(z.shape, bool)
    grain = (math.cos(math.radians(grain_deg)), math.sin(math.radians(grain_deg)))
    least, share = math.tan(math.radians(steep_deg)), math.cos(math.radians(within_deg))
    for first in range(0, len(z), 256):  # bands, so that the differences take little memory
        low, high = max(0, first - 1), min(len(z), first + 257)
        band = z[low:high]
        across = _steepest(band, 1) / field.pitch
        up = -_steepest(band, 0) / field.pitch  # rows go down the board
        slope = np.hypot(across, up)
        own = slice(first - low, first - low + min(256, len(z) - first))
        steepest[first : first + 256] = slope[own]
        faces = np.abs(across * grain[0] + up * grain[1])
        flagged[first : first + 256] = ((slope >= least) & (faces >= share * slope))[own]
    labels, count = regions(flagged)
    if not count:
        return GrainWalls(0, 0.0, ())
    rows, columns = np.nonzero(labels)
    name = labels[rows, columns] - 1
    x, y = field.left + (columns + 0.5) * field.pitch, field.top - (rows + 0.5) * field.pitch
    side = y * grain[0] - x * grain[1]
    height = z[rows, columns]
    low_side, low_height = np.full(count, np.inf), np.full(count, np.inf)
    high_side, high_height = np.full(count, -np.inf), np.full(count, -np.inf)
    steep = np.zeros(count)
    np.minimum.at(low_side, name, side)
    np.maximum.at(high_side, name, side)
    np.minimum.at(low_height, name, height)
    np.maximum.at(high_height, name, height)
    np.maximum.at(steep, name, steepest[rows, columns])
    tall, long = high_height - low_height, high_side - low_side + field.pitch
    at = greatest(labels, count, -z)[1]
    keep = np.flatnonzero((tall >= LEAST_WALL) & (long >= 1.0))
    keep = keep[np.lexsort((keep, -np.round(tall[keep] * long[keep], 3)))]
    worst = []
    for k in keep[:PLACES].tolist():
        px, py = field.place(*divmod(int(at[k]), z.shape[1]))
        worst.append(GrainWall(px, py, float(long[k]), float(tall[k]), math.degrees(math.atan(steep[k]))))
    return GrainWalls(len(keep), float(long[keep].sum()), tuple(worst))


def _steepest(z: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
    """The greater of the differences to the two neighbours along an axis, signed, mm."""
    step = np.diff(z, axis=axis)
    nothing = np.zeros_like(np.take(z, [0], axis))
    before, after = np.concatenate([nothing, step], axis), np.concatenate([step, nothing], axis)
    return np.where(np.abs(before) > np.abs(after), before, after)
