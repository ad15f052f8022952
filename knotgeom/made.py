"""From a design to everything that can be said of it and made of it: the whole pipeline in one call."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from .course import Courses, plan_courses
from .curvature import strong_curvature
from .design import Breaks, Design, Divide, Grid, Layouts, Making, Panel, Sizes, Weave
from .divide import StrandMap, circuit_of_visit, divide_strands, previous_visits, strand_labels
from .errors import DesignError
from .findings import (
    STEEPEST,
    Finding,
    coarse_surface,
    crowded_turns,
    narrowed_overlaps,
    steep_places,
    tight_bends,
    uneven_ground,
    weave_exceptions,
)
from .footprints import Footprints, find_footprints
from .gaps import Approaches, measure_gaps
from .heights import Relief, raise_strands
from .hollow import hollow_crossings
from .lanes import Lanes, lay_lanes
from .layout import Layout, lay_out
from .layout.halfedge import CROSSING
from .layout.ring import rolled
from .layout.room import check_room
from .loop import unlooped
from .meeting import run_into_each_other
from .mesh import Floats, Mesh, all_triangles
from .panel import merged_circuits
from .parts import crossed_again, crowded_parts
from .reading import check, written_pass
from .remedies import proved, uniting
from .resolve import resolved
from .seam import laid_flat
from .selfcut import crossing_pairs
from .sizing import sizes
from .solid import FoldedError, Tool, united
from .styles import circuit_styles, own_sizes
from .sweep import sweep
from .trace import Circuits, trace
from .uneven import unevenness
from .weave import Weaving, planar_diagram, weave_strands

FINEST, FINE, COARSE = 60, 14, 6
"""Samples to the straight step between two crossings of the plain plait."""

CLOSER = (1.0, 1.13, 0.89, 1.31)
"""How closely strands are sampled anew, one after another, where they unite to no sound solid: walls that lie flush by
chance then lie so no more."""
TOO_UNEVEN = 0.75
"""How far a surface may differ between strands that cross, in thicknesses; beyond it they meet beside the crossing."""
FOLDED = 2
"""Of how many samplings strands must fold over themselves for others not to be tried."""
MENDED = 2
"""Tries to unite a design changed by a remedy."""
TOLD = frozenset({"bend", "ground", "curvature"})
"""Findings that say that strands fold, or lie upon one another: what is made nevertheless is for the eye only."""
LOOKED_THROUGH = 2_000_000
"""Triangles up to which free strands are looked through for crossings: some ten seconds of work."""
PROVED = 400
"""Woven crossings up to which remedies are tried before they are offered."""

Progress = Callable[[float, str], None]


class Cancelled(Exception):  # noqa: N818 - it is no error
    """Raised by a progress function to stop the work; nothing has been changed."""


class NoSolidError(DesignError):
    """Strands were made that do not unite to one sound solid.

    ``mended`` is a design changed as the remedy says, whose strands do unite; None where none was found.
    """

    def __init__(self, problem: str, remedy: str, mended: Design | None = None) -> None:
        super().__init__(problem, remedy)
        self.mended = mended


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


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """A design made.

    Attributes
    ----------
    design : Design
    facts : dict
        Counts and measures under the keys of the design file's description.
    findings : tuple of Finding
    mesh : Mesh or None
        None where no strand could be made; the findings say why.
    circuits : tuple of (n, 3) float64
        Centre lines of the lanes, closed, mm.
    counted : Counted
    drawn : Drawn or None
    """

    design: Design
    facts: dict[str, object]
    findings: tuple[Finding, ...]
    mesh: Mesh | None
    circuits: tuple[Floats, ...]
    counted: Counted
    drawn: Drawn | None


def _silent(_share: float, _stage: str) -> None:
    """No progress is shown."""


@lru_cache(maxsize=2)
def _woven(
    options: Layouts, breaks: Breaks, divide: Divide, weave: Weave
) -> tuple[Layout, Circuits, StrandMap, Weaving]:
    """All that widths, sections and heights have no part in: kept, since with many forks weaving takes the longest."""
    layout = lay_out(options, breaks)
    circuits = trace(layout)
    strand_map = divide_strands(layout, circuits, divide)
    return layout, circuits, strand_map, weave_strands(layout, strand_map, weave)


def count(design: Design, progress: Progress = _silent) -> Counted:
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


def draw(counted: Counted, *, fine: bool = True, closer: float = 1.0, progress: Progress = _silent) -> Drawn:
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


def make(design: Design, *, fine: bool = True, prove: int = PROVED, progress: Progress | None = None) -> Made:
    """Make a design: counts, findings, curves and mesh.

    Parameters
    ----------
    fine : bool
        False for a quick draft with fewer samples along the strands.
    prove : int
        Woven crossings up to which remedies are tried before they are offered; in larger designs they are first
        estimates.
    progress : callable, optional
        Called with a share of the work done and the name of the stage that begins; it may raise
        :class:`Cancelled`.

    Raises
    ------
    DesignError
        If the design is impossible.
    """
    report = progress or _silent
    counted = count(design, report)
    drawn = draw(counted, fine=fine, progress=report)
    findings, makeable = _judge(counted, drawn, fine=fine)
    findings = _prove(counted, findings, prove)
    facts = _facts(design, counted, drawn, findings, makeable)
    mesh = None
    if makeable:
        report(0.85, "sweeping")
        mesh = _swept(counted, drawn)
    report(1.0, "done")
    return Made(design, facts, findings, mesh, _centre_lines(drawn, _is_flat(counted)), counted, drawn)


def _is_flat(counted: Counted) -> bool:
    """Whether a strip is laid flat, not round a cylinder."""
    return getattr(counted.design.layout, "surface", None) is None


def _swept(counted: Counted, drawn: Drawn) -> Mesh:
    """The strands as they are drawn, each for itself; a flat strip's laid flat again, cut where it comes round."""
    courses = drawn.courses
    mesh = sweep(courses, drawn.lanes, drawn.relief.z, counted.design.strand, counted.size, counted.design.heights.way)
    if not courses.flat:
        return mesh
    flat = replace(mesh, vertices=unlooped(mesh.vertices, courses.period, courses.roll))
    return laid_flat(flat, courses.period, counted.size.width)


