"""Printing and Casting: the piece's settings, what was found on it, and its files."""

import bpy
from bpy.app.translations import pgettext_rpt as rpt_

from . import core, ops_mend, ops_print, piece_object, store, ui_parts

PART_NAMES = {
    "plate": "Backing Plate",
    "frame": "Frame",
    "bail": "Bail",
    "eye": "Jump-Ring Hole",
    "mark": "Maker's Mark",
    "hollow": "Hollow Back",
    "ring": "Finger Ring",
    "mass_g": "Set Mass",
}

PARTS = [
    ("has_plate", ("plate_shape", "plate_thickness", "plate_margin")),
    ("has_frame", ("frame_shape", "frame_width", "frame_height", "frame_overlap")),
    ("has_bail", ("bail_kind", "bail_bore", "bail_wall", "bail_length")),
    ("has_eye", ("eye_bore", "eye_wall", "eye_thickness", "eye_place")),
    ("has_mark", ("mark_width", "mark_height", "mark_thickness")),
    ("has_hollow", ("hollow_wall",)),
    ("has_ring", ("ring_circumference", "ring_band", "ring_comfort")),
]
"""The switch of each part, and its settings."""


class Printing(ui_parts.Section):
    """What the sub-panels share: they are there for free and fused knots, and for pieces."""

    @classmethod
    def poll(cls, context):
        knot = store.active_knot(context)
        design = None if knot is None else store.design_of(knot)
        return design is not None and design.heights.way is not core.design.Making.CARVED

    def begin_piece(self, context):
        """The section's layout, the knot and the settings of its piece."""
        layout, _knot = self.begin(context)
        return layout, context.object, context.object.relief_knot_print


class VIEW3D_PT_relief_knot_printing(Printing, bpy.types.Panel):
    bl_label = "Printing and Casting"
    bl_parent_id = ui_parts.MAKING
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, obj, look = self.begin_piece(context)
        column = layout.column(align=True)
        column.prop(look, "material")
        column.prop(look, "profile")
        column.prop(look, "limits_file")
        asked = store.design_of(obj).make.print
        if piece_object.left_out(asked):
            missing = ", ".join(rpt_(PART_NAMES[name]) for name in piece_object.left_out(asked))
            text = rpt_("Not made in this Blender, which has no manifold3d: {}").format(missing)
            ui_parts.words(layout, context, text, "INFO")
            ui_parts.words(layout, context, "For these use the command line: knotgeom print FILE -o FOLDER", "BLANK1")
        elif not piece_object.is_whole():
            ui_parts.words(layout, context, "Creases are filleted by the command line only: knotgeom print", "INFO")
        ui_parts.button(layout, piece_object.job_of(obj), "mesh.relief_knot_piece", "CHECKMARK")
        if look.error:
            ui_parts.words(layout, context, look.error, "ERROR", alert=True)
        elif piece_object.is_stale(obj):
            ui_parts.words(layout, context, "The piece waits to be made again", "INFO")


class VIEW3D_PT_relief_knot_piece_settings(Printing, bpy.types.Panel):
    bl_label = "Piece"
    bl_parent_id = "VIEW3D_PT_relief_knot_printing"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, _obj, look = self.begin_piece(context)
        for switch, name, heading in (("has_size", "size", "Size"), ("has_mass", "mass_g", "Mass in g")):
            ui_parts.switched(layout, look, switch, name, heading)
        if look.has_size:
            layout.prop(look, "size_of")
        column = layout.column(align=True)
        for name in ("shrinkage", "finishing", "fillet", "rounding", "tolerance"):
            column.prop(look, name)
        for switch, names in PARTS:
            layout.prop(look, switch)
            if getattr(look, switch):
                column = layout.column(align=True)
                for name in names:
                    if name != "bail_length" or look.bail_kind != "LOOP":
                        column.prop(look, name)


