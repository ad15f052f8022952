"""The trim kit as objects beside its knot, a collection for each level; and trims laid along paths."""

import hashlib
import json

import bpy
import numpy as np
from bpy.app.translations import pgettext_rpt as rpt_
from mathutils import Matrix

from . import core, jobs, making, store, units

UV_NAMES = ("UVMap", "Lightmap")
"""The trim sheet's, and the one where no two faces overlap."""
APART = 0.15
"""Between pieces set out side by side, as a share of the strip's height."""

MAKER = making.Maker(
    "relief_knot_trim",
    label="Making the kit of {}",
    step="Make Kit",
    fault="The kit could not be made; undo the last change",
)
job_of = MAKER.job_of

_kits = making.Lately(2)
"""Kits made in this session."""


def build(design, progress):
    """The kit of a design, for any thread."""
    return core.trims_build.make_kit(design, progress=progress)


def wanted(knot_object):
    """The digest of the kit that the design on a knot asks for."""
    text = f"{units.units_per_mm(knot_object.relief_knot)!r} trim {knot_object.relief_knot.text}"
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def forget():
    """Drop the kits of this session."""
    _kits.clear()


def is_made(obj):
    """Whether an object is a piece of a kit or a trim laid."""
    return obj is not None and obj.type == "MESH" and store.is_knot(obj.relief_knot_trim.source)


def knot_in(context):
    """The knot that the active object is or is made of; None otherwise."""
    obj = context.object
    return obj.relief_knot_trim.source if is_made(obj) else store.active_knot(context)


def pieces_of(knot_object, level=None):
    """The objects of a knot's kit, or of one level of it, by their names."""
    found = [
        obj
        for obj in bpy.data.objects
        if obj.type == "MESH" and obj.relief_knot_trim.source == knot_object and obj.relief_knot_trim.piece_level >= 0
    ]
    found = [obj for obj in found if level is None or obj.relief_knot_trim.piece_level == level]
    return sorted(found, key=lambda obj: (obj.relief_knot_trim.piece_level, obj.relief_knot_trim.piece_name))


def is_stale(knot_object):
    """Whether the kit, if there is one, is not that of the design as it stands."""
    found = pieces_of(knot_object)
    return bool(found) and found[0].data.relief_knot_built != wanted(knot_object)


def report_of(knot_object):
    """What was measured on the kit; empty before it is made."""
    text = knot_object.relief_knot_trim.report if knot_object is not None else ""
    return core.jsontext.kept(text)


def facts_of(kit):
    """What the sidebar says of a kit."""
    return {
        "period_mm": round(kit.period, 4),
        "height_mm": round(kit.height, 4),
        "sheet": [kit.sheet.width, kit.sheet.height],
        "texels_per_m": round(1000 * kit.sheet.per_mm, 2),
        "pieces": [
            {
                "name": piece.name,
                "triangles": [len(level.mesh.triangles) for level in piece.levels],
                "deviation_mm": [round(level.deviation, 5) for level in piece.levels],
            }
            for piece in kit.pieces
        ],
        "notes": list(kit.notes),
        "findings": list(kit.findings),
    }


# --- meshes ---


def fill(target, mesh, scale):
    """Make ``target`` (a ``bpy.types.Mesh``) hold a ``TrimMesh`` with its normals and UVs."""
    target.clear_geometry()
    count, faces = len(mesh.positions), len(mesh.triangles)
    corners = np.ascontiguousarray(mesh.triangles, np.int32).reshape(-1)
    target.vertices.add(count)
    target.loops.add(3 * faces)
    target.polygons.add(faces)
    target.polygons.foreach_set("loop_start", np.arange(0, 3 * faces, 3, dtype=np.int32))
    target.attributes[".corner_vert"].data.foreach_set("value", corners)
    target.attributes["position"].data.foreach_set("vector", (mesh.positions * scale).astype(np.float32).reshape(-1))
    target.update(calc_edges=True)
    for name, uv in zip(UV_NAMES, (mesh.uv, mesh.light_uv), strict=True):
        layer = target.uv_layers.get(name) or target.uv_layers.new(name=name, do_init=False)
        layer.data.foreach_set("uv", np.asarray(uv, np.float32)[corners].reshape(-1))
    for name, values in (("along", mesh.along), ("across", mesh.across)):
        _attribute(target, name, "FLOAT", np.asarray(values) * scale, np.float32)
    _attribute(target, "strand", "INT", mesh.strand, np.int32)
    target.uv_layers.active_index = 0
    target.normals_split_custom_set_from_vertices(np.asarray(mesh.normals, np.float32))
    target.update()


