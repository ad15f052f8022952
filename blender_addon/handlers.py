"""What Blender does behind the sidebar's back: loading a file, undo and redo."""

import bpy
from bpy.app.handlers import persistent

from . import ops_pick, rebuild, store


def knots():
    """Every knot of the file that may be changed: linked ones are their library's."""
    return [obj for obj in bpy.data.objects if store.is_knot(obj) and store.is_ours(obj)]


@persistent
def after_load(*_):
    """Say of every design that this version cannot read why; meshes are left as they were saved."""
    ops_pick.running.clear()
    for obj in knots():
        wrong = store.parse(obj.relief_knot.text)[1]
        said = str(wrong) if wrong else ""
        if wrong is not None and obj.relief_knot.error != said:
            obj.relief_knot.error = said


@persistent
def after_undo(*_):
    """Design and mesh go back together; where a mesh was last made outside an undo step, make it again."""
    for obj in knots():
        design = store.design_of(obj)
        if obj.relief_knot.live and rebuild.is_stale(obj) and design is not None and not rebuild.is_large(design):
            rebuild.rebuild(obj)


HANDLERS = (
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
