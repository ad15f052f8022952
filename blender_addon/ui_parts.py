"""What sections of the sidebar are made of: texts over several lines, tables, rows of a switch, progress, buttons."""

from bpy.app.translations import pgettext_rpt as rpt_

from . import design_props, store
from .translations import said

TAB = "Relief Knot"
MAKING = "VIEW3D_PT_relief_knot_making"
"""The section in which each way of making has a sub-panel of its own: its ``bl_parent_id``."""


class Tab:
    """A panel in the add-on's tab of the sidebar."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = TAB


class Section(Tab):
    """A section that is there for knots."""

    @classmethod
    def poll(cls, context):
        return store.active_knot(context) is not None

    def begin(self, context):
        """The section's layout and the knot's settings, ready to draw with."""
        return as_settings(self.layout, context), context.object.relief_knot


def as_settings(layout, context):
    """A layout set to show settings, their names left of them; grey where they cannot be changed."""
    layout.use_property_split = True
    layout.use_property_decorate = False
    layout.active = context.mode == "OBJECT"
    return layout


def wrap(text, width):
    """Lines of at most ``width`` characters, broken between words but not at non-breaking spaces."""
    lines = [""]
    for word in text.split(" "):
        if lines[-1] and len(lines[-1]) + 1 + len(word) > width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".lstrip()
    return lines


def words(layout, context, text, icon="NONE", alert=False, less=0):
    """A text over as many lines as the sidebar's width asks for, ``less`` letters being taken up by something else."""
    scale = context.preferences.system.ui_scale
    width = max(20, int((context.region.width / scale - 60) / 6.2) - less) if context.region else 50
    column = layout.column(align=True)
    column.alert = alert
    for number, line in enumerate(wrap(said(text), width)):
        column.label(text=line, translate=False, icon=icon if number == 0 else "BLANK1" if icon != "NONE" else "NONE")


def many(number, one, several):
    """Words such as "1 crossing" or "7 crossings"; an en dash for a number that is not known."""
    return rpt_(one if number == 1 else several).format("\u2013" if number is None else number)


def together(parts):
    """Parts in one line, which breaks between them only."""
    return ", ".join(part.replace(" ", "\u00a0") for part in parts)


def progress(layout, job):
    """How far a job is, and a button that stops it."""
    row = layout.row(align=True)
    stage = rpt_(job.stage)
    row.progress(factor=job.share, text=f"{stage[:1].upper()}{stage[1:]}..." if stage else job.label)
    row.operator("wm.relief_knot_stop", text="", icon="X")


def button(layout, job, operator, icon):
    """The button of what is done in a job; while it is being done, how far it is."""
    if job is None:
        layout.operator(operator, icon=icon)
    else:
        progress(layout, job)


def switched(layout, owner, switch, value, heading):
    """A row of a switch and of the value that it switches on."""
    row = layout.row(heading=heading)
    row.prop(owner, switch, text="")
    cell = row.row()
    cell.active = getattr(owner, switch)
    cell.prop(owner, value, text="")


def open_length(layout, settings, name, paths, operator):
    """A length that the design may leave open, with a button that lets it follow again.

    Parameters
    ----------
    paths : dict of str to str
        Where the design keeps such lengths, by the names of their settings.
    """
    row = layout.row(align=True)
    row.prop(settings, name)
    design = store.design_of(settings.id_data)
    if design is not None and design_props.look(design, paths[name]) is not None:
        row.operator(operator, text="", icon="LOOP_BACK").length = name


def fact(layout, label, value):
    """One row of a table of what is known, with room for either side after the length of its words."""
    said_so = rpt_(label)
    row = layout.split(factor=min(max(len(said_so) / (len(said_so) + len(value)), 0.2), 0.7))
    row.label(text=said_so, translate=False)
    right = row.row()
    right.alignment = "RIGHT"
    right.label(text=value, translate=False)


def look(layout, at):
    """The button that goes and shows a place of the layout (mm)."""
    shown = layout.operator("mesh.relief_knot_look", text="", icon="VIEWZOOM")
    shown.at = at[:2]
    shown.height = at[2] if len(at) > 2 else 0.0
