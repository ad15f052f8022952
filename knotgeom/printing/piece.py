"""The whole piece: strands, plate, frame, what it hangs by; as large and as heavy as asked. Lengths are mm.

Fittings keep their lengths whatever the knot is scaled by: a bail's bore is that of the finished piece. So the knot's
scale is solved for the piece's size, and its thickness for the piece's mass. What is written is the model: the finished
piece with the allowances for finishing and shrinkage put on.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..clean import clean, is_sound
from ..cycles import connected_labels
from ..design import Design
from ..errors import DesignError
from ..mesh import Floats, Ints, Mesh
from ..selfcut import crossing_pairs
from . import finger
from .allowances import finished_from, grown_by
from .bodies import Section, Solid, arrays_of, contents, mesh_of, slab, solid_of
from .fillet import Faired, faired
from .hanging import Bulk, Fitting, Hang, bail, eye, hang
from .hollow import pocket
from .knot import Knot, knot_of, parts_of_map
from .materials import mass, material
from .options import Bail, Extent, Place, Printing
from .plan import filled, grown, highest, outline, strip
from .process import limits_for
from .profiles import Profile
from .rims import Rounded

SMALLEST, LARGEST = 1.0, 1000.0
"""Sides that a piece may have: below, a mesh in mm was meant in metres, above, the reverse."""
EXACT = 0.005
"""How nearly the size is met, mm."""
BALANCED = 0.003
"""How nearly the mass is met, as a share of it."""
THINNEST, THICKEST = 0.1, 10.0
"""How far the thickness may be changed for a mass, in shares of the design's own."""
SHORT, LOW = 0.06, 0.015
"""Edges and heights of triangles below these are taken out before creases are filled, mm after scaling."""

