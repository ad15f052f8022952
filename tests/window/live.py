"""How long Blender is held up while large knots are worked on: a slider dragged, strokes drawn. See bench_window.py.

The window draws without a graphics card, which takes far longer than all else; so each design is worked on with
Blender drawing nothing but its box too.
"""

import os
import statistics
import sys
import time
from dataclasses import replace

sys.path.insert(0, "/job")

import bpy
from hands import Heart, part, run
from hands import active as knot
from mathutils import Vector

GRID = (14, 15)
"""Columns and rows: 391 crossings."""
MOVES = 6


class Clock:
    """Wall and processor time of the parts that run in Blender's own thread, by wrapping them."""

    PARTS = (
        ("rebuild", "rebuild"),
        ("rebuild", "take"),
        ("fill", "fill"),
        ("store", "write_report"),
        ("overlay", "draw_lines"),
        ("overlay", "draw_words"),
        ("overlay_lines", "plan"),
        ("draw_tool", "commit"),
        ("draw_tool", "begin"),
    )

    def __init__(self):
        self.spent = {}
        for module, name in self.PARTS:
            self._wrap(part(module), name, f"{module}.{name}")
        overlay = part("overlay")
        overlay.stop()  # the handlers hold the functions as they were
        overlay.start()

    def _wrap(self, module, name, label):
        plain = getattr(module, name)

        def timed(*given, **named):
            begun, work = time.perf_counter(), time.thread_time()
            try:
                return plain(*given, **named)
            finally:
                self.spent.setdefault(label, []).append((time.perf_counter() - begun, time.thread_time() - work))

        timed.cache_clear = getattr(plain, "cache_clear", None)
        setattr(module, name, timed)

    def take(self):
        """The longest and the sum of each part since the last call, ms: wall, processor."""
        said = {
            label: {
                "times": len(spent),
                "longest": [round(1000 * max(each[k] for each in spent), 1) for k in (0, 1)],
                "sum": [round(1000 * sum(each[k] for each in spent), 1) for k in (0, 1)],
            }
            for label, spent in self.spent.items()
        }
        self.spent.clear()
        return said


def pauses(heart):
    """The longest pauses since the last call, ms."""
    return [round(1000 * each) for each in heart.take()]


def at_rest():
    """Whether the mesh is the exact one."""
    return not part("rebuild").is_stale(knot()) and not part("live").is_pending(knot())


def draws(hands, hidden):
    """Median time of drawing the whole window, ms, with the knot or without."""
    knot().hide_set(hidden)
    times = []
    for _ in range(3):
        begun = time.perf_counter()
        bpy.ops.wm.redraw_timer(type="DRAW_WIN", iterations=1)
        times.append(1000 * (time.perf_counter() - begun))
    knot().hide_set(False)
    bpy.context.view_layer.objects.active.select_set(True)
    return round(statistics.median(times))


def session(hands, name, design, clock, heart, shown):
    """A slider, then a stroke, on one design; ``shown`` says how Blender draws it."""
    said = {}
    knot().display_type = shown
    part("props").from_design(knot(), design)
    yield from hands.wait(at_rest, 120, 0.01)
    hands.from_above()
    yield
    report = part("store").report_of(knot())
    said["crossings"], said["woven"] = report["facts"]["crossings"], report["facts"]["woven_crossings"]
    said["faces"], said["exact, s"] = len(knot().data.polygons), report["seconds"]
    said["load"] = os.getloadavg()[0]
    said["window drawn, ms"] = {"with the knot": draws(hands, False), "without it": draws(hands, True)}
    yield
    clock.take(), heart.take()

    # the width's slider
    times, waits = [], []
    start = knot().relief_knot.width
    for number in range(MOVES):
        begun = time.perf_counter()
        knot().relief_knot.width = start * (1 - 0.004 * (number + 1))
        times.append(1000 * (time.perf_counter() - begun))
        before = time.monotonic()
        yield 0.02
        yield from hands.wait(lambda: part("rebuild").is_draft(knot()) or at_rest(), 5, 0.01)
        waits.append(1000 * (time.monotonic() - before))
    said["slider"] = {
        "move, ms": round(max(times), 1),
        "till shown, ms": [round(statistics.median(waits)), round(max(waits))],
        "drafts": part("rebuild").is_draft(knot()),
        "pauses, ms": pauses(heart),
        "parts": clock.take(),
    }
    begun = time.monotonic()
    yield from hands.wait(at_rest, 60, 0.01)
    yield 0.2
    said["exact after the slider"] = {
        "s": round(time.monotonic() - begun, 2),
        "pauses, ms": pauses(heart),
        "parts": clock.take(),
    }

    # strokes with the tool
    with hands.in_view():
        bpy.ops.wm.tool_set_by_id(name="relief_knot.draw")
    yield
    yield
    clock.take(), heart.take()
    cell = knot().relief_knot.cell_width / 2
    for x, y in ((5, 6),):
        hands.move(*hands.pixel(knot().matrix_world @ Vector((x * cell, y * cell, 0))))
        yield 0.15
        said.setdefault("hovering", []).append({"pauses, ms": pauses(heart), "parts": clock.take()})
        text = knot().relief_knot.text
        begun = time.monotonic()
        for value in ("PRESS", "RELEASE"):
            hands.window.event_simulate(type="LEFTMOUSE", value=value, x=hands.at[0], y=hands.at[1])
        yield from hands.wait(lambda before=text: knot().relief_knot.text != before, 10, 0.01)
        design_at = time.monotonic() - begun
        yield from hands.wait(lambda: part("rebuild").is_draft(knot()) or at_rest(), 60, 0.01)
        shown_at = time.monotonic() - begun
        yield from hands.wait(at_rest, 60, 0.01)
        yield 0.2
        said.setdefault("strokes", []).append(
            {
                "design, s": round(design_at, 2),
                "shown, s": round(shown_at, 2),
                "exact, s": round(time.monotonic() - begun, 2),
                "pauses, ms": pauses(heart),
                "parts": clock.take(),
            }
        )
    with hands.in_view():
        bpy.ops.wm.tool_set_by_id(name="builtin.select_box")
    hands.note(name, said)
    yield


def steps(hands):
    """The session."""
    yield from hands.clear()
    bpy.context.preferences.view.smooth_view = 0
    with hands.in_view():
        bpy.ops.mesh.relief_knot_add("INVOKE_DEFAULT", purpose="PENDANT")
    yield
    yield from hands.show_tab()
    design = part("core").design
    clock, heart = Clock(), Heart()
    plain = design.Design(design.Grid(*GRID, 10.0, 10.0), strand=design.Strand(width=4.0, thickness=1.2))
    divided = replace(plain, divide=design.Divide(all=True))
    yield from session(hands, "whole, drawn as a box", plain, clock, heart, "BOUNDS")
    yield from session(hands, "divided, drawn as a box", divided, clock, heart, "BOUNDS")
    yield from session(hands, "whole, drawn", plain, clock, heart, "TEXTURED")
    hands.picture("live")


run(steps)
