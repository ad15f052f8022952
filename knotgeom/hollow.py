"""Fused strands that meet nowhere at a crossing though their map has them joined there.

Heights keep the step along the edges of an overlap. Where both strands climb steeply they lie farther apart in its
middle; a section that is thin at its edges, as half-round is, may then touch the other strand nowhere.
"""

from __future__ import annotations

import numpy as np

from .course import Courses
from .design import Sizes, Strand
from .divide import StrandMap
from .findings import Change, Finding, down, place_in_mm, site_name
from .footprints import Footprints, Ruler, lane_place
from .lanes import Lanes
from .layout import Layout
from .meeting import upright
from .mesh import Floats, Ints

_KEPT = 0.9
"""Share of the step at which both would just touch that is offered."""


def hollow_crossings(
    layout: Layout,
    strand_map: StrandMap,
    courses: Courses,
    lanes: Lanes,
    footprints: Footprints,
    z: Floats,
    strand: Strand,
    size: Sizes,
) -> list[Finding]:
    """Crossings in whose middle two fused strands lie apart; one finding for all of them.

    Parameters
    ----------
    z : (m,) float64
        Height of every lane sample, mm.
    """
    if not strand_map.crossings:
        return []
    share, low, high = upright(strand, size, size.width)
    thick = float(np.interp(0.0, share, high) - np.interp(0.0, share, low))
    apart = _climb(courses, lanes, footprints, z)
    empty = np.flatnonzero(apart > thick)
    if not len(empty):
        return []
    worst = int(apart.argmax())
    sites = [site_name(layout, int(edge)) for edge in np.unique(strand_map.crossing_edge[empty])]
    keep = _KEPT * size.step * thick / float(apart[worst])
    return [
        Finding(
            "hollow",
            f"crossing {sites[0]}" if len(sites) == 1 else f"{len(sites)} crossings, the first {sites[0]}",
            round(float(apart[worst]) - thick, 4),
            f"between both strands {apart[worst] - thick:.4f} mm are left in the middle, and they may touch nowhere",
            place_in_mm(footprints.point[worst]),
            (Change("heights.step", down(keep)), Change("strand.width", down(0.9 * size.width))),
        )
    ]


def _climb(courses: Courses, lanes: Lanes, footprints: Footprints, z: Floats) -> Floats:
    """How far one strand's middle lies over the other's where they cross, (N,) mm."""
    lane: Ints = footprints.lane
    place = np.mod(lane_place(lanes, courses, Ruler(courses), lane, footprints.centre), lanes.length[lane])
    base = np.concatenate([[0.0], np.cumsum(lanes.length + 1.0)])[:-1]
    key = lanes.along + np.repeat(base, np.diff(lanes.start))
    before = np.clip(np.searchsorted(key, place + base[lane], side="right") - 1, lanes.start[lane], None)
    last = before + 1 == lanes.start[lane + 1]
    after = np.where(last, lanes.start[lane], before + 1)
    end = np.where(last, lanes.length[lane], lanes.along[np.minimum(after, len(z) - 1)])
    part = (place - lanes.along[before]) / np.maximum(end - lanes.along[before], 1e-12)
    height = z[before] + part * (z[after] - z[before])
    return np.asarray(np.abs(height[:, 0] - height[:, 1]))
