"""What a designer does to a design with a pointer: find what is meant, and give back the design changed.

Every function is pure: a :class:`~.design.Design` goes in and a new one comes out. Points are mm in layout
coordinates (x right, y up from the lower left corner of the grid). Entries of a design that a change makes
impossible are taken out with it, and whoever asked is told which.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import NamedTuple, TypeVar

from .design import FREE, Breaks, CircuitStyle, Design, Divide, Grid, Hand, Layouts, Pass, Site, Way
from .errors import DesignError
from .naming import circuits_by_pass
from .places import (
    has_cell,
    is_crossable,
    is_over_layout,
    nearest_cell,
    nearest_pass,
    nearest_site,
    position,
    site_in_space,
    sites,
    takes_break,
)
from .resolve import resolved

__all__ = [
    "has_cell",
    "is_crossable",
    "is_over_layout",
    "nearest_cell",
    "nearest_pass",
    "nearest_site",
    "position",
    "site_in_space",
    "sites",
]  # where things are is asked for beside what is done there

_T = TypeVar("_T")

CircuitOf = Callable[[Design, Pass], frozenset[Pass]]
"""Gives every pass of the circuit that runs through a pass."""


class Line(str, enum.Enum):
    """Which way the short wall of a break runs; on a free mesh, along its edge or across it."""

    HORIZONTAL = "horizontal"
    VERTICAL = "vertical"
    ALONG = "along"
    ACROSS = "across"


class Changed(NamedTuple):
    """A design after a change, and the entries that had to go with it, named as in the design file."""

    design: Design
    dropped: tuple[str, ...] = ()


# ---------------------------------------------------------------------------------------------------------------------
# Where things are


def same_circuit(design: Design, at: Pass) -> frozenset[Pass]:
    """Every pass of the circuit that runs through ``at``, itself included; nothing where no strands cross."""
    circuits, number = _circuits(design)
    found = number.get(at)
    return frozenset() if found is None else circuits[found]


def circuit_numbers(design: Design) -> dict[Pass, int]:
    """The number of the circuit that runs through each pass, in the order in which circuits are traced."""
    return dict(_circuits(design)[1])


def _circuits(design: Design) -> tuple[tuple[frozenset[Pass], ...], dict[Pass, int]]:
    whole = design if isinstance(design.layout, Grid) else resolved(design)
    return circuits_by_pass(whole.layout, whole.breaks)


# ---------------------------------------------------------------------------------------------------------------------
# Breaks


def break_at(design: Design, site: Site) -> Line | None:
    """The break that stands at ``site``."""
    if site.y == FREE:
        if site.x in design.breaks.along:
            return Line.ALONG
        return Line.ACROSS if site.x in design.breaks.across else None
    if site in design.breaks.horizontal:
        return Line.HORIZONTAL
    return Line.VERTICAL if site in design.breaks.vertical else None


def set_break(design: Design, site: Site, line: Line | None, circuit_of: CircuitOf = same_circuit) -> Changed:
    """Put a break at ``site``, in place of any other there; None takes it away.

    Where a divided circuit was named by a pass at the site, it is named by another of its passes from now on; a circuit
    that falls in two keeps both parts divided.

    Raises
    ------
    DesignError
        Where no break can stand: off the layout or on its boundary.
    """
    free = site.y == FREE
    if not takes_break(design.layout, site, line in (None, Line.HORIZONTAL, Line.ALONG)):
        raise DesignError(
            f"no break can stand at {f'edge {site.x}' if free else f'[{site.x}, {site.y}]'}, "
            "on the boundary or off the layout",
            "take a site with a cell on either side",
            "breaks",
        )
    if line is not None and free != (line in (Line.ALONG, Line.ACROSS)):
        ways = "along or across an edge" if free else "horizontal or vertical"
        raise DesignError(f"a break here is {ways}, not {line.value}", f"give a break {ways}", "breaks")
    if free:
        breaks = replace(
            design.breaks,
            along=_with(design.breaks.along, site.x, line is Line.ALONG),
            across=_with(design.breaks.across, site.x, line is Line.ACROSS),
        )
    else:
        breaks = replace(
            design.breaks,
            horizontal=_with(design.breaks.horizontal, site, line is Line.HORIZONTAL),
            vertical=_with(design.breaks.vertical, site, line is Line.VERTICAL),
        )
    changed = replace(design, breaks=breaks)
    if line is None:
        return _restyle(design, Changed(changed), circuit_of)
    divided = [entry for entry in design.divide.circuits if entry.site == site]
    fitted, dropped = _fit(changed)
    circuits = fitted.divide.circuits
    for entry in divided:
        for other in sorted(circuit_of(design, entry)):
            if other.site != site and not _runs_through(fitted, other, circuits, circuit_of):
                circuits = (*circuits, other)
                dropped = tuple(name for name in dropped if name != _name("divide.circuits", entry))
    fitted = replace(fitted, divide=replace(fitted.divide, circuits=circuits))
    return _restyle(design, Changed(fitted, dropped), circuit_of)


def set_breaks(design: Design, lines: Mapping[Site, Line | None], circuit_of: CircuitOf = same_circuit) -> Changed:
    """Set and clear many breaks, as :func:`set_break` does one; what all of them together drop is named."""
    dropped: list[str] = []
    for site, line in lines.items():
        design, gone = set_break(design, site, line, circuit_of)
        dropped.extend(gone)
    return Changed(design, tuple(dropped))


def toggle_break(design: Design, site: Site, line: Line, circuit_of: CircuitOf = same_circuit) -> Changed:
    """Put a break at ``site``, turn the one that stands there, or take it away if it already runs this way."""
    return set_break(design, site, None if break_at(design, site) is line else line, circuit_of)


# ---------------------------------------------------------------------------------------------------------------------
# Dividing


def is_divided(design: Design, at: Pass, circuit_of: CircuitOf = same_circuit) -> bool:
    """Whether the strand runs as two halves through this pass (rejoining aside)."""
    divide = design.divide
    return divide.all or at in divide.passes or _runs_through(design, at, divide.circuits, circuit_of)


def toggle_circuit(design: Design, at: Pass, circuit_of: CircuitOf = same_circuit) -> Design:
    """Divide the whole circuit that runs through ``at``, or make all of it one strand again if all of it is divided."""
    _require_crossing(design, at)
    circuit = circuit_of(design, at)
    divide = _listed(design, circuit_of)
    whole = all(is_divided(design, each, circuit_of) for each in circuit)
    circuits = tuple(entry for entry in divide.circuits if entry not in circuit)
    passes = tuple(entry for entry in divide.passes if entry not in circuit)
    return replace(
        design,
        divide=replace(divide, circuits=circuits if whole else (*circuits, at), passes=passes),
    )


def toggle_pass(design: Design, at: Pass, circuit_of: CircuitOf = same_circuit) -> Design:
    """Divide the strand through this one crossing, or make it one again there.

    A pass taken out of a divided circuit leaves the rest of the circuit divided; the last pass of a circuit to be
    divided makes it a divided circuit.
    """
    _require_crossing(design, at)
    circuit = circuit_of(design, at)
    divide = _listed(design, circuit_of)
    here = [entry for entry in divide.circuits if entry in circuit]
    passes: tuple[Pass, ...]
    if here:
        circuits = tuple(entry for entry in divide.circuits if entry not in circuit)
        elsewhere = tuple(entry for entry in divide.passes if entry not in circuit)
        passes = (*elsewhere, *sorted(circuit - {at}))
    else:
        circuits = divide.circuits
        passes = _with(divide.passes, at, at not in divide.passes)
        if circuit <= set(passes):
            circuits = (*circuits, at)
            passes = tuple(entry for entry in passes if entry not in circuit)
    return replace(design, divide=replace(divide, circuits=circuits, passes=passes))


def set_circuits(
    design: Design, through: Iterable[Pass], divided: bool, circuit_of: CircuitOf = same_circuit
) -> Design:
    """Divide the whole circuits that run through these passes, or make all of them one strand."""
    for at in through:
        halves = [is_divided(design, each, circuit_of) for each in circuit_of(design, at)]
        if (divided and not all(halves)) or (not divided and any(halves)):
            design = toggle_circuit(design, at, circuit_of)
            if not divided and not all(halves):  # it was divided in part, and is divided all the way round now
                design = toggle_circuit(design, at, circuit_of)
    return design


def set_passes(design: Design, passes: Iterable[Pass], divided: bool, circuit_of: CircuitOf = same_circuit) -> Design:
    """Divide the strand through each of these crossings, or make it one there, as :func:`toggle_pass` does one."""
    for at in passes:
        if is_divided(design, at, circuit_of) is not divided:
            design = toggle_pass(design, at, circuit_of)
    return design


def _listed(design: Design, circuit_of: CircuitOf) -> Divide:
    """The dividing of ``design`` with ``all`` written out as its circuits, so that one of them can be taken out."""
    if not design.divide.all:
        return design.divide
    broken = _broken(design.breaks)
    circuits: list[Pass] = []
    seen: set[Pass] = set()
    for site in sites(design.layout):
        for way in Way:
            at = Pass(site.x, site.y, way)
            if site not in broken and at not in seen:
                circuits.append(at)
                seen |= circuit_of(design, at)
    return replace(design.divide, all=False, circuits=tuple(circuits), passes=())


def _broken(breaks: Breaks) -> set[Site]:
    """The sites of all breaks."""
    edges = (Site(edge, FREE) for edge in (*breaks.along, *breaks.across))
    return {*breaks.horizontal, *breaks.vertical, *edges}


def _runs_through(design: Design, at: Pass, entries: Iterable[Pass], circuit_of: CircuitOf) -> bool:
    entries = set(entries)
    return bool(entries) and not entries.isdisjoint(circuit_of(design, at))


# ---------------------------------------------------------------------------------------------------------------------
# Weave


def toggle_prefer(design: Design, at: Pass) -> Design:
    """Wish the strand over at this crossing, or drop that wish; a wish for the other strand there gives way."""
    _require_crossing(design, at)
    kept = tuple(entry for entry in design.weave.prefer if entry.site != at.site)
    wished = at in design.weave.prefer
    return replace(design, weave=replace(design.weave, prefer=kept if wished else (*kept, at)))


def set_preferences(design: Design, passes: Iterable[Pass], wished: bool) -> Design:
    """Wish each of these strands over at its crossing, or drop those wishes."""
    for at in passes:
        if (at in design.weave.prefer) is not wished:
            design = toggle_prefer(design, at)
    return design


def turn_hand(design: Design) -> Design:
    """The mirror image of the weave: what went over goes under."""
    hand = Hand.LEFT if design.weave.hand is Hand.RIGHT else Hand.RIGHT
    return replace(design, weave=replace(design.weave, hand=hand))


# ---------------------------------------------------------------------------------------------------------------------
# Styles of circuits


def style_of(design: Design, at: Pass, circuit_of: CircuitOf = same_circuit) -> CircuitStyle | None:
    """What the circuit through ``at`` has of its own."""
    circuit = circuit_of(design, at)
    return next((style for style in design.strand.circuits if style.through in circuit), None)


def colour_circuits(
    design: Design, through: Iterable[Pass], colour: str | None, circuit_of: CircuitOf = same_circuit
) -> Design:
    """Give the circuits through these passes a colour ``#rrggbb`` of their own, or take theirs off."""
    for at in through:
        design = _style(design, at, lambda style: replace(style, colour=colour), circuit_of)
    return design


