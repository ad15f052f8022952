"""A shaded picture of a mesh seen from straight above, and the height buffer under it; numpy alone.

The view looks down z: x to the right, y up, no perspective, so lengths in the picture are true to scale. A triangle is
cut into spans, one per row of samples, and a span into samples; the highest sample at each place wins. Light comes
raking from the upper left, as a carver lights a relief to read it, with a soft sky above. What the sky and the lamp
reach is found from the heights alone, so shadows need no rays.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .errors import DesignError
from .mesh import Mesh, all_triangles

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I32 = NDArray[np.int32]
I64 = NDArray[np.int64]
U8 = NDArray[np.uint8]
Bools = NDArray[np.bool_]

LEAST_PIXELS, MOST_PIXELS = 16, 20_000
SAMPLES = 2  # per pixel and direction
TILE = 2048  # pixels; larger pictures are drawn in tiles so that memory stays bounded
RIM = 4  # pixels that tiles overlap, since light is evened out between neighbouring pixels
FARTHEST = 1024  # pixels that light and shade are followed over the edge of a tile
BATCH = 1 << 16  # spans or samples held at once, few enough for the processor's cache
ROUGH_PIXELS = 256  # of the view that finds which heights are seen
BAND = 1 << 17  # samples shaded at once

CREASE = math.cos(math.radians(40.0))  # faces meeting at a sharper angle keep a hard edge between them
MOST_ROUND_VERTEX = 64  # faces round one vertex; the hub of a larger fan is shaded flat

LAMP_HEIGHT = 35.0  # degrees above the ground
LAMP_SPREAD = 4.0  # degrees; the lamp's half width, which softens the edges of shadows
LAMP_BEARING = 135.0  # degrees anticlockwise from x: the upper left
LAMP_POINTS = 14
LAMP_COLOUR = (1.17, 1.11, 1.01)
SKY_COLOUR = (0.40, 0.405, 0.42)
BOUNCE_COLOUR = (0.13, 0.115, 0.10)  # off the bench, lower right
SHEEN = 0.12  # strength of the waxed surface's highlight
SHOULDER = 0.65  # light up to here is kept as it is, brighter light is eased towards 1
LOW_TINT, HIGH_TINT = (0.58, 0.60, 0.635), (1.09, 1.085, 1.075)  # shades are multiplied by these, by height
SKY_BEARINGS = 16
SKY_DISTANCES = 12

TONES = (
    (216, 200, 170),  # bone
    (132, 82, 48),  # bronze
    (112, 130, 134),  # slate
    (206, 158, 98),  # honey oak
    (64, 50, 45),  # walnut
    (62, 84, 76),  # verdigris
)
"""Shades of the strands in turn, sRGB. Neighbours differ in lightness, so they differ to every eye."""

GROUND = (166, 160, 151)
BOARD = (196, 170, 133)
"""Faces that belong to no circuit (strand below 0): a board, a frame, a bail."""


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
    low, high = _bounds(mesh)
    if not (math.isfinite(margin) and margin >= 0.0):
        raise DesignError(f"a margin of {margin} mm", "give 0 or more", "margin")
    size = high[:2] - low[:2] + 2.0 * margin
    longer = float(size.max())
    if (pixels is None) == (pitch is None):
        raise DesignError("the size of a picture is set twice or not at all", "give pixels or pitch", "pixels")
    if pixels is not None:
        _check_pixels(pixels)
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
    _bounds(mesh)
    heights, triangles = _rasterise(mesh.vertices, all_triangles(mesh).astype(np.int32, copy=False), window)
    return heights, _face_of(triangles, len(mesh.quads))


def picture(mesh: Mesh, pixels: int = 1200, *, margin: float = 0.07, colours: Mapping[int, str] | None = None) -> U8:
    """A shaded picture from straight above, a shade for each circuit, on a calm ground just under the mesh.

    Parameters
    ----------
    mesh : Mesh
    pixels : int
        Along the longer side, 16 to 20000.
    margin : float
        Free ground all round, as a part of the longer side of the mesh, 0 to 1.
    colours : mapping of int to str, optional
        Circuits with a colour of their own, ``#rrggbb``.

    Returns
    -------
    (h, w, 3) uint8
        sRGB, row 0 at the top.

    Raises
    ------
    DesignError
        The mesh has no faces or is not finite, or a size is out of bounds.
    """
    _check_pixels(pixels)
    if not 0.0 <= margin <= 1.0:
        raise DesignError(f"a margin of {margin} of the longer side", "give 0 to 1", "margin")
    low, high = _bounds(mesh)
    whole = window_of(mesh, pixels=pixels, margin=margin * float((high - low)[:2].max()))
    scene = _scene(mesh, float(low[2]), float(high[2]), whole, colours or {})
    image = np.empty((whole.rows, whole.columns, 3), np.uint8)
    for row in range(0, whole.rows, TILE):
        for column in range(0, whole.columns, TILE):
            rows, columns = min(TILE, whole.rows - row), min(TILE, whole.columns - column)
            tile = whole.part(row - RIM, column - RIM, rows + 2 * RIM, columns + 2 * RIM)
            image[row : row + rows, column : column + columns] = _draw(scene, tile)[RIM:-RIM, RIM:-RIM]
    return image


def write_png(path: str | os.PathLike[str], array: U8) -> None:
    """Write a picture as PNG: the whole file, or none and whatever stood there before. Needs Pillow.

    Parameters
    ----------
    path : path-like
    array : (h, w, 3) uint8

    Raises
    ------
    ValueError
        The array is no picture.
    OSError
        The file cannot be written.
    """
    from PIL import Image  # only here: nothing else in the core needs it, and Blender brings none

    if array.dtype != np.uint8 or array.ndim != 3 or array.shape[2] != 3 or 0 in array.shape:
        raise ValueError(f"a picture of shape {array.shape} and type {array.dtype}; give (h, w, 3) uint8")
    target = Path(path)
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with open(part, "wb") as file:
            Image.fromarray(np.ascontiguousarray(array)).save(file, format="PNG")
        os.replace(part, target)
    finally:
        part.unlink(missing_ok=True)


# ---------------------------------------------------------------------------------------------------- checks


def _check_pixels(pixels: int) -> None:
    """Refuse sizes no picture should have."""
    whole = isinstance(pixels, (int, np.integer)) and not isinstance(pixels, bool)
    if not whole or not LEAST_PIXELS <= pixels <= MOST_PIXELS:
        wanted = f"give a whole number from {LEAST_PIXELS} to {MOST_PIXELS}"
        raise DesignError(f"a picture of {pixels!r} pixels", wanted, "pixels")


def _bounds(mesh: Mesh) -> tuple[F64, F64]:
    """Lowest and highest corner of the faces, (3,) mm each; refuses what has none."""
    used = np.concatenate([mesh.quads.ravel(), mesh.triangles.ravel()])
    if not used.size:
        raise DesignError("a mesh without faces", "a picture needs at least one face", "mesh")
    points = np.asarray(mesh.vertices, np.float64)[used]
    if not np.isfinite(points).all():
        raise DesignError("a mesh with a vertex that is not finite", "every coordinate must be a number", "mesh")
    return points.min(axis=0), points.max(axis=0)


# -------------------------------------------------------------------------------------------------- rasteriser


def _batches(counts: I64, most: int) -> Iterator[slice]:
    """Consecutive slices whose counts sum to about ``most``; a single count may be larger."""
    ends = np.cumsum(counts)
    first = 0
    while first < len(counts):
        done = int(ends[first - 1]) if first else 0
        last = max(first + 1, int(np.searchsorted(ends, done + most, side="right")))
        yield slice(first, last)
        first = last


def _spread(counts: I64) -> tuple[I64, I64]:
    """For each item ``i`` repeated ``counts[i]`` times: which item, and which repeat of it."""
    item = np.repeat(np.arange(len(counts)), counts)
    return item, np.arange(len(item)) - np.repeat(np.cumsum(counts) - counts, counts)


def _rasterise(vertices: Any, triangles: I32, window: Window) -> tuple[F32, I32]:
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


def _fill(keys: Any, corners: F64, ids: I64, columns: int, rows: int) -> None:
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
    for batch in _batches(counts, BATCH):
        item, offset = _spread(counts[batch])
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


def _merge(keys: Any, flat: I64, width: I64, z: F64, slope: F64, name: Any) -> None:
    """Merge level spans of samples into the keys: first sample, number of samples, height there and per sample."""
    for batch in _batches(width, BATCH):
        span, step = _spread(width[batch])
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


# ----------------------------------------------------------------------------------------------------- surfaces


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """What every tile of a picture shares."""

    vertices: F64
    triangles: I32
    corners: F64  # (triangles, 3, 3)
    normals: F32  # (triangles, 3, 3), unit, at each corner
    colours: F32  # (triangles + 1, 3) linear light; the ground's comes last
    lowest: float  # mm; of what is seen, but for the last few samples
    top: float
    ground: float
    widest: int  # pixels that the shade of the sky is followed
    whole: Window


def _scene(mesh: Mesh, bottom: float, top: float, whole: Window, own: Mapping[int, str]) -> _Scene:
    """Normals and colours of every triangle, and the ground to lie on."""
    tones = _linear(np.array([*TONES, BOARD, GROUND], np.float64) / 255.0)
    strand = np.concatenate([np.repeat(mesh.quad_strand, 2), mesh.triangle_strand])
    turn, tone = np.divmod(strand, len(TONES))
    # a second round of the shades is darker, a third lighter, and so on: told apart where they meet
    depth = np.array([1.0, 0.62, 1.25, 0.8])[turn % 4]
    colours = np.where((strand < 0)[:, None], tones[-2], tones[tone] * depth[:, None])
    for circuit, colour in own.items():
        colours[strand == circuit] = _linear(np.array([list(bytes.fromhex(colour[1:]))], np.float64) / 255.0)
    ground = bottom - max(0.02 * (top - bottom), 0.25 * whole.pitch)
    vertices = np.asarray(mesh.vertices, np.float64)
    triangles = all_triangles(mesh).astype(np.int32, copy=False)
    # shades go by the heights that are seen: the underside of a thick board must not use up their range
    coarse = max(whole.columns, whole.rows) / ROUGH_PIXELS
    columns, rows = math.ceil(whole.columns / coarse), math.ceil(whole.rows / coarse)
    rough = _rasterise(vertices, triangles, Window(whole.left, whole.top, whole.pitch * coarse, columns, rows))[0]
    shown = rough[np.isfinite(rough)]
    lowest = float(np.quantile(shown, 0.02)) if shown.size else bottom
    return _Scene(
        vertices=vertices,
        triangles=triangles,
        corners=vertices[triangles],
        normals=_corner_normals(mesh).reshape(-1, 3, 3),
        colours=np.concatenate([colours, tones[-1:]]).astype(np.float32),
        lowest=lowest,
        top=top,
        ground=ground,
        widest=max(whole.rows, whole.columns) // 6 + 6,
        whole=whole,
    )


def _corner_normals(mesh: Mesh) -> F32:
    """A unit normal for each corner of each triangle, (3 * triangles, 3), smooth except over creases.

    At each corner the faces round its vertex that lie within the crease angle of its own face are averaged by area.
    """
    vertices = np.asarray(mesh.vertices, np.float64)
    quads, triangles = mesh.quads, mesh.triangles
    a, b, c, d = (vertices[k] for k in quads.T)
    e, f, g = (vertices[k] for k in triangles.T)
    area = np.concatenate([np.cross(c - a, d - b), np.cross(f - e, g - e)])  # twice the area, square to the face
    length = np.linalg.norm(area, axis=1, keepdims=True)
    unit = np.divide(area, length, out=np.zeros_like(area), where=length > 0.0).astype(np.float32)
    unit[length[:, 0] == 0.0, 2] = 1.0
    weight = np.maximum(length, 1e-300).astype(np.float32)
    corner_vertex = np.concatenate([quads.ravel(), triangles.ravel()]).astype(np.int64)
    corner_face = np.concatenate(
        [np.repeat(np.arange(len(quads)), 4), len(quads) + np.repeat(np.arange(len(triangles)), 3)]
    )
    ring = corner_face[np.argsort(corner_vertex, kind="stable")]
    valence = np.bincount(corner_vertex, minlength=len(vertices))
    begin = np.cumsum(valence) - valence
    normals = unit[corner_face]
    corners = np.flatnonzero(valence[corner_vertex] <= MOST_ROUND_VERTEX)
    counts = valence[corner_vertex[corners]]
    for batch in _batches(counts, BATCH):
        own = corners[batch]
        pair, step = _spread(counts[batch])
        other = ring[begin[corner_vertex[own]][pair] + step]
        near = np.einsum("ij,ij->i", unit[corner_face[own]][pair], unit[other]) >= CREASE
        near |= other == corner_face[own][pair]
        share = unit[other] * (weight[other] * near[:, None])
        starts = np.cumsum(counts[batch]) - counts[batch]
        normals[own] = np.add.reduceat(share, starts, axis=0)
    normals[unit[corner_face, 2] < 0.0] *= -1.0  # should the back of a face show, it is lit like a front
    size = np.linalg.norm(normals, axis=1, keepdims=True)
    normals /= np.where(size > 0.0, size, 1.0)
    by_quad = normals[: 4 * len(quads)].reshape(-1, 4, 3)[:, [0, 1, 2, 0, 2, 3]]
    return np.concatenate([by_quad.reshape(-1, 3), normals[4 * len(quads) :]])


# -------------------------------------------------------------------------------------------------------- light


def _draw(scene: _Scene, tile: Window) -> U8:
    """One tile of the picture, (rows, columns, 3) uint8."""
    fine = tile.finer(SAMPLES)
    heights, seen = _rasterise(scene.vertices, scene.triangles, fine)
    heights[seen < 0] = scene.ground
    lit, open_sky = _reached(scene, tile, heights)
    image = np.empty((tile.rows, tile.columns, 3), np.uint8)
    band = max(1, BAND // (SAMPLES * SAMPLES * tile.columns))
    for row in range(0, tile.rows, band):
        rows = slice(row * SAMPLES, min(row + band, tile.rows) * SAMPLES)
        light = _shade(scene, fine, rows.start, heights[rows], seen[rows], lit[rows], open_sky[rows])
        for k, plane in enumerate(light):
            image[row : row + band, :, k] = np.rint(255.0 * _encoded(_averaged(plane)))
    return image


def _reached(scene: _Scene, tile: Window, heights: F32) -> tuple[F32, F32]:
    """How much of the lamp and of the sky each sample sees, 0 to 1, (rows, columns) of the samples both."""
    rise = scene.top - scene.ground
    away = math.ceil(rise / math.tan(math.radians(LAMP_HEIGHT - LAMP_SPREAD)) / tile.pitch)
    away = min(max(away, 1), FARTHEST)
    wide = min(max(round(1.6 * rise / tile.pitch), 6), scene.widest, FARTHEST)
    edge = max(away, wide + wide // 2) + 8
    around = tile.part(-edge, -edge, tile.rows + 2 * edge, tile.columns + 2 * edge)
    field, seen = _rasterise(scene.vertices, scene.triangles, around)
    field[seen < 0] = scene.ground
    lit = _lamp(field, edge, away, tile.pitch)
    open_sky = _sky(field, edge, wide, tile.pitch)
    inner = field[edge:-edge, edge:-edge]
    lit, open_sky = _evened(inner, lit, tile.pitch), _evened(inner, open_sky, tile.pitch)
    return _onto_samples(inner, heights, lit, open_sky, tile.pitch)


def _lamp(field: F32, edge: int, away: int, pitch: float) -> F32:
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


def _sky(field: F32, edge: int, wide: int, pitch: float) -> F32:
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


def _evened(heights: F32, values: F32, pitch: float) -> F32:
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


def _onto_samples(coarse: F32, heights: F32, lit: F32, open_sky: F32, pitch: float) -> tuple[F32, F32]:
    """Light found per pixel, brought to the samples in it.

    A sample at the rim of a strand may lie far over or under the middle of its pixel; it takes its light from the
    neighbouring pixel nearest to it in height, so that no strand carries a seam of its neighbour's shadow.
    """
    rows, columns = coarse.shape
    big = _repeated(coarse)
    row, column = np.nonzero(np.abs(big - heights) > 0.75 * pitch)
    height = heights[row, column]
    up, along = row // SAMPLES, column // SAMPLES
    best = np.abs(coarse[up, along] - height)
    best_up, best_along = up.copy(), along.copy()
    for under in (-1, 0, 1):
        for over in (-1, 0, 1):
            r, c = np.clip(up + under, 0, rows - 1), np.clip(along + over, 0, columns - 1)
            off = np.abs(coarse[r, c] - height)
            better = off < best
            best[better], best_up[better], best_along[better] = off[better], r[better], c[better]
    out = []
    for values in (lit, open_sky):
        fine = _repeated(values)
        fine[row, column] = values[best_up, best_along]
        out.append(fine)
    return out[0], out[1]


def _repeated(values: F32) -> F32:
    """Every pixel's value for each of its samples."""
    return np.repeat(np.repeat(values, SAMPLES, axis=0), SAMPLES, axis=1)


