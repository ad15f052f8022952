"""Remedies with one click: small changes of dividing that mend the weave, few breaks that join circuits."""

import bpy
from bpy.app.translations import pgettext_rpt as rpt_
from bpy.props import EnumProperty, IntProperty

from . import core, ops_edit, rebuild

Symmetry = core.symmetry.Symmetry

SYMMETRIES = [
    ("LEFT_RIGHT", "Left and Right", "Mirrored, the line of the mirror upright", 1),
    ("UP_DOWN", "Up and Down", "Mirrored, the line of the mirror level", 2),
    ("HALF_TURN", "Half Turn", "Turned by half a turn", 4),
    ("QUARTER_TURN", "Quarter Turns", "Turned to all four quarters", 8),
    ("ROUND", "Round", "Repeated round a ring, along a strip or from side to side of a border", 16),
]


class NoRemedyError(Exception):
    """Nothing was found; the message says so."""


def mended(design, number=0, progress=None):
    """The design with a change of dividing that lessens its exceptions, and words for it.

    Parameters
    ----------
    number : int
        Of the remedies as ``knotgeom mend`` lists them, from 1; 0 for the smallest that leaves the fewest exceptions.

    Raises
    ------
    NoRemedyError
    """
    search = core.dividing.find_dividings(design, progress=progress)
    if not search.exceptions:
        raise NoRemedyError(rpt_("Over and under alternate already"))
    if not search.remedies:
        raise NoRemedyError(rpt_("No small change of dividing mends the weave"))
    if number:
        remedy = search.remedies[min(number, len(search.remedies)) - 1]
    else:
        remedy = min(search.remedies, key=lambda each: (each.exceptions, each.size))
    words = rpt_("Passes changed: {}; exceptions left: {}, before: {}")
    return remedy.design, words.format(remedy.size, remedy.exceptions, search.exceptions)


def joined(design, count, symmetries, order=None, number=1, progress=None):
    """The design with the fewest breaks after which it has ``count`` circuits, and words for it.

    Returns
    -------
    tuple of (Changed, str)

    Raises
    ------
    NoRemedyError
    DesignError
        The layout has not got the symmetry.
    """
    search = core.merging.find_breaks(design, count, symmetries, order, progress=progress)
    if search.before == count:
        raise NoRemedyError(rpt_("The circuits are as many already"))
    if not search.remedies:
        if search.complete:
            raise NoRemedyError(rpt_("No breaks of this symmetry give so many circuits; choose another"))
        raise NoRemedyError(rpt_("Found no such breaks within reason; choose another symmetry or number"))
    remedy = search.remedies[min(number, len(search.remedies)) - 1]
    words = rpt_("Breaks added: {}; circuits: {}, before: {}")
    changed = core.editing.Changed(remedy.design, remedy.dropped)
    return changed, words.format(len(remedy.lines), remedy.count, search.before)


class Remedy(ops_edit.KnotOperator):
    """What both operators share: search, change the design, say what was done."""

    def apply(self, context, find):
        """Change the design by ``find(design, progress) -> (design or Changed, words)``."""
        obj, manager, said = context.object, context.window_manager, []

        def edit(design):
            changed, words = find(design, lambda share, _stage: manager.progress_update(share))
            said.append(words)
            return changed

        manager.progress_begin(0.0, 1.0)
        try:
            taken = rebuild.change(obj, edit)
        except NoRemedyError as error:
            self.report({"WARNING"}, str(error))
            return {"CANCELLED"}
        finally:
            manager.progress_end()
        if obj.relief_knot.error:
            self.report({"WARNING"}, obj.relief_knot.error)
        elif said:
            self.report({"INFO"}, said[0])
        return {"FINISHED"} if taken else {"CANCELLED"}


class MESH_OT_relief_knot_mend_weave(Remedy, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_mend_weave"
    bl_label = "Mend Weave"
    bl_description = "Change the dividing as little as can be, so that over and under alternate more often"

    number: IntProperty(
        name="Remedy",
        description="Which of the remedies found, the smallest change first; 0 for what leaves fewest exceptions",
        min=0,
        soft_max=12,
        options={"SKIP_SAVE"},
    )

    def execute(self, context):
        return self.apply(context, lambda design, progress: mended(design, self.number, progress))


class MESH_OT_relief_knot_join_circuits(Remedy, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_join_circuits"
    bl_label = "Join Circuits"
    bl_description = "Add the fewest breaks that make one circuit of all, or as many as are wanted"

    count: IntProperty(name="Circuits", description="How many circuits there are to be", min=1, soft_max=12, default=1)
    symmetry: EnumProperty(
        name="Symmetry", description="What every break is repeated by", items=SYMMETRIES, options={"ENUM_FLAG"}
    )
    order: IntProperty(
        name="Times Round",
        description="How many times breaks are repeated round the layout; 0 for as many as can be",
        min=0,
        soft_max=24,
    )
    number: IntProperty(
        name="Remedy",
        description="Which of the sets of breaks found",
        min=1,
        soft_max=6,
        default=1,
        options={"SKIP_SAVE"},
    )

    def execute(self, context):
        chosen = [Symmetry[name] for name in self.symmetry]
        return self.apply(
            context,
            lambda design, progress: joined(design, self.count, chosen, self.order or None, self.number, progress),
        )


def draw_remedies(layout):
    """Both operators, for the section on the weave."""
    column = layout.column(align=True)
    column.operator("mesh.relief_knot_mend_weave", icon="MODIFIER")
    column.operator("mesh.relief_knot_join_circuits", icon="AUTOMERGE_ON")


CLASSES = (MESH_OT_relief_knot_mend_weave, MESH_OT_relief_knot_join_circuits)


register, unregister = bpy.utils.register_classes_factory(CLASSES)
