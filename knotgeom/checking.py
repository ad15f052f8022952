"""What a design must keep beyond the values of its keys: entries lie on the layout, sizes fit together."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import design as d
from . import sizing
from .errors import DesignError
from .forms import number_text, shown
from .layout.check import MOST_CELLS, check_entries, check_shape
from .resolve import grid_of, is_square, resolved


def check_meaning(design: d.Design) -> None:
    """Everything that takes more than one value to see. Linear in cells and entries."""
    layout = design.layout
    if isinstance(layout, d.Ring | d.Strip | d.FreeMesh) or (isinstance(layout, d.Border) and not is_square(layout)):
        check_shape(layout)
        check_entries(design)
    else:
        if isinstance(layout, d.Border):
            check_shape(layout)
        grid = grid_of(layout)
        _check_sites(design, grid, _cells(grid))
    whole = resolved(design)
    if isinstance(layout, d.Panel):  # its own entries beside the walls between its pieces
        _check_sites(whole, grid_of(layout), _cells(grid_of(layout)))
    _check_section(whole)
    _check_sizes(whole)


def _cells(grid: d.Grid) -> NDArray[np.bool_]:
    """Which cells are there, (columns + 2, rows + 2): with a rim of absent ones, cell (c, r) at [c + 1, r + 1]."""
    if grid.columns * grid.rows > MOST_CELLS:
        raise DesignError(
            f"{grid.columns:,} x {grid.rows:,} are {grid.columns * grid.rows:,} cells",
            f"give a grid of at most {MOST_CELLS:,} cells",
            "layout.grid",
        )
    there = np.zeros((grid.columns + 2, grid.rows + 2), dtype=bool)
    there[1:-1, 1:-1] = True
    without = _columns(grid.without, 2)
    for first in _first((without[:, 0] >= grid.columns) | (without[:, 1] >= grid.rows)):
        raise DesignError(
            f"{shown(list(grid.without[first]))} lies off the layout",
            f"columns run from 0 to {grid.columns - 1:,} and rows from 0 to {grid.rows - 1:,}",
            f"layout.without[{first}]",
        )
    there[without[:, 0] + 1, without[:, 1] + 1] = False
    if not there.any():
        raise DesignError("every cell is left out", "leave at least one cell in", "layout.without")
    return there


def _columns(entries: Sequence[tuple[Any, ...]], count: int) -> NDArray[np.int64]:
    """The first `count` places of every entry, (n, count)."""
    flat: Iterable[int] = itertools.chain.from_iterable(entry[:count] for entry in entries)
    return np.fromiter(flat, dtype=np.int64, count=count * len(entries)).reshape(-1, count)


def _check_sites(design: d.Design, grid: d.Grid, cells: NDArray[np.bool_]) -> None:
    for name, edges in (("along", design.breaks.along), ("across", design.breaks.across)):
        if edges:
            raise DesignError(
                f"breaks {name} edges belong to free meshes",
                "name sites as horizontal or vertical",
                f"breaks.{name}[0]",
            )
    breaks = {"breaks.horizontal": design.breaks.horizontal, "breaks.vertical": design.breaks.vertical}
    for place, sites in breaks.items():
        _check_crossings(sites, place, grid, cells, "a break")
    broken = np.zeros((2 * grid.columns, 2 * grid.rows), dtype=bool)
    broken[tuple(_columns(design.breaks.horizontal, 2).T)] = True
    for i in _first(broken[tuple(_columns(design.breaks.vertical, 2).T)]):
        site = design.breaks.vertical[i]
        raise DesignError(
            f"{_entry(site)} is also breaks.horizontal[{design.breaks.horizontal.index(site)}]",
            "keep it in one of the two lists",
            f"breaks.vertical[{i}]",
        )
    broken[tuple(_columns(design.breaks.vertical, 2).T)] = True
    passes = {
        "divide.circuits": design.divide.circuits,
        "divide.passes": design.divide.passes,
        "weave.prefer": design.weave.prefer,
        "strand.circuits": tuple(style.through for style in design.strand.circuits),
    }
    for place, entries in passes.items():
        _check_crossings(entries, place, grid, cells, "a pass")
        for i in _first(broken[tuple(_columns(entries, 2).T)]):
            raise DesignError(
                f"{_entry(entries[i])} goes through a break, where no strands cross",
                "name a crossing, or take the break away",
                f"{place}[{i}]",
            )


def _first(wrong: NDArray[np.bool_]) -> list[int]:
    """Where the first true value stands, as a list of one; empty where all are false."""
    return [int(np.argmax(wrong))] if wrong.any() else []


def _entry(entry: tuple[Any, ...]) -> str:
    return shown([item.value if isinstance(item, d.Way) else item for item in entry])


def _check_crossings(
    entries: Sequence[tuple[Any, ...]], place: str, grid: d.Grid, cells: NDArray[np.bool_], what: str
) -> None:
    """Every entry must name a site between two cells that are there."""
    x, y = _columns(entries, 2).T
    for i in _first(y == d.FREE):
        raise DesignError(
            f"found a pass of a free mesh, edge {x[i]}",
            f'give {what} as [x, y, "rising"] or [x, y, "falling"]',
            f"{place}[{i}]",
        )
    even = (x + y) % 2 == 0
    off = (x > 2 * grid.columns) | (y > 2 * grid.rows)
    # The two cells that a site lies between, as places in `cells`; its rim stands for what is outside.
    sound = ~(even | off)
    column, row = np.where(sound, (x + 1) // 2, 0), np.where(sound, (y + 1) // 2, 0)
    upright = np.where(sound, x % 2 == 0, False)
    first, second = cells[column, row], cells[column + upright, row + (sound & ~upright)]
    for i in _first(~(sound & first & second)):
        if off[i]:
            problem = "lies off the layout"
        elif even[i]:
            problem = "has x + y even, which is no site"
        elif first[i] or second[i]:
            problem = "lies on the boundary of the layout"
        else:
            problem = "lies between cells left out"
        raise DesignError(
            f"{_entry(entries[i])} {problem}",
            f"give {what} a site with x + y odd between two cells, x from 1 to {2 * grid.columns - 1:,} and "
            f"y from 1 to {2 * grid.rows - 1:,}",
            f"{place}[{i}]",
        )


def _check_section(design: d.Design) -> None:
    section = design.strand.section
    if isinstance(section, d.Section):
        return
    points = np.array(section, dtype=float)
    place = "strand.section.points"
    across, up = np.ptp(points, axis=0)
    if not (across > 0 and up > 0):
        raise DesignError(
            f"the outline is {number_text(float(across))} wide and {number_text(float(up))} high",
            "give it both a width and a height",
            place,
        )
    if not _two_heights(points):
        raise DesignError(
            "the outline turns back on itself or crosses itself",
            "give a closed outline that every upright line through its inside crosses exactly twice",
            place,
        )


def _two_heights(points: NDArray[np.float64]) -> bool:
    """Whether a closed outline is one top and one bottom line over x, the top above the bottom everywhere inside."""
    points = np.roll(points, -int(np.lexsort((points[:, 1], points[:, 0]))[0]), axis=0)  # from its lowest leftmost
    low, high = points[0, 0], points[:, 0].max()
    closed = np.concatenate([points, points[:1]])
    step = np.diff(closed, axis=0)
    ends = (closed[:-1, 0] == closed[1:, 0]) & np.isin(closed[:-1, 0], (low, high))
    if np.any((step[:, 0] == 0) & ~ends):
        return False  # an upright edge inside
    going = np.sign(step[~ends, 0])
    if np.count_nonzero(going != np.roll(going, 1)) != 2:
        return False
    for end in (low, high):  # upright ends run one way only
        upright = np.sign(step[ends & (closed[:-1, 0] == end), 1])
        if np.unique(upright).size > 1:
            return False
    out = np.flatnonzero(step[:, 0] > 0)
    back = np.flatnonzero(step[:, 0] < 0)[::-1]
    x = np.unique(points[:, 0])
    x = np.unique(np.concatenate([x, (x[:-1] + x[1:]) / 2]))
    # Each chain from left to right: the start of its first edge, then the ends of all.
    one = closed[np.append(out, out[-1] + 1)]
    other = closed[np.append(back + 1, back[-1])]
    apart = np.interp(x, other[:, 0], other[:, 1]) - np.interp(x, one[:, 0], one[:, 1])
    inside = apart[1:-1]
    # An outline may meet itself at its ends only; the sign is its sense of going round.
    return bool((inside > 0).all() or (inside < 0).all())


def _check_sizes(design: d.Design) -> None:
    strand, heights, divide = design.strand, design.heights, design.divide
    sizes = sizing.sizes(design)
    if not sizes.pitch > 0:  # faces that overlap, or without a breadth
        raise DesignError(
            "neighbouring strands have no room between them, the faces having no breadth somewhere",
            "give faces that are wide everywhere and do not cross themselves",
            "layout.mesh" if isinstance(design.layout, d.FreeMesh) else "layout",
        )
    if sizes.width >= sizes.pitch:
        raise DesignError(
            f"a width of {_mm(sizes.width)} leaves no background, the strands' pitch being {_mm(sizes.pitch)}",
            f"give a width under {_mm(_rounded_down(sizes.pitch))}, or larger cells",
            "strand.width",
        )
    for i, style in enumerate(strand.circuits):
        if style.width is not None and style.width >= sizes.pitch:
            raise DesignError(
                f"a width of {_mm(style.width)} leaves no background, the strands' pitch being {_mm(sizes.pitch)}",
                f"give a width under {_mm(_rounded_down(sizes.pitch))}, or larger cells",
                f"strand.circuits[{i}].width",
            )
    narrowest = min([sizes.width, *(style.width for style in strand.circuits if style.width is not None)])
    if divide.gap is not None and divide.gap >= narrowest and narrowest < sizes.width:
        raise DesignError(
            f"a gap of {_mm(divide.gap)} leaves nothing of a circuit {_mm(narrowest)} wide",
            f"give a gap under {_mm(narrowest)}, or a wider circuit",
            "divide.gap",
        )
    if sizes.gap >= sizes.width:
        raise DesignError(
            f"a gap of {_mm(sizes.gap)} leaves nothing of a strand {_mm(sizes.width)} wide",
            f"give a gap under {_mm(sizes.width)}",
            "divide.gap",
        )
    divided = divide.all or bool(divide.circuits) or bool(divide.passes)
    if divided and heights.way is d.Making.FREE and sizes.gap < sizes.clearance:
        raise DesignError(
            f"a gap of {_mm(sizes.gap)} is less than the clearance of {_mm(sizes.clearance)} between free strands",
            f"give a gap of at least {_mm(sizes.clearance)}, or a smaller heights.clearance",
            "divide.gap",
        )
    if heights.depth_limit is not None and heights.depth_limit <= sizes.thickness:
        raise DesignError(
            f"a depth of {_mm(heights.depth_limit)} cannot hold strands {_mm(sizes.thickness)} thick crossing",
            f"give more than {_mm(sizes.thickness)}, or thinner strands",
            "heights.depth_limit",
        )
    if strand.section is d.Section.MEDIAN_INCISED:
        _check_groove(design, sizes, divided)


def _check_groove(design: d.Design, sizes: d.Sizes, divided: bool) -> None:
    if sizes.groove_depth >= sizes.thickness:
        raise DesignError(
            f"a groove {_mm(sizes.groove_depth)} deep cuts through a strand {_mm(sizes.thickness)} thick",
            f"give a depth under {_mm(sizes.thickness)}",
            "strand.groove.depth",
        )
    widening = 2 * math.tan(math.radians(design.strand.groove.angle_deg) / 2)
    narrowest = sizes.half_width if divided else sizes.width
    if widening * sizes.groove_depth >= narrowest:
        raise DesignError(
            f"the groove is {_mm(widening * sizes.groove_depth)} wide, a strand {_mm(narrowest)}",
            f"give a depth under {_mm(_rounded_down(narrowest / widening))}, or a smaller angle_deg",
            "strand.groove",
        )


def _mm(length: float) -> str:
    return f"{length:,.4g} mm" if length < 1000 else f"{length:,.1f} mm"


def _rounded_down(value: float) -> float:
    """`value` cut to four digits, so that a person told to stay under it does."""
    unit = float(10.0 ** (math.floor(math.log10(value)) - 3))
    return math.floor(value / unit) * unit
