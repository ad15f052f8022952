"""The scale at which a piece has its size, and the thickness at which it has its mass. Lengths are mm.

Fittings keep their lengths whatever the knot is scaled by: a bail's bore is that of the finished piece. So both are
solved for: the scale in plan by halving, where fittings are quickly laid out, the thickness by secants on the contents.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from ..design import Design
from ..errors import DesignError
from ..mesh import Floats, Mesh
from .assembling import assemble, base_plan, fittings
from .bodies import Section, Solid, contents, solid_of
from .hanging import Bulk
from .knot import Knot, knot_of
from .materials import mass, material
from .options import Extent, Printing
from .refusals import LARGEST, SMALLEST, no_size

BALANCED = 0.003
"""How nearly the mass is met, as a share of it."""
TRIES = 8
"""How many thicknesses are tried for a mass after the first."""
THINNEST, THICKEST = 0.1, 10.0
"""How far the thickness may be changed for a mass, in shares of the design's own."""


def scale_for(knot: Knot, wanted: Printing) -> float:
    """The scale of the plan at which the piece has its size; found in plan, where fittings are quickly laid out."""
    size = wanted.size
    if size is None:
        span = float(np.ptp(knot.vertices, axis=0).max())
        if not 0.5 * SMALLEST <= span <= LARGEST:
            raise DesignError(
                f"the knot is {span:.4g} mm across",
                f"give a make.print.size from {SMALLEST:g} to {LARGEST:,.0f} mm, or change layout.cell",
                "make.print.size",
            )
        return 1.0
    if not SMALLEST <= size <= LARGEST:
        raise DesignError(
            f"found {size:g} mm", f"give a size from {SMALLEST:g} to {LARGEST:,.0f} mm", "make.print.size"
        )
    span = float(np.ptp(knot.vertices[:, :2], axis=0).max())
    scale = size / span
    if wanted.size_of is Extent.KNOT:
        return scale
    flat = _silhouette(knot)

    def across(tried: float) -> float:
        try:
            x0, y0, x1, y1 = _extent(flat.scale((tried, tried)), knot, wanted, tried)
        except DesignError as error:
            if error.place not in ("make.print.bail", "make.print.eye"):
                raise
            return -math.inf  # so small a knot does not carry its fittings
        return max(x1 - x0, y1 - y0)

    over = across(scale) - size
    least = 0.1 * scale
    if across(least) > size or over == -math.inf:
        raise no_size(wanted, least)
    low, high = least, scale
    if over <= 0:
        return scale
    for _ in range(60):
        tried = (low + high) / 2
        low, high = (tried, high) if across(tried) <= size else (low, tried)
    if across(low) < size - 0.1:  # a little larger it has no room, a little smaller it carries nothing
        raise no_size(wanted, low)
    return low


def _silhouette(knot: Knot) -> Section:
    return solid_of(knot.vertices, knot.triangles).project()


def _extent(flat: Section, knot: Knot, wanted: Printing, scale: float) -> tuple[float, float, float, float]:
    """The bounds in plan of the piece round a scaled silhouette."""
    plan, _, _ = base_plan(flat, knot, wanted, scale)
    box = list(plan.bounds())
    x = float(_plan_centre(flat))
    bulk = Bulk(x, 0.0, 0.0, -1.0, 1.0)
    for fitting in fittings(wanted, plan, bulk):
        box = [
            min(box[0], fitting.extent[0]),
            min(box[1], fitting.extent[1]),
            max(box[2], fitting.extent[2]),
            max(box[3], fitting.extent[3]),
        ]
    return box[0], box[1], box[2], box[3]


def _plan_centre(flat: Section) -> float:
    """The x of the middle of area."""
    total, moment = 0.0, 0.0
    for polygon in flat.to_polygons():
        x, y = np.asarray(polygon, float).T
        cross = x * np.roll(y, -1) - np.roll(x, -1) * y
        total += cross.sum() / 2
        moment += ((x + np.roll(x, -1)) * cross).sum() / 6
    return moment / total


def size_off(solids: tuple[Solid, ...], wanted: Printing, scale: float, knot: Knot) -> float:
    """By how much the finished piece is larger than asked, mm; 0 where no size is asked for."""
    if wanted.size is None:
        return 0.0
    if wanted.size_of is Extent.KNOT:
        return float(np.ptp(knot.vertices[:, :2], axis=0).max()) * scale - wanted.size
    boxes = np.array([one.bounding_box() for one in solids])
    low, high = boxes[:, :2].min(0), boxes[:, 3:5].max(0)
    return float((high - low).max()) - wanted.size


def grams(finished: tuple[Mesh, ...], wanted: Printing) -> float:
    """Mass of the finished piece."""
    return mass(sum(contents(one.vertices, one.triangles)[0] for one in finished), material(wanted.material))


def centre_of_mass(finished: tuple[Mesh, ...]) -> Floats:
    """Its centre of mass, (3,)."""
    parts = [contents(one.vertices, one.triangles) for one in finished]
    whole = sum(volume for volume, _ in parts)
    return np.asarray(sum(volume * place for volume, place in parts) / whole)


def thickness_for(
    design: Design, knot: Knot, wanted: Printing, scale: float, goal: float, start: float = 1.0
) -> tuple[float, Knot]:
    """The thickness, in shares of the design's own, at which the piece has a mass; and the knot so made."""
    of = material(wanted.material)
    made: dict[float, tuple[float, Knot]] = {}

    def weighed(thicker: float) -> float:
        if knot.free:
            tried = knot_of(design, thicker, scale, wanted.rounding, wanted.tolerance)
        else:
            # the same solid, its heights stretched: thickness and step go together
            stretch = np.array([1.0, 1.0, thicker / start])
            tried = replace(
                knot,
                vertices=knot.vertices * stretch,
                under=knot.under * thicker / start,
                thickness=knot.thickness * thicker / start,
            )
        solids = assemble(tried, wanted, scale).solids
        made[thicker] = mass(sum(one.volume() for one in solids), of), tried
        return made[thicker][0]

    one, mass_one = start, weighed(start)
    other = float(np.clip(start * goal / mass_one, THINNEST, THICKEST))
    for _ in range(TRIES):
        if abs(mass_one / goal - 1) < BALANCED / 10 or other == one:
            break
        mass_other = weighed(other)
        slope = max((mass_other - mass_one) / (other - one), 1e-9)  # thicker is heavier, hollowed or not
        following = float(np.clip(other + (goal - mass_other) / slope, THINNEST, THICKEST))
        one, mass_one, other = other, mass_other, following
    best = min(made, key=lambda key: abs(made[key][0] - goal))
    if abs(made[best][0] / goal - 1) > 5 * BALANCED:
        got = made[best][0]
        raise DesignError(
            f"no thickness from {THINNEST * knot.thickness * scale:.2f} to {THICKEST * knot.thickness * scale:.1f} mm "
            f"gives {goal:.2f} g of {of.name}; {got:.2f} g is the nearest",
            "give another mass, another size, or other fittings",
            "make.print.mass_g",
        )
    return best, made[best][1]
