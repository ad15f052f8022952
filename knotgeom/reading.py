"""Design files: reading them strictly, writing them, checking what they say, and their JSON Schema.

The table in :mod:`.table` is the one description of a design file; `read_text`, `write_text` and `schema` follow it.
What one value alone cannot show (that a break lies on the layout, that a strand fits its pitch) is looked at by
`check`, through :mod:`.checking`, which also takes a design that was made in memory.
"""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import gc
import json
import math
import os
import re
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from . import design as d
from .checking import check_meaning
from .errors import DesignError
from .files.incoming import read_mesh
from .forms import Object, printable, shown
from .layout.check import MOST_CELLS
from .table import DESIGN, PASS

__all__ = [
    "DESIGN",
    "MOST_BYTES",
    "MOST_CELLS",
    "check",
    "loaded",
    "read_file",
    "read_text",
    "schema",
    "schema_text",
    "write_text",
    "written_pass",
]

MOST_BYTES = 16 * 2**20
"""Size that a design file may have; every break and pass of the largest layout that people draw fits well within."""

_MOST_KEYS = 1000
_DEEPEST_PANEL = 8  # panels within panels
_DEEPEST = 50  # of brackets; what is less deep is refused for what it is
_LONG_DIGITS = re.compile(r"[0-9]{299}")
_LINE = 110  # characters after which a written list goes on on the next line


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
            check_meaning(design)
    except DesignError as error:
        raise error.within(file) from None
    return design


def loaded(
    design: d.Design,
    folder: Path | None,
    within: tuple[Path, ...] = (),
    known: dict[Path, d.Design] | None = None,
) -> d.Design:
    """A design with what its layout names read in: the pieces of a panel, or a mesh.

    Parameters
    ----------
    folder : Path or None
        Nothing outside it is read.
    within : tuple of Path
        The panels that this design is a piece of.
    known : dict of Path to Design
        Pieces that have been read; those that are read now are added. No file is read twice.

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
    known = {} if known is None else known
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
                inner = loaded(_piece(DESIGN.read(value, "")), folder, (*within, path), known)
                check_meaning(inner)
            except (OSError, ValueError) as error:
                if isinstance(error, DesignError):
                    raise DesignError(f'in "{printable(piece.file)}": {error}', "mend that design", place) from None
                raise _unreadable(error, printable(piece.file, 400)) from None
            known[path] = inner
        pieces.append(dataclasses.replace(piece, design=known[path]))
    return dataclasses.replace(design, layout=dataclasses.replace(layout, pieces=tuple(pieces)))


def _piece(design: d.Design) -> d.Design:
    """The same design, refused where no panel can take it: before a mesh that it may name is read."""
    if isinstance(design.layout, d.FreeMesh):
        raise DesignError("is set out on a mesh", "give pieces set out on grids, square borders or panels of them")
    return design


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
    check_meaning(design)


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
