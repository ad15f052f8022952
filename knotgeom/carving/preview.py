"""A picture of a relief in wood, from its heights alone: grain along the board, light raking from the upper left."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..light import LAMP_BEARING, LAMP_HEIGHT, LAMP_SPREAD, encoded, evened, lamp_light, linear, sky_light
from .options import Wood

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]

SAMPLES = 2
"""Each way in a pixel."""
TONES: dict[Wood, tuple[tuple[int, int, int], tuple[int, int, int]]] = {
    Wood.LIME: ((226, 198, 152), (204, 170, 122)),
    Wood.WALNUT: ((126, 88, 60), (92, 60, 40)),
    Wood.CHERRY: ((190, 124, 84), (166, 100, 64)),
    Wood.MAPLE: ((232, 206, 166), (216, 184, 140)),
    Wood.OAK: ((198, 158, 106), (160, 120, 74)),
    Wood.MAHOGANY: ((156, 86, 58), (128, 64, 42)),
    Wood.PINE: ((232, 200, 146), (212, 164, 100)),
}
"""Early and late wood, sRGB."""
BENCH = (74, 72, 70)


def shaded(z: F32, pitch: float, thickness: float, wood: Wood, edge: int) -> U8:
    """The picture, (rows // 2, columns // 2, 3) uint8 sRGB.

    Parameters
    ----------
    z : (rows, columns) float32
        mm, with ``edge`` samples of bench round the board, NaN there; even numbers of samples.
    pitch : float
        mm per sample.
    thickness : float
        Of the board, mm.
    """
    bench = np.isnan(z)
    field = np.where(bench, np.float32(-thickness), z)
    lit, sky = _light(field, pitch)
    down, right = np.gradient(field, pitch)
    normal = np.stack([-right, down, np.ones_like(field)], 0)
    normal /= np.sqrt((normal * normal).sum(0))
    climb, bearing = math.radians(LAMP_HEIGHT), math.radians(LAMP_BEARING)
    lamp = (math.cos(climb) * math.cos(bearing), math.cos(climb) * math.sin(bearing), math.sin(climb))
    facing = np.maximum(np.tensordot(np.array(lamp, np.float32), normal, 1), 0)
    half = np.array(lamp) + (0, 0, 1)
    sheen = np.maximum(np.tensordot((half / np.linalg.norm(half)).astype(np.float32), normal, 1), 0) ** 24
    colour = _grain(field, pitch, wood)
    colour[bench] = linear(np.array([BENCH]) / 255.0)
    direct = facing * lit
    tone = np.stack([1.32 * direct + 0.36 * sky, 1.25 * direct + 0.365 * sky, 1.14 * direct + 0.385 * sky], 2)
    light = colour * tone
    light += (0.07 * sheen * lit * ~bench)[:, :, None]
    rows, columns = light.shape[0] // SAMPLES, light.shape[1] // SAMPLES
    light = light[: rows * SAMPLES, : columns * SAMPLES].reshape(rows, SAMPLES, columns, SAMPLES, 3).mean((1, 3))
    cut = slice(edge // SAMPLES, -(edge // SAMPLES) or None)
    light = light[cut, cut]
    knee = np.float32(0.7)
    over = np.maximum(light - knee, 0)
    light = np.minimum(light, knee) + (1 - knee) * over / (over + 1 - knee)
    return np.rint(255 * encoded(light)).astype(np.uint8)


def _light(field: F32, pitch: float) -> tuple[F32, F32]:
    """How much of lamp and sky every sample sees, at half the fineness and brought back."""
    rows, columns = field.shape[0] // 2, field.shape[1] // 2
    coarse = field[: 2 * rows, : 2 * columns].reshape(rows, 2, columns, 2).max((1, 3))
    rise = float(np.ptp(coarse))
    away = min(max(math.ceil(rise / math.tan(math.radians(LAMP_HEIGHT - LAMP_SPREAD)) / (2 * pitch)), 1), 1024)
    wide = min(max(round(1.6 * rise / (2 * pitch)), 6), 160)
    edge = max(away, wide + wide // 2) + 8
    around = np.pad(coarse, edge, mode="edge")
    lit = evened(coarse, lamp_light(around, edge, away, 2 * pitch), 2 * pitch)
    sky = evened(coarse, sky_light(around, edge, wide, 2 * pitch), 2 * pitch)
    spread = [np.repeat(np.repeat(part, 2, 0), 2, 1) for part in (lit, sky)]
    pad = ((0, field.shape[0] - 2 * rows), (0, field.shape[1] - 2 * columns))
    wide_out = [np.pad(part, pad, mode="edge") for part in spread]
    return wide_out[0], wide_out[1]


def _grain(field: F32, pitch: float, wood: Wood) -> F32:
    """Linear colour of the wood: growth rings of a log that lies along the board, cut by the relief's own surface."""
    rows, columns = field.shape
    x = (np.arange(columns, dtype=np.float32) * pitch)[None, :]
    y = (np.arange(rows, dtype=np.float32) * pitch)[:, None]
    middle = float(rows * pitch) * 0.42
    wander = 1.6 * np.sin(x / 61.0 + 0.7) + 0.9 * np.sin(x / 23.0 + y / 40.0)
    across, under = y - middle + wander, field - 46.0 - 0.012 * x
    radius = np.sqrt(across * across + under * under)
    ring = radius / 3.1
    ring += 0.25 * np.sin(ring * 0.9)
    late = ring - np.floor(ring)
    late = np.clip(late * late * late * 1.15, 0, 1)
    pores = np.random.default_rng(5).random((rows, max(columns // 24, 1) + 2), np.float32)
    pores = np.repeat(pores, 24, 1)[:, :columns]
    share = np.clip(0.75 * late + 0.22 * (pores - 0.5), 0, 1)[:, :, None]
    early, dark = (linear(np.array(tone) / 255.0) for tone in TONES[wood])
    return np.asarray((1 - share) * early + share * dark, np.float32)
