"""Texels that nothing covers take what the nearest covered one has, so that filters and mip levels mix in nothing else.

Distances are exact (after T. Saito and J. Toriwaki, New algorithms for Euclidean distance transformation, 1994: rows
first, then columns), and of texels equally near always the same one is taken.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..mesh import Bools, Ints


def nearest(covered: Bools, reach: int, wraps: bool = False) -> tuple[Ints, Ints]:
    """For texels that are not covered but no farther than ``reach`` from one that is: they and the nearest one.

    Parameters
    ----------
    covered : (rows, columns) bool
    reach : int
        Texels.
    wraps : bool
        Whether the last column is beside the first.

    Returns
    -------
    bare, source : (n,) int64
        Indices into the flat map.
    """
    rows, columns = covered.shape
    if reach < 1 or covered.all() or not covered.any():
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    aside = _aside(covered, reach, wraps)
    # rows that far up and down in which something is near enough aside
    near = np.zeros((rows + 2 * reach + 1, columns), np.int32)
    np.cumsum(np.abs(aside) <= reach, axis=0, out=near[reach + 1 : rows + reach + 1])
    near[rows + reach + 1 :] = near[rows + reach]
    bare = np.flatnonzero(~covered & (near[2 * reach + 1 :] > near[:rows]))
    flat = aside.ravel().astype(np.int32)
    row = bare // columns
    best = np.full(len(bare), reach * reach + 1, np.int32)
    down, along = np.zeros(len(bare), np.int32), np.zeros(len(bare), np.int32)
    for step in sorted(range(-reach, reach + 1), key=abs):
        # first and last bare texel whose row is still on the map, so many rows on
        first, last = np.searchsorted(row, (-step, rows - step))
        offset = flat[bare[first:last] + step * columns]
        square = np.minimum(np.abs(offset), reach + 1) ** 2 + np.int32(step * step)
        nearer = np.flatnonzero(square < best[first:last]) + first
        best[nearer] = square[nearer - first]
        down[nearer], along[nearer] = step, offset[nearer - first]
    found = best <= reach * reach
    bare, row, down, along = bare[found], row[found], down[found], along[found]
    return bare, (row + down) * columns + (bare % columns + along) % columns


def _aside(covered: Bools, reach: int, wraps: bool) -> NDArray[np.int16]:
    """How far to the right in its own row each texel's nearest covered one is; a great number where there is none."""
    rows, columns = covered.shape
    edge = min(reach, columns) if wraps else 0
    wide = np.concatenate([covered[:, columns - edge :], covered, covered[:, :edge]], axis=1) if edge else covered
    at = np.arange(wide.shape[1], dtype=np.int32)
    far = np.int32(1 << 14)
    left = np.maximum.accumulate(np.where(wide, at, -far), axis=1)
    right = np.minimum.accumulate(np.where(wide, at, 2 * far)[:, ::-1], axis=1)[:, ::-1]
    back, ahead = left - at, right - at
    chosen = np.where(-back <= ahead, np.maximum(back, -far), np.minimum(ahead, far))
    return np.asarray(chosen[:, edge : edge + columns], np.int16)


def filled(values: NDArray[Any], bare: Ints, source: Ints) -> NDArray[Any]:
    """A copy of a map, (rows, columns) or with more axes, in which bare texels have what their source has."""
    out = np.ascontiguousarray(values).copy()
    flat = out.reshape(-1, *out.shape[2:])
    flat[bare] = flat[source]
    return out
