"""Add > Mesh > Relief Knot."""

from dataclasses import replace
from pathlib import Path

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, IntProperty
from bpy_extras import object_utils
from mathutils import Vector

from . import core, design_props, props, setting_out, store, units

PURPOSES = [
    ("DRAWING", "Drawing", "A knot to look at and to draw from: a fine strand with wide background"),
    ("BOARD", "Carved Board", "A panel to carve in wood: broad strands in low relief"),
    ("PENDANT", "Pendant", "A small piece to print or cast"),
    ("TRIM", "Trim", "A border strip for a model, to be repeated"),
]


PRESETS = str(Path(__file__).resolve().parent / "operator_presets")
"""Settings of the operator that come with the add-on, beside those that the user saves with Blender's own menu."""

LENGTHS = (
    "layout.cell_width",
    "layout.cell_height",
    "divide.gap",
    "strand.width",
    "strand.thickness",
    "strand.groove.depth",
    "heights.clearance",
    "heights.step",
    "heights.depth_limit",
)
"""Where a starter's design keeps lengths; those that are left open follow by themselves."""


def fitted(design, columns, rows, cell):
    """A starter of so many columns and rows, with cells so many mm wide and all else in proportion; 0 leaves as it is.

    On another grid it begins without breaks, for its own were set where they suit the one that it had.
    """
    grid = design.layout
    if (columns or grid.columns, rows or grid.rows) != (grid.columns, grid.rows):
        plain = core.editing.clear_breaks(design)
        size = replace(grid, columns=columns or grid.columns, rows=rows or grid.rows)
        design = core.editing.set_layout(plain, size).design
    for path in LENGTHS if cell else ():
        length = design_props.look(design, path)
        if length is not None:
            design = design_props.put(design, path, float(f"{length * cell / grid.cell_width:.4g}"))
    return design


def starter(purpose):
    """The design to start from for one of PURPOSES."""
    return core.starters.STARTERS[core.starters.Purpose(purpose.lower())]


def new_knot(context, design, name, operator=None):
    """A new object that holds ``design``, active and selected, its lower left corner at the 3D cursor.

    Parameters
    ----------
    operator : bpy.types.Operator, optional
        One with the align, location and rotation of ``AddObjectHelper``.
    """
    mesh = bpy.data.meshes.new(name)
    obj = bpy.data.objects.new(name, mesh)
    obj.relief_knot.measure = units.measure_for(context.scene)
    props.from_design(obj, design)
    context.collection.objects.link(obj)
    obj.matrix_world = object_utils.add_object_align_init(context, operator=operator)
    view = context.space_data
    if view and view.type == "VIEW_3D" and view.local_view:
        obj.local_view_set(view, True)
    for other in context.selected_objects:
        other.select_set(False)
    obj.select_set(True)
    context.view_layer.objects.active = obj
    return obj


def frame(context):
    """Show the selected knot whole, where there is a view to show it in."""
    area, obj = context.area, context.object
    if area is None or area.type != "VIEW_3D":
        return
    region = next(region for region in area.regions if region.type == "WINDOW")
    if not obj.data.vertices:  # made in a thread: so far there are only the sizes of its design
        low, high = (Vector(corner.tolist()) for corner in setting_out.bounds(store.design_of(obj)))
        scale = units.units_per_mm(obj.relief_knot)
        view = area.spaces.active.region_3d
        view.view_location = obj.matrix_world @ ((low + high) / 2 * scale)
        view.view_distance = 1.6 * (high - low).length * scale
        return
    with context.temp_override(area=area, region=region):
        if bpy.ops.view3d.view_selected.poll():
            bpy.ops.view3d.view_selected()


def about(obj, scene):
    """One line: how large the knot is and how millimetres map to the scene."""
    size = setting_out.size_words(store.design_of(obj))
    return f"{obj.name}, {size}; {units.mapping(obj.relief_knot, scene)}"


