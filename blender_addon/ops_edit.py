"""Edits at a place on the knot: the 3D cursor, or a point that a script gives."""

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatVectorProperty, StringProperty
from mathutils import Vector

from . import core, design_props, jobs, live, ops_add, props, rebuild, setting_out, store, units

editing = core.editing
Line = editing.Line

LINES = [
    ("HORIZONTAL", "Horizontal", "A short horizontal wall: strands come back upside down"),
    ("VERTICAL", "Vertical", "A short vertical wall: strands come back left to right"),
]

NOTHING_NEAR = "No crossing of the knot lies near; move the 3D cursor onto the knot (Shift Right Mouse)"


def plan_point(obj, world):
    """Where a point of the world lies in the layout's plan, mm; in space where the layout is curved."""
    local = obj.matrix_world.inverted_safe() @ Vector(world) / units.units_per_mm(obj.relief_knot)
    design = store.design_of(obj)
    return tuple(local) if design is not None and not setting_out.is_plane(design.layout) else (local.x, local.y)


# Edits of a design at a point. Each gives the design changed and a few words for it, or None where nothing lies near.


def break_near(design, point, line):
    """Set, turn or clear the break at the site nearest to ``point``."""
    site = editing.nearest_site(design, point)
    if site is None:
        return None
    changed = editing.toggle_break(design, site, setting_out.line_named(site, Line[line]))
    stands = editing.break_at(changed.design, site)
    words = f"{stands.value.capitalize()} break" if stands else "Break cleared"
    return changed, f"{words} at [{site.x}, {site.y}]"


def divide_near(design, point, whole):
    """Divide or make one the circuit (``whole``) or the one pass that runs nearest to ``point``."""
    at = editing.nearest_pass(design, point)
    if at is None:
        return None
    changed = (editing.toggle_circuit if whole else editing.toggle_pass)(design, at)
    what = "circuit" if whole else "pass"
    words = f"{what.capitalize()} divided" if editing.is_divided(changed, at) else f"{what.capitalize()} made one"
    return editing.Changed(changed), f"{words} at [{at.x}, {at.y}] {at.way.value}"


def prefer_near(design, point):
    """Wish the strand nearest to ``point`` over at its crossing, or drop that wish."""
    at = editing.nearest_pass(design, point)
    if at is None:
        return None
    changed = editing.toggle_prefer(design, at)
    words = "Wished over" if at in changed.weave.prefer else "Wish dropped"
    return editing.Changed(changed), f"{words} at [{at.x}, {at.y}] {at.way.value}"


def cell_near(design, point):
    """Leave the cell under ``point`` out, or put it back."""
    cell = editing.nearest_cell(design, point)
    if cell is None:
        return None
    changed = editing.toggle_cell(design, cell)
    words = "Cell left out" if cell in changed.design.layout.without else "Cell put back"
    return changed, f"{words} at [{cell[0]}, {cell[1]}]"


def apply(obj, edit, point):
    """Carry out one of the edits above on the knot on ``obj``.

    Returns
    -------
    str or None
        Words for what was done; None where nothing lay near ``point``, or where the knot's ``error`` says why not.
    """
    said = []

    def edited(design):
        found = edit(design, point)
        if found is None:
            return design
        said.append(found[1])
        return found[0]

    return said[0] if rebuild.change(obj, edited) and said else None


def can_change(cls, context, knot):
    """For ``poll``: a knot of this file in Object Mode, or a word why not."""
    if knot is None:
        cls.poll_message_set("Select a relief knot first")
        return False
    if not store.is_ours(knot):
        cls.poll_message_set("This knot is linked from another file; make it local first")
        return False
    return ops_add.needs_object_mode(cls, context)


class KnotOperator:
    """What every operator on the active knot shares."""

    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        return can_change(cls, context, store.active_knot(context))


