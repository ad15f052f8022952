"""The carved board as an object beside its knot: made of the knot's design, and made again as the design changes.

At a window it is made in a thread, coarse while a hand moves a slider and finer when it rests; scripts get it at once.
As with knots, the mesh holds the digest of what it was made of, so undo, redo and loading can tell whether it is right.
"""

import dataclasses
import functools
import hashlib
import json
import time

import bpy
import numpy as np
from bpy.app.handlers import persistent
from bpy.app.translations import pgettext_rpt as rpt_

from . import core, fill, jobs, rebuild, relief_looks, store, units

COARSE, FINE = 260, 900
"""Samples along the board's longer side: while a slider moves, and when it rests."""
REST = 0.35
"""Seconds without a change after which the finer mesh is made."""
DRAFT = "draft "
DEPTH, UNCUT = "relief_depth_mm", "relief_uncut_mm"
"""Attributes of the mesh's vertices: how deep each lies below the face, and what a cutter leaves there."""


def is_relief(obj):
    """Whether an object is the relief of a knot."""
    return obj is not None and obj.type == "MESH" and store.is_knot(obj.relief_knot_relief.source)


def relief_of(knot_object):
    """The relief of a knot, or None."""
    return next((o for o in bpy.data.objects if o.type == "MESH" and o.relief_knot_relief.source == knot_object), None)


def wanted(relief):
    """The digest of the mesh that the design asks for."""
    source, look = relief.relief_knot_relief.source, relief.relief_knot_relief
    cut = look.section if look.has_section else 0.0
    text = f"{units.units_per_mm(source.relief_knot)!r} {cut:.6g} {_shape(source.relief_knot.text)}"
    return hashlib.sha256(text.encode()).hexdigest()[:32]


@functools.lru_cache(maxsize=64)
def _shape(text):
    """A design's text without what does not shape its relief: tools, wood and the files' resolution."""
    design, wrong = store.parse(text)
    if wrong is not None or design is None:
        return text
    plain = core.carving_options.Carving()
    same = {"tools": plain.tools, "wood": plain.wood, "resolution": plain.resolution, "tolerance": plain.tolerance}
    carve = dataclasses.replace(design.make.carve, **same)
    return core.reading.write_text(dataclasses.replace(design, make=dataclasses.replace(design.make, carve=carve)))


def is_stale(relief):
    """Whether the mesh is not that of the design, or a coarse one (and nothing is said against the design)."""
    return not relief.relief_knot_relief.error and relief.data.relief_knot_built != wanted(relief)


def work(design, samples, cut=0.0, progress=None):
    """Panel and mesh of a design's relief, ``cut`` being the share of the board left off in front; for any thread."""
    show = progress or jobs.untold
    panel = core.carving_panel.plan_panel(design, None, lambda share, stage: show(0.4 * share, stage))
    pitch = max(panel.length, panel.width) / samples

    def later(share, stage):
        show(0.4 + 0.6 * share, stage)

    if cut <= 0:
        return panel, core.carving_relief.panel_mesh(panel, pitch, progress=later)
    return panel, sectioned(panel, pitch, cut, later)


def sectioned(panel, pitch, cut, progress):
    """The solid board without the share ``cut`` of its width in front, so that the section shows."""
    facets, relief = core.carving_facets, core.carving_relief
    whole, side = relief.corner_grid(panel, pitch)
    left_over = panel.width * (1 - min(cut, 0.98))
    rows = max(1, round(left_over / whole.dy / side)) * side
    grid = type(whole)(whole.x0, whole.y0, whole.dx, left_over / rows, whole.columns, rows + 1)
    core.carving_field.refuse_too_large(grid.rows * grid.columns, relief.BYTES_A_CELL)
    surface = core.carving_field.surface_of(panel)
    z = core.carving_field.heights(surface, grid, lambda share, stage: progress(0.5 * share, stage))
    allowed = facets.upright(z, grid.dx, grid.dy, relief.TOLERANCE * pitch)
    laid = facets.triangulate(z, side, allowed, lambda share: progress(0.5 + 0.5 * share, "laying triangles"))
    level = (float(z.min()) - panel.thickness) / 2
    return facets.board_mesh(laid, z, grid.x, grid.y, -panel.thickness, level)


def facts_of(panel, mesh):
    """What the sidebar says of a relief."""
    wood, grams = core.carving_woods.density(panel.carving.wood)
    return {
        "board_mm": [panel.length, panel.width, panel.thickness],
        "corner_mm": [panel.left, panel.bottom],
        "depth_mm": panel.depth,
        "deepest_mm": panel.deepest,
        "left_mm": panel.least_left,
        "step_mm": panel.step,
        "kept_step_mm": panel.kept_step,
        "wood": wood,
        "mass_g": core.mesh.volume(mesh) / 1000 * grams,
        "findings": [[finding.kind, finding.place, finding.remedy] for finding in panel.findings],
    }