def _attribute(target, name, kind, values, dtype):
    found = target.attributes.get(name)
    if found is None or (found.data_type, found.domain) != (kind, "POINT"):
        if found is not None:
            target.attributes.remove(found)
        found = target.attributes.new(name, kind, "POINT")
    found.data.foreach_set("value", np.ascontiguousarray(values, dtype))


def joined(meshes):
    """Several ``TrimMesh`` as one, without seams."""
    offset = np.concatenate([[0], np.cumsum([len(one.positions) for one in meshes])])
    patch = np.concatenate([[0], np.cumsum([int(one.patch.max(initial=-1)) + 1 for one in meshes])])

    def whole(name):
        return np.concatenate([getattr(one, name) for one in meshes])

    return core.trims_kit.TrimMesh(
        **{name: whole(name) for name in ("positions", "normals", "strand", "along", "across", "uv", "light_uv")},
        tangents=whole("tangents"),
        triangles=np.concatenate([one.triangles + start for one, start in zip(meshes, offset, strict=False)]),
        patch=np.concatenate([one.patch + start for one, start in zip(meshes, patch, strict=False)]),
        seam=(),
    )


# --- the kit's objects ---


def collection_of(context, knot_object, level):
    """The collection of one level of a knot's kit."""
    name = f"{knot_object.name} Kit"
    whole = bpy.data.collections.get(name)
    if whole is None:
        whole = bpy.data.collections.new(name)
        context.scene.collection.children.link(whole)
    inner = f"{name} LOD{level}"
    found = bpy.data.collections.get(inner)
    if found is None:
        found = bpy.data.collections.new(inner)
        whole.children.link(found)
        found.hide_viewport = found.hide_render = level > 0
    return found


def take(context, knot_object, kit, built):
    """Let the kit's objects be what was made; objects of pieces that are no more go."""
    scale = units.units_per_mm(knot_object.relief_knot)
    had = {(obj.relief_knot_trim.piece_name, obj.relief_knot_trim.piece_level): obj for obj in pieces_of(knot_object)}
    low = min(corner[1] for corner in knot_object.bound_box) if len(knot_object.data.vertices) else 0.0
    row = low - APART * kit.height * scale
    for piece in kit.pieces:
        row -= piece.box[3] * scale
        for number, level in enumerate(piece.levels):
            obj = had.pop((piece.name, number), None)
            if obj is None:
                name = f"{piece.name}_LOD{number}"
                obj = bpy.data.objects.new(name, bpy.data.meshes.new(name))
                look = obj.relief_knot_trim
                look.source, look.piece_name, look.piece_level = knot_object, piece.name, number
                collection_of(context, knot_object, number).objects.link(obj)
                obj.location = knot_object.matrix_world @ Matrix.Translation((0.0, row, 0.0)).translation
            fill(obj.data, level.mesh, scale)
            obj.data.relief_knot_built = built
        row += (piece.box[1] - APART * kit.height) * scale
    for obj in had.values():
        data = obj.data
        bpy.data.objects.remove(obj)
        if not data.users:
            bpy.data.meshes.remove(data)
    look = knot_object.relief_knot_trim
    look.report, look.error = json.dumps(facts_of(kit)), ""
    _kits.keep(built, kit)


def kit_of(knot_object):
    """The kit of the design as it stands, made now where it is not there.

    Raises
    ------
    DesignError
        It cannot be made.
    """

    def anew():
        return build(store.readable(knot_object), jobs.untold)

    return _kits.get(wanted(knot_object), anew)


def make(knot_object):
    """Make the kit; gives whether nothing is known against it so far."""
    try:
        design = store.readable(knot_object)
    except store.DesignError as error:
        MAKER.refuse(knot_object, error)
        return False
    built = wanted(knot_object)
    return MAKER.make(
        knot_object,
        lambda progress: build(design, progress),
        lambda each, kit: take(bpy.context, each, kit, built),
    )


# --- laying ---


def chain(edges):
    """The vertices of edges, (m, 2), in the order of one line; and whether it closes.

    Raises
    ------
    DesignError
        They are no one line.
    """
    beside = {}
    for a, b in edges.tolist():
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    wrong = "the path's edges form no one line"
    mend = "select edges that follow one another without branches"
    if not beside:
        raise store.DesignError("the path has no selected edges", mend, "path")
    if any(len(others) > 2 for others in beside.values()):
        raise store.DesignError(wrong, mend, "path")
    ends = sorted(vertex for vertex, others in beside.items() if len(others) == 1)
    at = ends[0] if ends else min(beside)
    order, seen = [at], {at}
    while True:
        onward = [other for other in beside[order[-1]] if other not in seen]
        if not onward:
            break
        order.append(onward[0])
        seen.add(onward[0])
    if len(order) < len(beside):
        raise store.DesignError(wrong, mend, "path")
    return order, not ends


