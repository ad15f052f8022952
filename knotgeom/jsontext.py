"""JSON text that may come from anybody: read strictly, in bounded time and memory, refused by line and column."""

from __future__ import annotations

import json
import math
import re
from typing import Any

import numpy as np

from .errors import DesignError
from .forms import Object, shown

MOST_BYTES = 16 * 2**20
"""Size that a text may have; every break and pass of the largest layout that people draw fits well within."""

_MOST_KEYS = 10_000
_DEEPEST = 50  # of brackets; what is less deep is refused for what it is
_LONG_DIGITS = re.compile(r"[0-9]{299}")


def parsed(text: str | bytes, what: str = "a design", deep: int = 6, otherwise: str = "interlace and layout") -> Any:
    """The value of a JSON text; objects remember which of their keys came more than once.

    Parameters
    ----------
    text : str or bytes
        UTF-8, without a byte order mark.
    what : str
        What such a text holds, for refusals.
    deep : int
        How deep it nests.
    otherwise : str
        Keys that it has, to be told where it is empty.

    Raises
    ------
    DesignError
        It is no JSON, or larger, deeper or with more keys than any such text is.
    """
    if len(text) > MOST_BYTES:
        most = MOST_BYTES // 2**20
        raise DesignError(f"larger than {most} MiB, too large for {what}", "give a file with fewer entries")
    if isinstance(text, bytes):
        text = _decoded(text)
    if text.startswith("\ufeff"):
        raise DesignError("starts with a byte order mark", "save it as UTF-8 without one")
    if not text.strip():
        raise DesignError("is empty", f"give a JSON object with the keys {otherwise}")
    _refuse_overgrown(text, what, deep)
    long_or_none = _integer if _LONG_DIGITS.search(text) else None  # the plain reader of numbers is far faster
    try:
        return json.loads(text, object_pairs_hook=Object, parse_int=long_or_none, parse_float=_float)
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}"
        words = f"{error.msg[:1].lower()}{error.msg[1:]}"
        raise DesignError(f"is not JSON here ({words})", _remedy(text, error), where) from None


def kept(text: str) -> dict[str, Any]:
    """A JSON object that was kept beside a design, in a file that anybody may have made; empty where it is none."""
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _refuse_overgrown(text: str, what: str, deep: int) -> None:
    """Refuse quickly what is nested or keyed as no such text is, before the parser builds it all.

    The parser has a limit to depth of its own, another one in each Python. Brackets and colons inside strings are
    counted too: no string of a design holds any.
    """
    if text.count(":") > _MOST_KEYS:
        raise DesignError(f"has about {text.count(':'):,} keys", f"give {what}, which has no more than {_MOST_KEYS:,}")
    characters = np.frombuffer(text.encode("utf-8", "replace"), np.uint8)
    opening = (characters == ord("[")) | (characters == ord("{"))
    closing = (characters == ord("]")) | (characters == ord("}"))
    depth = np.cumsum(opening.view(np.int8) - closing.view(np.int8), dtype=np.int32)
    if depth.max(initial=0) > _DEEPEST:
        raise DesignError("lists or objects are nested too deeply", f"{what} nests no more than {deep} deep")


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


def _remedy(text: str, error: json.JSONDecodeError) -> str:
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
