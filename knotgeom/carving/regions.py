"""Connected parts of a mask on a height map, and how far each cell is from the nearest one outside it.

Both work on whole rows. Parts are runs of cells, joined where runs of neighbouring rows touch (labelling by runs, as
R. Haralick and L. Shapiro describe it, Computer and Robot Vision, 1992, from memory). The square of a distance is the
sum of the squares across and along, so the least over the plane is the least over columns first, then over rows of
those (the separable distance transform; T. Saito and J. Toriwaki 1994, from memory).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..cycles import connected_labels
from ..mesh import Bools, Floats

I32 = NDArray[np.int32]


def regions(mask: Bools) -> tuple[I32, int]:
    """Number the parts of ``mask`` that hang together along rows, columns or diagonals.

    Rows are cut into runs, runs that touch from row to row are joined: the work grows with the runs, not the cells.

    Returns
    -------
    (rows, columns) int32
        1 and up; 0 outside the mask. Parts are numbered by their first cell.
    int
        How many there are.
    """
    rows, columns = mask.shape
    edges = np.zeros((rows, columns + 1), np.int8)
    edges[:, :columns] = mask
    edges[:, 1:] -= mask
    begin_row, begin = np.nonzero(edges == 1)
    end = np.nonzero(edges == -1)[1]
    if not len(begin):
        return np.zeros(mask.shape, np.int32), 0
    first_of_row = np.searchsorted(begin_row, np.arange(rows + 2))
    # each run touches a stretch of the next row's runs: those that end at or after it begins and begin at or before
    # it ends; a key that grows along the rows finds both ends of the stretch at once
    wide = columns + 2
    key_begin, key_end = begin_row * wide + begin, begin_row * wide + end
    low = np.searchsorted(key_end, (begin_row + 1) * wide + begin, side="left")
    high = np.searchsorted(key_begin, (begin_row + 1) * wide + end, side="right")
    low = np.maximum(low, first_of_row[begin_row + 1])
    high = np.minimum(high, first_of_row[begin_row + 2])
    number = np.maximum(high - low, 0)
    upper = np.repeat(np.arange(len(begin)), number)
    lower = np.arange(number.sum()) - np.repeat(np.cumsum(number) - number, number) + np.repeat(low, number)
    number_of_run = 1 + connected_labels(len(begin), upper, lower)
    steps = np.zeros((rows, columns + 1), np.int32)
    steps[begin_row, begin] = number_of_run
    steps[begin_row, end] -= number_of_run
    labels: I32 = np.cumsum(steps, axis=1, dtype=np.int32)[:, :columns]
    return labels, int(number_of_run.max())


def totals(labels: I32, count: int, weight: NDArray[Any] | None = None) -> Floats:
    """Number of cells, or sum of ``weight``, of each region 1 to ``count``, (count,)."""
    flat = None if weight is None else weight.reshape(-1)
    return np.bincount(labels.reshape(-1), flat, count + 1)[1:].astype(float)


def greatest(labels: I32, count: int, value: NDArray[Any]) -> tuple[Floats, NDArray[np.int64]]:
    """Greatest ``value`` of each region and the place of its cell in the flattened map, both (count,)."""
    flat = np.flatnonzero(labels)
    order = flat[np.lexsort((-value.reshape(-1)[flat], labels.reshape(-1)[flat]))]
    first = np.searchsorted(labels.reshape(-1)[order], np.arange(1, count + 1))
    at = order[first]
    return value.reshape(-1)[at].astype(float), at


def distance(mask: Bools, most: int) -> NDArray[np.float32]:
    """Distance of each cell of ``mask`` to the nearest cell outside it, in cells, exact up to ``most``, then that.

    What lies beyond the map is outside too. Distances are between middles of cells, so a strip of n cells has
    (n + 1) / 2 along its middle. Columns first, then for each cell the least of the squares along its row.
    """
    rows, columns = mask.shape
    at = np.arange(1, rows + 1, dtype=np.int32)[:, None]
    before = np.maximum.accumulate(np.where(mask, 0, at), axis=0)
    after = np.minimum.accumulate(np.where(mask, rows + 1, at)[::-1], axis=0)[::-1]
    up = np.minimum(np.minimum(at - before, after - at), most).astype(np.float32)
    square = up * up
    squares = np.zeros((rows, columns + 2 * most), np.float32)
    squares[:, most : most + columns] = square
    best = square.copy()
    for shift in range(1, most):
        if shift * shift >= best.max(initial=0.0):
            break
        nearer = np.minimum(
            squares[:, most - shift : most - shift + columns], squares[:, most + shift : most + shift + columns]
        )
        np.minimum(best, nearer + np.float32(shift * shift), out=best)
    away: NDArray[np.float32] = np.sqrt(np.minimum(best, np.float32(most * most)))
    return away