def widen_circuits(
    design: Design, through: Iterable[Pass], width: float | None, circuit_of: CircuitOf = same_circuit
) -> Design:
    """Give the circuits through these passes a width of their own, mm, or the strand's again."""
    for at in through:
        design = _style(design, at, lambda style: replace(style, width=width), circuit_of)
    return design


def _style(design: Design, at: Pass, edit: Callable[[CircuitStyle], CircuitStyle], circuit_of: CircuitOf) -> Design:
    _require_crossing(design, at)
    had = style_of(design, at, circuit_of)
    style = edit(had or CircuitStyle(at))
    entries = [entry for entry in design.strand.circuits if entry != had]
    if style.width is not None or style.colour is not None:
        entries.insert(len(entries) if had is None else design.strand.circuits.index(had), style)
    return replace(design, strand=replace(design.strand, circuits=tuple(entries)))


# ---------------------------------------------------------------------------------------------------------------------
# Clearing


def clear_breaks(design: Design) -> Design:
    """The design without any break."""
    return replace(design, breaks=Breaks())


def clear_divisions(design: Design) -> Design:
    """The design with every strand whole; how halves rejoin and their gap stay for the next time."""
    return replace(design, divide=replace(design.divide, circuits=(), passes=(), all=False))


def clear_preferences(design: Design) -> Design:
    """The design without wishes for its weave."""
    return replace(design, weave=replace(design.weave, prefer=()))


