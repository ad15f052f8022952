"""The key ``make.trim`` of a design file as a form."""

from __future__ import annotations

from ..forms import Key, Keys, Whole
from .options import Trimming

TRIM = Keys(
    Trimming,
    {"triangles": Key(Whole(12, 10_000_000), "Triangles that the straight piece may have. Default 4000.")},
)
