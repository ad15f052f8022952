"""A kit of trim pieces: what is built, baked and written. Lengths are mm, z up, the run along +x.

Pieces meet at *ports*. At a port every piece of the kit has the very same vertices, normals and tangents, in the same
order, when one is turned and moved onto the other: see :class:`Port`.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..design import Design
from ..mesh import Floats, Ints
from .options import Part


@dataclass(frozen=True, slots=True)
class Port:
    """Where a piece meets the next.

    ``at`` is the middle of the run where it is cut, ``heading`` the way out of the piece in degrees anticlockwise from
    +x. Seen along its heading an *ahead* port (a run that leaves) or, seen against it, a *behind* port (a run that
    comes in) shows the same section. An ahead port fits any behind port of the same ``profile``: "run" is the strip as
    designed, "plain" the same with no strand divided.
    """

    at: tuple[float, float]
    heading: float
    ahead: bool
    profile: str = "run"


@dataclass(frozen=True, slots=True, eq=False)
class TrimMesh:
    """One piece at one level, each vertex with all that is said of it, as renderers want it.

    Attributes
    ----------
    positions : (v, 3) float64
        In the piece's own place; the first port's ``at`` is the origin.
    normals : (v, 3) float64
        Unit length. Vertices on hard edges stand twice.
    triangles : (t, 3) int32
        Anticlockwise seen from outside.
    strand : (v,) int32
        The circuit that a vertex belongs to.
    along, across : (v,) float64
        Length along the strand, and round its section from the left.
    seam : tuple of (k,) int32
        For each port the vertices that lie on it, in an order that is the same in all pieces of a level.
    patch : (t,) int32
        Triangles of one number unroll to one rectangle of (along, across) without overlap.
    uv : (v, 2) float32
        Place on the sheet, 0 to 1, v up. Zero until the sheet is set.
    light_uv : (v, 2) float32
        Place on a sheet of the piece's own, nowhere twice. Zero until it is unwrapped.
    tangents : (v, 4) float64
        Unit tangent along +u of the sheet, and the sign of the bitangent. Zero until the sheet is set.
    """

    positions: Floats
    normals: Floats
    triangles: Ints
    strand: Ints
    along: Floats
    across: Floats
    seam: tuple[Ints, ...]
    patch: Ints
    uv: Floats
    light_uv: Floats
    tangents: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """A piece at one level of detail.

    ``tolerance`` is the distance, mm, that it was chosen within; ``deviation`` the greatest one measured between the
    level and the exact surface, of what is seen from above. ``card`` says that it is the flat card.
    """

    mesh: TrimMesh
    tolerance: float
    deviation: float
    card: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A piece of the kit.

    ``box`` is what it covers in plan, with the strip's margins: x0, y0, x1, y1; at ports exactly up to the seam.
    ``fine`` is the exact surface, sampled far finer than level 0: what is baked. ``turn`` is the angle of a corner.
    ``stretched`` is what whole repeats were lengthened by to give a modular length.
    """

    name: str
    part: Part
    ports: tuple[Port, ...]
    box: tuple[float, float, float, float]
    fine: TrimMesh
    levels: tuple[Level, ...]
    turn: float = 0.0
    repeats: int = 0
    stretched: float = 1.0


@dataclass(frozen=True, slots=True)
class Block:
    """A part of the sheet: what of a piece's plan (``box``, mm) lies where (``texels``: left, bottom, right, top).

    Beside each port u must run ahead along the run, or tangents would not match across it. So a piece that turns or
    branches is mapped port by port: its triangles belong to the ``port`` whose arm their middle is nearest to, and the
    plan is turned by ``-turn`` degrees about the piece's origin before ``box`` is measured in it. ``wraps`` says that
    the block runs right across the sheet and comes round: the straight piece's, which has one block only (port 0).
    """

    piece: str
    port: int
    turn: float
    box: tuple[float, float, float, float]
    texels: tuple[int, int, int, int]
    wraps: bool = False


@dataclass(frozen=True, slots=True)
class Sheet:
    """The trim sheet: texels across and up, how many of them a mm has, and what lies where."""

    width: int
    height: int
    per_mm: float
    padding: int
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Kit:
    """The whole kit.

    ``period`` is the length of one repeat, ``height`` the strip's (with its margins as laid out), ``low`` and ``high``
    how deep and high any vertex lies. ``notes`` say in words what was done, and where the weave cannot run on
    alternating; ``findings`` what should be mended.
    """

    design: Design
    pieces: tuple[Piece, ...]
    sheet: Sheet
    period: float
    height: float
    low: float
    high: float
    notes: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()


def piece(kit: Kit, name: str) -> Piece:
    """The piece of that name."""
    return next(one for one in kit.pieces if one.name == name)
