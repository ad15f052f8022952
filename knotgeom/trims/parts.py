"""Designs of a kit's pieces: what is woven for each of them, and where it is cut.

Every piece but the straight one is a flat mesh of cells: *arms*, which are lengths of the strip with its breaks and
divided strands, and what joins them. A turn of 90 degrees, a tee and a cross have a square block between their arms,
as a frame with square corners has; any other turn is round: its columns of cells fan out about a point. Arms go on
beyond their port, and what lies there is cut away, so that strands are drawn at the port as if the run went on.

Places along the run are counted in cells (``c``) from the boundary between two repeats that is nearest the joint.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from ..design import FREE, Breaks, Design, Divide, FreeMesh, Pass, Rim, Strip, Way
from ..divide import divided_visits
from ..errors import DesignError
from ..layout import lay_out, pass_index
from ..layout.free import edges_of
from ..sizing import sizes
from ..trace import Circuits, trace
from .kit import Port
from .options import Part
from .seams import GRID, turned

ROOM = 2
"""Cells between a port and the joint, at least."""
GUARD = 4
"""Cells beyond a port that are woven and cut away."""
CROWDED = 0.75
"""Cells at the inner side of a round turn have at least this share of their length."""
FEWEST = 3
"""A strip has at least so many cells from seam to seam; shorter repeats are taken several times."""

Point = tuple[float, float]


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
    sites: dict[int, tuple[int, int]] = field(default_factory=dict)
    blocks: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class _Arm:
    """Cells ``first`` to ``last`` of the strip, turned by ``turn`` degrees, with c = 0 of its middle line at ``at``."""

    turn: float
    at: Point
    first: int
    last: int
    whole_before: int | None = None  # in cells: strands are whole up to there
    bend: Callable[[float, float], Point] | None = None


def strip_of(design: Design) -> Strip:
    """The flat strip that a kit is made of.

    Raises
    ------
    DesignError
        If the layout is none.
    """
    layout = design.layout
    if not isinstance(layout, Strip) or layout.surface is not None:
        raise DesignError(
            "a trim kit is made of a flat strip", "give a layout of kind strip without a surface", "layout"
        )
    if design.strand.circuits and any(style.width is not None for style in design.strand.circuits):
        raise DesignError(
            "strands of several widths do not fit at corners", "give all strands of a trim one width", "strand.circuits"
        )
    return layout


def one_repeat(design: Design) -> Design:
    """The strip with one repeat (several where one is very short) and all lengths that have defaults filled in."""
    from ..resolve import resolved

    strip = strip_of(design)
    count = -(-FEWEST // strip.columns)
    size = sizes(design)
    strand = replace(
        design.strand,
        width=size.width,
        thickness=size.thickness,
        groove=replace(design.strand.groove, depth=size.groove_depth),
        circuits=(),
    )
    filled = replace(
        design,
        layout=replace(strip, repeats=count),
        strand=strand,
        divide=replace(design.divide, gap=size.gap if design.divide.gap is not None else None),
        heights=replace(design.heights, step=size.step),
    )
    return resolved(filled)


@dataclass(frozen=True, slots=True)
class Pattern:
    """The strip as it is repeated along arms: its design, phase (half cells), and passes that are divided."""

    design: Design
    strip: Strip
    phase: float
    divided: frozenset[tuple[int, int, int]]  # site and pass index
    preferred: tuple[tuple[int, int, int], ...]

    @property
    def columns(self) -> int:
        return self.strip.columns

    @property
    def height(self) -> float:
        return self.strip.rows * self.strip.cell_height

    @property
    def behind(self) -> float:
        """Where the port is, in cells before a joint at c = 0, with room; a joint lies between two repeats."""
        return -_room(-self.phase / 2, self.columns, ROOM)

    @property
    def ahead(self) -> float:
        """The same after a joint."""
        return _room(self.phase / 2, self.columns, ROOM)


def _room(start: float, columns: int, least: float) -> float:
    """The least ``start`` plus whole repeats that is at least ``least``."""
    return start + columns * math.ceil((least - start) / columns - 1e-9)


def pattern_of(design: Design, phase: float, preferred: tuple[tuple[int, int, int], ...] = ()) -> Pattern:
    """What arms repeat of a strip with one repeat; ``preferred`` are passes wished over, as site and pass index."""
    strip = strip_of(design)
    layout = lay_out(strip, design.breaks)
    circuits = trace(layout)
    found = divided_visits(layout, circuits, design.divide)
    divided = frozenset(
        (*layout.site[edge].tolist(), index)
        for edge, index, part in zip(
            circuits.visit_edge.tolist(), circuits.visit_pass.tolist(), found.tolist(), strict=True
        )
        if part
    )
    if not preferred and design.weave.prefer:
        at = {tuple(site): edge for edge, site in enumerate(layout.site.tolist())}
        preferred = tuple(
            (wish.x, wish.y, pass_index(layout, at[wish.x, wish.y], wish.way)) for wish in design.weave.prefer
        )
    return Pattern(design, strip, phase, divided, preferred)


def _snapped(at: Point) -> Point:
    return round(at[0] / GRID) * GRID, round(at[1] / GRID) * GRID


def _port(pattern: Pattern, arm: _Arm, c: float, ahead: bool, profile: str = "run") -> Port:
    at = _placed(pattern, arm, c, 0.0)
    heading = arm.turn if ahead else arm.turn + 180.0
    return Port(_snapped(at), heading % 360.0, ahead, profile)


def _placed(pattern: Pattern, arm: _Arm, c: float, v: float) -> Point:
    """Where a place of an arm lies: ``c`` cells along, ``v`` mm to the left of the middle."""
    u = c * pattern.strip.cell_width
    if arm.bend is not None:
        return arm.bend(u, v)
    x, y = _turned((u, v), arm.turn)
    return arm.at[0] + x, arm.at[1] + y


def _turned(at: Point, degrees: float) -> Point:
    import numpy as np

    x, y, _ = turned(np.array([*at, 0.0]), degrees).tolist()
    return x, y


class _Cells:
    """Cells gathered to one mesh, with what is known of their edges."""

    def __init__(self, pattern: Pattern) -> None:
        self.pattern = pattern
        self.number: dict[tuple[int, int], int] = {}
        self.points: list[Point] = []
        self.faces: list[tuple[int, ...]] = []
        self.site: dict[
            tuple[int, int], tuple[int, int, int]
        ] = {}  # of an edge: site and whether it lies along the run
        self.rim: dict[tuple[int, int], Rim] = {}
        self.whole: set[tuple[int, int]] = set()

    def vertex(self, at: Point) -> int:
        """The vertex there."""
        key = (round(at[0] * 1e5), round(at[1] * 1e5))
        for near in ((key[0] + i, key[1] + j) for i in (0, -1, 1) for j in (0, -1, 1)):
            if near in self.number:
                return self.number[near]
        self.number[key] = len(self.points)
        self.points.append(at)
        return self.number[key]

    def add(self, corners: list[Point]) -> list[tuple[int, int]]:
        """A cell, its corners anticlockwise from the lower left; its edges bottom, right, top, left."""
        face = tuple(self.vertex(at) for at in corners)
        self.faces.append(face)
        return [(min(a, b), max(a, b)) for a, b in zip(face, (*face[1:], face[0]))]

    def add_arm(self, arm: _Arm) -> None:
        """The cells of an arm."""
        strip = self.pattern.strip
        wide, tall, high = 2 * strip.columns, 2 * strip.rows, strip.cell_height

        def at(c: int, j: int) -> Point:
            return _placed(self.pattern, arm, c, (j - strip.rows / 2) * high)

        for c in range(arm.first, arm.last):
            for j in range(strip.rows):
                edges = self.add([at(c, j), at(c + 1, j), at(c + 1, j + 1), at(c, j + 1)])
                x, y = 2 * c + 1, 2 * j + 1
                for edge, (sx, sy) in zip(edges, ((x, y - 1), (x + 1, y), (x, y + 1), (x - 1, y))):
                    self.site.setdefault(edge, (sx % wide, sy, sx % 2))
                    if arm.whole_before is not None and sx < 2 * arm.whole_before:
                        self.whole.add(edge)
                    if sy in (0, tall):
                        self.rim[edge] = strip.lower_edge if sy == 0 else strip.upper_edge

    def add_block(self, corner: Point, sides: dict[str, Rim]) -> None:
        """A square block of cells between arms; ``sides`` names those where no arm is, and their rim."""
        strip = self.pattern.strip
        n, high = strip.rows, strip.cell_height
        for i in range(n):
            for j in range(n):
                x, y = corner[0] + i * high, corner[1] + j * high
                edges = self.add([(x, y), (x + high, y), (x + high, y + high), (x, y + high)])
                for edge, side, there in zip(edges, "SENW", (j == 0, i == n - 1, j == n - 1, i == 0)):
                    if there and side in sides:
                        self.rim[edge] = sides[side]

    def design(self) -> tuple[Design, dict[int, tuple[int, int]], frozenset[int]]:
        """All of it as a design, the strip's site of every edge that has one, and the edges that have none."""
        given = self.pattern.design
        crossed = Rim.CROSSED in (self.pattern.strip.lower_edge, self.pattern.strip.upper_edge)
        mesh = FreeMesh(
            tuple((x, y, 0.0) for x, y in self.points), tuple(self.faces), Rim.CROSSED if crossed else Rim.WALLED
        )
        number = edges_of(mesh)
        faces: dict[tuple[int, int], int] = {}
        for face in self.faces:
            for a, b in zip(face, (*face[1:], face[0])):
                edge = (min(a, b), max(a, b))
                faces[edge] = faces.get(edge, 0) + 1
        along: set[int] = set()
        across: set[int] = set()
        walls = {"h": {tuple(site) for site in given.breaks.horizontal}, "v": {tuple(s) for s in given.breaks.vertical}}
        for edge, (x, y, ahead) in self.site.items():
            for kind, sites in walls.items():
                if (x, y) in sites:
                    (along if (kind == "h") == bool(ahead) else across).add(number[edge])
        if crossed:
            for edge, times in faces.items():
                if times == 1 and self.rim.get(edge, Rim.WALLED) is Rim.WALLED:
                    along.add(number[edge])
        along -= across
        site = {number[edge]: (x, y) for edge, (x, y, _) in self.site.items()}
        whole = {number[edge] for edge in self.whole}
        blocks = frozenset(number.values()) - frozenset(site)
        breaks = Breaks(along=tuple(sorted(along)), across=tuple(sorted(across)))
        divided = _divided(mesh, breaks, self.pattern, site, whole)
        inner = [edge for edge, times in faces.items() if times == 2 or crossed]
        at_site: dict[tuple[int, int], list[int]] = {}
        for edge in inner:
            if number[edge] in site:
                at_site.setdefault(site[number[edge]], []).append(number[edge])
        prefer = tuple(
            _pass(edge, index)
            for x, y, index in self.pattern.preferred
            for edge in at_site.get((x, y), [])
            if edge not in along and edge not in across
        )
        return (
            replace(given, layout=mesh, breaks=breaks, divide=divided, weave=replace(given.weave, prefer=prefer)),
            site,
            blocks,
        )


