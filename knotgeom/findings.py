"""What cannot be made, or would look wrong: where, how far off, and the remedy in numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from .course import Courses
from .design import FREE, Design, Making, Sizes
from .divide import StrandMap, circuit_of_visit
from .footprints import Ruler
from .gaps import Approaches
from .heights import Relief
from .lanes import Lanes, run_bounds
from .layout import Layout
from .mesh import Bools, Floats, Ints
from .trace import Circuits
from .weave import Weaving

EVEN = 0.2
"""How far the background may differ from the plain plait's: common practice, no source."""
INSIDE = 0.25
"""Least inside radius of a bend, in strand widths: common practice, no source."""
MOST = 12
"""Findings of one kind that are listed one by one, worst first."""


class Change(NamedTuple):
    """A change of the design that would do as a remedy.

    ``key`` is a path in the design file such as ``strand.width`` and ``value`` what it should be; or ``breaks`` with
    None: take away the break nearest to the finding's place; ``divide`` with None: do not divide there;
    ``layout.cell`` with how many times as large cells are to be, None where that was not tried; or ``layout`` with
    None: none of these does alone.
    """

    key: str
    value: float | None


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to mend.

    Attributes
    ----------
    kind : str
        ``bend``, ``ground``, ``slope``, ``depth``, ``step``, ``weave``, ``curvature``, ``hollow``.
    place : str
        Where, in the designer's terms.
    value : float or None
        What was measured, in mm or degrees.
    measured : str
        The same in words, beside what would be right.
    at : (float, float) or None
        The place in plan, mm; three numbers where the layout lies on a curved surface.
    changes : tuple of Change
        The remedy for a program to apply; any one of them does.
    """

    kind: str
    place: str
    value: float | None
    measured: str
    at: tuple[float, ...] | None = None
    changes: tuple[Change, ...] = ()

    @property
    def remedy(self) -> str:
        """What was measured and what would do, in words and numbers."""
        return f"{self.measured}; {' or '.join(_words(change) for change in self.changes)} would do"


NAMES = {
    "strand.width": "width",
    "strand.thickness": "thickness",
    "divide.gap": "gap",
    "heights.step": "step",
    "heights.depth_limit": "depth limit",
    "heights.clearance": "clearance",
    "strand.groove.depth": "groove depth",
}


_OTHERS = {
    "breaks": "one break less there",
    "divide": "no dividing there",
    "layout": "another layout there",
    "layout.cell": "a larger cell",
}


def _words(change: Change) -> str:
    if change.key == "layout.cell" and change.value is not None:
        return f"cells {change.value:g} times as large"
    if change.value is not None:
        return f"a {NAMES[change.key]} of {change.value:.4g} mm"
    return _OTHERS[change.key]


BEND = 2.4
"""Length of strand, in widths, that turns right back in the tightest bend: half a circle of 0.75 widths."""
AT_CROSSING = 2.0
"""How far a strand lies upon the one it crosses at most, from the crossing on, in widths."""
TOUCHING = 0.02
"""Background below which a strand is said to touch itself, in widths."""


def site_name(layout: Layout, edge: int) -> str:
    """How a finding names a site: its place in half cells, or its edge on a free mesh."""
    x, y = layout.site[edge].tolist()
    return f"{x}" if y == FREE else f"[{x}, {y}]"


def place_in_mm(point: Floats) -> tuple[float, ...]:
    """A place in mm to four decimals: in plan, or in space on a curved surface."""
    return tuple(round(float(value), 4) for value in point)


def down(value: float) -> float:
    """Rounded down to a hundredth."""
    return math.floor(value * 100 + 1e-6) / 100


def _up(value: float) -> float:
    return math.ceil(value * 100 - 1e-6) / 100


def run_name(layout: Layout, circuits: Circuits, visit: int, before: Ints) -> str:
    """The run of strand that leads to a visit, in the designer's terms; ``before`` has the visit before each."""
    start, end = circuits.visit_edge[before[visit]], circuits.visit_edge[visit]
    return f"between crossings {site_name(layout, start)} and {site_name(layout, end)}"


