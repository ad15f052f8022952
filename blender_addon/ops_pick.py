"""Working on the knot with the pointer: a modal tool that sets breaks, divides strands, prefers them over.

:class:`Pick` knows what each gesture means and touches no Blender window, so tests can ask it; the operator only
carries events to it and its words to the status bar. The drawing tool to come takes its gestures from here.
"""

import itertools

import bpy
from bpy.props import EnumProperty
from bpy_extras import view3d_utils
from mathutils import Vector

from . import core, ops_edit, store, units

JOBS = [
    ("BREAK", "Breaks", "Set and clear breaks"),
    ("DIVIDE", "Dividing", "Divide strands and make them one"),
    ("PREFER", "Weave", "Wish strands over"),
    ("CELL", "Cells", "Leave cells out and put them back"),
]


class Pick:
    """What a click means in each of the jobs: (name for the undo list, edit(design, point)).

    Parameters
    ----------
    job : str
        One of JOBS.
    """

    GESTURES = {
        "BREAK": "Click: horizontal break   Shift Click: vertical break   Again: clear",
        "DIVIDE": "Click: divide the whole circuit   Shift Click: this crossing only   Again: make one",
        "PREFER": "Click: wish this strand over   Again: drop the wish",
        "CELL": "Click: leave this cell out   Again: put it back",
    }

    def __init__(self, job):
        self.job = job

    def click(self, shift):
        """What a click does, with or without Shift."""
        if self.job == "BREAK":
            line = "VERTICAL" if shift else "HORIZONTAL"
            return f"{line.capitalize()} Break", lambda design, point: ops_edit.break_near(design, point, line)
        if self.job == "DIVIDE":
            name = "Divide Pass" if shift else "Divide Circuit"
            return name, lambda design, point: ops_edit.divide_near(design, point, not shift)
        if self.job == "PREFER":
            return "Prefer Over", ops_edit.prefer_near
        return "Cell", ops_edit.cell_near

    def place(self, design, point):
        """Words for what lies under ``point``."""
        if self.job == "BREAK":
            site = core.editing.nearest_site(design, point)
            if site is None:
                return "no site here"
            stands = core.editing.break_at(design, site)
            return f"site [{site.x}, {site.y}]" + (f", {stands.value} break" if stands else "")
        if self.job == "CELL":
            cell = core.editing.nearest_cell(design, point)
            return "no cell here" if cell is None else f"cell [{cell[0]}, {cell[1]}]"
        at = core.editing.nearest_pass(design, point)
        if at is None:
            return "no crossing here"
        divided = ", divided" if core.editing.is_divided(design, at) else ""
        return f"{at.way.value} strand at [{at.x}, {at.y}]{divided}"

    def status(self, design, point):
        """The whole line for the status bar."""
        here = "" if point is None else f"   ({self.place(design, point)})"
        return f"{self.GESTURES[self.job]}   Esc or Right Click: done{here}"


def point_under(obj, region, view, mouse):
    """Where the line of sight through a pixel meets the plane of the knot, mm in plan; None where it never does.

    Parameters
    ----------
    region : bpy.types.Region
    view : bpy.types.RegionView3D
    mouse : tuple of float
        Pixels from the region's lower left corner.
    """
    origin = view3d_utils.region_2d_to_origin_3d(region, view, mouse)
    direction = view3d_utils.region_2d_to_vector_3d(region, view, mouse)
    return meet_plane(obj, origin, direction)


def meet_plane(obj, origin, direction):
    """Where a ray of the world meets the plane of the knot, mm in plan; None where it never does."""
    inverse = obj.matrix_world.inverted_safe()
    start = inverse @ Vector(origin)
    along = inverse.to_3x3() @ Vector(direction)
    if abs(along.z) < 1e-6 * along.length or not along.length:
        return None
    hit = start - along * (start.z / along.z)
    scale = units.units_per_mm(obj.relief_knot)
    return hit.x / scale, hit.y / scale


