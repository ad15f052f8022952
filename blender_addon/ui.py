"""The sidebar: one tab, its sections in the order the work goes. Drawing never writes."""

import bpy
from bpy.app.translations import pgettext_rpt as rpt_

from . import core, draw_tool, live, ops_files, ops_mend, ops_remedies, props, rebuild, setting_out, store, units
from .translations import said
from .ui_parts import Section, Tab, fact, look, many, open_length, progress, switched, together, words


class VIEW3D_PT_relief_knot(Tab, bpy.types.Panel):
    bl_label = "Relief Knot"

    def draw(self, context):
        layout = self.layout
        notice = context.window_manager.relief_knot.notice
        if notice:
            words(layout, context, notice, "ERROR", alert=True)
        obj = store.active_knot(context)
        if obj is None:
            layout.label(text="No knot is selected")
            layout.operator_context = "INVOKE_REGION_WIN"
            layout.operator_menu_enum("mesh.relief_knot_add", "purpose", text="Add Relief Knot", icon="ADD")
            layout.operator("mesh.relief_knot_import", icon="IMPORT")
            return
        self.draw_knot(context, layout, obj)

    @staticmethod
    def draw_knot(context, layout, obj):
        knot = obj.relief_knot
        if context.mode != "OBJECT":
            words(layout, context, "Leave Edit Mode (Tab) to change the knot", "INFO")
        if knot.error:
            words(layout, context, knot.error, "ERROR", alert=True)
            if knot.made and knot.made != knot.text:
                layout.operator("mesh.relief_knot_revert", icon="LOOP_BACK")
        elif live.job_of(obj) is not None:
            progress(layout, live.job_of(obj))
        elif rebuild.is_stale(obj) and not live.is_pending(obj):
            draft = rebuild.is_draft(obj)
            words(layout, context, "This is a draft" if draft else "The mesh waits to be made again", "INFO")
            layout.operator("mesh.relief_knot_update", icon="FILE_REFRESH")
        if knot.note:
            words(layout, context, knot.note, "INFO")
        column = layout.column(align=True)
        column.active = not knot.error
        for line in summary(obj):
            words(column, context, line)
        number = len(store.report_of(obj)["findings"])
        if number and not knot.error:
            column.label(text=many(number, "{} finding, see Checks", "{} findings, see Checks"), icon="ERROR")
        unit = context.scene.unit_settings
        if knot.measure == "SCENE" and unit.system == "METRIC" and unit.length_unit not in {"MILLIMETERS", "ADAPTIVE"}:
            layout.operator("scene.relief_knot_millimetres", icon="DRIVER_DISTANCE")


def summary(obj):
    """What is always in sight: counts, measures and mass of the knot as it was last made, a line each."""
    knot, report = obj.relief_knot, store.report_of(obj)
    facts = report["facts"]
    if not facts:
        return []
    counts = (
        many(facts.get("crossings"), "{} crossing", "{} crossings"),
        many(facts.get("circuits"), "{} circuit", "{} circuits"),
        many(facts.get("exceptions"), "{} exception", "{} exceptions"),
    )
    lines = [together(counts)]
    if facts.get("depth_mm") is not None:
        slope = facts.get("steepest_deg")
        climbs = () if slope is None else (rpt_("climbs {}\u00b0").format(f"{slope:.3g}"),)
        lines.append(together((rpt_("{} mm deep").format(f"{facts['depth_mm']:.3g}"), *climbs)))
    mass = props.mass(knot, report)
    if mass is not None:
        small = report["volume_mm3"] < 10_000
        volume = f"{report['volume_mm3']:.4g} mm\u00b3" if small else f"{report['volume_mm3'] / 1000:.4g} cm\u00b3"
        weight = f"{mass:.3g} g" if mass < 1000 else f"{mass / 1000:.3g} kg"
        # strands that are united share what lies in both
        contents = volume if knot.way == "FREE" else rpt_("at most {}").format(volume)
        lines.append(together((contents, f"{weight} in {props.metal_name(knot)}")))
    return lines


class VIEW3D_PT_relief_knot_layout(Section, bpy.types.Panel):
    bl_label = "Layout"
    bl_translation_context = "Relief Knots"  # in Blender's own words it is the layout of a window
    bl_parent_id = "VIEW3D_PT_relief_knot"

    def draw(self, context):
        layout, knot = self.begin(context)
        layout.prop(knot, "kind")
        for names in layout_settings(knot):
            column = layout.column(align=True)
            for name in names:
                column.prop(knot, name)
        design = store.design_of(context.object)
        if knot.kind == "GRID":
            work(layout.row(), context, "CELL", "Leave Out Cells")
            at_cursor(layout, [("mesh.relief_knot_cell", "Cell", {})])
            without = getattr(design and design.layout, "without", ())
            clear(layout, "CELLS", len(without), "{} cell left out", "{} cells left out")
        if knot.kind == "MESH" and knot.layout_object is not None:
            words(layout, context, "Set crossings and breaks on the layout object's edges in Edit Mode", "INFO")