def tight_bends(
    layout: Layout, circuits: Circuits, courses: Courses, widths: Floats, before: Ints
) -> tuple[list[Finding], float]:
    """Bends whose inside edge is tighter than a quarter of the width, and the least inside radius of all in mm.

    ``widths`` has the width of each circuit, (C,).
    """
    radius = 1.0 / np.maximum(np.abs(courses.curvature), 1e-12)
    owner = np.repeat(np.arange(circuits.count), np.diff(courses.start))
    wide = widths[owner]
    inside = radius - wide / 2
    least = float(inside.min(initial=np.inf))
    bad = np.flatnonzero(inside < INSIDE * wide * (1 - 1e-3))
    found: list[tuple[float, Finding]] = []
    if not len(bad):
        return [], least
    # one finding a run: the visit that follows the place along its circuit
    visit = np.full(len(bad), -1)
    for k, sample in enumerate(bad.tolist()):
        circuit = int(owner[sample])
        first, last = int(circuits.visit_start[circuit]), int(circuits.visit_start[circuit + 1])
        if last > first:
            along = courses.visit_along[first:last]
            later = np.flatnonzero(along >= courses.along[sample] - 1e-9)
            visit[k] = first + int(later[along[later].argmin()] if len(later) else along.argmin())
    for run in np.unique(np.stack([owner[bad], visit], 1), axis=0):
        mine = bad[(owner[bad] == run[0]) & (visit == run[1])]
        sample = int(mine[inside[mine].argmin()])
        place = run_name(layout, circuits, int(run[1]), before) if run[1] >= 0 else "on a loop without a crossing"
        width = float(radius[sample]) / (0.5 + INSIDE)
        found.append(
            (
                float(inside[sample]),
                Finding(
                    "bend",
                    place,
                    round(float(inside[sample]), 4),
                    f"the bend's inside edge has a radius of {inside[sample]:.2f} mm, a quarter of the width is "
                    f"{wide[sample] / 4:.2f} mm",
                    place_in_mm(courses.point[sample]),
                    (Change("strand.width", down(width)),),
                ),
            )
        )
    return [finding for _, finding in sorted(found, key=lambda pair: pair[0])[:MOST]], least


def uneven_ground(
    layout: Layout, circuits: Circuits, gaps: Approaches, size: Sizes, widths: Floats, before: Ints
) -> list[Finding]:
    """Neighbouring strands nearer together than four fifths of the background that they have in the plain plait."""
    found: list[Finding] = []
    owner = circuit_of_visit(circuits)
    # where cells differ, what is usual differs with them
    pitch = layout.pitch[circuits.visit_edge[gaps.visit]].min(1) if len(gaps.apart) else gaps.apart
    usual = pitch - widths[owner[gaps.visit]].mean(1) if len(gaps.apart) else gaps.apart
    for k in np.argsort(gaps.apart / np.maximum(usual, 1e-9), kind="stable").tolist():
        apart, plain = float(gaps.apart[k]), float(usual[k])
        if apart >= (1 - EVEN) * plain - 1e-9 or len(found) >= MOST:
            break
        a, b = (run_name(layout, circuits, int(v), before) for v in gaps.visit[k])
        # a first estimate; how far strands stand from walls goes with their width, so it has to be tried
        width = min((apart + size.width - (1 - EVEN) * size.pitch) / EVEN, 0.95 * size.width)
        width = max(width, 0.8 * size.width)
        found.append(
            Finding(
                "ground",
                f"{a} and {b}",
                round(apart, 4),
                f"the background is {apart:.2f} mm here and {plain:.2f} mm in the plain plait"
                if apart > 0
                else f"the strands lie {-apart:.2f} mm upon one another, so that the opening between them is closed",
                place_in_mm(gaps.point[k]),
                (Change("strand.width", down(width)), Change("breaks", None)),
            )
        )
    return found


