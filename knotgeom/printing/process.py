"""Which limits a piece is checked by where nobody names any: those that suit its process and its material."""

from __future__ import annotations

from .options import Printing
from .profiles import Profile, named

BY_MATERIAL = (
    ("casting", "gold", "lost-wax casting in gold or bronze"),
    ("casting", "bronze", "lost-wax casting in gold or bronze"),
    ("printing", "nylon", "powder-bed nylon"),
    ("printing", "PLA", "filament"),
)
"""Process, a word of the material's name, and the shipped profile for them."""


def limits_for(options: Printing, name: str | None = None) -> Profile:
    """The profile of a name or file; without one, the one that suits.

    Raises
    ------
    DesignError
        There is none of that name, or it is for another process.
    """
    if name is None:
        fitting = (
            profile for kind, word, profile in BY_MATERIAL if kind == options.process and word in options.material
        )
        name = next(fitting, None)
    return named(name, options.process)
