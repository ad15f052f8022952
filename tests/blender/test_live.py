"""Drafts while a hand moves, exact meshes when it rests, work in a thread: timers are turned by hand."""

from __future__ import annotations

import threading
import time

import bpy
import numpy as np
import pytest

from blender_addon import core, handlers, jobs, live, rebuild, store
from knotgeom.made import make


@pytest.fixture
def window(monkeypatch):
    """A Blender that believes to have a window and finds every mesh slow to make."""
    monkeypatch.setattr(jobs, "can_wait", lambda: True)
    monkeypatch.setattr(jobs, "_watch", lambda: None)
    monkeypatch.setattr(rebuild, "expected", lambda obj, design, fine=True: 0.9 if fine else 0.3)
    monkeypatch.setattr(live, "REST", 0.05)
    yield
    live.cancel_all(wait=5.0)


@pytest.fixture
def slow(knot, window):
    """A knot in such a Blender, made before it got slow."""
    assert not rebuild.is_stale(knot)
    return knot


def turn():
    """One turn of the timers."""
    live._tick()
    jobs._tick()


def rest(limit=20.0):
    """Turn the timers until nothing is left to do."""
    end = time.monotonic() + limit
    while (live._waiting or jobs.running) and time.monotonic() < end:
        turn()
        time.sleep(0.01)
    assert not live._waiting and not jobs.running


def draft():
    """Let a draft be made and taken up."""
    live._tick()
    for job in list(jobs.running):
        job._thread.join(20)
    jobs._tick()


def vertices(design, fine=True):
    """How many vertices the mesh of a design has."""
    return len(make(design, fine=fine).mesh.vertices)


def test_a_moving_slider_gives_drafts_and_the_exact_mesh_when_it_rests(slow):
    for width in (0.0031, 0.003, 0.0029):
        slow.relief_knot.width = width
        assert rebuild.is_stale(slow), "the move itself costs nothing"
    draft()
    design = store.design_of(slow)
    assert rebuild.is_draft(slow) and design.strand.width == pytest.approx(2.9)
    assert len(slow.data.vertices) == vertices(design, fine=False) < vertices(design)
    rest()
    assert not rebuild.is_stale(slow) and len(slow.data.vertices) == vertices(design)


def test_a_draft_is_made_once_for_all_the_moves_that_came_meanwhile(slow, monkeypatch):
    made = []
    real = core.made.make
    monkeypatch.setattr(
        core.made, "make", lambda design, **how: made.append(how.get("fine", True)) or real(design, **how)
    )
    for width in (0.0031, 0.003, 0.0029, 0.0028):
        slow.relief_knot.width = width
    rest()
    assert made == [False, True]


def test_a_slider_that_never_rests_is_followed_by_drafts_of_where_it_was(slow):
    shown = []
    for width in (0.0031, 0.003, 0.0029):
        slow.relief_knot.width = width
        live._tick()
        text = slow.relief_knot.text
        slow.relief_knot.width = width - 0.00005
        draft()
        shown.append(slow.data.relief_knot_built == rebuild.DRAFT + store.digest(text, 0.001))
        assert rebuild.is_stale(slow) and not rebuild.is_draft(slow)
    assert shown == [True, True, True]
    rest()
    assert not rebuild.is_stale(slow)


def test_a_draft_that_comes_after_undo_or_after_the_exact_mesh_is_dropped(slow):
    start = slow.relief_knot.text
    slow.relief_knot.width = 0.003
    live._tick()
    slow.relief_knot.text = start
    rebuild.rebuild(slow)
    rest()
    assert not rebuild.is_stale(slow)


def test_a_draft_that_a_person_stops_keeps_no_later_one_away(slow):
    slow.relief_knot.width = 0.003
    live._tick()
    bpy.ops.wm.relief_knot_stop()
    slow.relief_knot.width = 0.0029
    draft()
    assert rebuild.is_draft(slow)
    rest()


