"""Normals of the exact surface relative to a level of detail, so that the level with its map looks like it.

A renderer takes a texel (x, y, z) for the direction x T + y B + z N, with N and T as they are between the level's
vertices, and B = s N x T (MikkTSpace: M. Mikkelsen, Simulation of wrinkled surfaces revisited, 2008). What has to stand
in the map is the solution of that for the exact normal n; by Cramer's rule it is in the direction of (n . B x N, n . N
x T, n . T x B), times the sign of the determinant, and its length does not matter. N and T are not brought to unit
length or squared to one another here, because renderers do not either.
"""

from __future__ import annotations

import numpy as np

from ..mesh import Floats
from .kit import Kit, Level, Piece, TrimMesh
from .layers import Layers, margin_of, one_round, places, size_of
from .padding import filled, nearest, nearest_like
from .textures import F32, NONE, STEEP, look, own_blocks, scene, strand_numbers


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
    flat = {piece.name for piece in kit.pieces if _level(piece, level).card}
    for whole in own_blocks(kit):
        block, copies = one_round(kit, whole)
        margin = margin_of(kit, block)
        around = scene(kit, block, numbers, lambda piece: _level(piece, level).mesh, _frame, (margin + 1) * texel)
        seen = look(around, size_of(block), margin, kit.low, texel)
        there, here = places(block, margin, shape)
        if block.piece in flat:  # a card shows all that lies under it
            same = (fine.cover[there] > 0) & (seen.cover[here] > 0)
        else:
            same = fine.pure[there] & seen.pure[here] & (fine.strand[there] == seen.strand[here])
            same &= np.abs(fine.height[there] - seen.height[here]) <= off
        rows, columns = np.nonzero(same)
        frame = seen.vectors[here][rows, columns]
        out[there][rows, columns] = _decoded(fine.normals[there][rows, columns], frame)
        known[there] = same
        strand[there] = NONE if block.piece in flat else seen.strand[here]
        if copies > 1:
            for values in (out, known, strand):
                row = values[there[0], whole.texels[0] : whole.texels[2]]
                wide = row.shape[1] // copies
                row[:, wide:] = np.concatenate([row[:, :wide]] * (copies - 1), axis=1)
    odd = (strand != NONE) & ~known
    bare, source = nearest_like(known, strand, odd, kit.sheet.padding)
    pixels = out.reshape(-1, 3)
    pixels[bare] = pixels[source]
    known.ravel()[bare] = True
    return filled(out, *nearest(known, kit.sheet.padding, wraps=True))


def _decoded(given: F32, frame: F32) -> F32:
    """What frames (n, 9), normal, tangent and sign, turn into the given normals, (n, 3), unit length."""
    x, y, z = np.ascontiguousarray(given.T)
    nx, ny, nz, tx, ty, tz = np.ascontiguousarray(frame[:, :6].T)
    sign = np.sign(frame[:, 8])
    # normal x tangent is the bitangent; by Cramer's rule, the determinant left out since only the direction counts
    bx, by, bz = ny * tz - nz * ty, nz * tx - nx * tz, nx * ty - ny * tx
    way = np.sign(bx * bx + by * by + bz * bz)  # the determinant is the bitangent's square times the sign
    local = np.empty((3, len(x)), np.float32)
    local[0] = x * (by * nz - bz * ny) + y * (bz * nx - bx * nz) + z * (bx * ny - by * nx)
    local[1] = (x * bx + y * by + z * bz) * sign
    local[2] = x * (ty * bz - tz * by) + y * (tz * bx - tx * bz) + z * (tx * by - ty * bx)
    length = np.sqrt((local * local).sum(0))
    short = (length <= 1e-12) | (way == 0)
    local /= np.where(short, np.float32(1.0), length)
    local[:, short] = np.array([[0.0], [0.0], [1.0]], np.float32)
    return local.T


def _level(piece: Piece, level: int) -> Level:
    return piece.levels[min(level, len(piece.levels) - 1)]


def _frame(mesh: TrimMesh) -> Floats:
    sign = np.zeros_like(mesh.normals)
    sign[:, 2] = mesh.tangents[:, 3]
    return np.concatenate([mesh.normals, mesh.tangents[:, :3], sign], axis=1)
