"""Measures to start hand work from, beside those that a panel has."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..design import Section
from .panel import Panel


@dataclass(frozen=True, slots=True)
class StartingValue:
    """A measure to start hand work from; ``low`` to ``high`` in ``unit``. Common practice, no source."""

    what: str
    low: float
    high: float
    unit: str


# All of these: common practice, no source.
STARTING_VALUES = (
    StartingValue("width of a strand", 10.0, 14.0, "mm"),  # common practice, no source
    StartingValue("ground between strands", 4.0, math.inf, "mm"),  # common practice, no source
    StartingValue("depth of the relief", 0.4, 0.6, "of the strand's width"),  # common practice, no source
    StartingValue("step of an over-strand", 0.35, 0.5, "of the depth"),  # common practice, no source
    StartingValue("draft of the walls", 5.0, 10.0, "degrees"),  # common practice, no source
    StartingValue("depth of a dividing line, cut as a V", 1.0, 1.5, "mm"),  # common practice, no source
)


def compare_with_practice(panel: Panel) -> list[dict[str, object]]:
    """Each of :data:`STARTING_VALUES` beside what a panel has; ``within`` is None where the panel has none."""
    counted, drawn = panel.made.counted, panel.made.drawn
    gaps = drawn.gaps.apart if drawn is not None else np.zeros(0)
    divided = bool(counted.strand_map.divided.any()) or counted.strand_map.loops_divided
    incised = panel.made.design.strand.section is Section.MEDIAN_INCISED or (divided and counted.size.gap == 0)
    has = (
        counted.size.width,
        float(gaps.min()) if len(gaps) else None,
        panel.depth / counted.size.width,
        panel.step / panel.depth,
        panel.carving.draft_deg,
        counted.size.groove_depth if incised else None,
    )
    rows: list[dict[str, object]] = []
    for start, value in zip(STARTING_VALUES, has, strict=True):
        within = None if value is None else bool(start.low - 1e-9 <= value <= start.high + 1e-9)
        rows.append(
            {
                "what": start.what,
                "from": start.low,
                "to": start.high if math.isfinite(start.high) else None,
                "unit": start.unit,
                "here": None if value is None else round(value, 3),
                "within": within,
                "source": "common practice, no source",
            }
        )
    return rows
