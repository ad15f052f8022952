"""A carver at the window: a board, its relief, a depth typed in the sidebar and undone, files through the dialog."""

import os
import sys

sys.path.insert(0, "/job")

import bpy
from hands import part, run

FOLDER = "/job/carved/"
FIGURES = {"4": "FOUR", "5": "FIVE", ".": "PERIOD"}


def knot():
    """The board being worked on."""
    return bpy.data.objects["Relief Knot"]


def relief():
    """Its relief."""
    return part("relief_object").relief_of(knot())


def ground():
    """The lowest vertex of the relief above the middle of the board's thickness, mm."""
    z = [vertex.co.z * 1000 for vertex in relief().data.vertices]
    middle = min(z) / 2
    return min(each for each in z if each > middle)


def is_made():
    """Whether the relief is that of the design, finely."""
    return relief() is not None and not part("relief_object").is_stale(relief()) and not part("jobs").running


def steps(hands):
    """The session."""
    yield from hands.empty_scene("BOARD")
    yield from hands.made()
    with hands.in_view():
        bpy.ops.ed.undo_push(message="Start")
    hands.lap("added")
    yield from hands.show_sidebar("Making", "Carving", "Carve Files")
    hands.picture("1-sidebar")
    hands.lap("sidebar")

    # Make Relief
    hands.note("found relief button", (yield from hands.find("relief_knot_relief(")))
    hands.lap("found")
    hands.tap("LEFTMOUSE")
    yield from hands.wait(is_made)
    hands.note("relief", relief() is not None and len(relief().data.vertices))
    hands.lap("relief")
    hands.look_at(relief(), knot())
    yield
    yield
    hands.picture("2-relief")

    # a depth typed
    hands.note("found depth", (yield from hands.find("relief_knot_carving.depth")))
    hands.lap("found")
    before = ground()
    hands.tap("LEFTMOUSE")
    yield
    yield
    hands.picture("3-typing")
    for letter in "4.5":
        for value, extra in (("PRESS", {"unicode": letter}), ("RELEASE", {})):
            hands.window.event_simulate(type=FIGURES[letter], value=value, x=hands.at[0], y=hands.at[1], **extra)
        yield
    hands.tap("RET")
    yield from hands.wait(lambda: abs(knot().relief_knot_carving.depth * 1000 - 4.5) < 1e-3, 5)
    yield
    yield from hands.wait(is_made)
    hands.note("typed", [before, ground(), knot().relief_knot_carving.depth * 1000])
    hands.lap("typed")
    yield
    hands.picture("4-depth")

    # and undone by its key, then done again
    region = hands.region("WINDOW")
    hands.move(region.x + region.width // 4, region.y + region.height // 4)
    yield
    for name, held in (("undone", {}), ("redone", {"shift": True})):
        hands.tap("Z", ctrl=True, **held)
        yield
        yield from hands.wait(is_made)
        hands.note(name, [ground(), knot().relief_knot_carving.depth * 1000])
        hands.lap(name)

    # files through the dialog: nothing is replaced unasked
    os.makedirs(FOLDER, exist_ok=True)
    with open(FOLDER + "report.json", "w", encoding="utf-8") as file:
        file.write("mine")
    for replace in (False, True):
        found = yield from hands.find("relief_knot_carve_files")  # it has moved where something is said at the top
        hands.tap("LEFTMOUSE")
        window, browser = yield from hands.browser()
        hands.note(f"dialog {replace}", [found, browser is not None])
        if browser is None:
            return
        browser.spaces.active.params.directory = FOLDER.encode()
        browser.spaces.active.active_operator.replace = replace
        browser.tag_redraw()
        yield
        hands.picture(f"5-dialog-{replace}")
        yield from hands.enter(window, browser)
        yield from hands.wait(lambda: not part("jobs").running, 40)
        yield
        with open(FOLDER + "report.json", encoding="utf-8") as file:
            hands.note(f"report {replace}", file.read(4))
        hands.note(f"notice {replace}", bpy.context.window_manager.relief_knot.notice)
        hands.lap(f"dialog {replace}")
    hands.note("files", sorted(os.listdir(FOLDER)))
    hands.picture("6-files")


run(steps)
