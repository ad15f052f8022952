"""Overlays on the selected knot: what :mod:`.overlay_lines` works out, drawn in the 3D view.

The design is drawn in its own plane, over the strands, with lines of the same width on every screen. What is drawn
is kept until the design changes. Nothing here runs without a window.
"""

import traceback

import bpy
import gpu
import numpy as np
from bpy.app.translations import pgettext_rpt as rpt_
from bpy.props import BoolProperty, EnumProperty, PointerProperty
from gpu_extras.batch import batch_for_shader
from mathutils import Matrix, Vector

from . import core, gestures, overlay_lines, setting_out, store, ui_parts, units, view_drawing

TOOL = "relief_knot.draw"
"""Identifier of the drawing tool."""

GUIDES = {"layout", "sites", "breaks", "wishes"}
"""Overlays that show what is drawn: while drawing, or always."""

KEPT = 4
"""Designs whose lines are kept."""

pointer = {}
"""What the drawing tool has under the pointer: ``stroke``, and ``region`` where it hovers (absent while pressed)."""


class ReliefKnotOverlay(bpy.types.PropertyGroup):
    """Which overlays are shown; kept with the scene."""

    guides: EnumProperty(
        name="Guides",
        description="When the layout, its sites, breaks and wishes are drawn over the selected knot",
        items=[
            ("TOOL", "While Drawing", "Only while the Draw on Knot tool is active"),
            ("ALWAYS", "Always", "Whenever a knot is selected"),
        ],
        options=set(),
    )
    layout: BoolProperty(
        name="Layout Lines", description="The border of the layout and the lines of its cells", default=True
    )
    sites: BoolProperty(name="Sites", description="A small cross at every place where a break can be set", default=True)
    breaks: BoolProperty(name="Breaks", description="The short wall of every break", default=True)
    wishes: BoolProperty(
        name="Wishes",
        description="A pair of rails beside every strand that is wished over, dashed where the weave cannot keep it",
        default=True,
    )
    circuits: BoolProperty(
        name="Circuits",
        description="The centre line of every closed strand, told apart by shade, by dashes and by number",
    )
    forks: BoolProperty(name="Forks", description="A triangle wherever a strand parts into two halves or rejoins")
    exceptions: BoolProperty(
        name="Exceptions", description="A diamond wherever over and under do not alternate along a strand"
    )
    findings: BoolProperty(
        name="Findings",
        description="A ring, with a word, round every place that is too tight, too steep or too thin",
    )
    heights: BoolProperty(
        name="Heights", description="Bands of shade by height over the strands, with a scale in millimetres"
    )


def is_tool_active(context):
    """Whether the drawing tool is the active one in this workspace's 3D views."""
    workspace = getattr(context, "workspace", None)
    tool = workspace and workspace.tools.from_space_view3d_mode("OBJECT", create=False)
    return bool(tool) and tool.idname == TOOL


def kinds_wanted(settings, drawing):
    """The overlays that are to be drawn, as names of the switches, from below to above."""
    names = ["heights", "layout", "circuits", "sites", "breaks", "wishes", "forks", "exceptions", "findings"]
    guides = drawing or settings.guides == "ALWAYS"
    return [name for name in names if getattr(settings, name) and (guides or name not in GUIDES)]


# --- batches ---------------------------------------------------------------------------------------------------------


class Kept:
    """Batches by name and design, the oldest given up first."""

    def __init__(self):
        self.of = {}

    def get(self, key, make):
        """The batch kept under ``key``, made where there is none."""
        if key not in self.of:
            while len(self.of) >= KEPT * 10:
                self.of.pop(next(iter(self.of)))
            self.of[key] = make()
        return self.of[key]


_kept = Kept()


def _pieces(kind, design, report):
    """What one overlay shows: [(pieces, colour name or RGB, width in pixels)]."""
    lines = overlay_lines
    radius = 0.16 * setting_out.unit(design)
    if kind == "layout":
        border, within = lines.layout_lines(design)
        return [(within, "faint", 1.0), (border, "border", 1.2)]
    if kind == "sites":
        return [(lines.site_marks(design), "line", 1.2)]
    if kind == "breaks":
        return [(lines.walls(design, lines.breaks_of(design)), "line", 3.0)]
    if kind == "wishes":
        kept, dropped = lines.wish_marks(design, unmet_of(report["facts"]))
        return [(kept, "line", 2.4), (dropped, "exception", 2.4)]
    if kind == "circuits":
        return [(pieces, shade, 2.4) for _, pieces, shade, _ in lines.circuit_lines(design)]
    if kind == "forks":
        return [(lines.polygon_marks(lines.plan(design).forks, radius, 3, np.pi / 2, design), "line", 2.0)]
    if kind == "exceptions":
        places = lines.exception_places(design, report["facts"])
        return [(lines.polygon_marks(places, radius, 4, design=design), "exception", 2.0)]
    if kind == "findings":
        places = lines.finding_places(report["findings"], design)[1]
        return [(lines.polygon_marks(places, 1.7 * radius, 24, design=design), "warning", 2.0)]
    return []