def told(operator, obj, words):
    """Say what was done to a knot, or what is said against it; gives what the operator then returns."""
    error = obj.relief_knot.error
    operator.report({"WARNING" if error else "INFO"}, error or words)
    return {"FINISHED"}


def needs_object_mode(cls, context):
    """For ``poll``: object mode, or a word why not."""
    if context.mode == "OBJECT":
        return True
    cls.poll_message_set("Leave Edit Mode first (Tab)")
    return False


class MESH_OT_relief_knot_add(bpy.types.Operator, object_utils.AddObjectHelper):
    bl_idname = "mesh.relief_knot_add"
    bl_label = "Add Relief Knot"
    bl_description = "Add a knot set out for what it is to become, ready to be edited in the sidebar"
    bl_options = {"REGISTER", "UNDO", "PRESET"}

    purpose: EnumProperty(
        name="Purpose",
        description="What the knot is for, which gives it its first sizes",
        items=PURPOSES,
    )
    columns: IntProperty(
        name="Columns", description="Number of cells across; 0 leaves it to the purpose", min=0, max=400, soft_max=24
    )
    rows: IntProperty(
        name="Rows", description="Number of cells up; 0 leaves it to the purpose", min=0, max=400, soft_max=24
    )
    cell: FloatProperty(
        name="Cell",
        description="Width of a cell, all else in proportion; 0 leaves it to the purpose (a length, kept in mm)",
        subtype="DISTANCE",
        unit="LENGTH",
        min=0.0,
        soft_max=0.05,
        step=0.1,
        precision=5,
    )
    measure: EnumProperty(
        name="Measure",
        description="How millimetres become Blender units",
        items=[
            ("AUTO", "By Scene", "Scene units where the scene has them, else one unit to the millimetre"),
            ("SCENE", "Scene Units", "A millimetre is a thousandth of a metre at the scene's unit scale"),
            ("UNIT", "1 Unit = 1 mm", "A millimetre is one Blender unit"),
        ],
    )

    frame: BoolProperty(
        name="Frame in View", description="Show the new knot whole", default=False, options={"HIDDEN", "SKIP_SAVE"}
    )

    @classmethod
    def poll(cls, context):
        return needs_object_mode(cls, context)

    def draw(self, _context):
        layout = self.layout
        layout.use_property_split = True
        layout.use_property_decorate = False
        for name in ("purpose", "columns", "rows", "cell", "measure", "align", "location", "rotation"):
            layout.prop(self, name)

    def invoke(self, context, _event):
        self.frame = True  # and again when the redo panel changes what it is for, and so its size
        if not self.properties.is_property_set("purpose"):
            return context.window_manager.invoke_props_dialog(self)
        return self.execute(context)

    def execute(self, context):
        cell = self.cell / units.new_per_mm(context.scene)
        design = fitted(starter(self.purpose), self.columns, self.rows, cell)
        obj = new_knot(context, design, "Relief Knot", self)
        if self.measure not in {"AUTO", obj.relief_knot.measure}:
            obj.relief_knot.measure = self.measure
        if self.frame:
            frame(context)
        return told(self, obj, about(obj, context.scene))


def draw_menu(self, _context):
    """The entry in Add > Mesh: one step further asks what the knot is for."""
    self.layout.operator_context = "INVOKE_REGION_WIN"
    self.layout.operator_menu_enum("mesh.relief_knot_add", "purpose", text="Relief Knot", icon="MOD_LATTICE")


CLASSES = (MESH_OT_relief_knot_add,)


def register():
    """Make this part known to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.utils.register_preset_path(PRESETS)
    bpy.types.VIEW3D_MT_mesh_add.append(draw_menu)


def unregister():
    """Take back what register did."""
    bpy.types.VIEW3D_MT_mesh_add.remove(draw_menu)
    bpy.utils.unregister_preset_path(PRESETS)
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
