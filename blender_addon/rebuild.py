"""From the design on an object to its mesh; the last good mesh stays where a design cannot be made.

Scripts and renders in background get the exact mesh at once. At a window a hand that moves a slider waits for the
picture: what takes longer than ``AT_ONCE`` seconds is made in a thread, drafts while changes keep coming and the exact
mesh when they rest (see ``live``).

A draft and what a thread made reach the mesh outside the undo step of their edit. That is safe because a mesh holds
the digest of the design that it was made of: after undo, redo, saving and loading, design and digest are compared and
the mesh made again where they differ. Only the contents of a mesh are written then, never which mesh an object has.
"""

import time
import traceback

import bpy

from . import core, fill, jobs, live, store, units

WAITING_CROSSINGS = 2500
"""Above this many crossings a knot waits for its Update button."""

AT_ONCE = 0.06
"""Seconds of work that a move of a slider may cost."""
CLICK = 0.25
"""Seconds of work that a click may cost before it is done beside the hand's next work."""
NEW = 0.8
"""Seconds that a knot may take that is just added: there is nothing to look at before."""

PROVE = 60
"""Crossings up to which remedies are tried while a person waits; the button of a remedy tries it in any case."""
"""A draft's remedies are estimates: trying each of them takes longer than the draft."""

DRAFT = "draft "
"""What the digest on a mesh begins with where the mesh is a draft."""


def is_stale(obj):
    """Whether the mesh is not that of the design (and nothing is said against the design)."""
    return not obj.relief_knot.error and obj.data.relief_knot_built != wanted(obj)


def is_draft(obj):
    """Whether the mesh is a draft of the design as it stands."""
    return obj.data.relief_knot_built == DRAFT + wanted(obj)


def wanted(obj):
    """The digest of the mesh that the design on ``obj`` asks for."""
    return store.digest(obj.relief_knot.text, units.units_per_mm(obj.relief_knot))


def crossings(design):
    """About how many crossings a design has, without laying it out."""
    return core.places.about_how_many(design.layout)


def is_large(design):
    """Whether a design waits for its button."""
    return crossings(design) > WAITING_CROSSINGS


_pace = {True: 0.0015, False: 0.001}
"""Seconds for a crossing, exact and draft, as measured so far."""


def expected(obj, design, fine=True):
    """About how many seconds the mesh will take."""
    before = store.report_of(obj)
    known = before["facts"].get("crossings")
    exact = _pace[True] * crossings(design)
    if known and before["seconds"]:
        exact = max(exact, before["seconds"] * crossings(design) / max(known, 1))
    return exact if fine else min(_pace[False] * crossings(design), exact)


