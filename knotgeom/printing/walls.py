"""Least wall and least gap of a solid, measured on its surface.

The *wall* at a place of the surface is the diameter of the largest ball that touches the surface there from within and
that no face opposite cuts; a *gap* is the same from without. Such a ball is right on parallel and on leaning faces
alike, where a ray straight across finds too much. Faces are opposite where their outward directions are more than
150 degrees apart: where material runs out to an edge of 30 degrees or more it is an edge and no wall, and one that is
sharper is a wall that thins to nothing. The bottom of a groove is opposite to a face too, as an edge. In the open,
where a crotch narrows to nothing by design, faces are opposite only within 15 degrees and away from the place where
they meet or from anything much narrower: so a slit, a hole or a neck counts and the corner of an opening does not.
Two edges that face each other are not seen: balls are sought from faces.

First the balls are found from points spread over the surface (:mod:`.across`); then the narrowest places are measured
anew against the triangles, with points spread closer and closer (:mod:`.touching`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..mesh import Bools, Ints, Mesh
from .across import Balls, Spread, look_across, spread_over
from .surface import Folds, Surface, along_edges, folds, part_of, surface_of
from .touching import NOTHING, SLANT, Measure, refined

OPPOSITE = math.cos(math.radians(30.0))
"""Outward directions of opposite faces: at least this much against one another."""
FACING = math.cos(math.radians(15.0))
"""The same for faces on both sides of an opening."""
CREVICE = math.radians(45.0)
"""Faces that meet at less than this, seen from outside, are a crotch: what is open there narrows to nothing."""
TURNED = math.radians(120.0)
"""A face that turns by more than this against two of its neighbours has been turned over."""
LOWER = 0.7
"""An opening is a corner's where one so many times as wide lies near it."""
REACH = 6
"""How many times their distance the points look across."""
MOST_POINTS = 120_000
SPACING = 0.2
"""Usual distance of the points that look across, mm."""
PLACES = 8
"""The narrowest places, so many of them, that are measured against the triangles."""
TRIES = 60
"""How many places are looked at for so many; beside a crotch, tangent planes cross where there is no wall."""


@dataclass(frozen=True, slots=True)
class Leasts:
    """The least wall, the least gap within one body, and the least clearance between two."""

    wall: Measure
    gap: Measure
    clearance: Measure


def measure(
    mesh: Mesh | Surface,
    *,
    body: Ints | None = None,
    spacing: float = SPACING,
    kinds: tuple[str, ...] = ("wall", "gap", "clearance"),
) -> Leasts:
    """The thinnest place of the material, the narrowest slit, hole or neck of what is open, and the least clearance.

    Parameters
    ----------
    body : (t,) int, optional
        The body that each triangle of the surface belongs to: gaps between two bodies, corner or not, are clearances.
    spacing : float
        Distance of the points that look across, mm. It grows on a large surface, and wherever nothing is found within
        six times of it.
    kinds : tuple of str
        What is measured; what is not asked for is infinite.
    """
    on = mesh if isinstance(mesh, Surface) else surface_of(mesh)
    if body is not None and not isinstance(mesh, Surface):
        body = body[on.source]
    bent = folds(on, math.radians(30.0))
    # a small face turned over by rounding is no wall
    turned = np.bincount(bent.faces[np.abs(bent.turn) > TURNED].ravel(), minlength=len(on.area)) > 1
    if turned.any():
        number = np.cumsum(~turned) - 1
        sound = ~turned[bent.faces].any(1)
        bent = Folds(bent.ends[sound], number[bent.faces[sound]], bent.far[sound], bent.turn[sound])
        on, body = part_of(on, ~turned), None if body is None else body[~turned]
    found = {"wall": NOTHING, "gap": NOTHING, "clearance": NOTHING}
    left = [kind for kind in kinds if kind != "clearance" or (body is not None and len(np.unique(body)) > 1)]
    if len(on.area):
        size = float(np.linalg.norm(np.ptp(on.vertices[on.triangles.ravel()], axis=0)))
        spacing = min(max(spacing, math.sqrt(float(on.area.sum()) / MOST_POINTS)), size / 10)
        a, b, c = (on.corners[:, k] for k in range(3))
        boxes = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
        while left and spacing < size:
            spread = spread_over(on, bent, boxes, spacing)
            across = {
                side: look_across(spread, REACH * spacing, side)
                for side in {-1 if kind == "wall" else 1 for kind in left}
            }
            for kind in tuple(left):
                best = _within(spread, across[-1 if kind == "wall" else 1], REACH * spacing, kind, body)
                if best.value < found[kind].value:
                    found[kind] = best
                if found[kind].value <= REACH * spacing:
                    left.remove(kind)
            spacing *= 2
    return Leasts(found["wall"], found["gap"], found["clearance"])


