"""Work that takes long: the core in a thread of its own, its result taken up by Blender's own timer.

The thread is given plain values and gives plain values back; nothing in it touches ``bpy``. It ends by itself at the
next stage after it is asked to, and its result is then dropped.
"""

import threading
import time
import traceback

import bpy
from bpy.app.translations import pgettext_rpt as rpt_

from . import core

LONG = 0.8
"""Seconds after which a job shows how far it is and takes Esc."""


class Job:
    """One piece of work under way.

    Parameters
    ----------
    label : str
        What is being done, for the status bar.
    work : callable
        ``work(progress)``, run in the thread; ``progress(share, stage)`` may raise ``Cancelled``.
    done : callable
        ``done(result, error, seconds)``, run in Blender's own thread at the end; not after a cancel. It gives False
        where the result cannot be taken up yet and has to be offered again.
    stopped : callable, optional
        Run in Blender's own thread where a person stops the work.
    quiet : bool
        Whether the work is too short to tell of; its result is then taken up the sooner.
    """

    def __init__(self, label, work, done, stopped=None, quiet=False):
        self.label, self._work, self._done, self.stopped, self.quiet = label, work, done, stopped, quiet
        self.share, self.stage = 0.0, ""
        self.begun = time.perf_counter()
        self._seconds = 0.0
        self._result = self._error = None
        self._cancel = threading.Event()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="Relief Knots")

    @property
    def is_long(self):
        """Whether it is time to say what is going on."""
        return time.perf_counter() - self.begun > LONG

    @property
    def is_cancelled(self):
        """Whether it was asked to stop."""
        return self._cancel.is_set()

    def _progress(self, share, stage):
        self.share, self.stage = share, stage
        if self._cancel.is_set():
            raise core.progress.Cancelled

    def _run(self):
        try:
            self._result = self._work(self._progress)
        except core.progress.Cancelled:
            self._cancel.set()
        except Exception as error:
            if not isinstance(error, core.errors.DesignError):
                traceback.print_exc()
            self._error = error
        self._seconds = time.perf_counter() - self.begun
        self._ended.set()

    def _finish(self):
        """Whether the job is over and its result taken up or dropped."""
        if self._cancel.is_set():
            return True
        return self._ended.is_set() and self._done(self._result, self._error, self._seconds) is not False


def untold(_share, _stage):
    """Progress that nobody is told of."""


def why(error, otherwise):
    """Words for why something was not made; of a fault of ours ``otherwise``, and the console has the rest."""
    if isinstance(error, core.errors.DesignError):
        return str(error)
    traceback.print_exception(error)
    return otherwise


running = []
"""The jobs under way, the oldest first."""


def start(job):
    """Begin a job."""
    running.append(job)
    job._thread.start()
    if not bpy.app.timers.is_registered(_tick):
        bpy.app.timers.register(_tick, first_interval=0.02)


def cancel(job):
    """Ask a job to stop; its result will not be taken up."""
    job._cancel.set()


def stop(context, job):
    """Stop a job because a person wants it stopped."""
    cancel(job)
    if job.stopped:
        job.stopped()
    redraw(context)


def cancel_all(wait=0.0):
    """Stop everything, waiting at most so many seconds for each thread to end."""
    for job in running:
        cancel(job)
        job._thread.join(wait)
    running.clear()
    if bpy.app.timers.is_registered(_tick):
        bpy.app.timers.unregister(_tick)


def _tick():
    taken = False
    for job in list(running):
        if job in running and job._finish():
            running.remove(job)
            taken = taken or not job.is_cancelled
    if any(job.is_long and not job.quiet for job in running):
        _watch()
    if running:
        if all(job.quiet for job in running):
            return 0.01
        redraw(bpy.context, sidebar_only=True)
        return 0.1
    redraw(bpy.context, sidebar_only=not taken)
    return None


def redraw(context, sidebar_only=False):
    """Let every 3D view show what has changed; drawing the scene takes far longer than the sidebar alone."""
    for window in context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                for region in area.regions:
                    if region.type == "UI" or not sidebar_only:
                        region.tag_redraw()


_watching = []


def _watch():
    """Let Esc stop the work and the status bar tell of it."""
    if _watching or not bpy.context.window_manager.windows:
        return
    window = bpy.context.window_manager.windows[0]
    area = next((area for area in window.screen.areas if area.type == "VIEW_3D"), window.screen.areas[0])
    with bpy.context.temp_override(window=window, area=area):
        bpy.ops.wm.relief_knot_watch("INVOKE_DEFAULT")


class WM_OT_relief_knot_watch(bpy.types.Operator):
    bl_idname = "wm.relief_knot_watch"
    bl_label = "Watch Work on Knots"
    bl_description = "Show how far the work on a knot is, and stop it where Esc is pressed"
    bl_options = {"INTERNAL"}

    def invoke(self, context, _event):
        if _watching:
            return {"CANCELLED"}
        _watching.append(True)
        self.timer = context.window_manager.event_timer_add(0.2, window=context.window)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context, event):
        if not running:
            self._leave(context)
            return {"FINISHED", "PASS_THROUGH"}
        job = running[0]
        if event.type == "ESC" and event.value == "PRESS":
            stop(context, job)
            self._leave(context)
            return {"FINISHED"}
        if event.type == "TIMER":
            words = rpt_("{}: {} %, {}   Esc: stop").format(job.label, f"{100 * job.share:.0f}", rpt_(job.stage))
            context.workspace.status_text_set(words)
        return {"PASS_THROUGH"}

    def cancel(self, context):
        self._leave(context)

    def _leave(self, context):
        context.window_manager.event_timer_remove(self.timer)
        context.workspace.status_text_set(None)
        _watching.clear()


class WM_OT_relief_knot_stop(bpy.types.Operator):
    bl_idname = "wm.relief_knot_stop"
    bl_label = "Stop"
    bl_description = "Stop the work that is under way; the knot keeps the mesh it has"
    bl_options = {"INTERNAL"}

    def execute(self, context):
        for job in list(running):
            stop(context, job)
        return {"FINISHED"}


class Saying:
    """While work holds Blender up, the status bar says why: ``with Saying(context, words): ...``."""

    def __init__(self, context, text):
        self.context, self.text = context, text

    def __enter__(self):
        if can_wait():
            self.context.workspace.status_text_set(self.text)
            self.context.window.cursor_set("WAIT")
            bpy.ops.wm.redraw_timer(type="DRAW_WIN_SWAP", iterations=1)

    def __exit__(self, *_):
        if can_wait():
            self.context.workspace.status_text_set(None)
            self.context.window.cursor_set("DEFAULT")


def can_wait():
    """Whether there is a window whose timers will run; scripts and renders in background need the mesh at once."""
    return not bpy.app.background and bool(bpy.context.window_manager and bpy.context.window_manager.windows)


CLASSES = (WM_OT_relief_knot_watch, WM_OT_relief_knot_stop)


def register():
    """Make this part known to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)


def unregister():
    """Take back what register did; a thread that still runs ends at its next stage."""
    cancel_all(wait=2.0)
    _watching.clear()
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
