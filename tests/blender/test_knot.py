"""A knot on an object: its mesh follows its design, and both survive what Blender does to objects."""

from __future__ import annotations

import math

import bpy
import numpy as np
import pytest

from blender_addon import core, design_props, rebuild, store, units
from knotgeom.design import Design, Grid, Pass, Site, Way
from knotgeom.made import make
from knotgeom.reading import read_text, write_text


def corners(obj):
    """The mesh's vertices in Blender units, (n, 3)."""
    found = np.empty(3 * len(obj.data.vertices), np.float32)
    obj.data.vertices.foreach_get("co", found)
    return found.reshape(-1, 3)


def follows(obj, units_per_mm=0.001):
    """The mesh is that of the design, corner by corner and face by face."""
    mesh = make(store.design_of(obj)).mesh
    indices = np.empty(len(obj.data.loops), np.int32)
    obj.data.loops.foreach_get("vertex_index", indices)
    wanted = np.concatenate([mesh.quads.reshape(-1), mesh.triangles.reshape(-1)])
    return (
        np.array_equal(indices, wanted)
        and np.allclose(corners(obj), mesh.vertices * units_per_mm, rtol=1e-6, atol=1e-6 * units_per_mm)
        and not obj.relief_knot.error
    )


def edges_without_two_faces(obj):
    """How many edges do not join exactly two faces."""
    ends = np.empty(2 * len(obj.data.edges), np.int32)
    obj.data.edges.foreach_get("vertices", ends)
    use = np.empty(len(obj.data.loops), np.int32)
    obj.data.loops.foreach_get("edge_index", use)
    return int((np.bincount(use, minlength=len(obj.data.edges)) != 2).sum())


STARTING = {
    "DRAWING": (10, 5, 2, 0.8),
    "BOARD": (24, 12, 6, 2.5),
    "PENDANT": (7, 3.2, 1.8, 0.6),
    "TRIM": (60, 30, 12, 5),
}
"""Cell, width, thickness and step of each starting set, mm."""


@pytest.mark.parametrize("purpose", STARTING)
def test_each_purpose_starts_with_its_own_sizes_and_a_sound_mesh(purpose):
    assert bpy.ops.mesh.relief_knot_add(purpose=purpose) == {"FINISHED"}
    obj = bpy.context.object
    knot = obj.relief_knot
    assert obj.select_get() and follows(obj)
    shown = [1000 * value for value in (knot.cell_width, knot.width, knot.thickness, knot.step)]
    assert shown == pytest.approx(STARTING[purpose])
    assert edges_without_two_faces(obj) == 0
    assert not obj.data.validate(verbose=True), "Blender found something to repair"


@pytest.mark.parametrize(
    ("system", "scale", "units_per_mm"),
    [("METRIC", 1.0, 0.001), ("METRIC", 0.001, 1.0), ("IMPERIAL", 0.01, 0.1), ("NONE", 1.0, 1.0)],
)
def test_a_millimetre_is_a_millimetre_at_every_scene_scale(system, scale, units_per_mm):
    bpy.context.scene.unit_settings.system = system
    bpy.context.scene.unit_settings.scale_length = scale
    bpy.ops.mesh.relief_knot_add(purpose="PENDANT")
    obj = bpy.context.object
    assert follows(obj, units_per_mm)
    assert obj.relief_knot.width == pytest.approx(3.2 * units_per_mm)
    obj.relief_knot.width = 3.0 * units_per_mm
    assert store.design_of(obj).strand.width == 3.0 and follows(obj, units_per_mm)


def test_another_scene_scale_is_noticed_and_one_click_follows_it(knot):
    bpy.context.scene.unit_settings.scale_length = 0.01
    assert rebuild.is_stale(knot)
    bpy.ops.mesh.relief_knot_update()
    assert not rebuild.is_stale(knot) and follows(knot, 0.1)


def test_a_unitless_scene_can_still_be_measured_in_metres():
    bpy.context.scene.unit_settings.system = "NONE"
    bpy.ops.mesh.relief_knot_add(purpose="PENDANT", measure="SCENE")
    assert follows(bpy.context.object, 0.001)
    assert units.mapping(bpy.context.object.relief_knot, bpy.context.scene).startswith("1 mm = 0.001 units")


def test_location_and_rotation_are_honoured():
    bpy.ops.mesh.relief_knot_add(purpose="PENDANT", location=(1, 2, 3), rotation=(0, 0, math.pi / 2))
    obj = bpy.context.object
    assert tuple(obj.location) == pytest.approx((1, 2, 3))
    assert obj.rotation_euler.z == pytest.approx(math.pi / 2)


