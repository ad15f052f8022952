"""Layouts of every kind in Blender: the sidebar's settings, knots on mesh objects, joining, strokes and lines."""

from __future__ import annotations

import math
from dataclasses import replace

import bmesh
import bpy
import numpy as np
import pytest

from blender_addon import (
    draw_settings,
    draw_tool,
    gestures,
    ops_layout,
    overlay_lines,
    pointing,
    rebuild,
    setting_out,
    store,
    ui,
)
from knotgeom import design as d
from knotgeom import editing
from knotgeom.made import make
from knotgeom.symmetry import Symmetry

RING = d.Design(d.Ring(12, 2, 20.0, 32.0))
CROSSED = d.Design(d.Ring(9, 1, 12.0, 20.0, outer_edge=d.Rim.CROSSED))
WHEEL = d.Design(d.Ring(8, 2, 0.0, 24.0))
BOSS = d.Design(d.Ring(16, 3, 20.0, 60.0, surface=d.Dome(12.0)))
FLAT = d.Design(d.Strip(4, 2, 8.0, 8.0, repeats=3))
BANGLE = d.Design(d.Strip(4, 2, 8.0, 8.0, repeats=3, surface=d.Cylinder()))
BEAD = d.Design(d.Strip(12, 2, 4.0, 4.0, surface=d.Sphere(18.0)))
FRAME = d.Design(d.Border((4, 2), 2, 8.0))
MITRED = d.Design(d.Border((4, 2), 2, 8.0, corners=d.Corners.MITRED))
HEXAGON = d.Design(d.Border((3, 6), 2, 8.0, polygon=True))
COMB = d.Design(setting_out.honeycomb(10.0))
ALL = {
    "ring": RING,
    "crossed ring": CROSSED,
    "wheel": WHEEL,
    "boss": BOSS,
    "flat strip": FLAT,
    "bangle": BANGLE,
    "bead": BEAD,
    "frame": FRAME,
    "mitred frame": MITRED,
    "hexagon": HEXAGON,
    "honeycomb": COMB,
}


def layout_of(obj):
    return store.design_of(obj).layout


# --- lines and strokes -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("design", ALL.values(), ids=ALL)
def test_every_site_has_a_mark_and_every_circuit_runs_through_its_crossings(design):
    sites = list(editing.sites(design.layout))
    repeats = getattr(design.layout, "repeats", 1)
    marks = overlay_lines.site_marks(design)
    assert len(marks) == 2 * len(sites) * repeats
    plan = overlay_lines.plan(design)
    assert len(plan.circuits) == make(design, fine=False).facts["circuits"]
    for site in sites:
        at = np.array(setting_out.place(design, site))
        for way in d.Way:
            line = plan.laid(overlay_lines.chain(plan.pieces[d.Pass(*site, way)])).reshape(-1, len(at))
            assert np.linalg.norm(line - at, axis=1).min() < 0.06 * setting_out.unit(design)


@pytest.mark.parametrize("design", ALL.values(), ids=ALL)
def test_lines_of_circuits_have_no_leaps_and_lie_within_the_box(design):
    low, high = setting_out.bounds(design)
    unit = setting_out.unit(design)
    for _, pieces, _, _ in overlay_lines.circuit_lines(design):
        assert np.linalg.norm(pieces[:, 1] - pieces[:, 0], axis=1).max() < 1.5 * unit
        dims = pieces.shape[-1]
        assert (pieces > low[:dims] - unit).all() and (pieces < high[:dims] + unit).all()


