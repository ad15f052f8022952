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
    near = np.abs(aside) <= reach
    bare = np.flatnonzero(_spread(near, reach) & ~covered)
    flat = aside.ravel()
    row = bare // columns
    best = np.full(len(bare), reach * reach + 1, np.int32)
    down, along = np.zeros(len(bare), np.int16), np.zeros(len(bare), np.int16)
    left = np.arange(len(bare))  # texels that something nearer may yet be found for
    for step in sorted(range(-reach, reach + 1), key=abs):
        if step < 0:
            left = left[best[left] > step * step]
        there = row[left] + step
        mine = left[(there >= 0) & (there < rows)]
        offset = flat[bare[mine] + step * columns]
        square = np.minimum(np.abs(offset), reach + 1).astype(np.int32) ** 2 + np.int32(step * step)
        nearer = square < best[mine]
        mine = mine[nearer]
        best[mine], down[mine], along[mine] = square[nearer], step, offset[nearer]
    found = best <= reach * reach
    bare, row, down, along = bare[found], row[found], down[found], along[found]
    return bare, (row + down) * columns + (bare % columns + along) % columns


def _aside(covered: Bools, reach: int, wraps: bool) -> NDArray[np.int16]:
    """How far to the right in its own row each texel's nearest covered one is; a great number where there is none."""
    rows, columns = covered.shape
    edge = min(reach, columns) if wraps else 0
    wide = np.concatenate([covered[:, columns - edge :], covered, covered[:, :edge]], axis=1) if edge else covered
    # numbers of 16 bits are far quicker; wider sheets need more
    kind = np.dtype(np.int16 if wide.shape[1] < 1 << 14 else np.int32)
    at = np.arange(wide.shape[1], dtype=kind)
    far = kind.type(-(1 << 14) if kind.itemsize == 2 else -(1 << 28))
    back = np.where(wide, at, far)
    np.maximum.accumulate(back, axis=1, out=back)
    back = back[:, edge : edge + columns]
    ahead = np.where(wide[:, ::-1], at, far)
    np.maximum.accumulate(ahead, axis=1, out=ahead)
    ahead = at[-1] - ahead[:, ::-1][:, edge : edge + columns]
    here = at[edge : edge + columns]
    most = kind.type((1 << 14) - 1)
    back, ahead = np.minimum(here - back, most), np.minimum(ahead - here, most)
    return np.asarray(np.where(back <= ahead, -back, ahead), np.int16)


def _spread(mask: Bools, reach: int) -> Bools:
    """Places no more than ``reach`` rows above or below one of the mask."""
    out, done = mask.copy(), 0
    while done < reach:
        step = min(done + 1, reach - done) if done else 1
        wider = out.copy()
        wider[step:] |= out[:-step]
        wider[:-step] |= out[step:]
        out, done = wider, done + step
    return out


def nearest_like(known: Bools, kind: NDArray[Any], wanted: Bools, reach: int) -> tuple[Ints, Ints]:
    """For wanted texels no farther than ``reach`` from a known one of their own kind: they and the nearest such.

    The last column is beside the first.

    Places round about are tried one after another, the nearest first, so it is quick where most lie close by.

    Parameters
    ----------
    known, wanted : (rows, columns) bool
    kind : (rows, columns) int

    Returns
    -------
    bare, source : (n,) int64
        Indices into the flat map.
    """
    rows, columns = known.shape
    places = [
        (down, right)
        for down in range(-reach, reach + 1)
        for right in range(-reach, reach + 1)
        if 0 < down * down + right * right <= reach * reach
    ]
    flat, own = known.ravel(), kind.ravel()
    left = np.flatnonzero(wanted)
    row, column, like = left // columns, left % columns, own[left]
    bare, source = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
    for down, right in sorted(places, key=lambda place: (place[0] ** 2 + place[1] ** 2, abs(place[0]), place)):
        if not len(left):
            break
        there_row, there = row + down, column + right
        inside = (there_row >= 0) & (there_row < rows)
        there = there % columns
        at = np.where(inside, there_row * columns + there, 0)
        found = inside & flat[at] & (own[at] == like)
        if found.any():
            bare.append(left[found])
            source.append(at[found])
            rest = ~found
            left, row, column, like = left[rest], row[rest], column[rest], like[rest]
    return np.concatenate(bare), np.concatenate(source)


def filled(values: NDArray[Any], bare: Ints, source: Ints) -> NDArray[Any]:
    """A copy of a map, (rows, columns) or with more axes, in which bare texels have what their source has."""
    out = np.ascontiguousarray(values).copy()
    flat = out.reshape(-1, *out.shape[2:])
    flat[bare] = flat[source]
    return out