class AtPlace(KnotOperator):
    """An operator that acts where ``point`` says, in mm in the layout's plan; without one, at the 3D cursor."""

    point: FloatVectorProperty(
        name="Point",
        description="Place in the layout's plan in millimetres, from its lower left corner",
        size=2,
        options={"HIDDEN", "SKIP_SAVE"},
    )

    def execute(self, context):
        obj = context.object
        if self.properties.is_property_set("point"):
            point = tuple(self.point)
        else:
            point = plan_point(obj, context.scene.cursor.location)
        before = obj.relief_knot.text
        words = apply(obj, self.edit, point)
        if obj.relief_knot.error:
            self.report({"WARNING"}, obj.relief_knot.error)
            return {"FINISHED"} if obj.relief_knot.text != before else {"CANCELLED"}
        if words is None:
            self.report({"WARNING"}, NOTHING_NEAR)
            return {"CANCELLED"}
        self.report({"INFO"}, words)
        return {"FINISHED"}


class MESH_OT_relief_knot_break(AtPlace, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_break"
    bl_label = "Break at Cursor"
    bl_description = "Set a break at the site nearest the 3D cursor; clear it if it already runs this way"

    line: EnumProperty(name="Line", description="Which way the wall of the break runs", items=LINES)

    def edit(self, design, point):
        return break_near(design, point, self.line)


class MESH_OT_relief_knot_divide(AtPlace, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_divide"
    bl_label = "Divide at Cursor"
    bl_description = "Divide the strand nearest the 3D cursor into two halves; make it one again if it is divided"

    whole: BoolProperty(
        name="Whole Circuit", description="The whole closed strand, not this crossing only", default=True
    )

    def edit(self, design, point):
        return divide_near(design, point, self.whole)


class MESH_OT_relief_knot_prefer(AtPlace, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_prefer"
    bl_label = "Prefer Over at Cursor"
    bl_description = "Wish the strand nearest the 3D cursor over at its crossing; drop the wish if it stands"

    def edit(self, design, point):
        return prefer_near(design, point)


class MESH_OT_relief_knot_cell(AtPlace, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_cell"
    bl_label = "Cell at Cursor"
    bl_description = "Leave the cell under the 3D cursor out of the layout, or put it back"

    def edit(self, design, point):
        return cell_near(design, point)


class MESH_OT_relief_knot_clear(KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_clear"
    bl_label = "Clear"
    bl_description = "Take away everything of one kind that was set on the knot"

    what: EnumProperty(
        name="What",
        description="Which kind is taken away",
        items=[
            ("BREAKS", "Breaks", "All breaks"),
            ("DIVISIONS", "Divisions", "All dividing of strands"),
            ("WISHES", "Wishes", "All wishes for strands to go over"),
            ("CELLS", "Cells Left Out", "Put every cell back that was left out"),
        ],
    )

    def execute(self, context):
        edits = {
            "BREAKS": editing.clear_breaks,
            "DIVISIONS": editing.clear_divisions,
            "WISHES": editing.clear_preferences,
            "CELLS": lambda design: design_props.put(design, "layout.without", ()),
        }
        return _finish(self, context, edits[self.what])


class MESH_OT_relief_knot_outline(KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_outline"
    bl_label = "Outline from Selected"
    bl_description = (
        "Cut the strand to the outline of the other selected object, a closed flat curve or mesh, "
        "stretched to the strand's width and thickness"
    )

    @classmethod
    def poll(cls, context):
        if not super().poll(context):
            return False
        if _outline_object(context) is None:
            cls.poll_message_set("Select a closed flat curve or mesh first, then the knot as well")
            return False
        return True

    def execute(self, context):
        source = _outline_object(context)
        points = closed_outline(source, context.evaluated_depsgraph_get())
        if points is None:
            self.report({"ERROR"}, f"{source.name} is not one closed line; close it, or join its ends")
            return {"CANCELLED"}
        return _finish(self, context, lambda design: design_props.put(design, "strand.section", points))


def _outline_object(context):
    others = [other for other in context.selected_objects if other != context.object]
    return others[0] if len(others) == 1 and others[0].type in {"CURVE", "MESH"} else None


def closed_outline(obj, depsgraph):
    """The one closed line that a flat curve or mesh makes, as points in its plane; None where there is no such line."""
    evaluated = obj.evaluated_get(depsgraph)
    mesh = evaluated.to_mesh()
    try:
        faces_at = {}
        for face in mesh.polygons:
            for key in face.edge_keys:
                faces_at[key] = faces_at.get(key, 0) + 1
        beside = {}
        for edge in mesh.edges:
            if faces_at.get(edge.key, 0) < 2:
                for here, there in (edge.vertices, reversed(edge.vertices)):
                    beside.setdefault(here, []).append(there)
        if len(beside) < 3 or any(len(ends) != 2 for ends in beside.values()):
            return None
        loop = [min(beside)]
        before = None
        while len(loop) == 1 or loop[-1] != loop[0]:
            here = loop[-1]
            after = next(there for there in beside[here] if there != before)
            before = here
            loop.append(after)
        if len(loop) - 1 != len(beside):
            return None
        points = [tuple(mesh.vertices[index].co) for index in loop[:-1]]
    finally:
        evaluated.to_mesh_clear()
    extents = [max(axis) - min(axis) for axis in zip(*points, strict=True)]
    flat = extents.index(min(extents))
    size = max(extents)
    return tuple(tuple(round(value / size, 6) for k, value in enumerate(point) if k != flat) for point in points)


class MESH_OT_relief_knot_follow(KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_follow"
    bl_label = "Back to Default"
    bl_description = "Let this length follow from the others again, as in a new design"

    length: StringProperty(name="Length", description="Which length follows again", options={"HIDDEN", "SKIP_SAVE"})

    def execute(self, context):
        path = props.OPEN_LENGTHS.get(self.length)
        if path is None:
            self.report({"ERROR"}, f"No such length: {self.length}; one of {', '.join(props.OPEN_LENGTHS)}")
            return {"CANCELLED"}
        return _finish(self, context, lambda design: design_props.put(design, path, None))


class MESH_OT_relief_knot_revert(KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_revert"
    bl_label = "Return to Last Good Design"
    bl_description = "Go back to the last design of which the mesh could be made"

    def execute(self, context):
        knot = context.object.relief_knot
        if not knot.made:
            self.report({"WARNING"}, "No design of this knot could be made so far; import one or undo")
            return {"CANCELLED"}
        knot.text = knot.made
        knot.note = ""
        rebuild.rebuild(context.object)
        return {"FINISHED"}


class MESH_OT_relief_knot_update(KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_update"
    bl_label = "Update"
    bl_description = "Make the mesh of the design as it stands now"

    def invoke(self, context, _event):
        obj = context.object
        design, wrong = store.parse(obj.relief_knot.text)
        if wrong is None and jobs.can_wait() and rebuild.expected(obj, design) > rebuild.CLICK:
            live.ask(obj, design)
            return {"FINISHED"}
        return self.execute(context)

    def execute(self, context):
        manager = context.window_manager
        manager.progress_begin(0, 100)
        try:
            made = rebuild.rebuild(context.object, progress=lambda part, _stage: manager.progress_update(100 * part))
        finally:
            manager.progress_end()
        if not made:
            self.report({"WARNING"}, context.object.relief_knot.error)
        return {"FINISHED"}


class MESH_OT_relief_knot_plain(KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_plain"
    bl_label = "Make Plain Mesh"
    bl_description = (
        "Take the design off the object: it becomes a mesh like any other, and can no longer be edited as a knot"
    )

    def execute(self, context):
        obj = context.object
        if obj.data.users > 1:
            obj.data = obj.data.copy()
        obj.property_unset("relief_knot")
        obj.data.property_unset("relief_knot_built")
        return {"FINISHED"}


def _finish(operator, context, edit):
    taken = rebuild.change(context.object, edit)
    if context.object.relief_knot.error:
        operator.report({"WARNING"}, context.object.relief_knot.error)
    return {"FINISHED"} if taken else {"CANCELLED"}


CLASSES = (
    MESH_OT_relief_knot_break,
    MESH_OT_relief_knot_divide,
    MESH_OT_relief_knot_prefer,
    MESH_OT_relief_knot_cell,
    MESH_OT_relief_knot_clear,
    MESH_OT_relief_knot_outline,
    MESH_OT_relief_knot_follow,
    MESH_OT_relief_knot_revert,
    MESH_OT_relief_knot_update,
    MESH_OT_relief_knot_plain,
)


register, unregister = bpy.utils.register_classes_factory(CLASSES)