@pytest.mark.parametrize("design", [BOSS, BANGLE, BEAD], ids=["boss", "bangle", "bead"])
def test_lines_on_curved_layouts_lie_on_their_surface(design):
    drawn = np.concatenate([*overlay_lines.layout_lines(design), overlay_lines.site_marks(design)]).reshape(-1, 3)
    if design is BANGLE:
        away = np.hypot(drawn[:, 0], drawn[:, 2]) - 12 * 8.0 / (2 * math.pi)
    elif design is BEAD:
        away = np.linalg.norm(drawn, axis=1) - 9.0
    else:
        radius = (60.0**2 + 12.0**2) / (2 * 12.0)  # of the sphere with this rise over this span
        away = np.linalg.norm(drawn - [0.0, 0.0, 12.0 - radius], axis=1) - radius
    assert np.abs(away).max() < 0.03 * setting_out.unit(design)


@pytest.mark.parametrize("design", ALL.values(), ids=ALL)
def test_a_click_on_a_site_sets_a_break_there_and_more_clicks_clear_it_again(design):
    for site in list(editing.sites(design.layout))[::7]:
        at, now = setting_out.place(design, site), design
        possible = setting_out.lines_for(design, site)
        for line in [*possible, None]:
            stroke = gestures.Stroke(now, gestures.Job.BREAK, at)
            assert stroke.site == site
            now = stroke.result()[0].design
            assert editing.break_at(now, site) is line
        assert now == design


@pytest.mark.parametrize("design", [RING, BOSS, BANGLE], ids=["ring", "boss", "bangle"])
def test_a_stroke_round_a_ring_walls_off_its_row(design):
    wide = 2 * design.layout.columns if isinstance(design.layout, d.Strip) else 2 * design.layout.sectors
    row = [setting_out.place(design, d.Site(x, 2)) for x in range(1, min(wide, 8), 2)]
    stroke = gestures.Stroke(design, gestures.Job.BREAK, row[0])
    for at in row[1:]:
        stroke.move(at)
    assert stroke.lines == {d.Site(x, 2): editing.Line.HORIZONTAL for x in range(1, min(wide, 8), 2)}
    assert stroke.result()[0].design.breaks.horizontal == tuple(stroke.lines)


@pytest.mark.parametrize("design", [BOSS, BANGLE, BEAD], ids=["boss", "bangle", "bead"])
def test_a_ray_at_a_site_of_a_curved_layout_meets_it_on_the_near_side(design):
    seen = setting_out.seen(design.layout)
    for edge in range(0, len(seen.middle), 5):
        hit = pointing.meet_surface(design.layout, seen.middle[edge] + 100 * seen.up[edge], -seen.up[edge])
        assert math.dist(hit, seen.middle[edge]) < 1e-6
    assert pointing.meet_surface(design.layout, np.array([500.0, 500.0, 500.0]), np.array([1.0, 0.0, 0.0])) is None


def test_walls_follow_edges_or_cross_them():
    along = replace(COMB, breaks=d.Breaks(along=(0,), across=(1,)))
    walls = overlay_lines.walls(along, overlay_lines.breaks_of(along))
    seen = setting_out.seen(COMB.layout)
    ways = walls[:, 1] - walls[:, 0]
    assert np.abs(ways[:-1] @ seen.across[0, :2]).max() < 1e-9, "the first wall runs along its edge"
    assert abs(ways[-1] @ seen.forth[1, :2]) < 1e-9, "the other one across"


@pytest.mark.parametrize(
    ("design", "order", "images"),
    [
        (RING, 3, {(5, 2), (13, 2), (21, 2)}),  # 12 sectors are 24 half cells round
        (RING, 5, {(5, 2), (11, 2), (17, 2), (23, 2)}),  # 5 does not divide 12; of 4 and 6 the lower
        (BANGLE, 4, {(1, 2), (3, 2), (5, 2), (7, 2)}),  # within the repeat, which holds for all of them
        (HEXAGON, 2, {(5, 2), (23, 2)}),
        (FRAME, 3, {(5, 2)}),  # square corners make a grid, which does not go round
        (COMB, 3, {(0, d.FREE)}),
    ],
    ids=["ring", "ring, nearest", "bangle", "hexagon", "frame", "honeycomb"],
)
def test_a_click_repeated_round_sets_as_many_breaks(design, order, images):
    manner = gestures.Manner(symmetries=frozenset({Symmetry.ROUND}), order=order)
    at = setting_out.place(design, d.Site(*min(images)))
    stroke = gestures.Stroke(design, gestures.Job.BREAK, at, manner=manner)
    after = stroke.result()[0].design
    assert set(stroke.lines) == images
    assert {site for site in editing.sites(after.layout) if editing.break_at(after, site)} == images


