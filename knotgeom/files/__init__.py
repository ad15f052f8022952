"""Mesh files in mm, z up: STL, PLY and OBJ. The same mesh gives the same bytes."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from ..errors import DesignError
from ..mesh import Mesh
from . import obj, ply, stl, whole

FORMATS: dict[str, Callable[[Mesh], list[bytes]]] = {
    ".stl": stl.encode,
    ".ply": ply.encode,
    ".obj": obj.encode,
}
"""What turns a mesh into the content of a file, by the ending of its name."""

__all__ = ["FORMATS", "ending_of", "write_mesh"]


def ending_of(path: str | os.PathLike[str]) -> str:
    """The ending of ``path`` in small letters, refused where no mesh format goes by it.

    Raises
    ------
    DesignError
    """
    ending = Path(path).suffix.lower()
    if ending not in FORMATS:
        found = f'the ending "{ending}" is no mesh format known here' if ending else "the name has no ending"
        raise DesignError(found, f"end the name in {', '.join(FORMATS)}", file=os.fspath(path))
    return ending


def write_mesh(path: str | os.PathLike[str], mesh: Mesh) -> None:
    """Write ``mesh`` in the format that the name's ending says, whole or not at all.

    Raises
    ------
    DesignError
        The ending belongs to no format.
    OSError
        The file cannot be written; what stood there before is untouched.
    """
    encode = FORMATS[ending_of(path)]
    whole.write(path, encode(mesh))
