"""Designs as they are set out: strips with all their repeats, panels and square borders as grids.

Everything after it asks only for the layout that comes out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from .design import (
    Border,
    Breaks,
    Corners,
    Design,
    FreeMesh,
    Grid,
    Layouts,
    Panel,
    Pass,
    Site,
    Strip,
)
from .naming import circuits_by_pass, first_styles
from .panel import joined_sites, laid, panelled


def resolved(design: Design) -> Design:
    """The same interlace on a layout that :func:`knotgeom.layout.lay_out` sets out as it stands.

    Raises
    ------
    DesignError
        The pieces of a panel do not fit together.
    """
    layout = design.layout
    match layout:
        case Panel():
            return panelled(design, resolved)
        case Border() if is_square(layout):
            return replace(design, layout=square_border(layout))
        case Strip() if layout.repeats > 1:
            return _repeated(design, layout)
    return design


def self_contained(design: Design) -> Design:
    """The same design without files beside it: a panel as the grid that it comes to, a mesh held in the design."""
    match design.layout:
        case Panel():
            return resolved(design)
        case FreeMesh(file=str()):
            return replace(design, layout=replace(design.layout, file=None))
    return design


def is_square(border: Border) -> bool:
    """Whether a border is a grid about an opening."""
    return border.corners is Corners.SQUARE and not border.polygon


def grid_of(layout: Layouts) -> Grid:
    """The grid that a grid, a square border or a panel comes to; a panel's is without the walls between its pieces."""
    match layout:
        case Grid():
            return layout
        case Border() if is_square(layout):
            return square_border(layout)
    assert isinstance(layout, Panel), "this layout is no grid"
    out = laid(layout, resolved)
    joined_sites(layout, out.seams)
    return out.grid


def square_border(border: Border) -> Grid:
    """A border with square corners as a grid without the cells of its opening."""
    (columns, rows), deep = border.inside, border.deep
    hole = tuple((deep + column, deep + row) for row in range(rows) for column in range(columns))
    return Grid(columns + 2 * deep, rows + 2 * deep, border.cell, border.cell, hole)


def _repeated(design: Design, strip: Strip) -> Design:
    round_about, wide = range(strip.repeats), 2 * strip.columns

    def sites(entries: Iterable[Site]) -> tuple[Site, ...]:
        return tuple(Site(x + k * wide, y) for k in round_about for x, y in entries)

    def passes(entries: Iterable[Pass]) -> tuple[Pass, ...]:
        return tuple(Pass(x + k * wide, y, way) for k in round_about for x, y, way in entries)

    divide, strand = design.divide, design.strand
    breaks = Breaks(sites(design.breaks.horizontal), sites(design.breaks.vertical))
    layout = replace(strip, columns=strip.columns * strip.repeats, repeats=1)
    styles = [replace(style, through=at) for style in strand.circuits for at in passes([style.through])]
    # a circuit that runs through several repeats was named once for all of them
    named_once = first_styles(styles, circuits_by_pass(layout, breaks)[1]) if styles else ()
    return replace(
        design,
        layout=layout,
        breaks=breaks,
        divide=replace(divide, circuits=passes(divide.circuits), passes=passes(divide.passes)),
        weave=replace(design.weave, prefer=passes(design.weave.prefer)),
        strand=replace(strand, circuits=named_once),
    )
