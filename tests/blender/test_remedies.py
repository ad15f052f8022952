"""One click mends a weave or joins its circuits, and one undo takes that back."""

from __future__ import annotations

import bpy
import pytest

from blender_addon import ops_remedies, store, translations
from blender_addon.core import counting
from blender_addon.core import design as d


def on(obj, design):
    """Put a design on the knot."""
    from blender_addon import rebuild

    assert rebuild.change(obj, lambda _: design)


def exceptions(obj):
    return counting.count(store.design_of(obj)).weaving.exceptions


def circuits(obj):
    return counting.count(store.design_of(obj)).circuits.count


FAILING = d.Design(
    d.Grid(4, 4, 10.0, 10.0),
    divide=d.Divide(passes=(d.Pass(3, 2, d.Way.RISING), d.Pass(6, 5, d.Way.FALLING), d.Pass(2, 5, d.Way.RISING))),
)


def test_mending_leaves_fewer_exceptions_and_undoing_brings_them_back(knot):
    on(knot, FAILING)
    before = exceptions(knot)
    assert before > 0
    bpy.ops.ed.undo_push(message="before")
    assert bpy.ops.mesh.relief_knot_mend_weave("EXEC_DEFAULT", True) == {"FINISHED"}
    assert exceptions(bpy.context.object) < before
    bpy.ops.ed.undo()
    assert store.design_of(bpy.context.object).divide == FAILING.divide


def test_a_weave_that_alternates_is_left_as_it_is(knot):
    on(knot, d.Design(d.Grid(3, 3, 10.0, 10.0)))
    kept = store.design_of(knot)
    assert bpy.ops.mesh.relief_knot_mend_weave() == {"CANCELLED"}
    assert store.design_of(knot) == kept


@pytest.mark.parametrize("layout", [d.Grid(4, 4, 10.0, 10.0), d.Ring(12, 2, 20.0, 32.0)])
def test_circuits_are_joined_to_one_and_parted_again(knot, layout):
    on(knot, d.Design(layout))
    assert circuits(knot) == 4
    assert bpy.ops.mesh.relief_knot_join_circuits() == {"FINISHED"}
    assert circuits(knot) == 1
    breaks = store.design_of(knot).breaks
    assert len(breaks.horizontal) + len(breaks.vertical) == 3
    assert bpy.ops.mesh.relief_knot_join_circuits(count=2) == {"FINISHED"}
    assert circuits(knot) == 2


def test_breaks_keep_the_symmetry_that_is_asked_for(knot):
    on(knot, d.Design(d.Ring(12, 2, 20.0, 32.0)))
    assert bpy.ops.mesh.relief_knot_join_circuits(symmetry={"ROUND"}, order=3) == {"FINISHED"}
    assert circuits(knot) == 1
    for sites in (store.design_of(knot).breaks.horizontal, store.design_of(knot).breaks.vertical):
        assert {d.Site((site.x + 8) % 24, site.y) for site in sites} == set(sites)


def test_a_symmetry_that_the_layout_has_not_got_changes_nothing_and_is_told(knot):
    on(knot, d.Design(d.Grid(4, 6, 10.0, 10.0)))
    kept = store.design_of(knot)
    assert bpy.ops.mesh.relief_knot_join_circuits(symmetry={"QUARTER_TURN"}) == {"CANCELLED"}
    assert store.design_of(knot) == kept and "quarter turn" in knot.relief_knot.error


def test_what_is_said_has_its_german_words():
    for text in (
        "Over and under alternate already",
        "No small change of dividing mends the weave",
        "Passes changed: {}; exceptions left: {}, before: {}",
        "Breaks added: {}; circuits: {}, before: {}",
    ):
        assert text in translations.GERMAN
    assert {cls.bl_label for cls in ops_remedies.CLASSES} <= set(translations.GERMAN)