# ---------------------------------------------------------------------------------------------------------------------
# Layout


def set_layout(design: Design, layout: Layouts) -> Changed:
    """The design on another layout, with all that still has its place there."""
    fitted, dropped = _fit(replace(design, layout=layout))
    return _restyle(design, Changed(fitted, dropped), same_circuit)


def _grid(design: Design) -> Grid:
    if not isinstance(design.layout, Grid):
        raise DesignError("only grids have columns, rows and cells to leave out", "set out on a grid", "layout")
    return design.layout


def resize_grid(design: Design, columns: int, rows: int) -> Changed:
    """The design on a grid of another size, its lower left corner kept, with all that still has its place."""
    before = _grid(design)
    grid = replace(
        before,
        columns=columns,
        rows=rows,
        without=tuple((i, j) for i, j in before.without if i < columns and j < rows),
    )
    lost = tuple(f"layout.without [{i}, {j}]" for i, j in before.without if not (i < columns and j < rows))
    fitted, dropped = _fit(replace(design, layout=grid))
    return _restyle(design, Changed(fitted, (*lost, *dropped)), same_circuit)


def toggle_cell(design: Design, cell: tuple[int, int]) -> Changed:
    """Leave a cell out of the layout, or put it back.

    Raises
    ------
    DesignError
        Off the grid, or where it is the last cell left.
    """
    grid = _grid(design)
    column, row = cell
    if not (0 <= column < grid.columns and 0 <= row < grid.rows):
        raise DesignError(
            f"no cell [{column}, {row}] in a grid of {grid.columns} x {grid.rows}",
            f"columns run 0 to {grid.columns - 1}, rows 0 to {grid.rows - 1}",
            "layout.without",
        )
    leave_out = cell not in grid.without
    if leave_out and len(set(grid.without)) + 1 >= grid.columns * grid.rows:
        raise DesignError("this is the last cell of the layout", "leave at least one cell", "layout.without")
    fitted = _fit(replace(design, layout=replace(grid, without=_with(grid.without, cell, leave_out))))
    return _restyle(design, Changed(*fitted), same_circuit)


