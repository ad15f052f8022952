"""Small forms that say what a JSON value may be: each reads it, writes it back, and describes it as JSON Schema.

A design file is described once, as a table of these forms (in :mod:`..table`); its reader, its writer and its schema
all follow from that one table and so cannot drift apart. A form refuses a value with a :class:`.DesignError` that
names the place as a path of keys.
"""

from __future__ import annotations

from .form import Column, Form, refuse
from .lists import Either, Many, Row
from .objects import NEEDED, ByKey, Key, Keys, Object
from .single import Choice, Colour, Flag, Number, OneOf, Text, Whole
from .words import number_text, printable, shown

__all__ = [
    "ByKey",
    "Choice",
    "Colour",
    "Column",
    "Either",
    "Flag",
    "Form",
    "Key",
    "Keys",
    "Many",
    "NEEDED",
    "Number",
    "Object",
    "OneOf",
    "Row",
    "Text",
    "Whole",
    "number_text",
    "printable",
    "refuse",
    "shown",
]
