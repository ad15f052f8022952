"""Pictures of the trim sheet in Blender, the material that shows them, and small pictures of pieces."""

import json

import bpy
import numpy as np

from . import core, store, trim_object

MAPS = "relief_knot_maps"
"""Custom property of a knot: names of its images by the map that each holds, and the kit's digest, as JSON."""
COLOUR = {"height", "normal", "occlusion", "curvature", "orm"}
"""Maps that hold numbers, not colours."""
PREVIEW = 256
"""Texels of a piece's picture, each way."""


def images_of(knot):
    """The baked images of a knot's kit, by their map; empty where none were baked."""
    try:
        kept = json.loads(knot.get(MAPS, "{}"))
    except ValueError:
        return {}
    found = {name: bpy.data.images.get(image) for name, image in kept.get("images", {}).items()}
    return {name: image for name, image in found.items() if image is not None}


def maps_of(knot):
    """Arrays of the maps for files, baked now unless nothing was ever baked for this kit; None for none."""
    return core.trims_bakes.bake(trim_object.kit_of(knot)) if images_of(knot) else None


def bake(knot, progress=None):
    """Bake the sheet of a knot's kit into images, pack them and dress the kit in them; gives their number.

    Raises
    ------
    DesignError
    """
    if trim_object.is_stale(knot):
        raise store.DesignError("the kit is not that of the design as it stands", "make the kit again")
    kit = trim_object.kit_of(knot)
    maps = core.trims_bakes.bake(kit, progress=progress) if progress else core.trims_bakes.bake(kit)
    had = images_of(knot)
    made = {}
    for name, array in maps.items():
        made[name] = _image(f"{knot.name} Kit {name}", array, had.get(name), is_data=name in COLOUR or "normal" in name)
    knot[MAPS] = json.dumps({"images": {name: image.name for name, image in made.items()}})
    material = _material(knot, made)
    for obj in trim_object.pieces_of(knot):
        obj.data.materials.clear()
        obj.data.materials.append(material)
    return len(made)


def _image(name, array, image, is_data):
    """An array of texels, row 0 at the top, as a packed image."""
    high, wide = array.shape[:2]
    deep = array.dtype != np.uint8
    if image is None or tuple(image.size) != (wide, high) or image.is_float != deep:
        if image is not None:
            bpy.data.images.remove(image)
        image = bpy.data.images.new(name, wide, high, alpha=False, float_buffer=deep, is_data=is_data)
    elif image.packed_file is not None:
        image.unpack(method="REMOVE") if image.filepath else None
    values = np.asarray(array, np.float32) / np.iinfo(array.dtype).max if array.dtype.kind == "u" else array
    values = values.reshape(high, wide, -1)[::-1]
    texels = np.ones((high, wide, 4), np.float32)
    texels[:, :, :3] = values[:, :, :3] if values.shape[2] >= 3 else values[:, :, :1]
    image.pixels.foreach_set(np.ascontiguousarray(texels).reshape(-1))
    image.update()
    image.pack()
    return image


def _material(knot, images):
    """The material of a kit: colour by strand, normals and occlusion from the sheet."""
    name = f"{knot.name} Kit"
    material = bpy.data.materials.get(name) or bpy.data.materials.new(name)
    material.use_nodes = True
    tree = material.node_tree
    tree.nodes.clear()
    shader = tree.nodes.new("ShaderNodeBsdfPrincipled")
    out = tree.nodes.new("ShaderNodeOutputMaterial")
    out.location = (320, 0)
    tree.links.new(shader.outputs["BSDF"], out.inputs["Surface"])
    shader.inputs["Base Color"].default_value = (0.36, 0.33, 0.29, 1.0)
    place = 300

    def texture(image):
        nonlocal place
        node = tree.nodes.new("ShaderNodeTexImage")
        node.image, node.location = image, (-700, place)
        place -= 300
        return node

    if "orm" in images:
        parts = tree.nodes.new("ShaderNodeSeparateColor")
        parts.location = (-380, 100)
        tree.links.new(texture(images["orm"]).outputs["Color"], parts.inputs["Color"])
        tree.links.new(parts.outputs["Green"], shader.inputs["Roughness"])
        tree.links.new(parts.outputs["Blue"], shader.inputs["Metallic"])
    normal = images.get("normal_LOD0", images.get("normal"))
    if normal is not None:
        bump = tree.nodes.new("ShaderNodeNormalMap")
        bump.location, bump.uv_map = (-380, -300), trim_object.UV_NAMES[0]
        tree.links.new(texture(normal).outputs["Color"], bump.inputs["Color"])
        tree.links.new(bump.outputs["Normal"], shader.inputs["Normal"])
    return material


def picture(obj):
    """Give a piece's object a small picture of itself, seen from above."""
    mesh = obj.data
    places = np.empty(3 * len(mesh.vertices), np.float32)
    mesh.attributes["position"].data.foreach_get("vector", places)
    corners = np.empty(len(mesh.loops), np.int32)
    mesh.attributes[".corner_vert"].data.foreach_get("value", corners)
    faces = corners.reshape(-1, 3)
    plain = core.mesh.Mesh(
        vertices=places.reshape(-1, 3).astype(float),
        quads=np.zeros((0, 4), np.int32),
        triangles=faces,
        quad_uv=np.zeros((0, 4, 2), np.float32),
        triangle_uv=np.zeros((len(faces), 3, 2), np.float32),
        quad_strand=np.zeros(0, np.int32),
        triangle_strand=np.zeros(len(faces), np.int32),
    )
    span = np.ptp(plain.vertices, axis=0).max()
    plain.vertices[:] *= 100.0 / max(float(span), 1e-30)  # pictures are laid out in mm
    drawn = core.picture.picture(plain, PREVIEW)
    high, wide = drawn.shape[:2]
    texels = np.zeros((PREVIEW, PREVIEW, 4), np.float32)
    top, left = (PREVIEW - high) // 2, (PREVIEW - wide) // 2
    texels[top : top + high, left : left + wide, :3] = drawn[:, :, :3] / 255.0
    texels[top : top + high, left : left + wide, 3] = 1.0
    preview = obj.preview_ensure()
    preview.image_size = (PREVIEW, PREVIEW)
    preview.image_pixels_float.foreach_set(np.ascontiguousarray(texels[::-1]).reshape(-1))
