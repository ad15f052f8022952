"""From the design on an object to its mesh; the last good mesh stays where a design cannot be made."""

import time
import traceback

import bpy

from . import core, fill, store, units

LIVE_CROSSINGS = 600
"""Above this many crossings a knot waits for its Update button, so that a slider never holds Blender up."""


def is_stale(obj):
    """Whether the mesh is not that of the design (and nothing is said against the design)."""
    knot = obj.relief_knot
    return not knot.error and obj.data.relief_knot_built != store.digest(knot.text, units.units_per_mm(knot))


def is_large(design):
    """Whether a design is too large to follow every move of a slider."""
    grid = design.layout
    return 2 * grid.columns * grid.rows - grid.columns - grid.rows > LIVE_CROSSINGS


def change(obj, edit):
    """Edit the design on an object, ``edit(design) -> design or Changed``, and let the mesh follow.

    An edit that the core refuses leaves the design as it was and its words in the panel.

    Returns
    -------
    bool
        Whether the edit was taken (not whether a mesh could be made of it).
    """
    knot = obj.relief_knot
    design = store.design_of(obj)
    if design is None or not store.is_ours(obj):
        return False
    dropped = ()
    try:
        changed = edit(design)
        if isinstance(changed, core.editing.Changed):
            changed, dropped = changed
        store.write(obj, changed)
    except store.DesignError as error:
        knot.error = str(error)
        return False
    if changed != design or knot.error:
        knot.note = "Gone with this change: " + ", ".join(dropped) if dropped else ""
        follow(obj)
    return True


def follow(obj):
    """Rebuild the mesh after a change, unless the knot is set to wait or is too large to follow at once."""
    if not store.is_knot(obj) or not store.is_ours(obj):
        return
    knot = obj.relief_knot
    design = store.design_of(obj)
    if design is not None and (not knot.live or is_large(design)):
        knot.error = ""
        return
    rebuild(obj)


def rebuild(obj, progress=None):
    """Make the mesh of the design on ``obj``.

    Returns
    -------
    bool
        Whether a mesh was made. If not, the object says why and keeps the mesh it had.
    """
    knot = obj.relief_knot
    design, wrong = store.parse(knot.text)
    if wrong is not None:
        knot.error = str(wrong)
        return False
    begun = time.perf_counter()
    try:
        made = core.made.make(design, progress=progress)
    except store.DesignError as error:
        knot.error = str(error)
        return False
    except core.made.Cancelled:
        return False
    except Exception as error:  # a fault of ours: Blender and the last good mesh outlive it, the console has the rest
        traceback.print_exc()
        knot.error = f"The knot could not be made ({type(error).__name__}: {error}); undo the last change"
        return False
    if made.mesh is None:
        store.write_report(obj, made, time.perf_counter() - begun)
        knot.error = "; ".join(f"{f.kind}, {f.place}: {f.remedy}" for f in made.findings[:1]) or "no mesh can be made"
        return False
    scale = units.units_per_mm(knot)
    built = store.digest(knot.text, scale)
    own_mesh(obj)
    if obj.data.relief_knot_built != built or not len(obj.data.vertices):
        fill.fill(obj.data, made.mesh, scale)
        obj.data.relief_knot_built = built
    knot.made = knot.text
    knot.error = ""
    store.write_report(obj, made, time.perf_counter() - begun)
    return True


def own_mesh(obj):
    """Give ``obj`` a mesh of its own if it shares one with an object of another design."""
    if obj.data.users < 2:
        return
    text = obj.relief_knot.text
    others = (other for other in bpy.data.objects if other.data == obj.data and other != obj)
    if any(other.relief_knot.text != text for other in others):
        obj.data = obj.data.copy()
