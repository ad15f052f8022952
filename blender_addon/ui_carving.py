"""The sidebar's sections for carving, under Making where the knot is made as carved, and the legend in the view."""

import bpy
from bpy.app.translations import pgettext_rpt as rpt_

from . import carving_props, jobs, ops_carve, relief_looks, relief_object, store, ui_parts, view_drawing

MOST_ROWS = 12
"""Rows of a table that the sidebar shows; the copy and the files have them all."""


class Carved(ui_parts.Section):
    """What the sections share: shown for knots that are carved."""

    @classmethod
    def poll(cls, context):
        return super().poll(context) and context.object.relief_knot.way == "CARVED"


def follows(layout, context, name):
    """A length of the carving that the design may leave open."""
    settings = context.object.relief_knot_carving
    ui_parts.open_length(layout, settings, name, carving_props.OPEN, "mesh.relief_knot_carve_follow")


class VIEW3D_PT_relief_knot_carving(Carved, bpy.types.Panel):
    bl_label = "Carving"
    bl_parent_id = ui_parts.MAKING

    def draw(self, context):
        layout, _knot = self.begin(context)
        carving, relief = context.object.relief_knot_carving, relief_object.relief_of(context.object)
        text, icon = ("Make Relief", "MOD_DISPLACE") if relief is None else ("Make Relief Again", "FILE_REFRESH")
        layout.operator("mesh.relief_knot_relief", text=text, icon=icon)
        self.draw_work(context, layout, relief)
        follows(layout, context, "depth")
        layout.prop(carving, "draft")
        layout.prop(carving, "ground")
        if carving.ground in {"PUNCHED", "STIPPLED"}:
            column = layout.column(align=True)
            follows(column, context, "texture_size")
            follows(column, context, "texture_depth")
        layout.prop(carving, "wood")
        layout.prop(carving, "grain")
        facts = relief_object.report_of(relief)
        rows = layout.column(align=True)
        for label, value in relief_facts(facts):
            ui_parts.fact(rows, label, value)
        for kind, _place, remedy in facts.get("findings", ()):
            said_so = f"{kind}: {remedy}"
            ui_parts.words(layout, context, said_so, "ERROR")

    @staticmethod
    def draw_work(context, layout, relief):
        if relief is not None and relief.relief_knot_relief.error:
            ui_parts.words(layout, context, relief.relief_knot_relief.error, "ERROR", alert=True)
        shown = jobs.running[0] if jobs.running else None
        if shown is not None and shown.is_long and not shown.quiet:
            ui_parts.progress(layout, shown)


def relief_facts(facts):
    """Labels and values of a relief as it was last made."""
    if not facts:
        return
    yield "Board", " x ".join(f"{side:.4g}" for side in facts["board_mm"]) + " mm"
    yield "Deepest Cut", f"{facts['deepest_mm']:.2f} mm"
    yield "Board Left Under It", f"{facts['left_mm']:.2f} mm"
    yield "Step Kept", f"{facts['kept_step_mm']:.2f} / {facts['step_mm']:.2f} mm"
    if facts.get("mass_g"):
        yield "Mass", f"{facts['mass_g']:.3g} g"


class VIEW3D_PT_relief_knot_board(Carved, bpy.types.Panel):
    bl_label = "Board and Frame"
    bl_parent_id = "VIEW3D_PT_relief_knot_carving"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, _knot = self.begin(context)
        carving = context.object.relief_knot_carving
        layout.prop(carving, "fits")
        column = layout.column(align=True)
        column.active = not carving.fits
        for name in ("board_length", "board_width", "board_thickness"):
            column.prop(carving, name)
        layout.prop(carving, "margin")
        layout.prop(carving, "frame")
        if carving.frame != "NONE":
            follows(layout, context, "frame_width")
        layout.prop(carving, "easing")


