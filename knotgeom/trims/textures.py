"""A kit's surface seen from above, texel by texel of its sheet: height, cover, strand and any vectors of its vertices.

Every part of the sheet is looked at together with the run that goes on beyond its ports, so that texels at a port are
those of the piece that will stand there, and parts meet without a step. A texel is looked at in several places and
takes their mean.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..mesh import Bools, Floats, Ints
from ..raster import Window, rasterise
from .kit import Block, Kit, Piece, TrimMesh
from .options import Part
from .sheet import row_name
from .splitting import turned

F32 = NDArray[np.float32]
I16 = NDArray[np.int16]
I32 = NDArray[np.int32]

NONE = -1
"""In place of a strand: there is none."""
STEEP = 4.0
"""Neighbouring places farther apart in height than so many times their distance are not of one surface."""
FINER = 2
"""A texel is looked at in so many places across and up."""
SAMPLES = 1 << 21
"""Samples looked at together."""
CHUNK = 1 << 15
"""Samples whose vectors are worked out together, few enough for the processor's cache."""

Vectors = Callable[[TrimMesh], Floats]
"""What is carried over from vertices: (v, 3k), vectors side by side."""


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A part of the sheet, row 0 at the top.

    Attributes
    ----------
    height : (rows, columns) float32
        Mean over the texel, mm; the ground where there is no strand.
    top : (rows, columns) float32
        The same of the strands alone, where they cover some of the texel.
    cover : (rows, columns) float32
        Share of the texel that strands cover.
    strand : (rows, columns) int16
        The one that covers most of the texel, or ``NONE``.
    pure : (rows, columns) bool
        That strand covers all of it, with no step within.
    vectors : (rows, columns, 3k) float32
        Mean over what strands cover, not of unit length; 0 where they cover nothing.
    """

    height: F32
    top: F32
    cover: F32
    strand: I16
    pure: Bools
    vectors: F32


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What lies over a part of the sheet: plan in texels from the part's lower left corner, heights in mm."""

    positions: Floats
    triangles: I32
    strand: I16
    vectors: F32


def own_blocks(kit: Kit) -> list[Block]:
    """The parts of the sheet that are this kit's; others may share it."""
    names = {piece.name for piece in kit.pieces}
    return [block for block in kit.sheet.blocks if block.piece in names]


def scene(
    kit: Kit,
    block: Block,
    strands: Mapping[str, Ints],
    mesh_of: Callable[[Piece], TrimMesh],
    vectors_of: Vectors,
    reach: float,
) -> Scene:
    """A part's own piece and the runs that go on from its ports, as far as ``reach`` mm beyond the part.

    Parameters
    ----------
    strands : mapping
        The number of each circuit of each piece on the whole sheet; see :func:`strand_numbers`.
    mesh_of : callable
        Which mesh of a piece is looked at.
    vectors_of : callable
        What is carried over from its vertices: turned as the part is turned.
    """
    x0, y0, x1, y1 = block.box
    left, bottom, right, top = block.texels
    scale = np.array([(right - left) / (x1 - x0), (top - bottom) / (y1 - y0), 1.0])
    size = np.array([right - left, top - bottom])
    far = reach * scale[:2]
    rows: list[Scene] = []
    count = 0
    for piece, turn, shift in around(kit, block, reach):
        mesh = mesh_of(piece)
        places = turned(mesh.positions, turn)
        places[:, :2] += shift
        places = (places - [x0, y0, 0.0]) * scale
        kept = np.ones(len(mesh.triangles), bool)
        for axis in range(2):  # triangles that lie beyond one side with all three corners are left out
            for beyond in (places[:, axis] < -far[axis], places[:, axis] > size[axis] + far[axis]):
                one, two, three = (beyond.take(corner) for corner in mesh.triangles.T)
                kept &= ~(one & two & three)
        given = np.array(vectors_of(mesh), float)
        for k in range(0, given.shape[1], 3):
            given[:, k : k + 3] = turned(given[:, k : k + 3], turn)
        number = strands[piece.name][mesh.strand[mesh.triangles[kept, 0]]]
        triangles = (mesh.triangles[kept] + count).astype(np.int32)
        rows.append(Scene(places, triangles, number.astype(np.int16), given.astype(np.float32)))
        count += len(places)
    return Scene(
        np.concatenate([row.positions for row in rows]),
        np.concatenate([row.triangles for row in rows]),
        np.concatenate([row.strand for row in rows]),
        np.concatenate([row.vectors for row in rows]),
    )


