"""Remedies that work: a change that a finding offers is tried on the design, and tried again until the finding is gone.

A finding's own number is a first estimate: a narrower strand stands elsewhere, a wider gap moves what is crossed. Each
try draws the design anew; the new findings of that kind say what the next try should be. Where no value does, larger
cells, flatter strands, no dividing and no breaks are tried in turn, and what does is offered.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from .design import (
    Border,
    Breaks,
    Design,
    Divide,
    FreeMesh,
    Grid,
    Layouts,
    Making,
    Ring,
    Sphere,
    Strip,
    Turn,
    Turned,
    Turns,
)
from .errors import DesignError
from .findings import Change, Finding
from .resolve import resolved
from .sizing import sizes

TRIES = 8
LARGER = (1.3, 1.7, 2.2, 3.0)
"""Times that cells are tried as large, where larger cells may be the remedy."""
NARROWER = (0.97, 0.9, 0.75, 0.5)
"""Shares of the width that are tried where strands do not unite."""
Judge = Callable[[Design], Iterable[Finding]]


def applied(design: Design, change: Change) -> Design:
    """The design with one change made to it.

    Raises
    ------
    ValueError
        If the change names no single value (a break to take away, cells larger by nobody knows how much).
    """
    if change.value is None:
        raise ValueError(f"{change.key} is no value that can be set")
    strand, heights, value = design.strand, design.heights, change.value
    if change.key == "layout.cell":
        return enlarged(design, value)
    if change.key == "strand.width":
        return replace(design, strand=replace(strand, width=value))
    if change.key == "strand.thickness":
        return replace(design, strand=replace(strand, thickness=value))
    if change.key == "divide.gap":
        return replace(design, divide=replace(design.divide, gap=value))
    if change.key == "heights.step":
        return replace(design, heights=replace(heights, step=value))
    if change.key == "heights.depth_limit":
        return replace(design, heights=replace(heights, depth_limit=value))
    if change.key == "heights.clearance":
        return replace(design, heights=replace(heights, clearance=value))
    if change.key == "strand.groove.depth":
        return replace(design, strand=replace(strand, groove=replace(strand.groove, depth=value)))
    raise ValueError(f"{change.key} is no value that a finding changes")


def enlarged(design: Design, times: float) -> Design:
    """The same strands on a layout ``times`` as large; every length that was left open stays what it was."""
    size = sizes(resolved(design))
    strand = design.strand
    groove = replace(strand.groove, depth=size.groove_depth)
    heights = design.heights
    if heights.way is not Making.FREE:
        heights = replace(heights, step=size.step)
    return replace(
        design,
        layout=_enlarged_layout(design.layout, times),
        divide=replace(design.divide, gap=size.gap),
        strand=replace(strand, width=size.width, thickness=size.thickness, groove=groove),
        heights=heights,
    )


def _enlarged_layout(layout: Layouts, times: float) -> Layouts:
    def large(length: float) -> float:
        return float(f"{times * length:.6g}")

    match layout:
        case Grid():
            return replace(layout, cell_width=large(layout.cell_width), cell_height=large(layout.cell_height))
        case Ring():
            dome = layout.surface and replace(layout.surface, rise=large(layout.surface.rise))
            return replace(layout, inner=large(layout.inner), outer=large(layout.outer), surface=dome)
        case Strip():
            surface = layout.surface
            if isinstance(surface, Sphere):
                surface = replace(surface, diameter=large(surface.diameter))
            elif isinstance(surface, Turned):
                surface = Turned(tuple((large(radius), large(height)) for radius, height in surface.profile))
            width, height = large(layout.cell_width), large(layout.cell_height)
            return replace(layout, cell_width=width, cell_height=height, surface=surface)
        case Border():
            return replace(layout, cell=large(layout.cell))
        case FreeMesh():
            vertices = tuple((large(x), large(y), large(z)) for x, y, z in layout.vertices)
            return replace(layout, vertices=vertices, file=None)
        case _:
            pieces = tuple(
                replace(
                    piece,
                    at=(large(piece.at[0]), large(piece.at[1])),
                    design=piece.design and enlarged(piece.design, times),
                )
                for piece in layout.pieces
            )
            return replace(layout, pieces=pieces)


def _last_resort(design: Design, kind: str, judge: Judge) -> Change:
    """What does where no single length does: larger cells, flatter strands, no dividing, fewer breaks; else nothing."""

    def mended(other: Design) -> bool:
        try:
            return all(finding.kind != kind for finding in judge(other))
        except DesignError:
            return False

    for times in LARGER:
        if mended(enlarged(design, times)):
            return Change("layout.cell", times)
    if kind in ("slope", "step"):
        free, size = design.heights.way is Making.FREE, sizes(resolved(design))
        lower = Change("strand.thickness", size.thickness / 2) if free else Change("heights.step", size.step / 2)
        flatter = search(design, kind, lower, judge)
        if flatter is not None:
            return flatter
    divide = design.divide
    if (divide.all or divide.passes or divide.circuits) and mended(replace(design, divide=Divide())):
        return Change("divide", None)
    if design.breaks != Breaks() and mended(replace(design, breaks=Breaks(), divide=Divide())):
        return Change("breaks", None)
    return Change("layout", None)


def search(design: Design, kind: str, first: Change, judge: Judge) -> Change | None:
    """The first value from ``first`` on, in the direction that helps, with which no finding of ``kind`` is left.

    Returns
    -------
    Change or None
        None where no value helps within reason.
    """
    growing = first.key in ("divide.gap", "heights.depth_limit")
    value = first.value
    if value is None or value <= 0:
        return None
    start = value
    for _ in range(TRIES):
        change = Change(first.key, float(f"{value:.4g}"))  # as it is told, so it is tried
        try:
            left = [finding for finding in judge(applied(design, change)) if finding.kind == kind]
        except DesignError:
            return None
        if not left:
            return change
        offers = [c.value for f in left for c in f.changes if c.key == first.key and c.value is not None]
        value = max([1.08 * value, *offers]) if growing else min([0.94 * value, *offers])
        if not 0.2 * start < value < 4 * start:
            return None
    return None


def uniting(design: Design, changes: Iterable[Change], unites: Callable[[Design], bool]) -> tuple[str, Design] | None:
    """The first changed design of which strands unite, and what was changed.

    A change that findings offer comes first, then narrower strands, round turns, no dividing and no breaks.
    """
    width = sizes(resolved(design)).width
    narrower = [Change("strand.width", float(f"{share * width:.4g}")) for share in NARROWER]
    tries = [
        (f"with {_told(change)}", applied(design, change))
        for change in (*changes, *narrower)
        if change.value is not None
    ]
    round_turns = replace(design.strand, turns=Turns(Turn.ROUND, Turn.ROUND, Turn.ROUND))
    tries += [
        ("with all of strand.turns round", replace(design, strand=round_turns)),
        ("undivided", replace(design, divide=Divide())),
        ("without breaks and undivided", replace(design, breaks=Breaks(), divide=Divide())),
    ]
    for words, other in tries:
        try:
            if other != design and unites(other):
                return words, other
        except DesignError:
            continue
    return None


def _told(change: Change) -> str:
    """A change in words for who edits the file."""
    return f"cells {change.value:g} times as large" if change.key == "layout.cell" else f"{change.key} {change.value}"


def proved(design: Design, findings: tuple[Finding, ...], judge: Judge) -> tuple[Finding, ...]:
    """The same findings, each offering only changes that were tried and that leave no finding of its kind."""
    found: dict[tuple[str, str], Change | None] = {}
    for kind in dict.fromkeys(finding.kind for finding in findings):
        offers = [c for f in findings if f.kind == kind for c in f.changes if c.value is not None]
        for key in dict.fromkeys(change.key for change in offers):
            values = [c.value for c in offers if c.key == key and c.value is not None]
            growing = key in ("divide.gap", "heights.depth_limit")
            found[kind, key] = search(design, kind, Change(key, (max if growing else min)(values)), judge)
    last: dict[str, Change] = {}
    result = []
    for finding in findings:
        changes = [found[finding.kind, c.key] if c.value is not None else c for c in finding.changes]
        working = tuple(
            change for change in changes if change is not None and (change.key != "breaks" or design.breaks != Breaks())
        )
        others = tuple(change for change in working if change.key != "layout.cell")
        if len(others) < len(working) or not others:
            if finding.kind not in last:
                last[finding.kind] = _last_resort(design, finding.kind, judge)
            working = (*others, last[finding.kind]) if last[finding.kind].key == "layout.cell" or not others else others
        result.append(replace(finding, changes=working))
    return tuple(result)
