"""The drawing tool without a window: what strokes mean, what they do to a knot, colours, the picture to trace."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path

import bpy
import pytest
from mathutils import Matrix, Vector

import blender_addon
from blender_addon import draw_settings, draw_tool, gestures, overlay, pointing, setting_out, store, translations
from blender_addon.gestures import Job, Manner, Stroke
from knotgeom import editing
from knotgeom.design import Breaks, Design, Grid, Pass, Site, Strand, Way
from knotgeom.editing import Line
from knotgeom.symmetry import Symmetry

PLAIN = Design(Grid(5, 4, 10.0, 10.0), strand=Strand(width=3.5, thickness=0.8))


def drawn(design, job, *points, other=False, **manner):
    """The design after a stroke from point to point, in half cells."""
    stroke = Stroke(design, job, tuple(5.0 * part for part in points[0]), other, Manner(**manner))
    for point in points[1:]:
        stroke.move(tuple(5.0 * part for part in point))
    found = stroke.result()
    return design if found is None else found[0].design


def breaks(design):
    """Breaks by site."""
    return {site: editing.break_at(design, site) for site in (*design.breaks.horizontal, *design.breaks.vertical)}


@pytest.fixture
def knot():
    """A plain 5 x 4 plait."""
    from blender_addon.ops_add import new_knot

    return new_knot(bpy.context, PLAIN, "Plait")


# --- strokes ---------------------------------------------------------------------------------------------------------


def test_clicks_go_through_horizontal_vertical_none_and_with_shift_the_other_way():
    design, seen = PLAIN, []
    for _ in range(3):
        design = drawn(design, Job.BREAK, (3.1, 2.1))
        seen.append(breaks(design))
    assert seen == [{(3, 2): Line.HORIZONTAL}, {(3, 2): Line.VERTICAL}, {}]
    assert breaks(drawn(PLAIN, Job.BREAK, (3, 2), other=True)) == {(3, 2): Line.VERTICAL}
    upright = drawn(PLAIN, Job.BREAK, (3, 2), line=Line.VERTICAL)
    assert breaks(upright) == {(3, 2): Line.VERTICAL}
    assert drawn(upright, Job.BREAK, (3, 2), line=Line.VERTICAL) == PLAIN


def test_a_drag_draws_a_wall_of_breaks_that_turns_with_the_pointer():
    level = drawn(PLAIN, Job.BREAK, (3, 2), (5, 2.2), (7.1, 1.9))
    assert breaks(level) == {Site(x, 2): Line.HORIZONTAL for x in (3, 5, 7)}
    corner = drawn(PLAIN, Job.BREAK, (3, 2), (5.9, 2.1), (6, 5.2))
    assert breaks(corner) == {
        (3, 2): Line.HORIZONTAL,
        (5, 2): Line.HORIZONTAL,
        (6, 3): Line.VERTICAL,
        (6, 5): Line.VERTICAL,
    }
    rungs = drawn(PLAIN, Job.BREAK, (3, 2), (7.1, 2), other=True)
    assert breaks(rungs) == {Site(x, 2): Line.VERTICAL for x in (3, 5, 7)}


def test_one_long_move_of_the_pointer_draws_what_many_short_ones_do():
    short = [(3 + k * 0.1, 2.0) for k in range(51)]
    assert drawn(PLAIN, Job.BREAK, (3, 2), (8, 2)) == drawn(PLAIN, Job.BREAK, *short)


def test_going_back_over_a_wall_takes_it_away_again():
    assert breaks(drawn(PLAIN, Job.BREAK, (3, 2), (7.2, 2), (5.5, 2))) == {
        (3, 2): Line.HORIZONTAL,
        (5, 2): Line.HORIZONTAL,
    }


def test_a_drag_that_begins_on_a_break_clears_those_it_goes_over():
    wall = replace(PLAIN, breaks=Breaks(horizontal=tuple(Site(x, 2) for x in (1, 3, 5, 7))))
    assert breaks(drawn(wall, Job.BREAK, (3, 2), (5.2, 2))) == {(1, 2): Line.HORIZONTAL, (7, 2): Line.HORIZONTAL}


def test_a_wall_does_not_run_off_the_layout():
    assert breaks(drawn(PLAIN, Job.BREAK, (7, 2), (40, 2))) == {(7, 2): Line.HORIZONTAL, (9, 2): Line.HORIZONTAL}


def test_symmetrical_strokes_repeat_and_are_seen_before_they_are_let_go():
    both = frozenset({Symmetry.LEFT_RIGHT, Symmetry.UP_DOWN})
    stroke = Stroke(PLAIN, Job.BREAK, (15.0, 10.0), manner=Manner(symmetries=both))
    images = {(3, 2), (7, 2), (3, 6), (7, 6)}
    assert set(stroke.lines) == images
    assert breaks(stroke.result()[0].design) == dict.fromkeys(images, Line.HORIZONTAL)
    square = replace(PLAIN, layout=Grid(4, 4, 10.0, 10.0))
    turned = drawn(square, Job.BREAK, (3, 2), symmetries=frozenset({Symmetry.QUARTER_TURN}))
    assert breaks(turned) == {
        (3, 2): Line.HORIZONTAL,
        (6, 3): Line.VERTICAL,
        (5, 6): Line.HORIZONTAL,
        (2, 5): Line.VERTICAL,
    }


def test_a_strand_is_divided_at_one_crossing_or_along_the_stroke():
    once = drawn(PLAIN, Job.DIVIDE, (3.3, 2.3))
    assert once.divide.passes == (Pass(3, 2, Way.RISING),)
    assert drawn(once, Job.DIVIDE, (3.3, 2.3)) == PLAIN
    run = drawn(PLAIN, Job.DIVIDE, (3.3, 2.3), (6.2, 5.2))
    assert set(run.divide.passes) == {Pass(k + 1, k, Way.RISING) for k in (2, 3, 4, 5)}
    assert drawn(run, Job.DIVIDE, (3.3, 2.3), (6.2, 5.2)) == PLAIN


def test_a_circuit_is_divided_whole_and_made_one_again():
    divided = drawn(PLAIN, Job.CIRCUIT, (3.3, 2.3))
    circuit = editing.same_circuit(PLAIN, Pass(3, 2, Way.RISING))
    assert all(editing.is_divided(divided, at) for at in circuit)
    assert drawn(divided, Job.CIRCUIT, (3.3, 2.3)) == PLAIN


def test_the_strand_pressed_is_wished_over_and_again_not():
    over = drawn(PLAIN, Job.OVER, (3.3, 1.7))
    assert over.weave.prefer == (Pass(3, 2, Way.FALLING),)
    assert drawn(over, Job.OVER, (3.3, 1.7)) == PLAIN


def test_cells_are_left_out_along_a_drag_and_put_back_where_it_begins_on_a_gap():
    run = drawn(PLAIN, Job.CELL, (1, 1), (5, 1.2))
    assert set(run.layout.without) == {(0, 0), (1, 0), (2, 0)}
    assert drawn(run, Job.CELL, (5, 1), (1, 1), (1, 5)) == PLAIN, "over cells that are there it does nothing"
    corners = drawn(PLAIN, Job.CELL, (1, 1), symmetries=frozenset({Symmetry.LEFT_RIGHT, Symmetry.UP_DOWN}))
    assert set(corners.layout.without) == {(0, 0), (4, 0), (0, 3), (4, 3)}


def test_a_break_goes_with_the_cell_that_it_stood_on():
    stroke = Stroke(drawn(PLAIN, Job.BREAK, (1, 2)), Job.CELL, (5.0, 5.0))
    changed, name = stroke.result()
    assert name == "Leave Cell Out" and len(changed.dropped) == 1 and not breaks(changed.design)


@pytest.mark.parametrize("job", list(Job))
def test_a_press_beside_the_knot_begins_nothing(job):
    for point in ((-9.0, 10.0), (15.0, 47.0), (float("nan"), 3.0)):
        stroke = Stroke(PLAIN, job, point)
        assert not stroke.begun and stroke.result() is None


def german(text):
    """A text in German."""
    return translations.said(text, lambda said: translations.GERMAN.get(said, said))


@pytest.mark.parametrize("job", list(Job))
def test_every_stroke_says_what_it_would_do(job):
    stroke = Stroke(PLAIN, job, (16.0, 11.0))
    assert stroke.words() and stroke.name()[0].isupper()
    assert german(stroke.words()) != stroke.words()
    stroke.move((26.0, 21.0))
    assert german(stroke.words()) != stroke.words()
    assert overlay.stroke_pieces(stroke)


@pytest.mark.parametrize("job", [job for job in Job if job is not Job.CELL])
def test_strokes_on_the_edges_of_a_mesh_are_said_in_german_too(job):
    comb = setting_out.honeycomb(10.0)
    site, edges = next((site, edges) for site, edges in setting_out.seen(comb).edges.items() if site.x == 3)
    x, y, _ = setting_out.seen(comb).middle[edges[0]]
    stroke = Stroke(Design(comb), job, (x + 0.3, y + 0.3))
    assert stroke.begun and german(stroke.words()) != stroke.words()


# --- on a knot -------------------------------------------------------------------------------------------------------


def test_a_stroke_changes_the_design_and_the_mesh_only_when_let_go(knot):
    text, built = knot.relief_knot.text, knot.data.relief_knot_built
    stroke = draw_tool.begin(knot, bpy.context.scene.relief_knot_tool, (15.0, 10.0))
    stroke.move((26.0, 10.0))
    assert (knot.relief_knot.text, knot.data.relief_knot_built) == (text, built)
    assert draw_tool.commit(knot, stroke)
    assert breaks(store.design_of(knot)) == {(3, 2): Line.HORIZONTAL, (5, 2): Line.HORIZONTAL}
    assert knot.relief_knot.error == ""


def test_a_stroke_is_dropped_where_the_design_has_changed_meanwhile(knot):
    stroke = draw_tool.begin(knot, bpy.context.scene.relief_knot_tool, (15.0, 10.0))
    store.write(knot, drawn(PLAIN, Job.BREAK, (5, 4)))
    text = knot.relief_knot.text
    assert not draw_tool.commit(knot, stroke) and knot.relief_knot.text == text


def test_settings_of_the_tool_reach_its_strokes(knot):
    settings = bpy.context.scene.relief_knot_tool
    settings.line, settings.half_turn, settings.job = "VERTICAL", True, "BREAK"
    stroke = draw_tool.begin(knot, settings, (15.0, 10.0))
    assert stroke.lines == {(3, 2): Line.VERTICAL, (7, 6): Line.VERTICAL}
    settings.job = "OVER"
    assert draw_tool.begin(knot, settings, (15.0, 10.0)).job is Job.OVER
    assert draw_tool.begin(knot, settings, (15.0, 10.0), Job.DIVIDE).job is Job.DIVIDE


def test_the_other_hand_is_one_step_and_comes_back(knot):
    bpy.ops.ed.undo_push(message="start")
    assert bpy.ops.mesh.relief_knot_hand("EXEC_DEFAULT", True) == {"FINISHED"}
    assert store.design_of(bpy.context.object).weave.hand.value == "left"
    bpy.ops.ed.undo()
    assert store.design_of(bpy.data.objects["Plait"]).weave.hand.value == "right"


def colours_seen(obj):
    """The circuits' numbers by the material of their faces."""
    faces, strand = [0] * len(obj.data.polygons), [0] * len(obj.data.polygons)
    obj.data.polygons.foreach_get("material_index", faces)
    obj.data.attributes["strand"].data.foreach_get("value", strand)
    names = [material.name for material in obj.data.materials] or ["none"]
    return {names[face]: {s for f, s in zip(faces, strand, strict=True) if f == face} for face in set(faces)}