def around(kit: Kit, block: Block, reach: float) -> list[tuple[Piece, float, Floats]]:
    """Pieces about a part of the sheet, its own and those that go on: turned by degrees, then moved in its plan."""
    own = next(one for one in kit.pieces if one.name == block.piece)
    found: list[tuple[Piece, float, Floats]] = []
    if block.wraps:
        length = _length(own)
        first, last = int(np.floor(-reach / length)), int(np.ceil((block.box[2] + reach) / length))
        return [(own, 0.0, np.array([k * length, 0.0])) for k in range(first, last)]
    found.append((own, -block.turn, np.zeros(2)))
    straights = {row_name(one): one for one in kit.pieces if one.part is Part.STRAIGHT and one.name == row_name(one)}
    for port in own.ports:
        straight = straights["straight" if port.profile == "run" else f"straight-{port.profile}"]
        # the run's way in the part's plan, and copies one after another until they are out of sight
        way = (port.heading if port.ahead else port.heading + 180.0) - block.turn
        at = turned(np.array([port.at]), -block.turn)[0]
        step = turned(np.array([[_length(straight), 0.0]]), way)[0]
        place, onward = (at, step) if port.ahead else (at - step, -step)
        found.append((straight, way, place))
        while not _beyond(place + onward + step / 2, block.box, reach + _length(straight)):
            place = place + onward
            found.append((straight, way, place))
    return found


def _length(piece: Piece) -> float:
    behind, ahead = piece.ports
    return abs(ahead.at[0] - behind.at[0])


def _beyond(place: Floats, box: Sequence[float], reach: float) -> bool:
    low, high = np.array(box[:2]) - reach, np.array(box[2:]) + reach
    return bool((place < low).any() or (place > high).any())


def strand_numbers(kit: Kit) -> dict[str, Ints]:
    """A number for each circuit of each piece, so that what runs through a joint keeps its number where it can.

    In the straight piece what leaves at one end goes on at the other as the same circuit. Other pieces take a circuit's
    number from the first of their ports that it passes; circuits that pass none have their own.
    """
    numbers: dict[str, Ints] = {}
    at_seam: dict[str, Ints] = {}
    following = 0
    pieces = sorted(kit.pieces, key=lambda one: (one.part is not Part.STRAIGHT, one.ports[0].profile != "run"))
    for piece in pieces:
        mesh = piece.fine
        count = int(mesh.strand.max(initial=-1)) + 1
        number = np.full(count, NONE)
        for port, seam in zip(piece.ports, mesh.seam, strict=True):
            known = at_seam.get(port.profile)
            if known is not None and len(known) == len(seam):
                # the first vertex of a circuit at the port counts: later ones must not write over it
                at = np.flatnonzero(number[mesh.strand[seam]] == NONE)[::-1]
                number[mesh.strand[seam[at]]] = known[at]
        fresh = number == NONE
        number[fresh] = following + np.arange(fresh.sum())
        following += int(fresh.sum())
        numbers[piece.name] = number
        for port, seam in zip(piece.ports, mesh.seam, strict=True):
            at_seam.setdefault(port.profile, number[mesh.strand[seam]])
    return numbers


