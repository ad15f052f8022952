"""Carving from the sidebar: the relief as an object, its files, the pattern sheet, and what tools make of it."""

import json
import os
from types import SimpleNamespace

import bpy
from bpy.app.translations import pgettext_rpt as rpt_
from bpy.props import BoolProperty, EnumProperty, FloatProperty, StringProperty

from . import carving_props, core, design_props, jobs, ops_edit, ops_files, relief_looks, relief_object, store
from .ui_parts import words

CHECK_SAMPLES = 1500
"""Samples along the board's longer side at most when tools are tried; the command line takes the full map."""

CAUTIONS = core.carving_woods.CAUTIONS


def say_cautions(layout, context):
    """What to mind before any tool touches wood; shown where files are made."""
    column = layout.column(align=True)
    for line in CAUTIONS:
        words(column, context, line, "ERROR" if line == CAUTIONS[0] else "DOT")


def in_thread(operator, context, label, work, done):
    """Do long work: in a thread at a window, where Esc stops it, and else at once.

    ``work(progress)`` touches no ``bpy``; ``done(result)`` gives a few words for the person.
    """

    def finish(result, error):
        if error is None:
            said = done(result)
            ops_files.say("")
            return said, False
        if not isinstance(error, (store.DesignError, OSError)):
            raise error
        is_ours = isinstance(error, store.DesignError)
        said = str(error) if is_ours else ops_files.cannot_write(error.filename or "", error)
        ops_files.say(said)
        return said, True

    if not jobs.can_wait():
        try:
            result, error = work(None), None
        except Exception as caught:
            result, error = None, caught
        said, failed = finish(result, error)
        operator.report({"ERROR" if failed else "INFO"}, said)
        return {"CANCELLED" if failed else "FINISHED"}

    def later(result, error, _seconds):
        said, failed = finish(result, error)
        if not failed:
            tell(said)
        jobs.redraw(bpy.context)

    jobs.start(jobs.Job(label, work, later))
    return {"FINISHED"}


last_said = []
"""What was last done in a thread, in a few words; the sidebar shows it."""


def tell(words):
    """Let the sidebar say what was done."""
    last_said[:] = [words]


class MESH_OT_relief_knot_relief(ops_edit.KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_relief"
    bl_label = "Make Relief"
    bl_description = "Carve the knot into a board, as an object beside it that follows every change of the knot"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context):
        relief = relief_object.new_relief(context, context.object)
        said = relief.relief_knot_relief.error
        if said:
            self.report({"ERROR"}, said)
            if not relief.data.vertices:
                bpy.data.meshes.remove(relief.data)
                ops_files.say(said)
                return {"CANCELLED"}
        ops_files.say("")
        return {"FINISHED"}