def test_a_circuits_colour_is_on_its_faces_and_stays_through_changes(knot):
    two = replace(PLAIN, layout=Grid(4, 2, 10.0, 10.0))
    store.write(knot, two)
    blender_addon.rebuild.rebuild(knot)
    settings = bpy.context.scene.relief_knot_tool
    settings.colour = (1.0, 0.0, 0.0)
    stroke = draw_tool.begin(knot, settings, (16.0, 11.0), Job.COLOUR)
    number = editing.circuit_numbers(two)[stroke.at]
    assert draw_tool.commit(knot, stroke)
    assert colours_seen(knot) == {"Strand": {1 - number}, "Strand #ff0000": {number}}
    assert tuple(knot.data.materials["Strand #ff0000"].diffuse_color) == (1.0, 0.0, 0.0, 1.0)

    at_anchor = draw_tool.begin(knot, settings, (15.0, 10.0), Job.BREAK)
    assert draw_tool.commit(knot, at_anchor), "a break where the colour had its pass"
    assert "Strand #ff0000" in colours_seen(knot)

    for at in editing.circuit_numbers(store.design_of(knot)):
        place = [5.0 * part for part in at.site]
        place[0] += 1.0
        place[1] += 1.0 if at.way is Way.RISING else -1.0
        draw_tool.commit(knot, draw_tool.begin(knot, settings, tuple(place), Job.COLOUR, other=True))
    assert list(colours_seen(knot)) == ["Strand"] and store.design_of(knot).strand.circuits == ()


