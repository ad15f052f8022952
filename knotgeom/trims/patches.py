"""Strands of a piece as grids of points on their exact surface, cut at the ports: what levels are chosen from.

A *run* is a stretch of one strand between two ends: a port, a fork, or itself where it closes. Its *rings* lie across
the strand and have K points each, one on every *rail*; rails run along the strand. At a port every rail ends where it
passes the seam's upright plane, so the last ring lies in that plane.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..mesh import Floats, Ints
from .kit import Port

OPEN = -1
"""In place of a port or a fork: there is none."""


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One stretch of strand.

    Attributes
    ----------
    points : (n, K, 3) float64
        Ring by ring, mm; ring points run anticlockwise seen against the run, so that the faces
        ``(i, k), (i, k + 1), (i + 1, k + 1), (i + 1, k)`` look outward.
    closed : bool
        Whether the last ring is followed by the first.
    strand : int
        The circuit.
    along : (n,) float64
        Length along the strand, mm.
    across : (K + 1,) float64
        Length round the section, mm.
    ports : (2,) int
        The ports at which it starts and ends, ``OPEN`` where at none.
    seam_key : (2,) int
        Runs that end at ports carry, for each end, the same key in every piece: their place in the seam's order.
    """

    points: Floats
    closed: bool
    strand: int
    along: Floats
    across: Floats
    ports: tuple[int, int] = (OPEN, OPEN)
    seam_key: tuple[int, int] = (OPEN, OPEN)


@dataclass(frozen=True, slots=True, eq=False)
class Fork:
    """Where a whole strand becomes two halves: the run and which end (0 start, 1 end) of the trunk and of both halves.

    The trunk's ring and the two halves' rings bound the fork together; ``wall`` are the (left point, right point)
    pairs that both halves share, (w, 2).
    """

    trunk: tuple[int, int]
    left: tuple[int, int]
    right: tuple[int, int]
    wall: Ints


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """A piece before its levels are chosen. ``box`` is its extent in plan: x0, y0, x1, y1."""

    name: str
    ports: tuple[Port, ...]
    runs: tuple[Run, ...]
    forks: tuple[Fork, ...]
    box: tuple[float, float, float, float]