@pytest.mark.parametrize("job", [gestures.Job.DIVIDE, gestures.Job.OVER])
def test_a_strand_of_a_ring_is_divided_or_wished_over_all_round_it(job):
    manner = gestures.Manner(symmetries=frozenset({Symmetry.ROUND}), order=4)
    stroke = gestures.Stroke(RING, job, setting_out.place(RING, d.Site(5, 2)), manner=manner)
    assert stroke.passes == tuple(d.Pass(x, 2, stroke.at.way) for x in (5, 11, 17, 23))


def test_a_mirror_of_a_mitred_frame_keeps_walls_along_the_frame():
    manner = gestures.Manner(symmetries=frozenset({Symmetry.LEFT_RIGHT, Symmetry.UP_DOWN}))
    at = setting_out.place(MITRED, d.Site(3, 2))
    stroke = gestures.Stroke(MITRED, gestures.Job.BREAK, at, manner=manner)
    places = {tuple(np.round(setting_out.place(MITRED, site), 6)) for site in stroke.lines}
    low, high = setting_out.bounds(MITRED)
    middle = (low + high)[:2] / 2
    assert len(places) == 4 and len(set(stroke.lines.values())) == 1
    mirrored = [tuple(np.round(2 * middle - place, 6)) for place in places]
    assert set(mirrored) == places


def test_a_stroke_repeated_round_is_one_step_of_undo(knot):
    store.write(knot, RING)
    rebuild.rebuild(knot)
    settings = bpy.context.scene.relief_knot_tool
    settings.around, settings.order = True, "3"
    bpy.ops.ed.undo_push(message="start")
    at = setting_out.place(RING, d.Site(5, 2))
    assert draw_tool.commit(knot, draw_tool.begin(knot, settings, at))
    bpy.ops.ed.undo_push(message="Set Breaks")
    name = knot.name
    assert set(store.design_of(knot).breaks.horizontal) == {(5, 2), (13, 2), (21, 2)}
    bpy.ops.ed.undo()
    assert store.design_of(bpy.data.objects[name]) == RING


def test_the_tool_offers_the_numbers_round_that_the_layout_has(knot):
    settings = bpy.context.scene.relief_knot_tool
    store.write(knot, RING)
    settings.order = "4"
    with pytest.raises(TypeError, match="'2', '3', '4', '6', '12'"):
        settings.order = "5"
    assert settings.order == "4"
    store.write(knot, CROSSED)  # of nine sectors
    assert settings.order == "3", "the nearest that it has"
    store.write(knot, RING)
    assert settings.order == "4", "what was chosen is not lost"


class Drawn:
    """Stands for a layout of Blender's interface and notes which settings are drawn, and which of them live."""

    def __init__(self, found):
        self.found, self.active = found, True

    def row(self, **_options):
        return Drawn(self.found)

    column = row

    def prop(self, _data, name, **_options):
        self.found[name] = self.active


@pytest.mark.parametrize(
    ("design", "live"),
    [
        (RING, {"left_right", "up_down", "half_turn", "quarter_turn", "around", "order"}),
        (CROSSED, {"up_down", "around", "order"}),  # nine sectors: one mirror, through a sector and the joint opposite
        (BANGLE, {"left_right", "up_down", "half_turn", "around", "order"}),
        (FRAME, {"left_right", "up_down", "half_turn"}),
        (COMB, set()),
    ],
    ids=["ring", "nine sectors", "bangle", "frame", "honeycomb"],
)
def test_switches_that_the_layout_has_no_use_for_are_grey(knot, design, live):
    store.write(knot, design)
    bpy.context.scene.relief_knot_tool.around = True
    found = {}
    draw_settings.show_symmetry(Drawn(found), bpy.context)
    assert set(found) == {*draw_settings.SWITCHES, "order"}
    assert {name for name, active in found.items() if active} == live


