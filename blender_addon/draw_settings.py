"""How the drawing tool works: its settings, kept with the scene, and how they are shown."""

import bpy
from bpy.app.translations import pgettext_tip as tip_
from bpy.props import BoolProperty, EnumProperty, FloatProperty, FloatVectorProperty, IntProperty, PointerProperty

from . import core, gestures, materials, store, units

Line, Symmetry = core.editing.Line, core.symmetry.Symmetry

JOBS = [
    ("BREAK", "Breaks", "Click a site to set, turn or clear its break; drag to draw a run of breaks"),
    ("DIVIDE", "Divide", "Click a strand to divide it through one crossing or make it one; drag along it for a run"),
    ("CIRCUIT", "Circuit", "Click a strand to divide its whole circuit or make it one"),
    ("OVER", "Over", "Click a strand to wish it over at its crossing, or to drop the wish"),
    ("COLOUR", "Colour", "Click a strand to give its circuit the colour; Shift takes the colour off"),
    ("WIDTH", "Width", "Click a strand to give its circuit the width; Shift gives it the width of all strands again"),
    ("CELL", "Cells", "Click a cell to leave it out of the layout or put it back; drag over cells for a run"),
]

SWITCHES = {
    "left_right": Symmetry.LEFT_RIGHT,
    "up_down": Symmetry.UP_DOWN,
    "half_turn": Symmetry.HALF_TURN,
    "quarter_turn": Symmetry.QUARTER_TURN,
    "around": Symmetry.ROUND,
}
"""Settings of the tool that repeat every stroke."""


def _orders(context):
    """How many times round strokes can be repeated on the active knot; 2 where it does not go round."""
    obj = store.active_knot(context) if context is not None else None
    design = None if obj is None else store.parse(obj.relief_knot.text)[0]
    return (core.symmetry.orders(design.layout) if design is not None else ()) or (2,)


_shown = []  # Blender keeps no copy of the words of such a list


def _order_items(_self, context):
    _shown[:] = [(str(order), str(order), "", order) for order in _orders(context)]
    return _shown


def _nearest_order(settings):
    return min(_orders(bpy.context), key=lambda order: (abs(order - settings.wished_order), order))


def _wish_order(settings, order):
    settings.wished_order = order


class ReliefKnotTool(bpy.types.PropertyGroup):
    """How the drawing tool works; kept with the scene."""

    job: EnumProperty(name="Draw", description="What a stroke without keys held works on", items=JOBS)
    line: EnumProperty(
        name="Breaks Run",
        description="Which way the walls of breaks run",
        items=[
            ("ALONG", "As Drawn", "Along the stroke; a click changes from horizontal to vertical to none"),
            ("HORIZONTAL", "Horizontal", "Short horizontal walls, whichever way the stroke goes"),
            ("VERTICAL", "Vertical", "Short vertical walls, whichever way the stroke goes"),
        ],
    )
    left_right: BoolProperty(
        name="Mirror Left and Right", description="Repeat every stroke in a mirror that stands upright on the middle"
    )
    up_down: BoolProperty(
        name="Mirror Up and Down", description="Repeat every stroke in a mirror that lies level through the middle"
    )
    half_turn: BoolProperty(name="Half Turn", description="Repeat every stroke turned by 180 degrees about the middle")
    quarter_turn: BoolProperty(
        name="Quarter Turns",
        description="Repeat every stroke in all four quarters, where the layout is alike in all of them",
    )
    around: BoolProperty(
        name="Round the Layout",
        description="Repeat every stroke round a ring, along a strip or from side to side of a border",
    )
    order: EnumProperty(
        name="Times Round",
        description="How many times strokes are repeated; those numbers that bring the layout onto itself",
        items=_order_items,
        get=_nearest_order,
        set=_wish_order,
    )
    wished_order: IntProperty(
        name="Times Round",
        description="How many times round was chosen last; a layout without that number takes the nearest it has",
        min=2,
        default=2,
        options={"HIDDEN"},
    )
    colour: FloatVectorProperty(
        name="Colour",
        description="The colour that circuits are given",
        subtype="COLOR_GAMMA",
        size=3,
        min=0.0,
        max=1.0,
        default=(0.62, 0.4, 0.24),
    )
    width: FloatProperty(
        name="Width",
        description="The width that circuits are given, in the scene's units",
        subtype="DISTANCE",
        unit="LENGTH",
        min=1e-6,
        soft_max=0.02,
        step=0.1,
        precision=5,
        default=0.003,
    )

    def symmetries(self):
        """The symmetries that are switched on, whether a layout has them or not."""
        return frozenset(symmetry for name, symmetry in SWITCHES.items() if getattr(self, name))

    def manner(self, knot):
        """The settings as the gestures take them, lengths in mm by the settings of a knot."""
        return gestures.Manner(
            None if self.line == "ALONG" else Line[self.line],
            self.symmetries(),
            materials.to_hex(self.colour),
            units.to_mm(self.width, knot),
            self.wished_order,
        )


def show(layout, context, header=False):
    """The settings of the tool, in one row for the header."""
    settings = context.scene.relief_knot_tool
    if header:
        layout.row(align=True).prop(settings, "job", expand=True)
    else:
        layout.prop(settings, "job")
    if settings.job == "BREAK":
        layout.prop(settings, "line", text="" if header else None)
    if settings.job == "COLOUR":
        layout.prop(settings, "colour", text="" if header else None)
    if settings.job == "WIDTH":
        layout.prop(settings, "width", text="" if header else None)
    if header:
        design = store.design_of(context.object)
        text = symmetry_words(settings, design.layout) if design is not None else tip_("Symmetry")
        layout.popover(panel="VIEW3D_PT_relief_knot_symmetry", text=text, translate=False, icon="MOD_MIRROR")
        layout.operator("mesh.relief_knot_hand", icon="ARROW_LEFTRIGHT")


def show_symmetry(layout, context):
    """The switches for working symmetrically; grey what the layout has not got."""
    settings, design = context.scene.relief_knot_tool, store.design_of(context.object)
    column = layout.column(heading="Repeat", align=True)
    for name, symmetry in SWITCHES.items():
        row = column.row()
        row.active = design is not None and core.symmetry.allows(design.layout, symmetry)
        row.prop(settings, name)
    row = layout.row()
    row.active = settings.around and design is not None and bool(core.symmetry.orders(design.layout))
    row.prop(settings, "order")


def symmetry_words(settings, layout):
    """What the button in the header says: in how many places each stroke is drawn on a layout."""
    number = len(
        core.symmetry.motions(layout, settings.symmetries(), gestures.order_for(layout, settings.wished_order))
    )
    return tip_("Symmetry") if number == 1 else tip_("Symmetry: {} times").format(number)


class VIEW3D_PT_relief_knot_symmetry(bpy.types.Panel):
    bl_label = "Symmetry"
    bl_space_type = "VIEW_3D"
    bl_region_type = "HEADER"
    bl_options = {"INSTANCED"}

    @classmethod
    def poll(cls, context):
        return store.active_knot(context) is not None

    def draw(self, context):
        show_symmetry(self.layout, context)


CLASSES = (ReliefKnotTool, VIEW3D_PT_relief_knot_symmetry)


def register():
    """Make this part known to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.Scene.relief_knot_tool = PointerProperty(type=ReliefKnotTool)


def unregister():
    """Take back what register did."""
    del bpy.types.Scene.relief_knot_tool
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
