"""The relief as a height field: one height for every place of the board, so nothing can be undercut.

Heights are measured from the board's face: 0 there, negative below.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class HeightField:
    """Heights of the board's surface at the middles of square pixels.

    The middle of pixel ``[row, column]`` lies at ``x = left + (column + 0.5) * pitch``,
    ``y = top - (row + 0.5) * pitch``; row 0 is the top one.

    Attributes
    ----------
    z : (rows, columns) float32
        mm; the board's face at 0, down negative.
    pitch : float
        mm per pixel.
    left, top : float
        x of the map's left edge and y of its top edge in layout coordinates, mm.
    """

    z: F32
    pitch: float
    left: float
    top: float


def relief_field(made: Any, carving: Any, pitch: float, progress: Any = None) -> HeightField:
    """The relief of a design as a height field over the whole board.

    Parameters
    ----------
    made : Made
    carving : Carving
    pitch : float
        mm per pixel.
    progress : callable, optional
        Called with a share of the work done and the name of the stage; it may raise to cancel.
    """
    raise NotImplementedError