def test_a_circuits_width_is_set_and_taken_back(knot):
    settings = bpy.context.scene.relief_knot_tool
    settings.width = 0.003
    assert draw_tool.commit(knot, draw_tool.begin(knot, settings, (16.0, 11.0), Job.WIDTH))
    design = store.design_of(knot)
    assert editing.style_of(design, Pass(3, 2, Way.RISING)).width == pytest.approx(3.0)
    assert knot.relief_knot.error == ""
    assert draw_tool.commit(knot, draw_tool.begin(knot, settings, (16.0, 11.0), Job.WIDTH, other=True))
    assert store.design_of(knot) == PLAIN


def test_materials_of_ones_own_stay_where_circuits_are_coloured(knot):
    wood = bpy.data.materials.new("Wood")
    knot.data.materials.append(wood)
    settings = bpy.context.scene.relief_knot_tool
    draw_tool.commit(knot, draw_tool.begin(knot, settings, (16.0, 11.0), Job.COLOUR))
    assert knot.data.materials[0] == wood and len(knot.data.materials) == 2
    draw_tool.commit(knot, draw_tool.begin(knot, settings, (16.0, 11.0), Job.COLOUR, other=True))
    assert list(knot.data.materials) == [wood]


def test_a_picture_lies_under_the_knot_fitted_to_the_layout(knot, tmp_path):
    image = bpy.data.images.new("sketch", 64, 32)
    image.filepath_raw, image.file_format = str(tmp_path / "sketch.png"), "PNG"
    image.save()
    knot.matrix_world = Matrix.Translation((1, 2, 3)) @ Matrix.Rotation(1.0, 4, "Z")
    assert bpy.ops.mesh.relief_knot_reference(filepath=str(tmp_path / "sketch.png")) == {"FINISHED"}
    (empty,) = knot.children
    bpy.context.view_layer.update()
    middle = knot.matrix_world.inverted() @ empty.matrix_world.translation
    assert tuple(middle)[:2] == pytest.approx((0.025, 0.02), abs=1e-6)
    assert middle.z < min(vertex.co.z for vertex in knot.data.vertices)
    assert empty.empty_display_size == pytest.approx(0.05), "the longer side of 2 : 1 on 50 x 40 mm"
    assert empty.color[3] == pytest.approx(0.5) and empty.use_empty_image_alpha
    assert bpy.context.object == knot


