"""Meshes that follow the hand: drafts while changes keep coming, the exact mesh when they rest.

Both are made in a thread, one at a time for each knot. A draft is shown even where the design has moved on meanwhile,
so that a picture follows a slider that never rests; the next draft is of the design as it then stands.
"""

import time

import bpy
from bpy.app.translations import pgettext_rpt as rpt_

from . import jobs, rebuild, store

REST = 0.3
"""Seconds without a change after which the exact mesh is made."""
DRAFT_AT_MOST = 3.0
"""Seconds a draft may be expected to take; what takes longer is made exactly at once when changes rest."""

LONG = 0.6
"""Seconds that the exact mesh must be expected to take for a draft to be made after a click."""


class _Waiting:
    def __init__(self, draft, rest):
        self.changed = time.perf_counter()
        self.draft, self.rest = draft, rest


_waiting = {}
"""By the object's name: what has changed and is not yet made."""
_jobs = {}
"""By the design's text: the job that makes it."""
_drafts = {}
"""By the object's name: the job that makes a draft of it."""
stopped = set()
"""Digests of designs that a person stopped."""


def later(obj, draft=False, rest=REST):
    """Make the mesh of ``obj`` soon: a draft at the next turn if wanted, exactly after ``rest`` quiet seconds."""
    for text in list(_jobs):
        if text != obj.relief_knot.text and not _is_wanted(text):
            jobs.cancel(_jobs.pop(text))
    stopped.discard(rebuild.wanted(obj))
    _waiting[obj.name] = _Waiting(draft, rest)
    if not bpy.app.timers.is_registered(_tick):
        bpy.app.timers.register(_tick, first_interval=0.0)


def forget(obj):
    """Nothing is to be made of ``obj`` after all, or it has just been made."""
    _waiting.pop(obj.name, None)


def cancel_all(wait=0.0):
    """Drop everything that waits or is under way, as before another file is loaded."""
    _waiting.clear()
    _jobs.clear()
    _drafts.clear()
    stopped.clear()
    if bpy.app.timers.is_registered(_tick):
        bpy.app.timers.unregister(_tick)
    jobs.cancel_all(wait)


def job_of(obj):
    """The job that makes the mesh of ``obj``, or None."""
    return _jobs.get(obj.relief_knot.text)


def is_pending(obj):
    """Whether the mesh of ``obj`` will be made without being asked for."""
    return obj.name in _waiting or job_of(obj) is not None


def flush(at_most):
    """Make now what waits, where that takes at most about so many seconds; for saving."""
    for obj in list(bpy.data.objects):
        if store.is_knot(obj) and store.is_ours(obj) and is_pending(obj) and obj.mode == "OBJECT":
            design = store.design_of(obj)
            if design is not None and rebuild.expected(obj, design) <= at_most and not rebuild.shares_mesh(obj):
                rebuild.rebuild(obj)


def _is_wanted(text):
    return any(store.is_knot(obj) and obj.relief_knot.text == text for obj in bpy.data.objects)


def _tick():
    now = time.perf_counter()
    for name, waiting in list(_waiting.items()):
        obj = bpy.data.objects.get(name)
        if obj is None or not store.is_knot(obj) or not store.is_ours(obj):
            del _waiting[name]
        elif obj.mode == "OBJECT" and not bpy.app.is_job_running("RENDER"):
            _act(obj, waiting, now)
    return 0.02 if _waiting else None


def _act(obj, waiting, now):
    design, wrong = store.parse(obj.relief_knot.text)
    if wrong is not None or design is None or rebuild.expected(obj, design) < rebuild.AT_ONCE:
        rebuild.rebuild(obj)
        return
    if obj.name in _drafts and not _drafts[obj.name].is_cancelled:
        return
    exact, draft = rebuild.expected(obj, design), rebuild.expected(obj, design, fine=False)
    if waiting.draft and draft < DRAFT_AT_MOST and (waiting.rest or exact > LONG):
        waiting.draft = False
        _begin_draft(obj, design)
    elif now - waiting.changed > waiting.rest:
        del _waiting[obj.name]
        begin(obj, design)


def _begin_draft(obj, design):
    """Make a draft of ``obj`` in a thread."""
    name, text = obj.name, obj.relief_knot.text

    def done(result, error, seconds):
        _drafts.pop(name, None)
        each = bpy.data.objects.get(name)
        if error is not None or each is None or not (store.is_knot(each) and store.is_ours(each)):
            return  # an error is told where the exact mesh is made
        if each.mode != "OBJECT" or bpy.app.is_job_running("RENDER") or rebuild.shares_mesh(each):
            return
        if each.relief_knot.text == text and rebuild.is_stale(each):
            rebuild.take(each, result[0], None, seconds, fine=False)
        elif name in _waiting:
            rebuild.take_older(each, result[0], text, seconds)

    job = jobs.Job(f"Drawing {name}", lambda progress: rebuild.work(design, False, progress), done, quiet=True)
    _drafts[name] = job
    jobs.start(job)


def ask(obj, design):
    """Make the exact mesh of ``obj`` in a thread because a person asks for it."""
    rebuild.own_mesh(obj)
    stopped.discard(rebuild.wanted(obj))
    begin(obj, design)


def begin(obj, design):
    """Make the exact mesh of ``obj`` in a thread."""
    text = obj.relief_knot.text
    if text in _jobs:
        return

    def work(progress):
        return rebuild.work(design, progress=progress)

    def done(result, error, seconds):
        _jobs.pop(text, None)
        wait = False
        for each in bpy.data.objects:
            if not (store.is_knot(each) and store.is_ours(each) and each.relief_knot.text == text):
                continue
            if error is not None:
                rebuild.refuse(each, error)
            elif each.mode != "OBJECT" or bpy.app.is_job_running("RENDER"):
                wait = True
            elif not rebuild.shares_mesh(each):
                rebuild.take(each, *result, seconds)
        if wait:
            _jobs[text] = job
        return not wait

    def by_hand():
        _jobs.pop(text, None)
        stopped.add(rebuild.wanted(obj_of(text)) if obj_of(text) else "")

    job = jobs.Job(rpt_("Making {}").format(obj.name), work, done, by_hand)
    _jobs[text] = job
    jobs.start(job)


def obj_of(text):
    """A knot with this design, or None."""
    return next((obj for obj in bpy.data.objects if store.is_knot(obj) and obj.relief_knot.text == text), None)


def register():
    """Nothing of this part is known to Blender until a knot changes."""


def unregister():
    """Take back timers and work under way."""
    cancel_all(wait=2.0)
