"""Findings as things to click on: go and look at the place, or let the remedy be done."""

import math
from dataclasses import replace

import bpy
from bpy.props import FloatProperty, FloatVectorProperty, IntProperty
from mathutils import Vector

from . import core, ops_edit, rebuild, setting_out, store, units
from .translations import said

LABELS = {
    "strand.width": "Width {:g} mm",
    "strand.thickness": "Thickness {:g} mm",
    "divide.gap": "Gap {:g} mm",
    "heights.step": "Step {:g} mm",
    "heights.depth_limit": "Depth Limit {:g} mm",
    "heights.slope_limit_deg": "Slope Limit {:g}\u00b0",
    "breaks": "Take Break Away",
    "divide": "Divide Nothing",
    "layout.cell": "Cells {:g} Times as Large",
    "layout": "Another Layout",
}
"""What the button of a remedy says, by the key that it changes."""

LARGER = 1.1
"""How much larger cells are tried at each step, where no sum says how much larger they need be."""
TRIES = 12


class CannotMend(Exception):  # noqa: N818 - it is no fault
    """The remedy cannot be applied; the message says why."""


def label(key, value):
    """The words on the button of a remedy."""
    if value is None and key == "layout.cell":
        return said("Larger Cells")
    return said(LABELS.get(key, key).format(value))


def mend(design, finding, key, value):
    """The design with one remedy of a finding applied.

    Parameters
    ----------
    finding : dict
        As the report on the object keeps it.
    key, value
        One of its ``changes``.

    Raises
    ------
    CannotMend
    """
    if key == "breaks":
        without = _without_break(design, finding["at"])
        return _larger(design, finding) if without is None else without
    if key == "layout":
        raise CannotMend("No single change mends it; set other breaks there, or choose another layout")
    if key == "divide":
        return replace(design, divide=core.design.Divide())
    if key == "layout.cell":
        return _larger(design, finding) if value is None else core.remedies.enlarged(design, value)
    found = core.remedies.search(design, finding["kind"], core.findings.Change(key, value), core.made.judge)
    if found is None:
        raise CannotMend("No value of it mends this alone; try another remedy, larger cells, or fewer divided passes")
    return core.remedies.applied(design, found)


def _without_break(design, at):
    breaks, free = design.breaks, core.design.FREE
    sites = [*breaks.horizontal, *breaks.vertical]
    sites += [core.design.Site(edge, free) for edge in (*breaks.along, *breaks.across)]
    if not sites or at is None:
        return None
    nearest = min(sites, key=lambda s: math.dist(at[:2], setting_out.place(design, s)[:2]))
    return replace(
        design,
        breaks=core.design.Breaks(
            *(tuple(s for s in each if s != nearest) for each in (breaks.horizontal, breaks.vertical)),
            *(tuple(e for e in each if (e, free) != nearest) for each in (breaks.along, breaks.across)),
        ),
    )


def _larger(design, finding):
    """The layout grown by a tenth until the kind of finding is gone, every length that was left open kept as it is."""
    for _ in range(TRIES):
        design = core.remedies.enlarged(design, LARGER)
        found = core.made.make(design, fine=False).findings
        if not any(other.kind == finding["kind"] for other in found):
            return design
    raise CannotMend(f"Cells {LARGER**TRIES:.1f} times as large do not mend it; take a division or a break away there")


class MESH_OT_relief_knot_mend(ops_edit.KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_mend"
    bl_label = "Mend"
    bl_description = "Change the design as this remedy says, and make the mesh again"

    finding: IntProperty(name="Finding", description="Its number in the list, from 0", min=0, options={"SKIP_SAVE"})
    remedy: IntProperty(name="Remedy", description="Its number there, from 0", min=0, options={"SKIP_SAVE"})

    @classmethod
    def description(cls, context, properties):
        """The remedy in the words of the finding."""
        try:
            return store.report_of(context.object)["findings"][properties.finding]["remedy"].rstrip(".")
        except (AttributeError, IndexError, KeyError):
            return cls.bl_description

    def execute(self, context):
        obj = context.object
        findings = store.report_of(obj)["findings"]
        try:
            finding = findings[self.finding]
            key, value = finding["changes"][self.remedy]
        except (IndexError, KeyError):
            self.report({"ERROR"}, f"No such remedy; the knot has {len(findings)} findings")
            return {"CANCELLED"}
        try:
            taken = rebuild.change(obj, lambda design: mend(design, finding, key, value))
        except CannotMend as error:
            self.report({"WARNING"}, str(error))
            return {"CANCELLED"}
        if obj.relief_knot.error:
            self.report({"WARNING"}, obj.relief_knot.error)
        return {"FINISHED"} if taken else {"CANCELLED"}


def show(context, place, near):
    """Put the 3D cursor on a place of the world and bring it to the middle of every view, not farther than ``near``."""
    context.scene.cursor.location = place
    for area in context.screen.areas if context.screen else ():
        if area.type == "VIEW_3D":
            view = area.spaces.active.region_3d
            view.view_location = place
            view.view_distance = min(view.view_distance, near)
            area.tag_redraw()


class MESH_OT_relief_knot_look(bpy.types.Operator):
    bl_idname = "mesh.relief_knot_look"
    bl_label = "Show Place"
    bl_description = "Put the 3D cursor on this place of the knot and bring it to the middle of the view"
    bl_options = {"REGISTER"}

    at: FloatVectorProperty(name="Place", description="In the layout's plan, in mm", size=2, options={"SKIP_SAVE"})
    height: FloatProperty(name="Height", description="Above the layout's plan, in mm", options={"SKIP_SAVE"})

    @classmethod
    def poll(cls, context):
        if store.active_knot(context) is None:
            cls.poll_message_set("Select a relief knot first")
            return False
        return True

    def execute(self, context):
        obj = context.object
        scale = units.units_per_mm(obj.relief_knot)
        place = obj.matrix_world @ (Vector((*self.at, self.height)) * scale)
        near = 6.0 * setting_out.unit(store.design_of(obj)) * scale
        show(context, place, near * max(obj.matrix_world.to_scale()))
        return {"FINISHED"}


CLASSES = (MESH_OT_relief_knot_mend, MESH_OT_relief_knot_look)


register, unregister = bpy.utils.register_classes_factory(CLASSES)