class MESH_OT_relief_knot_carve_follow(ops_edit.KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_carve_follow"
    bl_label = "Let It Follow"
    bl_description = "Leave this length open, so that it follows from the others"
    bl_options = {"REGISTER", "UNDO"}

    length: StringProperty(name="Length", description="Which length", options={"HIDDEN"})

    def execute(self, context):
        path = carving_props.OPEN[self.length]
        relief_object.change(context.object, lambda design: design_props.put(design, path, None))
        return {"FINISHED"}


class MESH_OT_relief_knot_select_source(bpy.types.Operator):
    bl_idname = "mesh.relief_knot_select_source"
    bl_label = "Select Its Knot"
    bl_description = "Select the knot that this relief is carved from, whose settings it follows"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        if not relief_object.is_relief(context.object):
            cls.poll_message_set("Select the relief of a knot first")
            return False
        return True

    def execute(self, context):
        source = context.object.relief_knot_relief.source
        for other in context.selected_objects:
            other.select_set(False)
        source.hide_set(False)
        source.select_set(True)
        context.view_layer.objects.active = source
        return {"FINISHED"}


class MESH_OT_relief_knot_carve_files(ops_edit.KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_carve_files"
    bl_label = "Carve Files"
    bl_description = (
        "Write the relief into a folder: STL, 3MF, 16-bit height map with its scale, pictures, sections and a report"
    )
    bl_options = {"REGISTER"}

    directory: StringProperty(name="Folder", description="Where the files go", subtype="DIR_PATH")
    filter_folder: BoolProperty(default=True, options={"HIDDEN"})
    replace: BoolProperty(
        name="Replace Files",
        description="Write over files of the same names that are in the folder already",
        default=False,
        options={"SKIP_SAVE"},
    )

    def invoke(self, context, _event):
        if not self.directory and bpy.data.filepath:
            self.directory = os.path.dirname(bpy.data.filepath)
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def draw(self, context):
        layout = self.layout
        layout.prop(self, "replace")
        column = layout.column(align=True)
        for name in core.carving_files.NAMES:
            column.label(text=name, translate=False, icon="FILE")
        say_cautions(layout, context)

    def execute(self, context):
        if not self.directory:
            self.report({"ERROR"}, "Choose a folder for the files")
            return {"CANCELLED"}
        folder, replace = bpy.path.abspath(self.directory), self.replace
        try:
            design = store.readable(context.object)
            there = [name for name in core.carving_files.NAMES if os.path.lexists(os.path.join(folder, name))]
            if there and not replace:
                said = rpt_("{} is in that folder already; tick Replace Files or choose another").format(there[0])
                return ops_files.refuse(self, said)
        except store.DesignError as error:
            return ops_files.refuse(self, str(error))

        def work(progress):
            return core.carving_files.carve_to(design, folder, replace=replace, progress=progress)

        def done(relief):
            panel = relief.panel
            return rpt_("{}: relief {} mm deep, at least {} mm of board left under it").format(
                folder, f"{panel.depth:.2f}", f"{panel.thickness + float(relief.field.z.min()):.2f}"
            )

        return in_thread(self, context, rpt_("Carving {}").format(context.object.name), work, done)


PAGES = [
    ("pattern", "Pattern", "The knot in clean line at true scale, hidden parts hidden"),
    ("mirrored", "Mirrored", "The same mirrored, for transfer"),
    ("stages", "Stages", "How the knot is drawn, stage by stage"),
    ("follow", "Follow the Strand", "Each circuit numbered in the order of its crossings"),
]


class MESH_OT_relief_knot_sheet(ops_edit.KnotOperator, ops_files.Export, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_sheet"
    bl_label = "Pattern Sheet"
    bl_description = "Write the knot as a pattern to carve by, at true scale: PDF on pages, or SVG"
    bl_options = {"REGISTER"}

    format: EnumProperty(
        name="Format",
        description="The kind of file that is written",
        items=[
            ("PDF", "PDF", "Pages to print, with crop marks and a check line of 100 mm"),
            ("SVG", "SVG", "One drawing in mm, with a layer for each kind of line"),
        ],
        options={"SKIP_SAVE"},
    )
    pages: EnumProperty(
        name="Pages",
        description="Which pages are drawn; an SVG holds one kind",
        items=PAGES,
        default={"pattern"},
        options={"ENUM_FLAG"},
    )
    paper: EnumProperty(
        name="Paper",
        description="Size of the pages",
        items=[
            ("A4", "A4", "210 x 297 mm"),
            ("A3", "A3", "297 x 420 mm"),
            ("Letter", "Letter", "8.5 x 11 in."),
        ],
    )
    overlap: FloatProperty(
        name="Overlap",
        description="How far neighbouring pages overlap, in mm whatever the scene's units",
        default=10.0,
        min=0.0,
        max=60.0,
    )
    depths: BoolProperty(name="Depth Figures", description="Write the depths at the crossings, in mm")
    waste: BoolProperty(name="Hatch Waste", description="Hatch the ground that is cut away")
    arrows: BoolProperty(name="Arrows", description="Draw an arrow where a strand dips under another")
    grid: BoolProperty(name="Show Layout", description="Draw the lines of the layout too")
    outlines: BoolProperty(
        name="Closed Outlines", description="Close the outline of each visible piece, for knife or laser cutting"
    )
    filter_glob: StringProperty(default="*.pdf;*.svg", options={"HIDDEN"})

    @property
    def filename_ext(self):
        return f".{self.format.lower()}"

    def draw(self, context):
        layout = self.layout
        layout.use_property_split = True
        layout.prop(self, "format")
        layout.column().prop(self, "pages")
        if self.format == "PDF":
            layout.prop(self, "paper")
            layout.prop(self, "overlap")
        column = layout.column(heading="Show")
        for name in ("depths", "waste", "arrows", "grid", "outlines"):
            column.prop(self, name)
        say_cautions(layout, context)

    def execute(self, context):
        path = bpy.path.abspath(self.filepath)
        sheets = core.sheets
        marks = ("depths", "waste", "arrows", "grid", "outlines")
        wanted = sheets.Wanted(**{name: getattr(self, name) for name in marks})
        pages = tuple(kind for kind, *_ in PAGES if kind in self.pages)
        sheet = sheets.Sheet(pages, self.paper, self.overlap, wanted)
        title = sheets.title_of(context.object.name)
        try:
            sheets.refuse_options(sheet, path)
            design = store.readable(context.object)
        except store.DesignError as error:
            return ops_files.refuse(self, str(error))

        def work(progress):
            result = core.made.make(design, prove=0, progress=progress)
            return sheets.write_sheet(path, result, sheet, title, progress)

        return in_thread(
            self, context, rpt_("Drawing {}").format(context.object.name), work, lambda said: f"{path}: {said}"
        )


class MESH_OT_relief_knot_preview(ops_edit.KnotOperator, ops_files.Export, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_preview"
    bl_label = "Preview Picture"
    bl_description = "Write a picture of the relief in its wood under raking light, as a client would be shown it"
    bl_options = {"REGISTER"}

    filename_ext = ".png"
    filter_glob: StringProperty(default="*.png", options={"HIDDEN"})
    pixels: bpy.props.IntProperty(
        name="Pixels", description="Pixels along the longer side of the picture", default=1400, min=200, max=4000
    )

    def execute(self, context):
        path, pixels = bpy.path.abspath(self.filepath), self.pixels
        try:
            design = store.readable(context.object)
        except store.DesignError as error:
            return ops_files.refuse(self, str(error))

        def work(progress):
            panel = core.carving_panel.plan_panel(design, None, progress)
            # the picture is drawn from the panel alone
            picture = core.carving_relief.preview(SimpleNamespace(panel=panel), pixels)
            title = {"Title": "preview of a carved relief"}
            core.files.whole.write(path, core.png16.encode(picture, title))
            return picture.shape

        return in_thread(
            self,
            context,
            rpt_("Drawing {}").format(context.object.name),
            work,
            lambda shape: f"{path}: {shape[1]} x {shape[0]}",
        )


class MESH_OT_relief_knot_tools(ops_edit.KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_tools"
    bl_label = "Check Tools"
    bl_description = "Try the cutter and the gouges on the relief: what stays uncut, what enters where, and all depths"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context):
        obj = context.object
        try:
            design = store.readable(obj)
        except store.DesignError as error:
            return ops_files.refuse(self, str(error))
        name, text = obj.name, obj.relief_knot.text

        def work(progress):
            show = progress or jobs.untold
            panel = core.carving_panel.plan_panel(design, None, lambda share, stage: show(0.1 * share, stage))
            pitch = max(design.make.carve.resolution, max(panel.length, panel.width) / CHECK_SAMPLES)
            field = core.carving_field.panel_field(panel, pitch, lambda share, stage: show(0.1 + 0.1 * share, stage))
            found = core.carving_tool_report.reach_report(
                panel, field, lambda share, stage: show(0.2 + 0.8 * share, stage)
            )
            return field, found

        def done(result):
            field, found = result
            each = bpy.data.objects.get(name)
            if not store.is_knot(each) or each.relief_knot.text != text:
                return rpt_("The knot has changed meanwhile; check again")
            each.relief_knot_carving.checked = json.dumps(found.facts)
            each.relief_knot_carving.checked_of = text
            relief = relief_object.relief_of(each)
            if relief is not None and found.reaches and len(relief.data.vertices):
                relief_object.put_uncut(relief, field, found.reaches[0].left)
                relief_looks.redress(relief)
            return core.carving_tool_report.tool_lines(found.facts)[0] if found.reaches else rpt_("No cutter was tried")

        return in_thread(self, context, rpt_("Trying tools on {}").format(name), work, done)


def depth_rows(facts):
    """The depth table as rows of text, the heading first."""
    yield "crossing", "x mm", "y mm", "over mm", "under mm", "step mm", "ground mm"
    for row in facts.get("depths", ()):
        values = (*row["at"], row["over_mm"], row["under_mm"], row["step_mm"], row["ground_mm"])
        yield (str(row["crossing"]), *("" if value is None else f"{value:.2f}" for value in values))


class MESH_OT_relief_knot_copy_depths(ops_edit.KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_copy_depths"
    bl_label = "Copy Depth Table"
    bl_description = "Copy the depths at every crossing, in mm below the face of the board, ready for a spreadsheet"
    bl_options = {"REGISTER"}

    def execute(self, context):
        facts, _fresh = carving_props.checked(context.object)
        if not facts.get("depths"):
            self.report({"ERROR"}, "Check the tools first: the depths come with it")
            return {"CANCELLED"}
        context.window_manager.clipboard = "\n".join("\t".join(row) for row in depth_rows(facts)) + "\n"
        self.report({"INFO"}, rpt_("{} crossings copied").format(len(facts["depths"])))
        return {"FINISHED"}


class MESH_OT_relief_knot_rake(ops_edit.KnotOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_rake"
    bl_label = "Raking Light"
    bl_description = "Let a low lamp shine across the relief from the upper left, and show it so in this view"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        if not super().poll(context):
            return False
        if relief_object.relief_of(context.object) is None:
            cls.poll_message_set("Make the relief first")
            return False
        return True

    def execute(self, context):
        relief_looks.raking_light(context, relief_object.relief_of(context.object))
        space = context.space_data
        if space is not None and space.type == "VIEW_3D":
            space.shading.type = "MATERIAL"
            space.shading.use_scene_lights = True
            space.shading.use_scene_world = False
            space.shading.studiolight_intensity = 0.25
        return {"FINISHED"}


CLASSES = (
    MESH_OT_relief_knot_relief,
    MESH_OT_relief_knot_carve_follow,
    MESH_OT_relief_knot_select_source,
    MESH_OT_relief_knot_carve_files,
    MESH_OT_relief_knot_sheet,
    MESH_OT_relief_knot_preview,
    MESH_OT_relief_knot_tools,
    MESH_OT_relief_knot_copy_depths,
    MESH_OT_relief_knot_rake,
)


register, unregister = bpy.utils.register_classes_factory(CLASSES)
