"""The one table that says what a design file may hold, key by key: reader, writer and schema follow from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from . import design as d
from .carving.form import CARVE
from .forms import NEEDED, Choice, Colour, Either, Flag, Key, Keys, Many, Number, Row, Whole
from .layout.check import MOST_CELLS
from .layout_table import COORDINATE, DISTANCE, LAYOUT, PLACE, SITES, SIZE
from .printing.form import PRINT
from .trims.form import TRIM


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
OUTLINE = Many(Row((COORDINATE, COORDINATE), "a point [x, y]"), fewest=3, most=1000)

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