def report_of(relief):
    """What was said of the relief as it was last made; empty before."""
    text = relief.relief_knot_relief.report if relief is not None else ""
    return core.jsontext.kept(text)


def take(relief, panel, mesh, built):
    """Let the relief's mesh be what was made."""
    source, look = relief.relief_knot_relief.source, relief.relief_knot_relief
    fill.fill(relief.data, mesh, units.units_per_mm(source.relief_knot))
    relief.data.relief_knot_built = built
    _floats(relief.data, DEPTH, -np.asarray(mesh.vertices)[:, 2])
    if UNCUT in relief.data.attributes:
        relief.data.attributes.remove(relief.data.attributes[UNCUT])  # was of another surface
    facts = facts_of(panel, mesh)
    if look.has_section:
        facts["mass_g"] = report_of(relief).get("mass_g")  # of the whole board
    look.report = json.dumps(facts)
    look.error = ""
    relief_looks.dress(relief, panel.carving, panel.deepest)


def put_uncut(relief, field, left):
    """Write what a cutter leaves to the vertices of the relief, mm; ``left`` lies over ``field``'s pixels."""
    scale = units.units_per_mm(relief.relief_knot_relief.source.relief_knot)
    place = np.empty(3 * len(relief.data.vertices), np.float32)
    relief.data.attributes["position"].data.foreach_get("vector", place)
    x, y, z = place.reshape(-1, 3).T / scale
    column = np.clip(((x - field.left) / field.pitch).astype(int), 0, left.shape[1] - 1)
    row = np.clip(((field.top - y) / field.pitch).astype(int), 0, left.shape[0] - 1)
    value = left[row, column] * (z > float(field.z.min()) - 0.01)  # nothing on the sides below the relief
    _floats(relief.data, UNCUT, value)


def _floats(mesh, name, values):
    attribute = mesh.attributes.get(name) or mesh.attributes.new(name, "FLOAT", "POINT")
    attribute.data.foreach_set("value", np.ascontiguousarray(values, np.float32))


def remake(relief):
    """Make the relief now, finely; gives whether there is one."""
    look = relief.relief_knot_relief
    design, wrong = store.parse(look.source.relief_knot.text)
    _waiting.pop(relief.name, None)
    if wrong is not None:
        look.error = str(wrong)
        return False
    try:
        panel, mesh = work(design, FINE, look.section if look.has_section else 0.0)
    except Exception as error:
        refuse(relief, error)
        return False
    take(relief, panel, mesh, wanted(relief))
    return True


def refuse(relief, error):
    """Say on the relief why it was not made; it keeps the mesh that it has."""
    relief.relief_knot_relief.error = jobs.why(error, rpt_("The relief could not be made; undo the last change"))


# --- following the design ---------------------------------------------------------------------------------------------


class _Waiting:
    def __init__(self):
        self.changed, self.draft = time.perf_counter(), True


_waiting = {}
"""By the relief's name: what has changed and is not made yet."""
_jobs = {}
"""By the relief's name: the job that makes it, and whether finely."""
stopped = set()
"""Digests of reliefs that a person stopped."""


def follow(knot_object):
    """Let the reliefs of a knot follow its design."""
    for relief in list(bpy.data.objects):
        if relief.type == "MESH" and relief.relief_knot_relief.source == knot_object and store.is_ours(relief):
            follow_one(relief)


def follow_one(relief):
    """Let one relief follow."""
    if relief.data.relief_knot_built == wanted(relief) and not relief.relief_knot_relief.error:
        relief_looks.redress(relief)  # of another wood, or its grain turned
        return
    if not jobs.can_wait():
        remake(relief)
        return
    job, fine = _jobs.get(relief.name, (None, False))
    if job is not None and fine:
        jobs.cancel(job)
    stopped.discard(wanted(relief))
    _waiting[relief.name] = _Waiting()
    if not bpy.app.timers.is_registered(_tick):
        bpy.app.timers.register(_tick, first_interval=0.0)


def is_pending(relief):
    """Whether the relief is being made or will be without being asked for."""
    return relief.name in _waiting or job_of(relief) is not None


def job_of(relief):
    """The job that makes the relief, or None."""
    job, _fine = _jobs.get(relief.name, (None, False))
    return None if job is None or job.is_cancelled else job