class VIEW3D_PT_relief_knot_relief_view(Carved, bpy.types.Panel):
    bl_label = "Relief View"
    bl_parent_id = "VIEW3D_PT_relief_knot_carving"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, _knot = self.begin(context)
        relief = relief_object.relief_of(context.object)
        if relief is None:
            layout.label(text="No relief is made yet")
            return
        look = relief.relief_knot_relief
        layout.row().prop(look, "view", expand=True)
        for colour, depth in relief_looks.legend(relief)[::4]:
            layout.label(text=f"{depth:.2f} mm {where(colour)}", translate=False)
        if look.view == "UNCUT" and relief_looks.most_uncut(relief.data) is None:
            ui_parts.words(
                layout, context, "Check the tools first; the picture is of the relief as it then stands", "INFO"
            )
        ui_parts.switched(layout, look, "has_section", "section", "Section Plane")
        layout.operator("mesh.relief_knot_rake", icon="LIGHT_SUN")
        layout.operator_context = "INVOKE_DEFAULT"
        layout.operator("mesh.relief_knot_preview", icon="IMAGE_DATA")


def where(colour):
    """A word for how light a colour of a legend is, for those who see no hues."""
    light = view_drawing.lightness(colour)
    return rpt_("(light)") if light > 0.6 else rpt_("(dark)") if light < 0.3 else ""


class VIEW3D_PT_relief_knot_tools(Carved, bpy.types.Panel):
    bl_label = "Tools"
    bl_parent_id = "VIEW3D_PT_relief_knot_carving"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, _knot = self.begin(context)
        carving = context.object.relief_knot_carving
        layout.prop(carving, "cutter")
        column = layout.column(align=True)
        column.prop(carving, "cutter_width")
        if carving.cutter in {"V", "TAPERED"}:
            column.prop(carving, "cutter_tip")
            column.prop(carving, "cutter_angle")
        layout.prop(carving, "tolerance")
        layout.prop(carving, "share")
        layout.prop(carving, "scallop")
        layout.prop(carving, "gouges")
        layout.operator("mesh.relief_knot_tools", icon="VIEWZOOM")
        facts, fresh = carving_props.checked(context.object)
        if not facts:
            return
        if not fresh:
            ui_parts.words(layout, context, "The knot has changed since the tools were tried", "INFO")
        rows = layout.column(align=True)
        rows.active = fresh
        for label, value in tool_facts(facts):
            ui_parts.fact(rows, label, value)
        narrow = facts["hand"]["narrowest_ground"][:MOST_ROWS]
        if narrow:
            layout.label(text="Narrowest Ground, and What Enters")
            column = layout.column(align=True)
            column.active = fresh
            for place in narrow:
                row = column.row(align=True)
                tool = place["enters"] or rpt_("no tool owned")
                row.label(text=f"{place['between_edges_mm']:.2f} mm: {tool}", translate=False, icon="DOT")
                ui_parts.look(row, place["at"])
        suits = [bend for bend in facts["hand"]["bends"] if bend["gouge"]][:MOST_ROWS]
        if suits:
            layout.label(text="Bends, and What Fits")
            column = layout.column(align=True)
            column.active = fresh
            for bend in suits:
                radius = bend["radius_mm"]
                column.label(
                    text=f"R {radius:.2f} mm: {bend['gouge']} ({bend['misfit_mm']:.2f} mm)", translate=False, icon="DOT"
                )
        walls = facts["hand"]["walls_across_grain"]
        if walls["count"]:
            said = rpt_("{} steep walls across the grain, {} mm in all").format(
                walls["count"], f"{walls['length_mm']:.0f}"
            )
            ui_parts.words(layout, context, said, "INFO")
        assumes = facts["assumes"]
        ui_parts.words(layout, context, assumes, "INFO")


def tool_facts(facts):
    """Labels and values of what the first cutter leaves."""
    row = facts["cutters"][0] if facts["cutters"] else None
    if row is None:
        return
    yield "Cutter", row["name"]
    yield "Area Uncut", f"{row['uncut_area_mm2']:.4g} mm\u00b2 ({100 * row['uncut_share']:.2g} %)"
    yield "Volume Uncut", f"{row['uncut_volume_mm3']:.4g} mm\u00b3"
    yield "Most Left", f"{row['most_left_mm']:.2f} mm"
    best = row["largest_that_does"]["name"]
    yield "Largest That Does", best or "\u2013"
    passes = row["passes"]
    if passes:
        yield "Stepover", f"{passes['stepover_mm']:.3g} mm"