SAID = {"wishes", "exceptions", "findings"}
"""Overlays of what was said of the mesh, not of the design alone."""


def unmet_of(facts):
    """The wishes that the weave last made does not keep."""
    return [core.design.Pass(x, y, core.design.Way(way)) for x, y, way in facts.get("unmet") or ()]


def _batches(kind, obj, design, report):
    knot = obj.relief_knot
    key = (kind, store.digest(knot.text, 1.0), hash(knot.report) if kind in SAID else 0)
    return _kept.get(
        key,
        lambda: [
            (view_drawing.line_batch(pieces), colour, width) for pieces, colour, width in _pieces(kind, design, report)
        ],
    )


def _height_batch(obj):
    """The mesh tinted by height, and its least and greatest height in Blender units."""
    mesh = obj.data

    def make():
        points = np.empty(3 * len(mesh.vertices), np.float32)
        mesh.attributes["position"].data.foreach_get("vector", points)
        points = points.reshape(-1, 3)
        mesh.calc_loop_triangles()
        triangles = np.empty(3 * len(mesh.loop_triangles), np.int32)
        mesh.loop_triangles.foreach_get("vertices", triangles)
        colours, low, high = overlay_lines.height_colours(points[:, 2])
        shader = gpu.shader.from_builtin("SMOOTH_COLOR")
        content = {"pos": points, "color": colours}
        return batch_for_shader(shader, "TRIS", content, indices=triangles.reshape(-1, 3)), low, high

    return _kept.get(("heights", mesh.relief_knot_built, mesh.name), make)


# --- drawing ---------------------------------------------------------------------------------------------------------


def _shown(context):
    """The knot to draw over, its design and what is wanted; None where nothing is."""
    obj, space = store.active_knot(context), context.space_data
    if obj is None or context.mode != "OBJECT" or not space.overlay.show_overlays or not obj.visible_get():
        return None
    design, wrong = store.parse(obj.relief_knot.text)
    if design is None or wrong is not None:
        return None
    drawing = is_tool_active(context)
    return obj, design, kinds_wanted(context.scene.relief_knot_overlay, drawing), drawing


def draw_lines():
    """Draw the overlays in the knot's plane: after the view, in its space."""
    context = bpy.context
    shown = _shown(context)
    if shown is None:
        return
    obj, design, kinds, drawing = shown
    colours, report = view_drawing.theme_colours(context), store.report_of(obj)
    gpu.state.blend_set("ALPHA")
    try:
        if "heights" in kinds:
            _draw_heights(context, obj)
        with gpu.matrix.push_pop():
            gpu.matrix.multiply_matrix(view_drawing.plane(obj))
            for kind in kinds:
                for batch, colour, width in _batches(kind, obj, design, report) if kind != "heights" else ():
                    shade = (*colour, 1.0) if isinstance(colour, tuple) else colours[colour]
                    view_drawing.draw_batch(context, batch, shade, width, None if kind == "layout" else colours["halo"])
            stroke = pointer.get("stroke")
            if drawing and stroke is not None and stroke.begun and stroke.design == design:
                _draw_stroke(context, stroke, colours)
    finally:
        gpu.state.blend_set("NONE")
        gpu.state.depth_test_set("NONE")


def _draw_heights(context, obj):
    if not obj.data.relief_knot_built or not len(obj.data.vertices):
        return
    batch, *_ = _height_batch(obj)
    view = context.region_data
    towards = view.view_rotation @ Vector((0.0, 0.0, 0.004 * view.view_distance))  # before the mesh, not in it
    shader = gpu.shader.from_builtin("SMOOTH_COLOR")
    gpu.state.depth_test_set("LESS_EQUAL")
    gpu.state.depth_mask_set(True)
    with gpu.matrix.push_pop():
        gpu.matrix.multiply_matrix(Matrix.Translation(towards) @ obj.matrix_world)
        batch.draw(shader)
    gpu.state.depth_mask_set(False)
    gpu.state.depth_test_set("NONE")


def stroke_pieces(stroke):
    """What a stroke shows before it is let go: [(pieces, name of a colour, width)]."""
    design = stroke.design
    cell = setting_out.unit(design)
    found = []
    if stroke.job is gestures.Job.BREAK:
        found.append((overlay_lines.walls(design, stroke.lines), "active", 4.0))
        gone = {site: core.editing.break_at(design, site) for site, line in stroke.lines.items() if line is None}
        for wall in overlay_lines.walls(design, gone):
            found.append((overlay_lines.dashed(wall, (0.9, 0.9), cell, closed=False), "active", 4.0))
        if not stroke.dragged:
            at = [setting_out.place(design, site) for site in stroke.lines]
            found.append((overlay_lines.polygon_marks(at, 0.13 * cell, 24, design=design), "active", 1.5))
        return found
    if stroke.job is gestures.Job.CELL:
        return [(overlay_lines.cell_marks(design, stroke.cells), "active", 4.0)]
    drawn = overlay_lines.plan(design)
    if stroke.job in gestures.WHOLE:
        numbers = {drawn.circuit_of[at] for at in stroke.passes}
        return [(drawn.outline(number), "active", 4.0) for number in sorted(numbers)]
    return [(drawn.laid(overlay_lines.chain(drawn.pieces[at])), "active", 4.0) for at in stroke.passes]


