"""From a design to everything that can be said of it and made of it: the whole pipeline in one call."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from .counting import Counted, count
from .design import Design, Making, Panel
from .divide import strand_labels
from .drawing import Drawn, centre_lines, draw, swept
from .errors import DesignError
from .findings import Finding, weave_exceptions
from .judging import findings_of
from .layout.halfedge import CROSSING
from .mesh import Floats, Mesh, all_triangles
from .panel import merged_circuits
from .progress import Progress, silent
from .reading import written_pass
from .remedies import proved, uniting
from .resolve import resolved
from .selfcut import crossing_pairs
from .solid import FoldedError, Tool, united
from .weave import planar_diagram

CLOSER = (1.0, 1.13, 0.89, 1.31)
"""How closely strands are sampled anew, one after another, where they unite to no sound solid: walls that lie flush by
chance then lie so no more."""
FOLDED = 2
"""Of how many samplings strands must fold over themselves for others not to be tried."""
MENDED = 3
"""Tries to unite a design changed by a remedy."""
TOLD = frozenset({"bend", "ground", "curvature"})
"""Findings that say that strands fold, or lie upon one another: what is made nevertheless is for the eye only."""
LOOKED_THROUGH = 2_000_000
"""Triangles up to which free strands are looked through for crossings: some ten seconds of work."""
PROVED = 400
"""Woven crossings up to which remedies are tried before they are offered."""


class NoSolidError(DesignError):
    """Strands were made that do not unite to one sound solid.

    ``mended`` is a design changed as the remedy says, whose strands do unite; None where none was found.
    """

    def __init__(self, problem: str, remedy: str, mended: Design | None = None) -> None:
        super().__init__(problem, remedy)
        self.mended = mended


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
        :class:`knotgeom.progress.Cancelled`.

    Raises
    ------
    DesignError
        If the design is impossible.
    """
    report = progress or silent
    counted = count(design, report)
    drawn = draw(counted, fine=fine, progress=report)
    findings, makeable = findings_of(counted, drawn, fine=fine)
    findings = _prove(counted, findings, prove)
    facts = _facts(design, counted, drawn, findings, makeable)
    mesh = None
    if makeable:
        report(0.85, "sweeping")
        mesh = swept(counted, drawn)
    report(1.0, "done")
    return Made(design, facts, findings, mesh, centre_lines(counted, drawn), counted, drawn)


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
        mesh = made.mesh or swept(c, d)
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
    findings, makeable = findings_of(counted, drawn)
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
    return findings_of(counted, draw(counted))[0]


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