def _pass(edge: int, index: int) -> Pass:
    """A pass of a free mesh, whose pass 1 is the rising one."""
    return Pass(edge, FREE, Way.RISING if index == 1 else Way.FALLING)


def _divided(
    mesh: FreeMesh, breaks: Breaks, pattern: Pattern, site: dict[int, tuple[int, int]], whole: set[int]
) -> Divide:
    """What is divided of a piece: in arms what the strip divides, between them what comes and goes as halves."""
    given = pattern.design.divide
    if not pattern.divided or (given.all and not whole):
        return given
    circuits = trace(lay_out(mesh, breaks))
    passes: list[Pass] = []
    for circuit in range(circuits.count):
        passes += _divided_along(circuits, circuit, pattern, site, whole)
    return Divide(passes=tuple(passes), rejoin=given.rejoin, gap=given.gap)


def _divided_along(
    circuits: Circuits, circuit: int, pattern: Pattern, site: dict[int, tuple[int, int]], whole: set[int]
) -> list[Pass]:
    first, last = int(circuits.visit_start[circuit]), int(circuits.visit_start[circuit + 1])
    visits = list(zip(circuits.visit_edge[first:last].tolist(), circuits.visit_pass[first:last].tolist(), strict=True))
    known: list[bool | None] = []
    for edge, index in visits:
        if edge in whole:
            known.append(False)
        elif edge in site:
            known.append((*site[edge], index) in pattern.divided)
        else:
            known.append(None)
    if all(one is None for one in known):
        halves = pattern.design.divide.all
        return [_pass(*visit) for visit in visits] if halves else []
    count = len(known)
    found = []
    for k, visit in enumerate(visits):
        state = known[k]
        if state is None:
            back = next(one for step in range(1, count + 1) if (one := known[k - step]) is not None)
            on = next(one for step in range(1, count + 1) if (one := known[(k + step) % count]) is not None)
            state = back and on
        if state:
            found.append(_pass(*visit))
    return found


