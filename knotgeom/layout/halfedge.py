"""The one representation of every layout: a polygon mesh held as half-edges.

Conventions, used by every later stage
--------------------------------------
Edge ``e`` has the half-edges ``2e`` and ``2e + 1``, twins of each other. A half-edge runs with its face on its left.
Half-edges on the outside of a boundary form loops of their own, which count as faces.

Corner ``h`` is the corner of ``h``'s face where ``h`` begins. A strand step runs round it: its end A lies on the edge
before (that of the half-edge that ends there), its end B on the edge of ``h``.

Seen along half-edge ``h = 2e`` with its face to the left, four corners meet in the middle of edge ``e``::

        corner h          |          corner next(h)
        (behind, left)    |          (ahead, left)
    ----------------------+---------------------> h
        corner next(h')   |          corner h'
        (behind, right)   |          (ahead, right)

with ``h' = h ^ 1``. **Pass 0** runs from corner ``h`` to corner ``h'``, **pass 1** from corner ``next(h')`` to corner
``next(h)``. Pass 1 therefore crosses pass 0 from its right to its left, at every site of every layout; and every
corner joins pass 1 of the edge at its end A to pass 0 of the edge at its end B. So "pass 1 over everywhere" alternates
along every strand: the checkerboard colouring of the medial graph in another dress (J. Gross and T. Tucker, A Celtic
framework for knots and links, Discrete Comput. Geom. 46, 2011).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..mesh import Bools, Floats, Ints
from .surfaces import Surface

CROSSING, ALONG, ACROSS = 0, 1, 2
"""State of an edge: strands cross; a break along it keeps each end in its face; a break across it keeps each end
round its vertex."""


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """An oriented polygon mesh with a state on each edge.

    Attributes
    ----------
    next_half : (2E,) int64
        The half-edge that follows in the same face (or outside loop).
    outside : (2E,) bool
        Whether the half-edge lies in an outside loop.
    origin : (2E,) int64
        The vertex where the half-edge begins. Where cells touch only at a corner, that corner is two vertices.
    points : (V, 3) float64
        Vertices in mm.
    state : (E,) uint8
        CROSSING, ALONG or ACROSS.
    boundary : (E,) bool
        Whether the edge is on the boundary.
    site : (E, 2) int64
        The designer's name of each edge; for a grid its place in half cells.
    rising : (E,) int64
        Which pass, 0 or 1, the designer calls rising.
    right : int
        Which pass goes over everywhere in a right-handed weave without forks.
    middle : (E, 3) float64
        Where strands cross on each edge, mm.
    up : (E, 3) float64
        Unit normal of the surface there.
    forth : (E, 3) float64
        Unit direction of half-edge ``2e`` there.
    heading : (E, 2, 3) float64
        Unit direction of pass 0 and of pass 1 there.
    pitch : (E,) float64
        Distance between neighbouring parallel strands thereabouts, mm.
    reach : (E,) float64
        Length of the shortest strand step that ends there, mm.
    surface : Surface or None
        What the layout lies on, None for the plane z = 0.
    period : float
        Length in x after which a strip repeats, mm; 0 for none.
    """

    next_half: Ints
    outside: Bools
    origin: Ints
    points: Floats
    state: Ints
    boundary: Bools
    site: Ints
    rising: Ints
    right: int
    middle: Floats
    up: Floats
    forth: Floats
    heading: Floats
    pitch: Floats
    reach: Floats
    surface: Surface | None = None
    period: float = 0.0

    @property
    def step(self) -> float:
        """Length of an ordinary strand step, mm."""
        return float(np.median(self.reach)) if len(self.reach) else 1.0
