"""The tool Draw on Knot: in the toolbar, with its keys, its settings and its words in the status bar.

What strokes mean is in :mod:`.gestures`; here they are carried from the pointer to the design. A press that does not
lie on the knot goes on to whatever Blender would do with it, so other objects are selected as ever.
"""

from pathlib import Path

import bpy
from bpy.app.translations import pgettext_tip as tip_
from bpy.props import BoolProperty, EnumProperty

from . import (
    core,
    draw_settings,
    gestures,
    ops_edit,
    overlay,
    pointing,
    rebuild,
    store,
    ui_parts,
)
from .translations import said

Job = gestures.Job

OVER_KEY, HAND_KEY = "L", "J"
"""Keys that Blender leaves free in Object Mode, in its own keys and in those for industry standards."""

GESTURES = [
    ("MOUSE_LMB", "", "Break"),
    ("MOUSE_LMB_DRAG", "", "Run of Breaks"),
    ("MOUSE_LMB", "EVENT_SHIFT", "Other Way"),
    ("MOUSE_LMB", "EVENT_CTRL", "Divide, Drag for a Run"),
    ("MOUSE_LMB", "EVENT_SHIFT EVENT_CTRL", "Divide Circuit"),
    (f"EVENT_{OVER_KEY}", "", "Prefer Over"),
    (f"EVENT_{HAND_KEY}", "", "Other Hand"),
]
"""What the status bar shows while breaks are drawn: icon, icons of keys held, words."""

DURING = "Release: {words}     Esc or Right Click: leave as it was"


# --- from stroke to design -------------------------------------------------------------------------------------------


def begin(obj, settings, point, job=None, other=False):
    """A stroke on the knot ``obj``, None where nothing lies under ``point`` (mm in plan, or in space)."""
    design = store.parse(obj.relief_knot.text)[0]
    if point is None or design is None:
        return None
    stroke = gestures.Stroke(design, job or Job[settings.job], point, other, settings.manner(obj.relief_knot))
    return stroke if stroke.begun else None


def commit(obj, stroke):
    """Do to the knot what a stroke says.

    Returns
    -------
    bool
        Whether the design was changed; where not, the knot's ``error`` may say why.
    """
    before = store.design_of(obj)
    if before != stroke.design:
        return False  # something else changed the design meanwhile
    text = obj.relief_knot.text
    rebuild.change(obj, lambda _design: stroke.result()[0])
    return obj.relief_knot.text != text


def _may_draw(context):
    obj = store.active_knot(context)
    return obj is not None and store.is_ours(obj) and context.mode == "OBJECT"


class MESH_OT_relief_knot_draw(bpy.types.Operator):
    bl_idname = "mesh.relief_knot_draw"
    bl_label = "Draw on Knot"
    bl_description = "Work on the knot where the pointer is pressed, and along where it is dragged"
    bl_options = {"REGISTER"}  # no UNDO: each stroke pushes a step with a name of its own

    gesture: EnumProperty(
        name="Gesture",
        description="What the stroke works on, whatever the tool is set to",
        items=[("SETTING", "As Set", "What the tool's settings say"), *draw_settings.JOBS],
        options={"SKIP_SAVE"},
    )
    other: BoolProperty(
        name="Other Way",
        description="Breaks across the stroke, clicks the other way round, colours and widths taken off",
        options={"SKIP_SAVE"},
    )

    @classmethod
    def poll(cls, context):
        return ops_edit.can_change(cls, context, store.active_knot(context))

    def invoke(self, context, event):
        obj = context.object
        settings = context.scene.relief_knot_tool
        job = None if self.gesture == "SETTING" else Job[self.gesture]
        self.stroke = begin(obj, settings, self._point(context, event), job, self.other)
        if self.stroke is None:
            return {"PASS_THROUGH"}
        if event.type != "LEFTMOUSE":  # a key: done at once, where the pointer is
            return self._end(context)
        self.knot_name = obj.name
        context.window_manager.modal_handler_add(self)
        overlay.pointer.update(stroke=self.stroke, pressed=True)
        self._say(context)
        return {"RUNNING_MODAL"}

    def modal(self, context, event):
        obj = context.object
        if obj is None or obj.name != self.knot_name or not _may_draw(context):
            self._leave(context)
            return {"CANCELLED"}
        if event.type in {"ESC", "RIGHTMOUSE"} and event.value == "PRESS":
            self._leave(context)
            return {"CANCELLED"}
        if event.type in {"MOUSEMOVE", "INBETWEEN_MOUSEMOVE"}:
            self._follow(context, event)
        elif event.type == "LEFTMOUSE" and event.value == "RELEASE":
            self._follow(context, event)
            return self._end(context)
        return {"RUNNING_MODAL"}

    def cancel(self, context):
        self._leave(context)

    def _point(self, context, event):
        return pointing.point_under(context, context.object, (event.mouse_region_x, event.mouse_region_y))

    def _follow(self, context, event):
        point = self._point(context, event)
        if point is not None and self.stroke.move(point):
            self._say(context)

    def _end(self, context):
        obj = context.object
        name = self.stroke.name()
        changed = commit(obj, self.stroke)
        self._leave(context)
        if changed:
            bpy.ops.ed.undo_push(message=name)
        if obj.relief_knot.error:
            self.report({"WARNING"}, obj.relief_knot.error)
        elif not changed:
            self.report({"INFO"}, "Nothing to change here")
        return {"FINISHED"} if changed else {"CANCELLED"}

    def _say(self, context):
        context.workspace.status_text_set(tip_(DURING).format(words=said(self.stroke.words())))
        _redraw(context)

    def _leave(self, context):
        overlay.pointer.clear()
        context.workspace.status_text_set(None)
        _redraw(context)


