"""The highest surface of a mesh over every place of a plan, seen straight down.

x runs to the right, y up, without perspective, so lengths are true to scale. A triangle is cut into spans, one per row
of samples, and a span into samples; the highest sample at each place wins.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .errors import DesignError
from .mesh import Floats, Mesh, all_triangles

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I32 = NDArray[np.int32]
I64 = NDArray[np.int64]
U64 = NDArray[np.uint64]
U8 = NDArray[np.uint8]
Bools = NDArray[np.bool_]

LEAST_PIXELS, MOST_PIXELS = 16, 20_000
BATCH = 1 << 16  # spans or samples held at once, few enough for the processor's cache


@dataclass(frozen=True, slots=True)
class Window:
    """A rectangle of the plan cut into square pixels; row 0 is the top one.

    The middle of pixel ``[row, column]`` lies at ``x = left + (column + 0.5) * pitch``,
    ``y = top - (row + 0.5) * pitch``.

    Attributes
    ----------
    left, top : float
        mm, of the upper left corner of the first pixel.
    pitch : float
        mm per pixel.
    columns, rows : int
    """

    left: float
    top: float
    pitch: float
    columns: int
    rows: int

    def part(self, row: int, column: int, rows: int, columns: int) -> Window:
        """The window of ``rows`` x ``columns`` pixels whose first pixel is ``[row, column]`` of this one."""
        return Window(self.left + column * self.pitch, self.top - row * self.pitch, self.pitch, columns, rows)

    def finer(self, times: int) -> Window:
        """The same rectangle in pixels ``times`` smaller."""
        return Window(self.left, self.top, self.pitch / times, self.columns * times, self.rows * times)


def window_of(mesh: Mesh, *, pixels: int | None = None, pitch: float | None = None, margin: float = 0.0) -> Window:
    """The window that just holds a mesh, by the pixels of its longer side or by the size of a pixel.

    Parameters
    ----------
    mesh : Mesh
    pixels : int
        Along the longer side, 16 to 20000. Either this or `pitch`.
    pitch : float
        mm per pixel; neither side may come out over 20000 pixels.
    margin : float
        mm kept free all round.

    Raises
    ------
    DesignError
        The mesh has no faces or is not finite, or the size asked for is out of bounds.
    """
    low, high = bounds(mesh)
    if not (math.isfinite(margin) and margin >= 0.0):
        raise DesignError(f"a margin of {margin} mm", "give 0 or more", "margin")
    size = high[:2] - low[:2] + 2.0 * margin
    longer = float(size.max())
    if (pixels is None) == (pitch is None):
        raise DesignError("the size of a picture is set twice or not at all", "give pixels or pitch", "pixels")
    if pixels is not None:
        check_pixels(pixels)
        step = longer / pixels if longer > 0.0 else 1.0
    else:
        assert pitch is not None
        if not (math.isfinite(pitch) and pitch > 0.0 and longer / pitch <= MOST_PIXELS):
            least = longer / MOST_PIXELS
            raise DesignError(f"{pitch} mm per pixel", f"give at least {least:.3g} mm for {longer:.4g} mm", "pitch")
        step = float(pitch)
    # the slack keeps a size of exactly n pixels, give or take rounding, from becoming n + 1
    columns, rows = (max(1, math.ceil(float(side) / step - 1e-9)) for side in size)
    middle = (low + high)[:2] / 2.0
    return Window(float(middle[0]) - columns * step / 2.0, float(middle[1]) + rows * step / 2.0, step, columns, rows)


def height_buffer(mesh: Mesh, window: Window) -> tuple[F32, I32]:
    """The highest surface over the middle of every pixel, whichever way it faces.

    Faces that stand exactly upright have no extent in plan and are left out. Where faces share an edge, a pixel whose
    middle lies on it is covered once, never missed.

    Parameters
    ----------
    mesh : Mesh
    window : Window
        See :func:`window_of`; it may also show part of the mesh only.

    Returns
    -------
    heights : (rows, columns) float32
        z in mm, NaN where there is nothing.
    faces : (rows, columns) int32
        The face seen: an index into the quads, or the number of quads plus an index into the triangles; -1 where
        there is nothing. Of faces at the same height the later one.

    Raises
    ------
    DesignError
        The mesh has no faces or is not finite.
    """
    bounds(mesh)
    heights, triangles = rasterise(mesh.vertices, all_triangles(mesh).astype(np.int32, copy=False), window)
    return heights, _face_of(triangles, len(mesh.quads))


def check_pixels(pixels: int) -> None:
    """Refuse sizes no picture should have."""
    whole = isinstance(pixels, (int, np.integer)) and not isinstance(pixels, bool)
    if not whole or not LEAST_PIXELS <= pixels <= MOST_PIXELS:
        wanted = f"give a whole number from {LEAST_PIXELS} to {MOST_PIXELS}"
        raise DesignError(f"a picture of {pixels!r} pixels", wanted, "pixels")


def bounds(mesh: Mesh) -> tuple[F64, F64]:
    """Lowest and highest corner of the faces, (3,) mm each; refuses what has none."""
    used = np.concatenate([mesh.quads.ravel(), mesh.triangles.ravel()])
    if not used.size:
        raise DesignError("a mesh without faces", "a picture needs at least one face", "mesh")
    points = np.asarray(mesh.vertices, np.float64)[used]
    if not np.isfinite(points).all():
        raise DesignError("a mesh with a vertex that is not finite", "every coordinate must be a number", "mesh")
    return points.min(axis=0), points.max(axis=0)


def batches(counts: I64, most: int) -> Iterator[slice]:
    """Consecutive slices whose counts sum to about ``most``; a single count may be larger."""
    ends = np.cumsum(counts)
    first = 0
    while first < len(counts):
        done = int(ends[first - 1]) if first else 0
        last = max(first + 1, int(np.searchsorted(ends, done + most, side="right")))
        yield slice(first, last)
        first = last


def spread(counts: I64) -> tuple[I64, I64]:
    """For each item ``i`` repeated ``counts[i]`` times: which item, and which repeat of it."""
    item = np.repeat(np.arange(len(counts)), counts)
    return item, np.arange(len(item)) - np.repeat(np.cumsum(counts) - counts, counts)


def rasterise(vertices: Floats, triangles: I32, window: Window) -> tuple[F32, I32]:
    """Heights (rows, columns) float32, NaN where empty, and the triangle seen, -1 where empty.

    Height and triangle are packed into one 64-bit key that sorts by height first, so that keeping the greater key is
    the whole of the depth test.
    """
    columns, rows = window.columns, window.rows
    keys = np.zeros(rows * columns, np.uint64)
    place = np.empty((len(vertices), 3))
    place[:, 0] = (vertices[:, 0] - window.left) / window.pitch - 0.5
    place[:, 1] = (window.top - vertices[:, 1]) / window.pitch - 0.5
    place[:, 2] = vertices[:, 2]
    down = place[:, 1][triangles]
    across = place[:, 0][triangles]
    first = np.maximum(np.ceil(_over_corners(np.minimum, down)), 0.0)
    last = np.minimum(np.ceil(_over_corners(np.maximum, down)), rows)
    shown = (last > first) & (_over_corners(np.maximum, across) >= 0.0)
    shown &= _over_corners(np.minimum, across) <= columns
    chosen = np.flatnonzero(shown)
    for batch in _chunks(len(chosen), BATCH):
        ids = chosen[batch]
        # corners from the top row down: a shared edge then gives both its faces the very same numbers
        order = np.argsort(down[ids], axis=1, kind="stable")
        corners = np.take_along_axis(triangles[ids], order, axis=1)
        _fill(keys, place[corners], ids, columns, rows)
    packed = keys.reshape(rows, columns)
    seen = (packed & np.uint64(0xFFFFFFFF)).astype(np.uint32).view(np.int32) - np.int32(1)
    high = (packed >> np.uint64(32)).astype(np.uint32)
    bits = np.where(high & np.uint32(0x80000000), high ^ np.uint32(0x80000000), ~high)
    heights = bits.view(np.float32)
    heights[seen < 0] = np.nan
    return heights, seen


def _chunks(length: int, most: int) -> Iterator[slice]:
    """Consecutive slices of at most ``most`` items."""
    return (slice(first, min(first + most, length)) for first in range(0, length, most))


def _over_corners(better: np.ufunc, values: F64) -> F64:
    """The least or greatest of the three corners' values, (n,); several times faster than reducing so short an axis."""
    return np.asarray(better(better(values[:, 0], values[:, 1]), values[:, 2]), np.float64)


