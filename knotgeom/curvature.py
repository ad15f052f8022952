"""Where a curved surface bends too strongly for what lies on it.

A place that lies ``h`` above a surface bending away with curvature ``k`` (1/mm) is ``1 + k h`` times as far from its
neighbour as the places under them: parallel surfaces, M. do Carmo, Differential Geometry of Curves and Surfaces, 1976,
sec. 3-5. At 0 a section folds over: on the inside of a ring too thick, or above a hollow. Across its width a strand
turns by ``k`` times the width; more than a quarter turn to one side and it stands square to its own middle.
"""

from __future__ import annotations

import math

import numpy as np

from .course import Courses
from .design import Making, Sizes
from .divide import circuit_of_visit
from .findings import MOST, Change, Finding, down, place_in_mm, run_name
from .lanes import Lanes
from .layout import Layout
from .layout.ring import rolled
from .mesh import Floats, Ints
from .trace import Circuits

SHRINKS = 0.5
"""Most that a place above or below the surface may draw near its neighbours, as a share: common practice, no source."""
TURNS = 1.0
"""Most that the surface may turn across half a strand's width, in radians: common practice, no source."""


def strong_curvature(
    layout: Layout,
    circuits: Circuits,
    courses: Courses,
    lanes: Lanes,
    z: Floats,
    size: Sizes,
    way: Making,
    widths: Floats,
    before: Ints,
) -> tuple[list[Finding], float]:
    """Places where the surface bends too strongly for thickness, heights or width; and how near any is to folding.

    A strip that is laid flat has none: the caller leaves it out.

    Parameters
    ----------
    z : (m,) float64
        Height of every lane sample, mm.
    widths : (C,) float64
        Width of each circuit, mm.

    Returns
    -------
    findings : list of Finding
        One for each run between two crossings, worst first.
    worst : float
        1 or more where a section folds.
    """
    if courses.lift is None and not courses.period:
        return [], 0.0
    least, most, bow = _bends(courses, lanes.sample)
    low, high = z - size.thickness / 2, z + size.thickness / 2
    if way is Making.CARVED and len(z):
        low = np.full(len(z), low.min())  # it stands on the ground
    ends = np.stack([low * least, low * most, high * least, high * most])
    shrinks = -ends.min(0, initial=0.0)
    owner = np.repeat(np.arange(circuits.count), np.diff(courses.start))[lanes.sample]
    half = widths[owner] / 2
    turns = np.abs(bow) * half if not courses.period else np.zeros(len(z))  # a cylinder is rolled up whole
    worst = max(float(shrinks.max(initial=0.0)), float(turns.max(initial=0.0)) / (math.pi / 2))

    strength = np.maximum(shrinks / SHRINKS, turns / TURNS)
    bad = np.flatnonzero(strength > 1 + 1e-9)
    visit = _visits(circuits, courses, owner[bad], lanes.sample[bad])
    found: list[tuple[float, Finding]] = []
    for run in np.unique(np.stack([owner[bad], visit], 1), axis=0):
        mine = bad[(owner[bad] == run[0]) & (visit == run[1])]
        place = run_name(layout, circuits, int(run[1]), before) if run[1] >= 0 else "on a loop without a crossing"
        at = int(mine[strength[mine].argmax()])
        changes, measured = [], []
        by_height, by_width = mine[shrinks[mine].argmax()], mine[turns[mine].argmax()]
        if shrinks[by_height] > SHRINKS:
            ratio = SHRINKS / float(shrinks[by_height])
            changes.append(Change("strand.thickness", down(0.98 * ratio * size.thickness)))
            measured.append(
                f"what lies above or below it draws together by {100 * shrinks[by_height]:.0f} % where "
                f"{100 * SHRINKS:.0f} % can be had"
            )
        if turns[by_width] > TURNS:
            ratio = TURNS / float(turns[by_width])
            changes.insert(0, Change("strand.width", down(0.98 * ratio * 2 * float(half[by_width]))))
            measured.append(
                f"half the width turns by {math.degrees(turns[by_width]):.0f} degrees where {math.degrees(TURNS):.0f} "
                "can be had"
            )
        radius = 1 / max(float(np.abs([least[at], most[at]]).max()), 1e-12)
        if len(changes) > 1:  # one alone would not do
            changes = [Change("layout.cell", None)]
        found.append(
            (
                float(strength[at]),
                Finding(
                    "curvature",
                    place,
                    round(radius, 4),
                    f"the surface bends with a radius of {radius:.2f} mm, and {' and '.join(measured)}",
                    place_in_mm(_place(courses, int(lanes.sample[at]))),
                    tuple(change for change in changes if change.value != 0) or (Change("layout.cell", None),),
                ),
            )
        )
    return [finding for _, finding in sorted(found, key=lambda pair: -pair[0])[:MOST]], worst


def _bends(courses: Courses, sample: Ints) -> tuple[Floats, Floats, Floats]:
    """Least and greatest curvature of the surface, and that across the strand, 1/mm, positive where it falls away."""
    if courses.lift is None:
        flat, round_about = np.zeros(len(sample)), np.full(len(sample), 1 / courses.roll)
        return flat, round_about, flat
    lift = courses.lift
    bow, twist, slope = lift.bow[sample], lift.twist[sample], lift.slope[sample]
    middle, away = (bow + slope) / 2, np.hypot((bow - slope) / 2, twist)
    return middle - away, middle + away, bow


def _place(courses: Courses, sample: int) -> Floats:
    point = courses.point[sample]
    if courses.lift is not None:
        on_surface: Floats = point
        return on_surface
    on_cylinder: Floats = rolled(np.append(point, 0.0)[None], courses.period, courses.roll)[0]
    return on_cylinder


def _visits(circuits: Circuits, courses: Courses, owner: Ints, sample: Ints) -> Ints:
    """The crossing that each sample runs up to, as a visit; -1 on loops without one."""
    visit = np.full(len(sample), -1)
    of_visit = circuit_of_visit(circuits)
    for circuit in np.unique(owner).tolist():
        visits = np.flatnonzero(of_visit == circuit)
        if len(visits):
            mine = np.flatnonzero(owner == circuit)
            visits = visits[np.argsort(courses.visit_along[visits], kind="stable")]
            later = np.searchsorted(courses.visit_along[visits], courses.along[sample[mine]] - 1e-9)
            visit[mine] = visits[later % len(visits)]
    return visit
