"""A shaded picture of a mesh seen from straight above; numpy alone.

:mod:`.raster` finds what is seen, :mod:`.light` what the lamp and the sky reach; here both become shades.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .errors import DesignError
from .light import (
    LAMP_BEARING,
    LAMP_HEIGHT,
    LAMP_SPREAD,
    encoded,
    evened,
    lamp_light,
    linear,
    sky_light,
)
from .mesh import Mesh, all_triangles
from .raster import (
    BATCH,
    Window,
    batches,
    bounds,
    check_pixels,
    rasterise,
    spread,
    window_of,
)

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I32 = NDArray[np.int32]
I64 = NDArray[np.int64]
U8 = NDArray[np.uint8]
Bools = NDArray[np.bool_]

SAMPLES = 2  # per pixel and direction
TILE = 2048  # pixels; larger pictures are drawn in tiles so that memory stays bounded
RIM = 4  # pixels that tiles overlap, since light is evened out between neighbouring pixels
FARTHEST = 1024  # pixels that light and shade are followed over the edge of a tile
ROUGH_PIXELS = 256  # of the view that finds which heights are seen
BAND = 1 << 17  # samples shaded at once

CREASE = math.cos(math.radians(40.0))  # faces meeting at a sharper angle keep a hard edge between them
MOST_ROUND_VERTEX = 64  # faces round one vertex; the hub of a larger fan is shaded flat

LAMP_COLOUR = (1.17, 1.11, 1.01)
SKY_COLOUR = (0.40, 0.405, 0.42)
BOUNCE_COLOUR = (0.13, 0.115, 0.10)  # off the bench, lower right
SHEEN = 0.12  # strength of the waxed surface's highlight
SHOULDER = 0.65  # light up to here is kept as it is, brighter light is eased towards 1
LEAST_DEPTH = 4  # pixels; what is seen to be flatter than this has one shade: a plain back shows no micrometres
LOW_TINT, HIGH_TINT = (0.58, 0.60, 0.635), (1.09, 1.085, 1.075)  # shades are multiplied by these, by height

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
    check_pixels(pixels)
    if not 0.0 <= margin <= 1.0:
        raise DesignError(f"a margin of {margin} of the longer side", "give 0 to 1", "margin")
    low, high = bounds(mesh)
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
    tones = linear(np.array([*TONES, BOARD, GROUND], np.float64) / 255.0)
    strand = np.concatenate([np.repeat(mesh.quad_strand, 2), mesh.triangle_strand])
    turn, tone = np.divmod(strand, len(TONES))
    # a second round of the shades is darker, a third lighter, and so on: told apart where they meet
    depth = np.array([1.0, 0.62, 1.25, 0.8])[turn % 4]
    colours = np.where((strand < 0)[:, None], tones[-2], tones[tone] * depth[:, None])
    for circuit, colour in own.items():
        colours[strand == circuit] = linear(np.array([list(bytes.fromhex(colour[1:]))], np.float64) / 255.0)
    ground = bottom - max(0.02 * (top - bottom), 0.25 * whole.pitch)
    vertices = np.asarray(mesh.vertices, np.float64)
    triangles = all_triangles(mesh).astype(np.int32, copy=False)
    # shades go by the heights that are seen: the underside of a thick board must not use up their range
    coarse = max(whole.columns, whole.rows) / ROUGH_PIXELS
    columns, rows = math.ceil(whole.columns / coarse), math.ceil(whole.rows / coarse)
    rough = rasterise(vertices, triangles, Window(whole.left, whole.top, whole.pitch * coarse, columns, rows))[0]
    shown = rough[np.isfinite(rough)]
    lowest = float(np.quantile(shown, 0.02)) if shown.size else bottom
    lowest = min(lowest, top - LEAST_DEPTH * whole.pitch)
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
    for batch in batches(counts, BATCH):
        own = corners[batch]
        pair, step = spread(counts[batch])
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
    heights, seen = rasterise(scene.vertices, scene.triangles, fine)
    heights[seen < 0] = scene.ground
    lit, open_sky = _reached(scene, tile, heights)
    image = np.empty((tile.rows, tile.columns, 3), np.uint8)
    band = max(1, BAND // (SAMPLES * SAMPLES * tile.columns))
    for row in range(0, tile.rows, band):
        rows = slice(row * SAMPLES, min(row + band, tile.rows) * SAMPLES)
        light = _shade(scene, fine, rows.start, heights[rows], seen[rows], lit[rows], open_sky[rows])
        for k, plane in enumerate(light):
            image[row : row + band, :, k] = np.rint(255.0 * encoded(_averaged(plane)))
    return image


def _reached(scene: _Scene, tile: Window, heights: F32) -> tuple[F32, F32]:
    """How much of the lamp and of the sky each sample sees, 0 to 1, (rows, columns) of the samples both."""
    rise = scene.top - scene.ground
    away = math.ceil(rise / math.tan(math.radians(LAMP_HEIGHT - LAMP_SPREAD)) / tile.pitch)
    away = min(max(away, 1), FARTHEST)
    wide = min(max(round(1.6 * rise / tile.pitch), 6), scene.widest, FARTHEST)
    edge = max(away, wide + wide // 2) + 8
    around = tile.part(-edge, -edge, tile.rows + 2 * edge, tile.columns + 2 * edge)
    field, seen = rasterise(scene.vertices, scene.triangles, around)
    field[seen < 0] = scene.ground
    lit = lamp_light(field, edge, away, tile.pitch)
    open_sky = sky_light(field, edge, wide, tile.pitch)
    inner = field[edge:-edge, edge:-edge]
    lit, open_sky = evened(inner, lit, tile.pitch), evened(inner, open_sky, tile.pitch)
    return _onto_samples(inner, heights, lit, open_sky, tile.pitch)


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