def _shade(
    scene: _Scene, fine: Window, first: int, heights: F32, seen: I32, lit: F32, open_sky: F32
) -> tuple[F32, F32, F32]:
    """Light leaving each sample of a band of rows towards the eye: linear red, green and blue, (rows, columns) each."""
    shape = seen.shape
    at = np.flatnonzero(seen >= 0)
    which = seen.reshape(-1)[at]
    row, column = np.divmod(at, shape[1])
    normal = _normals_at(scene, fine, first, row, column, which)

    def over_ground(values: F32, ground: float) -> F32:
        plane = np.full(shape, ground, np.float32)
        plane.reshape(-1)[at] = values
        return plane

    def facing(direction: F32) -> F32:
        return over_ground(np.maximum(normal @ direction, 0.0), float(direction[2]))

    climb, bearing = math.radians(LAMP_HEIGHT), math.radians(LAMP_BEARING)
    lamp = np.array(
        [math.cos(climb) * math.cos(bearing), math.cos(climb) * math.sin(bearing), math.sin(climb)], np.float32
    )
    half = lamp + np.array([0.0, 0.0, 1.0], np.float32)
    half /= np.linalg.norm(half)
    direct = facing(lamp) * lit
    sky = over_ground(0.5 + 0.5 * normal[:, 2], 1.0) * open_sky
    bounce = facing(np.array([0.6, -0.6, 0.53], np.float32)) * open_sky
    sheen = np.maximum(normal @ half, 0.0)
    for _ in range(5):  # to the 32nd power
        sheen *= sheen
    gloss = over_ground(sheen * np.float32(SHEEN), 0.0) * lit
    # height reads in the shade too: low parts are darker and a little cooler
    under = np.float32(scene.top) - heights.reshape(-1)[at]
    level = 1.0 - under / np.float32(max(scene.top - scene.lowest, 1e-12))
    level = np.clip(level, 0.0, 1.0)
    pool = _pool(scene, fine, first, shape)
    planes = []
    for k in range(3):
        light = direct * np.float32(LAMP_COLOUR[k])
        light += sky * np.float32(SKY_COLOUR[k])
        light += bounce * np.float32(BOUNCE_COLOUR[k])
        tint = LOW_TINT[k] + (HIGH_TINT[k] - LOW_TINT[k]) * level
        light *= over_ground(scene.colours[which, k] * tint, float(scene.colours[-1, k]))
        light += gloss * np.float32(LAMP_COLOUR[k])
        light *= pool
        planes.append(light)
    return _shouldered(planes)