def test_a_knot_that_is_quick_to_make_needs_no_draft(slow, monkeypatch):
    monkeypatch.setattr(rebuild, "expected", lambda obj, design, fine=True: 0.01)
    slow.relief_knot.width = 0.003
    assert not rebuild.is_stale(slow) and not live._waiting


def test_the_thread_that_makes_meshes_never_touches_blender(slow, monkeypatch):
    threads = []
    real = core.made.make
    monkeypatch.setattr(
        core.made, "make", lambda design, **how: threads.append(threading.current_thread()) or real(design, **how)
    )
    monkeypatch.setattr(
        rebuild, "take", lambda *_, take=rebuild.take: (threads.append(threading.current_thread()), take(*_))[1]
    )
    live.ask(slow, store.design_of(slow))  # as Update does at a window
    rest()
    assert threads[0] is not threading.main_thread() and threads[-1] is threading.main_thread()


def test_a_newer_change_stops_the_work_on_an_older_one(slow):
    slow.relief_knot.width = 0.003
    while not live._jobs:
        turn()
        time.sleep(0.01)
    (first,) = live._jobs.values()
    slow.relief_knot.width = 0.0029
    assert first.is_cancelled
    rest()
    assert not rebuild.is_stale(slow) and store.design_of(slow).strand.width == pytest.approx(2.9)


def held(monkeypatch):
    """Let the core wait in the midst of its work until it is let go."""
    gate = threading.Event()
    real = core.made.make

    def make_held(design, **how):
        if how.get("progress"):
            gate.wait(10)
            how["progress"](0.5, "finding the heights")
        return real(design, **how)

    monkeypatch.setattr(core.made, "make", make_held)
    return gate


def test_stopped_work_leaves_the_mesh_and_starts_again_only_when_asked(slow, monkeypatch):
    gate = held(monkeypatch)
    count = len(slow.data.vertices)
    slow.relief_knot.columns = 6
    live._waiting.clear()  # no draft: as with a knot too large for one
    live.begin(slow, store.design_of(slow))
    (job,) = jobs.running
    assert live.job_of(slow) is job
    bpy.ops.wm.relief_knot_stop()
    gate.set()
    job._thread.join(10)
    rest()
    assert len(slow.data.vertices) == count and rebuild.is_stale(slow) and not slow.relief_knot.error
    handlers.after_undo()
    assert not live._waiting and not jobs.running
    live.ask(slow, store.design_of(slow))  # as Update does at a window
    rest()
    assert not rebuild.is_stale(slow)


def test_what_cannot_be_made_says_so_from_the_thread_too(slow):
    slow.relief_knot.width = 0.05
    rest()
    assert slow.relief_knot.error.startswith("strand.width: ")
    slow.relief_knot.width = 0.003
    rest()
    assert not slow.relief_knot.error and not rebuild.is_stale(slow)


def test_a_fault_in_the_thread_is_told_and_the_mesh_outlives_it(slow, monkeypatch):
    def broken(design, **_):
        raise ZeroDivisionError("of ours")

    count = len(slow.data.vertices)
    monkeypatch.setattr(core.made, "make", broken)
    live.ask(slow, store.design_of(slow))  # as Update does at a window
    rest()
    assert "ZeroDivisionError: of ours" in slow.relief_knot.error and len(slow.data.vertices) == count


def test_each_edit_is_one_undo_step_and_undo_makes_again_what_was_a_draft(slow):
    bpy.ops.ed.undo_push(message="Start")
    start = slow.relief_knot.text
    slow.relief_knot.width = 0.003
    draft()
    bpy.ops.ed.undo_push(message="Width")  # as the sidebar does when the mouse button is let go
    rest()  # the exact mesh comes outside that step
    narrow = slow.relief_knot.text
    slow.relief_knot.thickness = 0.0015
    draft()
    bpy.ops.ed.undo_push(message="Thickness")
    rest()
    for text in (narrow, start):
        bpy.ops.ed.undo()
        obj = bpy.context.object
        assert obj.relief_knot.text == text
        rest()
        assert not rebuild.is_stale(obj) and len(obj.data.vertices) == vertices(store.design_of(obj))
    bpy.ops.ed.redo()
    obj = bpy.context.object
    assert obj.relief_knot.text == narrow
    rest()
    assert not rebuild.is_stale(obj)


