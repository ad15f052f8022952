"""What is done with starting points: added, saved, deleted, written as assets; menus of them and of recent files."""

import contextlib
import os
import re

import bpy
from bpy.app.translations import pgettext_iface as _
from bpy.app.translations import pgettext_rpt as rpt_
from bpy.props import BoolProperty, EnumProperty, StringProperty
from bpy_extras import object_utils

from . import asset_library, core, ops_add, ops_edit, ops_files, props, recent, starts, store

# Operators


class MESH_OT_relief_knot_start(bpy.types.Operator, object_utils.AddObjectHelper):
    bl_idname = "mesh.relief_knot_start"
    bl_label = "Add Starting Point"
    bl_description = "Add a knot of the collection, ready to be changed in any way"
    bl_options = {"REGISTER", "UNDO"}

    key: StringProperty(name="Design", description="Which of the collection", options={"HIDDEN"})
    replace: BoolProperty(
        name="Replace Active",
        description="Give the active knot this design instead of adding a knot",
        default=False,
        options={"SKIP_SAVE"},
    )
    frame: BoolProperty(
        name="Frame in View", description="Show the new knot whole", default=False, options={"HIDDEN", "SKIP_SAVE"}
    )

    @classmethod
    def poll(cls, context):
        return ops_add.needs_object_mode(cls, context)

    @classmethod
    def description(cls, _context, properties):
        start = starts.find(properties.key)
        return starts.about(start) if start else cls.bl_description

    def draw(self, _context):
        layout = self.layout
        layout.use_property_split = True
        layout.use_property_decorate = False
        for name in ("align", "location", "rotation"):
            layout.prop(self, name)

    def invoke(self, context, _event):
        self.frame = not self.replace
        return self.execute(context)

    def execute(self, context):
        start = starts.find(self.key)
        if start is None:
            self.report({"ERROR"}, rpt_("This starting point is no longer there; choose another"))
            return {"CANCELLED"}
        try:
            design = core.reading.read_file(start.path)
        except store.DesignError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        obj = store.active_knot(context) if self.replace else None
        if obj is not None and store.is_ours(obj):
            props.from_design(obj, design)
        else:
            obj = ops_add.new_knot(context, design, rpt_(start.name), self)
        if self.frame:
            ops_add.frame(context)
        return ops_add.told(self, obj, ops_add.about(obj, context.scene))


