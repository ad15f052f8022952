"""A game artist at the window: a kit from its button, a frame laid along a curve, a file from the dialog."""

import os
import sys

sys.path.insert(0, "/job")

import bpy
from hands import part, run

FOLDER = "/job/kits/"


def knot():
    """The strip being worked on."""
    return bpy.data.objects["Relief Knot"]


def look():
    """The settings of its kit."""
    return knot().relief_knot_trim


def is_made():
    """Whether the kit is that of the design."""
    trims = part("trim_object")
    return bool(trims.pieces_of(knot())) and not trims.is_stale(knot()) and not part("jobs").running


def laid():
    """The trim laid along the frame, or None."""
    return part("trim_object").laid_of(knot(), look().path) if look().path else None


def frame(side):
    """A square curve, ``side`` mm long each way."""
    curve = bpy.data.curves.new("Door", "CURVE")
    curve.dimensions = "3D"
    spline = curve.splines.new("POLY")
    spline.points.add(3)
    s = side / 1000
    for point, place in zip(spline.points, [(0, 0), (s, 0), (s, s), (0, s)], strict=True):
        point.co = (place[0], place[1], 0.0, 1.0)
    spline.use_cyclic_u = True
    obj = bpy.data.objects.new("Door", curve)
    obj.location = (0.0, 0.25, 0.0)
    bpy.context.collection.objects.link(obj)
    return obj


def steps(hands):
    """The session."""
    yield from hands.empty_scene("TRIM")
    knot().relief_knot.columns, knot().relief_knot.rows = 6, 2
    yield from hands.made()
    look().triangles = 2000
    hands.lap("added")
    yield from hands.show_sidebar("Making", "Game Trims", "Pieces of the Kit", "Along a Path")

    # Make Kit
    hands.note("found kit button", (yield from hands.find("relief_knot_kit(")))
    hands.lap("found")
    hands.tap("LEFTMOUSE")
    yield from hands.wait(is_made, 90)
    yield
    hands.note("error", look().error)
    hands.note("report", part("trim_object").report_of(knot()))
    hands.note("objects", sorted(obj.name for obj in part("trim_object").pieces_of(knot(), 0)))
    hands.lap("kit")
    with hands.in_view():
        bpy.ops.view3d.view_axis(type="TOP")
        bpy.ops.view3d.view_all()
    yield
    yield
    hands.picture("1-kit")

    # a frame whose sides do not fit says what would
    kit = part("trim_object").kit_of(knot())
    corner = next(piece for piece in kit.pieces if piece.name == "corner-inner-090")
    legs = sum(part("core").trims_laying.legs(corner))
    door = frame(legs + 1.5 * kit.period)
    look().path = door
    yield
    hands.note("found lay button", (yield from hands.find("relief_knot_lay(")))
    hands.tap("LEFTMOUSE")
    yield from hands.wait(lambda: look().error, 10)
    hands.note("refused", look().error)
    hands.picture("2-refused")

    # one that fits is laid
    bpy.data.objects.remove(door)
    door = frame(legs + 2.04 * kit.period)
    look().path = door
    bpy.context.view_layer.objects.active = knot()
    yield
    hands.note("found lay button again", (yield from hands.find("relief_knot_lay(")))
    hands.tap("LEFTMOUSE")
    yield from hands.wait(lambda: laid() is not None, 20)
    yield
    hands.note("laid", laid() is not None and laid().relief_knot_trim.report)
    hands.note("size_mm", [1000 * value for value in laid().dimensions] if laid() else None)
    hands.note("wanted_mm", legs + 2.04 * kit.period + kit.height)
    if laid():
        hands.look_at(laid(), knot())
    yield
    yield
    hands.picture("3-laid")
    hands.lap("laid")

    # undo takes it away
    hands.move(hands.region("WINDOW").x + 200, hands.region("WINDOW").y + 200)
    yield
    hands.tap("Z", ctrl=True)
    yield 1.0
    hands.note("after undo", any(obj.name == "Door Trim" for obj in bpy.data.objects))

    # the file dialog
    os.makedirs(FOLDER, exist_ok=True)
    with hands.in_view():
        bpy.context.view_layer.objects.active = knot()
        bpy.ops.mesh.relief_knot_export_kit("INVOKE_DEFAULT", format="GLB", filepath=FOLDER + "door.glb")
    window, browser = yield from hands.browser()
    hands.note("dialog", browser is not None)
    if browser is not None:
        yield from hands.enter(window, browser)
        yield from hands.wait(lambda: os.path.exists(FOLDER + "door.glb"), 10)
    hands.note("notice", bpy.context.window_manager.relief_knot.notice)
    hands.note("bytes", os.path.getsize(FOLDER + "door.glb") if os.path.exists(FOLDER + "door.glb") else 0)
    hands.lap("exported")


run(steps)
