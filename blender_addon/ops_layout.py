"""Knots on the polygons of a mesh object, which they follow when it is edited, scaled or moved.

What each edge does is kept on the mesh as an integer attribute, so that it survives editing: Blender carries it along
when edges are split, merged or duplicated.
"""

from dataclasses import replace

import bmesh
import bpy
from bpy.app.handlers import persistent
from bpy.props import EnumProperty

from . import core, jobs, layout_props, ops_add, ops_files, props, rebuild, setting_out, store, ui_parts, units

D = core.design

STATE = "relief_knot_state"
"""Attribute of edges: 0 a crossing, 1 a break along the edge, 2 a break across it."""

STATES = [
    ("CROSSING", "Crossing", "Strands cross on the selected edges", 0),
    ("ALONG", "Break Along", "A short wall along each selected edge: strands stay in their face", 1),
    ("ACROSS", "Break Across", "A short wall across each selected edge: strands stay round their vertex", 2),
]

TURNING = "Relief Knot Layout"
"""Name of the constraint that keeps a knot on its layout object."""


# --- from a mesh to a layout -----------------------------------------------------------------------------------------


def polygons(obj):
    """Vertices, faces and states of edges of a mesh object, in Edit Mode as it is being edited.

    Returns
    -------
    tuple of (list of (x, y, z), list of tuple of int, dict of (int, int) to int)
        In the object's own coordinates; states by the edge's two vertices, the lower first, crossings left out.
    """
    if obj.mode == "EDIT":
        mesh = bmesh.from_edit_mesh(obj.data)
        mesh.verts.index_update()
        layer = mesh.edges.layers.int.get(STATE)
        states = {
            tuple(sorted(vertex.index for vertex in edge.verts)): edge[layer] for edge in (mesh.edges if layer else ())
        }
        faces = [tuple(vertex.index for vertex in face.verts) for face in mesh.faces]
        return (
            [tuple(vertex.co) for vertex in mesh.verts],
            faces,
            {key: value for key, value in states.items() if value},
        )
    mesh = obj.data
    layer = mesh.attributes.get(STATE)
    states = {}
    if layer is not None and (layer.domain, layer.data_type) == ("EDGE", "INT"):
        values = [0] * len(mesh.edges)
        layer.data.foreach_get("value", values)
        states = {tuple(sorted(edge.vertices)): value for edge, value in zip(mesh.edges, values, strict=True) if value}
    return [tuple(vertex.co) for vertex in mesh.vertices], [tuple(face.vertices) for face in mesh.polygons], states


def read_layout(obj, per_mm, boundary):
    """The layout and the breaks that a mesh object gives, in mm, its scale applied.

    Parameters
    ----------
    per_mm : float
        Blender units in a millimetre.
    boundary : Rim

    Returns
    -------
    tuple of (FreeMesh, Breaks)
    """
    points, faces, states = polygons(obj)
    scale = obj.matrix_world.to_scale()
    if obj.matrix_world.determinant() < 0:  # a mirrored object is seen from its other side
        faces = [face[::-1] for face in faces]
    vertices = tuple(
        tuple(float(f"{part * factor / per_mm:.6g}") for part, factor in zip(point, scale, strict=True))
        for point in points
    )
    mesh = D.FreeMesh(vertices, tuple(faces), boundary)
    number = core.free_layout.edges_of(mesh)
    along = sorted(number[key] for key, value in states.items() if value == 1 and key in number)
    across = sorted(number[key] for key, value in states.items() if value == 2 and key in number)
    return mesh, D.Breaks(along=tuple(along), across=tuple(across))


def wrong_edges(faces):
    """Edges, as pairs of vertices, with more than two faces or with two that run the same way along them."""
    ways = {}
    for face in faces:
        for pair in zip(face, (*face[1:], face[0]), strict=True):
            ways[pair] = ways.get(pair, 0) + 1
    return sorted(
        {tuple(sorted(pair)) for pair, times in ways.items() if times > 1 or times + ways.get(pair[::-1], 0) > 2}
    )


def set_out_on(design, mesh, breaks):
    """A design taken over to a free mesh with these breaks, those left out that cannot stand there.

    Returns
    -------
    Changed

    Raises
    ------
    DesignError
        Where no interlace can be set out on the mesh.
    """
    core.layout_check.check_shape(mesh)
    design = core.editing.clear_breaks(design)
    if isinstance(design.layout, D.FreeMesh):
        changed = setting_out.moved_over(design, mesh)
    else:
        changed = core.editing.set_layout(design, mesh)
    design, dropped = core.editing.set_layout(replace(changed.design, breaks=breaks), mesh)
    return core.editing.Changed(design, (*changed.dropped, *dropped))


# --- following -------------------------------------------------------------------------------------------------------


def followers_of(obj):
    """The knots that are set out on an object."""
    return [
        knot
        for knot in bpy.data.objects
        if store.is_knot(knot) and store.is_ours(knot) and knot.relief_knot.layout_object == obj
    ]


