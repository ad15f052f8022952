"""Grey closing of a height field by an upright solid of revolution: where its tip can go, then what it leaves.

Tip heights are a dilation of the field, the surface left an erosion of those. Neither a ball nor a cone separates into
row and column, so both are done offset by offset, but:

* heights are 16-bit whole numbers, twice as many to a vector instruction as floats; what that costs is half a step
  of the depth over 32,000 (0.2 micrometres in 10 mm) for each rounding;
* tiles lie flat in memory with a margin at both ends of each row, so that a shift sideways is a shift in one long
  array, and they stay in the processor's cache;
* the four offsets (+-x, +-y) share one height of the tool and are joined before it is subtracted;
* per tile, offsets at which the tool stands higher than any difference of heights left there are passed over;
* a tool that is flat along a row takes a running maximum, by windows of doubled length.

The tip never goes below the lowest point of the field, not beside the board either: nobody sends it there.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

I16 = NDArray[np.int16]
F32 = NDArray[np.float32]

STEPS = 32_000
TILE_ROWS, TILE_COLUMNS = 64, 512

Report = Callable[[float], None]


def closing(z: F32, heights: NDArray[np.float64], report: Report) -> F32:
    """The surface that a tool leaves of ``z``, everywhere at or above it.

    Parameters
    ----------
    z : (rows, columns) float32
        mm. Finite.
    heights : (k + 1, k + 1) float64
        Height of the tool's surface above its tip at so many cells along x and y, mm; infinite outside it. Along each
        row and column it must not fall.
    report : callable
        Called with the share done; what it raises ends the work.

    Returns
    -------
    (rows, columns) float32
    """
    low, high = float(z.min()), float(z.max())
    if not high > low:
        return z.copy()
    step = (high - low) / STEPS
    tool = np.minimum(np.rint(np.minimum(heights, 1e6) / step), STEPS).astype(np.int64)
    inside = tool < STEPS  # where the tool is as high as the whole field it can touch nothing first
    margin = int(np.flatnonzero(inside[0])[-1])
    whole = np.zeros((z.shape[0] + 4 * margin, z.shape[1] + 4 * margin), np.int16)
    part = whole[2 * margin : 2 * margin + z.shape[0], 2 * margin : 2 * margin + z.shape[1]]
    for first in range(0, z.shape[0], TILE_ROWS):
        rows = slice(first, first + TILE_ROWS)
        part[rows] = np.rint((z[rows].astype(np.float64) - low) / step)
    tips = _dilated(whole, tool, margin, lambda share: report(0.55 * share))
    np.subtract(STEPS, tips, out=tips)
    left = _dilated(tips, tool, margin, lambda share: report(0.55 + 0.45 * share))
    surface = np.empty_like(z)
    for first in range(0, z.shape[0], TILE_ROWS):
        rows = slice(first, first + TILE_ROWS)
        # where nothing is left the cutter reaches the surface itself, to its last digit
        same = STEPS - left[rows] == part[rows]
        made = ((STEPS - left[rows].astype(np.float64)) * step + low).astype(np.float32)
        surface[rows] = np.where(same, z[rows], np.maximum(made, z[rows]))
    return surface


def _dilated(field: I16, tool: NDArray[np.int64], margin: int, report: Report) -> I16:
    """Greatest of neighbour less tool at each cell that is ``margin`` from the edge of ``field``."""
    rows, columns = field.shape[0] - 2 * margin, field.shape[1] - 2 * margin
    result = np.empty((rows, columns), np.int16)
    flat = bool((tool[tool < STEPS] == 0).all())
    reach = [int((tool[dy] < STEPS).sum()) for dy in range(margin + 1)]  # offsets 0, 1, ... of each row
    wide = max(TILE_COLUMNS, 4 * margin)
    tiles = math.ceil(rows / TILE_ROWS) * math.ceil(columns / wide)
    done = 0
    for top in range(0, rows, TILE_ROWS):
        height = min(TILE_ROWS, rows - top)
        for left in range(0, columns, wide):
            width = min(wide, columns - left)
            piece = np.ascontiguousarray(
                field[top : top + height + 2 * margin, left : left + width + 2 * margin]
            ).reshape(-1)
            work = _flat_tile if flat else _tile
            found = work(piece, tool, reach, height, width + 2 * margin, margin)
            result[top : top + height, left : left + width] = found.reshape(height, -1)[:, margin : margin + width]
            done += 1
            report(done / tiles)
    return result


def _tile(piece: I16, tool: NDArray[np.int64], reach: list[int], height: int, across: int, margin: int) -> I16:
    """One tile, ``height`` rows of ``across`` cells; the ``margin`` at both ends of each row comes out undefined."""
    count = height * across
    best = piece[margin * across : margin * across + count].copy()
    rows = np.empty(count + 2 * margin, np.int16)  # both ends run over into cells that nobody reads
    rows[:margin] = rows[count + margin :] = 0
    pair = rows[margin : margin + count]
    joined = np.empty(count, np.int16)
    for dy in range(margin + 1):
        above = piece[(margin - dy) * across : (margin - dy) * across + count]
        below = piece[(margin + dy) * across : (margin + dy) * across + count]
        np.maximum(above, below, out=pair)
        room = int(pair.max()) - int(best.min())
        if tool[dy, 0] >= room:
            continue
        for dx in range(reach[dy]):
            height_here = int(tool[dy, dx])
            if height_here >= room:
                break
            if dx:
                ahead = rows[margin + dx : margin + dx + count]
                np.maximum(ahead, rows[margin - dx : margin - dx + count], out=joined)
                np.subtract(joined, np.int16(height_here), out=joined)
            else:
                np.subtract(pair, np.int16(height_here), out=joined)
            np.maximum(best, joined, out=best)
    return best


def _flat_tile(piece: I16, _tool: NDArray[np.int64], reach: list[int], height: int, across: int, margin: int) -> I16:
    """The same for a tool with a flat end: a running maximum along each row of it."""
    count = height * across
    windows = [piece]  # the greatest of 1, 2, 4, ... cells from each on
    while 2 ** len(windows) <= 2 * margin + 1:
        half = 2 ** (len(windows) - 1)
        longer = windows[-1].copy()
        np.maximum(longer[:-half], windows[-1][half:], out=longer[:-half])
        windows.append(longer)
    best = piece[margin * across : margin * across + count].copy()
    for dy in range(-margin, margin + 1):
        side = reach[abs(dy)] - 1
        level = (2 * side + 1).bit_length() - 1
        row = (margin + dy) * across
        for begin in (-side, side + 1 - 2**level):
            start = max(row + begin, 0)
            stop = min(row + begin + count, len(piece))
            np.maximum(
                best[start - row - begin : stop - row - begin],
                windows[level][start:stop],
                out=best[start - row - begin : stop - row - begin],
            )
    return best
