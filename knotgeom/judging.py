"""What is to be mended in a design that was drawn, and whether strands can be made of it at all."""

from __future__ import annotations

import numpy as np

from .counting import Counted
from .curvature import strong_curvature
from .design import Grid, Making
from .divide import previous_visits
from .drawing import Drawn, is_flat
from .findings import (
    STEEPEST,
    Finding,
    coarse_surface,
    crowded_turns,
    narrowed_overlaps,
    steep_places,
    tight_bends,
    uneven_ground,
)
from .hollow import hollow_crossings
from .meeting import run_into_each_other
from .parts import crossed_again, crowded_parts

TOO_UNEVEN = 0.75
"""How far a surface may differ between strands that cross, in thicknesses; beyond it they meet beside the crossing."""


def findings_of(counted: Counted, drawn: Drawn, *, fine: bool = True) -> tuple[tuple[Finding, ...], bool]:
    """All findings, and whether strands can be made at all; the steps of a draft may sink into each other."""
    c, d = counted, drawn
    before = previous_visits(c.circuits)
    bends, inside = tight_bends(c.layout, c.circuits, d.courses, c.widths, before)
    ground = uneven_ground(c.layout, c.circuits, d.gaps, c.size, c.widths, before)
    steep = steep_places(c.design, c.layout, c.strand_map, c.size, d.relief, d.lanes, d.courses)
    free = c.design.heights.way is Making.FREE
    pressed = free & (d.relief.separation < c.size.thickness + d.uneven)
    eased = narrowed_overlaps(c.layout, c.strand_map, c.size, d.relief, pressed)
    curved, folding = (
        ([], 0.0)
        if d.courses.period and is_flat(c)
        else strong_curvature(
            c.layout,
            c.circuits,
            d.courses,
            d.lanes,
            d.relief.z,
            c.size,
            c.design.heights.way,
            c.widths,
            before,
        )
    )
    # free strands that lie upon one another beside a crossing would collide; united ones merely close an opening
    crowded, least = crowded_turns(c.layout, c.circuits, d.courses, c.widths, before)
    overlap = bool(pressed.any()) or (free and float(d.gaps.apart.min(initial=np.inf)) <= 0)
    overlap |= least <= 0  # a strand that lies upon itself is nothing to unite either
    beside, least = crowded_parts(c.layout, c.circuits, d.courses, c.widths, before)
    overlap |= free and least <= 0
    regular = isinstance(c.design.layout, Grid)
    again = crossed_again(c.layout, c.circuits, c.strand_map, d.courses, c.narrowest.width, before, regular=regular)
    beside = [*beside, *again]
    overlap |= free and bool(again)
    if free and fine and not pressed.any():
        sunk = run_into_each_other(
            c.layout, c.circuits, c.strand_map, d.courses, d.lanes, d.relief.z, c.design.strand, c.narrowest, before
        )
        overlap |= bool(sunk)
        beside = [*beside, *sunk]
    if c.design.heights.way is Making.FUSED:
        hollow = hollow_crossings(
            c.layout, c.strand_map, d.courses, d.lanes, d.footprints, d.relief.z, c.design.strand, c.size
        )
        beside = [*beside, *hollow]
    coarse = d.uneven > TOO_UNEVEN * c.size.thickness
    if coarse:
        curved = [*curved, coarse_surface(d.uneven, c.size)]
    steepest = max(d.relief.tightest.slope, d.relief.steepest)
    makeable = inside > 0 and steepest <= STEEPEST and not overlap and folding < 1
    makeable &= not (coarse and free)  # united strands only show it
    return (*steep, *bends, *ground, *curved, *crowded, *beside, *eased), makeable
