"""Sub-panels of the sidebar: starting points and help."""

import bpy

from . import help as helping
from . import recent, starts, store, ui_parts


class VIEW3D_PT_relief_knot_starts(ui_parts.Tab, bpy.types.Panel):
    bl_label = "Starting Points"
    bl_parent_id = "VIEW3D_PT_relief_knot"
    bl_options = {"DEFAULT_CLOSED"}
    bl_order = 90

    def draw(self, context):
        layout = self.layout
        chooser = context.window_manager.relief_knot_starts
        layout.prop(chooser, "use", text="")
        chosen = chooser.chosen
        if chosen is None:
            ui_parts.words(layout, context, "Nothing saved yet", "INFO")
        else:
            self.draw_chosen(context, layout, chooser, chosen)
        column = layout.column()
        column.operator("mesh.relief_knot_keep", icon="FILE_TICK")
        row = column.row()
        row.enabled = bool(recent.files())
        row.menu("VIEW3D_MT_relief_knot_recent", icon="RECOVER_LAST")
        column.operator("wm.relief_knot_assets", icon="ASSET_MANAGER")

    @staticmethod
    def draw_chosen(context, layout, chooser, chosen):
        layout.template_icon_view(chooser, chooser.use, show_labels=True, scale=7.0, scale_popup=6.0)
        row = layout.row(align=True)
        row.prop(chooser, chooser.use, text="")
        if chosen.use == starts.OWN:
            row.operator("wm.relief_knot_drop_start", text="", icon="TRASH").key = chosen.key
        ui_parts.words(layout, context, starts.about(chosen))
        row = layout.row(align=True)
        row.operator_context = "INVOKE_REGION_WIN"
        row.operator("mesh.relief_knot_start", text="Add", icon="ADD").key = chosen.key
        if store.active_knot(context) is not None:
            button = row.operator("mesh.relief_knot_start", text="Replace", icon="FILE_REFRESH")
            button.key, button.replace = chosen.key, True


class VIEW3D_PT_relief_knot_help(ui_parts.Tab, bpy.types.Panel):
    bl_label = "Help"
    bl_parent_id = "VIEW3D_PT_relief_knot"
    bl_options = {"DEFAULT_CLOSED"}
    bl_order = 100

    def draw(self, _context):
        grid = self.layout.grid_flow(columns=2, even_columns=True, align=True, row_major=True)
        for topic in helping.TOPICS:
            grid.operator("wm.relief_knot_help", text=topic.title).topic = topic.key


CLASSES = (VIEW3D_PT_relief_knot_starts, VIEW3D_PT_relief_knot_help)


register, unregister = bpy.utils.register_classes_factory(CLASSES)