Report = Callable[[float, str], None]


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A piece made.

    Attributes
    ----------
    bodies : tuple of Mesh
        The model's bodies: what is written.
    finished : tuple of Mesh
        The same without the allowances.
    scale : float
        What the design's plan was scaled by.
    thickness : float
        The strands' thickness in the finished piece.
    thicker : float
        What the design's own thickness, after scaling, was multiplied by.
    model_scale : float
        What the finished piece was scaled by for shrinkage.
    mass_g : float
        Of the finished piece.
    hang : Hang or None
    hang_at : (3,) float64 or None
        In the finished piece, the middle of the arc in which the chain lies: under it the piece comes to rest.
    creases, edges : Rounded
        What became of creases and of sharp edges.
    mark : (float, float, float, float) or None
        The flat area on the back: x and y of its lower left corner, width, height.
    notes : tuple of str
        What was done and why, in words.
    knot : Knot
    expected : int
        Bodies that the design's map predicts.
    unfilled : tuple of Mesh
        The finished piece before its creases are filled: on it walls and gaps are measured. What fills a crease makes
        no wall thinner, and an opening narrower only within the crease, where the fillet's own ball would be found.
    bore_at : (3,) float64 or None
        The middle of the bore through which the chain's end passes.
    """

    bodies: tuple[Mesh, ...]
    finished: tuple[Mesh, ...]
    scale: float
    thickness: float
    thicker: float
    model_scale: float
    mass_g: float
    hang: Hang | None
    hang_at: Floats | None
    creases: Rounded
    edges: Rounded
    mark: tuple[float, float, float, float] | None
    notes: tuple[str, ...]
    knot: Knot
    expected: int
    bore_at: Floats | None = None
    unfilled: tuple[Mesh, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Assembled:
    """Solids before creases are filled; united strands alone, and the parts that may join some of them."""

    solids: tuple[Solid, ...]
    by: Fitting | None
    mark: tuple[float, float, float, float] | None
    edges: Rounded | None
    strands: Solid | None = None
    joiners: tuple[Solid, ...] = ()


def make_piece(
    design: Design,
    options: Printing | None = None,
    progress: Report | None = None,
    *,
    limits: Profile | None = None,
) -> Piece:
    """Make the piece that a design's ``make.print`` describes.

    Parameters
    ----------
    options : Printing, optional
        In place of the design's own.
    progress : callable, optional
        Called with a share of the work done and a stage's name; may raise to stop.
    limits : Profile, optional
        Of the process; the one that suits process and material where none is given.

    Raises
    ------
    DesignError
        It cannot be made; one line says what would do.
    """
    report = progress or (lambda _share, _stage: None)
    wanted = design.make.print if options is None else options
    if wanted.ring is not None:
        return _ring(design, wanted, report)
    _refuse(design, wanted, limits_for(wanted) if limits is None else limits)
    report(0.02, "making the strands")
    knot = knot_of(design, 1.0, 1.0, wanted.rounding, wanted.tolerance)
    scale = _scale(knot, wanted)
    if scale != 1.0:
        knot = knot_of(design, 1.0, scale, wanted.rounding, wanted.tolerance)
    thicker = 1.0
    report(0.35, "fitting the parts")
    if wanted.mass_g is not None:
        thicker, knot = _thickness(design, knot, wanted, scale, wanted.mass_g)
    for _ in range(4):
        assembled = _assemble(knot, wanted, scale)
        off = _off(assembled.solids, wanted, scale, knot)
        if abs(off) <= EXACT:
            break
        assert wanted.size is not None
        scale *= wanted.size / (wanted.size + off)
    else:
        raise _no_size(wanted, scale)
    report(0.6, "filling the creases")
    pieces = [_finish(one, wanted, knot, scale) for one in assembled.solids]
    finished = tuple(mesh_of(one.vertices, one.triangles, k) for k, one in enumerate(pieces))
    grams = _grams(finished, wanted)
    if wanted.mass_g is not None and abs(grams / wanted.mass_g - 1) > BALANCED:
        # the fillets have added a little: aim by as much lower
        goal = wanted.mass_g**2 / grams
        thicker, knot = _thickness(design, knot, wanted, scale, goal, thicker)
        assembled = _assemble(knot, wanted, scale)
        pieces = [_finish(one, wanted, knot, scale) for one in assembled.solids]
        finished = tuple(mesh_of(one.vertices, one.triangles, k) for k, one in enumerate(pieces))
        grams = _grams(finished, wanted)
    report(0.85, "putting the allowances on")
    grow = grown_by(wanted.shrinkage)
    bodies = tuple(_model(one, wanted.finishing, grow) for one in finished)
    _refuse_size(bodies)
    centre = _centre(finished)
    return Piece(
        bodies=bodies,
        finished=finished,
        scale=scale,
        thickness=knot.thickness * scale,
        thicker=thicker,
        model_scale=grow,
        mass_g=grams,
        hang=None if assembled.by is None else hang(assembled.by.at, centre),
        hang_at=None if assembled.by is None else assembled.by.at,
        creases=_together([one.creases for one in pieces]),
        edges=assembled.edges or Rounded(0.0, None, None, 0.0),
        mark=assembled.mark,
        notes=_notes(wanted, scale, thicker, knot, grow),
        knot=knot,
        expected=_expected(knot, assembled),
        bore_at=None if assembled.by is None else assembled.by.bore,
        unfilled=_unfilled(pieces),
    )


# ------------------------------------------------------------------------------------------------------- refusals


def _ring(design: Design, wanted: Printing, report: Report) -> Piece:
    """A finger ring: see :mod:`.finger`."""
    finger.refuse(design, wanted)
    made = finger.banded(design, wanted, report)
    report(0.6, "filling the creases")
    done = _finish(made.solid, wanted, made.knot, 1.0)
    finished = (mesh_of(done.vertices, done.triangles),)
    report(0.85, "putting the allowances on")
    grow = grown_by(wanted.shrinkage)
    bodies = tuple(_model(one, wanted.finishing, grow) for one in finished)
    _refuse_size(bodies)
    return Piece(
        bodies=bodies,
        finished=finished,
        scale=1.0,
        thickness=made.knot.thickness,
        thicker=1.0,
        model_scale=grow,
        mass_g=_grams(finished, wanted),
        hang=None,
        hang_at=None,
        creases=done.creases,
        edges=Rounded(0.0, None, None, 0.0),
        mark=None,
        notes=(*finger.notes(made, wanted), *_notes(wanted, 1.0, 1.0, made.knot, grow)),
        knot=made.knot,
        expected=1,
        unfilled=_unfilled([done]),
    )


def _refuse(design: Design, wanted: Printing, limits: Profile) -> None:
    """What can be refused before any work."""
    for name, part, thinnest in (
        ("bail", wanted.bail, limits.bail_wall.value),
        ("eye", wanted.eye, limits.eye_wall.value),
    ):
        if part is not None and thinnest is not None and part.wall < thinnest:
            raise DesignError(
                f"a wall of {part.wall:g} mm is thinner than {limits.name} allows",
                f"give at least {thinnest:g} mm, or a lower limit in a file of limits",
                f"make.print.{name}.wall",
            )
    if wanted.bail is not None and wanted.eye is not None and wanted.eye.place is Place.TOP:
        raise DesignError("a bail stands there already", 'give "bottom"', "make.print.eye.place")
    from ..design import Making

    if design.heights.way is Making.FREE:
        for name in ("plate", "frame", "mark", "hollow"):
            if getattr(wanted, name) is not None:
                raise DesignError(
                    "free strands would no longer be free with it",
                    'leave it out, or make the strands "fused"',
                    f"make.print.{name}",
                )
    if wanted.hollow is not None and wanted.plate is not None and wanted.plate.thickness < wanted.hollow.wall:
        raise DesignError(
            f"a plate {wanted.plate.thickness:g} mm thick cannot be hollowed to a wall of {wanted.hollow.wall:g} mm",
            f"give a wall under {wanted.plate.thickness:g} mm, or a thicker plate",
            "make.print.hollow.wall",
        )


def _refuse_size(bodies: tuple[Mesh, ...]) -> None:
    span = max(float(side) for side in _span(bodies))
    if not SMALLEST <= span <= LARGEST:
        raise DesignError(
            f"the piece is {span:.4g} mm across",
            f"give a make.print.size from {SMALLEST:g} to {LARGEST:,.0f} mm",
            "make.print.size",
        )


# ------------------------------------------------------------------------------------------------- size and mass


def _span(bodies: tuple[Mesh, ...]) -> Floats:
    low = np.min([body.vertices.min(0) for body in bodies], axis=0)
    high = np.max([body.vertices.max(0) for body in bodies], axis=0)
    return np.asarray(high - low)


def _scale(knot: Knot, wanted: Printing) -> float:
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

    fittings = across(scale) - size
    least = 0.1 * scale
    if across(least) > size or fittings == -math.inf:
        raise _no_size(wanted, least)
    low, high = least, scale
    if fittings <= 0:
        return scale
    for _ in range(60):
        tried = (low + high) / 2
        low, high = (tried, high) if across(tried) <= size else (low, tried)
    if across(low) < size - 0.1:  # a little larger it has no room, a little smaller it carries nothing
        raise _no_size(wanted, low)
    return low


def _no_size(wanted: Printing, scale: float) -> DesignError:
    return DesignError(
        f"no knot is large enough to carry its plate, frame and bail in {wanted.size:g} mm; at {scale:.3g} of the "
        "design's own size there is still no room",
        "give a larger size or smaller fittings",
        "make.print.size",
    )


def _silhouette(knot: Knot) -> Section:
    return solid_of(knot.vertices, knot.triangles).project()


def _extent(flat: Section, knot: Knot, wanted: Printing, scale: float) -> tuple[float, float, float, float]:
    """The bounds in plan of the piece round a scaled silhouette."""
    plan, _, _ = _base(flat, knot, wanted, scale)
    box = list(plan.bounds())
    x = float(_plan_centre(flat))
    bulk = Bulk(x, 0.0, 0.0, -1.0, 1.0)
    for fitting in _fittings(wanted, plan, bulk):
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


def _off(solids: tuple[Solid, ...], wanted: Printing, scale: float, knot: Knot) -> float:
    """By how much the finished piece is larger than asked, mm; 0 where no size is asked for."""
    if wanted.size is None:
        return 0.0
    if wanted.size_of is Extent.KNOT:
        return float(np.ptp(knot.vertices[:, :2], axis=0).max()) * scale - wanted.size
    boxes = np.array([one.bounding_box() for one in solids])
    low, high = boxes[:, :2].min(0), boxes[:, 3:5].max(0)
    return float((high - low).max()) - wanted.size


def _grams(finished: tuple[Mesh, ...], wanted: Printing) -> float:
    return mass(sum(contents(one.vertices, one.triangles)[0] for one in finished), material(wanted.material))


def _centre(finished: tuple[Mesh, ...]) -> Floats:
    parts = [contents(one.vertices, one.triangles) for one in finished]
    whole = sum(volume for volume, _ in parts)
    return np.asarray(sum(volume * place for volume, place in parts) / whole)


def _thickness(
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
        solids = _assemble(tried, wanted, scale).solids
        made[thicker] = mass(sum(one.volume() for one in solids), of), tried
        return made[thicker][0]

    one, mass_one = start, weighed(start)
    other = float(np.clip(start * goal / mass_one, THINNEST, THICKEST))
    for _ in range(8):
        if abs(mass_one / goal - 1) < BALANCED / 10 or other == one:
            break
        mass_other = weighed(other)
        slope = (mass_other - mass_one) / (other - one)
        if slope <= 0:
            break
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


# --------------------------------------------------------------------------------------------------- putting together


def _base(flat: Section, knot: Knot, wanted: Printing, scale: float) -> tuple[Section, Section | None, Section | None]:
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


def _fittings(wanted: Printing, plan: Section, bulk: Bulk) -> list[Fitting]:
    fittings = []
    tolerance = wanted.tolerance / 3
    if wanted.bail is not None:
        fittings.append(bail(wanted.bail, plan, bulk, tolerance))
    if wanted.eye is not None:
        place = wanted.eye.place or (Place.TOP if wanted.bail is None else Place.BOTTOM)
        fittings.append(eye(wanted.eye, plan, bulk, tolerance, below=place is Place.BOTTOM))
    return fittings


def _assemble(knot: Knot, wanted: Printing, scale: float) -> _Assembled:
    """All parts united, bores cut and the back hollowed, at the size of the finished piece."""
    if knot.free:
        return _assemble_free(knot, wanted, scale)
    from manifold3d import Manifold, OpType

    # heights are scaled with the plan; a thickness solved for a mass is in the knot already
    strands = solid_of(knot.vertices * scale, knot.triangles)
    flat = strands.project()
    low, high = float(knot.vertices[:, 2].min()) * scale, float(knot.vertices[:, 2].max()) * scale
    plan, plate, frame = _base(flat, knot, wanted, scale)
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
    fittings: list[Fitting] = []
    if wanted.bail is not None or wanted.eye is not None:
        loose = len(body.decompose())
        centre = contents(*arrays_of(body))[1]
        alone, flat_front = body, None if plate is None else top
        for turn in range(2):
            bulk = Bulk(float(centre[0]), float(centre[1]), float(centre[2]), back, front, alone, flat_front)
            fittings = _fittings(wanted, plan, bulk)
            body = Manifold.batch_boolean([alone, *(part for f in fittings for part in f.added)], OpType.Add)
            for cut in (part for f in fittings for part in f.cut):
                body = body - cut
            centre = contents(*arrays_of(body))[1]
            if abs(float(centre[0] - fittings[0].at[0])) < 1e-3 or turn == 1:
                break
        if len(body.decompose()) > loose:
            raise DesignError("what it hangs by does not reach the piece", "add a frame or a plate", "make.print.bail")
        plan = plan + sum((f.region for f in fittings[1:]), fittings[0].region)
        joiners += [Manifold.batch_boolean(list(f.added), OpType.Add) for f in fittings]
    if wanted.hollow is not None:
        body = _hollowed(body, wanted, back, mark, [f.region for f in fittings])
    edges = _together(rims) if rims else None
    return _Assembled((body,), fittings[0] if fittings else None, mark, edges, strands, tuple(joiners))


def _rimmed(section: Section, low: float, high: float, wanted: Printing, rims: list[Rounded]) -> Solid:
    """A plan section as a slab whose rims are rounded."""
    plain = slab(section, low, high)
    radius = min(wanted.rounding, 0.3 * (high - low))
    if radius <= 0:
        return plain
    vertices, triangles = arrays_of(plain.simplify(wanted.tolerance / 10))
    made = faired(vertices, triangles, 0.0, radius, 0.35 * (high - low))
    rims.append(made.edges)
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


def _assemble_free(knot: Knot, wanted: Printing, scale: float) -> _Assembled:
    """Free strands, one of them with what the piece hangs by."""
    solids = [solid_of(vertices * scale, triangles) for vertices, triangles in knot.bodies]
    if wanted.bail is None and wanted.eye is None:
        return _Assembled(tuple(solids), None, None, None)
    parts = [contents(*arrays_of(one)) for one in solids]
    total = sum(volume for volume, _ in parts)
    centre: Floats = np.sum([volume * place for volume, place in parts], axis=0) / total
    # it hangs by the strand that comes up highest above the balance point
    tops = [_top_at(one.project(), float(centre[0]), wanted) for one in solids]
    holder = int(np.argmax(tops))
    low, high = float(knot.vertices[:, 2].min()) * scale, float(knot.vertices[:, 2].max()) * scale
    box = solids[holder].bounding_box()
    bulk = Bulk(float(centre[0]), float(centre[1]), (box[2] + box[5]) / 2, max(low, box[2]), min(high, box[5]))
    fittings = _fittings(wanted, solids[holder].project(), bulk)
    held = solids[holder]
    for fitting in fittings:
        for part in fitting.added:
            held = held + part
    for fitting in fittings:
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
    return _Assembled(tuple(solids), fittings[0], None, None)


def _sizes(knot: Knot) -> Any:
    return knot.made.counted.size


def _top_at(flat: Section, x: float, wanted: Printing) -> float:
    half = 0.9 * (wanted.bail or Bail()).wall
    top = highest(flat, x - half, x + half)
    return -math.inf if top is None else top


@dataclass(frozen=True, slots=True, eq=False)
class _Finished:
    """A body with its creases filled, what became of them, and the same body before."""

    vertices: Floats
    triangles: Ints
    creases: Rounded
    edges: Rounded
    bare: tuple[Floats, Ints]


def _finish(solid: Solid, wanted: Printing, knot: Knot, scale: float) -> _Finished:
    """Small faces taken out, creases filled, and made sure that it is a solid still."""
    crumb = 1e-3 * (knot.width * scale) ** 2 * knot.thickness * scale
    vertices, triangles = bare = _tidied(solid, min(0.002, wanted.tolerance / 10), crumb)
    done = faired(vertices, triangles, 0.0 if knot.free else wanted.fillet, 0.0, 0.0)
    if _euler(done.vertices, done.triangles) != _euler(vertices, triangles) and wanted.fillet > 0:
        # a fillet has closed or torn something: leave the creases as they are, which the report then says
        return _finish(solid, replace(wanted, fillet=0.0), knot, scale)
    sound, clear = None, None
    for place, faces in _ways(done, min(0.003, wanted.tolerance / 15)):
        # vertices are what files of single precision keep
        rounded = place.astype(np.float32).astype(float), faces
        if is_sound(*rounded, 0.0):
            sound = rounded if sound is None else sound
            seen = done.clear and np.array_equal(rounded[0], done.vertices)
            if seen or not len(crossing_pairs(*rounded)):
                clear = rounded
                break
    if sound is not None:
        if clear is None and done.creases.usual is not None:
            # a fillet passes through something: smaller ones, or none, which the report then says
            return _finish(
                solid, replace(wanted, fillet=wanted.fillet / 2 if wanted.fillet > 0.1 else 0.0), knot, scale
            )
        vertices, triangles = sound if clear is None else clear
    else:
        vertices, triangles = rounded
        vertices, triangles, _ = clean(vertices, triangles, np.zeros(len(triangles), np.int64), 1e-4, 2e-5)
        if not is_sound(vertices, triangles, 0.0):
            raise DesignError(
                "the piece is no sound solid in single precision",
                "change the width, the thickness or make.print.fillet a little",
            )
    return _Finished(vertices, triangles, done.creases, done.edges, bare)


def _ways(done: Faired, tolerance: float) -> Iterator[tuple[Floats, Ints]]:
    """Meshes of the same body, the one to be taken first; what comes with fillets has been tidied already."""
    if done.creases.usual is not None:
        yield done.vertices, done.triangles
        yield arrays_of(solid_of(done.vertices, done.triangles))
        return
    kept = solid_of(done.vertices, done.triangles)
    yield arrays_of(kept.simplify(tolerance))
    yield arrays_of(kept)
    yield done.vertices, done.triangles


def _euler(vertices: Floats, triangles: Ints) -> int:
    """Euler's number of a closed mesh that uses all its vertices: another where holes or bodies are."""
    return len(vertices) - len(triangles) // 2