class VIEW3D_PT_relief_knot_depths(Carved, bpy.types.Panel):
    bl_label = "Depth Table"
    bl_parent_id = "VIEW3D_PT_relief_knot_carving"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, _knot = self.begin(context)
        facts, fresh = carving_props.checked(context.object)
        if not facts:
            layout.operator("mesh.relief_knot_tools", icon="VIEWZOOM")
            return
        layout.operator("mesh.relief_knot_copy_depths", icon="COPYDOWN")
        column = layout.column(align=True)
        column.active = fresh
        head = column.row()
        for title in ("Number", "Over", "Under", "Ground"):
            head.label(text=title)
        for row in facts["depths"][:MOST_ROWS]:
            cells = column.row()
            cells.label(text=str(row["crossing"]), translate=False)
            for key in ("over_mm", "under_mm", "ground_mm"):
                value = row[key]
                shown = "\u2013" if value is None else f"{value:.2f}"
                cells.label(text=shown, translate=False)
        more = len(facts["depths"]) - MOST_ROWS
        if more > 0:
            layout.label(text=rpt_("{} more, in the copy and in report.json").format(more), translate=False)


class VIEW3D_PT_relief_knot_carve_files(Carved, bpy.types.Panel):
    bl_label = "Carve Files"
    bl_parent_id = "VIEW3D_PT_relief_knot_carving"

    def draw(self, context):
        layout, _knot = self.begin(context)
        layout.prop(context.object.relief_knot_carving, "resolution")
        layout.operator_context = "INVOKE_DEFAULT"
        layout.operator("mesh.relief_knot_carve_files", text="Carve Files", icon="EXPORT")
        layout.operator_menu_enum("mesh.relief_knot_sheet", "format", text="Pattern Sheet", icon="FILE_TEXT")
        for line in ops_carve.last_said:
            ui_parts.words(layout, context, line, "CHECKMARK")


class VIEW3D_PT_relief_knot_carve_cautions(Carved, bpy.types.Panel):
    bl_label = "Cautions"
    bl_parent_id = "VIEW3D_PT_relief_knot_carve_files"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, _knot = self.begin(context)
        ops_carve.say_cautions(layout, context)


class VIEW3D_PT_relief_knot_of_relief(ui_parts.Tab, bpy.types.Panel):
    bl_label = "Carved Relief"

    @classmethod
    def poll(cls, context):
        return relief_object.is_relief(context.object)

    def draw(self, context):
        layout = self.layout
        ui_parts.words(layout, context, "This relief follows its knot, whose settings carve it", "INFO")
        layout.operator("mesh.relief_knot_select_source", icon="RESTRICT_SELECT_OFF")


# --- the legend in the view -------------------------------------------------------------------------------------------

_handle = []


def draw_legend():
    """Draw the colours of a coloured view with their mm, lower left; after the view, in pixels."""
    context = bpy.context
    if context.area is None or not context.space_data.overlay.show_overlays:
        return
    obj = context.object
    relief = obj if relief_object.is_relief(obj) else relief_object.relief_of(obj) if store.is_knot(obj) else None
    if relief is None or not relief.visible_get():
        return
    rows = relief_looks.legend(relief)
    if not rows:
        return
    scale = context.preferences.system.ui_scale
    height, width, x, y = 18 * scale, 20 * scale, 24 * scale, 40 * scale
    view_drawing.plate(
        x - 8 * scale, y - 10 * scale, x + width + 84 * scale, y + len(rows) * height + 8 * scale, (0, 0, 0, 1)
    )
    for k, (colour, depth) in enumerate(reversed(rows)):
        view_drawing.plate(x, y + k * height, x + width, y + (k + 1) * height, (*(float(part) for part in colour), 1.0))
        view_drawing.write(context, x + width + 8 * scale, y + k * height + 4 * scale, f"{depth:.2f} mm", (1, 1, 1, 1))


CLASSES = (
    VIEW3D_PT_relief_knot_carving,
    VIEW3D_PT_relief_knot_board,
    VIEW3D_PT_relief_knot_relief_view,
    VIEW3D_PT_relief_knot_tools,
    VIEW3D_PT_relief_knot_depths,
    VIEW3D_PT_relief_knot_carve_files,
    VIEW3D_PT_relief_knot_carve_cautions,
    VIEW3D_PT_relief_knot_of_relief,
)


def register():
    """Make this part known to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    if not bpy.app.background:
        _handle.append(bpy.types.SpaceView3D.draw_handler_add(draw_legend, (), "WINDOW", "POST_PIXEL"))


def unregister():
    """Take back what register did."""
    while _handle:
        bpy.types.SpaceView3D.draw_handler_remove(_handle.pop(), "WINDOW")
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
