"""A first-time user: a pendant from the menu, exported as STL; then large knots, drafts, and Esc."""

import os
import sys
import time

sys.path.insert(0, "/job")

import bpy
from hands import Heart, part, run
from hands import active as knot


def first_knot(hands):
    """From an empty start to an STL file, by keys alone."""
    yield from hands.clear()
    hands.keys = hands.clicks = 0
    hands.tap("A", shift=True)
    yield
    yield
    for key in ("DOWN_ARROW", "RIGHT_ARROW", "UP_ARROW", "RIGHT_ARROW", "DOWN_ARROW", "DOWN_ARROW"):
        hands.tap(key)
        yield
        yield
    hands.picture("first-1-menu")
    hands.tap("RET")
    for _ in range(5):
        yield
    hands.note("added", knot().name if knot() else None)
    hands.note("size", [round(1000 * side, 1) for side in knot().dimensions])
    hands.picture("first-2-added")
    hands.tap("F3")
    yield
    yield
    hands.type("knot mm")
    yield
    yield
    hands.picture("first-3-search")
    hands.tap("RET")
    window, browser = yield from hands.browser()
    hands.picture("first-4-browser")
    hands.note("browser", browser is not None)
    if browser is None:
        return
    folder = browser.spaces.active.params.directory
    folder = folder.decode() if isinstance(folder, bytes) else folder
    name = browser.spaces.active.params.filename
    x, y = browser.x + browser.width // 2, browser.y + browser.height // 2
    hands.keys += 1
    for value in ("PRESS", "RELEASE"):
        window.event_simulate(type="RET", value=value, x=x, y=y)
    path = os.path.join(folder, name)
    yield from hands.wait(lambda: os.path.exists(path), 90)
    hands.note("written", [name, os.path.exists(path) and os.path.getsize(path)])
    hands.note("keys and clicks", [hands.keys, hands.clicks])
    if os.path.exists(path):
        os.replace(path, "/job/first.stl")
    yield


def steps(hands):
    """The session."""
    yield from first_knot(hands)
    rebuild, live, jobs = part("rebuild"), part("live"), part("jobs")
    if len(hands.area.regions) and not hands.area.spaces.active.show_region_ui:
        hands.tap("N")
    yield
    yield
    hands.region("UI").active_panel_category = "Relief Knot"
    yield

    # a slider moved in a design of nearly 400 crossings
    knot().relief_knot.live = False
    knot().relief_knot.columns = knot().relief_knot.rows = 14
    knot().relief_knot.live = True
    yield from hands.wait(lambda: not live.is_pending(knot()) and not rebuild.is_stale(knot()), 60)
    hands.note("crossings", part("store").report_of(knot())["facts"]["crossings"])
    heart = Heart()
    drafts, times = [], []
    for number in range(8):
        begun = time.monotonic()
        knot().relief_knot.width = 0.0032 - 0.00005 * number
        times.append(time.monotonic() - begun)
        yield
        drafts.append(rebuild.is_draft(knot()) or not rebuild.is_stale(knot()))
    hands.note("a move of the slider, s", max(times))
    hands.note("a mesh after every move", drafts)
    yield from hands.wait(lambda: not rebuild.is_stale(knot()), 60)
    hands.note("exact at rest", not rebuild.is_stale(knot()))
    hands.note("longest pause at 400 crossings, s", round(heart.take()[0], 2))
    hands.note("exact 400, s", part("store").report_of(knot())["seconds"])
    hands.picture("first-5-live")

    # a large one: progress, Esc, then to the end
    heart.take()
    before = len(knot().data.vertices)
    knot().relief_knot.live = False
    knot().relief_knot.columns = knot().relief_knot.rows = 48
    knot().relief_knot.live = True
    with hands.in_view():  # so large a knot waits for its button
        bpy.ops.mesh.relief_knot_update("INVOKE_DEFAULT")
    yield from hands.wait(lambda: jobs._watching, 10)
    hands.note("watched", bool(jobs._watching))
    hands.tap("ESC")
    yield from hands.wait(lambda: not jobs.running, 10)
    yield
    hands.note("stopped", [rebuild.is_stale(knot()), len(knot().data.vertices) == before, not jobs.running])
    hands.picture("first-7-stopped")
    with hands.in_view():
        bpy.ops.mesh.relief_knot_update("INVOKE_DEFAULT")
    yield from hands.wait(lambda: jobs._watching, 10)
    yield
    hands.picture("first-6-progress")
    yield from hands.wait(lambda: not jobs.running and not rebuild.is_stale(knot()), 120)
    hands.note("made in the end", not rebuild.is_stale(knot()))
    hands.note("large", part("store").report_of(knot())["facts"].get("crossings"))
    hands.note("longest pause, large, s", round(heart.take()[0], 2))
    hands.note("exact large, s", part("store").report_of(knot())["seconds"])
    yield

    # a finding and its remedy
    knot().relief_knot.live = False
    knot().relief_knot.columns = knot().relief_knot.rows = 4
    knot().relief_knot.has_depth_limit = True
    knot().relief_knot.depth_limit = 0.002
    knot().relief_knot.live = True
    yield from hands.wait(lambda: not rebuild.is_stale(knot()), 60)
    findings = part("store").report_of(knot())["findings"]
    hands.note("findings", [finding["kind"] for finding in findings])
    hands.area.tag_redraw()
    yield
    yield
    hands.picture("first-8-finding")
    with hands.in_view():
        bpy.ops.mesh.relief_knot_mend("INVOKE_DEFAULT")
    yield from hands.wait(lambda: not rebuild.is_stale(knot()), 60)
    hands.note("findings left", [finding["kind"] for finding in part("store").report_of(knot())["findings"]])
    heart.on = False
    yield


run(steps)