def test_a_file_that_is_no_picture_is_answered_in_words(knot, tmp_path):
    (tmp_path / "no.png").write_text("not a picture")
    with pytest.raises(RuntimeError, match="no picture that can be read"):
        bpy.ops.mesh.relief_knot_reference(filepath=str(tmp_path / "no.png"))
    assert not knot.children


# --- the tool in Blender ---------------------------------------------------------------------------------------------


def toolbar():
    """The tools of the 3D view in Object Mode."""
    from bl_ui.space_toolsystem_toolbar import VIEW3D_PT_tools_active as tools

    return [tool.idname for tool in tools._tools_flatten(tools._tools["OBJECT"]) if tool is not None]


def test_the_tool_stands_in_the_toolbar_once_and_goes_with_the_add_on():
    assert toolbar().count(overlay.TOOL) == 1
    blender_addon.unregister()
    try:
        assert overlay.TOOL not in toolbar()
        assert not hasattr(bpy.types.Scene, "relief_knot_tool") and not overlay._handles
    finally:
        blender_addon.register()
    assert toolbar().count(overlay.TOOL) == 1


def blenders_keys(name):
    """(key, keys held) that Blender takes in Object Mode, from one of its own lists."""
    path = Path(bpy.utils.system_resource("SCRIPTS")) / "presets" / "keyconfig" / "keymap_data" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    heard = {"Object Mode", "3D View", "3D View Generic", "Window", "Screen", "Object Non-modal", "Frames"}
    held = ("shift", "ctrl", "alt", "oskey")
    return {
        (item[1]["type"], *(bool(item[1].get(key)) for key in held))
        for keymap, _, content in module.generate_keymaps()
        if keymap in heard
        for item in content["items"]
    }