def look(scene: Scene, size: tuple[int, int], margin: int, ground: float, texel: float) -> Seen:
    """The scene from above.

    Parameters
    ----------
    size : (int, int)
        Texels across and up.
    margin : int
        Texels more on every side.
    ground : float
        Height of what no strand covers, mm.
    texel : float
        mm.
    """
    columns, rows = (side + 2 * margin for side in size)
    whole = Window(-float(margin), float(size[1] + margin), 1.0, columns, rows)
    table = _table(scene)
    step = max(1, SAMPLES // (columns * FINER * FINER))
    bands = [
        _band(scene, table, whole.part(row, 0, min(step, rows - row), columns), ground, texel)
        for row in range(0, rows, step)
    ]
    return Seen(*(np.concatenate([getattr(band, name) for band in bands]) for name in Seen.__slots__))


def _band(scene: Scene, table: F32, window: Window, ground: float, texel: float) -> Seen:
    fine = window.finer(FINER)
    z, triangle = rasterise(scene.positions, scene.triangles, fine)
    places = [(i, j) for i in range(FINER) for j in range(FINER)]
    few = np.float32(len(places))
    shape = (window.rows, window.columns)
    parts = [z[i::FINER, j::FINER] for i, j in places]
    triangles = [triangle[i::FINER, j::FINER] for i, j in places]
    count, total = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    strand = np.empty((len(places), *shape), np.int16)
    for k, (part, there) in enumerate(zip(parts, triangles, strict=True)):
        here = there >= 0
        count += here
        total += np.where(here, part, np.float32(0.0))
        strand[k] = np.where(here, scene.strand[there], NONE)
    mean = _vectors(table, triangles, window)
    least = np.maximum(count, 1.0)
    most, pure = _most(strand)
    spread = np.maximum.reduce(parts) - np.minimum.reduce(parts)  # NaN where a sample is bare
    pure &= spread <= STEEP * texel
    return Seen(
        np.asarray((total + (few - count) * np.float32(ground)) / few, np.float32),
        np.where(count > 0, total / least, np.float32(ground)).astype(np.float32),
        np.asarray(count / few, np.float32),
        most,
        pure,
        mean,
    )


def _most(strand: I16) -> tuple[I16, Bools]:
    """Of samples (n, rows, columns): the strand most of them have, the first of equals, and whether all have it."""
    same = (strand == strand[0]).all(0)
    most = strand[0].copy()
    row, column = np.nonzero(~same)
    mixed = strand[:, row, column]
    votes = (mixed[:, None] == mixed[None]).sum(0) * (mixed != NONE)
    most[row, column] = np.take_along_axis(mixed, votes.argmax(0)[None], 0)[0]
    return most, same & (most != NONE)


def _table(scene: Scene) -> F32:
    """What samples need of each triangle: its first corner, the inverse of its plan, vectors there and their change.

    (t, 6 + 3 * vectors) float32.
    """
    corners = scene.positions[scene.triangles, :2]
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
    area = np.where(np.abs(area) > 1e-12, area, np.inf)  # seen from the edge: its first corner stands for it
    inverse = np.stack([two[:, 1], -two[:, 0], -one[:, 1], one[:, 0]], axis=1) / area[:, None]
    first, second, third = (scene.vectors[scene.triangles[:, k]] for k in range(3))
    both = [corners[:, 0], inverse, first, second - first, third - first]
    return np.concatenate([part.astype(np.float32) for part in both], axis=1)


def _vectors(table: F32, triangles: Sequence[I32], window: Window) -> F32:
    """Mean of the vectors at all samples that show something, (rows, columns, k) float32; 0 where none does.

    ``triangles`` (rows, columns) each are those at one place within the texels, row by row. Where all are the same, the
    mean is what is in the middle.
    """
    first = triangles[0].ravel()
    same = first >= 0
    for other in triangles[1:]:
        same &= other.ravel() == first
    out = np.zeros((len(first), (table.shape[1] - 6) // 3), np.float32)
    alone = np.flatnonzero(same)
    _add(out, alone, first[alone], table, window, 0.5, 0.5)
    mixed = np.flatnonzero(~same)
    count = np.zeros(len(mixed), np.float32)
    for k, other in enumerate(triangles):
        of = other.ravel()[mixed]
        shown = of >= 0
        count += shown
        _add(out, mixed[shown], of[shown], table, window, (k % FINER + 0.5) / FINER, (k // FINER + 0.5) / FINER)
    out[mixed] /= np.maximum(count, 1.0)[:, None]
    return out.reshape(window.rows, window.columns, -1)


def _add(out: F32, texel: Ints, triangle: I32, table: F32, window: Window, right: float, down: float) -> None:
    """Add the vectors of triangles at a place within texels, as shares of a texel."""
    width = out.shape[1]
    for first in range(0, len(texel), CHUNK):
        part = texel[first : first + CHUNK]
        row, column = np.divmod(part, window.columns)
        of = table.take(triangle[first : first + CHUNK], axis=0)
        x = (window.left + (column + right) * window.pitch).astype(np.float32) - of[:, 0]
        y = (window.top - (row + down) * window.pitch).astype(np.float32) - of[:, 1]
        second = np.clip(of[:, 2] * x + of[:, 3] * y, 0.0, 1.0)
        third = np.clip(of[:, 4] * x + of[:, 5] * y, 0.0, 1.0 - second)
        value = of[:, 6 : 6 + width]
        value = value + second[:, None] * of[:, 6 + width : 6 + 2 * width]
        value += third[:, None] * of[:, 6 + 2 * width :]
        out[part] += value


def far_heights(scene: Scene, size: tuple[int, int], margin: int, ground: float, coarser: int = 4) -> F32:
    """Heights of a part with a wide margin, one for ``coarser`` x ``coarser`` texels, as texels again."""
    columns, rows = (side + 2 * margin for side in size)
    window = Window(
        -float(margin), float(size[1] + margin), float(coarser), -(-columns // coarser), -(-rows // coarser)
    )
    z, _ = rasterise(scene.positions, scene.triangles, window)
    z = np.where(np.isnan(z), np.float32(ground), z)
    return np.ascontiguousarray(np.repeat(np.repeat(z, coarser, axis=0), coarser, axis=1)[:rows, :columns])
