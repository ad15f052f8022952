"""The exact surface of a whole kit on its sheet, texel by texel: what all maps are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..mesh import Bools, Floats, Ints
from ..progress import Progress
from ..sizing import sizes
from .bending import curvature
from .kit import Block, Kit, TrimMesh
from .occlusion import occlusion
from .textures import F32, I16, NONE, Seen, far_heights, look, own_blocks, scene, strand_numbers

REACH = 3.0
"""Lines of sight go so many times as far as the surface is high."""
SOFTER = 6.0
"""Curvatures are means over a square that reaches so many times less far than the radius that is white."""
NEAR = 24
"""Texels more round every part that are looked at, so that what is worked out from neighbours is right at its rim."""


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


def layers(kit: Kit, progress: Progress | None = None) -> Layers:
    """The exact surface on the sheet."""
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
        _lay(out, kit, block, numbers)
    return out


def curvature_radius(kit: Kit) -> float:
    """The curvature that is white is 1 over this, mm: a quarter of a strand's width."""
    return sizes(kit.design).width / 4


def reach_of(kit: Kit) -> float:
    """How far light is looked for, mm."""
    return REACH * max(kit.high - kit.low, 1e-9)


def _lay(out: Layers, kit: Kit, block: Block, numbers: Mapping[str, Ints]) -> None:
    """Work out one part and put it in its place; what comes round whole is worked out once."""
    one, copies = one_round(kit, block)
    left, bottom, right, top = block.texels
    margin = margin_of(kit, block)
    size = size_of(one)
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
    reach = max(NEAR, round(reach_of(kit) * kit.sheet.per_mm))
    columns, rows = size_of(block)
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


def _normals(mesh: TrimMesh) -> Floats:
    return mesh.normals


def _put(onto: NDArray[Any], values: NDArray[Any], block: Block, margin: int) -> None:
    """Put a part with its margin on the sheet."""
    there, here = places(block, margin, onto.shape)
    onto[there] = values[here]


def places(block: Block, margin: int, shape: tuple[int, ...]) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
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


def margin_of(kit: Kit, block: Block) -> int:
    """Texels beside a part that still show what goes on there: half of what lies between it and the next."""
    return min(kit.sheet.padding // 2, block.texels[2] - block.texels[0])


def size_of(block: Block) -> tuple[int, int]:
    """Texels across and up."""
    left, bottom, right, top = block.texels
    return right - left, top - bottom


def one_round(kit: Kit, block: Block) -> tuple[Block, int]:
    """What of a part comes round, and how many times over: once and all of it where nothing does."""
    copies = _copies(kit, block)
    if copies == 1:
        return block, 1
    left, bottom, right, top = block.texels
    x0, y0, x1, y1 = block.box
    part = (left, bottom, left + (right - left) // copies, top)
    return replace(block, texels=part, box=(x0, y0, x0 + (x1 - x0) / copies, y1)), copies


def _copies(kit: Kit, block: Block) -> int:
    """How many times over a part that comes round is the very same texels."""
    if not block.wraps:
        return 1
    own = next(piece for piece in kit.pieces if piece.name == block.piece)
    copies = max(1, round((block.box[2] - block.box[0]) / abs(own.ports[1].at[0] - own.ports[0].at[0])))
    return copies if (block.texels[2] - block.texels[0]) % copies == 0 else 1


def _unit(vectors: F32) -> F32:
    length = np.sqrt(np.einsum("rcx,rcx->rc", vectors, vectors))[..., None]
    out: F32 = np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 1e-12)
    out[..., 2] += length[..., 0] <= 1e-12
    return out
