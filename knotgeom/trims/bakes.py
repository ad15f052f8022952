"""Maps of a kit's exact surface on its trim sheet: height, normals, occlusion, curvature, strands, and what is packed.

All are looked at straight from above (:mod:`.textures`), so every map is of the plane that the sheet lies in. Normals
are given in that plane, for a flat card or the ground itself, or relative to a level's own normals and tangents, so
that the level with its map looks like the exact surface.

Kits have no ground of their own: between strands the maps go on with what the nearest strand has, as far as the
sheet's padding, so that no level shows a rim of ground at its outline. ``ground`` lays a level ground under them
instead, for a relief on a card that is not cut out.
"""

from __future__ import annotations

import colorsys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..made import Progress
from ..mesh import Bools, Floats, Ints
from ..sizing import sizes
from .bending import curvature
from .kit import Block, Kit, Level, Piece, TrimMesh
from .occlusion import occlusion
from .options import Green, Textures, Trimming
from .padding import nearest
from .textures import F32, I16, NONE, STEEP, Seen, far_heights, look, scene, strand_numbers

REACH = 3.0
"""Lines of sight go so many times as far as the surface is high."""
WORN, DULL = 0.25, 0.2
"""How much smoother sharp ridges are than the rest, and how much rougher dark hollows; common practice, no source."""
ROUGHNESS, METAL = 0.7, 0.0
"""Of stone or wood; common practice, no source."""
SOFTER = 6.0
"""Curvatures are means over a square that reaches so many times less far than the radius that is white."""
NEAR = 24
"""Texels more round every part that are looked at, so that what is worked out from neighbours is right at its rim."""
GOLDEN = 0.6180339887498949
"""Hues one after another turn by this share of the circle, so that any number of them are well apart."""


@dataclass(frozen=True, slots=True)
class Finish:
    """What the packed picture says of the material, 0 to 1: see ``WORN`` and ``DULL``."""

    roughness: float = ROUGHNESS
    metal: float = METAL
    worn: float = WORN
    dull: float = DULL


@dataclass(frozen=True, slots=True, eq=False)
class Layers:
    """The sheet texel by texel, row 0 at the top, before it is written as numbers of 8 or 16 bits.

    Attributes
    ----------
    height : (rows, columns) float32
        mm.
    cover : (rows, columns) float32
        Share covered by strands.
    strand : (rows, columns) int16
        See :class:`.textures.Seen`.
    pure : (rows, columns) bool
    normals : (rows, columns, 3) float32
        Unit length; x along +u, y along +v, z up.
    occlusion, curvature : (rows, columns) float32
        Share of the sky's light; sum of both principal curvatures, 1/mm, convex positive.
    part : (rows, columns) bool
        Whether a part of the sheet lies there.
    """

    height: F32
    cover: F32
    strand: I16
    pure: Bools
    normals: F32
    occlusion: F32
    curvature: F32
    part: Bools


def bake(
    kit: Kit,
    options: Trimming | None = None,
    progress: Progress | None = None,
    *,
    levels: Sequence[int] = (),
    ground: bool = False,
    finish: Finish = Finish(),  # noqa: B008 - frozen
) -> dict[str, NDArray[Any]]:
    """All maps of a kit.

    Parameters
    ----------
    options : Trimming, optional
        Bits and green are taken from its textures; by default the design's.
    progress : callable, optional
        Called with a share of the work done and the name of the stage; it may raise to cancel.
    levels : sequence of int
        Levels that get a map of normals of their own.
    ground : bool
        Whether there is a level ground between the strands.

    Returns
    -------
    dict
        Name to pixels, row 0 at the top, of the bits asked for unless stated:

        * ``height`` (rows, columns) uint16: ``kit.low`` at 0, ``kit.high`` at 65535
        * ``normal``, in the plane of the sheet, and ``normal-lod0`` ... for the levels asked for
        * ``occlusion``, ``curvature``: grey; see :func:`facts`
        * ``strand`` uint8: a flat colour for each strand, black where there is none
        * ``packed``: occlusion, roughness, metal
        * ``cover``: share covered by strands, to cut out cards
    """
    textures = _textures(kit, options)

    def show(share: float, stage: str) -> None:
        if progress is not None:
            progress(share, stage)

    late = 0.75 if levels else 0.95
    found = layers(kit, lambda share, stage: show(share * late, stage))
    bare, source = nearest(found.part if ground else found.cover >= 0.5, kit.sheet.padding, wraps=True)
    maps: dict[str, NDArray[Any]] = {}
    high = max(kit.high - kit.low, 1e-9)
    height = found.height.copy()
    if ground:
        height.ravel()[bare] = height.ravel()[source]
    else:
        outside, inside = nearest(found.part, kit.sheet.padding, wraps=True)
        height.ravel()[outside] = height.ravel()[inside]
    maps["height"] = whole((height - kit.low) / high, 16)
    known = found.part if ground else found.cover > 0
    flat = np.array([0.0, 0.0, 1.0], np.float32)
    maps["normal"] = normal_pixels(_filled(np.where(known[..., None], found.normals, flat), bare, source), textures)
    light = _filled(np.where(known, found.occlusion, np.float32(1.0)), bare, source)
    bend = _filled(found.curvature, bare, source) * np.float32(curvature_radius(kit))
    maps["occlusion"] = whole(light, textures.bits)
    maps["curvature"] = whole(bend / 2 + 0.5, textures.bits)
    maps["strand"] = colours(int(found.strand.max()) + 1)[_filled(found.strand, bare, source) + 1]
    rough = finish.roughness + finish.dull * (1 - light) - finish.worn * np.clip(bend, 0.0, 1.0)
    maps["packed"] = whole(np.stack([light, rough, np.full_like(light, finish.metal)], axis=-1), textures.bits)
    maps["cover"] = whole(found.cover, textures.bits)
    for k, level in enumerate(levels):
        show(late + (1 - late) * k / len(levels), f"normals of level {level}")
        maps[f"normal-lod{level}"] = normal_pixels(level_normals(kit, level, found), textures)
    show(1.0, "maps")
    return maps


