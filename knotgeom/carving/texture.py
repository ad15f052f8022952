"""The ground's texture: marks of a punch in rows, or close-set pricks of a point.

Each mark keeps to a cell of its own, so no two run together and a sample has one mark to be looked up. Where a mark
lies in its cell comes from the cell's number alone: the same design always has the same ground.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..mesh import Floats
from .options import Ground

F32 = NDArray[np.float32]


def marks(ground: Ground, x: Floats, y: Floats, size: float, depth: float) -> F32:
    """Height below the untouched ground at samples ``x`` (columns,), ``y`` (rows,): (rows, columns), 0 and less."""
    tall = size * (0.88 if ground is Ground.PUNCHED else 1.0)
    row = np.floor(y / tall).astype(np.int64)
    out = np.empty((len(y), len(x)), np.float32)
    starts = np.flatnonzero(np.append(True, row[1:] != row[:-1]))
    for first, last in zip(starts.tolist(), [*starts[1:].tolist(), len(y)]):
        number = int(row[first])
        shift = 0.5 * (number % 2)
        column = np.floor(x / size - shift).astype(np.int64)
        a, b, c = _random(column, number)
        if ground is Ground.PUNCHED:
            radius = np.full(len(x), 0.4)
            across, up = 0.5 + 0.08 * (a - 0.5), 0.5 + 0.05 * (b - 0.5)
            deep = 1.0 - 0.25 * c
        else:
            radius = 0.24 + 0.2 * c
            across, up = 0.5 + (1 - 2 * radius) * (a - 0.5), 0.5 + (1 - 2 * radius) * (b - 0.5)
            deep = radius / 0.44
        dx = (x / size - shift - column - across) / radius
        dy = (y[first:last, None] / size - number * tall / size - up * tall / size) / radius
        square = dx * dx + dy * dy
        np.minimum((square - 1.0) * (depth * deep), 0.0, out=out[first:last], casting="unsafe")
    return out


def _random(column: NDArray[np.int64], row: int) -> tuple[Floats, Floats, Floats]:
    """Three numbers from 0 to 1 for each cell, by mixing the bits of its number (a multiply and shift hash)."""
    key = (column.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)) ^ np.uint64((row * 0xC2B2AE3D27D4EB4F) % 2**64)
    out = []
    for turn in range(3):
        key = (key ^ (key >> np.uint64(31))) * np.uint64(0xBF58476D1CE4E5B9 + 2 * turn)
        out.append(((key ^ (key >> np.uint64(29))) >> np.uint64(11)).astype(float) / 2**53)
    return out[0], out[1], out[2]