class MESH_OT_relief_knot_pick(bpy.types.Operator):
    bl_idname = "mesh.relief_knot_pick"
    bl_label = "Pick on Knot"
    bl_description = "Work on the knot by clicking on it in the view; each click is one undo step"
    bl_options = {"REGISTER"}  # no UNDO: every click pushes a step of its own

    job: EnumProperty(name="Job", description="What a click on the knot does", items=JOBS)

    @classmethod
    def poll(cls, context):
        if not ops_edit.KnotOperator.poll.__func__(cls, context):
            return False
        if context.area is None or context.area.type != "VIEW_3D":
            cls.poll_message_set("Run this in a 3D view")
            return False
        return True

    def invoke(self, context, _event):
        again = running.get("job") == self.job
        if running:
            _leave(context)  # whichever pick tool runs sees that its turn is over and ends
        if again:
            return {"FINISHED"}
        self.pick = Pick(self.job)
        self.knot_name = context.object.name
        self.turn = next(_turns)
        running.update(job=self.job, turn=self.turn)
        context.window_manager.modal_handler_add(self)
        context.window.cursor_modal_set("CROSSHAIR")
        self._say(context, None)
        context.area.tag_redraw()
        return {"RUNNING_MODAL"}

    def modal(self, context, event):
        obj = context.object
        if running.get("turn") != self.turn:
            return {"FINISHED", "PASS_THROUGH"}
        if event.type in {"ESC", "RIGHTMOUSE", "RET", "NUMPAD_ENTER"} and event.value == "PRESS":
            _leave(context)
            return {"FINISHED"}
        if obj is None or obj.name != self.knot_name or not store.is_knot(obj) or context.mode != "OBJECT":
            _leave(context)
            return {"FINISHED", "PASS_THROUGH"}
        if event.type not in {"MOUSEMOVE", "LEFTMOUSE"} or event.alt or event.ctrl:
            return {"PASS_THROUGH"}  # moving about in the view, undo, and everything else go on as usual
        region, view = _view_under(context, event)
        if region is None:
            return {"PASS_THROUGH"}  # the sidebar, the header, another editor
        point = point_under(obj, region, view, (event.mouse_x - region.x, event.mouse_y - region.y))
        if event.type == "LEFTMOUSE":
            if event.value not in {"PRESS", "DOUBLE_CLICK"}:
                return {"RUNNING_MODAL"}
            self._click(context, obj, point, event.shift)
        self._say(context, point)
        return {"RUNNING_MODAL" if event.type == "LEFTMOUSE" else "PASS_THROUGH"}

    def cancel(self, context):
        if running.get("turn") == self.turn:
            _leave(context)

    def _click(self, context, obj, point, shift):
        name, edit = self.pick.click(shift)
        words = None if point is None else ops_edit.apply(obj, edit, point)
        if words:
            bpy.ops.ed.undo_push(message=name)
        if obj.relief_knot.error:
            self.report({"WARNING"}, obj.relief_knot.error)
        elif words:
            self.report({"INFO"}, words)
        _redraw(context)

    def _say(self, context, point):
        design = store.design_of(context.object)
        if design is not None:
            context.workspace.status_text_set(self.pick.status(design, point))


running = {}
"""The job and the turn of the pick tool that runs, empty while none does; the panels show it."""

_turns = itertools.count()


def _leave(context):
    """End the pick tool that runs: pointer, status bar and panels as before."""
    running.clear()
    context.workspace.status_text_set(None)
    context.window.cursor_modal_restore()
    _redraw(context)


def _view_under(context, event):
    """The 3D view's main region under the pointer, where no other region lies over it."""
    for area in context.screen.areas:
        if area.type != "VIEW_3D":
            continue
        under = [r for r in area.regions if _holds(r, event.mouse_x, event.mouse_y)]
        over = [r for r in under if r.type != "WINDOW"]
        main = next((r for r in under if r.type == "WINDOW"), None)
        if main is not None and not over:
            return main, main.data
    return None, None


def _holds(region, x, y):
    return region.x <= x < region.x + region.width and region.y <= y < region.y + region.height and region.width > 1


def _redraw(context):
    for window in context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                area.tag_redraw()


CLASSES = (MESH_OT_relief_knot_pick,)


def register():
    """Make this part known to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)


def unregister():
    """Take back what register did."""
    running.clear()
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
