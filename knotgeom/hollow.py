"""Fused strands that meet nowhere at a crossing though their map has them joined there.

Heights keep the step along the edges of an overlap. Where both strands climb steeply they lie farther apart in its
middle; a section that is thin at its edges, as half-round is, may then touch the other strand nowhere. So the overlap
is looked through at a grid of places: a place is given by how far across it lies on either strand, from edge to edge,
and how far along either strand it lies follows from the overlap's four corners by bilinear interpolation.
"""

from __future__ import annotations

import numpy as np

from .course import Courses
from .cycles import connected_labels
from .design import Sizes, Strand
from .divide import StrandMap
from .findings import Change, Finding, down, place_in_mm, site_name
from .footprints import Footprints, Ruler, lane_place
from .lanes import Lanes
from .layout import Layout
from .meeting import upright
from .mesh import Floats, Ints

_KEPT = 0.9
"""Share of the step that would just join them that is offered."""
_JOINT = 0.03
"""How far strands must seem to lie within each other to count as joined, in thicknesses; less is what is left open."""
_ACROSS = np.linspace(-0.95, 0.95, 9)
"""Places across a strand at which it is looked at, in halves of its width."""
_CORNERS = np.array([[-1, -1], [-1, 1], [1, 1], [1, -1]], float)
"""The edges of both strands that meet at each corner, as :class:`knotgeom.footprints.Footprints` has them."""


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
    """Crossings where two fused strands touch nowhere, or hardly, if a knot falls apart for it; one finding for all.

    Parameters
    ----------
    z : (m,) float64
        Height of every lane sample, mm.
    """
    if not strand_map.crossings:
        return []
    share, low, high = upright(strand, size, size.width)
    across = np.stack([a.ravel() for a in np.meshgrid(_ACROSS, _ACROSS)], 1)  # (k, 2)
    weight = (1 + across[:, None] * _CORNERS).prod(2) / 4
    height = _heights(courses, lanes, footprints.lane, np.einsum("kc,ncp->nkp", weight, footprints.corner), z)
    top, under = (height + np.interp(across, share, side) for side in (high, low))
    above = height.mean(1).argmax(1)[:, None]  # (N, 1)
    one, other = (
        np.take_along_axis(side, which[..., None], 2)[..., 0] for side, which in ((under, above), (top, 1 - above))
    )
    lacking = (one - other).min(1) + _JOINT * size.thickness
    empty = np.flatnonzero(lacking > 0)
    if _bodies(lanes, footprints.lane[lacking <= 0]) == _bodies(lanes, footprints.lane):
        return []
    worst = int(lacking.argmax())
    sites = [site_name(layout, int(edge)) for edge in np.unique(strand_map.crossing_edge[empty])]
    climb = float(np.abs(np.diff(height[worst], axis=1)).mean())
    keep = _KEPT * size.step * (1 - float(lacking[worst]) / climb)
    return [
        Finding(
            "hollow",
            f"crossing {sites[0]}" if len(sites) == 1 else f"{len(sites)} crossings, the first {sites[0]}",
            round(float(lacking[worst]), 4),
            f"both strands climb so steeply that {lacking[worst]:.3f} mm are wanting for them to be joined there",
            place_in_mm(footprints.point[worst]),
            (Change("heights.step", down(keep)), Change("strand.width", down(0.9 * size.width))),
        )
    ]


def _bodies(lanes: Lanes, joined: Ints) -> int:
    """How many bodies there are if these lanes are joined, (n, 2); halves of one strand are one where it is whole."""
    lane = np.repeat(np.arange(len(lanes.circuit)), np.diff(lanes.start))
    whole = lanes.lane_of[np.unique(lanes.circuit[lane[lanes.whole]])]
    one, other = np.concatenate([joined, whole]).T
    return len(np.unique(connected_labels(len(lanes.circuit), one, other)))


def _heights(courses: Courses, lanes: Lanes, lane: Ints, along: Floats, z: Floats) -> Floats:
    """Heights of both strands of each crossing at lengths along their circuits, (N, k, 2) mm."""
    lane = np.broadcast_to(lane[:, None], along.shape)
    place = np.mod(lane_place(lanes, courses, Ruler(courses), lane, along), lanes.length[lane])
    # all lanes one after another, each closed by its first height
    base = np.concatenate([[0.0], np.cumsum(lanes.length + 1.0)])[:-1]
    key = np.insert(lanes.along + np.repeat(base, np.diff(lanes.start)), lanes.start[1:], base + lanes.length)
    return np.asarray(np.interp(place + base[lane], key, np.insert(z, lanes.start[1:], z[lanes.start[:-1]])))
