"""From designs to the files of their kits in one go: what the command line does."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from ..design import Design
from ..errors import DesignError
from ..progress import Progress
from .bakes import bake, facts
from .build import make_kit
from .folder import refuse_existing, write_kit
from .hull import Hull
from .kit import Kit
from .sharing import Shared, pasted, share
from .turning import hulls

KITS, MAPS = 0.5, 0.4
"""Shares of the whole work."""


def trim_to(
    designs: Mapping[str, Design],
    folder: str | os.PathLike[str],
    *,
    maps: bool = True,
    obj: bool = False,
    replace_files: bool = False,
    title: str = "",
    progress: Progress | None = None,
) -> tuple[Kit, dict[str, Any]]:
    """Make the kits of designs, one sheet for all of them, bake their maps and write the files.

    Parameters
    ----------
    designs : mapping of name to Design
        Where there are several, names of pieces begin with the names of their designs.
    folder : path-like
        See :func:`.folder.write_kit`.
    maps : bool
        Whether maps are baked.

    Returns
    -------
    kit : Kit
        All pieces; where there are several designs see :class:`.sharing.Shared`.
    report : dict

    Raises
    ------
    DesignError
        A design cannot be made into a kit (its name is the error's file where there are several), or files are there
        already.
    OSError
        The files cannot be written; what stood there before is untouched.
    """
    show: Progress = progress or (lambda _share, _stage: None)
    refuse_existing(folder, obj=obj, replace=replace_files)
    kits: dict[str, Kit] = {}
    for k, (name, design) in enumerate(designs.items()):
        part = KITS / len(designs)
        try:
            kits[name] = make_kit(design, progress=_within(show, k * part, part))
        except DesignError as error:
            raise error if len(designs) == 1 or error.file else error.within(name) from None
    found = share(kits) if len(kits) > 1 else Shared(next(iter(kits.values())), tuple(kits.values()))
    baked: dict[str, Any] = {}
    if maps:
        geometry = sorted({k for one in found.whole.pieces for k, level in enumerate(one.levels) if not level.card})
        part = MAPS / len(found.kits)
        all_maps = [
            bake(one, progress=_within(show, KITS + k * part, part), levels=geometry)
            for k, one in enumerate(found.kits)
        ]
        baked = pasted([one.sheet for one in found.kits], all_maps)
    show(KITS + MAPS, "writing files")
    report = write_kit(
        folder,
        found.whole,
        baked,
        shown=found.kits,
        hulls=_hulls(found.kits, found.whole),
        obj=obj,
        replace=replace_files,
        title=title,
        more={"maps": facts(found.kits[0])} if maps else {},
    )
    return found.whole, report


def with_triangles(design: Design, triangles: int) -> Design:
    """The design with another budget."""
    trim = replace(design.make.trim, triangles=triangles)
    return replace(design, make=replace(design.make, trim=trim))


def _hulls(kits: Sequence[Kit], whole: Kit) -> dict[str, tuple[Hull, ...]]:
    """Collision hulls of the pieces of designs that want them."""
    wanted = [kit.design.make.trim.hull for kit in kits for _ in kit.pieces]
    return {piece.name: hulls(piece) for piece, want in zip(whole.pieces, wanted) if want}


def _within(show: Progress, start: float, part: float) -> Progress:
    """A part of the work told as a share of the whole."""
    return lambda share, stage: show(start + part * share, stage)