def layout_settings(knot):
    """Names of the settings that the knot's kind of layout has, in groups."""
    if knot.kind == "GRID":
        return [("columns", "rows"), ("cell_width", "cell_height")]
    if knot.kind == "RING":
        edges = ("inner_edge", "outer_edge") if knot.inner else ("outer_edge",)
        return [("sectors", "rows"), ("inner", "outer"), edges, ("dome",)]
    if knot.kind == "STRIP":
        surface = ("surface", "diameter") if knot.surface == "SPHERE" else ("surface",)
        cells = ("cell_width", "cell_height")
        return [("columns", "rows", "repeats"), cells, ("lower_edge", "upper_edge"), surface]
    if knot.kind == "BORDER":
        if knot.polygon:
            return [("polygon",), ("inside_columns", "sides", "deep"), ("border_cell",)]
        return [("polygon",), ("inside_columns", "inside_rows", "deep"), ("border_cell", "frame_corners")]
    return [("layout_object",), ("boundary",)]


class VIEW3D_PT_relief_knot_breaks(Section, bpy.types.Panel):
    bl_label = "Breaks"
    bl_parent_id = "VIEW3D_PT_relief_knot"

    def draw(self, context):
        layout, _knot = self.begin(context)
        work(layout.row(), context, "BREAK", "Set Breaks")
        free = _knot.kind == "MESH"
        at_cursor(
            layout,
            [
                ("mesh.relief_knot_break", "Along" if free else "Horizontal", {"line": "HORIZONTAL"}),
                ("mesh.relief_knot_break", "Across" if free else "Vertical", {"line": "VERTICAL"}),
            ],
        )
        design = store.design_of(context.object)
        breaks = design and design.breaks
        number = breaks and sum(map(len, (breaks.horizontal, breaks.vertical, breaks.along, breaks.across)))
        clear(layout, "BREAKS", number, "{} break", "{} breaks")


class VIEW3D_PT_relief_knot_dividing(Section, bpy.types.Panel):
    bl_label = "Dividing"
    bl_parent_id = "VIEW3D_PT_relief_knot"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, knot = self.begin(context)
        row = layout.row(align=True)
        work(row, context, "CIRCUIT", "Divide Circuits")
        work(row, context, "DIVIDE", "Divide Passes")
        at_cursor(
            layout,
            [
                ("mesh.relief_knot_divide", "Circuit", {"whole": True}),
                ("mesh.relief_knot_divide", "Crossing", {"whole": False}),
            ],
        )
        layout.prop(knot, "divide_all")
        layout.prop(knot, "rejoin")
        follows(layout, knot, "gap")
        design = store.design_of(context.object)
        number = design and len(design.divide.circuits) + len(design.divide.passes)
        clear(layout, "DIVISIONS", number, "{} circuit or pass divided", "{} circuits or passes divided")


class VIEW3D_PT_relief_knot_weave(Section, bpy.types.Panel):
    bl_label = "Weave"
    bl_parent_id = "VIEW3D_PT_relief_knot"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, knot = self.begin(context)
        layout.row().prop(knot, "hand", expand=True)
        work(layout.row(), context, "OVER", "Prefer Over")
        at_cursor(layout, [("mesh.relief_knot_prefer", "Over", {})])
        design = store.design_of(context.object)
        clear(layout, "WISHES", design and len(design.weave.prefer), "{} wish", "{} wishes")
        ops_remedies.draw_remedies(layout)


class VIEW3D_PT_relief_knot_strand(Section, bpy.types.Panel):
    bl_label = "Strand"
    bl_translation_context = "Relief Knots"  # in Blender's own words a strand is one of hair
    bl_parent_id = "VIEW3D_PT_relief_knot"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, knot = self.begin(context)
        column = layout.column(align=True)
        follows(column, knot, "width")
        follows(column, knot, "thickness")
        column = layout.column(align=True)
        column.prop(knot, "section")
        split = column.split(factor=0.4, align=True)
        split.label()
        split.operator("mesh.relief_knot_outline", text="From Selected", icon="CURVE_BEZCIRCLE")
        if knot.section == "MEDIAN_INCISED":
            follows(layout, knot, "groove_depth")
            layout.prop(knot, "groove_angle")


