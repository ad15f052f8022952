"""Stretches of strands between the upright planes of ports, as runs of rings whose last ones lie in these planes.

Rails (the same point of the section along a strand) are cut where they pass a port's plane. Rings of a strand that
passes aslant meet the plane one rail after another; so before a cut every rail is sampled anew, its samples drawn
together or apart a little, until the last ring lies in the plane.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import DesignError
from ..mesh import Bools, Floats
from .kit import Port
from .patches import OPEN, Fork, Run
from .seams import into_port
from .strands import Parting, Strand, girth

DRAWN_IN = 1.5
"""Over how long a stretch before a cut rails are sampled anew, in strand widths."""
FAR = 60
"""Rings to either side among which every rail of a strand passes a plane."""


def divided_at_seam() -> DesignError:
    """A strand cannot be cut where it divides or joins."""
    return DesignError("a strand divides just at the seam", "divide it elsewhere, or not there", "divide")


def length_along(grid: Floats) -> Floats:
    """Length along the middle of a run up to each ring."""
    middle = grid.mean(1)
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(middle, axis=0), axis=1))])


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """Where a strand passes a plane: about which ring, the plane's number, whether outward, and each rail's ring."""

    at: float
    plane: int
    outward: bool
    rail: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Span:
    """A strand between two cuts (None: its own end, or nothing where it closes)."""

    strand: int
    first: Cut | None
    last: Cut | None
    grid: Floats


def opened(strand: Strand) -> Floats:
    """A strand's rings, and where it closes those of four rounds one after another."""
    if not strand.closed:
        return strand.points
    move = np.array([strand.lap, 0.0, 0.0])
    return np.concatenate([strand.points + k * move for k in (-1, 0, 1, 2)])


def cuts_at(away: Floats, plane: int, within: Bools) -> list[Cut]:
    """Where a strand passes one plane; ``away`` (n, K) is how far outside each point is."""
    middle = away.mean(1)
    rings = np.flatnonzero(((middle[:-1] < 0) != (middle[1:] < 0)) & within[:-1])
    found = []
    for ring in rings.tolist():
        outward = bool(middle[ring] < 0)
        share = float(middle[ring] / (middle[ring] - middle[ring + 1]))
        found.append(Cut(ring + share, plane, outward, _passes(away, ring, outward)))
    return found


def _passes(away: Floats, ring: int, outward: bool) -> Floats:
    """The ring, with its fraction, at which every rail passes the plane, searched from ``ring`` both ways."""
    low, high = max(0, ring - FAR), min(len(away), ring + FAR + 2)
    d = away[low:high] if outward else -away[low:high]
    crossing = (d[:-1] < 0) & (d[1:] >= 0)
    far = np.where(crossing, np.abs(np.arange(len(d) - 1) - (ring - low))[:, None], 2 * FAR)
    which, rails = far.argmin(0), np.arange(away.shape[1])
    if (far.min(0) == 2 * FAR).any():
        raise DesignError("a strand runs along a seam", "give the strip other breaks there", "breaks")
    before, after = d[which, rails], d[which + 1, rails]
    return np.asarray(low + which + before / (before - after))


def spans_of(number: int, strand: Strand, grid: Floats, cuts: list[Cut]) -> Iterable[Span]:
    """The stretches of a strand between its cuts, each once."""
    cuts = sorted(cuts, key=lambda one: one.at)
    if not strand.closed:
        ends: list[Cut | None] = [None, *cuts, None]
        pairs = list(zip(ends, ends[1:], strict=False))
    else:
        count = len(strand.points)
        start = next((k for k, one in enumerate(cuts) if one.at >= count), None)
        if start is None:
            return [Span(number, None, None, strand.points)]
        end = next(k for k, one in enumerate(cuts) if one.at >= cuts[start].at + count - 0.5)
        pairs = list(zip(cuts[start:end], cuts[start + 1 : end + 1], strict=True))
    return [Span(number, first, last, grid) for first, last in pairs]


