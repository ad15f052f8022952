"""Circuits: closed walks of strand through the crossings of a layout, turned back by its breaks.

A *dart* is a strand step in one of its two directions: dart ``2c`` runs round corner ``c`` from its end A to its end B,
dart ``2c + 1`` the other way (see :mod:`knotgeom.layout.halfedge`). What follows a dart depends only on the state of
the edge at which it arrives, so the circuits are the cycles of one permutation of darts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .layout import ALONG, CROSSING, Layout
from .mesh import Bools, Ints


@dataclass(frozen=True, slots=True, eq=False)
class Circuits:
    """Every circuit once, in one of its two directions.

    A *visit* is a circuit's passing of one crossing; visits are numbered circuit by circuit, in order along each. The
    *run* of a visit is the strand from the visit before to this one, round one corner or, turned by breaks, several.

    Attributes
    ----------
    darts : (D,) int64
        The darts of all circuits, one circuit after another. A circuit that has a crossing ends with a dart that
        arrives at one.
    dart_start : (C + 1,) int64
        Where each circuit begins in ``darts``.
    visit_edge, visit_pass : (V,) int64
        The crossing's edge and which of its passes (0, 1) the visit is.
    visit_forward : (V,) bool
        Whether the visit runs along the pass's own direction.
    visit_dart : (V,) int64
        Place in ``darts`` of the dart that arrives.
    visit_start : (C + 1,) int64
        Where each circuit begins among the visits; a loop without a crossing has none.
    """

    darts: Ints
    dart_start: Ints
    visit_edge: Ints
    visit_pass: Ints
    visit_forward: Bools
    visit_dart: Ints
    visit_start: Ints

    @property
    def count(self) -> int:
        """Number of circuits, loops included."""
        return len(self.dart_start) - 1


def dart_successors(layout: Layout) -> Ints:
    """The dart that follows each dart, (4E,)."""
    half = np.arange(len(layout.next_half))
    following = layout.next_half
    previous = np.empty_like(following)
    previous[following] = half
    state = layout.state[half >> 1]
    twin = half ^ 1

    successor = np.empty(2 * len(half), np.int64)
    # arriving at the edge of h = c through end B of corner c
    successor[0::2] = np.where(
        state == CROSSING, 2 * twin + 1, np.where(state == ALONG, 2 * following, 2 * following[twin])
    )
    # arriving at the edge of g = previous(c) through end A of corner c
    g = previous
    successor[1::2] = np.where(
        state[g] == CROSSING, 2 * following[g ^ 1], np.where(state[g] == ALONG, 2 * g + 1, 2 * (g ^ 1) + 1)
    )
    return successor


def trace(layout: Layout) -> Circuits:
    """All circuits of a layout, loops without a crossing included.

    Walks outside the boundary that meet no crossing are no strands and are left out. Circuits come in the order of
    their lowest edges, each running first along the corner that is lowest there.
    """
    successor = dart_successors(layout)
    previous = np.empty_like(layout.next_half)
    previous[layout.next_half] = np.arange(len(layout.next_half))
    dart = np.arange(len(successor))
    corner = dart >> 1
    arrives = np.where(dart & 1 == 0, corner, previous[corner])  # the half-edge whose edge the dart arrives at
    crosses = layout.state[arrives >> 1] == CROSSING
    outside = layout.outside[corner]

    follow, seen = successor.tolist(), bytearray(len(successor))
    walks: list[list[int]] = []
    # Start where a crossing has just been passed, so that a circuit's last dart arrives at a crossing.
    inverse = np.empty_like(successor)
    inverse[successor] = dart
    leaves = crosses[inverse]
    order = np.concatenate([np.flatnonzero(leaves), np.flatnonzero(~leaves)]).tolist()
    for start in order:
        if seen[start]:
            continue
        walk = []
        at = start
        while not seen[at]:
            seen[at] = seen[at ^ 1] = 1  # the same strand the other way is not a second circuit
            walk.append(at)
            at = follow[at]
        walks.append(walk)
    walks = [walk for walk in walks if crosses[walk[-1]] or not outside[walk].all()]
    walks.sort(key=lambda walk: min(walk) >> 2)

    darts = np.array([d for walk in walks for d in walk], np.int64)
    dart_start = np.cumsum([0] + [len(walk) for walk in walks])
    visit_dart = np.flatnonzero(crosses[darts]) if len(darts) else np.zeros(0, np.int64)
    arriving, half = darts[visit_dart], arrives[darts[visit_dart]]
    even, second = half % 2 == 0, arriving & 1 == 1
    return Circuits(
        darts=darts,
        dart_start=dart_start,
        visit_edge=half >> 1,
        visit_pass=second.astype(np.int64),
        # pass 0 runs from corner 2e, pass 1 ends at corner next(2e): see layout.halfedge
        visit_forward=even ^ second,
        visit_dart=visit_dart,
        visit_start=np.searchsorted(visit_dart, dart_start),
    )