def path_points(context, obj):
    """The places of a path object in the world, (n, 3), whether it closes, and where a mesh looks there (or None).

    Raises
    ------
    DesignError
    """
    if obj.type == "CURVE":
        data = obj.data.copy()
        try:
            data.bevel_depth = data.extrude = 0.0
            data.bevel_object = None
            data.fill_mode = "FULL" if data.dimensions == "3D" else "NONE"
            bare = bpy.data.objects.new("Relief Knots Path", data)
            context.scene.collection.objects.link(bare)
            try:
                context.view_layer.update()
                seen = bare.evaluated_get(context.evaluated_depsgraph_get())
                mesh = seen.to_mesh()
                edges, places, _normals = _wire(mesh, chosen=False)
                seen.to_mesh_clear()
            finally:
                bpy.data.objects.remove(bare)
        finally:
            bpy.data.curves.remove(data)
        order, closed = chain(edges)
        normals = None
    else:
        obj.update_from_editmode()
        edges, places, normals = _wire(obj.data, chosen=True)
        order, closed = chain(edges)
        normals = normals[order] if len(obj.data.polygons) else None
    matrix = np.array(obj.matrix_world)
    places = places[order] @ matrix[:3, :3].T + matrix[:3, 3]
    if normals is not None:
        normals = normals @ np.linalg.inv(matrix[:3, :3])
        normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-30)[:, None]
    return places, closed, normals


def _wire(mesh, chosen):
    """Edges, places and normals of a mesh; of a mesh with faces the selected edges, where any is."""
    edges = np.empty(2 * len(mesh.edges), np.int32)
    mesh.edges.foreach_get("vertices", edges)
    edges = edges.reshape(-1, 2)
    if chosen:
        picked = np.empty(len(edges), bool)
        mesh.edges.foreach_get("select", picked)
        if picked.any() or len(mesh.polygons):
            edges = edges[picked]
    places = np.empty(3 * len(mesh.vertices), np.float32)
    mesh.vertices.foreach_get("co", places)
    normals = np.empty(3 * len(mesh.vertices), np.float32)
    mesh.vertices.foreach_get("normal", normals)
    return edges, places.reshape(-1, 3).astype(float), normals.reshape(-1, 3).astype(float)


def laid_of(knot_object, path_object):
    """The trim of a knot that is laid along a path, or None."""
    for obj in bpy.data.objects:
        look = obj.relief_knot_trim if obj.type == "MESH" else None
        if look is not None and look.source == knot_object and look.piece_level < 0 and look.path == path_object:
            return obj
    return None


def lay(context, knot_object, path_object):
    """Lay the kit along a path as one object; gives it, and words about it.

    Raises
    ------
    DesignError
        It cannot be laid; the words say what would fit.
    """
    look = knot_object.relief_knot_trim
    laying = core.trims_laying
    scale = units.units_per_mm(knot_object.relief_knot)
    places, closed, up = path_points(context, path_object)
    path = core.trims_paths.path_of(places / scale, closed, up)
    if look.flip:
        path = core.trims_paths.path_of(path.points, closed, -path.up)
    kit = kit_of(knot_object)
    level = min(look.laid_level, min(len(piece.levels) for piece in kit.pieces) - 1)
    laid = laying.lay(kit, path, caps=look.caps)
    meshes = laying.meshes(kit, laid, level)
    apart = laying.joints(kit, laid, meshes)
    obj = laid_of(knot_object, path_object)
    if obj is None:
        name = f"{path_object.name} Trim"
        obj = bpy.data.objects.new(name, bpy.data.meshes.new(name))
        obj.relief_knot_trim.source, obj.relief_knot_trim.path = knot_object, path_object
        (path_object.users_collection or [context.collection])[0].objects.link(obj)
    mesh = joined(meshes)
    fill(obj.data, mesh, scale)
    for slot in pieces_of(knot_object, level)[:1]:
        if not obj.data.materials and slot.data.materials:
            obj.data.materials.append(slot.data.materials[0])
    stretched = max((abs(by - 1) for by in laid.stretches), default=0.0)
    words = rpt_("{} pieces, {} triangles, stretched by {} %, joints open by at most {} mm").format(
        len(meshes), len(mesh.triangles), f"{100 * stretched:.2f}", f"{apart.max(initial=0.0):.4f}"
    )
    return obj, words, float(apart.max(initial=0.0))