class MESH_OT_relief_knot_keep(ops_edit.KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_keep"
    bl_label = "Save as Starting Point"
    bl_description = "Keep the design of the active knot among your own starting points"
    bl_options = {"REGISTER"}

    name: StringProperty(name="Name", description="Name of the starting point; one of the same name is replaced")

    def invoke(self, context, _event):
        self.name = context.object.name
        return context.window_manager.invoke_props_dialog(self)

    def execute(self, context):
        name = re.sub(r'[\x00-\x1f<>:"/\\|?*]', " ", self.name).strip(" .")
        design, wrong = store.parse(context.object.relief_knot.text)
        if not name or wrong is not None:
            self.report({"ERROR"}, str(wrong) if wrong else rpt_("Give the starting point a name"))
            return {"CANCELLED"}
        try:
            folder = recent.designs(create=True)
            path = os.path.join(folder, name + ops_files.EXTENSION)
            core.files.whole.write(path, [core.reading.write_text(design).encode()])
            starts.save_picture(design, os.path.join(folder, f"{name}.png"))
        except (OSError, RuntimeError) as error:
            self.report({"ERROR"}, rpt_("{}: cannot be saved ({})").format(recent.designs(), error))
            return {"CANCELLED"}
        context.window_manager.relief_knot_starts.use = starts.OWN
        self.report({"INFO"}, rpt_("{} is among your starting points").format(name))
        return {"FINISHED"}


class WM_OT_relief_knot_drop_start(bpy.types.Operator):
    bl_idname = "wm.relief_knot_drop_start"
    bl_label = "Delete Starting Point"
    bl_description = "Delete this one of your own starting points from the disk; knots made from it stay"
    bl_options = {"REGISTER"}

    key: StringProperty(name="Key", description="Which of your starting points", options={"HIDDEN"})

    def invoke(self, context, event):
        return context.window_manager.invoke_confirm(self, event)

    def execute(self, _context):
        start = starts.find(self.key)
        if start is None or start.use != starts.OWN:
            self.report({"ERROR"}, rpt_("Only your own starting points can be deleted"))
            return {"CANCELLED"}
        try:
            os.remove(start.path)
            with contextlib.suppress(FileNotFoundError):
                os.remove(start.picture)
        except OSError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        return {"FINISHED"}


class WM_OT_relief_knot_forget(bpy.types.Operator):
    bl_idname = "wm.relief_knot_forget"
    bl_label = "Clear List"
    bl_description = "Empty the list of recent design files; the files stay"

    def execute(self, _context):
        recent.forget()
        return {"FINISHED"}


class WM_OT_relief_knot_assets(bpy.types.Operator):
    bl_idname = "wm.relief_knot_assets"
    bl_label = "Write Asset Library"
    bl_description = (
        "Write all starting points into a folder as assets with pictures and a catalog; knots appended from there "
        "stay designs that you can change. Add the folder under Preferences > File Paths > Asset Libraries"
    )
    bl_options = {"REGISTER"}

    directory: StringProperty(name="Folder", description="Where the library is written", subtype="DIR_PATH")
    filter_folder: BoolProperty(default=True, options={"HIDDEN"})

    @classmethod
    def poll(cls, context):
        return ops_add.needs_object_mode(cls, context)

    def invoke(self, context, _event):
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def execute(self, context):
        try:
            number = asset_library.write(context, bpy.path.abspath(self.directory))
        except (OSError, RuntimeError) as error:
            self.report(
                {"ERROR"}, rpt_("{}: cannot be written ({}); choose another folder").format(self.directory, error)
            )
            return {"CANCELLED"}
        self.report({"INFO"}, rpt_("{} assets written to {}").format(number, self.directory))
        return {"FINISHED"}


# Menus


def _draw_use(self, _context):
    layout = self.layout
    layout.operator_context = "INVOKE_REGION_WIN"
    for start in starts.listed(self.use):
        layout.operator("mesh.relief_knot_start", text=_(start.name), icon_value=starts.icon(start)).key = start.key


def _use_menu(use, label):
    name = f"VIEW3D_MT_relief_knot_{use}"
    return type(name, (bpy.types.Menu,), {"bl_idname": name, "bl_label": label, "use": use, "draw": _draw_use})


USE_MENUS = tuple(_use_menu(use, label) for use, label, _about in starts.USES)


class VIEW3D_MT_relief_knot_starts(bpy.types.Menu):
    bl_idname = "VIEW3D_MT_relief_knot_starts"
    bl_label = "Relief Knot Collection"

    def draw(self, _context):
        for menu in USE_MENUS:
            if starts.listed(menu.use):
                self.layout.menu(menu.bl_idname)


class VIEW3D_MT_relief_knot_recent(bpy.types.Menu):
    bl_idname = "VIEW3D_MT_relief_knot_recent"
    bl_label = "Recent Files"

    def draw(self, _context):
        layout = self.layout
        layout.operator_context = "EXEC_DEFAULT"
        listed = recent.files()
        for path in listed:
            layout.operator("mesh.relief_knot_import", text=ops_files.stem(path), translate=False).filepath = path
        if not listed:
            layout.label(text="No design file was opened or saved yet")
            return
        layout.separator()
        layout.operator("wm.relief_knot_forget", icon="X")


def draw_menu(self, _context):
    """The entry in Add > Mesh."""
    self.layout.menu(VIEW3D_MT_relief_knot_starts.bl_idname, icon="ASSET_MANAGER")


# What the sidebar remembers


def _chooser(use):
    return EnumProperty(
        name="Design",
        description="The design to start from",
        items=lambda _self, _context: starts.items(use),
        options={"SKIP_SAVE"},
    )


class ReliefKnotStarts(bpy.types.PropertyGroup):
    """Which starting point is chosen in the sidebar. Not saved."""

    use: EnumProperty(
        name="Use", description="What the design is for", items=starts.USES, default="pendant", options={"SKIP_SAVE"}
    )
    pendant: _chooser("pendant")
    board: _chooser("board")
    trim: _chooser("trim")
    drawing: _chooser("drawing")
    own: _chooser(starts.OWN)

    @property
    def chosen(self):
        """The starting point that is chosen, or None."""
        return starts.find(getattr(self, self.use))


CLASSES = (
    MESH_OT_relief_knot_start,
    MESH_OT_relief_knot_keep,
    WM_OT_relief_knot_drop_start,
    WM_OT_relief_knot_forget,
    WM_OT_relief_knot_assets,
    *USE_MENUS,
    VIEW3D_MT_relief_knot_starts,
    VIEW3D_MT_relief_knot_recent,
    ReliefKnotStarts,
)


def register():
    """Make this part known to Blender."""
    starts.open_pictures()
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.WindowManager.relief_knot_starts = bpy.props.PointerProperty(type=ReliefKnotStarts)
    bpy.types.VIEW3D_MT_mesh_add.append(draw_menu)


def unregister():
    """Take back what register did."""
    bpy.types.VIEW3D_MT_mesh_add.remove(draw_menu)
    del bpy.types.WindowManager.relief_knot_starts
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
    starts.close_pictures()
