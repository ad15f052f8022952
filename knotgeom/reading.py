"""Design files: reading them strictly, writing them, checking what they say, and their JSON Schema.

The table in :mod:`.table` is the one description of a design file; `read_text`, `write_text` and `schema` follow it.
What one value alone cannot show (that a break lies on the layout, that a strand fits its pitch) is looked at by
`check`, through :mod:`.checking`, which also takes a design that was made in memory.
"""

from __future__ import annotations

import contextlib
import dataclasses
import gc
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from . import design as d
from .checking import check_meaning
from .errors import DesignError
from .files.incoming import read_mesh
from .files.opening import read_bytes, unreadable
from .forms import printable, shown
from .jsontext import MOST_BYTES, parsed
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

_DEEPEST_PANEL = 8  # panels within panels
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
        raise unreadable(error, name) from None
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
            value = parsed(text)
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
            raise unreadable(error, printable(layout.file, 400)) from None
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
                value = parsed(_bytes(path, follow=False))
                _refuse_other_version(value)
                inner = loaded(_piece(DESIGN.read(value, "")), folder, (*within, path), known)
                check_meaning(inner)
            except (OSError, ValueError) as error:
                if isinstance(error, DesignError):
                    raise DesignError(f'in "{printable(piece.file)}": {error}', "mend that design", place) from None
                raise unreadable(error, printable(piece.file, 400)) from None
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


def _bytes(path: Path, follow: bool = True) -> bytes:
    return read_bytes(path, MOST_BYTES, follow=follow)


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