def normal_level(kit: Kit, k: int, options: Trimming | None = None) -> NDArray[Any]:
    """The map of normals for level ``k``, relative to its own normals and tangents, (rows, columns, 3)."""
    return normal_pixels(level_normals(kit, k, layers(kit, light=False)), _textures(kit, options))


def facts(kit: Kit) -> dict[str, Any]:
    """What the numbers of the maps mean, for the report."""
    numbers = strand_numbers(kit)
    count = max((int(number.max(initial=-1)) for number in numbers.values()), default=-1) + 1
    return {
        "height_mm": [round(kit.low, 6), round(kit.high, 6)],
        "curvature_radius_mm": round(curvature_radius(kit), 6),
        "curvature": "sum of both principal curvatures, middle grey flat, white convex with 1 / curvature_radius_mm",
        "occlusion": "cosine-weighted, by horizons on the height map, the ground level all round",
        "occlusion_reach_mm": round(_reach(kit), 6),
        "strands": ["#{:02x}{:02x}{:02x}".format(*colour) for colour in colours(count)[1:].tolist()],
    }


def curvature_radius(kit: Kit) -> float:
    """The curvature that is white is 1 over this, mm: a quarter of a strand's width."""
    return sizes(kit.design).width / 4


def colours(count: int) -> NDArray[np.uint8]:
    """A flat colour for no strand, which is black, and for each strand, (count + 1, 3), sRGB."""
    rows = [(0.0, 0.0, 0.0)]
    for k in range(count):
        rows.append(colorsys.hsv_to_rgb((k * GOLDEN) % 1.0, (0.8, 0.45)[k % 2], (0.95, 0.95, 0.65)[k % 3]))
    return np.round(np.array(rows) * 255).astype(np.uint8)


def whole(values: Floats | F32, bits: int) -> NDArray[Any]:
    """Shares from 0 to 1 as whole numbers of so many bits."""
    most = (1 << bits) - 1
    return np.round(np.clip(values, 0.0, 1.0) * most).astype(np.uint16 if bits == 16 else np.uint8)


def normal_pixels(normals: F32, textures: Textures) -> NDArray[Any]:
    """Normals as colours: each part from -1 to 1 as 0 to the most."""
    way = np.array([1.0, -1.0 if textures.green is Green.DIRECTX else 1.0, 1.0], np.float32)
    return whole(normals * (way / 2) + np.float32(0.5), textures.bits)


def layers(kit: Kit, progress: Progress | None = None, *, light: bool = True) -> Layers:
    """The exact surface on the sheet. ``light`` says whether occlusion is worked out; it is 1 if not."""
    sheet = kit.sheet
    shape = (sheet.height, sheet.width)
    level = np.zeros((*shape, 3), np.float32)
    level[..., 2] = 1.0
    out = Layers(
        np.full(shape, kit.low, np.float32),
        np.zeros(shape, np.float32),
        np.full(shape, NONE, np.int16),
        np.zeros(shape, bool),
        level,
        np.ones(shape, np.float32),
        np.zeros(shape, np.float32),
        np.zeros(shape, bool),
    )
    numbers = strand_numbers(kit)
    blocks = own_blocks(kit)
    area = [(b.texels[2] - b.texels[0]) * (b.texels[3] - b.texels[1]) for b in blocks]
    for k, block in enumerate(blocks):
        if progress is not None:
            progress(sum(area[:k]) / sum(area), f"maps of {block.piece}")
        _lay(out, kit, block, numbers, light)
    return out