def _fill(keys: U64, corners: F64, ids: I64, columns: int, rows: int) -> None:
    """Merge triangles into the keys; ``corners`` (n, 3, 3): column, row, height of each, the top row first.

    A triangle is two halves with a level line between them, at its middle corner. Either half lies between the long
    side, from the first corner to the last, and one short side; both sides are lines over the row.
    """
    upper, middle, lower = corners[:, 0], corners[:, 1], corners[:, 2]
    long = _side(upper, lower)
    sides = np.concatenate(
        [np.concatenate([long, _side(upper, middle)], axis=1), np.concatenate([long, _side(middle, lower)], axis=1)]
    )
    limits = np.clip(np.ceil(corners[:, :, 1]), 0, rows).astype(np.int64)
    start = np.concatenate([limits[:, 0], limits[:, 1]])
    counts = np.concatenate([limits[:, 1], limits[:, 2]]) - start
    name = np.tile(ids + 1, 2).astype(np.uint64)
    kept = np.flatnonzero(counts > 0)
    sides, start, counts, name = sides[kept], start[kept], counts[kept], name[kept]
    for batch in batches(counts, BATCH):
        item, offset = spread(counts[batch])
        row = start[batch][item] + offset
        spans = sides[batch][item]
        x0, z0 = (spans[:, k] + (row - spans[:, 2]) * spans[:, k + 3] for k in (0, 1))
        x1, z1 = (spans[:, k] + (row - spans[:, 7]) * spans[:, k + 3] for k in (5, 6))
        begin = np.maximum(np.ceil(np.minimum(x0, x1)), 0.0)
        width = np.minimum(np.ceil(np.maximum(x0, x1)), columns) - begin
        shown = np.flatnonzero(width > 0.0)
        x0, z0, x1, z1, begin = (values[shown] for values in (x0, z0, x1, z1, begin))
        wide = x1 - x0
        thin = np.abs(wide) < 1e-6  # of a pixel: too narrow to tell where in it a middle lies
        slope = np.where(thin, 0.0, (z1 - z0) / np.where(thin, 1.0, wide))
        z = np.where(thin, np.maximum(z0, z1), z0 + (begin - x0) * slope)
        flat = row[shown] * columns + begin.astype(np.int64)
        _merge(keys, flat, width[shown].astype(np.int64), z, slope, name[batch][item[shown]])