def crowded_turns(
    layout: Layout, circuits: Circuits, courses: Courses, widths: Floats, before: Ints
) -> tuple[list[Finding], float]:
    """Strands that turn past wall after wall until they lie upon themselves, and the least background so measured.

    The least is infinite where no strand comes as near itself as to touch.

    What one run of strand encloses is no opening between two of them, and a loop without a crossing bounds no opening
    at all, so no nearest approach measures either. Here every place on such a run or loop is held against those on it
    that are more than a bend away.
    """
    found: list[Finding] = []
    least = math.inf
    ruler = Ruler(courses)
    owner = circuit_of_visit(circuits)
    begin, end = run_bounds(circuits, courses, np.arange(len(owner)))
    long = np.flatnonzero(courses.run_bent & (end - begin > 2 * BEND * widths[owner]))
    loops = np.flatnonzero(np.diff(circuits.visit_start) == 0)
    turns = [(int(owner[v]), float(begin[v]), float(end[v]), int(v)) for v in long.tolist()]
    turns += [(int(c), 0.0, float(courses.length[c]), -1) for c in loops.tolist()]
    for circuit, first, last, visit in turns:
        width, length = float(widths[circuit]), float(courses.length[circuit])
        if visit >= 0 and circuits.visit_edge[before[visit]] == circuits.visit_edge[visit]:
            # from a crossing back to itself: there the strand does lie upon itself, as it is woven
            first, last = first + AT_CROSSING * width, last - AT_CROSSING * width
            if last - first < BEND * width:
                continue
        number = min(max(int((last - first) / (0.15 * width)), 8), 1500)
        along = first + (last - first) * (np.arange(number) + 0.5) / number
        low, high, share = ruler.find(np.full(number, circuit), along)
        point = courses.point[low] + share[:, None] * courses.near(courses.point[high] - courses.point[low])
        around = length if visit < 0 else math.inf
        apart, nearest = _to_itself(courses, point, along, around, BEND * width, (1 + TOUCHING) * width)
        near = apart - width
        least = min(least, near)
        if near > TOUCHING * width:
            continue
        background = float(np.median(layout.pitch)) - width
        place = run_name(layout, circuits, visit, before) if visit >= 0 else "on a loop without a crossing"
        found.append(
            Finding(
                "ground",
                place,
                round(near, 4),
                f"the background within its turns is {near:.2f} mm and {background:.2f} mm in the plain plait"
                if near > 0
                else f"the strand lies {-near:.2f} mm upon itself",
                place_in_mm(point[nearest]),
                (Change("strand.width", down(0.9 * width)), Change("breaks", None)),
            )
        )
    return found[:MOST], least


_TOGETHER = 16  # places in a row that are looked at as one


def _to_itself(
    courses: Courses, point: Floats, along: Floats, around: float, away: float, reach: float
) -> tuple[float, int]:
    """The least distance between two places at least ``away`` apart along a strand, and the first of them.

    Infinite where none is within ``reach``. ``around`` is the length of a closed strand. Rows of places whose balls lie
    further apart are passed over as a whole.
    """
    start = np.arange(0, len(point), _TOGETHER)
    member = np.minimum(start[:, None] + np.arange(_TOGETHER), len(point) - 1)
    spread = np.linalg.norm(courses.near(point[member] - point[start][:, None]), axis=2).max(1)
    apart = np.linalg.norm(courses.near(point[start][:, None] - point[start][None]), axis=2)
    one, other = np.nonzero(np.triu(apart <= reach + spread[:, None] + spread[None]))
    some = along[member[other, -1]] - along[member[one, 0]] >= away
    a, b = member[one[some]][:, :, None], member[other[some]][:, None, :]
    distance = np.linalg.norm(courses.near(point[a] - point[b]), axis=3)
    far = np.abs(along[a] - along[b])
    distance[np.minimum(far, around - far) < away] = np.inf
    if not distance.size or float(distance.min()) > reach:
        return math.inf, 0
    return float(distance.min()), int(np.broadcast_to(a, distance.shape).ravel()[distance.argmin()])


def coarse_surface(uneven: float, size: Sizes) -> Finding:
    """A mesh whose facets are too large for the strand: one strand's surface is not that of the one it crosses."""
    return Finding(
        "curvature",
        "a crossing",
        round(uneven, 4),
        f"the mesh is coarse for its strands: seen along two of them its surface lies {uneven:.2f} mm apart",
        None,
        (Change("strand.width", down(0.7 * size.width)), Change("layout.cell", None)),
    )


def steep_places(
    design: Design, layout: Layout, strand_map: StrandMap, size: Sizes, relief: Relief, lanes: Lanes, courses: Courses
) -> list[Finding]:
    """Slope and depth limits that are not kept, with what would keep them."""
    heights = design.heights
    found = []
    limit = heights.slope_limit_deg
    steep = math.degrees(math.atan(relief.steepest))
    impossible = max(relief.tightest.slope, relief.steepest) > STEEPEST
    if impossible or (limit is not None and steep > limit + 1e-6):
        allowed = math.tan(math.radians(limit if limit is not None else 60.0))
        found.append(_slope_finding(design, layout, strand_map, size, relief, allowed, steep, lanes, courses))
    depth = float(np.ptp(relief.z)) + size.thickness if len(relief.z) else size.thickness
    if heights.depth_limit is not None and depth > heights.depth_limit * (1 + 1e-6) + 1e-6:
        room = heights.depth_limit - size.thickness
        word = "thickness" if heights.way is Making.FREE else "step"
        keep = max(size.separation * room / max(depth - size.thickness, 1e-9), 0.0)
        measured = f"the strands take {depth:.2f} mm, the limit is {heights.depth_limit:.2f} mm"
        change = Change("heights.step", down(keep)) if word == "step" else Change("heights.depth_limit", _up(depth))
        found.append(Finding("depth", "the whole design", round(depth, 4), measured, None, (change,)))
    return found