def _unfilled(pieces: Sequence[_Finished]) -> tuple[Mesh, ...]:
    return tuple(mesh_of(*one.bare, k) for k, one in enumerate(pieces))


def _tidied(solid: Solid, tolerance: float, crumb: float) -> tuple[Floats, Ints]:
    """Small faces taken out, as far as that lets no triangle pass through another: in narrow grooves it may."""
    for coarse, share in ((1.0, 1.0), (1.0, 0.1), (0.1, 0.1), (0.0, 0.01)):
        vertices, triangles = arrays_of(solid.simplify(coarse * tolerance) if coarse else solid)
        alike = np.zeros(len(triangles), np.int64)
        vertices, triangles, _ = clean(vertices, triangles, alike, share * SHORT, share * LOW)
        vertices, triangles = _bodies_kept(vertices, triangles, crumb)
        if not len(crossing_pairs(vertices, triangles)):
            break
    return vertices, triangles


def _bodies_kept(vertices: Floats, triangles: Ints, crumb: float) -> tuple[Floats, Ints]:
    """Without crumbs that a Boolean leaves."""
    part = connected_labels(len(vertices), triangles.ravel(), np.roll(triangles, -1, axis=1).ravel())[triangles[:, 0]]
    a, b, c = (vertices[corner] for corner in triangles.T)
    volume = np.bincount(part, np.einsum("ij,ij->i", a, np.cross(b, c)) / 6)
    kept = triangles[np.abs(volume[part]) > crumb]
    used, numbered = np.unique(kept, return_inverse=True)
    return vertices[used], np.asarray(numbered).reshape(-1, 3)


