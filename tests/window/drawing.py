"""A session of drawing at the screen: the tool, hovering, strokes, keys, Esc, undo, overlays; pictures of all of it."""

import json
import sys

sys.path.insert(0, "/job")

import bpy
from hands import active as knot
from hands import part, run
from mathutils import Euler, Vector


def place(hands, x, y):
    """The pixel at which a place in half cells shows."""
    obj = knot()
    cell = obj.relief_knot.cell_width / 2
    return hands.pixel(obj.matrix_world @ Vector((x * cell, y * cell, 0)))


def press(hands, value, **held):
    """Press or let go of the left button where the pointer is."""
    hands.window.event_simulate(type="LEFTMOUSE", value=value, x=hands.at[0], y=hands.at[1], **held)


def drag(hands, *places, **held):
    """Press at the first place, go through the others; the button stays down."""
    hands.move(*place(hands, *places[0]))
    yield
    press(hands, "PRESS", **held)
    yield
    for at in places[1:]:
        hands.move(*place(hands, *at))
        yield
    yield


def click(hands, at, **held):
    """Press and let go at a place in half cells."""
    hands.move(*place(hands, *at))
    yield
    press(hands, "PRESS", **held)
    yield
    press(hands, "RELEASE", **held)
    yield
    yield


def steps(hands):
    """The session."""
    yield from hands.clear()
    with hands.in_view():
        bpy.ops.mesh.relief_knot_add("INVOKE_DEFAULT", purpose="PENDANT")
    yield
    design = part("core").design
    plain = design.Design(
        design.Grid(6, 5, 10.0, 10.0), divide=design.Divide(gap=0.9), strand=design.Strand(width=2.6, thickness=0.6)
    )
    part("props").from_design(knot(), plain)
    yield from hands.made()
    bpy.context.view_layer.update()
    yield
    yield
    hands.from_above()
    yield
    yield
    yield
    with hands.in_view():
        bpy.ops.ed.undo_push(message="Start")
        bpy.ops.wm.tool_set_by_id(name="relief_knot.draw")
    hands.area.tag_redraw()
    yield
    hands.note("start", knot().relief_knot.text)

    # hovering
    pointer = part("overlay").pointer
    hands.move(*place(hands, 5.1, 4.1))
    yield
    yield
    hands.note("hovered", [list(site) for site in pointer["stroke"].lines] if "stroke" in pointer else None)
    hands.picture("d1-hover")
    hands.move(*place(hands, -2.5, 4))
    yield
    yield
    hands.note("hovered beside", "stroke" in pointer)

    # a break by a click, with no hovering before it
    yield from click(hands, (5, 4))
    hands.note("clicked", knot().relief_knot.text)

    # a run of breaks, with a turn
    yield from drag(hands, (3, 6), (5.9, 6.1), (6.0, 8.2))
    hands.note("while dragging", knot().relief_knot.text)
    hands.picture("d2-dragging")
    press(hands, "RELEASE")
    yield
    yield
    hands.note("dragged", knot().relief_knot.text)

    # given up with Esc, and with the right button
    for key in ("ESC", "RIGHTMOUSE"):
        yield from drag(hands, (7, 2), (10, 2))
        hands.tap(key)
        yield
        press(hands, "RELEASE")
        yield
        hands.note(f"given up with {key}", knot().relief_knot.text)
        hands.note(f"given up with {key}, stroke", "pressed" in pointer)

    # dividing: one pass, a run, a circuit
    yield from click(hands, (9.3, 4.3), ctrl=True)
    hands.note("pass", knot().relief_knot.text)
    yield from drag(hands, (9.3, 4.3), (9.35, 4.35), ctrl=True)
    press(hands, "RELEASE")
    yield
    yield
    hands.note("pass again", knot().relief_knot.text)
    yield from click(hands, (9.3, 4.3), ctrl=True, shift=True)
    yield
    hands.note("circuit", knot().relief_knot.text)
    hands.note("circuit error", knot().relief_knot.error)
    yield
    yield from hands.made()
    hands.picture("d3-divided")

    # keys
    hands.move(*place(hands, 9.3, 6.3))
    yield
    hands.tap("L")
    yield
    yield
    hands.note("over", knot().relief_knot.text)
    hands.tap("J")
    yield
    yield
    hands.note("hand", knot().relief_knot.text)

    # undo, step by step
    undone = []
    for _ in range(7):
        hands.tap("Z", ctrl=True)
        yield
        yield
        undone.append(knot().relief_knot.text if knot() else "gone")
    hands.note("undone", undone)
    for _ in range(7):
        hands.tap("Z", ctrl=True, shift=True)
        yield
        yield
    hands.note("redone", knot().relief_knot.text)

    # another object beside the knot is selected as ever, and the knot again
    hands.note("before selecting", knot().name)

    # from the side, mirrored, with every overlay
    tool = bpy.context.scene.relief_knot_tool
    tool.left_right = True
    with hands.in_view():
        view = hands.area.spaces.active.region_3d
        view.view_rotation = view.view_rotation @ Euler((0.75, 0.0, 0.35)).to_quaternion()
    hands.area.tag_redraw()
    yield
    yield
    hands.move(*place(hands, 3, 2))
    yield
    yield
    hands.note("from the side", sorted(list(site) for site in pointer["stroke"].lines))
    hands.picture("d4-side")
    yield from click(hands, (3, 2))
    hands.note("clicked from the side", knot().relief_knot.text)
    with hands.in_view():
        bpy.ops.view3d.view_axis(type="TOP")
    for _ in range(3):
        yield
    shown = bpy.context.scene.relief_knot_overlay
    shown.circuits = shown.forks = shown.exceptions = shown.findings = True
    hands.tap("N")
    yield
    yield
    hands.region("UI").active_panel_category = "Relief Knot"
    yield
    editing, now = part("core").editing, part("store").design_of(knot())
    whole = [at for at in sorted(editing.circuit_numbers(now)) if not editing.is_divided(now, at)]
    part("props").from_design(knot(), editing.set_passes(now, whole[4:6], True))
    yield from hands.made()
    facts = json.loads(knot().relief_knot.report)["facts"]
    hands.note("forks", facts["forks"])
    yield
    hands.area.tag_redraw()
    for _ in range(3):
        yield
    hands.picture("d5-overlays")
    shown.circuits = shown.findings = False
    shown.heights = True
    hands.area.tag_redraw()
    for _ in range(3):
        yield
    hands.picture("d6-heights")

    # colours
    shown.heights = False
    tool.job, tool.left_right = "COLOUR", False
    yield from click(hands, (7.3, 4.3))
    yield from hands.made()
    hands.note("colours", [material.name for material in knot().data.materials])
    hands.move(*place(hands, 7.3, 5.3))
    yield
    yield
    hands.picture("d7-colour")

    # the tool given up: nothing is drawn over the knot, nothing said
    with hands.in_view():
        bpy.ops.wm.tool_set_by_id(name="builtin.select_box")
    shown.forks = shown.exceptions = False
    hands.area.tag_redraw()
    yield
    hands.move(300, 20)
    yield
    hands.move(*place(hands, -2.5, 6))
    yield
    yield
    hands.picture("d8-tool-left")
    hands.note("drawing still", bool(part("overlay")._handles))

    # select beside and on the knot with the tool active: a press beside it is Blender's own
    with hands.in_view():
        bpy.ops.wm.tool_set_by_id(name="relief_knot.draw")
    yield
    tool.job = "BREAK"
    text = knot().relief_knot.text
    yield from click(hands, (-2.5, 9))
    hands.note("pressed beside", knot().relief_knot.text == text)
    hands.note(
        "selected after a press beside", [obj.name for obj in bpy.context.view_layer.objects if obj.select_get()]
    )


run(steps)
