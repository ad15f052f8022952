"""The files of a relief in one folder: all of them, or none and whatever stood there before."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterable
from pathlib import Path

from ..design import Design
from ..files import png16, stl, together
from ..files.threemf import Body, write_threemf
from ..progress import Progress
from .options import Carving
from .relief import Relief, carve, greys, png_texts, preview, report, scale_facts
from .tool_report import ToolReport, reach_report, sections_drawing, uncut_pixels, uncut_texts
from .tools import chosen_cutters

STL, THREEMF, MAP, SCALE, PICTURE, UNCUT, SECTIONS, REPORT = NAMES = (
    "relief.stl",
    "relief.3mf",
    "heights.png",
    "heights.json",
    "preview.png",
    "uncut.png",
    "sections.svg",
    "report.json",
)
"""What is written."""


def refuse_folder(folder: str | os.PathLike[str], replace: bool) -> None:
    """Find out before long work whether the files can be written to a folder, which need not be there yet.

    Raises
    ------
    DesignError
        It is no folder, or has files of these names already.
    OSError
        It cannot be written to.
    """
    together.refuse_existing(folder, NAMES, replace=replace)


def write(
    folder: str | os.PathLike[str], relief: Relief, *, replace: bool = False, tools: ToolReport | None = None
) -> list[Path]:
    """Write a relief's files.

    Parameters
    ----------
    folder : path-like
        Made if it is not there.
    replace : bool
        Whether files of the same names may be replaced.
    tools : ToolReport, optional
        What tools reach of it; worked out where left out.

    Returns
    -------
    list of Path

    Raises
    ------
    DesignError
        Files of these names are there already.
    OSError
        They cannot be written; what stood there before is untouched.
    """
    refuse_folder(folder, replace)
    field = relief.field
    tools = reach_report(relief.panel, field) if tools is None else tools
    with together.together(folder, NAMES) as spare:
        _put(spare / STL, stl.encode(relief.mesh))
        write_threemf(spare / THREEMF, [Body(relief.mesh, "relief")], title="carved relief")
        _put(spare / MAP, png16.encode(greys(relief), png_texts(relief), field.pitch))
        _put(spare / SCALE, [_json(scale_facts(relief))])
        _put(spare / PICTURE, png16.encode(preview(relief), {"Title": "preview of a carved relief"}))
        _put(spare / UNCUT, png16.encode(uncut_pixels(tools.reaches), uncut_texts(tools.reaches)))
        _put(spare / SECTIONS, [sections_drawing(relief.panel, field, tools).encode("utf-8")])
        _put(spare / REPORT, [_json({**report(relief), "tools": tools.facts})])
    return [Path(folder) / name for name in NAMES]


def carve_to(
    design: Design,
    folder: str | os.PathLike[str],
    carving: Carving | None = None,
    *,
    replace: bool = False,
    progress: Progress | None = None,
) -> Relief:
    """Carve a design and write its files; see :func:`carve` and :func:`write`."""
    refuse_folder(folder, replace)
    wanted = design.make.carve if carving is None else carving
    long, wide, _ = wanted.board or (math.inf, math.inf, math.inf)
    chosen_cutters(wanted.tools, long, wide, wanted.resolution)  # refused before the long work
    show: Progress = progress or (lambda _share, _stage: None)
    relief = carve(design, carving, lambda share, stage: show(0.5 * share, stage))
    tools = reach_report(relief.panel, relief.field, lambda share, stage: show(0.5 + 0.4 * share, stage))
    show(0.9, "writing files")
    write(folder, relief, replace=replace, tools=tools)
    return relief


def _put(path: Path, content: Iterable[bytes]) -> None:
    with open(path, "wb") as stream:
        stream.writelines(content)


def _json(facts: dict[str, object]) -> bytes:
    return (json.dumps(facts, indent=2, allow_nan=False) + "\n").encode("utf-8")
