"""Designs to start from, one for each purpose, and a setting-out proposed for a field. Lengths in mm."""

from __future__ import annotations

import enum
import math
from dataclasses import replace

from .design import Breaks, Design, Grid, Heights, Making, Site, Strand, Strip
from .errors import DesignError
from .made import judge
from .reading import MOST_CELLS, check
from .sizing import sizes

LEAST_PROPORTION, GREATEST_PROPORTION = 0.8, 1.25
"""Width of a proposed cell over its height."""

LEAST_FILL, BEST_FILL, GREATEST_FILL = 0.5, 0.65, 0.8
"""Strand width over pitch: what a proposal keeps to, and what it aims at. The rest is background."""

_LEAST_MM, _MOST_MM = 0.01, 1e6  # of what a proposal is asked for
_TRIED = 2_000  # cells up to which a proposed design is drawn, to see whether its walls suit it
_EASY_CLIMB = math.tan(math.radians(28))  # of a straight climb over the background, which a starter stays under


class Purpose(str, enum.Enum):
    """What a design is for."""

    DRAWING = "drawing"
    BOARD = "board"
    PENDANT = "pendant"
    TRIM = "trim"


def _starter(layout: Grid | Strip, breaks: Breaks, way: Making, width: float, thickness: float, step: float) -> Design:
    return Design(layout, breaks, strand=Strand(width=width, thickness=thickness), heights=Heights(way=way, step=step))