class MESH_OT_relief_knot_work(bpy.types.Operator):
    bl_idname = "mesh.relief_knot_work"
    bl_label = "Work on Knot"
    bl_description = "Take the tool Draw on Knot for this kind of work; once more puts it away"
    bl_options = {"INTERNAL"}

    job: EnumProperty(name="Work", description="What strokes on the knot work on", items=draw_settings.JOBS)

    @classmethod
    def description(cls, _context, properties):
        """What strokes will do, in place of what the button does."""
        return tip_(next(about for key, _, about in draw_settings.JOBS if key == properties.job))

    @classmethod
    def poll(cls, context):
        if not ops_edit.can_change(cls, context, store.active_knot(context)):
            return False
        if context.area is None or context.area.type != "VIEW_3D":
            cls.poll_message_set("Run this in a 3D view")
            return False
        return True

    def execute(self, context):
        settings = context.scene.relief_knot_tool
        if is_at_work(context, self.job):
            bpy.ops.wm.tool_set_by_id(name="builtin.select_box")
        else:
            settings.job = self.job
            bpy.ops.wm.tool_set_by_id(name=overlay.TOOL)
        _redraw(context)
        return {"FINISHED"}


def is_at_work(context, job):
    """Whether the tool is active and set to one of JOBS."""
    return overlay.is_tool_active(context) and context.scene.relief_knot_tool.job == job


