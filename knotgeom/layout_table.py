"""The part of the table of a design file that says what knots are set out on: one entry for each layout."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from . import design as d
from .errors import DesignError
from .forms import NEEDED, ByKey, Choice, Either, Flag, Key, Keys, Many, Number, OneOf, Row, Text, Whole, refuse, shown
from .layout.check import MOST_CELLS

_MOST_MM = 1e6
_LEAST_MM = 1e-3

SIZE = Number("mm", least=_LEAST_MM, most=_MOST_MM)
DISTANCE = Number("mm", least=0, most=_MOST_MM)
PLACE = Whole(0, 2 * MOST_CELLS)
SITE = Row((PLACE, PLACE), "a site [x, y] in half cells", d.Site)
SITES = Many(SITE, most=2 * MOST_CELLS)  # as many as the largest layout has
COORDINATE = Number(least=-_MOST_MM, most=_MOST_MM)


def _grid(
    grid: tuple[int, int],
    cell: float | tuple[float, float],
    without: tuple[tuple[int, int], ...] = (),
) -> d.Grid:
    width, height = cell if isinstance(cell, tuple) else (cell, cell)
    return d.Grid(*grid, width, height, without)


def _grid_keys(grid: d.Grid) -> Mapping[str, Any]:
    square = grid.cell_width == grid.cell_height
    return {
        "grid": (grid.columns, grid.rows),
        "cell": grid.cell_width if square else (grid.cell_width, grid.cell_height),
        "without": grid.without,
    }


GRID = Keys(
    _grid,
    {
        "grid": Key(
            Row((Whole(1, MOST_CELLS), Whole(1, MOST_CELLS)), "[columns, rows]"),
            "Columns and rows of cells.",
            NEEDED,
        ),
        "cell": Key(
            Either({float: SIZE, list: Row((SIZE, SIZE), "[width, height] in mm")}),
            "Side of a cell, or its width and height, in mm.",
            NEEDED,
        ),
        "without": Key(
            Many(
                Row((Whole(0, MOST_CELLS), Whole(0, MOST_CELLS)), "a cell [column, row]"),
                most=MOST_CELLS,
            ),
            "Cells left out, [column, row] from the lower left, counted from 0.",
            (),
        ),
    },
    _grid_keys,
)

RIM = Choice(d.Rim)
COUNT = Whole(1, MOST_CELLS)
CELL = Either({float: SIZE, list: Row((SIZE, SIZE), "[width, height] in mm")})
CELLS = Row((COUNT, COUNT), "[columns, rows]")


def _named(name: str, form: Keys) -> Keys:
    """A layout kept whole under one key."""
    return Keys(lambda **kept: kept[name], {name: Key(form, _ABOUT[name], NEEDED)}, lambda value: {name: value})


_ABOUT = {
    "ring": "Sectors and rows of cells between two circles.",
    "strip": "Cells that repeat along their length, the last joined to the first.",
    "border": "A frame of cells round an opening.",
    "mesh": "A polygon mesh; every edge is a site.",
    "panel": "Finished knots set side by side and joined.",
}
DOME = Keys(
    lambda dome: d.Dome(rise=dome),
    {"dome": Key(SIZE, "How far the middle stands above the rim, mm.", NEEDED)},
    lambda v: {"dome": v.rise},
)
RING = Keys(
    d.Ring,
    {
        "sectors": Key(COUNT, "Cells round the ring.", NEEDED),
        "rows": Key(COUNT, "Cells across it.", NEEDED),
        "inner": Key(DISTANCE, "Inner radius in mm; 0 for a wheel about a hub.", NEEDED),
        "outer": Key(SIZE, "Outer radius in mm.", NEEDED),
        "inner_edge": Key(RIM, 'Whether strands turn back at the inner edge or cross on it. Default "walled".'),
        "outer_edge": Key(RIM, 'The same at the outer edge. Default "walled".'),
        "surface": Key(DOME, "The surface that the ring lies on. Default the plane.", None),
    },
)


WRAPPED = ByKey(
    {
        "cylinder": Keys(
            lambda cylinder: d.Cylinder(),
            {"cylinder": Key(Flag(), "True: the strip is bent round into a ring of its own length.", NEEDED)},
            lambda v: {"cylinder": True},
        ),
        "sphere": Keys(
            lambda sphere: d.Sphere(diameter=sphere),
            {"sphere": Key(SIZE, "Diameter in mm; the strip's middle line is its equator.", NEEDED)},
            lambda v: {"sphere": v.diameter},
        ),
        "turned": Keys(
            lambda turned: d.Turned(profile=turned),
            {
                "turned": Key(
                    Many(Row((SIZE, COORDINATE), "a point [radius, height] in mm"), fewest=2, most=200),
                    "The profile of a turned form, from the strip's lower edge to its upper one.",
                    NEEDED,
                )
            },
            lambda v: {"turned": v.profile},
        ),
    },
    lambda v: {d.Cylinder: "cylinder", d.Sphere: "sphere", d.Turned: "turned"}.get(type(v), ""),
)


def _strip(cells: tuple[int, int], cell: float | tuple[float, float], surface: Any = None, **rest: Any) -> d.Strip:
    width, height = cell if isinstance(cell, tuple) else (cell, cell)
    return d.Strip(*cells, width, height, surface=surface, **rest)


def _strip_keys(strip: d.Strip) -> Mapping[str, Any]:
    square = strip.cell_width == strip.cell_height
    return {
        "cells": (strip.columns, strip.rows),
        "cell": strip.cell_width if square else (strip.cell_width, strip.cell_height),
        "repeats": strip.repeats,
        "lower_edge": strip.lower_edge,
        "upper_edge": strip.upper_edge,
        "surface": strip.surface,
    }


STRIP = Keys(
    _strip,
    {
        "cells": Key(CELLS, "Columns and rows of one repeat.", NEEDED),
        "cell": Key(CELL, "Side of a cell, or its width and height, in mm.", NEEDED),
        "repeats": Key(COUNT, "How often it repeats. Default once.", 1),
        "lower_edge": Key(
            RIM, 'Whether strands turn back at the lower edge or cross on it. Default "walled".', d.Rim.WALLED
        ),
        "upper_edge": Key(RIM, 'The same at the upper edge. Default "walled".', d.Rim.WALLED),
        "surface": Key(WRAPPED, "The surface that it is laid round. Default none: flat.", None),
    },
    _strip_keys,
)


def _border(rows: int, cell: float, inside: Any = None, sides: Any = None, corners: Any = None) -> d.Border:
    if (inside is None) == (sides is None):
        raise DesignError(
            "a border has either inside or sides",
            "give inside: [columns, rows] of its opening, or sides: [cells along each, number of sides]",
            "layout.border",
        )
    if sides is not None:
        if corners is d.Corners.SQUARE and sides[1] != 4:
            raise DesignError(
                f"a frame of {sides[1]} sides has no square corners", 'give corners: "mitred"', "layout.border.corners"
            )
        return d.Border(sides, rows, cell, True, d.Corners.MITRED)
    return d.Border(inside, rows, cell, False, corners or d.Corners.SQUARE)


BORDER = Keys(
    _border,
    {
        "inside": Key(CELLS, "Columns and rows of its rectangular opening.", None),
        "sides": Key(
            Row((COUNT, Whole(3, 1000)), "[cells along each side, number of sides]"),
            "In place of inside: an opening that is a regular polygon.",
            None,
        ),
        "rows": Key(COUNT, "Cells across the frame.", NEEDED),
        "cell": Key(SIZE, "Side of a cell in mm.", NEEDED),
        "corners": Key(
            Choice(d.Corners),
            "Square blocks at the corners, or cells spreading to a mitre. Default square for a rectangle; a polygon is "
            "mitred.",
            None,
        ),
    },
    lambda v: {
        "inside": None if v.polygon else v.inside,
        "sides": v.inside if v.polygon else None,
        "rows": v.deep,
        "cell": v.cell,
        "corners": None if v.polygon or v.corners is d.Corners.SQUARE else v.corners,
    },
)

VERTEX = Row((COORDINATE, COORDINATE, COORDINATE), "a vertex [x, y, z] in mm")


@dataclasses.dataclass(frozen=True)
class _Faces:
    """Faces of a mesh: each a list of vertex numbers."""

    wanted: str = "a list of faces, each a list of at least 3 vertex numbers"

    def read(self, value: object, place: str) -> Any:
        if not isinstance(value, list) or len(value) > MOST_CELLS:
            raise refuse(self, value, place)
        for index, face in enumerate(value):
            if not isinstance(face, list) or not all(type(v) is int and 0 <= v <= 4 * MOST_CELLS for v in face):
                raise DesignError(
                    f"found {shown(face)}", "give a list of at least 3 vertex numbers", f"{place}[{index}]"
                )
        return tuple(map(tuple, value))

    def write(self, value: Any) -> Any:
        return [list(face) for face in value] if isinstance(value, tuple | list) else value

    def holds(self, value: object) -> bool:
        return isinstance(value, tuple | list)

    def schema(self) -> dict[str, Any]:
        return {
            "type": "array",
            "items": {"type": "array", "items": {"type": "integer", "minimum": 0}, "minItems": 3},
        }


def _mesh(vertices: Any = (), faces: Any = (), boundary: d.Rim = d.Rim.WALLED, file: str | None = None) -> d.FreeMesh:
    if (file is None) == (not faces):
        raise DesignError("a mesh has either a file or vertices and faces", "give one of the two", "layout.mesh")
    return d.FreeMesh(vertices, faces, boundary, file)


MESH = Keys(
    _mesh,
    {
        "file": Key(Text("the name of an OBJ or PLY file"), "Mesh file beside the design, in mm.", None),
        "vertices": Key(Many(VERTEX, most=4 * MOST_CELLS, repeats=True), "Vertices [x, y, z] in mm.", ()),
        "faces": Key(_Faces(), "Faces, anticlockwise seen from outside.", ()),
        "boundary": Key(
            RIM, 'Whether strands turn back at the boundary or cross on it. Default "walled".', d.Rim.WALLED
        ),
    },
    lambda v: {
        "file": v.file,
        "vertices": () if v.file else v.vertices,
        "faces": () if v.file else v.faces,
        "boundary": v.boundary,
    },
)

PIECE = Keys(
    d.Piece,
    {
        "file": Key(Text("the name of a design file"), "Design file of the piece, beside the panel's.", NEEDED),
        "at": Key(
            Row((COORDINATE, COORDINATE), "[x, y] in mm"), "Where its lower left corner lies, mm. Default [0, 0]."
        ),
        "turn": Key(
            OneOf((0, 90, 180, 270)), "Degrees that it is turned anticlockwise, after being mirrored. Default 0."
        ),
        "mirror": Key(Flag(), "Whether it is mirrored left to right. Default false."),
    },
)
PANEL = Keys(
    d.Panel,
    {
        "pieces": Key(Many(PIECE, fewest=1, most=1000), "The knots.", NEEDED),
        "joins": Key(
            Either({str: Choice(d.Joins), list: SITES}),
            'Where strands run on from one into the next: "all" sites where pieces touch, "middle" of each seam, or '
            "sites in half cells from the panel's lower left corner.",
            NEEDED,
        ),
    },
)
_KINDS = {d.Grid: "grid", d.Ring: "ring", d.Strip: "strip", d.Border: "border", d.FreeMesh: "mesh", d.Panel: "panel"}
LAYOUT = ByKey(
    {
        "grid": GRID,
        "ring": _named("ring", RING),
        "strip": _named("strip", STRIP),
        "border": _named("border", BORDER),
        "mesh": _named("mesh", MESH),
        "panel": _named("panel", PANEL),
    },
    lambda value: _KINDS.get(type(value), ""),
)