def test_undo_while_a_thread_works_drops_what_it_makes(slow, monkeypatch):
    bpy.ops.ed.undo_push(message="Start")
    start = slow.relief_knot.text
    gate = held(monkeypatch)
    slow.relief_knot.columns = 6
    bpy.ops.ed.undo_push(message="Columns")
    live._waiting.clear()
    live.begin(slow, store.design_of(slow))
    bpy.ops.ed.undo()
    gate.set()
    rest()
    obj = bpy.context.object
    assert obj.relief_knot.text == start and not rebuild.is_stale(obj)
    assert len(obj.data.vertices) == vertices(store.design_of(obj))


def test_saving_finishes_a_draft(slow, tmp_path):
    slow.relief_knot.width = 0.003
    draft()
    assert rebuild.is_draft(slow)
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "kept.blend"))
    assert not rebuild.is_stale(slow)


def test_a_draft_that_was_saved_is_finished_when_the_file_is_rendered_in_background(slow, tmp_path, monkeypatch):
    monkeypatch.setattr(live, "flush", lambda at_most: None)  # a knot that takes too long to finish before saving
    slow.relief_knot.width = 0.003
    draft()
    path = str(tmp_path / "kept.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    monkeypatch.setattr(jobs, "can_wait", lambda: False)
    bpy.ops.wm.open_mainfile(filepath=path)
    obj = bpy.data.objects["Relief Knot"]
    assert not rebuild.is_stale(obj) and len(obj.data.vertices) == vertices(store.design_of(obj))


def test_loading_a_file_drops_what_is_under_way(slow, monkeypatch):
    gate = held(monkeypatch)
    slow.relief_knot.columns = 6
    live.begin(slow, store.design_of(slow))
    bpy.ops.wm.read_homefile(use_empty=True)
    gate.set()
    assert not live._waiting and not live._jobs and not jobs.running


def test_a_deleted_knot_is_forgotten(slow, monkeypatch):
    gate = held(monkeypatch)
    slow.relief_knot.columns = 6
    live.begin(slow, store.design_of(slow))
    bpy.data.objects.remove(slow)
    gate.set()
    rest()


def test_in_edit_mode_the_mesh_waits_until_the_mode_is_left(slow, monkeypatch):
    gate = held(monkeypatch)
    count = len(slow.data.vertices)
    slow.relief_knot.columns = 6
    live._waiting.clear()
    live.begin(slow, store.design_of(slow))
    bpy.ops.object.mode_set(mode="EDIT")
    gate.set()
    jobs.running[0]._ended.wait(10)
    turn()
    bpy.ops.object.mode_set(mode="OBJECT")
    assert len(slow.data.vertices) == count
    rest()
    assert not rebuild.is_stale(slow)


def test_a_linked_duplicate_gets_its_own_mesh_within_the_edit_itself(slow):
    bpy.ops.object.duplicate(linked=True)
    copy = bpy.context.object
    copy.relief_knot.columns = 6
    assert copy.data != slow.data, "before any timer turns"
    mesh = np.array([vertex.co for vertex in slow.data.vertices])
    rest()
    assert not rebuild.is_stale(copy) and not rebuild.is_stale(slow)
    assert np.array_equal(mesh, np.array([vertex.co for vertex in slow.data.vertices]))


def test_the_first_guess_of_a_knots_time_is_kept_with_its_facts(knot):
    design = store.design_of(knot)
    assert 0 < rebuild.expected(knot, design, fine=False) <= rebuild.expected(knot, design) < 5
