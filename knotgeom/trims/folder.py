"""The files of a kit in one folder: ``kit.glb``, the baked maps as PNG, ``preview.png`` and ``report.json``.

All of them are written, or none and whatever stood there before.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..files import png16, together
from .hull import Hull
from .kit import Kit
from .options import Green
from .preview import preview
from .report import report
from .scene import encode_glb, encode_obj

GLB, OBJ, PREVIEW, REPORT = "kit.glb", "kit.obj", "preview.png", "report.json"


def map_file(name: str) -> str:
    """The file that a baked map of that name is written to."""
    return f"{name}.png"


def files_of(maps: Iterable[str] = (), *, obj: bool = False) -> list[str]:
    """The names of the files that a kit with these baked maps is written to."""
    return [GLB, *([OBJ] if obj else []), *sorted(map_file(name) for name in maps), PREVIEW, REPORT]


def refuse_existing(
    folder: str | os.PathLike[str], maps: Iterable[str] = (), *, obj: bool = False, replace: bool = False
) -> None:
    """Refuse a folder that holds such files already, or that is none, before any long work.

    Raises
    ------
    DesignError
    """
    together.refuse_existing(folder, files_of(maps, obj=obj), replace=replace)


def write_kit(
    folder: str | os.PathLike[str],
    kit: Kit,
    baked: Mapping[str, NDArray[Any]] | None = None,
    *,
    shown: Sequence[Kit] = (),
    hulls: Mapping[str, Sequence[Hull]] | None = None,
    obj: bool = False,
    replace: bool = False,
    title: str = "",
    pixels: int = 1600,
    more: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Write a kit's files and return the report.

    Parameters
    ----------
    folder : path-like
        Made if it is not there; its parent must be.
    baked : mapping of name to (rows, columns) or (rows, columns, 3) uint8 or uint16, optional
        Maps on the sheet, row 0 at the top. Those of normals (their green the way that the design's textures say),
        "packed" and "cover" are in the GLB's materials too.
    shown : sequence of Kit, optional
        Kits that the preview shows, where ``kit`` has the pieces of several.
    hulls : mapping, optional
        Collision hulls by the names of their pieces.
    obj : bool
        Whether the pieces are written as OBJ too.
    replace : bool
        Whether files of the same names may be replaced.
    more : mapping, optional
        What the report has beside, ready for JSON.

    Raises
    ------
    DesignError
        A file is there already and ``replace`` is false.
    OSError
        The files cannot be written; what stood there before is untouched.
    """
    maps = dict(baked or {})
    names = files_of(maps, obj=obj)
    together.refuse_existing(folder, names, replace=replace)
    found = {**report(kit, names), **(more or {})}
    with together.together(folder, names) as spare:
        _put(spare / GLB, encode_glb(kit, _embedded(kit, maps), hulls))
        if obj:
            _put(spare / OBJ, encode_obj(kit))
        for name, pixels_of in maps.items():
            words = {"Title": f"{name} map", "Source": "knotgeom"}
            _put(spare / map_file(name), png16.encode(pixels_of, words))
        normals = _eight_bits(maps["normal"]) if "normal" in maps else None
        preview(shown or [kit], normals, pixels=pixels, title=title).save(spare / PREVIEW, format="PNG", optimize=True)
        _put(spare / REPORT, [(json.dumps(found, indent=2, allow_nan=False) + "\n").encode("utf-8")])
    return found


def glb(
    kit: Kit, maps: Mapping[str, NDArray[Any]], hulls: Mapping[str, Sequence[Hull]] | None = None
) -> Iterable[bytes]:
    """The content of ``kit.glb`` alone, baked maps in its materials; see :func:`write_kit`."""
    return encode_glb(kit, _embedded(kit, maps), hulls)


def _embedded(kit: Kit, maps: Mapping[str, NDArray[Any]]) -> dict[str, bytes]:
    """The maps of the materials as glTF wants them: 8 bits, green up the sheet, cover as alpha of white."""
    out = {}
    for name, pixels in maps.items():
        if name != "packed" and name != "cover" and not name.startswith("normal"):
            continue
        pixels = _eight_bits(pixels)
        if name == "cover":
            pixels = np.dstack([np.full((*pixels.shape, 3), 255, np.uint8), pixels])
        if name.startswith("normal") and kit.design.make.trim.textures.green is Green.DIRECTX:
            pixels = pixels.copy()
            pixels[..., 1] = 255 - pixels[..., 1]
        out[name] = b"".join(png16.encode(np.ascontiguousarray(pixels), {}))
    return out


def _eight_bits(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    if pixels.dtype == np.uint16:
        return ((pixels.astype(np.uint32) + 128) // 257).astype(np.uint8)
    return pixels


def _put(path: Path, content: Iterable[bytes]) -> None:
    with open(path, "wb") as stream:
        stream.writelines(content)