def _piece(
    pattern: Pattern,
    name: str,
    part: Part,
    arms: list[_Arm],
    ports: list[Port],
    block: tuple[Point, dict[str, Rim]] | None = None,
    turn: float = 0.0,
) -> PieceDesign:
    cells = _Cells(pattern)
    for arm in arms:
        cells.add_arm(arm)
    if block is not None:
        cells.add_block(*block)
    design, site, blocks = cells.design()
    origin = ports[0].at
    moved = tuple(replace(p, at=_snapped((p.at[0] - origin[0], p.at[1] - origin[1]))) for p in ports)
    return PieceDesign(name, part, design, moved, origin, turn, site, blocks)


def straight(pattern: Pattern, name: str = "straight") -> PieceDesign:
    """One repeat of the strip, cut at its phase."""
    strip = pattern.strip
    length = strip.columns * strip.cell_width
    ports = (Port((0.0, 0.0), 180.0, False), Port(_snapped((length, 0.0)), 0.0, True))
    return PieceDesign(
        name, Part.STRAIGHT, pattern.design, ports, (pattern.phase / 2 * strip.cell_width, pattern.height / 2)
    )


def _down(c: float) -> int:
    return math.floor(c - GUARD)


def _up(c: float) -> int:
    return math.ceil(c + GUARD)


