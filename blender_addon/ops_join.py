"""Joining finished knots that lie side by side into one."""

import math

import bpy
from bpy.props import EnumProperty
from mathutils import Matrix, Vector

from . import core, ops_add, store, units

D = core.design

SQUARE_ON = 0.05
"""How far, as a sine, a knot may be turned from quarter turns and still count as lying square."""


class CannotJoin(Exception):  # noqa: N818 - it is no fault
    """The knots do not lie so that they can be joined; the message says why."""


def _turn_of(matrix):
    """Quarter turns in degrees and whether it is mirrored in x first, of a matrix between two knots' planes."""
    part = matrix.to_3x3()
    if any(abs(part.col[k].length - 1.0) > SQUARE_ON for k in range(3)):
        raise CannotJoin("it is scaled otherwise")
    if part.col[2].z < 1.0 - SQUARE_ON:
        raise CannotJoin("it does not lie in the same plane, the same side up")
    for turn in (0, 90, 180, 270):
        for mirror in (False, True):
            wanted = Matrix.Rotation(math.radians(turn), 3, "Z") @ Matrix.Diagonal((-1.0 if mirror else 1.0, 1.0, 1.0))
            if all(abs(part[r][c] - wanted[r][c]) < SQUARE_ON for r in range(2) for c in range(2)):
                return turn, mirror, wanted
    raise CannotJoin("it is not turned by quarter turns")


def piece_of(base, obj):
    """How ``obj`` lies beside ``base`` as a piece of a panel, rounded to whole cells.

    Raises
    ------
    CannotJoin
    """
    design = store.parse(obj.relief_knot.text)[0]
    whole = core.resolve.resolved(design)
    if not isinstance(whole.layout, D.Grid):
        raise CannotJoin("it is not set out on a grid")
    scale = units.units_per_mm(base.relief_knot)
    between = base.matrix_world.inverted_safe() @ obj.matrix_world
    turn, mirror, wanted = _turn_of(between)
    grid = whole.layout
    wide, high = grid.columns * grid.cell_width, grid.rows * grid.cell_height
    corners = [wanted @ Vector((x, y, 0.0)) for x in (0.0, wide) for y in (0.0, high)]
    shift = between.translation / scale
    own = core.resolve.resolved(store.parse(base.relief_knot.text)[0]).layout
    if abs(shift.z) > min(own.cell_width, own.cell_height) / 2:
        raise CannotJoin("it lies higher or lower")
    low = [min(corner[axis] for corner in corners) + shift[axis] for axis in (0, 1)]
    at = tuple(round(part / cell) * cell for part, cell in zip(low, (own.cell_width, own.cell_height), strict=True))
    return D.Piece(obj.name, at, turn, mirror, whole)


def joined(objects, joins):
    """The panel of knots side by side, the first of them giving the plane, as one design on a grid.

    Returns
    -------
    tuple of (Design, (float, float), int)
        The design, where its lower left corner lies in the first knot's plan, mm, and how many circuits of it are
        made of several.

    Raises
    ------
    CannotJoin, DesignError
    """
    pieces = []
    for obj in objects:
        try:
            pieces.append(piece_of(objects[0], obj))
        except CannotJoin as reason:
            raise CannotJoin(f"{obj.name} cannot be joined: {reason}") from None
    design = D.Design(D.Panel(tuple(pieces), D.Joins(joins.lower())))
    out = core.panel.laid(design.layout, core.resolve.resolved)
    if not out.seams:
        raise CannotJoin("The knots touch nowhere; set them side by side, cell to cell")
    merged = core.panel.merged_circuits(design, core.resolve.resolved)
    low = tuple(min(piece.at[axis] for piece in pieces) for axis in (0, 1))
    return core.resolve.resolved(design), low, len(merged)


class MESH_OT_relief_knot_join(bpy.types.Operator):
    bl_idname = "mesh.relief_knot_join"
    bl_label = "Join Knots"
    bl_description = "Make one knot of the selected ones, which lie side by side; the old ones are hidden, not deleted"
    bl_options = {"REGISTER", "UNDO"}

    joins: EnumProperty(
        name="Joins",
        description="Where the knots run into one another",
        items=[
            ("MIDDLE", "Middle", "At the middle of every seam"),
            ("ALL", "All", "Wherever two cells touch"),
        ],
    )

    @classmethod
    def poll(cls, context):
        if not ops_add.needs_object_mode(cls, context):
            return False
        if sum(map(store.is_knot, context.selected_objects)) < 2:
            cls.poll_message_set("Select two or more knots that lie side by side")
            return False
        return True

    def execute(self, context):
        knots = sorted(filter(store.is_knot, context.selected_objects), key=lambda obj: obj.name)
        base = context.object if context.object in knots else knots[0]
        knots.remove(base)
        knots.insert(0, base)
        wrong = next((obj for obj in knots if store.parse(obj.relief_knot.text)[1] is not None), None)
        if wrong is not None:
            self.report({"ERROR"}, f"{wrong.name}: {store.parse(wrong.relief_knot.text)[1]}")
            return {"CANCELLED"}
        try:
            design, low, merged = joined(knots, self.joins)
            core.reading.check(design)
        except (CannotJoin, store.DesignError) as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        scale = units.units_per_mm(base.relief_knot)
        place = base.matrix_world @ Matrix.Translation((low[0] * scale, low[1] * scale, 0.0))
        measure = base.relief_knot.measure
        new = ops_add.new_knot(context, design, "Joined Knot")
        new.matrix_world = place
        if new.relief_knot.measure != measure:
            new.relief_knot.measure = measure
        for obj in knots:
            obj.hide_set(True)
            obj.hide_render = True
        return ops_add.told(self, new, f"{len(knots)} knots joined, {merged} circuits made of several")


def draw_menu(self, _context):
    """The entry in the menu Object."""
    self.layout.operator("mesh.relief_knot_join", icon="MOD_LATTICE")


CLASSES = (MESH_OT_relief_knot_join,)


def register():
    """Make this part known to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.VIEW3D_MT_object.append(draw_menu)


def unregister():
    """Take back what register did."""
    bpy.types.VIEW3D_MT_object.remove(draw_menu)
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
