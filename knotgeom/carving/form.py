"""The key ``make.carve`` of a design file as a form."""

from __future__ import annotations

from ..forms import Choice, Key, Keys, Number, Row
from .options import Carving, Ground, Moulding, Wood

_SIDE = Number("mm", least=0.1, most=10_000)
_SIZE = Number("mm", above=0, most=10_000)
_WIDTH = Number("mm", least=0, most=10_000)

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
    },
)
"""The table of ``make.carve``."""
