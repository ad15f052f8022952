"""Lay out, trace, divide and weave: all that is known of a design before any curve is drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from .design import Breaks, Design, Divide, Layouts, Sizes, Weave
from .divide import StrandMap, divide_strands
from .layout import Layout, lay_out
from .mesh import Floats
from .progress import Progress, silent
from .reading import check
from .resolve import resolved
from .sizing import sizes
from .styles import circuit_styles, own_sizes
from .trace import Circuits, trace
from .weave import Weaving, weave_strands


@dataclass(frozen=True, slots=True, eq=False)
class Counted:
    """What is known of a design before any curve is drawn.

    ``own`` has the sizes of circuits with a width of their own, ``colours`` the circuits' own colours.
    """

    design: Design
    size: Sizes
    layout: Layout
    circuits: Circuits
    strand_map: StrandMap
    weaving: Weaving
    own: Mapping[int, Sizes]
    colours: Mapping[int, str]

    @property
    def narrowest(self) -> Sizes:
        """The sizes of the narrowest strand."""
        return min([self.size, *self.own.values()], key=lambda size: size.width)

    @property
    def widths(self) -> Floats:
        """Width of each circuit, mm, (C,)."""
        return np.array([self.own.get(circuit, self.size).width for circuit in range(self.circuits.count)])


@lru_cache(maxsize=2)
def _woven(
    options: Layouts, breaks: Breaks, divide: Divide, weave: Weave
) -> tuple[Layout, Circuits, StrandMap, Weaving]:
    """All that widths, sections and heights have no part in: kept, since with many forks weaving takes the longest."""
    layout = lay_out(options, breaks)
    circuits = trace(layout)
    strand_map = divide_strands(layout, circuits, divide)
    return layout, circuits, strand_map, weave_strands(layout, strand_map, weave)


def count(design: Design, progress: Progress = silent) -> Counted:
    """Lay out, trace, divide and weave a design.

    Raises
    ------
    DesignError
        If the design is impossible.
    """
    check(design)
    design = resolved(design)
    progress(0.05, "weaving")
    layout, circuits, strand_map, weaving = _woven(
        design.layout, design.breaks, replace(design.divide, gap=None), design.weave
    )
    styles = circuit_styles(design, layout, circuits)
    colours = {circuit: style.colour for circuit, style in styles.items() if style.colour is not None}
    own = own_sizes(design, layout, circuits)
    return Counted(design, sizes(design), layout, circuits, strand_map, weaving, own, colours)