def no_mesh(made: Made) -> DesignError:
    """Why a design gave no mesh: its first finding as an error."""
    if not made.findings:
        return DesignError("no strand can be made", "ask facts for its findings")
    first = made.findings[0]
    return DesignError(f"no strand can be made, for the {first.kind} at {first.place}", first.remedy)


def _no_solid(made: Made, unites: Callable[[Design], bool]) -> NoSolidError:
    """Why strands gave no solid, with a remedy that was tried where there is one."""
    free, told = made.counted.design.heights.way is Making.FREE, made.findings[:1]
    problem = "the strands run into each other" if free else "the strands unite to no sound solid"
    if told:
        problem = f"{problem}, maybe for the {told[0].kind} at {told[0].place}"
    mended = None
    if made.counted.strand_map.crossings <= PROVED:
        mended = uniting(made.design, told[0].changes if told else (), unites)
    if mended is not None:
        return NoSolidError(problem, f"{mended[0]} they {'do not' if free else 'do'}", mended[1])
    little = "change the gap, the thickness or the layout a little, and try again"
    return NoSolidError(problem, f"{told[0].remedy}; else {little}" if told else little)


def solid(made: Made, tool: Tool | None = None, *, arc: int | None = None) -> Mesh:
    """The mesh to make things from: ``free`` strands as they are, others united into one body.

    Free strands are looked through for triangles that cross, up to ``LOOKED_THROUGH`` of them, where no finding tells
    that they do, and sampled closer if some do.

    Parameters
    ----------
    tool : knotgeom.solid.Tool, optional
        What unites them in place of manifold3d.
    arc : int, optional
        Points on each eased edge of a section, where others than usual.

    Raises
    ------
    DesignError
        If no strand could be made; it carries the first finding. Or if they unite to no sound solid, however closely
        they are sampled.
    """
    if made.mesh is None or made.drawn is None:
        raise no_mesh(made)
    if made.counted.design.heights.way is Making.FREE and TOLD & {finding.kind for finding in made.findings}:
        return made.mesh
    folded = 0
    for closer in CLOSER:
        sampled = made if closer == 1.0 else replace(made, drawn=draw(made.counted, closer=closer), mesh=None)
        try:
            return _sound(sampled, tool, arc)
        except ValueError as error:
            if isinstance(error, DesignError):
                raise
            folded += isinstance(error, FoldedError)
        if folded == FOLDED:
            break

    def unites(design: Design) -> bool:
        other = make(design, prove=0)
        if other.mesh is None:
            return False
        try:
            return bool(len(_sound(other, tool, arc, MENDED).vertices))
        except ValueError:
            return False

    raise _no_solid(made, unites)


def _sound(made: Made, tool: Tool | None, arc: int | None, most: int | None = None) -> Mesh:
    """Strands as they are drawn, united unless they are free."""
    c, d = made.counted, made.drawn
    assert d is not None
    if c.design.heights.way is Making.FREE:
        mesh = made.mesh or _swept(c, d)
        triangles = all_triangles(mesh)
        if len(triangles) <= LOOKED_THROUGH and len(crossing_pairs(mesh.vertices, triangles)):
            raise ValueError("triangles of free strands cross")
        return mesh
    return united(
        d.courses,
        d.lanes,
        c.strand_map,
        c.weaving,
        d.relief.stretches,
        d.relief.z,
        c.design.strand,
        c.size if arc is None else replace(c.size, arc=arc),
        c.design.heights.way,
        tool=tool,
        most=most,
    )


