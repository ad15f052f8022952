"""From the core's arrays to a Blender mesh, as fast as Blender allows.

The position and corner attributes take whole arrays without conversion; the older collections convert each value.
"""

import math

import numpy as np

STRAND = "strand"
"""Name of the face attribute that numbers the circuits."""

UV_NAME = "UVMap"

CREASE = math.radians(38.0)
"""Edges that turn more than this are shown sharp: the mitres and the edges of a section, not its roundings."""


after = []
"""Functions of the mesh just filled, for what belongs on its faces."""


def fill(target, mesh, scale):
    """Make ``target`` (a ``bpy.types.Mesh``) hold ``mesh`` (a core mesh, mm), ``scale`` Blender units to the mm.

    Materials, the name and everything else on the data-block stay. Where the faces are those it already has, only
    positions are written.
    """
    quads, triangles = np.asarray(mesh.quads), np.asarray(mesh.triangles)
    corners = np.concatenate([quads.reshape(-1), triangles.reshape(-1)]).astype(np.int32, copy=False)
    positions = np.multiply(mesh.vertices, scale, dtype=np.float64).astype(np.float32).reshape(-1)
    faces = len(quads) + len(triangles)
    if not _same_faces(target, len(mesh.vertices), faces, corners):
        target.clear_geometry()
        target.vertices.add(len(mesh.vertices))
        target.loops.add(len(corners))
        target.polygons.add(faces)
        starts = np.concatenate([np.arange(len(quads)) * 4, 4 * len(quads) + np.arange(len(triangles)) * 3]).astype(
            np.int32
        )
        target.polygons.foreach_set("loop_start", starts)
        target.attributes[".corner_vert"].data.foreach_set("value", corners)
        _put(target, STRAND, "INT", "FACE", "value", np.concatenate([mesh.quad_strand, mesh.triangle_strand]), np.int32)
        target.attributes["position"].data.foreach_set("vector", positions)
        target.update(calc_edges=True)
    else:
        target.attributes["position"].data.foreach_set("vector", positions)
        # Writing whole attributes does not tell Blender that bounds and normals are out of date; this does.
        target.vertices[0].co = target.vertices[0].co
        target.update()
    uv = np.concatenate([np.reshape(mesh.quad_uv, (-1, 2)), np.reshape(mesh.triangle_uv, (-1, 2))])
    _put(target, UV_NAME, "FLOAT2", "CORNER", "vector", uv, np.float32)
    target.set_sharp_from_angle(angle=CREASE)
    for function in after:
        function(target)


def _same_faces(target, vertices, faces, corners):
    if (len(target.vertices), len(target.polygons), len(target.loops)) != (vertices, faces, len(corners)):
        return False
    had = np.empty(len(corners), np.int32)
    target.attributes[".corner_vert"].data.foreach_get("value", had)
    return np.array_equal(had, corners)


def _put(target, name, kind, domain, field, values, dtype):
    attribute = target.attributes.get(name)
    if attribute is not None and (attribute.data_type, attribute.domain) != (kind, domain):
        target.attributes.remove(attribute)
        attribute = None
    if attribute is None:
        attribute = target.attributes.new(name, kind, domain)
    attribute.data.foreach_set(field, np.ascontiguousarray(values, dtype).reshape(-1))
