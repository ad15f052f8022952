"""Edits at a place: what the buttons for the 3D cursor do to a design."""

from __future__ import annotations

import bpy
import pytest
from mathutils import Matrix

from blender_addon import ops_edit, store
from knotgeom.design import Design, Grid, Pass, Site, Way


@pytest.fixture
def plait():
    """A plain 4 x 3 plait with cells of 10 mm, turned and moved."""
    from blender_addon.ops_add import new_knot

    obj = new_knot(bpy.context, Design(Grid(4, 3, 10.0, 10.0)), "Plait")
    obj.matrix_world = Matrix.Translation((0.2, -0.1, 0.3)) @ Matrix.Rotation(0.8, 4, "X") @ Matrix.Rotation(2, 4, "Z")
    bpy.context.view_layer.update()
    return obj


def act(obj, edit, point, *how):
    """One edit at a point."""
    return ops_edit.apply(obj, lambda design, at: edit(design, at, *how), point)


def test_breaks_are_set_turned_and_cleared(plait):
    assert act(plait, ops_edit.break_near, (15.2, 9.8), "HORIZONTAL") == "Horizontal break at [3, 2]"
    assert store.design_of(plait).breaks.horizontal == (Site(3, 2),)
    assert act(plait, ops_edit.break_near, (15.2, 9.8), "VERTICAL") == "Vertical break at [3, 2]"
    assert store.design_of(plait).breaks.vertical == (Site(3, 2),)
    assert act(plait, ops_edit.break_near, (15.2, 9.8), "VERTICAL") == "Break cleared at [3, 2]"


def test_the_circuit_or_the_one_crossing_is_divided(plait):
    assert act(plait, ops_edit.divide_near, (16, 11), True).startswith("Circuit divided")
    assert store.design_of(plait).divide.circuits == (Pass(3, 2, Way.RISING),)
    assert act(plait, ops_edit.divide_near, (16, 11), True).startswith("Circuit made one")
    assert act(plait, ops_edit.divide_near, (16, 11), False).startswith("Pass divided")
    assert store.design_of(plait).divide.passes == (Pass(3, 2, Way.RISING),)


def test_strands_are_wished_over_and_cells_left_out(plait):
    act(plait, ops_edit.prefer_near, (16, 9))
    assert store.design_of(plait).weave.prefer == (Pass(3, 2, Way.FALLING),)
    act(plait, ops_edit.cell_near, (39, 29))
    assert store.design_of(plait).layout.without == ((3, 2),)


def test_beside_the_knot_there_is_nothing_to_edit(plait):
    text = plait.relief_knot.text
    assert act(plait, ops_edit.break_near, (-40, 8), "HORIZONTAL") is None
    assert act(plait, ops_edit.divide_near, (-40, 8), True) is None
    assert act(plait, ops_edit.prefer_near, (-40, 8)) is None
    assert act(plait, ops_edit.cell_near, (-40, 8)) is None
    assert plait.relief_knot.text == text
