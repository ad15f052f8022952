"""Starting points: a collection of designs with pictures, the user's own beside it, recent files, an asset library."""

import contextlib
import functools
import json
import os
import re
import uuid
from dataclasses import dataclass
from pathlib import Path

import bpy
import bpy.utils.previews
import numpy as np
from bpy.app.translations import pgettext_iface as _
from bpy.app.translations import pgettext_rpt as rpt_
from bpy.props import BoolProperty, EnumProperty, StringProperty
from bpy_extras import object_utils

from . import core, ops_add, ops_edit, ops_files, props, recent, setting_out, store

SHIPPED = Path(__file__).resolve().parent / "presets"

OWN = "own"

USES = [
    ("pendant", "Pendants", "Small pieces to print or cast"),
    ("board", "Carved Boards", "Panels to carve in wood"),
    ("trim", "Trims", "Strips and bands for models"),
    ("drawing", "Drawings", "Knots to look at and to draw from"),
    (OWN, "My Own", "Designs that you saved as starting points"),
]

PIXELS = 256


@dataclass(frozen=True)
class Start:
    """A design to start from: its key (use and file name), name, a line about it, and its files."""

    key: str
    name: str
    about: str
    path: str
    picture: str

    @property
    def use(self):
        """One of USES."""
        return self.key.partition("/")[0]


@functools.lru_cache(maxsize=1)
def shipped():
    """The collection that comes with the add-on."""
    entries = json.loads((SHIPPED / "collection.json").read_text(encoding="utf-8"))
    return tuple(
        Start(
            entry["id"],
            entry["name"],
            entry["about"],
            str(SHIPPED / f"{entry['id']}{ops_files.EXTENSION}"),
            str(SHIPPED / f"{entry['id']}.png"),
        )
        for entry in entries
    )


def own():
    """What the user saved, by name."""
    folder = recent.designs()
    try:
        names = sorted(name for name in os.listdir(folder) if name.endswith(ops_files.EXTENSION))
    except OSError:
        return ()
    return tuple(
        Start(
            f"{OWN}/{ops_files.stem(name)}",
            ops_files.stem(name),
            rpt_("Your own design"),
            os.path.join(folder, name),
            os.path.join(folder, f"{ops_files.stem(name)}.png"),
        )
        for name in names
    )


def starts(use=None):
    """All starting points, or those of one use."""
    return [start for start in (*shipped(), *own()) if use in {None, start.use}]


def find(key):
    """The starting point of a key, None where there is none."""
    return next((start for start in starts() if start.key == key), None)


@functools.lru_cache(maxsize=128)
def measures(path, _changed):
    """Outer size and number of crossings of a design file, in words; empty where it cannot be read."""
    try:
        design = core.reading.read_file(path)
        counted = core.made.count(design)
    except (store.DesignError, OSError):
        return ""
    crossings = int((counted.layout.state == core.layout.halfedge.CROSSING).sum())
    return f"{setting_out.size_words(design)}, " + rpt_("{} crossings").format(crossings)


def about(start):
    """A line or two about a starting point, its size among them."""
    with contextlib.suppress(OSError):
        size = measures(start.path, os.path.getmtime(start.path))
        return f"{rpt_(start.about)}. {size}" if size else rpt_(start.about)
    return rpt_(start.about)


# Pictures

_pictures = {}


def icon(start):
    """Blender's number for the picture of a starting point, 0 where it has none."""
    pictures = _pictures.get("all")
    if pictures is None or not os.path.exists(start.picture):
        return 0
    name = f"{start.picture} {os.path.getmtime(start.picture)}"
    if name not in pictures:
        pictures.load(name, start.picture, "IMAGE")
    return pictures[name].icon_id


_items = {}  # kept here: Blender holds no reference to the items it is given


def items(use):
    """The starting points of one use as items of an enumeration."""
    made = [
        (start.key, rpt_(start.name), about(start), icon(start), number) for number, start in enumerate(starts(use))
    ]
    if not made:
        made = [("NONE", rpt_("Nothing saved yet"), rpt_("Save a knot with Save as Starting Point"), 0, 0)]
    if _items.get(use) != made:
        _items[use] = made
    return _items[use]


def save_picture(design, path):
    """Draw a design from straight above into a square PNG, with Blender's own writer."""
    mesh = core.made.make(design, fine=False).mesh
    if mesh is None:
        return
    shown = core.picture.picture(mesh, PIXELS, margin=0.05)
    square = np.empty((PIXELS, PIXELS, 3), np.uint8)
    square[:] = shown[0, 0]
    top, left = (PIXELS - shown.shape[0]) // 2, (PIXELS - shown.shape[1]) // 2
    square[top : top + shown.shape[0], left : left + shown.shape[1]] = shown
    image = bpy.data.images.new("Relief Knot Picture", PIXELS, PIXELS)
    try:
        image.pixels.foreach_set(_rgba(square))
        image.filepath_raw = str(path)
        image.file_format = "PNG"
        image.save()
    finally:
        bpy.data.images.remove(image)


