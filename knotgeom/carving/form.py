"""The key ``make.carve`` of a design file as a form."""

from __future__ import annotations

from ..forms import NEEDED, Choice, Key, Keys, Many, Number, Row, Whole
from .cutters import Cutter, CutterKind
from .gouges import Gouge
from .options import Carving, Ground, Moulding, Wood
from .tools import Tools

_SIDE = Number("mm", least=0.1, most=10_000)
_SIZE = Number("mm", above=0, most=10_000)
_WIDTH = Number("mm", least=0, most=10_000)

_PLACE = Number("mm", least=-100_000, most=100_000)

CUTTER = Keys(
    Cutter,
    {
        "kind": Key(Choice(CutterKind), 'Its shape. Default "ball".'),
        "diameter": Key(Number("mm", least=0.05, most=200), "Its greatest width in mm. Default 6."),
        "angle_deg": Key(
            Number("degrees", above=0, below=180),
            "Between the sides of a V; of one side to the axis of a tapered cutter, below 90. Default 60.",
        ),
        "tip": Key(
            Number("mm", least=0, most=200),
            "Ball at the end of a tapered cutter, flat at that of a V, in mm. Default 0.",
        ),
    },
)
GOUGE = Keys(
    Gouge,
    {
        "sweep": Key(Whole(1, 11), "Number of its sweep, 1 for a flat chisel.", NEEDED),
        "width": Key(Number("mm", least=0.5, most=100), "Across its edge in mm.", NEEDED),
        "radius": Key(Number("mm", least=0.25, most=10_000), "Of its edge in mm. Default what the sweep gives."),
    },
)
TOOLS = Keys(
    Tools,
    {
        "cutters": Key(Many(CUTTER, most=20), "Milling cutters to try. Default one 6 mm ball-nose."),
        "tolerance": Key(Number("mm", least=0, most=10), "Wood left that does not count as uncut in mm. Default 0.1."),
        "share": Key(
            Number("", least=0, below=1), "Share of the lowered area that the largest cutter may leave. Default 0.05."
        ),
        "scallop": Key(Number("mm", least=0.0001, most=10), "Ridges wanted between passes in mm. Default 0.05."),
        "gouges": Key(Many(GOUGE, most=500), "Gouges and chisels owned. Default a modest set."),
        "grain_deg": Key(Number("degrees", least=-360, most=360), "Direction of the grain from x. Default 0."),
        "sections": Key(
            Many(Row((_PLACE, _PLACE, _PLACE, _PLACE), "a line [x0, y0, x1, y1] in mm"), most=100),
            "Lines to section the relief along. Default both middle lines of the board.",
        ),
    },
)
CARVE = Keys(
    Carving,
    {
        "board": Key(Row((_SIDE, _SIDE, _SIDE), "[length, width, thickness] in mm"), "The board in mm."),
        "depth": Key(_SIZE, "Depth of the relief below the board's face in mm."),
        "draft_deg": Key(Number("degrees", least=0, most=60), "How far walls lean from upright."),
        "ground": Key(Choice(Ground), "What becomes of the board between the strands."),
        "texture_size": Key(Number("mm", least=0.2, most=100), "Distance between the marks of a textured ground."),
        "texture_depth": Key(_SIZE, "Depth of the marks of a textured ground in mm."),
        "margin": Key(_WIDTH, "Board left standing all round in mm."),
        "frame": Key(Choice(Moulding), "The frame moulding round the ground."),
        "frame_width": Key(_SIZE, "Width of the frame moulding in mm."),
        "easing": Key(_WIDTH, "Radius of the board's rounded upper edges in mm."),
        "wood": Key(Choice(Wood), "The wood, for the mass of the board."),
        "resolution": Key(Number("mm", least=0.05, most=1), "From one sample of the height map to the next in mm."),
        "tolerance": Key(Number("mm", least=0.0005, most=1), "How far the mesh may lie from the height map in mm."),
        "tools": Key(TOOLS, "Cutters and gouges to report on, the grain, and lines to section the relief along."),
    },
)
"""The table of ``make.carve``."""
