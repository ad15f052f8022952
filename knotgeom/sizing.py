"""Every length of a design, defaults filled in."""

from __future__ import annotations

import functools
import math

from .design import Border, Breaks, Corners, Cylinder, Design, Grid, Layouts, Making, Panel, Sizes, Strip
from .layout import lay_out


def sizes(design: Design) -> Sizes:
    """Fill in the lengths that ``design`` leaves open.

    >>> sizes(Design(Grid(4, 4, 10.0, 10.0))).width
    4.5
    """
    strand, heights = design.strand, design.heights
    cell, pitch = cell_and_pitch(design.layout)
    width = 0.45 * cell if strand.width is None else strand.width
    thickness = 0.3 * width if strand.thickness is None else strand.thickness
    gap = 0.2 * width if design.divide.gap is None else design.divide.gap
    step = 0.3 * thickness if heights.step is None else heights.step
    separation = thickness + heights.clearance if heights.way is Making.FREE else step
    groove = 0.3 * thickness if strand.groove.depth is None else strand.groove.depth
    return Sizes(
        pitch=pitch,
        width=width,
        thickness=thickness,
        gap=gap,
        half_width=(width - gap) / 2,
        clearance=heights.clearance,
        step=step,
        separation=separation,
        groove_depth=groove,
    )


def cell_and_pitch(layout: Layouts) -> tuple[float, float]:
    """The smaller side of a cell, and the distance between neighbouring parallel strands of the plain plait, mm.

    Where cells differ it is the least distance anywhere, and the cell is that of a square grid of this pitch.
    """
    match layout:
        case Grid() | Strip(surface=None | Cylinder()):
            wide, high = layout.cell_width, layout.cell_height
        case Border(corners=Corners.SQUARE, polygon=False):
            wide = high = layout.cell
        case Panel():
            inner = next((piece.design for piece in layout.pieces if piece.design is not None), None)
            return cell_and_pitch(inner.layout) if inner is not None else (1.0, 1.0)
        case _:
            pitch = _narrowest(layout)
            return math.sqrt(2.0) * pitch, pitch
    return min(wide, high), wide * high / math.hypot(wide, high)


@functools.lru_cache(maxsize=16)
def _narrowest(layout: Layouts) -> float:
    return float(lay_out(layout, Breaks()).pitch.min())
