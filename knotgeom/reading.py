"""Design files: reading them strictly, writing them, checking what they say, and their JSON Schema.

:data:`DESIGN` is the one description of a design file. `read_text`, `write_text` and `schema` follow it. What one
value alone cannot show (that a break lies on the layout, that a strand fits its pitch) is looked at by `check`, which
also takes a design that was made in memory.
"""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import gc
import itertools
import json
import math
import os
import re
import stat
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import design as d
from . import sizing
from .carving.form import CARVE
from .errors import DesignError
from .files.incoming import read_mesh
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
    Object,
    OneOf,
    Row,
    Text,
    Whole,
    number_text,
    printable,
    refuse,
    shown,
)
from .layout.check import check_entries, check_shape
from .printing.form import PRINT
from .resolve import grid_of, is_square, resolved
from .trims.form import TRIM

MOST_CELLS = 250_000
"""Cells that a layout may have, those left out included."""

MOST_BYTES = 16 * 2**20
"""Size that a design file may have; every break and pass of the largest layout that people draw fits well within."""

_MOST_MM = 1e6
_LEAST_MM = 1e-3
_MOST_KEYS = 1000
_DEEPEST_PANEL = 8  # panels within panels
_DEEPEST = 50  # of brackets; what is less deep is refused for what it is
_LONG_DIGITS = re.compile(r"[0-9]{299}")
_LINE = 110  # characters after which a written list goes on on the next line

# ------------------------------------------------------------------------------------------- the table of the file

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
    return Keys(lambda **kept: kept[name], {name: Key(form, form_about[name], NEEDED)}, lambda value: {name: value})


