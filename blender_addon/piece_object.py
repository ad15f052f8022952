"""The finished piece as an object beside its knot: made, measured and judged in a thread, taken up as a mesh.

The whole piece (plate, frame, bail, fillets) needs manifold3d. Where Blender's Python has none, the strands are united
by Blender's own Boolean and get size and allowances; what is left out is said in the panel and on the piece.
"""

import hashlib
import importlib.util
import json

import bpy
import numpy as np
from bpy.app.translations import pgettext_rpt as rpt_
from mathutils import Vector

from . import core, fill, jobs, making, store, unite, units

piece_maker = core.printing_piece
checks = core.printing_checks
remedies = core.printing_remedies
profiles = core.printing_profiles
materials = core.printing_materials
options = core.printing_options
knots = core.printing_knot
allowances = core.printing_allowances
bodies_of = core.printing_bodies
fillets = core.printing_fillet

FITTINGS = ("plate", "frame", "bail", "eye", "mark", "hollow", "ring")
"""Parts of ``make.print`` that only manifold3d can put on."""


def is_whole():
    """Whether whole pieces can be made here."""
    return importlib.util.find_spec("manifold3d") is not None


def left_out(wanted):
    """The parts of a piece that cannot be made here, by their keys."""
    if is_whole():
        return []
    found = [name for name in FITTINGS if getattr(wanted, name) is not None]
    return [*found, *(["mass_g"] if wanted.mass_g is not None else [])]


def is_piece(obj):
    """Whether an object is the piece of a knot."""
    return obj is not None and obj.type == "MESH" and store.is_knot(obj.relief_knot_print.source)


def piece_of(knot_object):
    """The piece of a knot, or None."""
    return next((o for o in bpy.data.objects if o.type == "MESH" and o.relief_knot_print.source == knot_object), None)


def knot_in(context):
    """The knot that the active object is, or of which it is the piece; None otherwise."""
    obj = context.object
    return obj.relief_knot_print.source if is_piece(obj) else store.active_knot(context)


def limits_of(knot_object):
    """The profile that a knot's piece is checked by.

    Raises
    ------
    DesignError
        The file of limits cannot be read.
    """
    look = knot_object.relief_knot_print
    if look.limits_file:
        return profiles.read_profile(bpy.path.abspath(look.limits_file))
    design = store.design_of(knot_object)
    kind = "casting" if design is None else design.make.print.process
    found = profiles.SHIPPED.get(look.process_name)
    return found if found is not None and found.kind == kind else profiles.SHIPPED[profiles.USUAL[kind]]


def wanted(knot_object):
    """The digest of the piece that the design asks for, and of what it is judged by."""
    look = knot_object.relief_knot_print
    text = f"{units.units_per_mm(knot_object.relief_knot)!r} {look.process_name} {look.limits_file}"
    return hashlib.sha256(f"{text} {knot_object.relief_knot.text}".encode()).hexdigest()[:32]


def is_stale(knot_object):
    """Whether the piece, if there is one, is not that of the design as it stands."""
    piece = piece_of(knot_object)
    return piece is not None and piece.data.relief_knot_built != wanted(knot_object)


UNITS = {"overhang": " mm\u00b2", "hang": "\u00b0", "tilt": "\u00b0", "slope": "\u00b0"}
"""Of what was measured for a finding, where it is no length."""


def report_of(knot_object):
    """What was measured and found on the piece; empty before it is made."""
    piece = piece_of(knot_object) if knot_object is not None else None
    text = piece.relief_knot_print.report if piece is not None else ""
    return core.jsontext.kept(text)


# --- making ---


def work(design, profile, progress):
    """The piece and what was measured on it, for any thread; needs manifold3d."""
    piece = piece_maker.make_piece(design, progress=lambda share, stage: progress(0.7 * share, stage), limits=profile)
    progress(0.7, "measuring")
    return piece, remedies.check_piece(piece, profile, materials.material(design.make.print.material))


def strands(design, progress):
    """The strands of a design as they come, for any thread: the first half of :func:`united`."""
    return core.made.make(design, prove=0, progress=lambda share, stage: progress(0.6 * share, stage))