def _tick():
    now = time.perf_counter()
    for name, waiting in list(_waiting.items()):
        relief = bpy.data.objects.get(name)
        if not is_relief(relief) or not store.is_ours(relief):
            del _waiting[name]
        elif relief.mode == "OBJECT" and not bpy.app.is_job_running("RENDER") and job_of(relief) is None:
            if waiting.draft:
                waiting.draft = False
                _begin(relief, fine=False)
            elif now - waiting.changed > REST:
                del _waiting[name]
                _begin(relief, fine=True)
    return 0.02 if _waiting else None


def _begin(relief, fine):
    name, look = relief.name, relief.relief_knot_relief
    design, wrong = store.parse(look.source.relief_knot.text)
    if wrong is not None:
        look.error = str(wrong)
        _waiting.pop(name, None)
        return
    digest, cut = wanted(relief), look.section if look.has_section else 0.0

    def run(progress):
        return work(design, FINE if fine else COARSE, cut, progress)

    def done(result, error, _seconds):
        _jobs.pop(name, None)
        each = bpy.data.objects.get(name)
        if not is_relief(each) or not store.is_ours(each) or each.mode != "OBJECT":
            return
        if error is not None:
            if wanted(each) == digest:
                refuse(each, error)
                _waiting.pop(name, None)
        elif not fine or wanted(each) == digest:
            take(each, *result, ("" if fine else DRAFT) + digest)
            jobs.redraw(bpy.context)

    def by_hand():
        _jobs.pop(name, None)
        _waiting.pop(name, None)
        stopped.add(digest)

    job = jobs.Job(rpt_("Carving {}").format(name), run, done, by_hand, quiet=not fine)
    _jobs[name] = (job, fine)
    jobs.start(job)


def _after_fill(mesh):
    """A knot's mesh has been made anew: its relief follows."""
    for obj in list(bpy.data.objects):
        if obj.data == mesh and store.is_knot(obj):
            follow(obj)


def reliefs():
    """Every relief of the file that may be changed."""
    return [obj for obj in bpy.data.objects if is_relief(obj) and store.is_ours(obj)]


@persistent
def _before_load(*_):
    _waiting.clear()
    _jobs.clear()
    stopped.clear()


@persistent
def _before_save(*_):
    for relief in reliefs():
        if is_pending(relief) and relief.mode == "OBJECT":
            remake(relief)


@persistent
def _after_undo(*_):
    for relief in reliefs():
        if is_stale(relief) and wanted(relief) not in stopped:
            follow_one(relief)


HANDLERS = (
    (bpy.app.handlers.load_pre, _before_load),
    (bpy.app.handlers.save_pre, _before_save),
    (bpy.app.handlers.load_post, _after_undo),
    (bpy.app.handlers.undo_post, _after_undo),
    (bpy.app.handlers.redo_post, _after_undo),
)


def new_relief(context, knot_object):
    """The relief of a knot as an object beside it; the one that is there, if there is one."""
    relief = relief_of(knot_object)
    if relief is None:
        relief = bpy.data.objects.new(f"{knot_object.name} Relief", bpy.data.meshes.new(f"{knot_object.name} Relief"))
        relief.relief_knot_relief.source = knot_object
        (knot_object.users_collection or [context.collection])[0].objects.link(relief)
        relief.parent = knot_object
    elif not relief.users_scene:  # taken out of the scene, but still used by something
        context.collection.objects.link(relief)
    if relief.name in context.view_layer.objects:
        relief.hide_set(False)
    if not remake(relief) or relief.location.length > 0:
        return relief
    facts, scale = report_of(relief), units.units_per_mm(knot_object.relief_knot)
    ends = [corner[0] for corner in knot_object.bound_box]
    relief.location.x = max(ends) + (0.08 * facts["board_mm"][0] - facts["corner_mm"][0]) * scale
    return relief


def change(knot_object, edit):
    """Edit what is carved, as :func:`.rebuild.change_making` does, and let the relief follow."""
    before = knot_object.relief_knot.text
    taken = rebuild.change_making(knot_object, edit)
    if taken and knot_object.relief_knot.text != before:
        follow(knot_object)
    return taken


def register():
    """Make this part known to Blender."""
    fill.after.append(_after_fill)
    for handlers, function in HANDLERS:
        handlers.append(function)


def unregister():
    """Take back what register did."""
    _before_load()
    if bpy.app.timers.is_registered(_tick):
        bpy.app.timers.unregister(_tick)
    for handlers, function in HANDLERS:
        handlers.remove(function)
    fill.after.remove(_after_fill)