def test_the_header_says_how_often_a_stroke_is_drawn():
    settings = bpy.context.scene.relief_knot_tool
    settings.around, settings.wished_order = True, 6
    said = {name: draw_settings.symmetry_words(settings, design.layout) for name, design in ALL.items()}
    assert said["ring"] == "Symmetry: 6 times" and said["bangle"] == "Symmetry: 4 times"
    assert said["frame"] == said["honeycomb"] == "Symmetry"


# --- the sidebar -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["RING", "STRIP", "BORDER", "MESH"])
def test_another_kind_of_layout_makes_a_knot_and_says_what_had_to_go(knot, kind):
    bpy.ops.mesh.relief_knot_divide(point=(7.0, 7.0), whole=False)
    knot.relief_knot.kind = kind
    settings = knot.relief_knot
    assert settings.kind == kind and setting_out.kind_of(layout_of(knot)) == kind
    assert not settings.error and len(knot.data.vertices)
    for names in ui.layout_settings(settings):
        for name in names:
            assert settings.bl_rna.properties[name].description
            getattr(settings, name)
    if kind == "MESH":
        assert "Gone with this change" in settings.note
    settings.kind = "GRID"
    assert isinstance(layout_of(knot), d.Grid) and not settings.error


def test_the_settings_of_a_ring_are_lengths_of_the_scene(knot):
    settings = knot.relief_knot
    settings.kind = "RING"
    settings.sectors, settings.rows, settings.outer, settings.inner = 10, 2, 0.04, 0.02
    settings.outer_edge, settings.dome = "CROSSED", 0.004
    assert layout_of(knot) == d.Ring(10, 2, 20.0, 40.0, outer_edge=d.Rim.CROSSED, surface=d.Dome(4.0))
    settings.inner = 0.05
    assert "inner radius" in settings.error and layout_of(knot).inner == 20.0, "an impossible ring is refused"
    settings.dome, settings.inner = 0.0, 0.0
    assert layout_of(knot).surface is None and layout_of(knot).inner == 0.0 and not settings.error


def test_a_strip_is_bent_round_to_a_bangle_and_a_bead(knot):
    settings = knot.relief_knot
    settings.kind = "STRIP"
    settings.columns, settings.rows, settings.repeats = 4, 2, 3
    settings.cell_width = settings.cell_height = 0.008
    settings.width = 0.0036
    settings.surface = "CYLINDER"
    radius = 12 * 0.008 / (2 * math.pi)
    points = np.array([vertex.co for vertex in knot.data.vertices])
    away = np.hypot(points[:, 0], points[:, 2])
    assert not settings.error and away.min() > 0.8 * radius and away.max() < 1.2 * radius
    settings.surface = "SPHERE"
    settings.diameter = 0.03
    assert layout_of(knot).surface == d.Sphere(30.0)


def test_a_frame_becomes_mitred_and_a_polygon(knot):
    settings = knot.relief_knot
    settings.kind = "BORDER"
    settings.inside_columns, settings.inside_rows, settings.deep = 5, 3, 2
    settings.frame_corners = "MITRED"
    assert layout_of(knot).inside == (5, 3) and layout_of(knot).corners is d.Corners.MITRED
    settings.polygon = True
    settings.sides = 8
    assert layout_of(knot).inside == (5, 8) and layout_of(knot).polygon and not settings.error


# --- mesh objects ----------------------------------------------------------------------------------------------------