def _model(finished: Mesh, finishing: float, grow: float) -> Mesh:
    """A finished body with the allowances put on."""
    faces = finished.triangles.astype(np.int64)
    if finishing:
        vertices = finished_from(finished.vertices, faces, finishing, grow)
        solid_of(vertices, faces)
    else:
        vertices = (finished.vertices * grow).astype(np.float32).astype(float)
    return mesh_of(vertices, finished.triangles, int(finished.triangle_strand[0]))


def _together(parts: list[Rounded]) -> Rounded:
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


def _expected(knot: Knot, assembled: _Assembled) -> int:
    """Bodies that the map predicts, fewer by as many as plate, frame and fittings join; nothing united is looked at.

    Each connected part of plate, frame and fittings joins those parts of the knot that it reaches into.
    """
    parts = parts_of_map(knot.made)
    if knot.free or parts == 1:
        return parts
    strands = [] if assembled.strands is None else assembled.strands.decompose()
    joiners = [each for joiner in assembled.joiners for each in joiner.decompose()]
    links = [
        (k, len(strands) + j)
        for k, part in enumerate(strands)
        for j, joiner in enumerate(joiners)
        if (part ^ joiner).volume() > 1e-6
    ]
    one, other = np.array(links, np.int64).reshape(-1, 2).T
    label = connected_labels(len(strands) + len(joiners), one, other)
    return parts - len(strands) + len(np.unique(label[: len(strands)]))


def _notes(wanted: Printing, scale: float, thicker: float, knot: Knot, grow: float) -> tuple[str, ...]:
    notes = []
    if wanted.size is not None:
        over = "the whole piece, its fittings included" if wanted.size_of is Extent.PIECE else "the knot alone"
        notes.append(f"plan scaled by {scale:.5f} so that {over} measures {wanted.size:g} mm when finished")
    if wanted.mass_g is not None:
        notes.append(
            f"strands made {knot.thickness * scale:.3f} mm thick ({thicker:.4f} of the design's own, steps with them) "
            f"so that the finished piece weighs {wanted.mass_g:g} g in {wanted.material}"
        )
    if wanted.shrinkage:
        notes.append(
            f"model scaled by 1 / (1 - {wanted.shrinkage:g} %) = {grow:.6f}, since the casting loses "
            f"{wanted.shrinkage:g} % of length in mould and metal; measure your own caster's figure on a test piece"
        )
    if wanted.finishing:
        notes.append(
            f"every face moved out by {wanted.finishing:g} mm before scaling, since filing and polishing take as much "
            "off again"
        )
    if not (wanted.shrinkage or wanted.finishing):
        notes.append("no allowance for shrinkage or finishing: the model has the size of the finished piece")
    return tuple(notes)
