"""The trim sheet: where of it every piece lies, planar from above, the same texels to the mm everywhere.

Straight pieces run right across it, whole repeats, so that they come round; the arms of the others stand in shelves
below, each turned so that u runs ahead along the run (see :class:`.kit.Block`). Free texels between parts keep them
apart in mip levels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import DesignError
from ..mesh import Floats, Ints
from .kit import Block, Piece, Port, Sheet, TrimMesh
from .options import Part, Textures
from .splitting import split, turned

STRAND_TEXELS, GAP_TEXELS = 12.0, 4.0
"""Fewer texels across a strand, or across the gap between two, and the relief is not read from the textures."""
TALLEST = 2
"""How many times as tall as wide a sheet may be whose density is not set; more repeats across it make it less tall."""
MOST = 16384
"""Texels that a side may have; common practice, no source."""


def set_sheet(pieces: Sequence[Piece], textures: Textures, period: float, height: float) -> Sheet:
    """Lay out the sheet of a kit.

    Parameters
    ----------
    period : float
        Length of a repeat, mm.
    height : float
        The strip's, mm, with its margins; straight pieces take all of it.

    Raises
    ------
    DesignError
        The density asked for is none, or no whole piece fits the sheet at it; the message says what would.
    """
    return set_shared([("", pieces, period, height)], textures)


def set_shared(trims: Sequence[tuple[str, Sequence[Piece], float, float]], textures: Textures) -> Sheet:
    """Lay out one sheet for several trims: (prefix of their blocks' names, pieces, period, height) each.

    Where periods have no common measure whole repeats are what stands, and the density along the run of the others is
    off by the little that :func:`uneven` says.
    """
    if textures.density is not None and not (math.isfinite(textures.density) and textures.density > 0):
        raise DesignError(
            f"a density of {textures.density:g} texels a metre", "give a number above 0", "make.trim.textures.density"
        )
    rows = [_rows(*one) for one in trims]
    arms = [arm for one in trims for arm in _arms(one[0], one[1])]
    longest = max(row.length for part in rows for row in part)
    per_mm = _texels_per_mm(textures, longest, max((arm.box[2] - arm.box[0] for arm in arms), default=0.0))
    blocks, top = _placed(rows, arms, per_mm, textures)
    tallest = MOST if textures.density is not None else min(TALLEST * textures.size, MOST)
    _refuse_padding(rows, arms, 1 / longest, textures, tallest)
    first, most = per_mm, top
    while _power(top) > tallest:
        per_mm = textures.size / (longest * (round(textures.size / (longest * per_mm)) + 1))
        blocks, top = _placed(rows, arms, per_mm, textures)
    if textures.density is not None and per_mm < first:
        raise DesignError(
            f"the parts of the kit take {most} texels of height at {1000 * first:.6g} texels a metre",
            f"give at most {1000 * per_mm:.6g}, or fewer pieces",
            "make.trim.textures.density",
        )
    tall = _power(top)
    return Sheet(textures.size, tall, per_mm, textures.padding, tuple(_from_below(block, tall) for block in blocks))


def laid(mesh: TrimMesh, piece: Piece, sheet: Sheet, prefix: str = "") -> TrimMesh:
    """The mesh with its place on the sheet, vertices split where parts of the sheet meet.

    Pieces that are whole repeats of the straight piece lie on the straight piece's part, and run round it as often as
    they need; so u may go beyond 1.
    """
    if piece.part is Part.STRAIGHT:
        block = _block(sheet, prefix + row_name(piece), 0)
        plan = mesh.positions[:, :2] / np.array([piece.stretched, 1.0])
        return replace(mesh, uv=_on_sheet(plan, block, sheet))
    arm = arm_of(mesh, piece.ports)
    mesh_split = split(mesh, arm)
    uv = np.zeros((len(mesh_split.positions), 2), np.float32)
    for port in np.unique(arm).tolist():
        block = _block(sheet, prefix + piece.name, port)
        mine = np.unique(mesh_split.triangles[arm == port])
        uv[mine] = _on_sheet(turned(mesh_split.positions[mine, :2], -block.turn), block, sheet)
    return replace(mesh_split, uv=uv)


def arm_of(mesh: TrimMesh, ports: Sequence[Port]) -> Ints:
    """Which port's arm the middle of each triangle is nearest to, (t,) int32.

    An arm runs from its port straight in to where the arms meet. Ports at which the run goes the same way share a part
    of the sheet, the first one's.
    """
    first = np.array([next(k for k, one in enumerate(ports) if _way(one) == _way(port)) for port in ports])
    if len(set(first.tolist())) == 1:
        return np.zeros(len(mesh.triangles), np.int32)
    middle = mesh.positions[mesh.triangles][:, :, :2].mean(1)
    at = np.array([port.at for port in ports], float)
    ways = np.radians([port.heading for port in ports])
    out = np.stack([np.cos(ways), np.sin(ways)], 1)
    meet = meeting(at, out)
    away = []
    for place in at:
        arm = meet - place
        share = np.clip((middle - place) @ arm / max(float(arm @ arm), 1e-30), 0.0, 1.0)
        away.append(np.linalg.norm(middle - place - share[:, None] * arm, axis=1))
    # on the line between two arms rounding must not choose
    nearest = np.round(np.stack(away), 6).argmin(0)
    return np.asarray(first[nearest], np.int32)


def coarse(sheet: Sheet, strand: float, gap: float) -> tuple[str, ...]:
    """What should be mended where strands (mm wide) or gaps between them get too few texels."""
    found = []
    for name, size, least in (("strand", strand, STRAND_TEXELS), ("gap", gap, GAP_TEXELS)):
        texels = size * sheet.per_mm
        if 0 < texels < least:
            wide = _power(math.ceil(sheet.width * least / texels))
            found.append(
                f"the {name} of {size:.3g} mm has {texels:.1f} texels across, fewer than {least:g}; "
                f"give the sheet a width of {wide} texels, or a density of {math.ceil(1000 * least / size)}"
            )
    return tuple(found)


def uneven(sheet: Sheet) -> float:
    """How far the density along the run is off the sheet's at most, as a share; 0 where one trim has it alone."""
    ratio = [
        (block.texels[2] - block.texels[0]) / (block.box[2] - block.box[0]) / sheet.per_mm
        for block in sheet.blocks
        if block.wraps
    ]
    return max((abs(one - 1) for one in ratio), default=0.0)


def row_name(piece: Piece) -> str:
    """The part of the sheet that a straight piece runs along."""
    profile = piece.ports[0].profile
    return "straight" if profile == "run" else f"straight-{profile}"


# ------------------------------------------------------------------------------------------------------- the parts


def _texels_per_mm(textures: Textures, longest: float, widest: float) -> float:
    """Texels to the mm: what is asked for, or else the most that lets the widest part in; whole repeats fill the sheet.

    ``longest`` is the straight piece that whole repeats are counted in, ``widest`` the other parts' greatest width, mm.
    """
    room = textures.size - 2 * textures.padding
    if room < 2:
        raise DesignError(
            f"a sheet of {textures.size} texels has no room within a padding of {textures.padding}",
            f"give at most {max(textures.size // 2 - 1, 0)}",
            "make.trim.textures.padding",
        )
    most = min(textures.size / longest, (room - 1) / widest if widest else math.inf)
    asked = most
    if textures.density is not None:
        asked = textures.density / 1000
        if asked > most * (1 + 1e-9):
            side = max(longest, widest)
            size = _power(textures.size * asked / most)
            raise DesignError(
                f"at {textures.density:g} texels a metre a part of {side:.4g} mm takes {asked * side:.0f} texels, "
                f"the sheet has {textures.size}",
                f"give at most {math.floor(1000 * most):g}" + (f", or a size of {size}" if 2 * size <= MOST else ""),
                "make.trim.textures.density",
            )
    copies = max(1, round(textures.size / (longest * asked)))
    if textures.size / (longest * copies) > most * (1 + 1e-9):
        copies += 1
    return textures.size / (longest * copies)


@dataclass(frozen=True, slots=True)
class _Row:
    name: str
    length: float
    box: tuple[float, float]


def _rows(prefix: str, pieces: Sequence[Piece], period: float, height: float) -> list[_Row]:
    """Straight pieces that run across the sheet, one for each profile."""
    found: dict[str, _Row] = {}
    for piece in pieces:
        name = row_name(piece) if piece.part is Part.STRAIGHT else ""
        if piece.name != name:
            continue
        low, high = (float(v) for v in _spread([piece], 0.0)[1::2])
        middle = (low + high) / 2
        half = max(high - low, height) / 2
        found[name] = _Row(prefix + name, period * max(piece.repeats, 1), (middle - half, middle + half))
    if not found:
        raise DesignError("the kit has no straight piece", 'add "straight" to its pieces', "make.trim.pieces")
    return list(found.values())


@dataclass(frozen=True, slots=True)
class _Arm:
    name: str
    port: int
    turn: float
    box: tuple[float, float, float, float]


def _arms(prefix: str, pieces: Sequence[Piece]) -> list[_Arm]:
    """The parts of pieces that turn, branch or end, as they lie when the run goes ahead along x."""
    arms = []
    for piece in pieces:
        if piece.part is Part.STRAIGHT:
            continue
        meshes = [piece.fine, *(level.mesh for level in piece.levels)]
        of = [arm_of(mesh, piece.ports) for mesh in meshes]
        for port in sorted({int(k) for one in of for k in np.unique(one)}):
            turn = _way(piece.ports[port])
            points = [
                turned(mesh.positions[np.unique(mesh.triangles[one == port]), :2], -turn)
                for mesh, one in zip(meshes, of)
            ]
            both = np.concatenate(points)
            low, high = both.min(0), both.max(0)
            arms.append(_Arm(prefix + piece.name, port, turn, (*low.tolist(), *high.tolist())))
    return arms


def _refuse_padding(
    rows: Sequence[Sequence[_Row]], arms: Sequence[_Arm], least: float, textures: Textures, tallest: int
) -> None:
    """Free texels between parts may not be more than the sheet has, however small parts are (texels to the mm)."""
    _, top = _placed(rows, arms, least, textures)
    if _power(top) > tallest:
        raise DesignError(
            f"the parts of the kit find no room with {textures.padding} texels between them",
            f"give at most {textures.padding * tallest // (2 * top)}, a larger size, or fewer pieces",
            "make.trim.textures.padding",
        )


def _placed(
    rows: Sequence[Sequence[_Row]], arms: Sequence[_Arm], per_mm: float, textures: Textures
) -> tuple[list[Block], int]:
    """All parts from the top of the sheet down, and how far they reach."""
    blocks: list[Block] = []
    top = textures.padding
    for row in (row for part in rows for row in part):
        copies = max(1, round(textures.size / (row.length * per_mm)))
        tall = max(1, math.ceil((row.box[1] - row.box[0]) * per_mm - 1e-6))
        box = (0.0, row.box[0], copies * row.length, row.box[0] + tall / per_mm)
        blocks.append(Block(row.name, 0, 0.0, box, (0, top, textures.size, top + tall), True))
        top += tall + textures.padding
    shelves, top = _shelves(arms, per_mm, textures, top)
    return blocks + shelves, top


def _shelves(arms: Sequence[_Arm], per_mm: float, textures: Textures, top: int) -> tuple[list[Block], int]:
    """Parts in shelves, the tallest first, each in the first shelf that has room for it."""
    sized: list[tuple[_Arm, int, int]] = []
    for arm in arms:
        x0, y0, x1, y1 = arm.box
        wide, tall = (max(1, math.ceil(span * per_mm - 1e-6)) for span in (x1 - x0, y1 - y0))
        sized.append((arm, wide, tall))
    order = sorted(range(len(sized)), key=lambda k: (-sized[k][2], -sized[k][1], k))
    shelves: list[list[int]] = []  # bottom, height, used width
    blocks: dict[int, Block] = {}
    for k in order:
        arm, wide, tall = sized[k]
        shelf = next((one for one in shelves if one[2] + wide + textures.padding <= textures.size), None)
        if shelf is None:
            shelf = [top, tall, textures.padding]
            shelves.append(shelf)
            top += tall + textures.padding
        x, y = shelf[2], shelf[0]
        shelf[2] += wide + textures.padding
        box = (arm.box[0], arm.box[1], arm.box[0] + wide / per_mm, arm.box[1] + tall / per_mm)
        blocks[k] = Block(arm.name, arm.port, arm.turn, box, (x, y, x + wide, y + tall))
    return [blocks[k] for k in range(len(arms))], top


def _from_below(block: Block, tall: int) -> Block:
    """Laid out from the top of the sheet down; texels count from the bottom up."""
    left, top, right, bottom = block.texels
    return replace(block, texels=(left, tall - bottom, right, tall - top))


def _block(sheet: Sheet, name: str, port: int) -> Block:
    return next(block for block in sheet.blocks if block.piece == name and block.port == port)


def _on_sheet(plan: Floats, block: Block, sheet: Sheet) -> Floats:
    """Places on the sheet, 0 to 1, of places in a part's plan, (n, 2)."""
    low, high = np.array(block.box[:2]), np.array(block.box[2:])
    corner, far = np.array(block.texels[:2], float), np.array(block.texels[2:], float)
    texels = corner + (plan - low) / (high - low) * (far - corner)
    return np.asarray(texels / [sheet.width, sheet.height], np.float32)


def _way(port: Port) -> float:
    """The way the run goes at a port, degrees, 0 to 360."""
    return (port.heading if port.ahead else port.heading + 180.0) % 360.0


def meeting(at: Floats, out: Floats) -> Floats:
    """Where the middle lines of arms meet: the place nearest to all of them, (2,)."""
    square = np.eye(2) - out[:, :, None] * out[:, None, :]
    return np.asarray(np.linalg.lstsq(square.sum(0), np.einsum("nij,nj->i", square, at), rcond=None)[0])


def _spread(pieces: Sequence[Piece], turn: float) -> Floats:
    """The plan that pieces cover at every level, (4,): x0, y0, x1, y1."""
    points = np.concatenate(
        [turned(mesh.positions[:, :2], -turn) for p in pieces for mesh in (p.fine, *(one.mesh for one in p.levels))]
    )
    return np.concatenate([points.min(0), points.max(0)])


def _power(value: float) -> int:
    """The next power of two."""
    return int(1 << max(0, math.ceil(math.log2(max(value, 1)) - 1e-12)))