class MESH_OT_relief_knot_hand(ops_edit.KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_hand"
    bl_label = "Other Hand"
    bl_description = "Turn the weave into its mirror image: what went over goes under"

    def execute(self, context):
        rebuild.change(context.object, core.editing.turn_hand)
        hand = store.design_of(context.object).weave.hand.value
        self.report({"INFO"}, f"The weave is {hand}-handed")
        return {"FINISHED"}


def _redraw(context):
    for window in context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                area.tag_redraw()


# --- hovering --------------------------------------------------------------------------------------------------------


class VIEW3D_GT_relief_knot_hover(bpy.types.Gizmo):
    """Sees the pointer move while the tool is active, and takes nothing from it."""

    bl_idname = "VIEW3D_GT_relief_knot_hover"

    def draw(self, _context):
        """Nothing: the overlays draw what lies under the pointer."""

    def test_select(self, context, location):
        """Note what lies under the pointer; -1, for there is nothing here to take hold of."""
        if not overlay.pointer.get("pressed"):
            obj = context.object
            found = begin(obj, context.scene.relief_knot_tool, pointing.point_under(context, obj, location))
            had = overlay.pointer.get("stroke")
            if _looks(found) != _looks(had):
                context.area.tag_redraw()
            overlay.pointer.clear()
            if found is not None:
                overlay.pointer.update(stroke=found)
        return -1


def _looks(stroke):
    return None if stroke is None else (stroke.design, stroke.job, stroke.lines, stroke.passes, stroke.cells)


class VIEW3D_GGT_relief_knot_hover(bpy.types.GizmoGroup):
    bl_idname = "VIEW3D_GGT_relief_knot_hover"
    bl_label = "Pointer on Knot"
    bl_space_type = "VIEW_3D"
    bl_region_type = "WINDOW"
    bl_options = set()

    @classmethod
    def poll(cls, context):
        return _may_draw(context)

    def setup(self, _context):
        """One gizmo, never seen."""
        self.gizmos.new(VIEW3D_GT_relief_knot_hover.bl_idname)


# --- the tool --------------------------------------------------------------------------------------------------------


def _press(**held):
    return {"type": "LEFTMOUSE", "value": "PRESS", **held}


class DrawOnKnot(bpy.types.WorkSpaceTool):
    bl_space_type = "VIEW_3D"
    bl_context_mode = "OBJECT"
    bl_idname = overlay.TOOL
    bl_label = "Draw on Knot"
    bl_description = (
        "Set breaks, divide strands and choose what goes over, on the selected relief knot.\n"
        "The gestures are in the status bar; Esc or right click leaves a stroke as it was"
    )
    bl_icon = str(Path(__file__).parent / "icons" / "relief_knot.draw")
    bl_cursor = "CROSSHAIR"
    bl_widget = VIEW3D_GGT_relief_knot_hover.bl_idname
    bl_keymap = (
        (MESH_OT_relief_knot_draw.bl_idname, _press(), None),
        (MESH_OT_relief_knot_draw.bl_idname, _press(shift=True), {"properties": [("other", True)]}),
        (MESH_OT_relief_knot_draw.bl_idname, _press(ctrl=True), {"properties": [("gesture", "DIVIDE")]}),
        (MESH_OT_relief_knot_draw.bl_idname, _press(shift=True, ctrl=True), {"properties": [("gesture", "CIRCUIT")]}),
        (
            MESH_OT_relief_knot_draw.bl_idname,
            {"type": OVER_KEY, "value": "PRESS"},
            {"properties": [("gesture", "OVER")]},
        ),
        (MESH_OT_relief_knot_hand.bl_idname, {"type": HAND_KEY, "value": "PRESS"}, None),
    )

    def draw_settings(context, layout, _tool):  # noqa: N805 - Blender calls it without a self
        """The tool's settings in the header and the sidebar's Tool tab."""
        if store.active_knot(context) is None:
            layout.label(text="Select a relief knot to draw on")
            return
        draw_settings.show(layout, context, header=context.region.type == "TOOL_HEADER")


def draw_button(layout, context):
    """The way to the tool from the sidebar; down while it is active."""
    active = overlay.is_tool_active(context)
    button = layout.operator("wm.tool_set_by_id", text="Draw on Knot", icon="GREASEPENCIL", depress=active)
    button.name = overlay.TOOL


class VIEW3D_PT_relief_knot_drawing(ui_parts.Section, bpy.types.Panel):
    bl_label = "Drawing"
    bl_parent_id = "VIEW3D_PT_relief_knot"

    def draw(self, context):
        layout, _knot = self.begin(context)
        draw_button(layout, context)
        if overlay.is_tool_active(context):
            draw_settings.show(layout, context)
            draw_settings.show_symmetry(layout, context)
        layout.operator("mesh.relief_knot_reference", icon="IMAGE_REFERENCE")


def draw_status(self, context):
    """The gestures in the status bar while the tool is active and a knot is selected."""
    obj = getattr(context, "object", None)
    if not overlay.is_tool_active(context) or not store.is_knot(obj) or obj.mode != "OBJECT":
        return
    settings = context.scene.relief_knot_tool
    layout = self.layout
    for icon, held, words in gestures_shown(settings.job):
        row = layout.row(align=True)
        for key in held.split():
            row.label(text="", icon=key)
            if key == "EVENT_CTRL":
                row.separator(factor=1.2)  # this icon is wider than its place
        row.label(text=words, icon=icon)
        layout.separator(factor=0.6)


def gestures_shown(job):
    """What the status bar shows for one of JOBS."""
    if job == "BREAK":
        return GESTURES
    words = {
        "DIVIDE": [("MOUSE_LMB", "", "Divide or Make One"), ("MOUSE_LMB_DRAG", "", "Run of Crossings")],
        "CIRCUIT": [("MOUSE_LMB", "", "Divide Circuit or Make One")],
        "OVER": [("MOUSE_LMB", "", "Prefer Over, or Drop the Wish")],
        "COLOUR": [("MOUSE_LMB", "", "Colour Circuit"), ("MOUSE_LMB", "EVENT_SHIFT", "Take Colour Off")],
        "WIDTH": [("MOUSE_LMB", "", "Width for the Circuit"), ("MOUSE_LMB", "EVENT_SHIFT", "Width of All Again")],
        "CELL": [("MOUSE_LMB", "", "Leave Cell Out or Put It Back"), ("MOUSE_LMB_DRAG", "", "Run of Cells")],
    }[job]
    return words + GESTURES[3:]


CLASSES = (
    MESH_OT_relief_knot_draw,
    MESH_OT_relief_knot_work,
    MESH_OT_relief_knot_hand,
    VIEW3D_GT_relief_knot_hover,
    VIEW3D_GGT_relief_knot_hover,
    VIEW3D_PT_relief_knot_drawing,
)


def register():
    """Make this part known to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.utils.register_tool(DrawOnKnot, after={"builtin.measure"}, separator=True)
    bpy.types.STATUSBAR_HT_header.prepend(draw_status)


def unregister():
    """Take back what register did."""
    bpy.types.STATUSBAR_HT_header.remove(draw_status)
    bpy.utils.unregister_tool(DrawOnKnot)
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
