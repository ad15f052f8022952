"""Designs of a kit's pieces: what is woven for each of them, and where it is cut.

Every piece but the straight one is a flat mesh of cells: *arms*, which are lengths of the strip with its breaks and
divided strands, and what joins them. A turn of 90 degrees, a tee and a cross have a square block between their arms,
as a frame with square corners has; any other turn is round: its columns of cells fan out about a point. Arms go on
beyond their port, and what lies there is cut away, so that strands are drawn at the port as if the run went on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from ..design import Design
from .cells import Arm, Cells, Point, Site, placed, turned_point
from .kit import Port
from .options import Part
from .pattern import ROOM, Pattern
from .seams import GRID

GUARD = 4
"""Cells beyond a port that are woven and cut away."""
CROWDED = 0.75
"""Cells at the inner side of a round turn have at least this share of their length."""


@dataclass(frozen=True, slots=True)
class PieceDesign:
    """A piece to be woven.

    Attributes
    ----------
    design : Design
        On a strip for straight pieces, otherwise on a flat mesh.
    ports : tuple of Port
    origin : (float, float)
        Where in the design's plan the piece's origin lies, mm.
    sites : mapping of edge to (x, y)
        For edges of arms the site of the strip, in half cells, that they are.
    blocks : frozenset of int
        Edges of what joins the arms.
    """

    name: str
    part: Part
    design: Design
    ports: tuple[Port, ...]
    origin: Point = (0.0, 0.0)
    turn: float = 0.0
    sites: dict[int, Site] = field(default_factory=dict)
    blocks: frozenset[int] = frozenset()


def straight(pattern: Pattern, name: str = "straight", profile: str = "run") -> PieceDesign:
    """One repeat of the strip, cut at its phase."""
    strip = pattern.strip
    length = strip.columns * strip.cell_width
    ports = (Port((0.0, 0.0), 180.0, False, profile), Port(_snapped((length, 0.0)), 0.0, True, profile))
    return PieceDesign(
        name, Part.STRAIGHT, pattern.design, ports, (pattern.phase / 2 * strip.cell_width, pattern.height / 2)
    )


def cap_ahead(pattern: Pattern) -> PieceDesign:
    """Where a run ends."""
    c = pattern.behind
    arm = Arm(0.0, (0.0, 0.0), _down(c), 0)
    return _piece(pattern, "cap-ahead", Part.CAP, [arm], [_port(pattern, arm, c, False)])


def cap_behind(pattern: Pattern) -> PieceDesign:
    """Where a run begins."""
    c = pattern.ahead
    arm = Arm(0.0, (0.0, 0.0), 0, _up(c))
    return _piece(pattern, "cap-behind", Part.CAP, [arm], [_port(pattern, arm, c, True)])


def change(pattern: Pattern, divides: bool) -> PieceDesign:
    """Where divided strands begin to be divided, or stop: one side of a boundary between two repeats is plain."""
    behind, ahead = pattern.behind, pattern.ahead
    name, whole = ("change-divide", (-math.inf, 0.0)) if divides else ("change-unite", (0.0, math.inf))
    profiles = ("plain", "run") if divides else ("run", "plain")
    arm = Arm(0.0, (0.0, 0.0), _down(behind), _up(ahead), whole)
    ports = [_port(pattern, arm, behind, False, profiles[0]), _port(pattern, arm, ahead, True, profiles[1])]
    return _piece(pattern, name, Part.CHANGE, [arm], ports)


def corner(pattern: Pattern, turn: float) -> PieceDesign:
    """A turn by so many degrees, to the left where positive: square at 90 degrees, otherwise round."""
    part = Part.INNER if turn > 0 else Part.OUTER
    angle = f"{abs(turn):03.0f}" if turn == round(turn) else f"{abs(turn):06.2f}".replace(".", "-")
    name = f"corner-{part.value}-{angle}"
    return _square(pattern, name, part, [turn], turn) if abs(turn) == 90.0 else _round(pattern, name, part, turn)


def tee(pattern: Pattern) -> PieceDesign:
    """A run that goes on, and one that leaves it to the left."""
    return _square(pattern, "tee", Part.TEE, [0.0, 90.0])


def cross(pattern: Pattern) -> PieceDesign:
    """Two runs that cross; the other one runs from right to left."""
    return _square(pattern, "cross", Part.CROSS, [0.0, 90.0], joining=[90.0])


def _round(pattern: Pattern, name: str, part: Part, turn: float) -> PieceDesign:
    """A turn along an arc of the middle line, so wide that cells at its inner side are long enough."""
    strip = pattern.strip
    angle, side = math.radians(abs(turn)), math.copysign(1.0, turn)
    radius = pattern.height / 2 / (1 - CROWDED)
    zone = radius * angle / 2
    cells = math.ceil(zone / strip.cell_width)
    behind, ahead = pattern.before(ROOM + cells), pattern.after(ROOM + cells)

    def bend(u: float, v: float) -> Point:
        if u <= -zone:
            return u, v
        along = min(angle, (u + zone) / radius)
        out = radius - side * v
        x, y = -zone + out * math.sin(along), side * (radius - out * math.cos(along))
        on = max(u - zone, 0.0)
        return x + on * math.cos(angle), y + side * on * math.sin(angle)

    arm = Arm(0.0, (0.0, 0.0), _down(behind), _up(ahead), bend=bend)
    ports = [_port(pattern, arm, behind, False), _port(pattern, arm, ahead, True, turn=turn)]
    return _piece(pattern, name, part, [arm], ports, turn=turn)


def _square(
    pattern: Pattern, name: str, part: Part, leaving: Sequence[float], turn: float = 0.0, joining: Sequence[float] = ()
) -> PieceDesign:
    """A square block with a run that comes in from the left, those that leave it, and others that come in."""
    half = pattern.height / 2
    behind, ahead = pattern.behind, pattern.ahead
    first, *others = (Arm(way, turned_point((-half, 0.0), way), _down(behind), 0) for way in (0.0, *joining))
    out = [Arm(way, turned_point((half, 0.0), way), 0, _up(ahead)) for way in leaving]
    ports = [
        _port(pattern, first, behind, False),
        *(_port(pattern, arm, ahead, True) for arm in out),
        *(_port(pattern, arm, behind, False) for arm in others),
    ]
    return _piece(pattern, name, part, [first, *out, *others], ports, (-half, -half), turn)


def _piece(
    pattern: Pattern,
    name: str,
    part: Part,
    arms: Sequence[Arm],
    ports: Sequence[Port],
    block: Point | None = None,
    turn: float = 0.0,
) -> PieceDesign:
    """Arms and the block between them as a piece whose origin is its first port."""
    cells = Cells(pattern)
    for arm in arms:
        cells.add_arm(arm)
    if block is not None:
        cells.add_block(block)
    design, site, blocks = cells.design()
    origin = ports[0].at
    moved = tuple(replace(p, at=_snapped((p.at[0] - origin[0], p.at[1] - origin[1]))) for p in ports)
    return PieceDesign(name, part, design, moved, origin, turn, site, blocks)


def _port(pattern: Pattern, arm: Arm, c: float, ahead: bool, profile: str = "run", turn: float = 0.0) -> Port:
    """The port at a place of an arm; ``turn`` is how far a bent arm has turned there."""
    heading = arm.turn + turn if ahead else arm.turn + 180.0
    return Port(_snapped(placed(pattern, arm, c, 0.0)), heading % 360.0, ahead, profile)


def _snapped(at: Point) -> Point:
    return round(at[0] / GRID) * GRID, round(at[1] / GRID) * GRID


def _down(c: float) -> int:
    return math.floor(c - GUARD)


def _up(c: float) -> int:
    return math.ceil(c + GUARD)