def set_cells(design: Design, cells: Iterable[tuple[int, int]], there: bool) -> Changed:
    """Put cells back (``there``) or leave them out.

    Raises
    ------
    DesignError
        As :func:`toggle_cell`.
    """
    dropped: tuple[str, ...] = ()
    for cell in cells:
        if there == (cell in _grid(design).without):
            design, lost = toggle_cell(design, cell)
            dropped += lost
    return Changed(design, dropped)


def _restyle(before: Design, changed: Changed, circuit_of: CircuitOf) -> Changed:
    """Circuits' own widths and colours after a change of the layout.

    A style goes on through whichever of its circuit's passes are left. Both parts of a circuit that falls in two keep
    it; where two circuits become one the earlier entry counts.
    """
    if not before.strand.circuits:
        return changed
    after = replace(changed.design, strand=replace(changed.design.strand, circuits=()))
    kept: list[CircuitStyle] = []
    taken: set[Pass] = set()
    gone: list[str] = []
    for style in before.strand.circuits:
        number = len(kept)
        for at in (style.through, *sorted(circuit_of(before, style.through))):
            here = circuit_of(after, at)
            if here and at not in taken:
                kept.append(replace(style, through=at))
                taken |= here
        if len(kept) == number:
            gone.append(_name("strand.circuits", style.through))
    after = replace(after, strand=replace(after.strand, circuits=tuple(kept)))
    return Changed(after, (*changed.dropped, *gone))


def _fit(design: Design) -> tuple[Design, tuple[str, ...]]:
    """``design`` less the breaks and passes that no longer have a place, and the names of those."""
    grid, breaks = design.layout, design.breaks
    horizontal = tuple(site for site in breaks.horizontal if takes_break(grid, site, True))
    vertical = tuple(site for site in breaks.vertical if takes_break(grid, site, False))
    along = tuple(edge for edge in breaks.along if takes_break(grid, Site(edge, FREE), True))
    across = tuple(edge for edge in breaks.across if takes_break(grid, Site(edge, FREE), False))
    fitting = Breaks(horizontal, vertical, along, across)
    broken = _broken(fitting)

    def stays(entry: Pass) -> bool:
        return entry.site not in broken and is_crossable(grid, entry.site)

    circuits = tuple(filter(stays, design.divide.circuits))
    passes = tuple(filter(stays, design.divide.passes))
    prefer = tuple(filter(stays, design.weave.prefer))
    dropped = (
        *(f"breaks.horizontal [{s.x}, {s.y}]" for s in breaks.horizontal if s not in broken),
        *(f"breaks.vertical [{s.x}, {s.y}]" for s in breaks.vertical if s not in broken),
        *(f"breaks.along {edge}" for edge in breaks.along if edge not in along),
        *(f"breaks.across {edge}" for edge in breaks.across if edge not in across),
        *(_name("divide.circuits", entry) for entry in design.divide.circuits if not stays(entry)),
        *(_name("divide.passes", entry) for entry in design.divide.passes if not stays(entry)),
        *(_name("weave.prefer", entry) for entry in design.weave.prefer if not stays(entry)),
    )
    fitted = replace(
        design,
        breaks=fitting,
        divide=replace(design.divide, circuits=circuits, passes=passes),
        weave=replace(design.weave, prefer=prefer),
    )
    return fitted, dropped


def _name(key: str, entry: Pass) -> str:
    if entry.y == FREE:
        return f"{key} [{entry.x}, {int(entry.way is Way.RISING)}]"
    return f"{key} [{entry.x}, {entry.y}, {entry.way.value}]"


def _with(entries: tuple[_T, ...], entry: _T, present: bool) -> tuple[_T, ...]:
    """``entries`` with ``entry`` among them once, or not at all."""
    others = tuple(each for each in entries if each != entry)
    return (*others, entry) if present else others


def _require_crossing(design: Design, at: Pass) -> None:
    if not is_crossable(design.layout, at.site) or break_at(design, at.site) is not None:
        raise DesignError(
            f"no strands cross at [{at.x}, {at.y}]",
            "take a site with a cell on either side and no break",
        )