STEEPEST = math.tan(math.radians(85.0))
"""Beyond this slope (rise over run) no strand is made."""


def _slope_finding(
    design: Design,
    layout: Layout,
    strand_map: StrandMap,
    size: Sizes,
    relief: Relief,
    allowed: float,
    steep: float,
    lanes: Lanes,
    courses: Courses,
) -> Finding:
    rows = relief.tightest.rows
    given = relief.constraints
    tail, run, drop = given.tail[rows], given.run[rows], given.drop[rows]
    crossing = np.unique(tail[(drop > 0) & (tail < 8 * strand_map.crossings)] // 8)
    names = [site_name(layout, int(edge)) for edge in np.unique(strand_map.crossing_edge[crossing])[:3]]
    if len(crossing) > 1:
        place = f"crossings {', '.join(names)}" + (" and others" if len(crossing) > 3 else "")
    else:
        place = f"crossing {names[0]}" if names else "the whole design"
    at = place_in_mm(courses.point[lanes.sample[relief.steepest_sample]])
    number = max(int((drop > 0).sum()), 1)
    needed, room = float(drop[drop > 0].sum()), float(run.sum())
    climbs = max(int((run > 0).sum()), 1)
    more = (needed / allowed - room) / climbs  # mm that each climb on the way lacks
    changes: list[Change] = []
    if more > 0:
        width = size.width - more
        if not strand_map.divided.any() and width > 0.1 * size.width:
            changes.append(Change("strand.width", down(width)))
        if strand_map.divided.any() and size.gap + more < 0.8 * size.width:
            changes.append(Change("divide.gap", _up(size.gap + more)))
    keep = allowed * max(room, 0.0) / number / 1.07  # the finished curve is a little steeper than the least slope
    if design.heights.way is Making.FREE:
        if keep - size.clearance > 0.05:
            changes.append(Change("strand.thickness", down(keep - size.clearance)))
    elif keep > 0.01:
        changes.append(Change("heights.step", down(keep)))
    asked = math.degrees(math.atan(allowed))
    return Finding(
        "slope",
        place,
        round(steep, 3),
        f"the strands climb {steep:.1f} degrees there and at most {asked:.1f} can be kept",
        at,
        tuple(changes) or (Change("layout.cell", None),),
    )


def narrowed_overlaps(
    layout: Layout, strand_map: StrandMap, size: Sizes, relief: Relief, pressed: Bools
) -> list[Finding]:
    """Crossings where the step is kept over part of the overlap only, for want of room between two halves.

    ``pressed``, (N,), has those where strands lie within each other for it.
    """
    eased = np.flatnonzero(relief.stretches.eased | pressed)
    if not len(eased):
        return []
    sites = [site_name(layout, int(edge)) for edge in np.unique(strand_map.crossing_edge[eased])]
    place = f"crossing {sites[0]}" if len(sites) == 1 else f"{len(sites)} crossings, the first {sites[0]}"
    gap = size.gap + relief.stretches.lacking
    middle = "the full step is kept along the middle of the overlap only"
    if strand_map.divided.any() and gap < 0.8 * size.width:
        measured = (
            f"with {size.gap:.2f} mm between the halves there is no room to climb from edge to edge, and {middle}"
        )
        change = Change("divide.gap", _up(gap))
    else:
        measured = f"two crossings lie so close that {middle}"
        width = size.width - relief.stretches.lacking
        change = Change("strand.width", down(width)) if width > 0.1 * size.width else Change("layout.cell", None)
    return [Finding("step", place, round(relief.stretches.lacking, 4), measured, None, (change,))]


def weave_exceptions(
    layout: Layout, circuits: Circuits, strand_map: StrandMap, weaving: Weaving
) -> tuple[list[dict[str, object]], list[dict[str, object]]]:
    """Where over and under do not alternate: on steps, and on pieces that end at a fork."""
    lists: tuple[list[dict[str, object]], list[dict[str, object]]] = ([], [])
    for piece in np.flatnonzero(weaving.failing).tolist():
        visit = int(strand_map.piece_visit[piece])
        edges = [
            int(strand_map.crossing_edge[end >> 2]) for end in strand_map.ends[piece] if end < 4 * strand_map.crossings
        ]
        sites = [[int(v) for v in layout.site[edge]] for edge in edges]
        entry: dict[str, object] = {"sites": sites or [[int(v) for v in layout.site[circuits.visit_edge[visit]]]]}
        lists[int(weaving.fork_piece[piece])].append(entry)
    return lists
