"""Remedies that work: a change that a finding offers is tried on the design, and tried again until the finding is gone.

A finding's own number is a first estimate: a narrower strand stands elsewhere, a wider gap moves what is crossed. Each
try draws the design anew; the new findings of that kind say what the next try should be.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from .design import Design
from .errors import DesignError
from .findings import Change, Finding

TRIES = 8
Judge = Callable[[Design], Iterable[Finding]]


def applied(design: Design, change: Change) -> Design:
    """The design with one change made to it.

    Raises
    ------
    ValueError
        If the change names no single value (a break to take away, larger cells).
    """
    if change.value is None:
        raise ValueError(f"{change.key} is no value that can be set")
    strand, heights, value = design.strand, design.heights, change.value
    if change.key == "strand.width":
        return replace(design, strand=replace(strand, width=value))
    if change.key == "strand.thickness":
        return replace(design, strand=replace(strand, thickness=value))
    if change.key == "divide.gap":
        return replace(design, divide=replace(design.divide, gap=value))
    if change.key == "heights.step":
        return replace(design, heights=replace(heights, step=value))
    if change.key == "heights.depth_limit":
        return replace(design, heights=replace(heights, depth_limit=value))
    if change.key == "heights.clearance":
        return replace(design, heights=replace(heights, clearance=value))
    if change.key == "strand.groove.depth":
        return replace(design, strand=replace(strand, groove=replace(strand.groove, depth=value)))
    raise ValueError(f"{change.key} is no value that a finding changes")


def search(design: Design, kind: str, first: Change, judge: Judge) -> Change | None:
    """The first value from ``first`` on, in the direction that helps, with which no finding of ``kind`` is left.

    Returns
    -------
    Change or None
        None where no value helps within reason.
    """
    growing = first.key in ("divide.gap", "heights.depth_limit")
    value = first.value
    if value is None or value <= 0:
        return None
    start = value
    for _ in range(TRIES):
        change = Change(first.key, float(f"{value:.4g}"))  # as it is told, so it is tried
        try:
            left = [finding for finding in judge(applied(design, change)) if finding.kind == kind]
        except DesignError:
            return None
        if not left:
            return change
        offers = [c.value for f in left for c in f.changes if c.key == first.key and c.value is not None]
        value = max([1.08 * value, *offers]) if growing else min([0.94 * value, *offers])
        if not 0.2 * start < value < 4 * start:
            return None
    return None


def proved(design: Design, findings: tuple[Finding, ...], judge: Judge) -> tuple[Finding, ...]:
    """The same findings, each offering only changes that were tried and that leave no finding of its kind."""
    found: dict[tuple[str, str], Change | None] = {}
    for kind in dict.fromkeys(finding.kind for finding in findings):
        offers = [c for f in findings if f.kind == kind for c in f.changes if c.value is not None]
        for key in dict.fromkeys(change.key for change in offers):
            values = [c.value for c in offers if c.key == key and c.value is not None]
            growing = key in ("divide.gap", "heights.depth_limit")
            found[kind, key] = search(design, kind, Change(key, (max if growing else min)(values)), judge)
    result = []
    for finding in findings:
        changes = [found[finding.kind, c.key] if c.value is not None else c for c in finding.changes]
        working = tuple(change for change in changes if change is not None)
        result.append(replace(finding, changes=working or (Change("layout.cell", None),)))
    return tuple(result)
