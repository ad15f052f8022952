"""The one table that says what a design file may hold, key by key: reader, writer and schema follow from it."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

from . import design as d
from .carving.form import CARVE
from .errors import DesignError
from .forms import (
    NEEDED,
    ByKey,
    Choice,
    Colour,
    Either,
    Flag,
    Key,
    Keys,
    Many,
    Number,
    OneOf,
    Row,
    Text,
    Whole,
    refuse,
    shown,
)
from .layout.check import MOST_CELLS
from .printing.form import PRINT
from .trims.form import TRIM

_MOST_MM = 1e6
_LEAST_MM = 1e-3

SIZE = Number("mm", least=_LEAST_MM, most=_MOST_MM)
DISTANCE = Number("mm", least=0, most=_MOST_MM)
PLACE = Whole(0, 2 * MOST_CELLS)
SITE = Row((PLACE, PLACE), "a site [x, y] in half cells", d.Site)
SITES = Many(SITE, most=2 * MOST_CELLS)  # as many as the largest layout has


class _PassRow(Row):
    """A pass, in the manner of layouts in half cells or of free meshes."""

    def read(self, value: object, place: str) -> Any:
        if isinstance(value, list) and len(value) == 2 and value[1] in (0, 1):
            edge, index = _FREE_PASS.read(value, place)
            return d.Pass(edge, d.FREE, d.Way.RISING if index else d.Way.FALLING)
        return super().read(value, place)

    def write(self, value: Any) -> Any:
        if isinstance(value, tuple) and len(value) == 3 and value[1] == d.FREE:
            return [value[0], int(value[2] is d.Way.RISING)]
        return super().write(value)

    def write_rows(self, rows: Sequence[Any]) -> list[Any]:
        if any(isinstance(row, tuple) and len(row) > 1 and row[1] == d.FREE for row in rows):
            return [self.write(row) for row in rows]
        return super().write_rows(rows)

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [super().schema(), _FREE_PASS.schema()]}


_FREE_PASS = Row((PLACE, Whole(0, 1)), "a pass [edge, 0] or [edge, 1] of a free mesh")
PASS = _PassRow((PLACE, PLACE, Choice(d.Way)), 'a pass [x, y, "rising"] or [x, y, "falling"]', d.Pass)
PASSES = Many(PASS, most=4 * MOST_CELLS)
COORDINATE = Number(least=-_MOST_MM, most=_MOST_MM)
OUTLINE = Many(Row((COORDINATE, COORDINATE), "a point [x, y]"), fewest=3, most=1000)


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

EDGES = Many(PLACE, most=2 * MOST_CELLS)
BREAKS = Keys(
    d.Breaks,
    {
        "horizontal": Key(SITES, "Sites with a short horizontal wall: strands come back reversed in y."),
        "vertical": Key(SITES, "Sites with a short vertical wall: strands come back reversed in x."),
        "along": Key(EDGES, "On a free mesh: edges with a break along them."),
        "across": Key(EDGES, "On a free mesh: edges with a break across them."),
    },
)

DIVIDE = Keys(
    d.Divide,
    {
        "circuits": Key(PASSES, "Divides the whole circuit through each of these passes."),
        "passes": Key(PASSES, "Divides only at these crossings."),
        "all": Key(Flag(), "Divides everything, loops without a crossing too. Default false."),
        "rejoin": Key(
            Choice(d.Rejoin),
            "Where halves run as one again: nowhere, on steps that touch a break or the boundary, on every step. "
            'Default "none".',
        ),
        "gap": Key(DISTANCE, "Open background between two halves in mm; 0 is an incised line. Default 0.2 widths."),
    },
)

WEAVE = Keys(
    d.Weave,
    {
        "hand": Key(Choice(d.Hand), 'Which of a weave and its mirror image. Default "right".'),
        "prefer": Key(PASSES, "Passes wished over, kept where a weave with fewest exceptions allows."),
    },
)

TURN = Choice(d.Turn)
STRAND = Keys(
    d.Strand,
    {
        "width": Key(SIZE, "Width over both halves in mm. Default 0.45 of the smaller side of a cell."),
        "thickness": Key(SIZE, "Thickness in mm. Default 0.3 widths."),
        "section": Key(
            Either(
                {
                    str: Choice(d.Section),
                    dict: Keys(
                        lambda points: points,
                        {"points": Key(OUTLINE, "The closed outline, scaled to width x thickness.", NEEDED)},
                        lambda points: {"points": points},
                    ),
                }
            ),
            "The strand cut across: a named shape, or an outline whose top and bottom each have one height at every "
            'place across the strand. Default "flat".',
        ),
        "groove": Key(
            Keys(
                d.Groove,
                {
                    "depth": Key(SIZE, "Depth in mm. Default 0.3 thicknesses."),
                    "angle_deg": Key(Number("degrees", above=0, below=180), "Angle between its walls. Default 75."),
                },
            ),
            "The incised line of a median-incised section.",
        ),
        "circuits": Key(
            Many(
                Keys(
                    d.CircuitStyle,
                    {
                        "through": Key(PASS, "A pass of the circuit.", NEEDED),
                        "width": Key(SIZE, "Its width in mm. Default the strand's."),
                        "colour": Key(Colour(), "Its colour in pictures and in Blender. Default none of its own."),
                    },
                ),
                most=4 * MOST_CELLS,
            ),
            "Circuits with a width or a colour of their own.",
        ),
        "turns": Key(
            Keys(
                d.Turns,
                {
                    "corners": Key(TURN, 'At the corners of the layout. Default "pointed".'),
                    "borders": Key(TURN, 'Along its borders. Default "round".'),
                    "breaks": Key(TURN, 'At breaks. Default "round".'),
                },
            ),
            "How strands turn back.",
        ),
    },
)

HEIGHTS = Keys(
    d.Heights,
    {
        "way": Key(
            Choice(d.Making),
            "What keeps strands apart at a crossing: free strands never touch; fused ones are one piece, carved ones "
            'one relief, with a visible step. Default "free".',
        ),
        "clearance": Key(DISTANCE, "Least distance between free strands in mm. Default 0.2."),
        "step": Key(SIZE, "Visible step at a crossing in mm. Default 0.3 thicknesses."),
        "slope_limit_deg": Key(Number("degrees", above=0, below=90), "Steepest climb allowed. Default none."),
        "depth_limit": Key(SIZE, "Overall depth allowed in mm. Default none."),
    },
)

MAKE = Keys(
    d.Make,
    {
        "carve": Key(CARVE, "The relief and its board, for carving."),
        "print": Key(PRINT, "The solid and its fittings, for printing and casting."),
        "trim": Key(TRIM, "The kit of trim pieces, for games."),
    },
)


def _design(interlace: int, layout: d.Layouts, **rest: Any) -> d.Design:
    return d.Design(layout, **rest)


def _design_keys(design: d.Design) -> Mapping[str, Any]:
    return {"interlace": d.SCHEMA} | {key: getattr(design, key) for key in DESIGN.keys if key != "interlace"}


DESIGN = Keys(
    _design,
    {
        "interlace": Key(Whole(d.SCHEMA, d.SCHEMA), "Version of the design file.", NEEDED),
        "layout": Key(LAYOUT, "What the interlace is set out on.", NEEDED),
        "breaks": Key(BREAKS, "Sites where strands turn back. x + y is odd; [x, y] counts half cells.", d.Breaks()),
        "divide": Key(DIVIDE, "Strands that run as two halves.", d.Divide()),
        "weave": Key(WEAVE, "Over and under.", d.Weave()),
        "strand": Key(STRAND, "The strand and its turns.", d.Strand()),
        "heights": Key(HEIGHTS, "How strands rise and fall.", d.Heights()),
        "make": Key(MAKE, "What is made of the strands.", d.Make()),
    },
    _design_keys,
)
"""The design file."""
