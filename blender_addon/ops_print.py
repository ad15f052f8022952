"""What is done with the finished piece: made and checked, mended, written to files, shown in metal."""

import os

import bpy
from bpy.app.translations import pgettext_rpt as rpt_
from bpy.props import BoolProperty, EnumProperty, IntProperty, StringProperty
from mathutils import Vector

from . import core, ops_edit, ops_files, ops_mend, piece_object, rebuild, store, studio, units
from .ui_parts import words

threemf = core.threemf
stl = core.files_stl
folder = core.printing_folder
whole = core.files.whole


def cautions():
    """What to take care of, in the interface's language."""
    return (
        rpt_("Small parts can choke: keep the piece from children under three; cords and chains can strangle"),
        rpt_("Nickel can cause allergies: EN 1811 is the test for its release from what is worn on the skin"),
        rpt_("Resin and powder: gloves, eye protection, clean air; cure resin fully before it is worn"),
        rpt_("Casting, burn-out and pickling are work for trained people; local rules decide"),
    )


class PieceOperator:
    """What all of them share: a knot, or its piece, is active."""

    bl_options = {"REGISTER", "UNDO"}
    needs_piece = False

    @classmethod
    def poll(cls, context):
        knot = piece_object.knot_in(context)
        if not ops_edit.can_change(cls, context, knot):
            return False
        if cls.needs_piece and piece_object.piece_of(knot) is None:
            cls.poll_message_set("Make the piece first")
            return False
        return True