def plate(columns=3, rows=2, side=0.01):
    """A plate of square faces, active."""
    corners = [(x * side, y * side, 0.0) for y in range(rows + 1) for x in range(columns + 1)]
    wide = columns + 1
    faces = [
        (y * wide + x, y * wide + x + 1, (y + 1) * wide + x + 1, (y + 1) * wide + x)
        for y in range(rows)
        for x in range(columns)
    ]
    return mesh_object(corners, faces)


def mesh_object(corners, faces):
    mesh = bpy.data.meshes.new("Plate")
    mesh.from_pydata(corners, [], faces)
    obj = bpy.data.objects.new("Plate", mesh)
    bpy.context.collection.objects.link(obj)
    bpy.context.view_layer.objects.active = obj
    obj.select_set(True)
    bpy.context.view_layer.update()
    return obj


def knot_on(base, **settings):
    bpy.context.view_layer.objects.active = base
    assert bpy.ops.mesh.relief_knot_on_mesh(**settings) == {"FINISHED"}
    return bpy.context.object


def edit_edges(base, state, wanted):
    """Set the state of the edges of which ``wanted(edge)`` holds, as a person does in Edit Mode."""
    for obj in bpy.data.objects:
        obj.select_set(obj == base)
    bpy.context.view_layer.objects.active = base
    bpy.ops.object.mode_set(mode="EDIT")
    mesh = bmesh.from_edit_mesh(base.data)
    for part in (*mesh.verts, *mesh.edges, *mesh.faces):
        part.select_set(False)
    for edge in mesh.edges:
        if wanted(edge):
            edge.select_set(True)
    bmesh.update_edit_mesh(base.data)
    result = bpy.ops.mesh.relief_knot_edges(state=state)
    bpy.ops.object.mode_set(mode="OBJECT")
    return result


def test_a_knot_on_a_plate_of_squares_counts_as_the_grid_does():
    knot = knot_on(plate())
    facts = store.report_of(knot)["facts"]
    grid = make(d.Design(d.Grid(3, 2, 10.0, 10.0)), fine=False).facts
    assert {key: facts[key] for key in ("crossings", "circuits")} == {
        key: grid[key] for key in ("crossings", "circuits")
    }
    assert setting_out.bounds(store.design_of(knot))[1].tolist() == pytest.approx([30.0, 20.0, 0.0])


def test_breaks_are_set_on_selected_edges_and_survive_editing():
    base = plate()
    knot = knot_on(base)
    inner = [edge for edge in base.data.edges if set(edge.vertices) == {1, 5}]
    assert len(inner) == 1
    assert edit_edges(base, "ALONG", lambda edge: {v.index for v in edge.verts} == {1, 5}) == {"FINISHED"}
    design = store.design_of(knot)
    assert len(design.breaks.along) == 1 and store.report_of(knot)["facts"]["crossings"] == 6
    for vertex in base.data.vertices:
        vertex.co.x *= 1.5
    base.data.update()
    bpy.context.view_layer.update()
    assert len(store.design_of(knot).breaks.along) == 1
    assert setting_out.bounds(store.design_of(knot))[1][0] == pytest.approx(45.0), "the knot followed"
    assert edit_edges(base, "ACROSS", lambda edge: {v.index for v in edge.verts} == {1, 5}) == {"FINISHED"}
    assert len(store.design_of(knot).breaks.across) == 1 and not store.design_of(knot).breaks.along
    assert edit_edges(base, "CROSSING", lambda edge: True) == {"FINISHED"}
    assert store.design_of(knot).breaks == d.Breaks()


