"""A maker of pendants at the window: a piece from its button, its findings, a remedy, a file from the dialog."""

import os
import sys

sys.path.insert(0, "/job")

import bpy
from hands import part, run

FOLDER = "/job/pieces/"


def knot():
    """The pendant being worked on."""
    return bpy.data.objects["Relief Knot"]


def piece():
    """What is made of it."""
    return part("piece_object").piece_of(knot())


def is_made():
    """Whether the piece is that of the design."""
    return piece() is not None and not part("piece_object").is_stale(knot()) and not part("jobs").running


def report():
    """What was measured on it."""
    return part("piece_object").report_of(knot())


def steps(hands):
    """The session."""
    yield from hands.empty_scene("PENDANT")
    knot().relief_knot.way = "FUSED"
    knot().relief_knot.thickness = 0.0007
    knot().relief_knot_print.has_bail = True
    yield from hands.made()
    hands.lap("added")
    yield from hands.show_sidebar("Making", "Printing and Casting", "Checks of the Piece")

    # Make and Check Piece
    hands.note("found piece button", (yield from hands.find("relief_knot_piece(")))
    hands.lap("found")
    hands.tap("LEFTMOUSE")
    yield from hands.wait(is_made, 40)
    yield
    hands.note("error", knot().relief_knot_print.error)
    hands.note("piece", piece() is not None and len(piece().data.vertices))
    hands.note("before", report())
    hands.note("places", len(part("piece_object").places(knot())))
    hands.lap("piece")
    hands.look_at(piece(), knot())
    yield
    yield
    hands.picture("1-checks")

    # a remedy, by its button
    hands.note("found remedy", (yield from hands.find("relief_knot_piece_mend(", 0.4)))
    hands.lap("found")
    text = knot().relief_knot.text
    hands.tap("LEFTMOUSE")
    yield from hands.wait(lambda: knot().relief_knot.text != text, 10)
    yield from hands.wait(is_made, 40)
    yield
    hands.note("after", report())
    hands.note("thickness", knot().relief_knot.thickness * 1000)
    hands.picture("2-mended")
    hands.lap("mended")

    # the file dialog: nothing is replaced unasked
    os.makedirs(FOLDER, exist_ok=True)
    with open(FOLDER + "pendant.3mf", "w", encoding="utf-8") as file:
        file.write("mine")
    for replace in (False, True):
        with hands.in_view():
            bpy.ops.mesh.relief_knot_export_piece("INVOKE_DEFAULT", format="3MF", filepath=FOLDER + "pendant.3mf")
        window, browser = yield from hands.browser()
        hands.note(f"dialog {replace}", browser is not None)
        if browser is None:
            return
        browser.spaces.active.active_operator.replace = replace
        browser.tag_redraw()
        yield
        hands.picture(f"3-dialog-{replace}")
        yield from hands.enter(window, browser)
        with open(FOLDER + "pendant.3mf", "rb") as file:
            hands.note(f"begins {replace}", file.read(4).decode("latin-1"))
        hands.note(f"notice {replace}", bpy.context.window_manager.relief_knot.notice)
        hands.lap(f"dialog {replace}")


run(steps)
