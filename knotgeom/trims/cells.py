"""Flat meshes of cells for pieces that turn, branch or end: lengths of the strip and what joins them.

A mesh is gathered cell by cell; what the strip has at a site, breaks, wishes and divided strands, comes to be at every
edge of an arm that is this site.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..design import FREE, Breaks, Design, Divide, FreeMesh, Pass, Rim, Way
from ..layout import lay_out
from ..layout.free import edges_of
from ..trace import trace
from .pattern import Pattern
from .seams import turned

Point = tuple[float, float]
Edge = tuple[int, int]
"""By its two vertices, the lower first."""
Site = tuple[int, int]
"""Of the strip, in half cells."""


@dataclass(frozen=True, slots=True)
class Arm:
    """Cells ``first`` to ``last`` of the strip, turned by ``turn`` degrees, with c = 0 of its middle line at ``at``.

    ``whole`` is between which places along the run, in cells, strands are whole whatever the strip divides. ``bend``
    takes places along the run and to the left of it, mm, where an arm is not straight.
    """

    turn: float
    at: Point
    first: int
    last: int
    whole: tuple[float, float] = (0.0, 0.0)
    bend: Callable[[float, float], Point] | None = None


def placed(pattern: Pattern, arm: Arm, c: float, v: float) -> Point:
    """Where a place of an arm lies: ``c`` cells along, ``v`` mm to the left of the middle."""
    u = c * pattern.strip.cell_width
    if arm.bend is not None:
        return arm.bend(u, v)
    x, y = turned_point((u, v), arm.turn)
    return arm.at[0] + x, arm.at[1] + y


def turned_point(at: Point, degrees: float) -> Point:
    """A place turned about the origin."""
    x, y, _ = turned(np.array([*at, 0.0]), degrees).tolist()
    return x, y


class Cells:
    """Cells gathered to one mesh, with what is known of their edges."""

    def __init__(self, pattern: Pattern) -> None:
        self.pattern = pattern
        self.number: dict[tuple[int, int], int] = {}
        self.points: list[Point] = []
        self.faces: list[tuple[int, ...]] = []
        self.site: dict[Edge, Site] = {}
        self.whole: set[Edge] = set()

    def vertex(self, at: Point) -> int:
        """The vertex there."""
        key = (round(at[0] * 1e5), round(at[1] * 1e5))
        for near in ((key[0] + i, key[1] + j) for i in (0, -1, 1) for j in (0, -1, 1)):
            if near in self.number:
                return self.number[near]
        self.number[key] = len(self.points)
        self.points.append(at)
        return self.number[key]

    def add(self, corners: list[Point]) -> list[Edge]:
        """A cell, its corners anticlockwise from the lower left; its edges bottom, right, top, left."""
        face = tuple(self.vertex(at) for at in corners)
        self.faces.append(face)
        return _edges(face)

    def add_arm(self, arm: Arm) -> None:
        """The cells of an arm."""
        strip = self.pattern.strip
        wide, high = 2 * strip.columns, strip.cell_height

        def at(c: int, j: int) -> Point:
            return placed(self.pattern, arm, c, (j - strip.rows / 2) * high)

        for c in range(arm.first, arm.last):
            for j in range(strip.rows):
                edges = self.add([at(c, j), at(c + 1, j), at(c + 1, j + 1), at(c, j + 1)])
                x, y = 2 * c + 1, 2 * j + 1
                for edge, (sx, sy) in zip(edges, ((x, y - 1), (x + 1, y), (x, y + 1), (x - 1, y)), strict=True):
                    self.site.setdefault(edge, (sx % wide, sy))
                    if arm.whole[0] < sx / 2 < arm.whole[1]:
                        self.whole.add(edge)

    def add_block(self, corner: Point) -> None:
        """A square block of cells between arms, as wide as the strip is high."""
        n, high = self.pattern.strip.rows, self.pattern.strip.cell_height
        for i in range(n):
            for j in range(n):
                x, y = corner[0] + i * high, corner[1] + j * high
                self.add([(x, y), (x + high, y), (x + high, y + high), (x, y + high)])

    def design(self) -> tuple[Design, dict[int, Site], frozenset[int]]:
        """All of it as a design, the strip's site of every edge that has one, and the edges that have none."""
        given, rim = self.pattern.design, self.pattern.rim
        mesh = FreeMesh(tuple((x, y, 0.0) for x, y in self.points), tuple(self.faces), rim)
        number = edges_of(mesh)
        times = Counter(edge for face in self.faces for edge in _edges(face))
        site = {number[edge]: at for edge, at in self.site.items()}
        whole = {number[edge] for edge in self.whole}
        inner = {number[edge] for edge, faces in times.items() if faces == 2}
        # nothing crosses on the walled boundary, where a break is none
        crossed = sorted(site if rim is Rim.CROSSED else inner.intersection(site))
        walls = {tuple(one): 1 for one in given.breaks.horizontal} | {tuple(one): 0 for one in given.breaks.vertical}
        broken = {edge: walls[site[edge]] == site[edge][0] % 2 for edge in crossed if site[edge] in walls}
        breaks = Breaks(
            along=tuple(edge for edge, follows in broken.items() if follows),
            across=tuple(edge for edge, follows in broken.items() if not follows and edge in inner),
        )
        prefer = tuple(
            _pass(edge, index) for x, y, index in self.pattern.preferred for edge in crossed if site[edge] == (x, y)
        )
        return (
            replace(
                given,
                layout=mesh,
                breaks=breaks,
                divide=_divided(mesh, breaks, self.pattern, site, whole),
                weave=replace(given.weave, prefer=prefer),
            ),
            site,
            frozenset(number.values()) - frozenset(site),
        )


def _edges(face: Sequence[int]) -> list[Edge]:
    return [(min(a, b), max(a, b)) for a, b in zip(face, (*face[1:], face[0]), strict=True)]


def _pass(edge: int, index: int) -> Pass:
    """A pass of a free mesh, whose pass 1 is the rising one."""
    return Pass(edge, FREE, Way.RISING if index == 1 else Way.FALLING)


def _divided(mesh: FreeMesh, breaks: Breaks, pattern: Pattern, site: dict[int, Site], whole: set[int]) -> Divide:
    """What is divided of a piece: in arms what the strip divides, between them what comes and goes as halves."""
    given = pattern.design.divide
    if not pattern.divided or (given.all and not whole):
        return given
    circuits = trace(lay_out(mesh, breaks))
    passes: list[Pass] = []
    for first, last in zip(circuits.visit_start[:-1].tolist(), circuits.visit_start[1:].tolist(), strict=True):
        edges, indices = circuits.visit_edge[first:last].tolist(), circuits.visit_pass[first:last].tolist()
        visits = list(zip(edges, indices, strict=True))
        known = [
            (*site[edge], index) in pattern.divided and edge not in whole if edge in site else None
            for edge, index in visits
        ]
        before, after = _carried(known), _carried(known[::-1])[::-1]
        passes += [_pass(*one) for one, back, on in zip(visits, before, after, strict=True) if back and on]
    return Divide(passes=tuple(passes), rejoin=given.rejoin, gap=given.gap)


def _carried(known: Iterable[bool | None]) -> list[bool]:
    """Round a circuit, what each place is known for, or else the last one before it that is known for anything."""
    known = list(known)
    last = next((one for one in reversed(known) if one is not None), False)
    out = []
    for one in known:
        last = last if one is None else one
        out.append(last)
    return out
