"""What is done with the trim kit: made, laid along paths, textured, written to files, marked as assets."""

import contextlib
import os

import bpy
from bpy.app.translations import pgettext_rpt as rpt_
from bpy.props import EnumProperty, StringProperty

from . import asset_library, core, ops_edit, ops_files, store, trim_object, trim_textures

TRIM_USE = "trim-kit"
"""The asset catalog of trim pieces."""


class TrimOperator:
    """What all of them share: a knot, a piece of its kit or a trim laid is active."""

    bl_options = {"REGISTER", "UNDO"}
    needs_kit = False

    @classmethod
    def poll(cls, context):
        knot = trim_object.knot_in(context)
        if not ops_edit.can_change(cls, context, knot):
            return False
        if cls.needs_kit and not trim_object.pieces_of(knot):
            cls.poll_message_set("Make the kit first")
            return False
        return True


class MESH_OT_relief_knot_kit(TrimOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_kit"
    bl_label = "Make Kit"
    bl_description = (
        "Make trim pieces of the strip that fit each other in any order: straights, corners, ends and junctions, "
        "each at every level of detail"
    )

    def execute(self, context):
        knot = trim_object.knot_in(context)
        if not trim_object.make(knot):
            self.report({"ERROR"}, knot.relief_knot_trim.error)
            return {"CANCELLED"}
        return {"FINISHED"}


class MESH_OT_relief_knot_lay(TrimOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_lay"
    bl_label = "Lay along Path"
    bl_description = (
        "Lay the kit along the path: whole repeats stretched a little to fit, corners by their angle, ends closed. "
        "Used again, it lays the trim anew"
    )

    @classmethod
    def poll(cls, context):
        if not super().poll(context):
            return False
        path = trim_object.knot_in(context).relief_knot_trim.path
        if path is None or path.name not in context.view_layer.objects:
            cls.poll_message_set("Choose a path first: a curve, or a mesh with selected edges")
            return False
        return True

    def execute(self, context):
        knot = trim_object.knot_in(context)
        look = knot.relief_knot_trim
        try:
            obj, words, apart = trim_object.lay(context, knot, look.path)
        except store.DesignError as error:
            look.error = str(error)
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        look.error = ""
        obj.relief_knot_trim.report = words
        if apart > 0.01:
            self.report({"WARNING"}, words)
        else:
            self.report({"INFO"}, words)
        return {"FINISHED"}


class MESH_OT_relief_knot_textures(TrimOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_textures"
    bl_label = "Bake Textures"
    bl_description = (
        "Bake the trim sheet from the exact surface: normals, height, occlusion, curvature and strands; dress the kit "
        "in them. The pictures are packed into the file"
    )
    needs_kit = True

    by: EnumProperty(
        name="By",
        description="What bakes",
        items=[
            ("CORE", "Add-on", "At once, seen straight from above"),
            ("CYCLES", "Cycles", "Normals and occlusion by rays from every level; takes longer"),
        ],
    )

    def execute(self, context):
        knot = trim_object.knot_in(context)
        look = knot.relief_knot_trim
        try:
            kit = trim_textures.check(knot)
        except store.DesignError as error:
            look.error = str(error)
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        look.error = ""
        if self.by == "CYCLES":
            manager = context.window_manager
            manager.progress_begin(0, 1)
            try:
                trim_textures.take(
                    knot, trim_textures.cycles(kit, lambda share, _stage: manager.progress_update(share))
                )
            except RuntimeError as error:
                self.report({"ERROR"}, rpt_("Cycles cannot bake: {}").format(error))
                return {"CANCELLED"}
            finally:
                manager.progress_end()
        elif not trim_textures.bake(knot, kit):
            self.report({"ERROR"}, look.error)
            return {"CANCELLED"}
        if trim_textures.job_of(knot) is None:
            self.report({"INFO"}, rpt_("{} pictures baked").format(len(trim_textures.images_of(knot))))
        return {"FINISHED"}


FORMATS = [
    ("GLB", "GLB", "glTF in metres, one node for each piece and level"),
    ("OBJ", "OBJ", "Vertices, normals and the sheet's UVs"),
    ("FBX", "FBX", "For engines that read no glTF"),
    ("USD", "USD", "Universal Scene Description"),
]
EXTENSIONS = {"GLB": ".glb", "OBJ": ".obj", "FBX": ".fbx", "USD": ".usdc"}


class MESH_OT_relief_knot_export_kit(TrimOperator, ops_files.ExportMade, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_export_kit"
    bl_label = "Export Kit"
    bl_description = "Save every piece of the kit at every level, whole or not at all"
    bl_options = {"REGISTER"}
    needs_kit = True

    format: EnumProperty(
        name="Format", description="The kind of file that is written", items=FORMATS, options={"SKIP_SAVE"}
    )
    filter_glob: StringProperty(default="*.glb;*.obj;*.fbx;*.usdc", options={"HIDDEN"})

    @property
    def filename_ext(self):
        return EXTENSIONS[self.format]

    def stem(self, context):
        """The file's name where none is given."""
        return f"{trim_object.knot_in(context).name} Kit"

    def write(self, context, path):
        """Write the file; gives words about it."""
        return write(context, path, trim_object.knot_in(context), self.format)


def write(context, path, knot, form):
    """Write the kit of a knot; gives words about it.

    Raises
    ------
    DesignError, OSError, RuntimeError
    """
    if trim_object.is_stale(knot):
        raise store.DesignError("the kit is not that of the design as it stands", "make the kit again")
    kit = trim_object.kit_of(knot)
    if form == "GLB":
        core.files.whole.write(path, core.trims_folder.glb(kit, trim_textures.maps_of(knot), _hulls(kit)))
    else:
        _by_blender(context, path, trim_object.pieces_of(knot), form)
    return rpt_("{}: {} pieces, {} kB").format(path, len(kit.pieces), f"{os.path.getsize(path) / 1000:.1f}")


def _hulls(kit):
    """Collision hulls by their pieces' names, where the design asks for them."""
    return {piece.name: core.trims_turning.hulls(piece) for piece in kit.pieces} if kit.design.make.trim.hull else {}


def _by_blender(context, path, pieces, form):
    """Write objects with Blender's own exporter, beside the wanted file first, then under its name."""
    root, extension = os.path.splitext(path)
    beside = f"{root}.part{os.getpid()}{extension}"
    shown = {obj: (obj.hide_get(), obj.select_get()) for obj in context.view_layer.objects}
    levels = {
        trim_object.collection_of(context, obj.relief_knot_trim.source, obj.relief_knot_trim.piece_level)
        for obj in pieces
    }
    hidden = {each: each.hide_viewport for each in levels}
    active = context.view_layer.objects.active
    try:
        for each in levels:
            each.hide_viewport = False
        for obj in shown:
            obj.select_set(False)
        for obj in pieces:
            obj.hide_set(False)
            obj.select_set(True)
        if form == "OBJ":
            bpy.ops.wm.obj_export(filepath=beside, export_selected_objects=True, export_materials=False)
        elif form == "FBX":
            with _enabled("io_scene_fbx"):
                bpy.ops.export_scene.fbx(filepath=beside, use_selection=True, use_tspace=True, mesh_smooth_type="FACE")
        elif not hasattr(bpy.ops.wm, "usd_export") or "usd_export" not in dir(bpy.ops.wm):
            raise RuntimeError(rpt_("this Blender was built without USD"))
        else:
            bpy.ops.wm.usd_export(filepath=beside, selected_objects_only=True)
        os.replace(beside, path)
    finally:
        with contextlib.suppress(OSError):
            os.remove(beside)
        for each, was in hidden.items():
            each.hide_viewport = was
        for obj, (is_hidden, selected) in shown.items():
            with contextlib.suppress(RuntimeError):
                obj.hide_set(is_hidden)
                obj.select_set(selected)
        context.view_layer.objects.active = active


@contextlib.contextmanager
def _enabled(name):
    """One of Blender's own add-ons, enabled while it is needed."""
    had = name in bpy.context.preferences.addons
    if not had:
        bpy.ops.preferences.addon_enable(module=name)
    try:
        yield
    finally:
        if not had:
            bpy.ops.preferences.addon_disable(module=name)


class MESH_OT_relief_knot_kit_assets(TrimOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_kit_assets"
    bl_label = "Mark Kit as Assets"
    bl_description = (
        "Mark every piece at its finest level as an asset, with a picture, a catalog and tags; save the file in the "
        "folder of an asset library to find them in the Asset Browser"
    )
    needs_kit = True

    def execute(self, context):
        knot = trim_object.knot_in(context)
        marked = trim_object.pieces_of(knot, 0)
        for obj in marked:
            mark(obj, knot)
        words = rpt_("{} pieces marked as assets").format(len(marked))
        if bpy.data.filepath:
            folder = os.path.dirname(bpy.data.filepath)
            try:
                asset_library.add_catalogs(folder, [(TRIM_USE, "Trim Kit")])
            except OSError as error:
                self.report({"WARNING"}, words + "; " + rpt_("{}: cannot be saved ({})").format(folder, error))
                return {"FINISHED"}
        else:
            words += "; " + rpt_("save the file and use this again to write their catalog")
        self.report({"INFO"}, words)
        return {"FINISHED"}


def mark(obj, knot):
    """Make one piece an asset."""
    obj.asset_mark()
    data = obj.asset_data
    data.catalog_id = asset_library.catalog(TRIM_USE)
    data.description = rpt_("{} of the trim kit {}").format(obj.relief_knot_trim.piece_name, knot.name)
    for tag in ("interlace", "trim", obj.relief_knot_trim.piece_name.partition("-")[0]):
        data.tags.new(tag, skip_if_exists=True)
    trim_textures.picture(obj)


CLASSES = (
    MESH_OT_relief_knot_kit,
    MESH_OT_relief_knot_lay,
    MESH_OT_relief_knot_textures,
    MESH_OT_relief_knot_export_kit,
    MESH_OT_relief_knot_kit_assets,
)

register, unregister = bpy.utils.register_classes_factory(CLASSES)