class VIEW3D_PT_relief_knot_piece_checks(Printing, bpy.types.Panel):
    bl_label = "Checks of the Piece"
    bl_parent_id = "VIEW3D_PT_relief_knot_printing"

    def draw(self, context):
        layout, obj, look = self.begin_piece(context)
        report = piece_object.report_of(obj)
        if not report:
            layout.label(text="The piece is not made yet")
            return
        layout.active = not piece_object.is_stale(obj)
        rows = layout.column(align=True)
        for label, value in piece_facts(report):
            ui_parts.fact(rows, label, value)
        layout.prop(look, "show_places")
        if not report["findings"]:
            layout.label(text="It can be made: nothing is found wrong", icon="CHECKMARK")
        for number, finding in enumerate(report["findings"]):
            self.draw_finding(context, layout, number, finding)

    @staticmethod
    def draw_finding(context, layout, number, finding):
        """One finding: its kind, a button that shows the place, what would do, a button for each remedy."""
        box = layout.box().column(align=True)
        row = box.row(align=True)
        ui_parts.words(row, context, rpt_(finding["kind"].capitalize()), "ERROR", less=6)
        if finding["at"] is not None:
            row.operator("mesh.relief_knot_piece_look", text="", icon="VIEWZOOM").finding = number
        ui_parts.words(box, context, finding["remedy"])
        if finding["changes"]:
            row = box.row(align=True)
            for remedy, given in enumerate(finding["changes"]):
                words = ops_mend.label(given["key"], given["value"])
                button = row.operator("mesh.relief_knot_piece_mend", text=words)
                button.finding, button.remedy = number, remedy


def piece_facts(report):
    """Labels and values of what was measured on a piece."""
    x, y, z = report["size_mm"]
    yield "Size", f"{x:.4g} x {y:.4g} x {z:.3g} mm"
    x, y, z = report["model_size_mm"]
    if report["model_size_mm"] != report["size_mm"]:
        yield "Size of the Model", f"{x:.4g} x {y:.4g} x {z:.3g} mm"
    yield "Mass", f"{report['mass_g']:.3g} g"
    yield "Density", f"{report['material']['density_g_cm3']:g} g/cm\u00b3"
    yield "Volume", f"{report['volume_mm3']:.4g} mm\u00b3"
    for key, label in (("wall_mm", "Least Wall"), ("gap_mm", "Least Gap"), ("clearance_mm", "Clearance")):
        if report[key] is not None:
            yield label, f"{report[key]['value']:.2f} \u00b1 {report[key]['error']:.2f} mm"
    yield "Bodies", str(report["bodies"])
    if report["hang"] is not None:
        yield "Leans Sideways", f"{abs(report['hang']['turned_deg']):.1f}\u00b0"
        yield "Tips Forward", f"{round(report['hang']['tilted_deg'], 1) + 0.0:.1f}\u00b0"  # no -0.0


class VIEW3D_PT_relief_knot_piece_files(Printing, bpy.types.Panel):
    bl_label = "Files and Pictures"
    bl_parent_id = "VIEW3D_PT_relief_knot_printing"

    def draw(self, context):
        layout, _obj, _look = self.begin_piece(context)
        layout.operator_menu_enum("mesh.relief_knot_export_piece", "format", text="Export Piece", icon="EXPORT")
        layout.operator("mesh.relief_knot_export_set", icon="FILE_FOLDER")
        column = layout.column(align=True)
        column.operator("mesh.relief_knot_studio", icon="LIGHT_AREA")
        column.operator("render.relief_knot_true_scale", icon="RENDER_STILL")
        column = layout.column()
        for caution in ops_print.cautions():
            ui_parts.words(column, context, caution, "INFO")


CLASSES = (
    VIEW3D_PT_relief_knot_printing,
    VIEW3D_PT_relief_knot_piece_settings,
    VIEW3D_PT_relief_knot_piece_checks,
    VIEW3D_PT_relief_knot_piece_files,
)

register, unregister = bpy.utils.register_classes_factory(CLASSES)