EDITS = [
    ("columns", 6, "layout.columns", 6),
    ("rows", 5, "layout.rows", 5),
    ("cell_width", 0.008, "layout.cell_width", 8.0),
    ("cell_height", 0.0075, "layout.cell_height", 7.5),
    ("divide_all", True, "divide.all", True),
    ("rejoin", "BENDS", "divide.rejoin", core.design.Rejoin.BENDS),
    ("gap", 0.0005, "divide.gap", 0.5),
    ("hand", "LEFT", "weave.hand", core.design.Hand.LEFT),
    ("width", 0.0028, "strand.width", 2.8),
    ("thickness", 0.0015, "strand.thickness", 1.5),
    ("section", "PEAKED", "strand.section", core.design.Section.PEAKED),
    ("section", "MEDIAN_INCISED", "strand.section", core.design.Section.MEDIAN_INCISED),
    ("groove_depth", 0.0004, "strand.groove.depth", 0.4),
    ("groove_angle", math.radians(60), "strand.groove.angle_deg", 60.0),
    ("turn_corners", "ROUND", "strand.turns.corners", core.design.Turn.ROUND),
    ("turn_borders", "POINTED", "strand.turns.borders", core.design.Turn.POINTED),
    ("turn_breaks", "POINTED", "strand.turns.breaks", core.design.Turn.POINTED),
    ("way", "CARVED", "heights.way", core.design.Making.CARVED),
    ("clearance", 0.0003, "heights.clearance", 0.3),
    ("step", 0.0005, "heights.step", 0.5),
    ("slope_limit", math.radians(50), "heights.slope_limit_deg", 50.0),
    ("depth_limit", 0.004, "heights.depth_limit", 4.0),
    ("has_slope_limit", True, "heights.slope_limit_deg", 45.0),
]


@pytest.mark.parametrize(("name", "value", "path", "kept"), EDITS)
def test_every_setting_reaches_the_design_and_the_mesh_follows(knot, name, value, path, kept):
    before = store.design_of(knot)
    setattr(knot.relief_knot, name, value)
    found = design_props.look(store.design_of(knot), path)
    assert found == (pytest.approx(kept) if isinstance(kept, float) else kept)
    assert design_props.put(store.design_of(knot), path, design_props.look(before, path)) == before, (
        "nothing else changed"
    )
    shown = getattr(knot.relief_knot, name)
    assert shown == (pytest.approx(value) if isinstance(value, float) else value)
    assert follows(knot)


def test_a_length_left_open_follows_from_others_until_it_is_set():
    obj = new(Design(Grid(3, 3, 10.0, 10.0)))
    assert obj.relief_knot.width == pytest.approx(0.0045)
    obj.relief_knot.cell_width = 0.008
    assert obj.relief_knot.width == pytest.approx(0.0036)
    obj.relief_knot.width = 0.003
    obj.relief_knot.cell_width = 0.01
    assert obj.relief_knot.width == pytest.approx(0.003)
    bpy.ops.mesh.relief_knot_follow(length="width")
    assert obj.relief_knot.width == pytest.approx(0.0045) and follows(obj)


def new(design):
    """A knot of this design."""
    from blender_addon.ops_add import new_knot

    return new_knot(bpy.context, design, "Knot")


@pytest.mark.parametrize("value", [0.05, 0.0, float("nan")])
def test_an_impossible_value_is_answered_in_words_and_the_last_good_mesh_stays(knot, value):
    good, mesh = knot.relief_knot.text, corners(knot)
    knot.relief_knot.width = value
    said = knot.relief_knot.error
    assert said.startswith("strand.width: ") and "give a" in said and "\n" not in said
    assert np.array_equal(corners(knot), mesh)
    if value == 0.05:  # the same words as everywhere else
        with pytest.raises(core.errors.DesignError) as refused:
            make(store.design_of(knot))
        assert said == str(refused.value)
        assert knot.relief_knot.width == pytest.approx(0.05), "the value to be put right stays in sight"
    bpy.ops.mesh.relief_knot_revert()
    assert (knot.relief_knot.text, knot.relief_knot.error) == (good, "") and follows(knot)


def test_an_impossible_value_put_right_takes_its_words_away(knot):
    knot.relief_knot.width = 0.05
    knot.relief_knot.width = 0.003
    assert not knot.relief_knot.error and follows(knot)


def test_a_design_of_a_later_version_is_left_alone_with_a_word_why(knot, tmp_path):
    mesh = corners(knot)
    later = write_text(store.design_of(knot)).replace('"interlace": 1', '"interlace": 99')
    knot.relief_knot.text = later
    reopen(tmp_path)
    obj = bpy.data.objects["Relief Knot"]
    assert "99" in obj.relief_knot.error and obj.relief_knot.text == later
    assert np.array_equal(corners(obj), mesh)


