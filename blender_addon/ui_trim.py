"""Game Trims: the kit's settings, what was measured on it, laying it along paths, its textures and files."""

import bpy

from . import store, trim_object, trim_textures, ui_parts


class Trims(ui_parts.Section):
    """What the sub-panels share: they are there for strips, for the pieces of their kits and for trims laid."""

    @classmethod
    def poll(cls, context):
        knot = trim_object.knot_in(context)
        return knot is not None and knot.relief_knot.kind == "STRIP"

    def begin_trim(self, context):
        """The section's layout, the knot and the settings of its kit."""
        knot = trim_object.knot_in(context)
        return ui_parts.as_settings(self.layout, context), knot, knot.relief_knot_trim


class VIEW3D_PT_relief_knot_trims(Trims, bpy.types.Panel):
    bl_label = "Game Trims"
    bl_parent_id = ui_parts.MAKING
    bl_options = {"DEFAULT_CLOSED"}

    @classmethod
    def poll(cls, context):
        return store.active_knot(context) is not None

    def draw(self, context):
        layout, knot, look = self.begin_trim(context)
        if knot.relief_knot.kind != "STRIP":
            ui_parts.words(layout, context, "A trim kit is made of a strip: choose that kind under Layout", "INFO")
            return
        column = layout.column(align=True)
        column.prop(look, "triangles")
        column.prop(look, "corners")
        column = layout.column()
        column.use_property_split = False
        flow = column.grid_flow(columns=2, even_columns=True)
        flow.prop(look, "pieces")
        ui_parts.button(layout, trim_object.job_of(knot), "mesh.relief_knot_kit", "MOD_ARRAY")
        if look.error:
            ui_parts.words(layout, context, look.error, "ERROR", alert=True)
        elif trim_object.is_stale(knot):
            ui_parts.words(layout, context, "The kit waits to be made again", "INFO")


class VIEW3D_PT_relief_knot_trim_settings(Trims, bpy.types.Panel):
    bl_label = "Kit Settings"
    bl_parent_id = "VIEW3D_PT_relief_knot_trims"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, _knot, look = self.begin_trim(context)
        column = layout.column(align=True)
        for name in ("repeats", "lengths", "stretch"):
            column.prop(look, name)
        row = layout.row()
        row.active = not look.has_screen
        row.prop(look, "levels")
        layout.prop(look, "has_screen")
        if look.has_screen:
            layout.prop(look, "pixels")
        layout.prop(look, "hard")
        column = layout.column(heading="Faces")
        for name in ("underside", "capped", "card", "hull"):
            column.prop(look, name)


class VIEW3D_PT_relief_knot_trim_lay(Trims, bpy.types.Panel):
    bl_label = "Along a Path"
    bl_parent_id = "VIEW3D_PT_relief_knot_trims"

    def draw(self, context):
        layout, _knot, look = self.begin_trim(context)
        layout.prop(look, "path")
        column = layout.column()
        for name in ("caps", "flip"):
            column.prop(look, name)
        layout.prop(look, "laid_level")
        layout.operator("mesh.relief_knot_lay", icon="CURVE_PATH")
        if context.object.relief_knot_trim.source is not None and context.object.relief_knot_trim.piece_level < 0:
            ui_parts.words(layout, context, context.object.relief_knot_trim.report, "INFO")


class VIEW3D_PT_relief_knot_trim_facts(Trims, bpy.types.Panel):
    bl_label = "Pieces of the Kit"
    bl_parent_id = "VIEW3D_PT_relief_knot_trims"

    def draw(self, context):
        layout, knot, _look = self.begin_trim(context)
        report = trim_object.report_of(knot)
        if not report:
            layout.label(text="The kit is not made yet")
            return
        layout.active = not trim_object.is_stale(knot)
        rows = layout.column(align=True)
        ui_parts.fact(rows, "Repeat", f"{report['period_mm']:.5g} mm")
        ui_parts.fact(rows, "Sheet", "{} x {}".format(*report["sheet"]))
        ui_parts.fact(rows, "Texels to the Metre", f"{report['texels_per_m']:.5g}")
        box = layout.column(align=True)
        for piece in report["pieces"]:
            split = box.split(factor=0.45)
            name, counts = piece["name"], " / ".join(str(count) for count in piece["triangles"])
            split.label(text=name, translate=False)
            split.label(text=counts, translate=False)
        for finding in report["findings"]:
            ui_parts.words(layout, context, finding, "ERROR")
        for note in report["notes"]:
            ui_parts.words(layout, context, note, "INFO")


class VIEW3D_PT_relief_knot_trim_textures(Trims, bpy.types.Panel):
    bl_label = "Textures and Files"
    bl_parent_id = "VIEW3D_PT_relief_knot_trims"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, knot, look = self.begin_trim(context)
        column = layout.column(align=True)
        for name in ("size", "density", "padding"):
            column.prop(look, name)
        layout.prop(look, "bits")
        layout.prop(look, "green")
        if trim_textures.job_of(knot) is None:
            layout.operator_menu_enum("mesh.relief_knot_textures", "by", text="Bake Textures", icon="TEXTURE")
        else:
            ui_parts.progress(layout, trim_textures.job_of(knot))
        layout.operator_menu_enum("mesh.relief_knot_export_kit", "format", text="Export Kit", icon="EXPORT")
        layout.operator("mesh.relief_knot_kit_assets", icon="ASSET_MANAGER")


CLASSES = (
    VIEW3D_PT_relief_knot_trims,
    VIEW3D_PT_relief_knot_trim_settings,
    VIEW3D_PT_relief_knot_trim_lay,
    VIEW3D_PT_relief_knot_trim_facts,
    VIEW3D_PT_relief_knot_trim_textures,
)

register, unregister = bpy.utils.register_classes_factory(CLASSES)
