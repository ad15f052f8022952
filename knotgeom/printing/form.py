"""The key ``make.print`` of a design file as a form."""

from __future__ import annotations

from ..forms import Key, Keys, Number
from .options import Printing

PRINT = Keys(
    Printing,
    {"size": Key(Number("mm", least=0.1, most=10_000), "Greatest side of the finished piece in mm.")},
)
