"""The preview of a kit: a run assembled of its pieces, and the straight piece at each of its levels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from ..mesh import Floats, Mesh
from ..picture import picture
from ..raster import height_buffer, window_of
from .kit import Kit, TrimMesh, piece
from .laying import lay, meshes
from .options import Part
from .paths import Path, path_of

if TYPE_CHECKING:
    from PIL.Image import Image

PAPER, INK, FAINT = (246, 244, 240), (52, 50, 48), (120, 116, 112)
WIRE = (38, 30, 24)
ASPECT = 2.1
"""Of the assembled frame, width to height, as nearly as whole repeats allow."""
MARGIN = 0.03
"""Free space round a picture, as a share of its longer side."""
STEP = 2.5
"""Pixels between two places at which an edge is looked at, whether it is seen."""


def preview(
    kits: Sequence[Kit], normals: NDArray[np.uint8] | None = None, *, pixels: int = 1600, title: str = ""
) -> Image:
    """The picture, one kit below the other; needs Pillow.

    Parameters
    ----------
    normals : (rows, columns, 3) uint8, optional
        The sheet's map of normals, which is shown as the card has it.
    pixels : int
        Width of the whole picture.
    """
    from PIL import Image

    parts = [_kit_picture(kit, normals, pixels, title if number == 0 else "") for number, kit in enumerate(kits)]
    sheet = Image.new("RGB", (pixels, sum(one.height for one in parts)), PAPER)
    y = 0
    for one in parts:
        sheet.paste(one, (0, y))
        y += one.height
    return sheet


def _kit_picture(kit: Kit, normals: NDArray[np.uint8] | None, pixels: int, title: str) -> Image:
    from PIL import Image, ImageDraw, ImageFont

    parts = assembled(kit)
    scene = _joined(parts)
    run = Image.fromarray(picture(scene, round(pixels * _wide(scene)), margin=MARGIN))
    straight = piece(kit, "straight")
    levels = [one for one in straight.levels if normals is not None or not one.card]
    columns = min(len(levels), 5)
    gap = round(0.02 * pixels)
    font, small = ImageFont.load_default(pixels / 62), ImageFont.load_default(pixels / 78)
    line = round(1.5 * pixels / 62)
    wide = round((pixels - (columns + 1) * gap) / columns)
    tiles = [
        _card_picture(kit, normals, wide) if level.card and normals is not None else level_picture(level.mesh, wide)
        for level in levels
    ]
    tall = max(tile.height for tile in tiles)
    rows = -(-len(tiles) // columns)
    foot = rows * (tall + 2 * line + gap) + gap
    sheet = Image.new("RGB", (pixels, line * 2 + run.height + foot), PAPER)
    draw = ImageDraw.Draw(sheet)
    draw.text((gap, line), title or "Trim kit", INK, font, anchor="lm")
    count = "1 piece" if len(kit.pieces) == 1 else f"{len(kit.pieces)} pieces"
    names = f"{count}, repeat of {kit.period:g} mm, {kit.height:g} mm high"
    draw.text((pixels - gap, line), names, FAINT, small, anchor="rm")
    sheet.paste(run, ((pixels - run.width) // 2, 2 * line))
    top = 2 * line + run.height + gap
    for k, (tile, level) in enumerate(zip(tiles, levels)):
        x = gap + (k % columns) * ((pixels - gap) // columns)
        y = top + (k // columns) * (tall + 2 * line + gap)
        sheet.paste(tile, (x, y))
        name = "card" if level.card else f"level {k}"
        words = f"{name}: {len(level.mesh.triangles):,} triangles"
        draw.text((x, y + tall + 0.3 * line), words, INK, small)
        below = "with its map of normals" if level.card else f"at most {level.deviation:.2g} mm off"
        draw.text((x, y + tall + 1.1 * line), below, FAINT, small)
    return sheet


def assembled(kit: Kit, level: int = 0) -> list[TrimMesh]:
    """A frame of straights and inner corners where the kit has corners of 90 degrees; else a run with its caps."""
    straight = piece(kit, "straight")
    unit = kit.period * max(straight.repeats, 1)
    corner = next((one for one in kit.pieces if one.part is Part.INNER and abs(one.turn - 90) < 1e-6), None)
    if corner is not None:
        reach = abs(corner.ports[1].at[0]) + abs(corner.ports[1].at[1])
        # the fewest repeats with which a frame is about as wide as it should be
        short = max(0, math.ceil((1.2 * kit.height - reach / 2) / unit))
        long = max(1, round((ASPECT * (reach + short * unit) - reach) / unit))
        sides = [reach + count * unit for count in (long, short)]
        path = path_of(np.array([[0, 0, 0], [sides[0], 0, 0], [*sides, 0], [0, sides[1], 0]], float), True)
        return _coloured(_laid(kit, path, level))
    ends = sum(one.box[2] - one.box[0] for one in kit.pieces if one.part is Part.CAP)
    count = max(2, round(5 * kit.height / unit))
    path = path_of(np.array([[0, 0, 0], [ends + count * unit, 0, 0]], float), False, np.array([0.0, 0, 1]))
    return _coloured(_laid(kit, path, level))


def level_picture(mesh: TrimMesh, pixels: int) -> Image:
    """One mesh from above, with the edges of its triangles that are seen."""
    from PIL import Image, ImageDraw

    flat = _joined([mesh])
    image = Image.fromarray(picture(flat, round(pixels * _wide(flat)), margin=MARGIN))
    draw = ImageDraw.Draw(image, "RGBA")
    for a, b in _seen_edges(flat, image.size):
        draw.line((*a, *b), (*WIRE, 150), 1)
    return image


def _card_picture(kit: Kit, normals: NDArray[np.uint8], pixels: int) -> Image:
    """The straight piece's part of a map, once."""
    from PIL import Image

    block = next(one for one in kit.sheet.blocks if one.piece == "straight")
    left, bottom, right, top = block.texels
    copies = max(1, round((block.box[2] - block.box[0]) / (kit.period * max(piece(kit, "straight").repeats, 1))))
    part = normals[kit.sheet.height - top : kit.sheet.height - bottom, left : left + (right - left) // copies]
    image = Image.fromarray(np.ascontiguousarray(part))
    return image.resize((pixels, max(1, round(pixels * image.height / image.width))), Image.Resampling.LANCZOS)


def _laid(kit: Kit, path: Path, level: int) -> Sequence[TrimMesh]:
    return meshes(kit, lay(kit, path), level)


def _coloured(laid: Sequence[TrimMesh]) -> list[TrimMesh]:
    """Strands numbered through all joints, so that one that runs on from piece to piece has one colour."""
    from dataclasses import replace

    graph = nx.Graph()
    ends: dict[tuple[int, ...], tuple[int, int]] = {}
    for k, mesh in enumerate(laid):
        graph.add_nodes_from((k, int(strand)) for strand in np.unique(mesh.strand))
        for seam in mesh.seam:
            for vertex in seam.tolist():
                place = tuple(np.round(mesh.positions[vertex] / 0.05).astype(int).tolist())
                one = (k, int(mesh.strand[vertex]))
                graph.add_edge(one, ends.setdefault(place, one))
    number = {}
    for new, part in enumerate(sorted(nx.connected_components(graph), key=min)):
        number.update(dict.fromkeys(part, new))
    return [
        replace(mesh, strand=np.array([number[k, strand] for strand in mesh.strand.tolist()], np.int32))
        for k, mesh in enumerate(laid)
    ]


def _joined(parts: Sequence[TrimMesh]) -> Mesh:
    """Meshes as one, vertices at one place made one, so that light runs smoothly over joints and split vertices."""
    points = np.concatenate([one.positions for one in parts])
    start = np.cumsum([0, *(len(one.positions) for one in parts)])
    triangles = np.concatenate([one.triangles + first for one, first in zip(parts, start)])
    strand = np.concatenate([one.strand[one.triangles[:, 0]] for one in parts])
    size = float(np.ptp(points, axis=0).max())
    _, first, number = np.unique(
        np.round(points / (1e-6 * size)).astype(np.int64), axis=0, return_index=True, return_inverse=True
    )
    triangles = number.reshape(-1)[triangles]
    sound = (triangles != np.roll(triangles, 1, axis=1)).all(1)
    triangles, strand = triangles[sound].astype(np.int32), strand[sound].astype(np.int32)
    return Mesh(
        vertices=points[first],
        quads=np.zeros((0, 4), np.int32),
        triangles=triangles,
        quad_uv=np.zeros((0, 4, 2), np.float32),
        triangle_uv=np.zeros((len(triangles), 3, 2), np.float32),
        quad_strand=np.zeros(0, np.int32),
        triangle_strand=strand,
    )


def _wide(mesh: Mesh) -> float:
    """What share of a picture's longer side its width has."""
    size = np.ptp(mesh.vertices[:, :2], axis=0) + 2 * MARGIN * np.ptp(mesh.vertices[:, :2], axis=0).max()
    return float(size.max() / size[0])


def _seen_edges(mesh: Mesh, size: tuple[int, int]) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """The stretches of edges that nothing lies over, in pixels of a picture of that size."""
    span = np.ptp(mesh.vertices[:, :2], axis=0)
    window = window_of(mesh, pixels=max(size), margin=MARGIN * float(span.max()))
    heights, _ = height_buffer(mesh, window)
    edges = np.unique(np.sort(mesh.triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1), axis=0)
    a, b = mesh.vertices[edges[:, 0]], mesh.vertices[edges[:, 1]]
    number = np.maximum(1, np.ceil(np.linalg.norm((b - a)[:, :2], axis=1) / window.pitch / STEP)).astype(int)
    which = np.repeat(np.arange(len(edges)), number)
    step = np.arange(len(which)) - np.repeat(np.cumsum(number) - number, number)
    ends: list[Floats] = [
        a[which] + ((step + more) / number[which])[:, None] * (b - a)[which] for more in (0.0, 0.5, 1.0)
    ]
    middle = ends[1]
    column = np.clip(((middle[:, 0] - window.left) / window.pitch).astype(int), 0, window.columns - 1)
    row = np.clip(((window.top - middle[:, 1]) / window.pitch).astype(int), 0, window.rows - 1)
    top = heights[row, column]
    seen = ~(top > middle[:, 2] + max(2.0 * window.pitch, 1e-3))
    pixels = [
        np.stack([(one[:, 0] - window.left) / window.pitch, (window.top - one[:, 1]) / window.pitch], 1)[seen]
        for one in (ends[0], ends[2])
    ]
    return [((p[0], p[1]), (q[0], q[1])) for p, q in zip(pixels[0].tolist(), pixels[1].tolist())]
