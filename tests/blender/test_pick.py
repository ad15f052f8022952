"""The pick tool without a window: what a line of sight meets, what a click means, what the status bar says."""

from __future__ import annotations

import bpy
import pytest
from mathutils import Matrix, Vector

from blender_addon import ops_edit, ops_pick, store
from knotgeom.design import Design, Grid, Pass, Site, Way


@pytest.fixture
def plait():
    """A plain 4 x 3 plait with cells of 10 mm, turned and moved."""
    from blender_addon.ops_add import new_knot

    obj = new_knot(bpy.context, Design(Grid(4, 3, 10.0, 10.0)), "Plait")
    obj.matrix_world = Matrix.Translation((0.2, -0.1, 0.3)) @ Matrix.Rotation(0.8, 4, "X") @ Matrix.Rotation(2, 4, "Z")
    bpy.context.view_layer.update()
    return obj


@pytest.mark.parametrize("eye", [(0.1, 0.05, 0.4), (-0.3, 0.2, 0.2), (0.02, 0.02, -0.5)])
def test_a_line_of_sight_from_any_side_meets_the_place_it_aims_at(plait, eye):
    aim = plait.matrix_world @ Vector((0.0154, 0.0203, 0))
    start = plait.matrix_world @ Vector(eye)
    assert ops_pick.meet_plane(plait, start, aim - start) == pytest.approx((15.4, 20.3), abs=1e-3)


def test_a_line_of_sight_along_the_knot_meets_nothing(plait):
    along = plait.matrix_world.to_3x3() @ Vector((1, 1, 0))
    assert ops_pick.meet_plane(plait, (0, 0, 0), along) is None


def act(obj, job, point, shift=False):
    """One click of the pick tool."""
    return ops_edit.apply(obj, ops_pick.Pick(job).click(shift)[1], point)


def test_clicks_set_turn_and_clear_breaks(plait):
    assert act(plait, "BREAK", (15.2, 9.8)) == "Horizontal break at [3, 2]"
    assert store.design_of(plait).breaks.horizontal == (Site(3, 2),)
    assert act(plait, "BREAK", (15.2, 9.8), shift=True) == "Vertical break at [3, 2]"
    assert store.design_of(plait).breaks.vertical == (Site(3, 2),)
    assert act(plait, "BREAK", (15.2, 9.8), shift=True) == "Break cleared at [3, 2]"


def test_clicks_divide_the_circuit_or_the_one_crossing(plait):
    assert act(plait, "DIVIDE", (16, 11)).startswith("Circuit divided")
    assert store.design_of(plait).divide.circuits == (Pass(3, 2, Way.RISING),)
    assert act(plait, "DIVIDE", (16, 11)).startswith("Circuit made one")
    assert act(plait, "DIVIDE", (16, 11), shift=True).startswith("Pass divided")
    assert store.design_of(plait).divide.passes == (Pass(3, 2, Way.RISING),)


def test_clicks_wish_strands_over_and_leave_cells_out(plait):
    act(plait, "PREFER", (16, 9))
    assert store.design_of(plait).weave.prefer == (Pass(3, 2, Way.FALLING),)
    act(plait, "CELL", (39, 29))
    assert store.design_of(plait).layout.without == ((3, 2),)


def test_a_click_beside_the_knot_is_no_edit(plait):
    text = plait.relief_knot.text
    assert all(act(plait, job, (-40, 8)) is None for job, *_ in ops_pick.JOBS)
    assert plait.relief_knot.text == text


def test_the_status_bar_names_the_gestures_and_what_lies_under_the_pointer(plait):
    design = store.design_of(plait)
    for job, *_ in ops_pick.JOBS:
        line = ops_pick.Pick(job).status(design, None)
        assert "Click" in line and "Esc" in line
    assert "site [3, 2]" in ops_pick.Pick("BREAK").status(design, (15.2, 9.8))
    assert "rising strand at [3, 2]" in ops_pick.Pick("DIVIDE").status(design, (16, 11))
    assert "no site here" in ops_pick.Pick("BREAK").status(design, (-40, 8))


def test_the_tool_needs_a_3d_view_and_a_knot(plait):
    assert not bpy.ops.mesh.relief_knot_pick.poll()