def cap_ahead(pattern: Pattern) -> PieceDesign:
    """Where a run ends."""
    c = pattern.behind
    arm = _Arm(0.0, (0.0, 0.0), _down(c), 0)
    return _piece(pattern, "cap-ahead", Part.CAP, [arm], [_port(pattern, arm, c, False)])


def cap_behind(pattern: Pattern) -> PieceDesign:
    """Where a run begins."""
    c = pattern.ahead
    arm = _Arm(0.0, (0.0, 0.0), 0, _up(c))
    return _piece(pattern, "cap-behind", Part.CAP, [arm], [_port(pattern, arm, c, True)])


def change(pattern: Pattern, divides: bool) -> PieceDesign:
    """Where divided strands begin to be divided, or stop: one side of a boundary between two repeats is plain."""
    behind, ahead = pattern.behind, pattern.ahead
    arm = _Arm(0.0, (0.0, 0.0), _down(behind), _up(ahead), 0)
    if divides:
        ports = [_port(pattern, arm, behind, False, "plain"), _port(pattern, arm, ahead, True)]
        return _piece(pattern, "change-divide", Part.CHANGE, [arm], ports)
    cells = _Cells(pattern)
    cells.add_arm(replace(arm, whole_before=None))
    cells.whole = {edge for edge in cells.site if _middle(cells, edge) > 1e-6}
    design, site, blocks = cells.design()
    ports = [_port(pattern, arm, behind, False), _port(pattern, arm, ahead, True, "plain")]
    origin = ports[0].at
    moved = tuple(replace(p, at=_snapped((p.at[0] - origin[0], p.at[1] - origin[1]))) for p in ports)
    return PieceDesign("change-unite", Part.CHANGE, design, moved, origin, 0.0, site, blocks)


