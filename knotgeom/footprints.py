"""Where strands lie over one another in plan: the overlap of two bands at each woven crossing.

Each corner of an overlap is where an edge of one band meets an edge of the other: two curves p(s) and q(t), and the s
and t where p(s) = q(t). Straight lines along the curves' directions u and v would meet after ds = (d x v) / (u x v) and
dt = (d x u) / (u x v), with d = q - p and x the determinant of two plane vectors (Cramer's rule). Taken again from
there that is Newton's method, and a few steps settle gently bent edges. On a curved surface the plane is the one that
touches it at the crossing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .course import Courses
from .divide import StrandMap, circuit_of_visit
from .lanes import Lanes
from .mesh import Floats, Ints
from .trace import Circuits

SETTLED = 1e-9
"""mm that the corner of an overlap may still move."""


@dataclass(frozen=True, slots=True, eq=False)
class Footprints:
    """One row a woven crossing; the last axis is pass 0, pass 1.

    Attributes
    ----------
    lane : (N, 2) int64
        The lane of each strand; for a whole strand of a divided circuit its left lane.
    shared : (N, 2) bool
        Whether that strand is whole there though its circuit is divided, so that both lanes are one strand.
    centre : (N, 2) float64
        Where the two lanes cross, as length along each circuit's centre line, mm.
    corner : (N, 4, 2) float64
        The same for the four corners of the overlap, where an edge of one strand crosses an edge of the other.
    point : (N, 2) float64
        The crossing in plan, mm; (N, 3) on a curved surface.
    """

    lane: Ints
    shared: Ints
    centre: Floats
    corner: Floats
    point: Floats


class Ruler:
    """Looks up places along circuits: between which samples a length falls, and how far from one to the next."""

    def __init__(self, courses: Courses) -> None:
        self.courses = courses
        self.base = np.concatenate([[0.0], np.cumsum(courses.length + 1.0)])[:-1]
        self.key = courses.along + np.repeat(self.base, np.diff(courses.start))

    def find(self, circuit: Ints, along: Floats) -> tuple[Ints, Ints, Floats]:
        """Sample before, sample after, and the fraction between them, for places along circuits (any shape)."""
        courses = self.courses
        wrapped = np.mod(along, courses.length[circuit])
        low = np.searchsorted(self.key, wrapped + self.base[circuit], side="right") - 1
        low = np.clip(low, courses.start[circuit], courses.start[circuit + 1] - 1)
        last = low + 1 == courses.start[circuit + 1]
        high = np.where(last, courses.start[circuit], low + 1)
        stop = np.where(last, courses.length[circuit], courses.along[high])
        fraction = (wrapped - courses.along[low]) / np.maximum(stop - courses.along[low], 1e-12)
        return low, high, np.clip(fraction, 0.0, 1.0)


def lane_place(lanes: Lanes, courses: Courses, ruler: Ruler, lane: Ints, along: Floats) -> Floats:
    """Length along lanes at places given along their circuits' centre lines."""
    circuit = lanes.circuit[lane]
    low, high, fraction = ruler.find(circuit, along)
    shift = lanes.start[lane] - courses.start[circuit]
    a, b = lanes.along[low + shift], lanes.along[high + shift]
    b = np.where(high < low, lanes.length[lane], b)
    place: Floats = a + fraction * (b - a)
    return place


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """The lanes as bands, ready to be asked for points on their edges.

    Attributes
    ----------
    lanes : Lanes
    courses : Courses
    ruler : Ruler
    middle, half : (m,) float64
        How far to the left of the centre line the band's middle lies at each lane sample, and half its width.
    direction : (n, 2) float64
        The way along at each course sample; (n, 3) on a curved surface.
    """

    lanes: Lanes
    courses: Courses
    ruler: Ruler
    middle: Floats
    half: Floats
    direction: Floats

    @classmethod
    def of(cls, lanes: Lanes, courses: Courses) -> Bands:
        """The bands of some lanes."""
        # next to a fork a trunk's sample stands for the whole strand
        trunk = lanes.whole & (lanes.opened == 0.0)
        paired = np.repeat(lanes.paired, np.diff(lanes.start))
        long = np.linalg.norm(courses.lateral, axis=1, keepdims=True)
        lateral = courses.lateral / np.where(long > 0, long, 1.0)  # none where a strand turns right back on the spot
        if courses.lift is None:
            direction = np.stack([lateral[:, 1], -lateral[:, 0]], 1)
        else:
            direction = np.cross(lateral, courses.lift.up)
        half = np.where(trunk & paired, lanes.width, lanes.width / 2)
        return cls(lanes, courses, Ruler(courses), np.where(trunk, 0.0, lanes.offset), half, direction)


