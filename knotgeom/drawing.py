"""Draw the strands of a counted design: where they run, how high they lie, and the mesh that is swept along them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from .counting import Counted
from .course import Courses, plan_courses
from .design import Making
from .divide import circuit_of_visit
from .footprints import Footprints, find_footprints
from .gaps import Approaches, measure_gaps
from .heights import Relief, raise_strands
from .lanes import Lanes, lay_lanes
from .layout.ring import rolled
from .layout.room import check_room
from .loop import unlooped
from .mesh import Floats, Mesh
from .progress import Progress, silent
from .seam import laid_flat
from .sweep import sweep
from .uneven import unevenness

FINEST, FINE, COARSE = 60, 14, 6
"""Samples to the straight step between two crossings of the plain plait."""


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """Curves and heights of a design.

    ``uneven`` is how far the surface differs between strands that cross, mm; see :mod:`knotgeom.uneven`.
    """

    courses: Courses
    lanes: Lanes
    footprints: Footprints
    relief: Relief
    gaps: Approaches
    uneven: float


def sample_spacing(counted: Counted, fine: bool = True) -> float:
    """Greatest distance between samples along the strands, mm.

    A half climbs its separation within the gap between two others, so there the samples must lie closer.
    """
    step = counted.layout.step
    if not fine:
        return step / COARSE
    strands = counted.strand_map
    divided = np.unique(circuit_of_visit(counted.circuits)[strands.divided]).tolist()
    gap = min((counted.own.get(circuit, counted.size).gap for circuit in divided), default=0.0)
    if gap > 0:
        share = 0.3 if counted.design.heights.way is Making.FREE else 0.45
        return max(min(step / FINE, share * gap), step / FINEST)
    return step / FINE


def draw(counted: Counted, *, fine: bool = True, closer: float = 1.0, progress: Progress = silent) -> Drawn:
    """Draw the curves of a counted design and find their heights; ``closer`` lays samples so many times as close.

    Raises
    ------
    DesignError
        If the layout has a place that strands fit through only as hairs.
    """
    design, size = counted.design, counted.size
    check_room(design.layout, counted.layout)
    progress(0.3, "drawing the strands")
    courses = plan_courses(
        design, counted.layout, counted.circuits, size, sample_spacing(counted, fine) / closer, counted.own
    )
    lanes = lay_lanes(counted.circuits, counted.strand_map, courses, size, counted.own)
    footprints = find_footprints(counted.circuits, counted.strand_map, courses, lanes, counted.layout.reach)
    gaps = measure_gaps(design.layout, counted.layout, counted.circuits, courses, counted.widths)
    progress(0.45, "finding the heights")
    heights = design.heights
    limit = heights.slope_limit_deg
    sized, uneven = counted.narrowest, unevenness(courses, lanes, footprints)
    if heights.way is Making.FREE:  # what the surface itself takes of the room between two strands
        sized = replace(sized, separation=sized.separation + uneven)
    relief = raise_strands(
        courses,
        lanes,
        counted.strand_map,
        counted.weaving,
        footprints,
        sized,
        heights.way,
        heights.depth_limit,
        None if limit is None else math.tan(math.radians(limit)),
    )
    return Drawn(courses, lanes, footprints, relief, gaps, uneven)


def is_flat(counted: Counted) -> bool:
    """Whether a strip is laid flat, not round a cylinder."""
    return getattr(counted.design.layout, "surface", None) is None


def swept(counted: Counted, drawn: Drawn) -> Mesh:
    """The strands as they are drawn, each for itself; a flat strip's laid flat again, cut where it comes round."""
    courses = drawn.courses
    mesh = sweep(courses, drawn.lanes, drawn.relief.z, counted.design.strand, counted.size, counted.design.heights.way)
    if not courses.flat:
        return mesh
    flat = replace(mesh, vertices=unlooped(mesh.vertices, courses.period, courses.roll))
    return laid_flat(flat, courses.period, counted.size.width)


def centre_lines(counted: Counted, drawn: Drawn) -> tuple[Floats, ...]:
    """Centre lines of the lanes as they lie in space, each (n, 3), closed, mm."""
    courses, lanes = drawn.courses, drawn.lanes
    shift = np.where(lanes.whole, 0.0, lanes.offset)[:, None]
    plan = courses.point[lanes.sample] + shift * courses.lateral[lanes.sample]
    if courses.period:
        line = np.column_stack([plan, drawn.relief.z])
        if is_flat(counted):
            line[:, 0] %= courses.period
        else:
            line = rolled(line, courses.period, courses.roll)
    elif courses.lift is None:
        line = np.column_stack([plan, drawn.relief.z])
    else:
        line = plan + drawn.relief.z[:, None] * courses.lift.up[lanes.sample]
    return tuple(line[a:b] for a, b in zip(lanes.start[:-1].tolist(), lanes.start[1:].tolist(), strict=True))