def test_the_knot_goes_where_its_layout_object_goes_and_grows_with_it_in_millimetres():
    base = plate()
    knot = knot_on(base)
    base.location, base.rotation_euler = (0.1, 0.2, 0.3), (0.0, 0.0, math.pi / 2)
    bpy.context.view_layer.update()
    assert tuple(knot.matrix_world.translation) == pytest.approx((0.1, 0.2, 0.3))
    assert knot.matrix_world.to_euler().z == pytest.approx(math.pi / 2)
    base.scale = (2.0, 2.0, 2.0)
    bpy.context.view_layer.update()
    bpy.context.view_layer.update()
    assert setting_out.bounds(store.design_of(knot))[1].tolist() == pytest.approx([60.0, 40.0, 0.0])
    assert tuple(knot.matrix_world.to_scale()) == pytest.approx((1.0, 1.0, 1.0)), "the strand keeps its millimetres"


def test_the_scale_of_the_scene_is_respected():
    bpy.context.scene.unit_settings.scale_length = 0.001
    knot = knot_on(plate(side=10.0))
    assert setting_out.bounds(store.design_of(knot))[1].tolist() == pytest.approx([30.0, 20.0, 0.0])


def test_dividing_stays_on_its_edge_when_the_mesh_gains_faces():
    base = plate()
    knot = knot_on(base)
    bpy.context.view_layer.objects.active = knot
    bpy.ops.mesh.relief_knot_divide(point=(10.0, 5.0), whole=False)
    design = store.design_of(knot)
    (at,) = design.divide.passes
    place = setting_out.place(design, at.site)
    bpy.context.view_layer.objects.active = base
    mesh = bmesh.new()
    mesh.from_mesh(base.data)
    mesh.faces.ensure_lookup_table()
    bmesh.ops.poke(mesh, faces=[mesh.faces[5]])
    mesh.to_mesh(base.data)
    mesh.free()
    base.data.update()
    bpy.context.view_layer.update()
    after = store.design_of(knot)
    assert len(after.layout.faces) == 9
    (now,) = after.divide.passes
    assert setting_out.place(after, now.site) == pytest.approx(place)


def test_a_crossed_boundary_gives_a_triangle_the_trefoil():
    side = 0.03
    base = mesh_object([(0, 0, 0), (side, 0, 0), (side / 2, side * 0.866, 0)], [(0, 1, 2)])
    facts = store.report_of(knot_on(base, boundary="CROSSED"))["facts"]
    assert (facts["crossings"], facts["circuits"]) == (3, 1)


def test_a_mesh_with_three_faces_on_an_edge_is_refused_by_name_and_the_edge_selected():
    base = mesh_object(
        [(0, 0, 0), (0.01, 0, 0), (0, 0.01, 0), (0, -0.01, 0), (0, 0, 0.01)], [(0, 1, 2), (1, 0, 3), (0, 1, 4)]
    )
    with pytest.raises(RuntimeError, match="more than two faces: 0-1"):
        bpy.ops.mesh.relief_knot_on_mesh()
    assert "0-1" in bpy.context.window_manager.relief_knot.notice
    assert [tuple(sorted(edge.vertices)) for edge in base.data.edges if edge.select] == [(0, 1)]


def test_a_band_with_one_side_is_refused():
    count, corners, faces = 8, [], []
    for k in range(count):
        turn = 2 * math.pi * k / count
        for end in (-1, 1):
            far = 0.03 + 0.008 * end * math.cos(turn / 2)
            corners.append((far * math.cos(turn), far * math.sin(turn), 0.008 * end * math.sin(turn / 2)))
        a, b = 2 * k, 2 * k + 1
        c, e = (2 * k + 2, 2 * k + 3) if k < count - 1 else (1, 0)
        faces.append((a, b, e, c))
    mesh_object(corners, faces)
    with pytest.raises(RuntimeError, match="one side only"):
        bpy.ops.mesh.relief_knot_on_mesh()


def test_a_cube_carries_a_weave_on_its_faces():
    bpy.ops.mesh.primitive_cube_add(size=0.03)
    knot = knot_on(bpy.context.object)
    facts = store.report_of(knot)["facts"]
    # the cuboctahedron's four hexagonal circles: 12 crossings on the cube's 12 edges
    assert (facts["crossings"], facts["circuits"]) == (12, 4) and not knot.relief_knot.error