def own_blocks(kit: Kit) -> list[Block]:
    """The parts of the sheet that are this kit's; others may share it."""
    names = {piece.name for piece in kit.pieces}
    return [block for block in kit.sheet.blocks if block.piece in names]


def level_normals(kit: Kit, level: int, fine: Layers) -> F32:
    """Normals of the exact surface relative to a level's own normals and tangents, (rows, columns, 3).

    The level decodes them as MikkTSpace says: normal and tangent interpolated and not brought back to unit length, the
    bitangent their cross product times the sign. Where the outlines of level and exact surface differ, the level goes
    on as its own strand is beside it.
    """
    shape = (kit.sheet.height, kit.sheet.width)
    out = np.zeros((*shape, 3), np.float32)
    out[..., 2] = 1.0
    strand = np.full(shape, NONE, np.int16)
    known = np.zeros(shape, bool)
    numbers = strand_numbers(kit)
    texel = 1 / kit.sheet.per_mm
    off = STEEP * texel + 2 * max(_level(piece, level).tolerance for piece in kit.pieces)
    if any(_level(piece, level).card for piece in kit.pieces):
        off = np.inf
    for block in own_blocks(kit):
        margin = _margin(kit, block)
        around = scene(kit, block, numbers, lambda piece: _level(piece, level).mesh, _frame, (margin + 1) * texel)
        seen = look(around, _size(block), margin, kit.low, texel)
        there, here = _places(block, margin, shape)
        same = fine.pure[there] & seen.pure[here] & (fine.strand[there] == seen.strand[here])
        same &= np.abs(fine.height[there] - seen.height[here]) <= off
        rows, columns = np.nonzero(same)
        frame = seen.vectors[here][rows, columns]
        local = _decoded(fine.normals[there][rows, columns], frame[:, :3], frame[:, 3:6], np.sign(frame[:, 8:9]))
        out[there][rows, columns] = local
        known[there] = same
        strand[there] = seen.strand[here]
    odd = (strand != NONE) & ~known
    for number in np.unique(strand[odd]).tolist():
        mine = strand == number
        bare, source = nearest(known & mine, kit.sheet.padding, wraps=True)
        wanted = (odd & mine).ravel()[bare]
        out.reshape(-1, 3)[bare[wanted]] = out.reshape(-1, 3)[source[wanted]]
        known.ravel()[bare[wanted]] = True
    return _filled(out, *nearest(known, kit.sheet.padding, wraps=True))


def _decoded(given: F32, normal: F32, tangent: F32, sign: F32) -> F32:
    """What a frame turns into the given normals, (n, 3), unit length."""
    bitangent = sign * np.cross(normal, tangent)
    # by Cramer's rule, the determinant left out since only the direction counts
    rows = [np.cross(bitangent, normal), np.cross(normal, tangent), np.cross(tangent, bitangent)]
    volume = np.einsum("nx,nx->n", tangent, rows[0])
    local = np.stack([np.einsum("nx,nx->n", given, row) for row in rows], axis=1) * np.sign(volume)[:, None]
    length = np.linalg.norm(local, axis=1, keepdims=True)
    flat = np.array([0.0, 0.0, 1.0], np.float32)
    return np.where(length > 1e-12, local / np.maximum(length, 1e-12), flat).astype(np.float32)


def _level(piece: Piece, level: int) -> Level:
    return piece.levels[min(level, len(piece.levels) - 1)]


def _frame(mesh: TrimMesh) -> Floats:
    sign = np.zeros_like(mesh.normals)
    sign[:, 2] = mesh.tangents[:, 3]
    return np.concatenate([mesh.normals, mesh.tangents[:, :3], sign], axis=1)


def _normals(mesh: TrimMesh) -> Floats:
    return mesh.normals


