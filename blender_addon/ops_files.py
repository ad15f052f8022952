"""Design files in and out, and meshes out in millimetres."""

import os

import bpy
from bpy.app.translations import pgettext_rpt as rpt_
from bpy.props import BoolProperty, EnumProperty, StringProperty
from bpy_extras.io_utils import ExportHelper, ImportHelper

from . import core, jobs, ops_add, ops_edit, props, recent, setting_out, store, unite

EXTENSION = ".interlace.json"

FORMATS = [
    ("STL", "STL", "For printing and milling; triangles only"),
    ("PLY", "PLY", "Vertices shared"),
    ("OBJ", "OBJ", "Vertices shared, with UVs"),
]


NOT_UNITED = (
    "The strands overlap in the file and are not united: Blender's Boolean failed on them; "
    "let the slicer unite them, or the command line (knotgeom mesh)"
)


def solid(made):
    """The core's solid, by manifold3d where that is installed and else by Blender's own Boolean.

    Raises
    ------
    NoSolidError
        If the strands could not be united.
    """
    try:
        return core.made.solid(made)
    except ImportError:  # manifold3d is no part of Blender
        return core.made.solid(made, unite.tool())


def say(words):
    """Put words about a file where the panel shows them, from a timer too; none takes them away."""
    bpy.context.window_manager.relief_knot.notice = words


def refuse(operator, words):
    """Say in the panel and in the status bar why nothing was done; gives what the operator then returns."""
    say(words)
    operator.report({"ERROR"}, words)
    return {"CANCELLED"}


def cannot_write(path, error):
    """Words for a file that could not be written."""
    reason = getattr(error, "strerror", None) or error
    return rpt_("{}: cannot be written ({}); choose another place").format(path, reason)


def beside(name, extension):
    """Where a file is suggested: beside the .blend file, named after what is in it."""
    return os.path.join(os.path.dirname(bpy.data.filepath), bpy.path.clean_name(name) + extension)


def warnings(obj, scene):
    """What would spoil the millimetres of the knot in files, a line each."""
    found = []
    scale = obj.matrix_world.to_scale()
    if any(abs(part - 1.0) > 1e-5 for part in scale):
        shown = " x ".join(f"{part:.4g}" for part in scale)
        found.append(f"The object is scaled {shown}: this export keeps the design's millimetres, others do not")
    if obj.relief_knot.measure == "UNIT" and scene.unit_settings.system != "NONE":
        unit = scene.unit_settings.scale_length
        if abs(unit - 0.001) > 1e-9:
            found.append(f"One unit is 1 mm here but {unit:g} m in the scene: exports other than this one are wrong")
    return found


def stem(path):
    """A file's name without its folder and its extension."""
    name = os.path.basename(path)
    return name[: -len(EXTENSION)] if name.endswith(EXTENSION) else os.path.splitext(name)[0]


class MESH_OT_relief_knot_import(bpy.types.Operator, ImportHelper):
    bl_idname = "mesh.relief_knot_import"
    bl_label = "Import Design"
    bl_description = "Open a design file as a new knot, or as the design of the active one"
    bl_options = {"REGISTER", "UNDO"}

    filename_ext = EXTENSION
    filter_glob: StringProperty(default=f"*{EXTENSION};*.json", options={"HIDDEN"})
    replace: BoolProperty(
        name="Replace Active", description="Give the active knot this design instead of adding a knot", default=False
    )

    @classmethod
    def poll(cls, context):
        return ops_add.needs_object_mode(cls, context)

    def execute(self, context):
        say("")
        try:
            design = core.resolve.self_contained(core.reading.read_file(self.filepath))
        except store.DesignError as error:
            return refuse(self, str(error))
        obj = store.active_knot(context) if self.replace else None
        if obj is not None and store.is_ours(obj):
            props.from_design(obj, design)
        else:
            obj = ops_add.new_knot(context, design, stem(self.filepath))
            ops_add.frame(context)
        recent.note(self.filepath)
        return ops_add.told(self, obj, ops_add.about(obj, context.scene))


class Export(ExportHelper):
    """What exports share: a name for the file, and words where the panel shows them.

    A class has ``write(context, path)``, which gives words about the file.
    """

    bl_options = {"REGISTER"}

    def stem(self, context):
        """The file's name where none is given."""
        return context.object.name

    def waiting(self, _context):
        """Words for the status bar while the file is made."""
        return f"Writing {self.filepath}"

    def invoke(self, context, event):
        if not self.filepath:
            self.filepath = beside(self.stem(context), self.filename_ext)
        return super().invoke(context, event)

    def execute(self, context):
        path = bpy.path.abspath(self.filepath)
        say("")
        try:
            with jobs.Saying(context, self.waiting(context)):
                words = self.write(context, path)
        except store.DesignError as error:
            return refuse(self, str(error))
        except (OSError, RuntimeError) as error:
            return refuse(self, cannot_write(path, error))
        self.report({"INFO"}, words)
        return {"FINISHED"}


