"""What a kit's pieces repeat: one repeat of the strip, where it is cut, and what is divided of it.

Places along the run are counted in cells (``c``) from the boundary between two repeats that is nearest the joint.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from ..design import Design, Divide, Rim, Strip
from ..divide import divided_visits
from ..errors import DesignError
from ..layout import lay_out, pass_index
from ..resolve import resolved
from ..sizing import sizes
from ..trace import trace

ROOM = 2
"""Cells between a port and the joint, at least."""
FEWEST = 3
"""A strip has at least so many cells from seam to seam; shorter repeats are taken several times."""
OUTSIDE = 0.75
"""Strands that cross on an edge loop no farther than so many cells beyond it."""


def strip_of(design: Design) -> Strip:
    """The flat strip that a kit is made of.

    Raises
    ------
    DesignError
        If the layout is none.
    """
    layout = design.layout
    if not isinstance(layout, Strip) or layout.surface is not None:
        raise DesignError(
            "a trim kit is made of a flat strip", "give a layout of kind strip without a surface", "layout"
        )
    if design.strand.circuits and any(style.width is not None for style in design.strand.circuits):
        raise DesignError(
            "strands of several widths do not fit at corners", "give all strands of a trim one width", "strand.circuits"
        )
    return layout


def one_repeat(design: Design) -> Design:
    """The strip with one repeat (several where one is very short) and all lengths that have defaults filled in."""
    strip = strip_of(design)
    count = -(-FEWEST // strip.columns)
    size = sizes(design)
    strand = replace(
        design.strand,
        width=size.width,
        thickness=size.thickness,
        groove=replace(design.strand.groove, depth=size.groove_depth),
        circuits=(),
    )
    filled = replace(
        design,
        layout=replace(strip, repeats=count),
        strand=strand,
        divide=replace(design.divide, gap=size.gap if design.divide.gap is not None else None),
        heights=replace(design.heights, step=size.step),
    )
    return resolved(filled)


def plain(design: Design) -> Design:
    """The same strip with no strand divided."""
    return replace(design, divide=Divide())


def divides(design: Design) -> bool:
    """Whether the strip divides anything."""
    return design.divide.all or bool(design.divide.circuits or design.divide.passes)


@dataclass(frozen=True, slots=True)
class Pattern:
    """The strip as it is repeated along arms: its design, phase (half cells), and passes that are divided.

    ``divided`` and ``preferred`` are sites of the strip, in half cells, each with the index of a pass there.
    """

    design: Design
    strip: Strip
    phase: float
    divided: frozenset[tuple[int, int, int]]
    preferred: tuple[tuple[int, int, int], ...]

    @property
    def columns(self) -> int:
        return self.strip.columns

    @property
    def rim(self) -> Rim:
        """Of every piece; both edges of the strip are alike where there are other pieces than straight ones."""
        return self.strip.lower_edge

    @property
    def height(self) -> float:
        """Of the strip's cells, mm."""
        return self.strip.rows * self.strip.cell_height

    @property
    def reach(self) -> float:
        """The height with room on both sides for what loops beyond a crossed edge, mm."""
        crossed = Rim.CROSSED in (self.strip.lower_edge, self.strip.upper_edge)
        return self.height + (2 * OUTSIDE * self.strip.cell_height if crossed else 0.0)

    @property
    def behind(self) -> float:
        """Where the port is, in cells before a joint at c = 0, with room; a joint lies between two repeats."""
        return self.before(ROOM)

    @property
    def ahead(self) -> float:
        """The same after a joint."""
        return self.after(ROOM)

    def before(self, least: float) -> float:
        """The nearest seam that is at least so many cells before a joint."""
        return -_room(-self.phase / 2, self.columns, least)

    def after(self, least: float) -> float:
        """The nearest seam that is at least so many cells after a joint."""
        return _room(self.phase / 2, self.columns, least)


def _room(start: float, columns: int, least: float) -> float:
    """The least ``start`` plus whole repeats that is at least ``least``."""
    return start + columns * math.ceil((least - start) / columns - 1e-9)


def pattern_of(design: Design, phase: float) -> Pattern:
    """What arms repeat of a strip with one repeat that is cut at a phase, in half cells."""
    strip = strip_of(design)
    layout = lay_out(strip, design.breaks)
    circuits = trace(layout)
    found = divided_visits(layout, circuits, design.divide)
    divided = frozenset(
        (*layout.site[edge].tolist(), index)
        for edge, index, part in zip(
            circuits.visit_edge.tolist(), circuits.visit_pass.tolist(), found.tolist(), strict=True
        )
        if part
    )
    at = {tuple(site): edge for edge, site in enumerate(layout.site.tolist())}
    preferred = tuple(
        (wish.x, wish.y, pass_index(layout, at[wish.x, wish.y], wish.way)) for wish in design.weave.prefer
    )
    return Pattern(design, strip, phase, divided, preferred)
