"""Whether a layout leaves its strands room: they are as wide everywhere as its narrowest place allows."""

from __future__ import annotations

import math

import numpy as np

from ..design import Layouts, Ring
from ..errors import DesignError
from .halfedge import Layout

LEAST_ROOM = 0.01
"""Least room of a strand, in median lengths of the chords that strands run along. Less comes of a sliver among the
cells, or of few wide sectors whose chords all but cut through the next row: strands that fit through there are hairs
everywhere else, no thicker in the end than the steps of single precision."""


def check_room(options: Layouts, layout: Layout) -> None:
    """Refuse a layout that strands fit through at one place only as hairs.

    Raises
    ------
    DesignError
        It says where the place is, and for a ring how many sectors would do.
    """
    narrowest = int(layout.pitch.argmin())
    room, usual = float(layout.pitch[narrowest]), float(np.median(layout.reach))
    if room >= LEAST_ROOM * usual:
        return
    x, y, z = layout.middle[narrowest]
    problem = (
        f"strands have {room:.3g} mm of room at ({x:.4g}, {y:.4g}, {z:.4g}), but run {usual:.3g} mm between crossings"
    )
    if isinstance(options, Ring):
        deep = (options.outer - options.inner) / options.rows
        square = max(3, round(math.pi * (options.outer + options.inner) / deep))
        remedy = f"give about {square} sectors, so that cells are as long as they are deep"
        raise DesignError(problem, remedy, "layout.ring.sectors")
    raise DesignError(
        problem, "move the corners of the cells apart there, or join the narrow cell to the next", "layout"
    )