def reopen(folder):
    """Save the file, start another, open the first again."""
    path = str(folder / "kept.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.ops.wm.open_mainfile(filepath=path)


def test_everything_survives_saving_and_opening(knot, tmp_path):
    knot.relief_knot.width = 0.003
    bpy.ops.mesh.relief_knot_divide(point=(3.6, 7.1))
    text, mesh, report = knot.relief_knot.text, corners(knot), knot.relief_knot.report
    reopen(tmp_path)
    obj = bpy.data.objects["Relief Knot"]
    assert (obj.relief_knot.text, obj.relief_knot.report) == (text, report)
    assert np.array_equal(corners(obj), mesh) and not rebuild.is_stale(obj)
    obj.relief_knot.width = 0.0028
    assert follows(obj)


def test_an_error_survives_saving_and_opening(knot, tmp_path):
    knot.relief_knot.width = 0.05
    said = knot.relief_knot.error
    reopen(tmp_path)
    obj = bpy.data.objects["Relief Knot"]
    assert obj.relief_knot.error == said and obj.relief_knot.width == pytest.approx(0.05)


def test_undo_and_redo_take_design_and_mesh_together():
    bpy.ops.ed.undo_push(message="Start")
    bpy.ops.mesh.relief_knot_add("EXEC_DEFAULT", True, purpose="PENDANT")
    texts, counts = [bpy.context.object.relief_knot.text], [len(bpy.context.object.data.vertices)]
    bpy.ops.mesh.relief_knot_break("EXEC_DEFAULT", True, point=(14.0, 10.5), line="VERTICAL")
    texts.append(bpy.context.object.relief_knot.text)
    counts.append(len(bpy.context.object.data.vertices))
    bpy.context.object.relief_knot.columns = 5
    bpy.ops.ed.undo_push(message="Columns")  # as the sidebar does
    assert len({*texts, bpy.context.object.relief_knot.text}) == 3
    for text, count in zip(reversed(texts), reversed(counts), strict=True):
        bpy.ops.ed.undo()
        obj = bpy.context.object
        assert obj.relief_knot.text == text and len(obj.data.vertices) == count
        assert follows(obj) and not rebuild.is_stale(obj)
    bpy.ops.ed.undo()
    assert not bpy.data.objects
    bpy.ops.ed.redo()
    bpy.ops.ed.redo()
    assert bpy.context.object.relief_knot.text == texts[1] and follows(bpy.context.object)


def test_a_duplicate_goes_its_own_way(knot):
    text, mesh = knot.relief_knot.text, corners(knot)
    bpy.ops.object.duplicate()
    copy = bpy.context.object
    copy.relief_knot.columns = 6
    assert follows(copy)
    assert knot.relief_knot.text == text and np.array_equal(corners(knot), mesh)


def test_a_linked_duplicate_gets_its_own_mesh_only_when_it_becomes_another_design(knot):
    mesh = corners(knot)
    bpy.ops.object.duplicate(linked=True)
    copy = bpy.context.object
    bpy.ops.mesh.relief_knot_update()
    assert copy.data == knot.data
    copy.relief_knot.columns = 6
    assert copy.data != knot.data and follows(copy)
    assert np.array_equal(corners(knot), mesh) and follows(knot)
    knot.relief_knot.rows = 3
    assert follows(knot) and follows(copy)


def test_an_appended_knot_is_still_a_knot(knot, tmp_path):
    knot.relief_knot.width = 0.003
    text, path = knot.relief_knot.text, str(tmp_path / "other.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_homefile(use_empty=True)
    with bpy.data.libraries.load(path) as (_, wanted):
        wanted.objects = ["Relief Knot"]
    obj = wanted.objects[0]
    bpy.context.collection.objects.link(obj)
    assert obj.relief_knot.text == text and not rebuild.is_stale(obj)
    obj.relief_knot.columns = 5
    assert follows(obj)


def test_a_knot_linked_from_a_library_is_left_as_it_is(knot, tmp_path):
    text, path = knot.relief_knot.text, str(tmp_path / "library.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_homefile(use_empty=True)
    with bpy.data.libraries.load(path, link=True) as (_, wanted):
        wanted.objects = ["Relief Knot"]
    obj = wanted.objects[0]
    bpy.context.collection.objects.link(obj)
    bpy.context.view_layer.objects.active = obj
    obj.relief_knot.columns = 7
    assert obj.relief_knot.text == text and obj.relief_knot.columns == 4
    assert not bpy.ops.mesh.relief_knot_clear.poll()


def test_materials_modifiers_and_names_stay_when_the_mesh_follows(knot):
    material = bpy.data.materials.new("Silver")
    knot.data.materials.append(material)
    knot.modifiers.new("Bevel", "BEVEL")
    knot.name, knot.data.name = "Brooch", "Brooch Mesh"
    data = knot.data
    knot.relief_knot.columns = 6
    knot.relief_knot.thickness = 0.0015
    assert knot.data == data and list(data.materials) == [material]
    assert [modifier.name for modifier in knot.modifiers] == ["Bevel"]
    assert (knot.name, data.name) == ("Brooch", "Brooch Mesh")


def test_uvs_in_mm_and_the_circuit_of_every_face_are_on_the_mesh(knot):
    mesh = make(store.design_of(knot)).mesh
    for _ in range(2):
        uv = np.empty(2 * len(knot.data.loops), np.float32)
        knot.data.uv_layers.active.uv.foreach_get("vector", uv)
        assert np.allclose(uv.reshape(-1, 2)[: mesh.quad_uv.size // 2], mesh.quad_uv.reshape(-1, 2), atol=1e-4)
        strand = np.empty(len(knot.data.polygons), np.int32)
        knot.data.attributes["strand"].data.foreach_get("value", strand)
        assert np.array_equal(strand, np.concatenate([mesh.quad_strand, mesh.triangle_strand]))
        knot.relief_knot.thickness *= 1.1  # the same faces, written over
        mesh = make(store.design_of(knot)).mesh
    assert len(knot.data.uv_layers) == 1


def test_size_and_normals_that_blender_shows_follow_a_change_of_positions_alone(knot):
    bpy.context.view_layer.update()
    was = tuple(knot.dimensions)
    knot.relief_knot.thickness *= 1.2
    bpy.context.view_layer.update()
    found = corners(knot)
    assert tuple(knot.dimensions) == pytest.approx(tuple(np.ptp(found, axis=0)), rel=1e-5)
    assert tuple(knot.dimensions) != pytest.approx(was, rel=1e-5)
    copy = knot.data.copy()
    copy.validate()
    copy.update()
    for mine, fresh in zip(knot.data.vertices, copy.vertices, strict=True):
        assert (mine.normal - fresh.normal).length < 1e-3


def test_a_smaller_layout_names_what_had_to_go(knot):
    bpy.ops.mesh.relief_knot_clear(what="BREAKS")
    bpy.ops.mesh.relief_knot_break(point=(24.5, 14.0), line="HORIZONTAL")
    assert store.design_of(knot).breaks.horizontal == (Site(7, 4),)
    knot.relief_knot.columns = 3
    assert store.design_of(knot).breaks.horizontal == ()
    assert "breaks.horizontal [7, 4]" in knot.relief_knot.note
    knot.relief_knot.width = 0.003
    assert not knot.relief_knot.note


def test_the_3d_cursor_means_the_site_under_it_wherever_the_knot_lies():
    obj = new(Design(Grid(4, 4, 10.0, 10.0)))
    obj.location, obj.rotation_euler, obj.scale = (1, 2, 3), (0.3, 0.2, 1.1), (2, 2, 2)
    bpy.context.view_layer.update()
    cursor = bpy.context.scene.cursor
    cursor.location = obj.matrix_world @ bpy_vector(15.4, 9.8)
    bpy.ops.mesh.relief_knot_break(line="VERTICAL")
    assert store.design_of(obj).breaks.vertical == (Site(3, 2),)
    cursor.location = obj.matrix_world @ bpy_vector(26.0, 11.0)  # up the rising strand from [5, 2]
    bpy.ops.mesh.relief_knot_divide(whole=False)
    bpy.ops.mesh.relief_knot_prefer()
    design = store.design_of(obj)
    assert design.divide.passes == design.weave.prefer == (Pass(5, 2, Way.RISING),)
    bpy.ops.mesh.relief_knot_cell(point=(35.0, 35.0))
    assert store.design_of(obj).layout.without == ((3, 3),) and follows(obj)


def bpy_vector(x, y):
    """A point of the layout (mm) in the object's own space."""
    from mathutils import Vector

    return Vector((x / 1000, y / 1000, 0))


def test_a_cursor_off_the_knot_changes_nothing(knot):
    text = knot.relief_knot.text
    bpy.context.scene.cursor.location = (5, 5, 0)
    assert bpy.ops.mesh.relief_knot_break() == {"CANCELLED"}
    assert knot.relief_knot.text == text and not knot.relief_knot.error


def test_the_same_edit_twice_is_no_edit(knot):
    text = knot.relief_knot.text
    for name, settings in (
        ("break", {"point": (3.5, 7)}),
        ("divide", {"point": (4, 7.5)}),
        ("cell", {"point": (10, 10)}),
    ):
        for _ in range(2):
            assert getattr(bpy.ops.mesh, f"relief_knot_{name}")(**settings) == {"FINISHED"}
    assert knot.relief_knot.text == text and follows(knot)


def test_clearing_takes_away_one_kind_only(knot):
    bpy.ops.mesh.relief_knot_clear(what="BREAKS")
    bpy.ops.mesh.relief_knot_prefer(point=(4, 7.5))
    bpy.ops.mesh.relief_knot_divide(point=(4, 7.5))
    assert store.design_of(knot).breaks == core.design.Breaks()
    bpy.ops.mesh.relief_knot_clear(what="DIVISIONS")
    design = store.design_of(knot)
    assert not design.divide.circuits and design.weave.prefer


def test_edit_mode_leaves_the_design_alone(knot):
    text = knot.relief_knot.text
    bpy.ops.object.mode_set(mode="EDIT")
    knot.relief_knot.columns = 6
    assert knot.relief_knot.text == text
    assert not bpy.ops.mesh.relief_knot_clear.poll() and not bpy.ops.mesh.relief_knot_add.poll()
    bpy.ops.object.mode_set(mode="OBJECT")


def test_a_very_large_layout_waits_for_its_button(knot):
    mesh = corners(knot)
    knot.relief_knot.columns = 100
    knot.relief_knot.rows = 100
    assert rebuild.is_stale(knot) and not knot.relief_knot.error
    knot.relief_knot.rows = 4
    knot.relief_knot.columns = 4
    assert follows(knot) and np.allclose(corners(knot), mesh)


def test_a_knot_that_is_not_live_waits_too(knot):
    knot.relief_knot.live = False
    knot.relief_knot.thickness = 0.0015
    assert rebuild.is_stale(knot) and not follows(knot)
    knot.relief_knot.live = True
    assert follows(knot)


def test_facts_and_findings_are_at_hand_for_the_panel(knot):
    made = make(store.design_of(knot))
    report = store.report_of(knot)
    assert report["facts"] == {key: value for key, value in made.facts.items() if key != "findings"}
    assert [finding["remedy"] for finding in report["findings"]] == [finding.remedy for finding in made.findings]


def outline_of(points, closed=True):
    """A flat curve with straight sides, selected beside the knot."""
    curve = bpy.data.curves.new("Outline", "CURVE")
    curve.dimensions, curve.fill_mode = "3D", "FULL"
    spline = curve.splines.new("POLY")
    spline.points.add(len(points) - 1)
    for point, (x, y) in zip(spline.points, points, strict=True):
        point.co = (x, y, 0, 1)
    spline.use_cyclic_u = closed
    obj = bpy.data.objects.new("Outline", curve)
    bpy.context.collection.objects.link(obj)
    obj.select_set(True)
    bpy.context.view_layer.update()
    return obj


def test_a_drawn_curve_becomes_the_outline_of_the_strand(knot):
    assert not bpy.ops.mesh.relief_knot_outline.poll()
    outline_of([(0, 0), (4, 0), (3, 1), (2, 2), (1, 1)])
    assert bpy.ops.mesh.relief_knot_outline() == {"FINISHED"}
    assert set(store.design_of(knot).strand.section) == {(0, 0), (1, 0), (0.75, 0.25), (0.5, 0.5), (0.25, 0.25)}
    assert knot.relief_knot.section == "OUTLINE" and follows(knot)
    knot.relief_knot.section = "PEAKED"
    assert knot.relief_knot.section == "PEAKED" and follows(knot)


def test_an_open_curve_is_no_outline(knot):
    text = knot.relief_knot.text
    outline_of([(0, 0), (4, 0), (2, 2)], closed=False)
    with pytest.raises(RuntimeError, match="not one closed line"):
        bpy.ops.mesh.relief_knot_outline()
    assert knot.relief_knot.text == text


def test_a_plain_mesh_has_no_design_left(knot):
    count = len(knot.data.vertices)
    bpy.ops.mesh.relief_knot_plain()
    assert not store.is_knot(knot) and len(knot.data.vertices) == count
    assert not bpy.ops.mesh.relief_knot_clear.poll()


def test_the_design_written_and_read_is_the_design(knot):
    assert read_text(knot.relief_knot.text) == store.design_of(knot)