def edge_points(bands: Bands, lane: Ints, along: Floats, edge: Floats) -> tuple[Floats, Floats]:
    """Points on a lane's edges (``edge`` -1 right, 0 middle, 1 left) and the direction of the lane there."""
    lanes, courses = bands.lanes, bands.courses
    circuit = lanes.circuit[lane]
    low, high, fraction = bands.ruler.find(circuit, along)
    shift = lanes.start[lane] - courses.start[circuit]

    def at(sample: Ints) -> Floats:
        own = sample + shift
        aside = bands.middle[own] + edge * bands.half[own]
        where: Floats = courses.point[sample] + aside[..., None] * courses.lateral[sample]
        return where

    here = at(low)
    return here + fraction[..., None] * courses.near(at(high) - here), bands.direction[low]


def find_footprints(
    circuits: Circuits, strand_map: StrandMap, courses: Courses, lanes: Lanes, reach: Floats
) -> Footprints:
    """Find the overlap at every woven crossing.

    ``reach`` is the length of the shortest strand step at each edge of the layout, (E,): an overlap that would reach
    further has swallowed the opening beside it, and is cut off there.

    Each corner is where two edges cross, found from the crossing of straight lines by a few steps of Newton's method
    on the curves themselves, all crossings at once.
    """
    owner = circuit_of_visit(circuits)
    count = strand_map.crossings
    edges = int(circuits.visit_edge.max(initial=-1)) + 1
    visit_at = np.zeros((edges, 2), np.int64)
    visit_at[circuits.visit_edge, circuits.visit_pass] = np.arange(len(owner))
    visit = visit_at[strand_map.crossing_edge].reshape(count, 2)
    forward = circuits.visit_forward[visit]
    divided = strand_map.divided[visit]
    side = np.where(divided & ~forward, 1 - strand_map.crossing_sides, strand_map.crossing_sides)
    circuit = owner[visit]
    lane = np.where(divided & (side == 1), lanes.lane_of[circuit, 1], lanes.lane_of[circuit, 0])
    bands = Bands.of(lanes, courses)

    signs = np.array([[0, 0], [-1, -1], [-1, 1], [1, 1], [1, -1]], float)
    lane5 = np.repeat(lane[:, None, :], 5, 1)
    along = np.repeat(courses.visit_along[visit][:, None, :], 5, 1).astype(float)
    home = along.copy()
    step = reach[strand_map.crossing_edge].reshape(count, 1, 1)
    axes = None if courses.lift is None else _axes(lanes, courses, bands.ruler, lane[:, 0], home[:, 0, 0])
    point = np.zeros((count, courses.point.shape[1]))
    row = np.arange(count)  # crossings that are not settled: of those between straight stretches none after two steps
    for _ in range(7):
        p, u = edge_points(bands, lane5[row, :, 0], along[row, :, 0], signs[:, 0])
        q, v = edge_points(bands, lane5[row, :, 1], along[row, :, 1], signs[:, 1])
        point[row] = p[:, 0]
        d = courses.near(q - p)
        if axes is not None:  # seen flat, in the plane that touches the surface at the crossing
            d, u, v = (np.einsum("nkd,nsd->nsk", axes[row], vectors) for vectors in (d, u, v))
        cross = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
        cross = np.where(np.abs(cross) < 0.05, np.where(cross < 0, -0.05, 0.05), cross)
        moved = along[row]
        moved[..., 0] += (d[..., 0] * v[..., 1] - d[..., 1] * v[..., 0]) / cross
        moved[..., 1] += (d[..., 0] * u[..., 1] - d[..., 1] * u[..., 0]) / cross
        moved = np.clip(moved, home[row] - 0.97 * step[row], home[row] + 0.97 * step[row])
        far = (np.abs(moved - along[row]) > SETTLED).any((1, 2))
        along[row] = moved
        row = row[far]
    return Footprints(
        lane=lane,
        shared=~divided & lanes.paired[lane],
        centre=along[:, 0],
        corner=along[:, 1:],
        point=point,
    )


def _axes(lanes: Lanes, courses: Courses, ruler: Ruler, lane: Ints, along: Floats) -> Floats:
    """Two directions along the surface at places on lanes, (n, 2, 3), seen from above as x and y are."""
    assert courses.lift is not None
    low, _, _ = ruler.find(lanes.circuit[lane], along)
    lateral = courses.lateral[low] / np.linalg.norm(courses.lateral[low], axis=1, keepdims=True)
    return np.stack([lateral, np.cross(courses.lift.up[low], lateral)], 1)
