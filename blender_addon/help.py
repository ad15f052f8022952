"""Short help that needs no network: a page for each step of the work, in a pop-up."""

from dataclasses import dataclass

import bpy
from bpy.app.translations import pgettext_iface as _
from bpy.app.translations import pgettext_rpt as rpt_
from bpy.props import EnumProperty

from .ui_parts import wrap

WIDTH = 460
"""Of the pop-up, in pixels at interface scale 1."""

CHARACTERS = 68
"""In a line of it."""


@dataclass(frozen=True)
class Topic:
    """A page of help: its key, title and paragraphs."""

    key: str
    title: str
    text: tuple[str, ...]


TOPICS = (
    Topic(
        "START",
        "First Steps",
        (
            "Add > Mesh > Relief Knot adds a knot for a drawing, a board, a pendant or a trim. Relief Knot Collection, "
            "beside it, has finished designs to start from.",
            "Press N in the 3D view and open the tab Relief Knot. Its sections follow the work from layout to files. "
            "The mesh follows every change.",
            "Each change is one step of undo. The design is saved with the object in the .blend file.",
        ),
    ),
    Topic(
        "LAYOUT",
        "Layout",
        (
            "A knot is set out on columns and rows of cells. Its outer size is their number times the size of a cell.",
            "Leave cells out for a stepped outline or an opening.",
            "The size of a cell and the width of the strand together make the background: a strand about 0.45 of a "
            "cell wide leaves a good one.",
        ),
    ),
    Topic(
        "BREAKS",
        "Breaks",
        (
            "A break turns the two strands back from each other instead of letting them cross. Breaks make the "
            "pattern.",
            "Put them symmetrically, and let no cell be closed on three sides: a strand has no room to turn there.",
        ),
    ),
    Topic(
        "DIVIDING",
        "Dividing",
        (
            "A divided strand runs as two halves, each woven on its own. Divide whole circuits, or single passes of "
            "one.",
            "Where a divided run ends, its halves join in a fork. Forks can make it impossible for over and under to "
            "alternate everywhere; Checks counts such exceptions.",
            "A wider gap makes the climb gentler. A gap of 0 is an incised line.",
        ),
    ),
    Topic(
        "WEAVE",
        "Weave",
        (
            "Over and under alternate along every strand wherever that is possible. Hand changes every over into an "
            "under.",
            "Prefer a strand over where it matters to you. A preference that would cost more exceptions is left out, "
            "and said to be.",
        ),
    ),
    Topic(
        "STRAND",
        "Strand and Heights",
        (
            "Width, thickness and section shape the strand. A length that was never set follows from the others; the "
            "arrow beside a set one lets it follow again.",
            "Free strands never touch. Fused strands overlap and become one piece. Carved strands stand on a solid "
            "ground.",
            "If strands climb too steeply, take a smaller step or a narrower strand.",
        ),
    ),
    Topic(
        "CHECKS",
        "Checks",
        (
            "Checks lists what cannot be made or would look wrong, each with its place and a remedy in numbers. A "
            "click on a remedy applies it.",
            "Bend: a turn is too tight. Ground: strands come too near each other. Slope and depth: a limit is not "
            "kept. Step: two crossings lie so close that the step is not full to the edges.",
        ),
    ),
    Topic(
        "FILES",
        "Files",
        (
            "Export Design saves the design, Export Mesh the mesh as STL, PLY or OBJ in millimetres, whatever the "
            "units of the scene.",
            "Save as Starting Point keeps a design in your own collection. Write Asset Library puts all of it into a "
            "folder for the Asset Browser.",
        ),
    ),
    Topic(
        "CAUTIONS",
        "Cautions",
        (
            "Relief Knots computes shapes. It does not judge strength, and it certifies nothing.",
            "Wood dust harms the lungs: extract it and wear a mask. Cutters, gouges and blades cut: clamp the work and "
            "check every toolpath before cutting.",
            "Small parts and cords are dangerous for small children. Metal on the skin can release nickel. Resin, "
            "powder and molten metal need training and protection.",
            "Where local rules or licensed practice apply, they decide.",
        ),
    ),
)


class WM_OT_relief_knot_help(bpy.types.Operator):
    bl_idname = "wm.relief_knot_help"
    bl_label = "Relief Knot Help"
    bl_description = "A few words about this step of the work"

    topic: EnumProperty(
        name="Topic",
        description="What the help is about",
        items=[(topic.key, topic.title, "") for topic in TOPICS],
        options={"SKIP_SAVE"},
    )

    @property
    def page(self):
        """The topic's page."""
        return next(topic for topic in TOPICS if topic.key == self.topic)

    def invoke(self, context, _event):
        return context.window_manager.invoke_popup(self, width=WIDTH)

    def execute(self, _context):
        self.report({"INFO"}, " ".join(rpt_(paragraph) for paragraph in self.page.text))
        return {"FINISHED"}

    def draw(self, _context):
        column = self.layout.column()
        column.label(text=_(self.page.title), icon="HELP", translate=False)
        for paragraph in self.page.text:
            column.separator()
            block = column.column(align=True)
            for line in wrap(rpt_(paragraph), CHARACTERS):
                block.label(text=line, translate=False)


CLASSES = (WM_OT_relief_knot_help,)


register, unregister = bpy.utils.register_classes_factory(CLASSES)
