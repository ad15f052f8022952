"""Several trims on one sheet: one file of pieces, one set of maps, and for each trim a kit of its own to lay."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import DesignError
from .finishing import finished
from .kit import Kit, Sheet
from .sheet import set_shared


@dataclass(frozen=True, slots=True, eq=False)
class Shared:
    """``whole`` has the pieces of all kits, under names that begin with their trim's; ``kits`` those of each.

    Every one of ``kits`` knows the whole sheet's size, and of its parts its own.
    """

    whole: Kit
    kits: tuple[Kit, ...]


def share(kits: Mapping[str, Kit]) -> Shared:
    """Kits by the names of their trims laid on one sheet.

    Raises
    ------
    DesignError
        Their designs want different sheets, or there is no room.
    """
    wanted = {name: kit.design.make.trim.textures for name, kit in kits.items()}
    first = next(iter(wanted))
    for name, textures in wanted.items():
        if textures != wanted[first]:
            raise DesignError(
                f"{name} asks for another sheet than {first}",
                "give trims that share a sheet the same textures",
                "make.trim.textures",
            )
    trims = [(f"{name}-", kit.pieces, kit.period, kit.height) for name, kit in kits.items()]
    sheet = set_shared(trims, wanted[first])
    own = []
    for name, kit in kits.items():
        prefix = f"{name}-"
        pieces, _ = finished(kit.pieces, wanted[first], kit.period, kit.height, sheet=sheet, prefix=prefix)
        blocks = tuple(
            replace(block, piece=block.piece.removeprefix(prefix))
            for block in sheet.blocks
            if block.piece.startswith(prefix) and block.piece.removeprefix(prefix) in {one.name for one in pieces}
        )
        own.append(replace(kit, pieces=pieces, sheet=replace(sheet, blocks=blocks)))
    whole = replace(
        own[0],
        pieces=tuple(
            replace(piece, name=f"{name}-{piece.name}") for name, kit in zip(kits, own) for piece in kit.pieces
        ),
        sheet=sheet,
        height=max(kit.height for kit in own),
        low=min(kit.low for kit in own),
        high=max(kit.high for kit in own),
        notes=tuple(f"{name}: {note}" for name, kit in zip(kits, own) for note in kit.notes),
        findings=tuple(f"{name}: {found}" for name, kit in zip(kits, own) for found in kit.findings),
    )
    return Shared(whole, tuple(own))


def pasted(sheets: Sequence[Sheet], maps: Sequence[Mapping[str, NDArray[Any]]]) -> dict[str, NDArray[Any]]:
    """Maps of the whole sheet from those of every kit: each one's parts with half the free space round them."""
    out = {name: np.array(pixels) for name, pixels in maps[0].items()}
    for sheet, given in zip(sheets[1:], maps[1:]):
        free = sheet.padding // 2
        for block in sheet.blocks:
            left, bottom, right, top = block.texels
            rows = slice(max(0, sheet.height - top - free), sheet.height - bottom + free)
            columns = slice(max(0, left - free), right + free)
            for name, pixels in given.items():
                out[name][rows, columns] = pixels[rows, columns]
    return out
