"""A piece, or a design's piece, checked with what would mend it: which value of the design to change to what.

First estimates come from what was measured. They are tried, on the strands alone and then on the whole piece, as far as
the design is small enough to be made again for each of them; what does not help is left out.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from ..design import Design, Section
from ..errors import DesignError
from ..findings import Change
from ..made import Made
from ..remedies import applied
from .bodies import mesh_of
from .checks import Checked, PieceFinding, check_bodies, plain
from .knot import knot_of
from .materials import Material
from .piece import Piece, make_piece
from .profiles import Profile

TRIED = 40
"""Woven crossings up to which changes are tried before they are offered."""
TRIES = 3
"""How often one change is tried with a further value."""
Progress = Callable[[float, str], None]


def check_piece(piece: Piece, profile: Profile, material: Material) -> Checked:
    """Check a piece that is made already; its findings carry first estimates of changes."""
    at = None if piece.hang_at is None else (float(piece.hang_at[0]), float(piece.hang_at[1]), float(piece.hang_at[2]))
    return _with_changes(
        check_bodies(
            piece.finished,
            profile,
            material,
            hang_at=at,
            expected=piece.expected,
            lines=_lined(piece.knot.made),
            unfilled=piece.unfilled,
        ),
        piece,
    )


def _lined(made: Made) -> bool:
    """Whether a design incises lines: down every strand, or between halves that lie together."""
    divided = bool(made.counted.strand_map.divided.any()) or made.counted.strand_map.loops_divided
    return made.design.strand.section is Section.MEDIAN_INCISED or (divided and made.counted.size.gap == 0)


def _with_changes(checked: Checked, piece: Piece) -> Checked:
    """Findings with first estimates of changes, and the step between strands judged as the design has it."""
    counted = piece.knot.made.counted
    findings = list(checked.findings)
    step, least = counted.size.step * piece.scale * piece.thicker, checked.profile.step.value
    if not piece.knot.free and least is not None and step < least - 1e-6 and counted.strand_map.crossings:
        words = (
            f"over-strands stand {step:.2f} mm above what they pass over and {checked.profile.name} asks for "
            f"{least:.2f} mm"
        )
        findings.append(PieceFinding("step", "every crossing", round(step, 4), words, None, (), None, least))
    if not piece.knot.free and checked.bodies == checked.expected and checked.bodies > 1:
        words = f"its strands form {checked.bodies} parts that nothing joins, so it would fall apart"
        advice = (
            "add a plate or a frame that reaches them all (a wider margin, another shape), or take breaks out so that "
            "they cross"
        )
        findings.append(plain("bodies", "the whole piece", float(checked.bodies), words, None, advice))
    findings = [replace(one, changes=_changes(one, piece, counted.design)) for one in findings]
    return replace(checked, findings=tuple(findings))


def _changes(finding: PieceFinding, piece: Piece, design: Design) -> tuple[Change, ...]:
    """First estimates of what would do, as values of the design file."""
    limit, value = finding.limit, finding.value
    if limit is None or value is None:
        return ()
    size, scale = piece.knot.made.counted.size, piece.scale
    lacking = (limit - value) / scale
    grow = min(limit / max(value, 1e-6), 4.0)
    divided = bool(piece.knot.made.counted.strand_map.divided.any())
    changes: list[Change] = []
    free_to_thicken = design.make.print.mass_g is None
    if finding.kind == "wall":
        if free_to_thicken:
            changes.append(Change("strand.thickness", size.thickness * grow))
        if divided and size.gap - 2 * lacking > 0.05 * size.width:
            changes.append(Change("divide.gap", size.gap - 2 * lacking))
        changes.append(Change("strand.width", min(size.width + 2 * lacking, 0.95 * size.pitch)))
    elif finding.kind == "gap":
        if divided and size.gap + lacking < 0.8 * size.width:
            changes.append(Change("divide.gap", size.gap + lacking))
        if size.width - lacking > 0.2 * size.width:
            changes.append(Change("strand.width", size.width - lacking))
    elif finding.kind == "clearance":
        changes.append(Change("heights.clearance", size.clearance + lacking))
    elif finding.kind == "line":
        changes.append(Change("strand.groove.depth", size.groove_depth * grow))
    else:  # the step at crossings
        changes.append(Change("heights.step", limit / (scale * piece.thicker)))
    return tuple(Change(key, _rounded(given, _now(size, key))) for key, given in changes if given is not None)


def _now(size: Any, key: str) -> float:
    return float(
        {
            "strand.width": size.width,
            "strand.thickness": size.thickness,
            "divide.gap": size.gap,
            "heights.step": size.step,
            "heights.clearance": size.clearance,
            "strand.groove.depth": size.groove_depth,
        }[key]
    )


def _rounded(value: float, now: float) -> float:
    """To three figures, on the far side from the value that stands now."""
    unit = 10.0 ** (math.floor(math.log10(max(value, 1e-9))) - 2)
    return float(f"{(math.ceil if value > now else math.floor)(value / unit) * unit:.4g}")


def check_design(
    design: Design, profile: Profile, material: Material, *, tried: int = TRIED, progress: Progress | None = None
) -> Checked:
    """Make the piece of a design, check it, and try the changes that would mend it.

    Parameters
    ----------
    tried : int
        Woven crossings up to which changes are tried; those that do not help are then left out.

    Raises
    ------
    DesignError
        If the piece cannot be made.
    """
    report = progress or (lambda _share, _stage: None)
    piece = make_piece(design, progress=lambda share, stage: report(0.4 * share, stage), limits=profile)
    report(0.4, "measuring")
    checked = check_piece(piece, profile, material)
    if piece.knot.made.counted.strand_map.crossings > tried:
        return checked
    kinds = {one.kind for one in checked.findings if one.changes}
    if not kinds:
        return checked
    report(0.5, "trying what would mend it")
    # what the strands alone do not show comes from fittings or fillets, and no change of the strands mends it
    bare = {one.kind for one in _strands(design, piece, profile, material)}
    done: dict[tuple[str, str], Change | None] = {}
    findings = []
    for number, finding in enumerate(checked.findings):
        report(0.5 + 0.5 * number / len(checked.findings), "trying what would mend it")
        for change in finding.changes if finding.kind in bare else ():
            if (finding.kind, change.key) not in done:
                done[finding.kind, change.key] = _tried(design, piece, finding.kind, change, profile, material, bare)
        working = [done.get((finding.kind, change.key)) for change in finding.changes]
        findings.append(replace(finding, changes=tuple(change for change in working if change is not None)))
    return replace(checked, findings=tuple(findings))


def _strands(design: Design, piece: Piece, profile: Profile, material: Material) -> tuple[PieceFinding, ...]:
    """The findings on a design's strands without any fittings, at the scale of a piece made before."""
    options = piece.knot.made.design.make.print
    knot = knot_of(design, piece.thicker, piece.scale, options.rounding, options.tolerance)
    parts = knot.bodies or ((knot.vertices, knot.triangles),)
    bodies = tuple(mesh_of(vertices * piece.scale, triangles) for vertices, triangles in parts)
    return _with_changes(
        check_bodies(bodies, profile, material, lines=_lined(knot.made)), replace(piece, knot=knot)
    ).findings


def _tried(
    design: Design,
    piece: Piece,
    kind: str,
    first: Change,
    profile: Profile,
    material: Material,
    before: set[str],
) -> Change | None:
    """A value from ``first`` on with which no finding of ``kind`` is left, and none of a kind that was not there.

    It is tried on the strands alone, which is quick, and then on the whole piece.
    """
    change = first
    for _ in range(TRIES):
        tried = applied(design, change)
        try:
            left = _strands(tried, piece, profile, material)
            if not any(one.kind == kind for one in left):
                if not {one.kind for one in left} <= before:
                    return None
                left = check_piece(make_piece(tried, limits=profile), profile, material).findings
        except DesignError:
            return None
        mine = [one for one in left if one.kind == kind]
        if not mine:
            return change
        now = change.value
        offers = [c.value for one in mine for c in one.changes if c.key == change.key and c.value not in (None, now)]
        if not offers or now is None:
            return None
        # the estimate fell short: go twice as far as it says now
        further = now + 2 * max((value - now for value in offers if value is not None), key=abs)
        change = Change(change.key, _rounded(further, now))
    return None
