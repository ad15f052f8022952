"""Strands of a made design as runs of rings, before they are cut: from the sweep's rings and bands.

A flat strip's strands are taken as they are swept before it is rolled up, so x runs on along them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..counting import Counted
from ..drawing import Drawn
from ..mesh import Floats, Ints
from ..sweep import Swept, sweep_rings


@dataclass(frozen=True, slots=True, eq=False)
class Strand:
    """A stretch of strand from fork to fork, or all the way round.

    Attributes
    ----------
    points : (n, K, 3) float64
    closed : bool
    circuit : int
    lap : float
        How much further in x a closed one comes round, mm.
    """

    points: Floats
    closed: bool
    circuit: int
    lap: float


@dataclass(frozen=True, slots=True, eq=False)
class Parting:
    """A fork: trunk, left and right half, each a strand's number and which end of it (0 start, 1 end)."""

    trunk: tuple[int, int]
    left: tuple[int, int]
    right: tuple[int, int]
    wall: Ints


def strands_of(counted: Counted, drawn: Drawn) -> tuple[tuple[Strand, ...], tuple[Parting, ...]]:
    """All strands of a design and the forks between them."""
    courses, lanes, design = drawn.courses, drawn.lanes, counted.design
    flat = replace(courses, period=0.0)
    swept = sweep_rings(flat, lanes, drawn.relief.z, design.strand, counted.size, design.heights.way)
    rings = len(swept.vertices) // swept.corners
    following = np.full(rings, -1)
    following[swept.band_ring[:, 0]] = swept.band_ring[:, 1]
    sample = np.full(rings, -1)
    sample[swept.band_ring[:, 0]] = swept.band_sample
    sample[swept.band_ring[:, 1]] = swept.following[swept.band_sample]
    strands: list[Strand] = []
    ends: dict[int, tuple[int, int]] = {}
    for chain, closed in _chains(following):
        circuit = int(lanes.circuit[swept.lane[sample[chain[0]]]])
        points = swept.vertices[swept.ring_vertices(np.array(chain))]
        lap = 0.0
        if courses.period:
            middle = points[:, :, 0].mean(1)
            jumps = np.round(np.diff(middle, append=middle[0]) / courses.period)
            shift = -courses.period * np.concatenate([[0.0], np.cumsum(jumps)])
            points = points + np.array([1.0, 0.0, 0.0]) * shift[:-1, None, None]
            lap = float(shift[-1])
        if not closed:
            ends[chain[0]], ends[chain[-1]] = (len(strands), 0), (len(strands), 1)
        strands.append(Strand(points, closed, circuit, lap if closed else 0.0))
    return tuple(strands), _partings(swept, ends, following)


def _chains(following: Ints) -> list[tuple[list[int], bool]]:
    """Rings one after another, and whether the last is followed by the first."""
    onward = following.tolist()
    led = np.zeros(len(following), bool)
    led[following[following >= 0]] = True
    seen = np.zeros(len(following), bool)
    found = []
    begins = np.flatnonzero((following >= 0) & ~led).tolist()
    for first in [*begins, *np.flatnonzero((following >= 0) & led).tolist()]:
        if seen[first]:
            continue
        chain, at = [], first
        while at >= 0 and not seen[at]:
            seen[at] = True
            chain.append(at)
            at = onward[at]
        found.append((chain, at == first))
    return found


def _partings(swept: Swept, ends: dict[int, tuple[int, int]], following: Ints) -> tuple[Parting, ...]:
    corners = swept.corners
    led = np.zeros(len(following), bool)
    led[following[following >= 0]] = True
    inner = np.arange(1, corners // 2)
    wall = np.stack([corners - inner, inner], 1)
    found = []
    for k in range(len(swept.borrowed_ring)):
        right, left = int(swept.borrowed_ring[k]), int(swept.borrowed[k, 1]) // corners
        opens = not led[left]
        trunk = int(swept.fork_quads[k, 0, 0 if opens else 3]) // corners
        found.append(Parting(ends[trunk], ends[left], ends[right], wall))
    return tuple(found)


def girth(ring: Floats) -> Floats:
    """Length round a ring up to each of its points and back to the first, (K + 1,)."""
    loop = np.concatenate([ring, ring[:1]])
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(loop, axis=0), axis=1))])