def _middle(cells: _Cells, edge: tuple[int, int]) -> float:
    return (cells.points[edge[0]][0] + cells.points[edge[1]][0]) / 2


def corner(pattern: Pattern, turn: float) -> PieceDesign:
    """A turn by so many degrees, to the left where positive: square at 90 degrees, otherwise round."""
    inner = turn > 0
    name = f"corner-{'inner' if inner else 'outer'}-{abs(turn):03.0f}"
    if abs(turn) != round(abs(turn)):
        name = f"corner-{'inner' if inner else 'outer'}-{abs(turn):06.2f}".replace(".", "-")
    part = Part.INNER if inner else Part.OUTER
    if abs(turn) == 90.0:
        return _square(pattern, name, part, [turn], turn)
    strip = pattern.strip
    # an arc of the middle line, so wide that cells at its inner side are long enough
    angle, side = math.radians(abs(turn)), math.copysign(1.0, turn)
    radius = pattern.height / 2 / (1 - CROWDED)
    zone = radius * angle / 2
    cells = math.ceil(zone / strip.cell_width)
    behind = -_room(-pattern.phase / 2, pattern.columns, ROOM + cells)
    ahead = _room(pattern.phase / 2, pattern.columns, ROOM + cells)

    def bend(u: float, v: float) -> Point:
        if u <= -zone:
            return u, v
        along = min(angle, (u + zone) / radius)
        out = radius - side * v
        x, y = -zone + out * math.sin(along), side * (radius - out * math.cos(along))
        if u <= zone:
            return x, y
        on = u - zone
        return x + on * math.cos(angle), y + side * on * math.sin(angle)

    arm = _Arm(0.0, (0.0, 0.0), _down(behind), _up(ahead), bend=bend)
    before, after = _port(pattern, arm, behind, False), _port(pattern, arm, ahead, True)
    return _piece(pattern, name, part, [arm], [before, replace(after, heading=turn % 360.0)], turn=turn)


def tee(pattern: Pattern) -> PieceDesign:
    """A run that goes on, and one that leaves it to the left."""
    return _square(pattern, "tee", Part.TEE, [0.0, 90.0])


def cross(pattern: Pattern) -> PieceDesign:
    """Two runs that cross; the other one runs from right to left."""
    return _square(pattern, "cross", Part.CROSS, [0.0, 90.0], joins=True)


def _square(
    pattern: Pattern, name: str, part: Part, leaving: list[float], turn: float = 0.0, joins: bool = False
) -> PieceDesign:
    """A square block with a run that comes in from the left, and those that leave it."""
    high = pattern.height
    half = high / 2
    behind, ahead = pattern.behind, pattern.ahead
    arms = [_Arm(0.0, (-half, 0.0), _down(behind), 0)]
    ports = [_port(pattern, arms[0], behind, False)]
    sides = {"S": pattern.strip.lower_edge, "E": pattern.strip.lower_edge, "N": pattern.strip.lower_edge}
    if leaving == [-90.0]:
        sides = dict.fromkeys(sides, pattern.strip.upper_edge)
    for way in leaving:
        x, y = _turned((half, 0.0), way)
        arms.append(_Arm(way, (x, y), 0, _up(ahead)))
        ports.append(_port(pattern, arms[-1], ahead, True))
        del sides[{0.0: "E", 90.0: "N", -90.0: "S"}[way]]
    if joins:
        arms.append(_Arm(90.0, (0.0, -half), _down(behind), 0))
        ports.append(_port(pattern, arms[-1], behind, False))
        del sides["S"]
    return _piece(pattern, name, part, arms, ports, ((-half, -half), sides), turn)


def plain(design: Design) -> Design:
    """The same strip with no strand divided."""
    return replace(design, divide=Divide())


def divides(design: Design) -> bool:
    """Whether the strip divides anything."""
    return design.divide.all or bool(design.divide.circuits or design.divide.passes)
