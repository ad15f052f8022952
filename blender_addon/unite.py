"""Strands united by Blender's own Boolean, where manifold3d is not installed in Blender's Python.

The core cuts the strands into pieces of a few kinds; those of one kind overlap nowhere, so each kind is a solid and one
Boolean modifier for each further kind unites them. Blender works in single precision: everything is brought near the
origin first, and in mm, so that what is lost lies far below anything that can be made.
"""

import contextlib

import bpy
import numpy as np
from mathutils import Vector
from mathutils.geometry import tessellate_polygon

from . import core

SOURCE = "relief_knot_source"
LEVEL = 1e-2
"""Vertices this near to the ground lie on it; in hairs."""


class NotUnited(ValueError):  # noqa: N818 - it is no fault
    """Blender's Boolean gave nothing; the message says what it said."""


def solver():
    """The best solver that this Blender has: MANIFOLD from 4.5 on, before that EXACT, some ten times slower."""
    known = bpy.types.BooleanModifier.bl_rna.properties["solver"].enum_items
    return "MANIFOLD" if "MANIFOLD" in known else "EXACT"


def is_slow():
    """Whether only the slow solver is there."""
    return solver() == "EXACT"


def triangulate(outline):
    """Triangles of a simple polygon that runs anticlockwise, (t, 3)."""
    flat = tessellate_polygon([[Vector((x, y, 0.0)) for x, y in outline]])
    return np.array([sorted(corners) for corners in flat], np.int64)  # in the polygon's order: anticlockwise too


def unite(pieces, ground, hair):
    """The union of all kinds of pieces; see ``knotgeom.solid.Tool``."""
    low, high = pieces.vertices.min(axis=0), pieces.vertices.max(axis=0)
    middle = (low + high) / 2
    with contextlib.ExitStack() as stack:
        solids = []
        for kind in np.unique(pieces.kind).tolist():
            faces = np.flatnonzero(pieces.kind == kind)
            used, numbered = np.unique(pieces.faces[faces], return_inverse=True)
            place = pieces.vertices[used]
            if ground is not None:
                place[:, 2] -= hair * (1 + kind) * (place[:, 2] <= ground)
            solids.append(_object(stack, place - middle, np.asarray(numbered).reshape(-1, 3), faces))
        first = solids[0]
        steps = [(other, "UNION") for other in solids[1:]]
        if ground is not None:
            below = np.array([*low[:2] - 1.0, ground - 1.0 - 50 * hair]), np.array([*high[:2] + 1.0, ground])
            steps.append((_box(stack, *(corner - middle for corner in below)), "DIFFERENCE"))
        for other, operation in steps:
            modifier = first.modifiers.new("Unite", "BOOLEAN")
            modifier.operation, modifier.object, modifier.solver = operation, other, solver()
        vertices, triangles, source = _evaluated(first)
    if not len(triangles) or len(triangles) < len(pieces.faces) / 8:
        raise NotUnited("Blender's Boolean gave no union of the strands")
    vertices = vertices + middle
    if ground is not None:
        level = np.abs(vertices[:, 2] - ground) < LEVEL * hair
        vertices[level, 2] = ground
    return vertices, triangles, source


def tool():
    """What the core unites pieces with here."""
    return core.solid.Tool(triangulate, unite)


def _object(stack, vertices, triangles, source):
    """An object of these triangles in the scene, taken away again when ``stack`` ends."""
    mesh = bpy.data.meshes.new(SOURCE)
    mesh.vertices.add(len(vertices))
    mesh.loops.add(3 * len(triangles))
    mesh.polygons.add(len(triangles))
    mesh.polygons.foreach_set("loop_start", np.arange(len(triangles), dtype=np.int32) * 3)
    mesh.attributes[".corner_vert"].data.foreach_set("value", triangles.astype(np.int32).ravel())
    mesh.attributes["position"].data.foreach_set("vector", vertices.astype(np.float32).ravel())
    mesh.attributes.new(SOURCE, "INT", "FACE").data.foreach_set("value", np.asarray(source, np.int32))
    mesh.update(calc_edges=True)
    obj = bpy.data.objects.new(SOURCE, mesh)
    bpy.context.scene.collection.objects.link(obj)
    stack.callback(bpy.data.meshes.remove, mesh)  # takes its object's mesh, so the object has to go first
    stack.callback(bpy.data.objects.remove, obj)
    return obj


def _box(stack, low, high):
    corners = np.array([[x, y, z] for z in (low[2], high[2]) for y in (low[1], high[1]) for x in (low[0], high[0])])
    sides = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    triangles = np.array([half for a, b, c, d in sides for half in ((a, b, c), (a, c, d))])
    return _object(stack, corners, triangles, np.full(len(triangles), -1))


def _evaluated(obj):
    """Vertices, triangles and the source of each after the modifiers."""
    evaluated = obj.evaluated_get(bpy.context.evaluated_depsgraph_get())
    mesh = evaluated.to_mesh()
    try:
        mesh.calc_loop_triangles()
        count = len(mesh.loop_triangles)
        triangles, polygon = np.empty(3 * count, np.int32), np.empty(count, np.int32)
        mesh.loop_triangles.foreach_get("vertices", triangles)
        mesh.loop_triangles.foreach_get("polygon_index", polygon)
        source = np.empty(len(mesh.polygons), np.int32)
        vertices = np.empty(3 * len(mesh.vertices), np.float32)
        mesh.vertices.foreach_get("co", vertices)
        if SOURCE not in mesh.attributes:
            raise NotUnited("Blender's Boolean lost the faces' names")
        mesh.attributes[SOURCE].data.foreach_get("value", source)
    finally:
        evaluated.to_mesh_clear()
    places = vertices.reshape(-1, 3).astype(np.float64)
    return places, triangles.reshape(-1, 3).astype(np.int64), source[polygon].astype(np.int64)