form_about = {
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


def schema() -> dict[str, Any]:
    """JSON Schema of the design file (draft 2020-12): its shape and ranges, without what `check` adds."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Interlace design",
        "description": "Lengths are in mm. Numbers are finite and keys are not repeated.",
        **DESIGN.schema(),
    }


def schema_text() -> str:
    """The schema as it is kept in ``shared/interlace.schema.json``."""
    return json.dumps(schema(), indent=2, ensure_ascii=False) + "\n"


# ---------------------------------------------------------------------------------------------- reading and writing


def read_file(path: str | os.PathLike[str]) -> d.Design:
    """Read and check a design file.

    Raises
    ------
    DesignError
        The file cannot be read, is no design, or its design is impossible. Names the file and the place in it.
    """
    name = printable(os.fspath(path), 400)
    try:
        data = _bytes(Path(path))
    except (OSError, ValueError) as error:  # ValueError: a null character in the path
        raise _unreadable(error, name) from None
    return read_text(data, name, Path(path).resolve().parent)


def read_text(text: str | bytes, file: str = "", folder: Path | None = None) -> d.Design:
    """Read and check a design from JSON text, or from its UTF-8 bytes.

    Parameters
    ----------
    text : str or bytes
    file : str
        The name that errors give as the source.
    folder : Path, optional
        Where files that the design names are looked for; without it a design that names any is refused.

    Raises
    ------
    DesignError
        The text is no design, or its design is impossible.

    >>> read_text('{"interlace": 1, "layout": {"grid": [2, 3], "cell": 10}}').layout.rows
    3
    """
    try:
        with _uncollected():
            value = _parsed(text)
            _refuse_other_version(value)
            design: d.Design = loaded(DESIGN.read(value, ""), folder)
            _check_meaning(design)
    except DesignError as error:
        raise error.within(file) from None
    return design


def loaded(design: d.Design, folder: Path | None, within: tuple[Path, ...] = ()) -> d.Design:
    """A design with what its layout names read in: the pieces of a panel, or a mesh.

    Parameters
    ----------
    folder : Path or None
        Nothing outside it is read.
    within : tuple of Path
        The panels that this design is a piece of.

    Raises
    ------
    DesignError
        A file is not there, lies outside the folder, cannot be read, or is a panel that has itself for a piece.
    """
    layout = design.layout
    if isinstance(layout, d.FreeMesh) and layout.file is not None and not layout.faces:
        path = _beside(layout.file, folder, "layout.mesh.file")
        try:
            vertices, faces = read_mesh(path)
        except DesignError as error:
            raise DesignError(f'in "{printable(layout.file)}": {error}', "mend that mesh", "layout.mesh.file") from None
        except OSError as error:
            raise _unreadable(error, printable(layout.file, 400)) from None
        return dataclasses.replace(design, layout=dataclasses.replace(layout, vertices=vertices, faces=faces))
    if not isinstance(layout, d.Panel):
        return design
    if len(within) > _DEEPEST_PANEL:
        raise DesignError("panels of panels are nested too deeply", f"nest at most {_DEEPEST_PANEL}", "layout.panel")
    pieces = []
    known: dict[Path, d.Design] = {}
    for index, piece in enumerate(layout.pieces):
        if piece.design is not None:
            pieces.append(piece)
            continue
        place = f"layout.panel.pieces[{index}].file"
        path = _beside(piece.file, folder, place)
        if path in within:
            raise DesignError(f'the panel "{printable(piece.file)}" has itself for a piece', "name another file", place)
        if path not in known:
            try:
                value = _parsed(_bytes(path))
                _refuse_other_version(value)
                inner = loaded(DESIGN.read(value, ""), folder, (*within, path))
                _check_meaning(inner)
            except (OSError, ValueError) as error:
                if isinstance(error, DesignError):
                    raise DesignError(f'in "{printable(piece.file)}": {error}', "mend that design", place) from None
                raise _unreadable(error, printable(piece.file, 400)) from None
            known[path] = inner
        pieces.append(dataclasses.replace(piece, design=known[path]))
    return dataclasses.replace(design, layout=dataclasses.replace(layout, pieces=tuple(pieces)))


def _beside(name: str, folder: Path | None, place: str) -> Path:
    """The file of that name in a folder or below it."""
    if folder is None:
        raise DesignError(
            f'names the file "{printable(name)}", and where it lies is not known', "read the design from a file", place
        )
    try:
        path = (folder / name).resolve()
        there = path.is_file()
    except (OSError, ValueError, RuntimeError):  # a name too long, one with a null character, links in a ring
        raise DesignError(f'"{printable(name)}" names no file', "name one beside the design", place) from None
    if not path.is_relative_to(folder.resolve()):
        raise DesignError(
            f'"{printable(name)}" lies outside the folder of the design', "keep it in that folder or below it", place
        )
    if not there:
        raise DesignError(f'there is no file "{printable(name)}" beside the design', "name one that is there", place)
    return path


def written_pass(at: d.Pass) -> Any:
    """A pass as a design file names it."""
    return PASS.write(at)


def write_text(design: d.Design) -> str:
    """The design as JSON text; what is at its default is left out. Reading it back gives an equal design."""
    return _laid_out(DESIGN.write(design), "") + "\n"


def check(design: d.Design) -> None:
    """Refuse a design that is impossible, whether it was read from a file or made in memory.

    Raises
    ------
    DesignError
        The first thing that is wrong, its place named as in a design file.
    """
    DESIGN.read(DESIGN.write(design), "")
    _check_meaning(design)


@contextlib.contextmanager
def _uncollected() -> Iterator[None]:
    """No search for garbage meanwhile: a million small lists, none of them garbage, cost it half of the time."""
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()


def _bytes(path: Path) -> bytes:
    # Opened without waiting, so that a pipe with nobody at its other end is refused and not waited for.
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(handle, "rb") as stream:
        kind = os.fstat(handle).st_mode
        if stat.S_ISDIR(kind):
            raise IsADirectoryError(errno.EISDIR, "Is a directory")
        if not stat.S_ISREG(kind):
            raise OSError(errno.EINVAL, "Not a plain file")
        data = stream.read(MOST_BYTES + 1)
    return data


def _unreadable(error: OSError | ValueError, name: str) -> DesignError:
    reason = getattr(error, "strerror", None) or str(error)
    remedies = {
        errno.ENOENT: "give the name of a design file that exists",
        errno.EISDIR: "give the name of a design file in it",
        errno.EACCES: "give a file that you may read",
    }
    remedy = remedies.get(getattr(error, "errno", None) or 0, "give the name of a design file")
    return DesignError(f"cannot be read ({reason[:1].lower()}{reason[1:]})", remedy, file=name)


def _parsed(text: str | bytes) -> Any:
    if len(text) > MOST_BYTES:
        raise DesignError(
            f"larger than {MOST_BYTES // 2**20} MiB, too large for a design", "give a file with fewer entries"
        )
    if isinstance(text, bytes):
        text = _decoded(text)
    if text.startswith("\ufeff"):
        raise DesignError("starts with a byte order mark", "save it as UTF-8 without one")
    if not text.strip():
        raise DesignError("is empty", "give a JSON object with the keys interlace and layout")
    _refuse_overgrown(text)
    long_or_none = _integer if _LONG_DIGITS.search(text) else None  # the plain reader of numbers is far faster
    try:
        return json.loads(text, object_pairs_hook=Object, parse_int=long_or_none, parse_float=_float)
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}"
        raise DesignError(f"is not JSON here ({_lower(error.msg)})", _json_remedy(text, error), where) from None


def _refuse_overgrown(text: str) -> None:
    """Refuse quickly what is nested or keyed as no design is, before the parser builds it all.

    The parser has a limit to depth of its own, another one in each Python. Brackets and colons inside strings are
    counted too: no string of a design holds any.
    """
    if text.count(":") > _MOST_KEYS:
        raise DesignError(f"has about {text.count(':'):,} keys", "give a design, which has a few dozen")
    characters = np.frombuffer(text.encode("utf-8", "replace"), np.uint8)
    opening = (characters == ord("[")) | (characters == ord("{"))
    closing = (characters == ord("]")) | (characters == ord("}"))
    depth = np.cumsum(opening.view(np.int8) - closing.view(np.int8), dtype=np.int32)
    if depth.max(initial=0) > _DEEPEST:
        raise DesignError("lists or objects are nested too deeply", "a design nests no more than 6 deep")


def _decoded(data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise DesignError("is UTF-16 text", "save it as UTF-8 without a byte order mark")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise DesignError(
            f"is not UTF-8 text (byte 0x{data[error.start]:02x} at offset {error.start:,})",
            "give a JSON file saved as UTF-8",
            f"line {line}",
        ) from None


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:]


def _json_remedy(text: str, error: json.JSONDecodeError) -> str:
    if error.pos >= len(text.rstrip()):
        return "the text ends too early; close what is open"
    if "\0" in text:
        return "give a JSON file, this one is binary"
    return f"found {shown(text[error.pos : error.pos + 12])}; put JSON right at this place"


def _integer(digits: str) -> int | float:
    # Python refuses to convert very long digit strings, and none of them is a size; infinity is refused with its place.
    return int(digits) if len(digits) < 300 else math.inf


def _float(text: str) -> int | float:
    # JSON knows one kind of number: 4.0 is the whole number 4, to JSON Schema too.
    value = float(text)
    return int(value) if value.is_integer() and abs(value) < 2**53 else value


def _refuse_other_version(value: Any) -> None:
    """Another version comes first: every other key may mean something else there."""
    if isinstance(value, dict) and "interlace" in value:
        version = value["interlace"]
        if type(version) is not int or version != d.SCHEMA:
            raise DesignError(f"found {shown(version)}", f"give {d.SCHEMA}, the version known here", "interlace")


def _laid_out(value: Any, indent: str) -> str:
    """JSON text with objects over several lines and lists along the line."""
    if isinstance(value, dict):
        if not value:
            return "{}"
        inner = indent + "  "
        lines = (f"{inner}{json.dumps(key)}: {_laid_out(item, inner)}" for key, item in value.items())
        return "{\n" + ",\n".join(lines) + f"\n{indent}}}"
    if not isinstance(value, list):
        return json.dumps(value, allow_nan=False)
    lines_of_list: list[str] = []
    line = indent + "  "
    for text in map(json.dumps, value):
        if len(line) + len(text) > _LINE:
            lines_of_list.append(line.rstrip())
            line = indent + "  "
        line += text + ", "
    if lines_of_list:
        return "[\n" + "\n".join([*lines_of_list, line.rstrip(", ")]) + f"\n{indent}]"
    return f"[{line.strip(' ,')}]"


# ------------------------------------------------------------------------------------------- what a design must keep


def _check_meaning(design: d.Design) -> None:
    """Everything that takes more than one value to see. Linear in cells and entries."""
    layout = design.layout
    if isinstance(layout, d.Ring | d.Strip | d.FreeMesh) or (isinstance(layout, d.Border) and not is_square(layout)):
        check_shape(layout)
        check_entries(design)
    else:
        if isinstance(layout, d.Border):
            check_shape(layout)
        grid = grid_of(layout)
        _check_sites(design, grid, _cells(grid))
    whole = resolved(design)
    if isinstance(layout, d.Panel):  # its own entries beside the walls between its pieces
        _check_sites(whole, grid_of(layout), _cells(grid_of(layout)))
    _check_section(whole)
    _check_sizes(whole)


def _cells(grid: d.Grid) -> NDArray[np.bool_]:
    """Which cells are there, (columns + 2, rows + 2): with a rim of absent ones, cell (c, r) at [c + 1, r + 1]."""
    if grid.columns * grid.rows > MOST_CELLS:
        raise DesignError(
            f"{grid.columns:,} x {grid.rows:,} are {grid.columns * grid.rows:,} cells",
            f"give a grid of at most {MOST_CELLS:,} cells",
            "layout.grid",
        )
    there = np.zeros((grid.columns + 2, grid.rows + 2), dtype=bool)
    there[1:-1, 1:-1] = True
    without = _columns(grid.without, 2)
    for first in _first((without[:, 0] >= grid.columns) | (without[:, 1] >= grid.rows)):
        raise DesignError(
            f"{shown(list(grid.without[first]))} lies off the layout",
            f"columns run from 0 to {grid.columns - 1:,} and rows from 0 to {grid.rows - 1:,}",
            f"layout.without[{first}]",
        )
    there[without[:, 0] + 1, without[:, 1] + 1] = False
    if not there.any():
        raise DesignError("every cell is left out", "leave at least one cell in", "layout.without")
    return there


def _columns(entries: Sequence[tuple[Any, ...]], count: int) -> NDArray[np.int64]:
    """The first `count` places of every entry, (n, count)."""
    flat: Iterable[int] = itertools.chain.from_iterable(entry[:count] for entry in entries)
    return np.fromiter(flat, dtype=np.int64, count=count * len(entries)).reshape(-1, count)


def _check_sites(design: d.Design, grid: d.Grid, cells: NDArray[np.bool_]) -> None:
    for name, edges in (("along", design.breaks.along), ("across", design.breaks.across)):
        if edges:
            raise DesignError(
                f"breaks {name} edges belong to free meshes",
                "name sites as horizontal or vertical",
                f"breaks.{name}[0]",
            )
    breaks = {"breaks.horizontal": design.breaks.horizontal, "breaks.vertical": design.breaks.vertical}
    for place, sites in breaks.items():
        _check_crossings(sites, place, grid, cells, "a break")
    broken = np.zeros((2 * grid.columns, 2 * grid.rows), dtype=bool)
    broken[tuple(_columns(design.breaks.horizontal, 2).T)] = True
    for i in _first(broken[tuple(_columns(design.breaks.vertical, 2).T)]):
        site = design.breaks.vertical[i]
        raise DesignError(
            f"{_entry(site)} is also breaks.horizontal[{design.breaks.horizontal.index(site)}]",
            "keep it in one of the two lists",
            f"breaks.vertical[{i}]",
        )
    broken[tuple(_columns(design.breaks.vertical, 2).T)] = True
    passes = {
        "divide.circuits": design.divide.circuits,
        "divide.passes": design.divide.passes,
        "weave.prefer": design.weave.prefer,
        "strand.circuits": tuple(style.through for style in design.strand.circuits),
    }
    for place, entries in passes.items():
        _check_crossings(entries, place, grid, cells, "a pass")
        for i in _first(broken[tuple(_columns(entries, 2).T)]):
            raise DesignError(
                f"{_entry(entries[i])} goes through a break, where no strands cross",
                "name a crossing, or take the break away",
                f"{place}[{i}]",
            )


def _first(wrong: NDArray[np.bool_]) -> list[int]:
    """Where the first true value stands, as a list of one; empty where all are false."""
    return [int(np.argmax(wrong))] if wrong.any() else []


def _entry(entry: tuple[Any, ...]) -> str:
    return shown([item.value if isinstance(item, d.Way) else item for item in entry])


def _check_crossings(
    entries: Sequence[tuple[Any, ...]], place: str, grid: d.Grid, cells: NDArray[np.bool_], what: str
) -> None:
    """Every entry must name a site between two cells that are there."""
    x, y = _columns(entries, 2).T
    for i in _first(y == d.FREE):
        raise DesignError(
            f"found a pass of a free mesh, edge {x[i]}",
            f'give {what} as [x, y, "rising"] or [x, y, "falling"]',
            f"{place}[{i}]",
        )
    even = (x + y) % 2 == 0
    off = (x > 2 * grid.columns) | (y > 2 * grid.rows)
    # The two cells that a site lies between, as places in `cells`; its rim stands for what is outside.
    sound = ~(even | off)
    column, row = np.where(sound, (x + 1) // 2, 0), np.where(sound, (y + 1) // 2, 0)
    upright = np.where(sound, x % 2 == 0, False)
    first, second = cells[column, row], cells[column + upright, row + (sound & ~upright)]
    for i in _first(~(sound & first & second)):
        if off[i]:
            problem = "lies off the layout"
        elif even[i]:
            problem = "has x + y even, which is no site"
        elif first[i] or second[i]:
            problem = "lies on the boundary of the layout"
        else:
            problem = "lies between cells left out"
        raise DesignError(
            f"{_entry(entries[i])} {problem}",
            f"give {what} a site with x + y odd between two cells, x from 1 to {2 * grid.columns - 1:,} and "
            f"y from 1 to {2 * grid.rows - 1:,}",
            f"{place}[{i}]",
        )


def _check_section(design: d.Design) -> None:
    section = design.strand.section
    if isinstance(section, d.Section):
        return
    points = np.array(section, dtype=float)
    place = "strand.section.points"
    across, up = np.ptp(points, axis=0)
    if not (across > 0 and up > 0):
        raise DesignError(
            f"the outline is {number_text(float(across))} wide and {number_text(float(up))} high",
            "give it both a width and a height",
            place,
        )
    if not _two_heights(points):
        raise DesignError(
            "the outline turns back on itself or crosses itself",
            "give a closed outline that every upright line through its inside crosses exactly twice",
            place,
        )


def _two_heights(points: NDArray[np.float64]) -> bool:
    """Whether a closed outline is one top and one bottom line over x, the top above the bottom everywhere inside."""
    points = np.roll(points, -int(np.lexsort((points[:, 1], points[:, 0]))[0]), axis=0)  # from its lowest leftmost
    low, high = points[0, 0], points[:, 0].max()
    closed = np.concatenate([points, points[:1]])
    step = np.diff(closed, axis=0)
    ends = (closed[:-1, 0] == closed[1:, 0]) & np.isin(closed[:-1, 0], (low, high))
    if np.any((step[:, 0] == 0) & ~ends):
        return False  # an upright edge inside
    going = np.sign(step[~ends, 0])
    if np.count_nonzero(going != np.roll(going, 1)) != 2:
        return False
    for end in (low, high):  # upright ends run one way only
        upright = np.sign(step[ends & (closed[:-1, 0] == end), 1])
        if np.unique(upright).size > 1:
            return False
    out = np.flatnonzero(step[:, 0] > 0)
    back = np.flatnonzero(step[:, 0] < 0)[::-1]
    x = np.unique(points[:, 0])
    x = np.unique(np.concatenate([x, (x[:-1] + x[1:]) / 2]))
    # Each chain from left to right: the start of its first edge, then the ends of all.
    one = closed[np.append(out, out[-1] + 1)]
    other = closed[np.append(back + 1, back[-1])]
    apart = np.interp(x, other[:, 0], other[:, 1]) - np.interp(x, one[:, 0], one[:, 1])
    inside = apart[1:-1]
    # An outline may meet itself at its ends only; the sign is its sense of going round.
    return bool((inside > 0).all() or (inside < 0).all())


def _check_sizes(design: d.Design) -> None:
    strand, heights, divide = design.strand, design.heights, design.divide
    sizes = sizing.sizes(design)
    if sizes.width >= sizes.pitch:
        raise DesignError(
            f"a width of {_mm(sizes.width)} leaves no background, the strands' pitch being {_mm(sizes.pitch)}",
            f"give a width under {_mm(_rounded_down(sizes.pitch))}, or larger cells",
            "strand.width",
        )
    for i, style in enumerate(strand.circuits):
        if style.width is not None and style.width >= sizes.pitch:
            raise DesignError(
                f"a width of {_mm(style.width)} leaves no background, the strands' pitch being {_mm(sizes.pitch)}",
                f"give a width under {_mm(_rounded_down(sizes.pitch))}, or larger cells",
                f"strand.circuits[{i}].width",
            )
    narrowest = min([sizes.width, *(style.width for style in strand.circuits if style.width is not None)])
    if divide.gap is not None and divide.gap >= narrowest and narrowest < sizes.width:
        raise DesignError(
            f"a gap of {_mm(divide.gap)} leaves nothing of a circuit {_mm(narrowest)} wide",
            f"give a gap under {_mm(narrowest)}, or a wider circuit",
            "divide.gap",
        )
    if sizes.gap >= sizes.width:
        raise DesignError(
            f"a gap of {_mm(sizes.gap)} leaves nothing of a strand {_mm(sizes.width)} wide",
            f"give a gap under {_mm(sizes.width)}",
            "divide.gap",
        )
    divided = divide.all or bool(divide.circuits) or bool(divide.passes)
    if divided and heights.way is d.Making.FREE and sizes.gap < sizes.clearance:
        raise DesignError(
            f"a gap of {_mm(sizes.gap)} is less than the clearance of {_mm(sizes.clearance)} between free strands",
            f"give a gap of at least {_mm(sizes.clearance)}, or a smaller heights.clearance",
            "divide.gap",
        )
    if heights.depth_limit is not None and heights.depth_limit <= sizes.thickness:
        raise DesignError(
            f"a depth of {_mm(heights.depth_limit)} cannot hold strands {_mm(sizes.thickness)} thick crossing",
            f"give more than {_mm(sizes.thickness)}, or thinner strands",
            "heights.depth_limit",
        )
    if strand.section is d.Section.MEDIAN_INCISED:
        _check_groove(design, sizes, divided)


def _check_groove(design: d.Design, sizes: d.Sizes, divided: bool) -> None:
    if sizes.groove_depth >= sizes.thickness:
        raise DesignError(
            f"a groove {_mm(sizes.groove_depth)} deep cuts through a strand {_mm(sizes.thickness)} thick",
            f"give a depth under {_mm(sizes.thickness)}",
            "strand.groove.depth",
        )
    widening = 2 * math.tan(math.radians(design.strand.groove.angle_deg) / 2)
    narrowest = sizes.half_width if divided else sizes.width
    if widening * sizes.groove_depth >= narrowest:
        raise DesignError(
            f"the groove is {_mm(widening * sizes.groove_depth)} wide, a strand {_mm(narrowest)}",
            f"give a depth under {_mm(_rounded_down(narrowest / widening))}, or a smaller angle_deg",
            "strand.groove",
        )


def _mm(length: float) -> str:
    return f"{length:,.4g} mm" if length < 1000 else f"{length:,.1f} mm"


def _rounded_down(value: float) -> float:
    """`value` cut to four digits, so that a person told to stay under it does."""
    unit = float(10.0 ** (math.floor(math.log10(value)) - 3))
    return math.floor(value / unit) * unit