class VIEW3D_PT_relief_knot_turns(Section, bpy.types.Panel):
    bl_label = "Turns"
    bl_parent_id = "VIEW3D_PT_relief_knot_strand"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, knot = self.begin(context)
        column = layout.column(align=True)
        column.prop(knot, "turn_corners")
        column.prop(knot, "turn_borders")
        column.prop(knot, "turn_breaks")


class VIEW3D_PT_relief_knot_heights(Section, bpy.types.Panel):
    bl_label = "Heights"
    bl_parent_id = "VIEW3D_PT_relief_knot"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, knot = self.begin(context)
        if knot.way == "FREE":
            layout.prop(knot, "clearance")
        else:
            follows(layout, knot, "step")
        for switch, value, label in (
            ("has_slope_limit", "slope_limit", "Limit Slope"),
            ("has_depth_limit", "depth_limit", "Limit Depth"),
        ):
            switched(layout, knot, switch, value, label)


class VIEW3D_PT_relief_knot_making(Section, bpy.types.Panel):
    bl_label = "Making"
    bl_parent_id = "VIEW3D_PT_relief_knot"

    def draw(self, context):
        layout, knot = self.begin(context)
        layout.row().prop(knot, "way", expand=True)
        report = store.report_of(context.object)
        facts = report["facts"]
        design = store.design_of(context.object)
        if design is not None:
            rows = layout.column(align=True)
            rows.active = not knot.error
            for label, value in making_facts(design, facts):
                fact(rows, label, value)
        if knot.way != "CARVED":
            layout.prop(knot, "metal")
        column = layout.column(align=True)
        column.operator_menu_enum("mesh.relief_knot_export_mesh", "format", text="Export Mesh", icon="MESH_DATA")
        for line in ops_files.warnings(context.object, context.scene):
            words(layout, context, line, "ERROR")


def making_facts(design, facts):
    """Labels and values that matter to whoever makes the knot, in the way of making that is set."""
    size = core.sizing.sizes(design)
    yield "Size", setting_out.size_words(design, facts.get("depth_mm"))
    divided = design.divide.all or design.divide.circuits or design.divide.passes
    narrow = size.half_width if divided else size.width
    way = core.design.Making
    if design.heights.way is way.CARVED:
        if facts.get("least_gap_mm") is not None:
            yield "Cutter Fits Up To", f"{max(facts['least_gap_mm'], 0):.3g} mm"
        if divided:
            yield "Between Halves", f"{size.gap:.3g} mm"
    else:
        yield "Thinnest Strand", f"{narrow:.3g} x {size.thickness:.3g} mm"
        if facts.get("least_gap_mm") is not None:
            yield "Least Background", f"{facts['least_gap_mm']:.3g} mm"
        if design.heights.way is way.FREE:
            yield "Clearance", f"{size.clearance:.3g} mm"


FACTS = [
    ("woven_crossings", "Woven Crossings", "{}"),
    ("forks", "Forks", "{}"),
    ("fork_exceptions", "Fork Exceptions", "{}"),
    ("components", "Closed Strands", "{}"),
    ("least_gap_mm", "Least Background", "{:.3g} mm"),
    ("median_gap_mm", "Median Background", "{:.3g} mm"),
    ("greatest_gap_mm", "Greatest Background", "{:.3g} mm"),
]

EXCEPTIONS = [("exception_places", "Not alternating, {}"), ("fork_exception_places", "Not alternating at a fork, {}")]
MOST_PLACES = 8
"""Exceptions that are listed one by one."""


class VIEW3D_PT_relief_knot_checks(Section, bpy.types.Panel):
    bl_label = "Checks"
    bl_parent_id = "VIEW3D_PT_relief_knot"

    def draw_header_preset(self, context):
        number = len(store.report_of(context.object)["findings"])
        self.layout.label(text=str(number) if number else "", icon="ERROR" if number else "CHECKMARK")

    def draw(self, context):
        layout, knot = self.begin(context)
        obj = context.object
        report = store.report_of(obj)
        layout.active = layout.active and not knot.error
        if not report["findings"]:
            layout.label(text="Nothing is found wrong" if report["facts"] else "Nothing is made yet")
        for number, finding in enumerate(report["findings"]):
            self.draw_finding(context, layout, number, finding)
        facts = report["facts"]
        design = store.design_of(obj)
        for key, text in EXCEPTIONS:
            for place in (facts.get(key) or [])[:MOST_PLACES]:
                sites = place["sites"]
                row = layout.row(align=True)
                row.label(text=rpt_(text).format(" \u2013 ".join(str(site) for site in sites)), icon="DOT")
                look(row, middle(design, sites))
        unmet = facts.get("unmet") or []
        if unmet:
            words(layout, context, f"{len(unmet)} of the wishes for over cannot be kept with so few exceptions", "INFO")
        if facts.get("exact") is False:
            words(layout, context, "The count of exceptions is an upper bound", "INFO")

    @staticmethod
    def draw_finding(context, layout, number, finding):
        box = layout.box().column(align=True)
        row = box.row(align=True)
        place = f", {said(finding['place'])}" if finding["place"] else ""
        words(row, context, f"{rpt_(finding['kind'].capitalize())}{place}", "ERROR", less=6)
        if finding["at"]:
            look(row, finding["at"])
        words(box, context, finding["remedy"])
        changes = finding.get("changes") or []
        if changes:
            row = box.row(align=True)
            for remedy, (key, value) in enumerate(changes):
                button = row.operator("mesh.relief_knot_mend", text=ops_mend.label(key, value))
                button.finding, button.remedy = number, remedy