class MESH_OT_relief_knot_piece(PieceOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_piece"
    bl_label = "Make and Check Piece"
    bl_description = "Make the finished piece as one solid, measure its walls, gaps and mass, and list what to mend"

    def execute(self, context):
        knot = piece_object.knot_in(context)
        if not piece_object.make(knot):
            self.report({"ERROR"}, knot.relief_knot_print.error)
            return {"CANCELLED"}
        return {"FINISHED"}


class MESH_OT_relief_knot_piece_mend(PieceOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_piece_mend"
    bl_label = "Mend Piece"
    bl_description = "Change the design as this remedy says, then make and check the piece again"
    needs_piece = True

    finding: IntProperty(name="Finding", description="Its number in the list, from 0", min=0, options={"SKIP_SAVE"})
    remedy: IntProperty(name="Remedy", description="Its number there, from 0", min=0, options={"SKIP_SAVE"})

    def execute(self, context):
        knot = piece_object.knot_in(context)
        try:
            given = piece_object.report_of(knot)["findings"][self.finding]["changes"][self.remedy]
        except (IndexError, KeyError):
            self.report({"ERROR"}, "There is no such remedy; check the piece again")
            return {"CANCELLED"}
        one = core.findings.Change(given["key"], given["value"])
        if not rebuild.change(knot, lambda design: core.remedies.applied(design, one)):
            self.report({"ERROR"}, knot.relief_knot.error)
            return {"CANCELLED"}
        if not piece_object.make(knot):
            self.report({"WARNING"}, knot.relief_knot_print.error)
        return {"FINISHED"}


class MESH_OT_relief_knot_piece_look(PieceOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_piece_look"
    bl_label = "Show Place"
    bl_description = "Put the 3D cursor on this place of the piece and bring it to the middle of the view"
    bl_options = {"REGISTER"}
    needs_piece = True

    finding: IntProperty(name="Finding", description="Its number in the list, from 0", min=0, options={"SKIP_SAVE"})

    def execute(self, context):
        knot = piece_object.knot_in(context)
        report, piece = piece_object.report_of(knot), piece_object.piece_of(knot)
        found = report.get("findings", [])
        if self.finding >= len(found) or found[self.finding]["at"] is None:
            self.report({"WARNING"}, "This finding is of the whole piece")
            return {"CANCELLED"}
        scale = units.units_per_mm(knot.relief_knot) * piece_object._model_scale(report)
        place = piece.matrix_world @ (Vector(found[self.finding]["at"]) * scale)
        ops_mend.show(context, place, max(report["size_mm"]) * scale)
        return {"FINISHED"}


FORMATS = [
    ("3MF", "3MF", "For printing: with its unit, a name for every body, and what it is of"),
    ("STL", "STL", "For printing and milling: triangles only, in mm"),
]


class MESH_OT_relief_knot_export_piece(PieceOperator, ops_files.ExportMade, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_export_piece"
    bl_label = "Export Piece"
    bl_description = "Save the piece in millimetres, whole or not at all, and read the file back"
    bl_options = {"REGISTER"}
    needs_piece = True

    format: EnumProperty(
        name="Format", description="The kind of file that is written", items=FORMATS, options={"SKIP_SAVE"}
    )
    filter_glob: StringProperty(default="*.3mf;*.stl", options={"HIDDEN"})

    @property
    def filename_ext(self):
        return f".{self.format.lower()}"

    def stem(self, context):
        """The file's name where none is given."""
        return piece_object.knot_in(context).name

    def draw(self, context):
        super().draw(context)
        for caution in cautions():
            words(self.layout, context, caution, "INFO")

    def write(self, context, path):
        """Write the file; gives words about it."""
        return write(path, piece_object.knot_in(context), self.format)


class MESH_OT_relief_knot_export_set(PieceOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_export_set"
    bl_label = "Export All Files"
    bl_description = (
        "Save the piece as 3MF and STL with its preview and its report into one folder, all of them or none"
    )
    bl_options = {"REGISTER"}
    needs_piece = True

    directory: StringProperty(name="Folder", description="Where the files are saved", subtype="DIR_PATH")
    replace: BoolProperty(
        name="Replace",
        description="Replace files of these names that are there already",
        default=False,
        options={"SKIP_SAVE"},
    )
    filter_folder: BoolProperty(default=True, options={"HIDDEN"})

    def invoke(self, context, _event):
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def execute(self, context):
        path, knot = bpy.path.abspath(self.directory), piece_object.knot_in(context)
        ops_files.say("")
        try:
            folder.refuse_existing(path, replace=self.replace)
            piece, checked, asked = piece_object.result_of(knot)
            folder.write_piece(path, piece, checked, asked, title=knot.name, replace=self.replace)
        except store.DesignError as error:
            words = str(error).replace("--replace", rpt_("tick Replace"))
        except OSError as error:
            words = ops_files.cannot_write(path, error)
        else:
            self.report({"INFO"}, f"{path}: {', '.join(folder.FILES)}")
            return {"FINISHED"}
        return ops_files.refuse(self, words)


def write(path, knot, form):
    """Write the piece of a knot and read it back; gives words about it.

    Raises
    ------
    DesignError, OSError
    """
    models = piece_object.models_of(knot)
    report = piece_object.report_of(knot)
    if form == "3MF":
        names = ["solid"] if len(models) == 1 else [f"strand {k + 1}" for k in range(len(models))]
        threemf.write_threemf(
            path,
            [threemf.Body(mesh, name) for mesh, name in zip(models, names, strict=True)],
            title=knot.name,
            metadata={"Application": "Relief Knots", "Description": " ".join(report["notes"])},
        )
        back = threemf.read_threemf(path)
        count = sum(len(body.triangles) for body in back.bodies)
    else:
        content = b"".join(stl.encode(piece_object.bodies_of.joined(models)))
        whole.write(path, [content])
        with open(path, "rb") as stream:
            back = stream.read()
        count = int.from_bytes(back[80:84], "little")
        if back != content or len(back) != 84 + 50 * count:
            raise OSError("the file does not read back as it was written")
    if count != sum(len(one.triangles) for one in models):
        raise OSError("the file does not read back as it was written")
    x, y, z = report["model_size_mm"]
    return f"{path}: {x:.4g} x {y:.4g} x {z:.3g} mm, {len(models)} bodies, {count} triangles"


class MESH_OT_relief_knot_studio(PieceOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_studio"
    bl_label = "Studio and Turntable"
    bl_description = (
        "Dress the piece in its material, set lights and a camera round it beside a bar of 20 mm, and let it turn once"
    )
    needs_piece = True

    def execute(self, context):
        knot = piece_object.knot_in(context)
        studio.set_up(context, knot)
        return {"FINISHED"}


DPI = 300
"""Of pictures that are true to scale."""


class RENDER_OT_relief_knot_true_scale(PieceOperator, bpy.types.Operator):
    bl_idname = "render.relief_knot_true_scale"
    bl_label = "True-Scale Picture"
    bl_description = (
        "Render the piece beside its bar of 20 mm; the saved picture is true to size when printed at 300 dpi"
    )
    needs_piece = True

    filepath: StringProperty(name="File", description="Where the picture is saved", subtype="FILE_PATH")
    replace: BoolProperty(
        name="Replace",
        description="Replace a file of this name that is there already",
        default=False,
        options={"SKIP_SAVE"},
    )
    filter_glob: StringProperty(default="*.png", options={"HIDDEN"})

    def invoke(self, context, _event):
        if not self.filepath:
            self.filepath = ops_files.beside(piece_object.knot_in(context).name, ".png")
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def execute(self, context):
        path = bpy.path.ensure_ext(bpy.path.abspath(self.filepath), ".png")
        if os.path.lexists(path) and not self.replace:
            self.report({"ERROR"}, f"{path}: is there already; give another name, or tick Replace")
            return {"CANCELLED"}
        knot, scene = piece_object.knot_in(context), context.scene
        if bpy.data.collections.get(studio.NAME) is None:
            studio.set_up(context, knot)
        render = scene.render
        scale = units.units_per_mm(knot.relief_knot)
        pixels = round(scene.camera.data.ortho_scale / scale * DPI / 25.4)
        kept = (render.resolution_x, render.resolution_y, render.resolution_percentage, render.filepath)
        kept_format = render.image_settings.file_format
        kept_ppm = (render.ppm_factor, render.ppm_base) if hasattr(render, "ppm_factor") else None
        # Blender writes the picture beside; it gets its name when it is whole
        spare = path + ".part.png"
        try:
            render.resolution_x = render.resolution_y = pixels
            render.resolution_percentage, render.filepath = 100, spare
            render.image_settings.file_format = "PNG"
            if kept_ppm is not None:
                render.ppm_factor, render.ppm_base = DPI, 0.0254
            bpy.ops.render.render(write_still=True)
            os.replace(spare, path)
        except (OSError, RuntimeError) as error:
            self.report({"ERROR"}, ops_files.cannot_write(path, error))
            return {"CANCELLED"}
        finally:
            render.resolution_x, render.resolution_y, render.resolution_percentage, render.filepath = kept
            render.image_settings.file_format = kept_format
            if kept_ppm is not None:
                render.ppm_factor, render.ppm_base = kept_ppm
            if os.path.exists(spare):
                os.unlink(spare)
        self.report({"INFO"}, f"{path}: {pixels} x {pixels} pixels at {DPI} dpi")
        return {"FINISHED"}


CLASSES = (
    MESH_OT_relief_knot_piece,
    MESH_OT_relief_knot_piece_mend,
    MESH_OT_relief_knot_piece_look,
    MESH_OT_relief_knot_export_piece,
    MESH_OT_relief_knot_export_set,
    MESH_OT_relief_knot_studio,
    RENDER_OT_relief_knot_true_scale,
)

register, unregister = bpy.utils.register_classes_factory(CLASSES)