def test_only_layout_objects_are_watched():
    base = plate()
    assert ops_layout.followers_of(base) == []
    knot = knot_on(base)
    assert ops_layout.followers_of(base) == [knot] and base.get(ops_layout.STATE)
    assert not ops_layout.follow(knot), "nothing changed, nothing is done"


# --- joining ---------------------------------------------------------------------------------------------------------


def grid_knot(columns, rows, at=(0.0, 0.0), turn=0.0, mirror=False):
    """A knot of 10 mm cells, its lower left corner at ``at`` mm, turned by quarter turns."""
    bpy.ops.mesh.relief_knot_add(purpose="DRAWING", columns=columns, rows=rows, cell=0.01)
    obj = bpy.context.object
    obj.location = (at[0] / 1000, at[1] / 1000, 0.0)
    obj.rotation_euler.z = turn
    obj.scale.x = -1.0 if mirror else 1.0
    bpy.context.view_layer.update()
    return obj


def join(*objects, **settings):
    for obj in bpy.data.objects:
        obj.select_set(obj in objects)
    bpy.context.view_layer.objects.active = objects[0]
    bpy.ops.mesh.relief_knot_join(**settings)
    return bpy.context.object


def test_two_knots_side_by_side_become_one_and_the_old_ones_are_hidden():
    a, b = grid_knot(3, 3), grid_knot(3, 3, at=(30.2, -0.1))
    new = join(a, b, joins="ALL")
    assert (layout_of(new).columns, layout_of(new).rows) == (6, 3)
    whole = make(d.Design(d.Grid(6, 3, 10.0, 10.0)), fine=False).facts
    assert store.report_of(new)["facts"]["crossings"] == whole["crossings"]
    assert store.report_of(new)["facts"]["circuits"] == whole["circuits"]
    assert a.hide_get() and b.hide_get() and a.name in bpy.data.objects and b.name in bpy.data.objects


def test_knots_joined_at_the_middle_keep_the_rest_of_the_seam_apart():
    new = join(grid_knot(3, 3), grid_knot(3, 3, at=(30.0, 0.0)), joins="MIDDLE")
    assert sorted(store.design_of(new).breaks.vertical) == [(6, 1), (6, 5)]


@pytest.mark.parametrize(
    ("at", "turn", "mirror"),
    [((30.0, 0.0), 0.0, False), ((70.0, 0.0), math.pi / 2, False), ((60.0, 0.0), 0.0, True)],
    ids=["as it is", "turned", "mirrored"],
)
def test_turned_and_mirrored_knots_lie_in_the_joined_one_as_they_lay(at, turn, mirror):
    a = grid_knot(3, 3)
    a.relief_knot.width = 0.0025
    b = grid_knot(3, 4, at, turn, mirror)
    bpy.ops.mesh.relief_knot_break(point=(15.0, 20.0), line="VERTICAL")
    site = b.matrix_world @ b.matrix_world.__class__.Translation((0.015, 0.02, 0.0)).translation
    new = join(a, b, joins="ALL")
    own = new.matrix_world.inverted() @ site * 1000
    expected = d.Site(round(own.x / 5), round(own.y / 5))
    assert expected in {*store.design_of(new).breaks.vertical, *store.design_of(new).breaks.horizontal}
    assert not new.relief_knot.error


def test_knots_that_do_not_touch_or_lie_aslant_are_not_joined():
    a, b = grid_knot(3, 3), grid_knot(3, 3, at=(50.0, 0.0))
    with pytest.raises(RuntimeError, match="touch nowhere"):
        join(a, b)
    b.rotation_euler.z = 0.4
    bpy.context.view_layer.update()
    with pytest.raises(RuntimeError, match="quarter turns"):
        join(a, b)
    assert not a.hide_get()
