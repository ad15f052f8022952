"""Takes the manual's pictures at the screen, and notes where on it each of them is. See manual/pictures.py."""

import sys

sys.path.insert(0, "/job")

import bpy
from hands import active as knot
from hands import open_only, run
from mathutils import Vector

SPARE = 9
"""Desks made before the sidebar's tab is first shown, so that each can begin with other sections open."""


def place(hands, x, y):
    """The pixel at which a place in half cells shows."""
    obj = knot()
    cell = obj.relief_knot.cell_width / 2
    return hands.pixel(obj.matrix_world @ Vector((x * cell, y * cell, 0)))


def desk(hands, *names):
    """Go to a fresh desk with these sections of the tab open."""
    open_only(*names)
    hands.window.workspace = hands.desks.pop()
    yield
    yield
    yield from hands.show_tab()


def new(hands, key):
    """Nothing but this starting point in the scene, seen whole from above."""
    hands.delete_all()
    with hands.in_view():
        bpy.ops.mesh.relief_knot_start("INVOKE_DEFAULT", key=key)
    yield from hands.made()
    hands.from_above()
    for _ in range(5):
        yield


def keep(hands, name, kind="SIDEBAR"):
    """Take a picture and note which part of it is meant: the sidebar, the view with it, or the whole screen."""
    yield
    hands.picture(name)
    area, side = hands.area, hands.region("UI")
    box = {
        "SIDEBAR": [side.x, side.y, side.x + side.width, side.y + side.height],
        "VIEW": [area.x, area.y, area.x + area.width, area.y + area.height],
    }[kind]
    hands.note(name, [kind, *box])


def steps(hands):
    """The session."""
    yield from hands.clear()
    bpy.context.scene.unit_settings.length_unit = "MILLIMETERS"
    bpy.context.preferences.view.smooth_view = 0  # views are where they are to be before the next picture
    first = hands.window.workspace
    for _ in range(SPARE):
        with hands.in_view():
            bpy.ops.workspace.duplicate()
        yield
    hands.desks = [other for other in bpy.data.workspaces if other.name.startswith(first.name)]

    # the menu
    yield from desk(hands)
    region = hands.region("WINDOW")
    hands.move(region.x + region.width // 3, region.y + region.height // 2)
    with hands.in_view():
        bpy.ops.wm.call_menu(name="VIEW3D_MT_relief_knot_pendant")
    for _ in range(4):
        yield
    yield from keep(hands, "menu", "VIEW")
    hands.tap("ESC")
    yield

    # a first knot
    yield from desk(hands, "Layout", "Breaks", "Checks")
    with hands.in_view():
        bpy.ops.mesh.relief_knot_add("INVOKE_DEFAULT", purpose="PENDANT")
    yield from hands.made()
    hands.from_above()
    for _ in range(5):
        yield
    yield from keep(hands, "first-knot", "VIEW")

    # drawing breaks on it
    with hands.in_view():
        bpy.ops.wm.tool_set_by_id(name="relief_knot.draw")
    yield
    hands.move(*place(hands, 4.1, 3.1))
    yield
    hands.window.event_simulate(type="LEFTMOUSE", value="PRESS", x=hands.at[0], y=hands.at[1])
    yield
    hands.window.event_simulate(type="LEFTMOUSE", value="RELEASE", x=hands.at[0], y=hands.at[1])
    for _ in range(4):
        yield
    yield from hands.made()
    hands.move(*place(hands, 4.1, 5.1))
    yield
    yield
    yield from keep(hands, "drawing", "VIEW")
    with hands.in_view():
        bpy.ops.wm.tool_set_by_id(name="builtin.select_box")

    # starting points
    yield from desk(hands, "Starting Points", "Help")
    yield from new(hands, "pendant/cross-encircled")
    bpy.context.window_manager.relief_knot_starts.pendant = "pendant/cross-encircled"
    with hands.in_view():
        bpy.ops.object.select_all(action="DESELECT")
    bpy.context.view_layer.objects.active = None  # the sections of a knot would push this one out of sight
    hands.area.tag_redraw()
    yield
    yield
    yield from keep(hands, "starting-points", "VIEW")

    # sections of the sidebar
    yield from new(hands, "board/middle-divided")
    yield from desk(hands, "Dividing", "Weave", "Strand", "Heights")
    hands.from_above()
    yield
    yield
    yield from keep(hands, "sections", "SIDEBAR")
    yield from desk(hands, "Making", "Files")
    hands.from_above()
    hands.area.spaces.active.overlay.show_overlays = False
    hands.area.spaces.active.shading.show_cavity = True
    yield
    yield
    yield from keep(hands, "board", "VIEW")

    # findings
    yield from desk(hands, "Checks", "Counts and Measures")
    yield from new(hands, "drawing/cruciform")
    knot().relief_knot.width = 0.005
    knot().relief_knot.has_slope_limit = True
    knot().relief_knot.slope_limit = 0.3
    yield from hands.made()
    for _ in range(3):
        yield
    yield from keep(hands, "checks", "VIEW")

    # a trim
    yield from desk(hands, "Making")
    yield from new(hands, "trim/ring-strip")
    hands.area.spaces.active.overlay.show_overlays = False
    yield
    yield
    yield from keep(hands, "trim", "VIEW")

    # in German
    view = bpy.context.preferences.view
    view.language = "de_DE"
    view.use_translate_interface = view.use_translate_tooltips = True
    yield from desk(hands, "Layout", "Dividing", "Weave", "Checks")
    hands.note("german word", bpy.app.translations.pgettext_iface("Starting Points"))
    hands.note("german operator", bpy.app.translations.pgettext_iface("Draw on Knot", "Operator"))
    yield from keep(hands, "german", "SIDEBAR")


run(steps)