def _pool(scene: _Scene, fine: Window, first: int, shape: tuple[int, ...]) -> F32:
    """The lamp's pool of light: a very slow fall from the upper left to the lower right of the picture."""
    whole = scene.whole
    across = (fine.left - whole.left + (np.arange(shape[1]) + 0.5) * fine.pitch) / (whole.columns * whole.pitch)
    down = (whole.top - fine.top + (first + np.arange(shape[0]) + 0.5) * fine.pitch) / (whole.rows * whole.pitch)
    column = (1.04 - 0.17 * (across - 0.35) ** 2).astype(np.float32)
    row = (0.17 * (down - 0.3) ** 2).astype(np.float32)
    return column - row[:, None]


def _normals_at(scene: _Scene, fine: Window, first: int, row: I64, column: I64, which: I32) -> F32:
    """Unit normals (n, 3) of the triangles ``which`` at samples ``[first + row, column]``, mixed from their corners."""
    x, y = (scene.corners[which, :, axis] for axis in (0, 1))
    px = fine.left + (column + 0.5) * fine.pitch - x[:, 0]
    py = fine.top - (first + row + 0.5) * fine.pitch - y[:, 0]
    bx, by, cx, cy = x[:, 1] - x[:, 0], y[:, 1] - y[:, 0], x[:, 2] - x[:, 0], y[:, 2] - y[:, 0]
    area = bx * cy - by * cx
    area = np.where(area == 0.0, 1.0, area)
    beta = np.clip((px * cy - py * cx) / area, 0.0, 1.0).astype(np.float32)[:, None]
    gamma = np.clip((bx * py - by * px) / area, 0.0, 1.0).astype(np.float32)[:, None]
    corners = scene.normals[which]
    normal = corners[:, 0] * (1.0 - beta - gamma)
    normal += corners[:, 1] * beta
    normal += corners[:, 2] * gamma
    size = np.sqrt(np.einsum("ij,ij->i", normal, normal))
    normal /= np.maximum(size, np.float32(1e-6))[:, None]
    return np.asarray(normal, np.float32)


