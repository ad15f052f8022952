"""A short session at the screen: add a knot from the menu, break it, divide a circuit, undo both, look at it all."""

import json
import sys

sys.path.insert(0, "/job")

import bpy
from hands import active as knot
from hands import part, run
from mathutils import Vector


def place(hands, x, y):
    """The pixel at which a point of the layout (mm) shows."""
    obj = knot()
    return hands.pixel(obj.matrix_world @ Vector((x / 1000, y / 1000, 0)))


def choose(hands, key, times=1):
    """Press an arrow key in an open menu."""
    for _ in range(times):
        hands.tap(key)
        yield


def steps(hands):
    """The session."""
    yield from hands.clear()

    # the sidebar, empty
    yield from hands.show_tab()
    hands.picture("1-empty")

    # Shift A, Mesh, the last entry, Carved Board
    hands.tap("A", shift=True)
    yield
    yield
    yield from choose(hands, "DOWN_ARROW")
    yield from choose(hands, "RIGHT_ARROW")
    yield from choose(hands, "UP_ARROW")
    yield
    hands.picture("2-menu")
    yield from choose(hands, "RIGHT_ARROW")
    yield
    yield from choose(hands, "DOWN_ARROW")
    hands.picture("3-purposes")
    hands.tap("RET")
    for _ in range(5):
        yield
    yield from hands.made()
    hands.note("added", knot().name if knot() else None)
    if not knot():
        hands.picture("4-added")
        return
    hands.note("error", knot().relief_knot.error)
    hands.note("starting text", knot().relief_knot.text)
    hands.note("vertices", len(knot().data.vertices))
    hands.area.tag_redraw()
    yield
    hands.picture("4-added")

    # seen from above
    hands.tap("NUMPAD_7")
    for _ in range(4):
        yield
    grid = knot().relief_knot
    cell = grid.cell_width * 1000
    hands.note("corners on screen", [place(hands, 0, 0), place(hands, grid.columns * cell, grid.rows * cell)])

    # breaks by clicking
    with hands.in_view():
        bpy.ops.mesh.relief_knot_work(job="BREAK")
    yield
    hands.move(*place(hands, 3.5 * cell, 2 * cell))  # the site [7, 4]
    yield
    hands.tap("LEFTMOUSE")
    yield
    yield
    hands.note("after break", knot().relief_knot.text)
    hands.move(*place(hands, 4.5 * cell, 3 * cell))  # the site [9, 6]
    yield
    hands.tap("LEFTMOUSE", shift=True)
    yield
    yield
    hands.note("after second break", knot().relief_knot.text)
    yield
    hands.picture("5-breaks")

    # a circuit by clicking on its strand
    with hands.in_view():
        bpy.ops.mesh.relief_knot_work(job="CIRCUIT")
    yield
    hands.move(*place(hands, 5.62 * cell, 2.12 * cell))  # a little up the rising strand at [11, 4]
    yield
    hands.tap("LEFTMOUSE")
    yield
    yield
    yield from hands.made()
    hands.note("after divide", knot().relief_knot.text)
    hands.note("divide error", knot().relief_knot.error)
    facts = json.loads(knot().relief_knot.report)["facts"]
    hands.note("crossings", facts["crossings"])
    hands.note("after divide, forks", facts["forks"])
    hands.note("after divide, woven crossings", facts["woven_crossings"])
    yield
    hands.picture("6-divided")
    # one button of the sidebar after another, then the second again
    jobs = []
    for job in ("BREAK", "CIRCUIT", "CIRCUIT"):
        with hands.in_view():
            bpy.ops.mesh.relief_knot_work(job=job)
        yield
        hands.move(hands.at[0] + 5, hands.at[1])
        yield
        active = part("overlay").is_tool_active(bpy.context)
        jobs.append(bpy.context.scene.relief_knot_tool.job if active else "none")
    hands.note("tools", jobs)

    # undo all three, then redo one
    for name in ("undone once", "undone twice", "undone three times"):
        hands.tap("Z", ctrl=True)
        yield
        yield from hands.made()
        hands.note(name, knot().relief_knot.text)
        hands.note(f"{name}, vertices", len(knot().data.vertices))
    hands.picture("7-undone")
    hands.tap("Z", ctrl=True, shift=True)
    yield
    yield
    hands.note("redone once", knot().relief_knot.text)

    # a value that cannot be: the words stand in the panel, the mesh stays
    before = [tuple(vertex.co) for vertex in knot().data.vertices][:50]
    knot().relief_knot.width = 0.05
    hands.area.tag_redraw()
    yield
    yield
    hands.note("impossible", knot().relief_knot.error)
    hands.note("mesh stayed", before == [tuple(vertex.co) for vertex in knot().data.vertices][:50])
    yield
    hands.picture("8-error")


run(steps)