def bind(knot):
    """Keep a knot where its layout object is, without taking over its scale."""
    turning = knot.constraints.get(TURNING)
    if turning is None:
        turning = knot.constraints.new("CHILD_OF")
        turning.name = TURNING
    turning.target = knot.relief_knot.layout_object
    turning.use_scale_x = turning.use_scale_y = turning.use_scale_z = False
    turning.inverse_matrix.identity()


def follow(knot):
    """Set a knot out on its layout object as that is now; nothing happens where nothing changed.

    Returns
    -------
    bool
        Whether the knot was changed.
    """
    settings, obj = knot.relief_knot, knot.relief_knot.layout_object
    if obj is None or obj.type != "MESH" or obj == knot or knot.mode != "OBJECT":
        return False
    design = store.design_of(knot)
    if design is None:
        return False
    bind(knot)
    boundary = design.layout.boundary if isinstance(design.layout, D.FreeMesh) else D.Rim.WALLED
    mesh, breaks = read_layout(obj, units.units_per_mm(settings), boundary)
    if (mesh, breaks) == (design.layout, design.breaks) and not settings.error:
        return False
    before = settings.text
    rebuild.change(knot, lambda old: set_out_on(old, mesh, breaks), dragged=True)
    _lift(knot, mesh)
    return settings.text != before


def _lift(knot, mesh):
    """A level mesh lies at the design's z = 0; the knot stands as high as the mesh does."""
    heights = {point[2] for point in mesh.vertices}
    level = heights.pop() if len(heights) == 1 else 0.0
    place = (0.0, 0.0, level * units.units_per_mm(knot.relief_knot))
    if tuple(knot.location) != place:
        knot.location = place


_due = set()
_busy = []


def _follow_due():
    """Let every knot follow whose layout object changed since."""
    names = list(_due)
    _due.clear()
    _busy.append(True)
    try:
        for name in names:
            obj = bpy.data.objects.get(name)
            for knot in followers_of(obj) if obj is not None else ():
                follow(knot)
    finally:
        _busy.pop()


@persistent
def after_depsgraph(_scene, depsgraph):
    """Note layout objects whose mesh or scale changed; the work is done later where there is a window."""
    if _busy:
        return
    for update in depsgraph.updates:
        if not (update.is_updated_geometry or update.is_updated_transform):
            continue
        obj = update.id.original
        if isinstance(obj, bpy.types.Object) and obj.type == "MESH" and obj.get(STATE):
            _due.add(obj.name)
    if not _due:
        return
    if not jobs.can_wait():
        _follow_due()
    elif not bpy.app.timers.is_registered(_follow_due):
        bpy.app.timers.register(_follow_due, first_interval=0.1)


def _chosen(knot):
    """A layout object was chosen for a knot, or none."""
    obj = knot.relief_knot.layout_object
    if obj is None:
        if TURNING in knot.constraints:
            place = knot.matrix_world.copy()
            knot.constraints.remove(knot.constraints[TURNING])
            knot.matrix_world = place
        return
    obj[STATE] = True  # so that the handler sees at a glance whom it concerns
    follow(knot)


# --- operators -------------------------------------------------------------------------------------------------------


def _select(obj, pairs):
    """Select exactly these edges of a mesh object, in whichever mode it is."""
    wanted = set(pairs)
    if obj.mode == "EDIT":
        mesh = bmesh.from_edit_mesh(obj.data)
        mesh.verts.index_update()
        for part in (*mesh.faces, *mesh.edges, *mesh.verts):
            part.select_set(False)
        for edge in mesh.edges:
            if tuple(sorted(vertex.index for vertex in edge.verts)) in wanted:
                edge.select_set(True)
        bmesh.update_edit_mesh(obj.data)
        return
    mesh = obj.data
    named = {vertex for pair in wanted for vertex in pair}
    for name in (".select_vert", ".select_edge", ".select_poly"):
        if name in mesh.attributes:  # written anew: Blender 5.0 breaks down where it is one value for all
            mesh.attributes.remove(mesh.attributes[name])
    mesh.polygons.foreach_set("select", [False] * len(mesh.polygons))
    mesh.edges.foreach_set("select", [tuple(sorted(edge.vertices)) in wanted for edge in mesh.edges])
    mesh.vertices.foreach_set("select", [vertex.index in named for vertex in mesh.vertices])