def _rgba(square):
    """Rows from the bottom up, with alpha, as Blender keeps pixels."""
    opaque = np.full((*square.shape[:2], 1), 255, np.uint8)
    return (np.concatenate([square, opaque], axis=2)[::-1].reshape(-1) / np.float32(255)).astype(np.float32)


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
        start = find(properties.key)
        return about(start) if start else cls.bl_description

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
        start = find(self.key)
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
        if obj.relief_knot.error:
            self.report({"WARNING"}, obj.relief_knot.error)
        else:
            self.report({"INFO"}, ops_add.about(obj, context.scene))
        return {"FINISHED"}


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
            save_picture(design, os.path.join(folder, f"{name}.png"))
        except (OSError, RuntimeError) as error:
            self.report({"ERROR"}, rpt_("{}: cannot be saved ({})").format(recent.designs(), error))
            return {"CANCELLED"}
        context.window_manager.relief_knot_starts.use = OWN
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
        start = find(self.key)
        if start is None or start.use != OWN:
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
            number = write_assets(context, bpy.path.abspath(self.directory))
        except (OSError, RuntimeError) as error:
            self.report(
                {"ERROR"}, rpt_("{}: cannot be written ({}); choose another folder").format(self.directory, error)
            )
            return {"CANCELLED"}
        self.report({"INFO"}, rpt_("{} assets written to {}").format(number, self.directory))
        return {"FINISHED"}


LIBRARY, CATALOGS = "relief_knots.blend", "blender_assets.cats.txt"
_FAMILY = uuid.UUID("6d0c5f0e-3c5b-4f2a-9a35-2f4d1c1d7b60")


def catalog(use):
    """The catalog of one use: the same in every library, so that libraries written later do not double it."""
    return str(uuid.uuid5(_FAMILY, use))


def write_assets(context, folder):
    """Write the asset library into ``folder`` and give the number of assets; what is in the file now stays as it is.

    A catalog file that is there already keeps its own lines.
    """
    if not folder or not os.path.isdir(folder):
        raise OSError(rpt_("there is no such folder"))
    wanted, made, manager = starts(), [], context.window_manager
    manager.progress_begin(0, max(len(wanted), 1))
    try:
        for number, start in enumerate(wanted):
            manager.progress_update(number)
            with contextlib.suppress(store.DesignError):
                made.append(_asset(context, start))
        bpy.data.libraries.write(os.path.join(folder, LIBRARY), set(made), fake_user=True, compress=True)
    finally:
        manager.progress_end()
        meshes = [obj.data for obj in made]
        for obj in made:
            bpy.data.objects.remove(obj)
        for mesh in meshes:
            bpy.data.meshes.remove(mesh)
    add_catalogs(folder, [(use, label) for use, label, _about in USES])
    return len(made)


def _asset(context, start):
    design = core.reading.read_file(start.path)
    obj = bpy.data.objects.new(start.name, bpy.data.meshes.new(start.name))
    obj.relief_knot.measure = "SCENE"
    props.from_design(obj, design)
    obj.asset_mark()
    obj.asset_data.catalog_id = catalog(start.use)
    obj.asset_data.description = about(start)
    obj.asset_data.tags.new("interlace")
    if os.path.exists(start.picture):
        image = bpy.data.images.load(start.picture)
        try:
            pixels = np.empty(len(image.pixels), np.float32)
            image.pixels.foreach_get(pixels)
            preview = obj.preview_ensure()
            preview.image_size = image.size
            preview.image_pixels_float.foreach_set(pixels)
        finally:
            bpy.data.images.remove(image)
    return obj


def add_catalogs(folder, uses):
    """Add catalogs, (use, label) each, to those of a folder, which keep their lines."""
    path = os.path.join(folder, CATALOGS)
    try:
        with open(path, encoding="utf-8") as file:
            lines = file.read().splitlines()
    except FileNotFoundError:
        lines = ["VERSION 1", ""]
    had = {line.partition(":")[0] for line in lines}
    for use, label in uses:
        if catalog(use) not in had:
            lines.append(f"{catalog(use)}:Relief Knots/{label}:Relief Knots-{label}")
    core.files.whole.write(path, ["\n".join(lines).encode() + b"\n"])


# Menus


def _draw_use(self, _context):
    layout = self.layout
    layout.operator_context = "INVOKE_REGION_WIN"
    for start in starts(self.use):
        layout.operator("mesh.relief_knot_start", text=_(start.name), icon_value=icon(start)).key = start.key


def _use_menu(use, label):
    name = f"VIEW3D_MT_relief_knot_{use}"
    return type(name, (bpy.types.Menu,), {"bl_idname": name, "bl_label": label, "use": use, "draw": _draw_use})


USE_MENUS = tuple(_use_menu(use, label) for use, label, _about in USES)


class VIEW3D_MT_relief_knot_starts(bpy.types.Menu):
    bl_idname = "VIEW3D_MT_relief_knot_starts"
    bl_label = "Relief Knot Collection"

    def draw(self, _context):
        for menu in USE_MENUS:
            if starts(menu.use):
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
        items=lambda _self, _context: items(use),
        options={"SKIP_SAVE"},
    )


class ReliefKnotStarts(bpy.types.PropertyGroup):
    """Which starting point is chosen in the sidebar. Not saved."""

    use: EnumProperty(
        name="Use", description="What the design is for", items=USES, default="pendant", options={"SKIP_SAVE"}
    )
    pendant: _chooser("pendant")
    board: _chooser("board")
    trim: _chooser("trim")
    drawing: _chooser("drawing")
    own: _chooser(OWN)

    @property
    def chosen(self):
        """The starting point that is chosen, or None."""
        return find(getattr(self, self.use))


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
    _pictures["all"] = bpy.utils.previews.new()
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
    bpy.utils.previews.remove(_pictures.pop("all"))
    _items.clear()
