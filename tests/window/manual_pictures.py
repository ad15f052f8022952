"""Takes the manual's pictures at the screen, and notes where on it each of them is. See manual/pictures.py."""

import inspect
import sys

sys.path.insert(0, "/job")

import bpy
import hands as _hands
from mathutils import Vector

PACKAGE = "bl_ext.user_default.relief_knots"
PARENT = "VIEW3D_PT_relief_knot"
VIEW_SIDEBAR = ("VIEW_3D", "UI")
SPARE = 9
"""Desks made before the sidebar's tab is first shown, so that each can begin with other sections open."""


def knot():
    """The knot being worked on."""
    return bpy.context.view_layer.objects.active


def part(name):
    """A module of the add-on."""
    return sys.modules[f"{PACKAGE}.{name}"]


def override(hands):
    """The 3D view's main region for operators."""
    return bpy.context.temp_override(window=hands.window, area=hands.area, region=hands.region("WINDOW"))


def place(hands, x, y):
    """The pixel at which a place in half cells shows."""
    obj = knot()
    cell = obj.relief_knot.cell_width / 2
    return hands.pixel(obj.matrix_world @ Vector((x * cell, y * cell, 0)))


def sections():
    """The sub-panels of the tab in the order in which they were registered."""
    for module in sys.modules[PACKAGE].MODULES:
        for cls in getattr(module, "CLASSES", ()):
            panel = inspect.isclass(cls) and issubclass(cls, bpy.types.Panel)
            if panel and getattr(cls, "bl_parent_id", "") and (cls.bl_space_type, cls.bl_region_type) == VIEW_SIDEBAR:
                yield cls


def open_only(*names):
    """Let only these sections be open where the tab is shown for the first time."""
    found = list(sections())
    for cls in reversed(found):
        bpy.utils.unregister_class(cls)
    for cls in found:
        options = set(getattr(cls, "bl_options", ())) - {"DEFAULT_CLOSED"}
        cls.bl_options = options if cls.bl_label in names else options | {"DEFAULT_CLOSED"}
        bpy.utils.register_class(cls)


def desk(hands, *names):
    """Go to a fresh desk with these sections of the tab open."""
    open_only(*names)
    hands.window.workspace = hands.desks.pop()
    yield
    yield
    hands.area.spaces.active.show_region_ui = True
    yield
    yield
    hands.region("UI").active_panel_category = "Relief Knot"
    hands.area.tag_redraw()
    yield
    yield


def new(hands, key):
    """Nothing but this starting point in the scene, seen whole from above."""
    with override(hands):
        bpy.ops.object.select_all(action="SELECT")
        bpy.ops.object.delete()
        bpy.ops.mesh.relief_knot_start("INVOKE_DEFAULT", key=key)
    yield from hands.made()
    with override(hands):
        bpy.ops.view3d.view_axis(type="TOP")
        bpy.ops.view3d.view_selected()
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
    region = hands.region("WINDOW")
    hands.move(region.x + region.width // 2, region.y + region.height // 2)
    yield
    hands.tap("ESC")
    yield
    bpy.context.scene.unit_settings.length_unit = "MILLIMETERS"
    bpy.context.preferences.view.smooth_view = 0  # views are where they are to be before the next picture
    with override(hands):
        bpy.ops.object.select_all(action="SELECT")
        bpy.ops.object.delete()
    first = hands.window.workspace
    for _ in range(SPARE):
        with override(hands):
            bpy.ops.workspace.duplicate()
        yield
    hands.desks = [other for other in bpy.data.workspaces if other.name.startswith(first.name)]

    # the menu
    yield from desk(hands)
    region = hands.region("WINDOW")
    hands.move(region.x + region.width // 3, region.y + region.height // 2)
    with override(hands):
        bpy.ops.wm.call_menu(name="VIEW3D_MT_relief_knot_pendant")
    for _ in range(4):
        yield
    yield from keep(hands, "menu", "VIEW")
    hands.tap("ESC")
    yield

    # a first knot
    yield from desk(hands, "Layout", "Breaks", "Checks")
    with override(hands):
        bpy.ops.mesh.relief_knot_add("INVOKE_DEFAULT", purpose="PENDANT")
    yield from hands.made()
    with override(hands):
        bpy.ops.view3d.view_axis(type="TOP")
        bpy.ops.view3d.view_selected()
    for _ in range(5):
        yield
    yield from keep(hands, "first-knot", "VIEW")

    # drawing breaks on it
    with override(hands):
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
    hands.note("text after the break", knot().relief_knot.text)
    yield from keep(hands, "drawing", "VIEW")
    with override(hands):
        bpy.ops.wm.tool_set_by_id(name="builtin.select_box")

    # starting points
    yield from desk(hands, "Starting Points", "Help")
    yield from new(hands, "pendant/cross-encircled")
    bpy.context.window_manager.relief_knot_starts.pendant = "pendant/cross-encircled"
    with override(hands):
        bpy.ops.object.select_all(action="DESELECT")
    bpy.context.view_layer.objects.active = None  # the sections of a knot would push this one out of sight
    hands.area.tag_redraw()
    yield
    yield
    yield from keep(hands, "starting-points", "VIEW")

    # sections of the sidebar
    yield from new(hands, "board/middle-divided")
    yield from desk(hands, "Dividing", "Weave", "Strand", "Heights")
    with override(hands):
        bpy.ops.view3d.view_axis(type="TOP")
        bpy.ops.view3d.view_selected()
    yield
    yield
    yield from keep(hands, "sections", "SIDEBAR")
    yield from desk(hands, "Making", "Files")
    with override(hands):
        bpy.ops.view3d.view_axis(type="TOP")
        bpy.ops.view3d.view_selected()
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
    hands.note("findings", knot().relief_knot.report)
    yield from keep(hands, "checks", "VIEW")

    # a trim
    yield from desk(hands, "Making")
    yield from new(hands, "trim/ring-strip")
    with override(hands):
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


if __name__ == "__main__":
    _hands.run(steps)