def united(design, made, profile):
    """The strands alone as a piece, united by Blender's Boolean, and what was measured on it; not in a thread."""
    asked = design.make.print
    if made.mesh is None or made.drawn is None:
        raise core.made.no_mesh(made)
    size = made.counted.size
    is_free = design.heights.way is core.design.Making.FREE
    mesh = made.mesh if is_free else core.made.solid(made, unite.tool())
    triangles = core.mesh.all_triangles(mesh).astype(np.int64)
    scale = 1.0 if asked.size is None else asked.size / float(np.ptp(mesh.vertices[:, :2], axis=0).max())
    parts = knots._apart(mesh.vertices, triangles)
    z = made.drawn.relief.z
    divided = bool(made.counted.strand_map.divided.any() or made.counted.strand_map.loops_divided)
    width = size.half_width if divided else made.counted.narrowest.width
    under = float(z.max()) - size.thickness / 2 if len(z) else float(mesh.vertices[:, 2].min())
    knot = knots.Knot(made, mesh.vertices, triangles, parts if is_free else (), under, width, size.thickness)
    if is_free:
        finished = tuple(bodies_of.mesh_of(v * scale, t, k) for k, (v, t) in enumerate(parts))
    else:
        finished = (bodies_of.mesh_of(mesh.vertices * scale, triangles),)
    grow = allowances.grown_by(asked.shrinkage)
    models = tuple(
        bodies_of.mesh_of(
            allowances.enlarged(one.vertices, one.triangles.astype(np.int64), asked.finishing) * grow, one.triangles, k
        )
        for k, one in enumerate(finished)
    )
    plain = fillets.Rounded(0.0, None, None, 0.0)
    volume = sum(bodies_of.contents(one.vertices, one.triangles)[0] for one in finished)
    material = materials.material(asked.material)
    piece = piece_maker.Piece(
        bodies=models,
        finished=finished,
        scale=scale,
        thickness=size.thickness * scale,
        thicker=1.0,
        model_scale=grow,
        mass_g=materials.mass(volume, material),
        hang=None,
        hang_at=None,
        creases=plain,
        edges=plain,
        mark=None,
        notes=("strands alone, united by Blender",),
        knot=knot,
        expected=knots.parts_of_map(made),
    )
    return piece, remedies.check_piece(piece, profile, material)


def facts_of(design, piece, checked):
    """What the sidebar says of a piece."""
    low = np.min([one.vertices.min(0) for one in piece.finished], axis=0)
    high = np.max([one.vertices.max(0) for one in piece.finished], axis=0)
    model_low = np.min([one.vertices.min(0) for one in piece.bodies], axis=0)
    model_high = np.max([one.vertices.max(0) for one in piece.bodies], axis=0)
    return checks.as_json(checked) | {
        "size_mm": [round(float(v), 4) for v in high - low],
        "model_size_mm": [round(float(v), 4) for v in model_high - model_low],
        "thickness_mm": round(piece.thickness, 4),
        "notes": list(piece.notes),
        "left_out": left_out(design.make.print),
    }


def take(context, knot_object, design, piece, checked, built):
    """Let the piece's object be what was made."""
    made = piece_of(knot_object)
    if made is None:
        name = f"{knot_object.name} Piece"
        made = bpy.data.objects.new(name, bpy.data.meshes.new(name))
        made.relief_knot_print.source = knot_object
        (knot_object.users_collection or [context.collection])[0].objects.link(made)
        made.parent = knot_object
    scale = units.units_per_mm(knot_object.relief_knot)
    mesh = bodies_of.joined(piece.bodies)
    fill.fill(made.data, mesh, scale)
    made.data.relief_knot_built = built
    look = made.relief_knot_print
    look.report = json.dumps(facts_of(design, piece, checked))
    look.error = knot_object.relief_knot_print.error = ""
    if made.location.length == 0:
        right = max(corner[0] for corner in knot_object.bound_box)
        left, width = float(mesh.vertices[:, 0].min()), float(np.ptp(mesh.vertices[:, 0]))
        made.location.x = right + (0.15 * width - left) * scale
    show_places(context, knot_object)
    return made


PLACE = "relief_knot_place"
"""Custom property of the empties that stand at the places of findings."""


def places(knot_object):
    """The empties that show where findings are."""
    piece = piece_of(knot_object)
    return [] if piece is None else [child for child in piece.children if PLACE in child]