def change(obj, edit, dragged=False):
    """Edit the design on an object, ``edit(design) -> design or Changed``, and let the mesh follow.

    An edit that the core refuses leaves the design as it was and its words in the panel.

    Parameters
    ----------
    dragged : bool
        Whether more of the same may come at once, as from a slider.

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
        follow(obj, dragged)
    return True


def change_making(obj, edit):
    """Edit what is made of the strands, ``edit(design) -> design``; the knot's own mesh is not made anew for it.

    Returns
    -------
    bool
        Whether the edit was taken.
    """
    knot, design = obj.relief_knot, store.design_of(obj)
    if design is None or not store.is_ours(obj):
        return False
    as_made = obj.data.relief_knot_built == wanted(obj)
    try:
        changed = edit(design)
        if changed == design:
            return True
        store.write(obj, changed)
    except store.DesignError as error:
        knot.error = str(error)
        return False
    if as_made and store.parse(knot.text)[1] is None:
        own_mesh(obj)
        obj.data.relief_knot_built = wanted(obj)
        knot.made, knot.error = knot.text, ""
    else:
        follow(obj)
    return True


def follow(obj, dragged=False):
    """Let the mesh follow a change, unless the knot is set to wait or is too large to follow."""
    if not store.is_knot(obj) or not store.is_ours(obj):
        return
    knot = obj.relief_knot
    design = store.design_of(obj)
    if design is not None and (not knot.live or is_large(design)):
        knot.error = ""
        live.forget(obj)
        return
    if design is None or not jobs.can_wait() or expected(obj, design) < (AT_ONCE if dragged else CLICK):
        rebuild(obj)
        return
    own_mesh(obj)  # now, within the undo step: later only its contents are written
    live.later(obj, draft=True, rest=live.REST if dragged else 0.0)


def rebuild(obj, progress=None, fine=True):
    """Make the mesh of the design on ``obj`` now.

    Returns
    -------
    bool
        Whether a mesh was made. If not, the object says why and keeps the mesh it had.
    """
    live.forget(obj)
    design, wrong = store.parse(obj.relief_knot.text)
    if wrong is not None:
        obj.relief_knot.error = str(wrong)
        return False
    begun = time.perf_counter()
    try:
        made, contents = work(design, fine, progress)
    except core.progress.Cancelled:
        return False
    except Exception as error:
        if not isinstance(error, store.DesignError):
            traceback.print_exc()
        refuse(obj, error)
        return False
    own_mesh(obj)
    return take(obj, made, contents, time.perf_counter() - begun, fine)


def work(design, fine=True, progress=None):
    """What a mesh takes without Blender: the design made, and its volume unless it is a draft. For any thread."""
    made = core.made.make(design, fine=fine, prove=PROVE if fine else 0, progress=progress)
    return made, store.volume(made.mesh) if fine else None


def refuse(obj, error):
    """Say on ``obj`` why no mesh was made."""
    if isinstance(error, store.DesignError):
        obj.relief_knot.error = str(error)
        return
    # a fault of ours: Blender and the last good mesh outlive it, the console has the rest
    obj.relief_knot.error = f"The knot could not be made ({type(error).__name__}: {error}); undo the last change"


def take(obj, made, contents, seconds, fine=True):
    """Take up what was made of the design on ``obj``; gives whether there is a mesh.

    A draft leaves time and volume in the report as the last exact mesh gave them.
    """
    knot = obj.relief_knot
    note_pace(made, seconds, fine)
    before = store.report_of(obj)
    store.write_report(obj, made, *((seconds, contents) if fine else (before["seconds"], before["volume_mm3"])))
    if made.mesh is None:
        knot.error = "; ".join(f"{f.kind}, {f.place}: {f.remedy}" for f in made.findings[:1]) or "no mesh can be made"
        return False
    put(obj, made, ("" if fine else DRAFT) + wanted(obj))
    knot.made = knot.text
    knot.error = ""
    return True


def take_older(obj, made, text, seconds):
    """Show a draft of the design ``text``, from which the one on ``obj`` has moved on meanwhile."""
    note_pace(made, seconds, fine=False)
    if made.mesh is not None:
        put(obj, made, DRAFT + store.digest(text, units.units_per_mm(obj.relief_knot)))


def put(obj, made, built):
    """Let the mesh of ``obj`` be what was made; ``built`` is its digest."""
    if obj.data.relief_knot_built != built or not len(obj.data.vertices):
        fill.fill(obj.data, made.mesh, units.units_per_mm(obj.relief_knot))
        obj.data.relief_knot_built = built


def note_pace(made, seconds, fine):
    """Remember how long a crossing takes."""
    _pace[fine] = (_pace[fine] + seconds / max(crossings(made.design), 12)) / 2


def shares_mesh(obj):
    """Whether ``obj`` shares its mesh with an object of another design."""
    if obj.data.users < 2:
        return False
    others = (other for other in bpy.data.objects if other.data == obj.data and other != obj)
    return any(other.relief_knot.text != obj.relief_knot.text for other in others)


def own_mesh(obj):
    """Give ``obj`` a mesh of its own if it shares one with an object of another design."""
    if shares_mesh(obj):
        obj.data = obj.data.copy()