def _side(a: F64, b: F64) -> F64:
    """A side of triangles from corner ``a`` down to ``b`` over the row: x, z, row at ``a``, x and z per row; (n, 5)."""
    fall = b[:, 1] - a[:, 1]
    fall = np.where(fall > 0.0, fall, 1.0)  # a level side meets no row
    return np.stack([a[:, 0], a[:, 2], a[:, 1], (b[:, 0] - a[:, 0]) / fall, (b[:, 2] - a[:, 2]) / fall], axis=1)


def _merge(keys: U64, flat: I64, width: I64, z: F64, slope: F64, name: U64) -> None:
    """Merge level spans of samples into the keys: first sample, number of samples, height there and per sample."""
    for batch in batches(width, BATCH):
        span, step = spread(width[batch])
        bits = (z[batch][span] + step * slope[batch][span]).astype(np.float32).view(np.uint32)
        # all bits turned where negative, else the sign alone: then unsigned integers sort as the numbers do
        bits ^= (bits.view(np.int32) >> 31).view(np.uint32) | np.uint32(0x80000000)
        key = bits.astype(np.uint64)
        key <<= np.uint64(32)
        key |= name[batch][span]
        np.maximum.at(keys, flat[batch][span] + step, key)


def _face_of(triangles: I32, quads: int) -> I32:
    """Faces by the order of :func:`knotgeom.mesh.all_triangles`: two triangles a quad, then the triangles."""
    faces: I32 = np.where(triangles < 2 * quads, triangles >> 1, triangles - quads)  # -1 >> 1 is -1
    return faces.astype(np.int32, copy=False)