def show_places(context, knot_object):
    """Put a named empty at the place of every finding on the piece; those that stood there go."""
    for empty in places(knot_object):
        bpy.data.objects.remove(empty)
    piece = piece_of(knot_object)
    if piece is None or not knot_object.relief_knot_print.show_places:
        return
    report, scale = report_of(knot_object), units.units_per_mm(knot_object.relief_knot)
    for finding in report.get("findings", ()):
        if finding["at"] is None:
            continue
        unit = UNITS.get(finding["kind"], " mm")
        value = "" if finding["value"] is None else f" {finding['value']:.2f}{unit}"
        empty = bpy.data.objects.new(f"{rpt_(finding['kind'].capitalize())}{value}", None)
        empty[PLACE] = True
        empty.empty_display_type, empty.show_name, empty.show_in_front = "SPHERE", True, True
        empty.empty_display_size = 0.03 * max(report["size_mm"]) * scale
        piece.users_collection[0].objects.link(empty)
        empty.parent = piece
        empty.location = Vector(finding["at"]) * scale * _model_scale(report)


def _model_scale(report):
    return report["model_size_mm"][0] / report["size_mm"][0]


MAKER = making.Maker(
    "relief_knot_print",
    label="Making the piece of {}",
    step="Make Piece",
    fault="The piece could not be made; undo the last change",
)
job_of = MAKER.job_of

_results = making.Lately(1)
"""The piece made last, what was measured on it, and its options."""


def forget():
    """Drop what was made in this session."""
    _results.clear()


def fresh_piece(knot_object):
    """The object of a knot's piece.

    Raises
    ------
    DesignError
        There is none, or it is not of the design as it stands.
    """
    piece = piece_of(knot_object)
    if piece is None:
        raise store.DesignError("there is no piece yet", "make the piece first")
    if is_stale(knot_object):
        raise store.DesignError("the piece is not that of the design as it stands", "make the piece again")
    return piece


def result_of(knot_object):
    """The piece of a knot, what was measured on it, and its options; made anew where it was made in another session.

    Raises
    ------
    DesignError
        There is none, it is not of the design as it stands, or it cannot be made.
    """
    fresh_piece(knot_object)
    design, profile = store.design_of(knot_object), limits_of(knot_object)

    def anew():
        if is_whole():
            return *work(design, profile, jobs.untold), design.make.print
        return *united(design, strands(design, jobs.untold), profile), design.make.print

    return _results.get(wanted(knot_object), anew)


def make(knot_object):
    """Make and measure the piece; gives whether nothing is known against it so far."""
    try:
        design, profile = store.readable(knot_object), limits_of(knot_object)
    except store.DesignError as error:
        MAKER.refuse(knot_object, error)
        return False
    digest, whole = wanted(knot_object), is_whole()

    def run(progress):
        return work(design, profile, progress) if whole else strands(design, progress)

    def finish(each, result):
        piece, checked = result if whole else united(design, result, profile)
        take(bpy.context, each, design, piece, checked, digest)
        _results.keep(digest, (piece, checked, design.make.print))

    return MAKER.make(knot_object, run, finish)


def models_of(knot_object):
    """The bodies of the piece as its object holds them, in mm, ready for files.

    Raises
    ------
    DesignError
        There is none, or it is not of the design as it stands.
    """
    data, scale = fresh_piece(knot_object).data, units.units_per_mm(knot_object.relief_knot)
    place = np.empty(3 * len(data.vertices), np.float32)
    data.attributes["position"].data.foreach_get("vector", place)
    corner = np.empty(len(data.loops), np.int32)
    data.attributes[".corner_vert"].data.foreach_get("value", corner)
    strand = np.empty(len(data.polygons), np.int32)
    data.attributes[fill.STRAND].data.foreach_get("value", strand)
    vertices, triangles = place.reshape(-1, 3).astype(float) / scale, corner.reshape(-1, 3).astype(np.int64)
    found = []
    for number in np.unique(strand):
        used, numbered = np.unique(triangles[strand == number], return_inverse=True)
        found.append(bodies_of.mesh_of(vertices[used], np.asarray(numbered).reshape(-1, 3), int(number)))
    return tuple(found)