def _lay(out: Layers, kit: Kit, block: Block, numbers: Mapping[str, Ints], light: bool) -> None:
    """Work out one part and put it in its place; what comes round whole is worked out once."""
    copies = _copies(kit, block)
    left, bottom, right, top = block.texels
    if copies > 1:
        x0, y0, x1, y1 = block.box
        part = (left, bottom, left + (right - left) // copies, top)
        one = replace(block, texels=part, box=(x0, y0, x0 + (x1 - x0) / copies, y1))
    else:
        one = block
    margin = _margin(kit, block)
    size = _size(one)
    texel = 1 / kit.sheet.per_mm
    around = scene(kit, one, numbers, lambda piece: piece.fine, _normals, (margin + NEAR + 1) * texel)
    seen = look(around, size, margin + NEAR, kit.low, texel)
    normals = _unit(seen.vectors)
    found: dict[str, NDArray[Any]] = {
        "height": seen.height,
        "cover": seen.cover,
        "strand": seen.strand,
        "pure": seen.pure,
        "normals": normals,
        "curvature": curvature(normals, seen.top, seen.strand, seen.pure, texel, curvature_radius(kit) / SOFTER),
    }
    found = {name: values[NEAR:-NEAR, NEAR:-NEAR] for name, values in found.items()}
    if light:
        found["occlusion"] = _light(kit, one, numbers, seen, found["normals"], margin)
    for name, values in found.items():
        if copies > 1:
            core = values[:, margin : margin + size[0]]
            values = np.concatenate([core[:, size[0] - margin :], *[core] * copies, core[:, :margin]], axis=1)
        _put(getattr(out, name), values, block, margin)
    rows = slice(kit.sheet.height - top, kit.sheet.height - bottom)
    out.part[rows, left:right] = True


def _light(kit: Kit, block: Block, numbers: Mapping[str, Ints], seen: Seen, normals: F32, margin: int) -> F32:
    """Occlusion of a part and its margin."""
    reach = max(NEAR, round(_reach(kit) * kit.sheet.per_mm))
    columns, rows = _size(block)
    if block.wraps:
        core = seen.top[NEAR:-NEAR, margin + NEAR : margin + NEAR + columns]
        wide = np.pad(core, ((0, 0), (reach + margin, reach + margin)), mode="wrap")
        wide = np.pad(wide, ((reach, reach), (0, 0)), constant_values=kit.low)
    else:
        far = reach + margin
        around = scene(
            kit, block, numbers, lambda piece: piece.fine, lambda mesh: mesh.positions[:, :0], far / kit.sheet.per_mm
        )
        wide = far_heights(around, (columns, rows), far, kit.low)
        at = reach - NEAR
        wide[at : at + seen.top.shape[0], at : at + seen.top.shape[1]] = seen.top
    return occlusion(wide, normals, reach, 1 / kit.sheet.per_mm)


def _put(onto: NDArray[Any], values: NDArray[Any], block: Block, margin: int) -> None:
    """Put a part with its margin on the sheet."""
    there, here = _places(block, margin, onto.shape)
    onto[there] = values[here]


def _places(block: Block, margin: int, shape: tuple[int, ...]) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Where on the sheet a part with its margin lies, and what of it; what comes round keeps no margin at its sides."""
    left, bottom, right, top = block.texels
    aside = 0 if block.wraps else margin
    rows = max(shape[0] - top - margin, 0), min(shape[0] - bottom + margin, shape[0])
    columns = max(left - aside, 0), min(right + aside, shape[1])
    first, start = shape[0] - top - margin, left - margin
    return (slice(*rows), slice(*columns)), (
        slice(rows[0] - first, rows[1] - first),
        slice(columns[0] - start, columns[1] - start),
    )


def _copies(kit: Kit, block: Block) -> int:
    """How many times over a part that comes round is the very same texels."""
    if not block.wraps:
        return 1
    own = next(piece for piece in kit.pieces if piece.name == block.piece)
    copies = max(1, round((block.box[2] - block.box[0]) / abs(own.ports[1].at[0] - own.ports[0].at[0])))
    return copies if (block.texels[2] - block.texels[0]) % copies == 0 else 1


def _margin(kit: Kit, block: Block) -> int:
    """Texels beside a part that still show what goes on there: half of what lies between it and the next."""
    return min(kit.sheet.padding // 2, block.texels[2] - block.texels[0])


def _reach(kit: Kit) -> float:
    return REACH * max(kit.high - kit.low, 1e-9)


def _size(block: Block) -> tuple[int, int]:
    left, bottom, right, top = block.texels
    return right - left, top - bottom


def _textures(kit: Kit, options: Trimming | None) -> Textures:
    options = options or kit.design.make.trim or Trimming()
    return options.textures


def _filled(values: NDArray[Any], bare: Ints, source: Ints) -> NDArray[Any]:
    out = np.ascontiguousarray(values).copy()
    flat = out.reshape(-1, *out.shape[2:])
    flat[bare] = flat[source]
    return out


def _unit(vectors: F32) -> F32:
    length = np.sqrt(np.einsum("rcx,rcx->rc", vectors, vectors))[..., None]
    out: F32 = np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 1e-12)
    out[..., 2] += length[..., 0] <= 1e-12
    return out