def _within(spread: Spread, balls: Balls, reach: float, kind: str, body: Ints | None) -> Measure:
    """The least of one kind that is not over ``reach``."""
    on, spacing = spread.on, spread.spacing
    side = -1 if kind == "wall" else 1
    opposite = FACING if kind == "gap" else OPPOSITE
    keep = balls.cosine >= opposite
    if kind == "gap":
        keep &= ~_beside_narrower(on, spread.bent, balls, 2.5 * spacing)
    if body is not None and kind != "wall":
        keep &= (body[balls.face] != body[balls.other_face]) == (kind == "clearance")
    chosen = np.flatnonzero(keep & (balls.width <= reach))
    if not len(chosen):
        return NOTHING
    chosen = chosen[np.argsort(balls.width[chosen], kind="stable")]
    best = NOTHING
    low, high = spread.boxes
    edged = np.zeros(len(on.area), bool)
    edged[spread.bent.faces[np.sign(spread.bent.turn) == side].ravel()] = True
    sound = 0
    for _ in range(TRIES):
        # a ball may be found too wide by what a leaning face gains on the way to the next point
        if not len(chosen) or sound >= PLACES or balls.width[chosen[0]] > best.value + SLANT * spacing:
            break
        ball = int(chosen[0])
        place = refined(on, edged, low, high, balls, ball, spacing, side, opposite)
        sound += place.value < np.inf
        if place.value < best.value:
            best = place
        off = balls.point[chosen] - balls.point[ball]
        chosen = chosen[np.einsum("nk,nk->n", off, off) > (1.5 * spacing) ** 2]
    return best


def _beside_narrower(on: Surface, bent: Folds, balls: Balls, reach: float) -> Bools:
    """Which balls lie in the corner of an opening: a crotch or a much narrower place is near."""
    crotch, _ = along_edges(on.vertices, bent.ends[bent.turn < CREVICE - math.pi], reach / 2)
    opposite = balls.cosine >= OPPOSITE
    place = np.concatenate([balls.point[opposite], crotch])
    width = np.concatenate([balls.width[opposite], np.zeros(len(crotch))])
    # cells of half the reach: the narrowest of each and of all within two cells of it
    cell = reach / 2
    low = np.minimum(place.min(0), balls.point.min(0)) if len(balls.point) and len(place) else np.zeros(3)
    own, asked = (np.floor((at - low) / cell).astype(np.int64) + 2 for at in (place, balls.point))
    wide = np.maximum(own.max(0, initial=0), asked.max(0, initial=0)) + 3
    key = (own[:, 0] * wide[1] + own[:, 1]) * wide[2] + own[:, 2]
    order = np.lexsort((width, key))
    cells, first = np.unique(key[order], return_index=True)
    least = width[order][first]
    if not len(cells):
        return np.zeros(len(balls.width), bool)
    near = np.full(len(balls.width), np.inf)
    ask = (asked[:, 0] * wide[1] + asked[:, 1]) * wide[2] + asked[:, 2]
    askers, back = np.unique(ask, return_inverse=True)
    around = np.full(len(askers), np.inf)
    for x in range(-2, 3):
        for y in range(-2, 3):
            for z in range(-2, 3):
                there = askers + (x * wide[1] + y) * wide[2] + z
                k = np.minimum(np.searchsorted(cells, there), len(cells) - 1)
                around = np.minimum(around, np.where(cells[k] == there, least[k], np.inf))
    near = around[back.ravel()]
    return np.asarray(near < LOWER * balls.width)