class VIEW3D_PT_relief_knot_counts(Section, bpy.types.Panel):
    bl_label = "Counts and Measures"
    bl_parent_id = "VIEW3D_PT_relief_knot_checks"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, _knot = self.begin(context)
        facts = store.report_of(context.object)["facts"]
        rows = layout.column(align=True)
        for key, label, form in FACTS:
            if facts.get(key) is not None:
                fact(rows, label, form.format(facts[key]))


class VIEW3D_PT_relief_knot_files(Section, bpy.types.Panel):
    bl_label = "Files"
    bl_parent_id = "VIEW3D_PT_relief_knot"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context):
        layout, knot = self.begin(context)
        row = layout.row(align=True)
        row.operator("mesh.relief_knot_import", text="Import", icon="IMPORT").replace = True
        row.operator("mesh.relief_knot_export", text="Export", icon="EXPORT")
        layout.prop(knot, "live")
        layout.prop(knot, "measure")
        words(layout, context, units.mapping(knot, context.scene))
        layout.operator("mesh.relief_knot_plain", icon="MESH_CUBE")


class SCENE_OT_relief_knot_millimetres(bpy.types.Operator):
    bl_idname = "scene.relief_knot_millimetres"
    bl_label = "Show Lengths in mm"
    bl_description = "Show lengths in millimetres in this scene; nothing changes its size"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context):
        context.scene.unit_settings.length_unit = "MILLIMETERS"
        return {"FINISHED"}


# Pieces of sections


def middle(design, sites):
    """The middle between sites, mm."""
    places = [setting_out.place(design, core.design.Site(*site)) for site in sites]
    return tuple(sum(axis) / len(places) for axis in zip(*places, strict=True))


def follows(layout, knot, name):
    """A length of the strand that may follow from the others."""
    open_length(layout, knot, name, props.OPEN_LENGTHS, "mesh.relief_knot_follow")


def work(row, context, job, label):
    """A button that takes the drawing tool for one job, down while it is at it."""
    row.operator_context = "INVOKE_REGION_WIN"
    down = draw_tool.is_at_work(context, job)
    row.operator("mesh.relief_knot_work", text=label, icon="GREASEPENCIL", depress=down).job = job


def at_cursor(layout, operators):
    """Buttons that act at the 3D cursor."""
    split = layout.split(factor=0.4)
    name = split.row()
    name.alignment = "RIGHT"
    name.label(text="At Cursor")
    row = split.row(align=True)
    for operator, label, settings in operators:
        button = row.operator(operator, text=label)
        for key, value in settings.items():
            setattr(button, key, value)


def clear(layout, what, number, one, several):
    """How many there are of something, and a button that clears them."""
    if not number:
        return
    row = layout.row()
    row.label(text=many(number, one, several))
    row.operator("mesh.relief_knot_clear", text="", icon="X").what = what


CLASSES = (
    SCENE_OT_relief_knot_millimetres,
    VIEW3D_PT_relief_knot,
    VIEW3D_PT_relief_knot_layout,
    VIEW3D_PT_relief_knot_breaks,
    VIEW3D_PT_relief_knot_dividing,
    VIEW3D_PT_relief_knot_weave,
    VIEW3D_PT_relief_knot_strand,
    VIEW3D_PT_relief_knot_turns,
    VIEW3D_PT_relief_knot_heights,
    VIEW3D_PT_relief_knot_making,
    VIEW3D_PT_relief_knot_checks,
    VIEW3D_PT_relief_knot_counts,
    VIEW3D_PT_relief_knot_files,
)


register, unregister = bpy.utils.register_classes_factory(CLASSES)
