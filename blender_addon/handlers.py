"""What Blender does behind the sidebar's back: loading a file, undo and redo."""

import bpy
from bpy.app.handlers import persistent

from . import jobs, live, rebuild, store


def knots():
    """Every knot of the file that may be changed: linked ones are their library's."""
    return [obj for obj in bpy.data.objects if store.is_knot(obj) and store.is_ours(obj)]


@persistent
def before_load(*_):
    """Drop what is under way: it belongs to the file that goes."""
    live.cancel_all()


@persistent
def before_save(*_):
    """Make now what waits and takes no long time, so that files hold exact meshes."""
    live.flush(at_most=2.0)


@persistent
def after_load(*_):
    """Say of every design that cannot be read why, and finish drafts; other meshes stay as they were saved."""
    for obj in knots():
        _migrate(obj)
        wrong = store.parse(obj.relief_knot.text)[1]
        said = str(wrong) if wrong else ""
        if wrong is not None and obj.relief_knot.error != said:
            obj.relief_knot.error = said
        if wrong is None and rebuild.is_draft(obj):
            _exactly(obj)


def _migrate(obj):
    """Bring a design that an older version kept up to this one; the mesh counts as made of it."""
    knot = obj.relief_knot
    text = store.migrated(knot.text)
    if text == knot.text:
        return
    fresh = not rebuild.is_stale(obj)
    knot.text, knot.made = text, store.migrated(knot.made)
    if fresh:
        obj.data.relief_knot_built = rebuild.wanted(obj)


def _exactly(obj):
    """The exact mesh of a draft: soon where there is a window, at once where there is none."""
    if jobs.can_wait():
        live.later(obj)
    else:
        rebuild.rebuild(obj)


@persistent
def after_undo(*_):
    """Design and mesh go back together; where a mesh was last made outside an undo step, make it again."""
    for obj in knots():
        if not rebuild.is_stale(obj) or rebuild.wanted(obj) in live.stopped:
            continue
        if rebuild.is_draft(obj):
            _exactly(obj)
        elif obj.relief_knot.live:
            rebuild.follow(obj)


HANDLERS = (
    (bpy.app.handlers.load_pre, before_load),
    (bpy.app.handlers.save_pre, before_save),
    (bpy.app.handlers.load_post, after_load),
    (bpy.app.handlers.undo_post, after_undo),
    (bpy.app.handlers.redo_post, after_undo),
)


def register():
    """Make this part known to Blender."""
    for handlers, function in HANDLERS:
        handlers.append(function)


def unregister():
    """Take back what register did."""
    for handlers, function in HANDLERS:
        handlers.remove(function)