def _draw_stroke(context, stroke, colours):
    for pieces, colour, width in stroke_pieces(stroke):
        view_drawing.draw_batch(context, view_drawing.line_batch(pieces), colours[colour], width, colours["halo"])


def draw_words():
    """Draw numbers of circuits, words for findings and the scale of heights: after the view, in pixels."""
    context = bpy.context
    shown = _shown(context)
    if shown is None:
        return
    obj, design, kinds, _ = shown
    colours, report = view_drawing.theme_colours(context), store.report_of(obj)
    if "circuits" in kinds:
        for number, _, shade, at in overlay_lines.circuit_lines(design):
            view_drawing.word_at(context, obj, at, str(number), (*shade, 1.0))
    if "findings" in kinds:
        for kind, at in zip(*overlay_lines.finding_places(report["findings"], design), strict=True):
            view_drawing.word_at(context, obj, at, rpt_(kind.capitalize()), colours["warning"], above=True)
    if "heights" in kinds and obj.data.relief_knot_built:
        _draw_scale(context, obj, colours)


def _draw_scale(context, obj, colours):
    """The shades of the heights from low to high, with millimetres beside them."""
    _, low, high = _height_batch(obj)
    scale, mm = context.preferences.system.ui_scale, units.units_per_mm(obj.relief_knot)
    bands, height, width = 10, 14 * scale, 18 * scale
    x, y = 24 * scale, 40 * scale
    shades, *_ = overlay_lines.height_colours(np.arange(bands), bands)
    gpu.state.blend_set("ALPHA")
    view_drawing.plate(
        x - 8 * scale, y - 10 * scale, x + width + 76 * scale, y + bands * height + 12 * scale, colours["halo"]
    )
    for band in range(bands):
        shade = tuple(float(part) for part in shades[band])
        view_drawing.plate(x, y + band * height, x + width, y + (band + 1) * height, shade)
    gpu.state.blend_set("NONE")
    for share in (0.0, 0.5, 1.0):
        words = f"{(low + share * (high - low)) / mm:.2f} mm"
        view_drawing.write(
            context, x + width + 8 * scale, y + share * bands * height - 4 * scale, words, colours["line"]
        )


# --- handlers --------------------------------------------------------------------------------------------------------

_handles = []


def _guarded(draw):
    """``draw``, taken out of the view for good if it ever fails, so that a fault is told once and not at every move."""

    def drawn():
        try:
            draw()
        except Exception:
            traceback.print_exc()
            stop()

    return drawn


def start():
    """Begin to draw in all 3D views; without a window there is nothing to draw in."""
    if bpy.app.background or _handles:
        return
    for draw, when in ((draw_lines, "POST_VIEW"), (draw_words, "POST_PIXEL")):
        _handles.append(bpy.types.SpaceView3D.draw_handler_add(_guarded(draw), (), "WINDOW", when))


def stop():
    """Draw no more."""
    while _handles:
        bpy.types.SpaceView3D.draw_handler_remove(_handles.pop(), "WINDOW")
    _kept.of.clear()
    pointer.clear()


# --- switches --------------------------------------------------------------------------------------------------------


def draw_switches(layout, settings):
    """The switches of all overlays."""
    layout.use_property_split = False
    layout.use_property_decorate = False
    layout.row().prop(settings, "guides", expand=True)
    grid = layout.grid_flow(row_major=True, columns=2, even_columns=True, align=True)
    for name in ("layout", "sites", "breaks", "wishes", "circuits", "forks", "exceptions", "findings", "heights"):
        grid.prop(settings, name)


class VIEW3D_PT_relief_knot_overlays(ui_parts.Section, bpy.types.Panel):
    bl_label = "Overlays"
    bl_parent_id = "VIEW3D_PT_relief_knot"
    bl_options = {"DEFAULT_CLOSED"}
    bl_order = 85

    def draw(self, context):
        draw_switches(self.layout, context.scene.relief_knot_overlay)


class VIEW3D_PT_overlay_relief_knot(bpy.types.Panel):
    bl_label = "Relief Knot"
    bl_space_type = "VIEW_3D"
    bl_region_type = "HEADER"
    bl_parent_id = "VIEW3D_PT_overlay"

    @classmethod
    def poll(cls, context):
        return store.active_knot(context) is not None

    def draw(self, context):
        layout = self.layout
        layout.active = context.space_data.overlay.show_overlays
        draw_switches(layout, context.scene.relief_knot_overlay)


CLASSES = (ReliefKnotOverlay, VIEW3D_PT_relief_knot_overlays, VIEW3D_PT_overlay_relief_knot)


def register():
    """Make this part known to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.Scene.relief_knot_overlay = PointerProperty(type=ReliefKnotOverlay)
    start()


def unregister():
    """Take back what register did."""
    stop()
    del bpy.types.Scene.relief_knot_overlay
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