def _shouldered(planes: list[F32]) -> tuple[F32, F32, F32]:
    """Light eased towards 1, all three colours by the same factor, so that highlights keep their form and hue."""
    brightest = np.maximum(np.maximum(planes[0], planes[1]), planes[2])
    over = np.maximum(brightest - np.float32(SHOULDER), 0.0)
    rest = np.float32(1.0 - SHOULDER)
    eased = np.minimum(brightest, np.float32(SHOULDER)) + rest * over / (over + rest)
    factor = eased / np.maximum(brightest, np.float32(1e-6))
    for plane in planes:
        plane *= factor
    return planes[0], planes[1], planes[2]


def _averaged(samples: F32) -> F32:
    """The mean of the samples of every pixel."""
    total = np.zeros((samples.shape[0] // SAMPLES, samples.shape[1] // SAMPLES), np.float32)
    for under in range(SAMPLES):
        for over in range(SAMPLES):
            total += samples[under::SAMPLES, over::SAMPLES]
    return total * np.float32(SAMPLES**-2)


def _linear(srgb: Any) -> F32:
    """Linear light of sRGB values 0 to 1."""
    values = np.asarray(srgb, np.float64)
    linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    return np.asarray(linear, np.float32)


def _encoded(linear: F32) -> F32:
    """The sRGB values 0 to 1 of linear light."""
    values = np.clip(linear, 0.0, 1.0)
    curved = 1.055 * np.maximum(values, 1e-9) ** (1.0 / 2.4) - 0.055
    return np.asarray(np.where(values <= 0.0031308, 12.92 * values, curved), np.float32)