def _sampled(points: Floats, at: Floats) -> Floats:
    """Rails at ring numbers with fractions, (m, K), by cubic interpolation through four rings."""
    count = len(points)
    base = np.floor(at).astype(np.int64)
    t = (at - base)[..., None]
    rails = np.arange(points.shape[1])
    p, q, r, s = (points[np.clip(base + offset, 0, count - 1), rails] for offset in (-1, 0, 1, 2))
    return np.asarray(q + 0.5 * t * (r - p + t * (2 * p - 5 * q + 4 * r - s + t * (3 * (q - r) + s - p))))


def rings_of(span: Span, width: float) -> Floats:
    """The rings of a span, the last ones drawn into its cuts."""
    grid = span.grid
    start = 0.0 if span.first is None else span.first.at
    end = len(grid) - 1.0 if span.last is None else span.last.at
    step = float(np.median(np.linalg.norm(np.diff(grid.mean(1), axis=0), axis=1)))
    inner = np.arange(math.ceil(start + 0.3), math.floor(end - 0.3) + 1, dtype=float)
    u = np.concatenate([[start], inner, [end]])
    at = np.repeat(u[:, None], grid.shape[1], axis=1)
    for cut_here, away in ((span.first, u - start), (span.last, end - u)):
        if cut_here is None:
            continue
        off = cut_here.rail - cut_here.at
        # rails stay in order where the shift changes by less than one ring from ring to ring
        reach = max(DRAWN_IN * width / max(step, 1e-9), 2.5 * float(np.abs(off).max()) + 2.0)
        share = np.clip(1 - away / min(reach, end - start), 0.0, 1.0)
        at = at + share[:, None] ** 2 * off
    if (np.diff(at, axis=0).min(0) <= 0).any():
        # so near its end a strand is passed aslant that some rails would have no length
        raise divided_at_seam()
    return _sampled(grid, at)


def run_of(span: Span, strand: Strand, points: Floats, ports: tuple[int, int]) -> Run:
    """A span's rings as a run."""
    closed = strand.closed and span.first is None
    return Run(points, closed, strand.circuit, length_along(points), girth(points[len(points) // 2]), ports)


class Pieces:
    """Runs gathered, with the ends of strands that forks join."""

    def __init__(self) -> None:
        self.runs: list[Run] = []
        self.ends: dict[tuple[int, int], tuple[int, int]] = {}

    def add(self, span: Span, run: Run) -> None:
        """A run and the ends it has from its strand."""
        if not run.closed:
            for end, cut_here in ((0, span.first), (1, span.last)):
                if cut_here is None:
                    self.ends[span.strand, end] = (len(self.runs), end)
        self.runs.append(run)

    def forks(self, partings: Sequence[Parting]) -> tuple[Fork, ...]:
        """Forks all of whose ends are here."""
        return tuple(
            Fork(self.ends[one.trunk], self.ends[one.left], self.ends[one.right], one.wall)
            for one in partings
            if all(end in self.ends for end in (one.trunk, one.left, one.right))
        )


def keyed(runs: Sequence[Run], ports: Sequence[Port]) -> tuple[Run, ...]:
    """Runs with their places in the order of each seam: from right to left, then from below."""
    keys = [[OPEN, OPEN] for _ in runs]
    for k, port in enumerate(ports):
        found = []
        for number, run in enumerate(runs):
            for end in (0, 1):
                if run.ports[end] == k:
                    middle = into_port(port, run.points[-end].mean(0)[None])[0]
                    found.append((round(float(middle[1]), 3), round(float(middle[2]), 3), number, end))
        for place, (_, _, number, end) in enumerate(sorted(found)):
            keys[number][end] = place
    return tuple(replace(run, seam_key=(key[0], key[1])) for run, key in zip(runs, keys, strict=True))