class MESH_OT_relief_knot_on_mesh(bpy.types.Operator):
    bl_idname = "mesh.relief_knot_on_mesh"
    bl_label = "Knot on Mesh"
    bl_description = "Make a knot on the polygons of the active mesh object, which it follows from then on"
    bl_options = {"REGISTER", "UNDO"}

    boundary: EnumProperty(
        name="Boundary", description="What strands do at the mesh's boundary", items=layout_props.RIMS
    )

    @classmethod
    def poll(cls, context):
        obj = context.object
        if obj is None or obj.type != "MESH" or store.is_knot(obj):
            cls.poll_message_set("Select a mesh object that is no knot")
            return False
        return ops_add.needs_object_mode(cls, context)

    def execute(self, context):
        base = context.object
        ops_files.say("")
        try:
            mesh, breaks = read_layout(base, units.new_per_mm(context.scene), D.Rim[self.boundary])
            design = set_out_on(D.Design(D.Grid(1, 1, 1.0, 1.0)), mesh, breaks).design
            core.reading.check(design)
        except store.DesignError as error:
            _select(base, wrong_edges(polygons(base)[1]))
            return ops_files.refuse(self, f"{base.name}: {error}")
        knot = ops_add.new_knot(context, design, f"{base.name} Knot")
        knot.matrix_world.identity()
        knot.relief_knot.layout_object = base
        base.display_type = "WIRE"
        base.hide_render = True
        return ops_add.told(self, knot, ops_add.about(knot, context.scene))


def _edited_layout(context):
    obj = context.object
    return obj if obj is not None and obj.type == "MESH" and obj.mode == "EDIT" and followers_of(obj) else None


class EdgeOperator:
    """What works on the edges of a layout object in Edit Mode."""

    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context):
        if _edited_layout(context) is None:
            cls.poll_message_set("Edit the layout object of a knot first")
            return False
        return True


class MESH_OT_relief_knot_edges(EdgeOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_edges"
    bl_label = "Set Edges"
    bl_description = "Set what strands do on the selected edges of the layout object"

    state: EnumProperty(
        name="State",
        description="What strands do on the selected edges",
        items=[(key, name, about, "", number) for key, name, about, number in STATES],
    )

    def execute(self, context):
        obj = context.object
        mesh = bmesh.from_edit_mesh(obj.data)
        layer = mesh.edges.layers.int.get(STATE) or mesh.edges.layers.int.new(STATE)
        chosen = [edge for edge in mesh.edges if edge.select]
        if not chosen:
            self.report({"WARNING"}, "No edge is selected")
            return {"CANCELLED"}
        value = next(number for key, *_, number in STATES if key == self.state)
        for edge in chosen:
            edge[layer] = value
        bmesh.update_edit_mesh(obj.data, loop_triangles=False, destructive=False)
        for knot in followers_of(obj):
            follow(knot)
            if knot.relief_knot.error or knot.relief_knot.note:
                self.report({"WARNING"}, knot.relief_knot.error or knot.relief_knot.note)
        return {"FINISHED"}


class MESH_OT_relief_knot_wrong_edges(EdgeOperator, bpy.types.Operator):
    bl_idname = "mesh.relief_knot_wrong_edges"
    bl_label = "Select Wrong Edges"
    bl_description = "Select the edges of the layout object that no knot can be set out on"

    def execute(self, context):
        found = wrong_edges(polygons(context.object)[1])
        _select(context.object, found)
        self.report({"INFO"}, f"{len(found)} edges selected")
        return {"FINISHED"}


class VIEW3D_PT_relief_knot_edges(ui_parts.Tab, bpy.types.Panel):
    bl_label = "Layout Edges"
    bl_order = 5

    @classmethod
    def poll(cls, context):
        return _edited_layout(context) is not None

    def draw(self, context):
        layout = self.layout
        column = layout.column(align=True)
        for key, name, *_ in STATES:
            column.operator("mesh.relief_knot_edges", text=name, translate=True).state = key
        for knot in followers_of(context.object):
            box = layout.box()
            box.label(text=knot.name, icon="MOD_LATTICE", translate=False)
            box.prop(knot.relief_knot, "boundary")
            if knot.relief_knot.error:
                box.label(text=knot.relief_knot.error, icon="ERROR", translate=False)
                box.operator("mesh.relief_knot_wrong_edges", icon="RESTRICT_SELECT_OFF")


def draw_menu(self, _context):
    """The entry in the menu Object: a knot on the active mesh."""
    self.layout.operator("mesh.relief_knot_on_mesh", icon="MOD_LATTICE")


CLASSES = (
    MESH_OT_relief_knot_on_mesh,
    MESH_OT_relief_knot_edges,
    MESH_OT_relief_knot_wrong_edges,
    VIEW3D_PT_relief_knot_edges,
)


def register():
    """Make this part known to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.app.handlers.depsgraph_update_post.append(after_depsgraph)
    bpy.types.VIEW3D_MT_object.append(draw_menu)
    props.followers.append(_chosen)


def unregister():
    """Take back what register did."""
    props.followers.remove(_chosen)
    bpy.types.VIEW3D_MT_object.remove(draw_menu)
    bpy.app.handlers.depsgraph_update_post.remove(after_depsgraph)
    if bpy.app.timers.is_registered(_follow_due):
        bpy.app.timers.unregister(_follow_due)
    _due.clear()
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
