"""What is impossible on a layout: shapes that do not close, and entries that name no site of it.

Grids have a check of their own in :mod:`knotgeom.reading`, made for hundreds of thousands of entries.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..design import FREE, Border, Breaks, Design, FreeMesh, Pass, Rim, Ring, Site, Sphere, Strip, Turned, Way
from ..errors import DesignError
from .free import check_mesh, edges_of

MOST_CELLS = 250_000
"""Cells that a layout may have, those left out included."""


def check_shape(layout: Ring | Strip | Border | FreeMesh) -> None:
    """Refuse a shape that is none.

    Raises
    ------
    DesignError
    """
    match layout:
        case Ring():
            _check_count(layout.sectors * layout.rows, "layout.ring")
            if layout.inner >= layout.outer:
                raise DesignError(
                    f"the inner radius, {layout.inner:g} mm, is not under the outer, {layout.outer:g} mm",
                    f"give less than {layout.outer:g} mm",
                    "layout.ring.inner",
                )
            if layout.inner == 0 and layout.sectors < 3:
                raise DesignError(
                    f"a wheel of {layout.sectors} sectors is none", "give at least 3", "layout.ring.sectors"
                )
            if layout.inner == 0 and layout.inner_edge is Rim.CROSSED:
                raise DesignError(
                    "a wheel has no inner edge to cross", "leave inner_edge out", "layout.ring.inner_edge"
                )
        case Strip():
            total = layout.columns * layout.repeats
            _check_count(total * layout.rows, "layout.strip")
            if total < 2:
                raise DesignError("one cell cannot be joined to itself", "give 2 or more in all", "layout.strip")
            _check_wrapped(layout)
        case Border():
            round_about = layout.inside[0] * layout.inside[1] if layout.polygon else 2 * sum(layout.inside)
            _check_count((round_about + 4 * layout.deep) * layout.deep, "layout.border")
        case _:
            _check_count(len(layout.faces), "layout.mesh")
            check_mesh(layout)


def _check_wrapped(strip: Strip) -> None:
    high = strip.rows * strip.cell_height
    match strip.surface:
        case Sphere(diameter=diameter):
            most = 0.9 * math.pi * diameter / 2
            if high >= most:
                raise DesignError(
                    f"rows {high:g} mm high in all reach round the poles of a sphere of {diameter:g} mm",
                    f"give less than {most:.4g} mm, or a larger sphere",
                    "layout.strip.cell",
                )
        case Turned(profile=profile):
            for index, (a, b) in enumerate(zip(profile, profile[1:])):
                if abs(a[0] - b[0]) + abs(a[1] - b[1]) < 1e-6:
                    raise DesignError(
                        "two points of the profile are one",
                        "leave one out",
                        f"layout.strip.surface.turned[{index + 1}]",
                    )


def _check_count(cells: int, place: str) -> None:
    if cells > MOST_CELLS:
        raise DesignError(f"{cells:,} cells", f"give at most {MOST_CELLS:,}", place)


def check_entries(design: Design) -> None:
    """Refuse breaks, passes and wishes that name no site of a ring, strip, mitred border or free mesh.

    Raises
    ------
    DesignError
        The first entry that is wrong.
    """
    layout, breaks = design.layout, design.breaks
    passes: dict[str, Sequence[Pass]] = {
        "divide.circuits": design.divide.circuits,
        "divide.passes": design.divide.passes,
        "weave.prefer": design.weave.prefer,
        "strand.circuits": tuple(style.through for style in design.strand.circuits),
    }
    if isinstance(layout, FreeMesh):
        _check_free(layout, breaks, passes)
        return
    assert isinstance(layout, Ring | Strip | Border)
    frame = _Frame(layout)
    for name, edges in (("along", breaks.along), ("across", breaks.across)):
        if edges:
            raise DesignError(
                f"{edges[0]} is an edge, and this layout's sites are [x, y]",
                "name breaks as horizontal or vertical",
                f"breaks.{name}",
            )
    broken: dict[Site, str] = {}
    for line, sites in (("horizontal", breaks.horizontal), ("vertical", breaks.vertical)):
        for index, site in enumerate(sites):
            place = f"breaks.{line}[{index}]"
            frame.check(site, place, "a break", rim=line == "horizontal")
            if site in broken:
                raise DesignError(
                    f"[{site[0]}, {site[1]}] is also {broken[site]}", "keep it in one of the two lists", place
                )
            broken[site] = place
    for name, entries in passes.items():
        for index, at in enumerate(entries):
            place = f"{name}[{index}]"
            frame.check(at.site, place, "a pass", rim=True)
            _refuse_broken(at, at.site in broken, place)


class _Frame:
    """The sites of a layout whose cells go round."""

    def __init__(self, layout: Ring | Strip | Border) -> None:
        self.low, self.high = Rim.WALLED, Rim.WALLED
        self.least = 0
        match layout:
            case Ring():
                self.wide, self.tall = 2 * layout.sectors, 2 * layout.rows
                self.low, self.high = layout.inner_edge, layout.outer_edge
                self.least = int(layout.inner == 0)
            case Strip():
                self.wide, self.tall = 2 * layout.columns, 2 * layout.rows
                self.low, self.high = layout.lower_edge, layout.upper_edge
            case _:
                count = layout.inside[0] * layout.inside[1] if layout.polygon else 2 * sum(layout.inside)
                self.wide, self.tall = 2 * count, 2 * layout.deep

    def check(self, site: Sequence[int], place: str, what: str, rim: bool) -> None:
        """Refuse what is no site, or is on a walled boundary; or on any boundary where ``rim`` is false."""
        x, y = site
        problem = ""
        if y == FREE:
            problem = "is an edge's name, and this layout's sites are [x, y]"
        elif not (0 <= x < self.wide and self.least <= y <= self.tall):
            problem = "lies off the layout"
        elif (x + y) % 2 == 0:
            problem = "has x + y even, which is no site"
        elif y in (0, self.tall) and not self.least > y:
            if (self.low if y == 0 else self.high) is Rim.WALLED:
                problem = "lies on the boundary of the layout"
            elif not rim:
                problem = "lies on the boundary, where a break across it is none"
        if problem:
            raise DesignError(
                f"[{x}, {y}] {problem}" if y != FREE else f"[{x}] {problem}",
                f"give {what} a site with x + y odd, x from 0 to {self.wide - 1:,} and y from 1 to {self.tall - 1:,}"
                + (" or on a crossed edge" if Rim.CROSSED in (self.low, self.high) else ""),
                place,
            )


def _check_free(mesh: FreeMesh, breaks: Breaks, passes: dict[str, Sequence[Pass]]) -> None:
    number = edges_of(mesh)
    count = [0] * len(number)
    for face in mesh.faces:
        for a, b in zip(face, (*face[1:], face[0])):
            count[number[min(a, b), max(a, b)]] += 1
    for name, sites in (("horizontal", breaks.horizontal), ("vertical", breaks.vertical)):
        if sites:
            raise DesignError(
                f"{name} breaks belong to layouts in cells", "name edges as along or across", f"breaks.{name}[0]"
            )
    broken: dict[int, str] = {}
    for name, edges in (("along", breaks.along), ("across", breaks.across)):
        for index, edge in enumerate(edges):
            place = f"breaks.{name}[{index}]"
            _check_edge(edge, count, place)
            if count[edge] == 1 and (name == "across" or mesh.boundary is Rim.WALLED):
                raise DesignError(
                    f"edge {edge} lies on the boundary of the layout",
                    f"give a break {name} an edge between two faces",
                    place,
                )
            if edge in broken:
                raise DesignError(f"edge {edge} is also {broken[edge]}", "keep it in one of the two lists", place)
            broken[edge] = place
    for name, entries in passes.items():
        for index, at in enumerate(entries):
            place = f"{name}[{index}]"
            if at.y != FREE:
                raise DesignError(
                    f'[{at.x}, {at.y}, "{at.way.value}"] belongs to layouts in cells',
                    "name a pass as [edge, 0] or [edge, 1]",
                    place,
                )
            _check_edge(at.x, count, place)
            if count[at.x] == 1 and mesh.boundary is Rim.WALLED:
                raise DesignError(
                    f"edge {at.x} lies on the boundary, where no strands cross", "name an edge between two faces", place
                )
            _refuse_broken(at, at.x in broken, place)


def _check_edge(edge: int, count: list[int], place: str) -> None:
    if not 0 <= edge < len(count):
        raise DesignError(f"edge {edge} is none of the mesh", f"edges run from 0 to {len(count) - 1:,}", place)


def _refuse_broken(at: Pass, broken: bool, place: str) -> None:
    if broken:
        name = f"[{at.x}, {int(at.way is Way.RISING)}]" if at.y == FREE else f'[{at.x}, {at.y}, "{at.way.value}"]'
        raise DesignError(
            f"{name} goes through a break, where no strands cross",
            "name a crossing, or take the break away",
            place,
        )
