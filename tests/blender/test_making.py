"""What is made of a knot in a thread, as at a window: taken up in Blender's own, stopped, refused; timers by hand."""

from __future__ import annotations

import threading
import time

import bpy
import pytest

from blender_addon import jobs, making
from knotgeom.errors import DesignError


@pytest.fixture
def maker(monkeypatch):
    """A maker in a Blender that believes to have a window."""
    monkeypatch.setattr(jobs, "can_wait", lambda: True)
    monkeypatch.setattr(jobs, "_watch", lambda: None)
    yield making.Maker(
        "relief_knot_print", label="Making the piece of {}", step="Make Piece", fault="The piece could not be made"
    )
    jobs.cancel_all(wait=5.0)


def rest(limit=10.0):
    """Turn the timers until nothing is under way."""
    end = time.monotonic() + limit
    while jobs.running and time.monotonic() < end:
        jobs._tick()
        time.sleep(0.01)
    assert not jobs.running


def test_work_is_done_in_a_thread_and_taken_up_in_blenders_own(knot, maker):
    threads = []
    knot.relief_knot_print.error = "as it was"
    assert maker.make(knot, lambda _progress: threads.append(threading.current_thread()) or 7, lambda *_: None)
    assert maker.job_of(knot) is not None and knot.relief_knot_print.error == ""
    rest()
    assert threads[0] is not threading.main_thread() and maker.job_of(knot) is None
    taken = []
    maker.make(knot, lambda _progress: 7, lambda *given: taken.append((*given, threading.current_thread())))
    rest()
    assert taken == [(knot, 7, threading.main_thread())]


def test_of_two_that_are_asked_for_the_newer_one_is_taken_up(knot, maker):
    gate, taken = threading.Event(), []

    def held(progress):
        gate.wait(10)
        progress(0.5, "measuring")
        return "older"

    maker.make(knot, held, lambda _knot, result: taken.append(result))
    older = maker.job_of(knot)
    maker.make(knot, lambda _progress: "newer", lambda _knot, result: taken.append(result))
    assert older.is_cancelled and maker.job_of(knot) is not older
    gate.set()
    rest()
    assert taken == ["newer"]


def test_what_is_refused_is_said_in_its_own_words_and_a_fault_of_ours_in_others(knot, maker, capsys):
    def refused(_progress):
        raise DesignError("the bail is too thin", "give a wall of 0.8 mm")

    maker.make(knot, refused, pytest.fail)
    rest()
    assert "0.8 mm" in knot.relief_knot_print.error
    maker.make(knot, lambda _progress: 1 // 0, pytest.fail)
    rest()
    assert knot.relief_knot_print.error == "The piece could not be made"
    assert "ZeroDivisionError" in capsys.readouterr().err, "the console has the rest"
    maker.make(knot, lambda _progress: 1, lambda *_: 1 // 0)
    rest()
    assert knot.relief_knot_print.error == "The piece could not be made"


def test_what_was_made_of_a_knot_that_is_gone_is_dropped(knot, maker):
    maker.make(knot, lambda _progress: 7, pytest.fail)
    bpy.data.objects.remove(knot)
    rest()


def test_stopped_by_a_person_nothing_is_taken_up(knot, maker):
    gate = threading.Event()

    def held(progress):
        gate.wait(10)
        progress(0.5, "measuring")

    maker.make(knot, held, pytest.fail)
    bpy.ops.wm.relief_knot_stop()
    gate.set()
    rest()
    assert maker.job_of(knot) is None


def test_the_last_made_are_kept_and_made_anew_when_they_are_gone():
    lately, made = making.Lately(2), []

    def get(digest):
        return lately.get(digest, lambda: made.append(digest) or digest.upper())

    assert [get(digest) for digest in "abab"] == ["A", "B", "A", "B"] and made == ["a", "b"]
    get("c")
    get("b")
    get("a")
    assert made == ["a", "b", "c", "a"]
