"""What a carver cuts with, as a design sets it: the key ``make.carve.tools``. Lengths are mm, angles degrees."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..errors import DesignError
from .cutters import Cutter, check_cutter
from .gouges import OWNED, Gouge, check_gouges

PLACE = "make.carve.tools"


@dataclass(frozen=True, slots=True)
class Tools:
    """Cutters and gouges to try on a relief, and where to section it.

    Attributes
    ----------
    cutters : tuple of Cutter or None
        None for a 6 mm ball-nose, or a narrower one on a small board.
    tolerance : float
        Wood left up to this height does not count as uncut.
    share : float
        Share of the lowered area that may stay uncut by the largest cutter that is looked for.
    scallop : float
        Height of the ridges between passes that is wanted.
    gouges : tuple of Gouge
        Those owned.
    grain_deg : float
        Direction of the grain, anticlockwise from x.
    sections : tuple of (x0, y0, x1, y1)
        Lines to section the relief along, in layout coordinates; without any, both middle lines of the board.
    """

    cutters: tuple[Cutter, ...] | None = None
    tolerance: float = 0.1
    share: float = 0.05
    scallop: float = 0.05
    gouges: tuple[Gouge, ...] = OWNED
    grain_deg: float = 0.0
    sections: tuple[tuple[float, float, float, float], ...] = ()


def chosen_cutters(tools: Tools, length: float, width: float, pitch: float) -> tuple[Cutter, ...]:
    """The cutters of a design, or the one to begin with, for a board and a map of so many mm per pixel.

    Raises
    ------
    DesignError
        One cannot be, is wider than the board, or too fine for the map's resolution; or a gouge or section cannot be.
    """
    board = min(length, width)
    check_gouges(tools.gouges, f"{PLACE}.gouges")
    for k, line in enumerate(tools.sections):
        if not math.hypot(line[2] - line[0], line[3] - line[1]) > 0:
            raise DesignError("a section of no length", "give two places apart", f"{PLACE}.sections[{k}]")
    if tools.cutters is None:
        most = min(6.0, board / 3)
        return (Cutter(diameter=max(most, 2 * pitch)),) if 2 * pitch <= board else ()
    for k, cutter in enumerate(tools.cutters):
        place = f"{PLACE}.cutters[{k}]"
        check_cutter(cutter, place)
        if cutter.diameter > board:
            raise DesignError(
                f"a cutter {cutter.diameter:.4g} mm wide on a board of {length:.4g} x {width:.4g} mm",
                f"give one of at most {board:.4g} mm",
                f"{place}.diameter",
            )
        if cutter.diameter < 2 * pitch:
            raise DesignError(
                f"a cutter {cutter.diameter:.4g} mm wide on a map of {pitch:.4g} mm per pixel",
                f"give a resolution (make.carve.resolution) of at most {cutter.diameter / 2:.4g} mm",
                f"{place}.diameter",
            )
    return tools.cutters