class ExportMade(Export):
    """What exports of pieces and kits share: what is there already is kept unless ``replace`` is ticked."""

    replace: BoolProperty(
        name="Replace",
        description="Replace a file of this name that is there already",
        default=False,
        options={"SKIP_SAVE"},
    )

    def draw(self, _context):
        self.layout.use_property_split = True
        self.layout.prop(self, "format")
        self.layout.prop(self, "replace")

    def execute(self, context):
        path = bpy.path.abspath(self.filepath)
        if os.path.lexists(path) and not self.replace:
            return refuse(
                self, str(store.DesignError("is there already", "give another name, or tick Replace", file=path))
            )
        return super().execute(context)


class MESH_OT_relief_knot_export(Export, ops_edit.KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_export"
    bl_label = "Export Design"
    bl_description = "Save the design of the active knot as a file, for the command line or another scene"

    filename_ext = EXTENSION
    filter_glob: StringProperty(default=f"*{EXTENSION}", options={"HIDDEN"})

    def check(self, _context):
        wanted = self.filepath if self.filepath.endswith(EXTENSION) else stem(self.filepath) + EXTENSION
        wanted = os.path.join(os.path.dirname(self.filepath), os.path.basename(wanted))
        changed = wanted != self.filepath
        self.filepath = wanted
        return changed

    def write(self, context, path):
        core.files.whole.write(path, [core.reading.write_text(store.readable(context.object)).encode()])
        recent.note(path)
        return f"Design written to {path}"


class MESH_OT_relief_knot_export_mesh(Export, ops_edit.KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_export_mesh"
    bl_label = "Export Mesh"
    bl_description = (
        "Save the mesh of the active knot in millimetres, whatever the scene's units and the object's scale"
    )

    format: EnumProperty(
        name="Format", description="The kind of file that is written", items=FORMATS, options={"SKIP_SAVE"}
    )
    unite: BoolProperty(
        name="Unite Strands",
        description="Write fused and carved strands as one body; slow before Blender 4.5, whose solver is faster",
        default=True,
    )
    filter_glob: StringProperty(default="*.stl;*.ply;*.obj", options={"HIDDEN"})

    def waiting(self, context):
        design = store.design_of(context.object)
        united = self.unite and design is not None and design.heights.way is not core.design.Making.FREE
        if not united:
            return super().waiting(context)
        return "Uniting the strands; this takes a while" + (" in this Blender" if unite.is_slow() else "")

    @property
    def filename_ext(self):
        return f".{self.format.lower()}"

    def draw(self, context):
        self.layout.use_property_split = True
        self.layout.prop(self, "format")
        self.layout.prop(self, "unite")
        report = store.report_of(context.object)
        depth = report["facts"].get("depth_mm")
        self.layout.label(text=setting_out.size_words(store.design_of(context.object), depth), translate=False)

    def write(self, context, path):
        design = store.readable(context.object)
        made = core.made.make(design)
        united = self.unite and design.heights.way is not core.design.Making.FREE
        try:
            mesh = solid(made) if united or made.mesh is None else made.mesh
        except core.made.NoSolidError:
            mesh, united = made.mesh, False
            self.report({"WARNING"}, NOT_UNITED)
        core.files.write_mesh(path, mesh)
        size = mesh.vertices.max(axis=0) - mesh.vertices.min(axis=0)
        bodies = ", strands united" if united else ""
        return f"{path}: {size[0]:.4g} x {size[1]:.4g} x {size[2]:.3g} mm{bodies}"


CLASSES = (MESH_OT_relief_knot_import, MESH_OT_relief_knot_export, MESH_OT_relief_knot_export_mesh)


def draw_import(self, _context):
    """The entry in File > Import."""
    self.layout.operator("mesh.relief_knot_import", text=f"Relief Knot Design ({EXTENSION})")


def draw_export(self, _context):
    """The entries in File > Export."""
    self.layout.operator("mesh.relief_knot_export_mesh", text="Relief Knot Mesh in mm (.stl, .ply, .obj)")
    self.layout.operator("mesh.relief_knot_export", text=f"Relief Knot Design ({EXTENSION})")


def register():
    """Make this part known to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.TOPBAR_MT_file_import.append(draw_import)
    bpy.types.TOPBAR_MT_file_export.append(draw_export)


def unregister():
    """Take back what register did."""
    bpy.types.TOPBAR_MT_file_export.remove(draw_export)
    bpy.types.TOPBAR_MT_file_import.remove(draw_import)
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
