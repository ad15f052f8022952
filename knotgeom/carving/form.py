"""The key ``make.carve`` of a design file as a form."""

from __future__ import annotations

from ..forms import Key, Keys, Number, Row
from .options import Carving

_SIDE = Number("mm", least=0.1, most=10_000)

CARVE = Keys(
    Carving,
    {"board": Key(Row((_SIDE, _SIDE, _SIDE), "[length, width, thickness] in mm"), "The board in mm.")},
)
