"""How sharply a surface bends, from its normals in plan.

The sum of both principal curvatures of a height field is the divergence of the plan parts of its unit normal (M. do
Carmo, Differential Geometry of Curves and Surfaces, 1976, 3.3; here from memory), so no second derivative is taken.
"""

from __future__ import annotations

import numpy as np

from ..mesh import Bools
from .textures import F32, I16, NONE, STEEP


def curvature(normals: F32, height: F32, strand: I16, pure: Bools, texel: float, reach: float = 0.0) -> F32:
    """Sum of both principal curvatures, 1/mm, convex positive, (rows, columns) float32.

    Only texels of the same strand between which no step lies are compared, so outlines are no edges; texels on an
    outline take the mean of their neighbours. Where there is no such neighbour it is 0.

    Parameters
    ----------
    normals : (rows, columns, 3) float32
        Unit length; row 0 at the top, y up.
    height : (rows, columns) float32
        mm.
    strand : (rows, columns) int16
    pure : (rows, columns) bool
        Whether a texel is one strand's alone.
    texel : float
        mm.
    reach : float
        mm: each is the mean over what is no farther off along the rows, then along the columns, up to the outline.
    """
    own = np.where(pure, strand, NONE)
    across = _joined(height, own, texel)
    down = _joined(height.T, own.T, texel)
    total = _spreading(normals[..., 0], across) - _spreading(normals[..., 1].T, down).T
    total = np.asarray(np.where(pure, total / np.float32(texel), np.float32(0.0)), np.float32)
    steps = round(reach / texel)
    if steps:
        total = _mean(_mean(total, across, steps).T, down, steps).T
    return _bordered(total, strand, pure)


def _bordered(values: F32, strand: I16, pure: Bools) -> F32:
    """Texels on outlines take the mean of their neighbours of the same strand."""
    out = np.where(pure, values, np.float32(0.0))
    edge = np.flatnonzero((strand != NONE) & ~pure)
    row, column = np.divmod(edge, strand.shape[1])
    total, count = np.zeros(len(edge)), np.zeros(len(edge))
    for down, right in ((0, 1), (1, 0), (0, -1), (-1, 0)):
        other = (
            np.clip(row + down, 0, strand.shape[0] - 1),
            np.clip(column + right, 0, strand.shape[1] - 1),
        )
        like = pure[other] & (strand[other] == strand[row, column])
        total += np.where(like, values[other], 0.0)
        count += like
    out[row, column] = total / np.maximum(count, 1)
    return out


def _joined(height: F32, strand: I16, texel: float) -> Bools:
    """Whether each texel and the next in its row are of one surface, (rows, columns - 1)."""
    step = np.abs(height[:, 1:] - height[:, :-1]) <= STEEP * texel
    return np.asarray(step & (strand[:, 1:] == strand[:, :-1]))


def _spreading(value: F32, joined: Bools) -> F32:
    """Change per texel along rows, from the neighbours that are joined."""
    rise = np.where(joined, value[:, 1:] - value[:, :-1], np.float32(0.0))
    total, count = np.zeros(value.shape, np.float32), np.zeros(value.shape, np.float32)
    for side in (slice(1, None), slice(None, -1)):
        total[:, side] += rise
        count[:, side] += joined
    return np.asarray(total / np.maximum(count, 1.0), np.float32)


def _mean(values: F32, joined: Bools, steps: int) -> F32:
    """Means over runs of texels in rows, ``steps`` either way or up to where another surface begins."""
    rows, columns = values.shape
    at = np.arange(columns, dtype=np.int32)
    begins, ends = np.zeros((rows, columns), np.int32), np.full((rows, columns), columns - 1, np.int32)
    begins[:, 1:] = np.where(joined, 0, at[1:])
    ends[:, :-1] = np.where(joined, columns - 1, at[:-1])
    first = np.maximum(np.maximum.accumulate(begins, axis=1), at - steps)
    last = np.minimum(np.minimum.accumulate(ends[:, ::-1], axis=1)[:, ::-1], at + steps)
    sums = np.zeros((rows, columns + 1))
    np.cumsum(values, axis=1, out=sums[:, 1:])
    total = np.take_along_axis(sums, last + 1, 1) - np.take_along_axis(sums, first, 1)
    return np.asarray(total / (last + 1 - first), np.float32)