@pytest.mark.parametrize("name", ["blender_default", "industry_compatible_data"])
def test_no_key_of_the_tool_is_one_of_blenders(name):
    taken = blenders_keys(name)
    assert ("G", False, False, False, False) in taken or ("W", False, False, False, False) in taken
    keys = [event for _, event, _ in draw_tool.DrawOnKnot.bl_keymap if event["type"] != "LEFTMOUSE"]
    assert len(keys) == 2
    for event in keys:
        assert (event["type"], False, False, False, False) not in taken


def test_every_gesture_of_the_tool_is_in_the_status_bar():
    icons = set(bpy.types.UILayout.bl_rna.functions["label"].parameters["icon"].enum_items.keys())
    words = {}
    for job, *_ in draw_settings.JOBS:
        shown = draw_tool.gestures_shown(job)
        words[job] = [said for *_, said in shown]
        for icon, held, _ in shown:
            assert {icon, *held.split()} <= icons
    assert {"Break", "Run of Breaks", "Divide, Drag for a Run", "Divide Circuit", "Prefer Over", "Other Hand"} <= set(
        words["BREAK"]
    )


def test_the_icon_is_the_one_its_script_draws():
    folder = Path(blender_addon.__file__).parent / "icons"
    spec = importlib.util.spec_from_file_location("draw_icon", folder / "draw_icon.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert Path(draw_tool.DrawOnKnot.bl_icon + ".dat").read_bytes() == module.packed()


def test_guides_show_while_drawing_and_the_rest_where_it_is_switched_on():
    settings = bpy.context.scene.relief_knot_overlay
    assert overlay.kinds_wanted(settings, drawing=True) == ["layout", "sites", "breaks", "wishes"]
    assert overlay.kinds_wanted(settings, drawing=False) == []
    settings.heights = settings.findings = True
    assert overlay.kinds_wanted(settings, drawing=False) == ["heights", "findings"]
    settings.guides, settings.sites = "ALWAYS", False
    assert overlay.kinds_wanted(settings, drawing=False) == ["heights", "layout", "breaks", "wishes", "findings"]


def test_a_line_of_sight_along_the_knot_meets_nothing(knot):
    along = knot.matrix_world.to_3x3() @ Vector((1, 1, 0))
    assert pointing.meet_plane(knot, (0, 0, 0), along) is None


def test_the_buttons_that_take_the_tool_need_a_3d_view_and_a_knot(knot):
    assert not bpy.ops.mesh.relief_knot_work.poll()


@pytest.mark.parametrize("turn", [0.0, 1.2, 2.6])
def test_the_place_pressed_is_found_from_any_side(knot, turn):
    knot.matrix_world = Matrix.Rotation(turn, 4, "X") @ Matrix.Rotation(0.7, 4, "Z") @ Matrix.Scale(2.0, 4)
    bpy.context.view_layer.update()
    aim = knot.matrix_world @ Vector((0.015, 0.010, 0.0))
    eye = knot.matrix_world @ Vector((0.05, -0.2, 0.3))
    point = pointing.meet_plane(knot, eye, aim - eye)
    assert gestures.Stroke(PLAIN, Job.BREAK, point).site == (3, 2)


@pytest.mark.parametrize(
    "kind", [draw_settings.ReliefKnotTool, overlay.ReliefKnotOverlay, draw_tool.MESH_OT_relief_knot_draw]
)
def test_every_setting_says_what_it_does(kind):
    own = list(kind.__annotations__)
    shown = bpy.ops.mesh.relief_knot_draw.get_rna_type() if kind is draw_tool.MESH_OT_relief_knot_draw else kind.bl_rna
    assert own
    for name in own:
        prop = shown.properties[name]
        assert prop.name and prop.description and not prop.description.endswith("."), name
        if prop.type == "ENUM":
            assert all(item.description for item in prop.enum_items), name
