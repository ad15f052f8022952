"""Strands, plate, frame, mark and what the piece hangs by, united; bores cut, the back hollowed. Lengths are mm."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import DesignError
from ..mesh import Floats
from .bodies import Section, Solid, arrays_of, contents, mesh_of, slab, solid_of
from .fillet import rounded
from .hanging import Bulk, Fitting, bail, eye
from .hollow import pocket
from .knot import Knot
from .options import Bail, Place, Printing
from .plan import filled, grown, highest, outline, strip
from .roundness import Rounded


@dataclass(frozen=True, slots=True, eq=False)
class Assembled:
    """Solids before creases are filled; united strands alone, and the parts that may join some of them."""

    solids: tuple[Solid, ...]
    by: Fitting | None
    mark: tuple[float, float, float, float] | None
    edges: Rounded | None
    strands: Solid | None = None
    joiners: tuple[Solid, ...] = ()


def base_plan(
    flat: Section, knot: Knot, wanted: Printing, scale: float
) -> tuple[Section, Section | None, Section | None]:
    """In plan: the knot with plate and frame, the plate alone, the frame alone."""
    plan, plate, frame = flat, None, None
    tolerance = wanted.tolerance / 2
    if wanted.frame is not None:
        form = wanted.frame
        overlap = knot.width * scale / 3 if form.overlap is None else form.overlap
        if overlap > 0.6 * knot.width * scale:
            raise DesignError(
                f"the frame would cut the knot: it reaches {overlap:.2f} mm into strands "
                f"{knot.width * scale:.2f} mm wide",
                f"give at most {math.floor(60 * knot.width * scale) / 100:.2f} mm",
                "make.print.frame.overlap",
            )
        inner = outline(form.shape, flat, -overlap, tolerance)
        frame = grown(inner, form.width, tolerance) - inner
        if wanted.plate is None and (frame ^ flat).area() < 1e-3:
            raise DesignError(
                f"the frame stands clear of the knot, {-overlap:.2f} mm off",
                "give an overlap above 0, or add a plate",
                "make.print.frame.overlap",
            )
        plan = plan + frame
    if wanted.plate is not None:
        plate = outline(wanted.plate.shape, flat, wanted.plate.margin, tolerance)
        if frame is not None:
            # walls that lie flush unite badly: a plate inside a frame ends within it, others carry it
            whole = filled(frame)
            assert wanted.frame is not None
            inside = (plate - whole).area() < 1e-6
            plate = grown(whole, -wanted.frame.width / 2, tolerance) if inside else plate + grown(whole, 0.1, tolerance)
        plan = plan + plate
    return plan, plate, frame


def fittings(wanted: Printing, plan: Section, bulk: Bulk) -> list[Fitting]:
    """What the piece hangs by, in order: bail, eye."""
    found = []
    tolerance = wanted.tolerance / 3
    if wanted.bail is not None:
        found.append(bail(wanted.bail, plan, bulk, tolerance))
    if wanted.eye is not None:
        place = wanted.eye.place or (Place.TOP if wanted.bail is None else Place.BOTTOM)
        found.append(eye(wanted.eye, plan, bulk, tolerance, below=place is Place.BOTTOM))
    return found


def assemble(knot: Knot, wanted: Printing, scale: float) -> Assembled:
    """All parts united, bores cut and the back hollowed, at the size of the finished piece."""
    if knot.free:
        return _assemble_free(knot, wanted, scale)
    from manifold3d import Manifold, OpType

    # heights are scaled with the plan; a thickness solved for a mass is in the knot already
    strands = solid_of(knot.vertices * scale, knot.triangles)
    flat = strands.project()
    low, high = float(knot.vertices[:, 2].min()) * scale, float(knot.vertices[:, 2].max()) * scale
    plan, plate, frame = base_plan(flat, knot, wanted, scale)
    parts, joiners = [strands], []
    rims: list[Rounded] = []
    back = low
    if plate is not None:
        assert wanted.plate is not None
        top = knot.under * scale + 0.04 * knot.thickness * scale
        back = min(top - wanted.plate.thickness, low)
        parts.append(_rimmed(plate, back, top, wanted, rims))
        joiners.append(parts[-1])
    if frame is not None:
        assert wanted.frame is not None
        height = wanted.frame.height or (high - back)
        parts.append(_rimmed(frame, back, back + height, wanted, rims))
        joiners.append(parts[-1])
    mark = None
    if wanted.mark is not None:
        mark = _mark(wanted, flat if plate is None else plate)
        x, y, width, height = mark
        if plate is None:
            pad = strip(x, x + width, y, y + height)
            parts.append(_rimmed(pad, back, back + wanted.mark.thickness, wanted, rims))
            joiners.append(parts[-1])
            plan = plan + pad
    body = Manifold.batch_boolean(parts, OpType.Add) if len(parts) > 1 else strands
    front = max(high, *(float(part.bounding_box()[5]) for part in parts))
    held: list[Fitting] = []
    if wanted.bail is not None or wanted.eye is not None:
        alone, flat_front = body, None if plate is None else top

        def hung(centre: Floats) -> tuple[list[Fitting], Solid]:
            bulk = Bulk(float(centre[0]), float(centre[1]), float(centre[2]), back, front, alone, flat_front)
            held = fittings(wanted, plan, bulk)
            whole = Manifold.batch_boolean([alone, *(part for f in held for part in f.added)], OpType.Add)
            for cut in (part for f in held for part in f.cut):
                whole = whole - cut
            return held, whole

        held, body = hung(contents(*arrays_of(alone))[1])
        centre = contents(*arrays_of(body))[1]
        if abs(float(centre[0] - held[0].at[0])) > 1e-3:  # what it hangs by has moved the centre of mass aside
            held, body = hung(centre)
        if len(body.decompose()) > len(alone.decompose()):
            name = "eye" if wanted.bail is None else "bail"
            raise DesignError(
                "what it hangs by does not reach the piece", "add a frame or a plate", f"make.print.{name}"
            )
        plan = plan + sum((f.region for f in held[1:]), held[0].region)
        joiners += [Manifold.batch_boolean(list(f.added), OpType.Add) for f in held]
    if wanted.hollow is not None:
        body = _hollowed(body, wanted, back, mark, [f.region for f in held])
    edges = together(rims) if rims else None
    return Assembled((body,), held[0] if held else None, mark, edges, strands, tuple(joiners))


def _rimmed(section: Section, low: float, high: float, wanted: Printing, rims: list[Rounded]) -> Solid:
    """A plan section as a slab whose rims are rounded."""
    plain = slab(section, low, high)
    radius = min(wanted.rounding, 0.3 * (high - low))
    if radius <= 0:
        return plain
    vertices, triangles = arrays_of(plain.simplify(wanted.tolerance / 10))
    made = rounded(vertices, triangles, radius)
    rims.append(made.became)
    return solid_of(made.vertices, made.triangles)


def _mark(wanted: Printing, flat: Section) -> tuple[float, float, float, float]:
    """Where on the back the flat area lies: where it covers most of the piece, and of such places the middlemost."""
    assert wanted.mark is not None
    width, height = wanted.mark.width, wanted.mark.height
    x0, y0, x1, y1 = flat.bounds()
    if width > x1 - x0 or height > y1 - y0:
        raise DesignError(
            f"an area of {width:g} x {height:g} mm is larger than the piece, {x1 - x0:.1f} x {y1 - y0:.1f} mm",
            "give a smaller one",
            "make.print.mark",
        )
    best, where = -math.inf, (0.0, 0.0)
    middle = np.array([x0 + x1 - width, y0 + y1 - height]) / 2
    for x in np.linspace(x0, x1 - width, 9):
        for y in np.linspace(y0, y1 - height, 9):
            covered = (flat ^ strip(x, x + width, y, y + height)).area() / (width * height)
            value = covered - 0.3 * float(np.hypot(*(np.array([x, y]) - middle))) / max(x1 - x0, y1 - y0)
            if value > best:
                best, where = value, (float(x), float(y))
    return (*where, width, height)


def _hollowed(
    body: Solid, wanted: Printing, back: float, mark: tuple[float, float, float, float] | None, regions: list[Section]
) -> Solid:
    assert wanted.hollow is not None
    kept = list(regions)
    if mark is not None:
        x, y, width, height = mark
        edge = wanted.hollow.wall
        kept.append(strip(x - edge, x + width + edge, y - edge, y + height + edge))
    whole = None
    for region in kept:
        whole = region if whole is None else whole + region
    taken = pocket(mesh_of(*arrays_of(body)), back, wanted.hollow.wall, whole, wanted.tolerance)
    return body if taken is None else body - taken


def _assemble_free(knot: Knot, wanted: Printing, scale: float) -> Assembled:
    """Free strands, one of them with what the piece hangs by."""
    solids = [solid_of(vertices * scale, triangles) for vertices, triangles in knot.bodies]
    if wanted.bail is None and wanted.eye is None:
        return Assembled(tuple(solids), None, None, None)
    parts = [contents(*arrays_of(one)) for one in solids]
    total = sum(volume for volume, _ in parts)
    centre: Floats = np.sum([volume * place for volume, place in parts], axis=0) / total
    # it hangs by the strand that comes up highest above the balance point
    tops = [_top_at(one.project(), float(centre[0]), wanted) for one in solids]
    holder = int(np.argmax(tops))
    low, high = float(knot.vertices[:, 2].min()) * scale, float(knot.vertices[:, 2].max()) * scale
    box = solids[holder].bounding_box()
    bulk = Bulk(float(centre[0]), float(centre[1]), (box[2] + box[5]) / 2, max(low, box[2]), min(high, box[5]))
    carried = fittings(wanted, solids[holder].project(), bulk)
    held = solids[holder]
    for fitting in carried:
        for part in fitting.added:
            held = held + part
    for fitting in carried:
        for cut in fitting.cut:
            held = held - cut
    clearance = _sizes(knot).clearance * scale
    for k, one in enumerate(solids):
        if k != holder:
            gap = float(held.min_gap(one, 2 * clearance + 1.0))
            if gap < 0.98 * clearance:
                raise DesignError(
                    f"what it hangs by would come within {gap:.2f} mm of another strand, {clearance:.2f} mm being set",
                    "give it a smaller wall, or hang the piece by an eye",
                    "make.print.bail",
                )
    solids[holder] = held
    return Assembled(tuple(solids), carried[0], None, None)


def _sizes(knot: Knot) -> Any:
    return knot.made.counted.size


def _top_at(flat: Section, x: float, wanted: Printing) -> float:
    half = 0.9 * (wanted.bail or Bail()).wall
    top = highest(flat, x - half, x + half)
    return -math.inf if top is None else top


def together(parts: list[Rounded]) -> Rounded:
    """Several bodies' creases as one: lengths added, radii the usual ones of the longest and the least of all."""
    usual = [part for part in parts if part.usual is not None]
    if not usual:
        return Rounded(sum(part.length for part in parts), None, None, sum(part.left for part in parts))
    longest = max(usual, key=lambda part: part.length)
    return Rounded(
        sum(part.length for part in parts),
        longest.usual,
        min(part.least for part in usual if part.least is not None),
        sum(part.left for part in parts),
    )