def _walls(columns: int, rows: int) -> Breaks:
    """Two upright walls half as high as the layout, a quarter of its length from either end."""
    end = 2 * (columns // 4)
    heights = [y for y in range(1, 2 * rows, 2) if abs(y - rows) < rows / 2]
    return Breaks(vertical=tuple(Site(x, y) for x in (end, 2 * columns - end) for y in heights if end))


STARTERS: dict[Purpose, Design] = {
    Purpose.DRAWING: _starter(
        Grid(6, 4, 10.0, 10.0),
        Breaks(vertical=(Site(6, 3), Site(6, 5))),
        Making.FUSED,
        width=5.0,
        thickness=2.0,
        step=0.8,
    ),
    Purpose.BOARD: _starter(
        Grid(8, 5, 24.0, 24.0),
        Breaks(vertical=(Site(5, 4), Site(11, 4), Site(5, 6), Site(11, 6))),
        Making.CARVED,
        width=12.0,
        thickness=6.0,
        step=2.5,
    ),
    Purpose.PENDANT: _starter(
        Grid(4, 4, 7.0, 7.0),
        Breaks((Site(2, 1), Site(6, 1), Site(2, 7), Site(6, 7))),
        Making.FUSED,
        width=3.2,
        thickness=1.8,
        step=0.6,
    ),
    Purpose.TRIM: _starter(
        Strip(6, 2, 60.0, 60.0),
        Breaks((Site(4, 1), Site(8, 1), Site(3, 2), Site(9, 2), Site(4, 3), Site(8, 3))),
        Making.FUSED,
        width=30.0,
        thickness=12.0,
        step=5.0,
    ),
}
"""The design to start from for each purpose."""


def propose(field_width: float, field_height: float, margin: float, strand_width: float) -> Grid:
    """The grid that fits a field with strands of the wanted width.

    Its cells fill the field inside the margin, are between 0.8 and 1.25 times as wide as high, and set the strands
    so far apart that they cover about 0.65 of their pitch.

    Raises
    ------
    DesignError
        No such grid exists; names the nearest strand width for which one does.

    >>> propose(280, 180, 12, 10)
    Grid(columns=12, rows=7, cell_width=21.333333, cell_height=22.285714, without=())
    """
    for place, value, least in (
        ("field", field_width, _LEAST_MM),
        ("field", field_height, _LEAST_MM),
        ("strand", strand_width, _LEAST_MM),
        ("margin", margin, 0.0),
    ):
        if not least <= value <= _MOST_MM:
            raise DesignError(f"found {value:g}", f"give a length from {least:g} to {_MOST_MM:,.0f} mm", place)
    inner_width, inner_height = field_width - 2 * margin, field_height - 2 * margin
    if min(inner_width, inner_height) < _LEAST_MM:
        raise DesignError(
            f"a margin of {margin:g} mm leaves nothing of a field {field_width:g} x {field_height:g} mm",
            f"give a margin under {min(field_width, field_height) / 2:g} mm",
            "margin",
        )
    grid = _best_grid(inner_width, inner_height, strand_width)
    if grid is None:
        raise _no_grid(inner_width, inner_height, strand_width)
    return grid


def start(
    purpose: Purpose, field: tuple[float, float], margin: float = 0.0, strand_width: float | None = None
) -> Design:
    """The starter of a purpose set out anew for a field, its thickness and step in proportion to the strand.

    Parameters
    ----------
    purpose : Purpose
    field : (width, height) in mm
    margin : float
        Left free on all sides, mm.
    strand_width : float, optional
        That of the purpose's own starter where left out, mm.

    Raises
    ------
    DesignError
        As `propose`.
    """
    starter = STARTERS[purpose]
    own = sizes(starter)
    width = own.width if strand_width is None else strand_width
    grid = propose(*field, margin, width)
    scale = width / own.width
    background = sizes(Design(grid)).pitch - width
    step = min(own.step * scale, _EASY_CLIMB * background)
    design = Design(
        grid,
        _walls(grid.columns, grid.rows),
        strand=replace(starter.strand, width=width, thickness=_tidy(own.thickness * scale)),
        heights=replace(starter.heights, step=_tidy(step)),
    )
    check(design)
    # short walls suit a wide field; in a narrow one they stand too near its rim, and a plain plait is a better start
    assert isinstance(design.layout, Grid)
    if design.layout.columns * design.layout.rows <= _TRIED and judge(design):
        design = replace(design, breaks=Breaks())
    return design


def _best_grid(width: float, height: float, strand: float) -> Grid | None:
    """The grid nearest to the aimed-at fill and to square cells, None where none keeps the bounds."""
    best: tuple[float, Grid] | None = None
    # A pitch of strand / fill, with the cells' proportion, bounds the cells' sides: pitch is at least 0.62 of one.
    for columns in _counts(width, strand):
        for rows in _counts(height, strand):
            grid = _grid(width, height, columns, rows)
            proportion = grid.cell_width / grid.cell_height
            fill = strand / sizes(Design(grid)).pitch
            if (
                LEAST_PROPORTION <= proportion <= GREATEST_PROPORTION
                and LEAST_FILL <= fill <= GREATEST_FILL
                and 2 <= columns * rows <= MOST_CELLS
            ):
                # strands too broad for their cells close the openings at the rim: worse than too much background
                off = math.log(fill / BEST_FILL)
                miss = max(3 * off, -off) + 2 * abs(math.log(proportion))
                if best is None or miss < best[0]:
                    best = miss, grid
    return None if best is None else best[1]


def _counts(length: float, strand: float) -> range:
    """Numbers of cells along `length` that are worth a try: at most a few dozen about the aim."""
    cell = strand / BEST_FILL * math.sqrt(2)
    aim = length / cell
    spread = 12 if aim > 24 else aim / 2 + 1
    return range(max(1, math.floor(aim - spread)), min(MOST_CELLS, math.ceil(aim + spread)) + 1)


def _grid(width: float, height: float, columns: int, rows: int) -> Grid:
    return Grid(columns, rows, _tidy(width / columns), _tidy(height / rows))


def _tidy(length: float) -> float:
    """A length to the nearest millionth of a mm, which keeps design files readable."""
    return round(length, 6)


def _no_grid(width: float, height: float, strand: float) -> DesignError:
    """The refusal, with the strand width nearest to the wanted one that a grid of these proportions would suit."""
    widths = []
    long, short = max(width, height), min(width, height)
    for across in range(1, 501):
        along = max(1, round(long / short * across))
        proportion = (long / along) / (short / across)
        if LEAST_PROPORTION <= proportion <= GREATEST_PROPORTION and 2 <= along * across <= MOST_CELLS:
            cell_width, cell_height = long / along, short / across
            widths.append(BEST_FILL * cell_width * cell_height / math.hypot(cell_width, cell_height))
    inside = f"the field inside the margin, {width:g} x {height:g} mm,"
    widths = [width for width in widths if width >= _LEAST_MM]
    if not widths:
        return DesignError(
            f"{inside} is too small or too long for a grid", "give a larger field, or one of other proportions", "field"
        )
    nearest = min(widths, key=lambda other: abs(math.log(other / strand)))
    return DesignError(
        f"{inside} cannot be set out for strands {strand:g} mm wide",
        f"give a strand of about {nearest:.3g} mm",
        "strand",
    )