def facts(design: Design, *, pd: bool = False) -> dict[str, object]:
    """Everything that can be said of a design, ready for JSON.

    Parameters
    ----------
    pd : bool
        Whether to add the planar diagram code; null for a weave with forks, which has none.
    """
    counted = count(design)
    drawn = draw(counted)
    findings, makeable = _judge(counted, drawn)
    findings = _prove(counted, findings, PROVED)
    result = _facts(design, counted, drawn, findings, makeable)
    if pd:
        forks = counted.strand_map.forks
        result["pd"] = None if forks else planar_diagram(counted.strand_map, counted.weaving)
    return result


def _prove(counted: Counted, findings: tuple[Finding, ...], most: int) -> tuple[Finding, ...]:
    """Findings whose remedies were tried, where the design is small enough to be drawn again and again."""
    if not findings or counted.strand_map.crossings > most:
        return findings
    return proved(counted.design, findings, judge)


def judge(design: Design) -> tuple[Finding, ...]:
    """What is to be mended in a design, its remedies being first estimates."""
    counted = count(design)
    return _judge(counted, draw(counted))[0]


def _judge(counted: Counted, drawn: Drawn, *, fine: bool = True) -> tuple[tuple[Finding, ...], bool]:
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
        if d.courses.period and _is_flat(c)
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


def _facts(
    design: Design, counted: Counted, drawn: Drawn, findings: tuple[Finding, ...], makeable: bool
) -> dict[str, object]:
    c, relief = counted, drawn.relief
    strands = c.strand_map
    loops = int((np.diff(c.circuits.visit_start) == 0).sum())
    on_steps, at_forks = weave_exceptions(c.layout, c.circuits, strands, c.weaving)
    result: dict[str, object] = {
        "crossings": int((c.layout.state == CROSSING).sum()),
        "circuits": c.circuits.count,
        "woven_crossings": strands.crossings,
        "forks": strands.forks,
        "exceptions": c.weaving.exceptions,
        "fork_exceptions": c.weaving.fork_exceptions,
        "exact": c.weaving.exact,
    }
    if not strands.forks:
        closed = len(np.unique(strand_labels(strands))) if strands.crossings else 0
        result["components"] = closed + loops * (2 if strands.loops_divided else 1)
    if isinstance(design.layout, Panel):
        result["merged"] = merged_circuits(design, resolved)
    result["unmet"] = [written_pass(wish) for wish in c.weaving.unmet]
    gaps = np.sort(drawn.gaps.apart)
    depth = float(np.ptp(relief.z)) + c.size.thickness if len(relief.z) else None
    result |= {
        "depth_mm": round(depth, 4) if makeable and depth is not None else None,
        "steepest_deg": round(math.degrees(math.atan(relief.steepest)), 3) if makeable else None,
        "least_gap_mm": round(float(gaps[0]), 4) if len(gaps) else None,
        "median_gap_mm": round(float(np.median(gaps)), 4) if len(gaps) else None,
        "greatest_gap_mm": round(float(gaps[-1]), 4) if len(gaps) else None,
        "plain_gap_mm": round(c.size.background, 4),
        "width_mm": round(c.size.width, 6),
        "thickness_mm": round(c.size.thickness, 6),
        "exception_places": on_steps,
        "fork_exception_places": at_forks,
        "findings": [
            {
                "kind": finding.kind,
                "place": finding.place,
                "value": finding.value,
                "remedy": finding.remedy,
                "at": list(finding.at) if finding.at else None,
            }
            for finding in findings
        ],
    }
    return result


def _centre_lines(drawn: Drawn, flat: bool) -> tuple[Floats, ...]:
    courses, lanes = drawn.courses, drawn.lanes
    shift = np.where(lanes.whole, 0.0, lanes.offset)[:, None]
    plan = courses.point[lanes.sample] + shift * courses.lateral[lanes.sample]
    if courses.period:
        line = np.column_stack([plan, drawn.relief.z])
        if flat:
            line[:, 0] %= courses.period
        else:
            line = rolled(line, courses.period, courses.roll)
    elif courses.lift is None:
        line = np.column_stack([plan, drawn.relief.z])
    else:
        line = plan + drawn.relief.z[:, None] * courses.lift.up[lanes.sample]
    return tuple(line[a:b] for a, b in zip(lanes.start[:-1].tolist(), lanes.start[1:].tolist(), strict=True))
