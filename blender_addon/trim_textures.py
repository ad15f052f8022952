"""Pictures of the trim sheet in Blender, the material that shows them, and small pictures of pieces."""

import json

import bpy
import numpy as np

from . import bake_trim, core, making, materials, store, trim_object

MAPS = "relief_knot_maps"
"""Custom property of a knot: names of its images by the map that each holds, as JSON."""
COLOURS = {"strand"}
"""Maps that are colours; the others hold numbers."""
PREVIEW = 256
"""Texels of a piece's picture, each way."""

MAKER = making.Maker(
    "relief_knot_trim",
    label="Baking the kit of {}",
    step="Bake Textures",
    fault="The textures could not be baked; undo the last change",
)
job_of = MAKER.job_of


def images_of(knot):
    """The baked images of a knot's kit, by their map; empty where none were baked."""
    kept = core.jsontext.kept(str(knot.get(MAPS, "{}")))
    found = {name: bpy.data.images.get(str(image)) for name, image in kept.items()}
    return {name: image for name, image in found.items() if image is not None}


def maps_of(knot):
    """Pixels of the baked maps for files; none where none were baked."""
    bits = store.design_of(knot).make.trim.textures.bits
    found = {}
    for name, image in images_of(knot).items():
        grey = not (name.startswith("normal") or name in {"packed", "strand"})
        deep = 16 if name == "height" else 8 if name == "strand" else bits
        texels = bake_trim.pixels(image, deep)
        found[name] = np.ascontiguousarray(texels[:, :, 0] if grey else texels[:, :, :3])
    return found


def levels_of(kit):
    """The levels that have a map of normals of their own: all but the flat card."""
    return range(max(sum(not level.card for level in piece.levels) for piece in kit.pieces))


def work(kit, progress):
    """All maps of a kit, for any thread."""
    return core.trims_bakes.bake(kit, progress=progress, levels=tuple(levels_of(kit)))


def cycles(kit, progress):
    """The same with normals of the levels and occlusion by Cycles; not in a thread."""
    maps = core.trims_bakes.bake(kit)
    count = len(levels_of(kit))
    for level in levels_of(kit):
        kinds = ("normal", "occlusion") if level == 0 else ("normal",)
        share = level / count
        found = bake_trim.bake_kit(kit, level, kinds, progress=lambda part, stage, at=share: progress(at, stage))
        maps[f"normal-lod{level}"] = found["normal"]
        maps |= {"occlusion": found["occlusion"]} if level == 0 else {}
    if maps["packed"].dtype == maps["occlusion"].dtype:
        maps["packed"][:, :, 0] = maps["occlusion"]
    return maps


def check(knot):
    """The kit of the design as it stands, ready to be baked.

    Raises
    ------
    DesignError
    """
    if not trim_object.pieces_of(knot) or trim_object.is_stale(knot):
        raise store.DesignError("the kit is not that of the design as it stands", "make the kit again")
    return trim_object.kit_of(knot)


def bake(knot, kit):
    """Bake all maps and dress the kit in them; gives whether nothing is known against it so far."""
    built = trim_object.wanted(knot)

    def finish(each, maps):
        check(each)
        if trim_object.wanted(each) != built:
            raise store.DesignError("the kit was made anew meanwhile", "bake its textures again")
        take(each, maps)

    return MAKER.make(knot, lambda progress: work(kit, progress), finish)


def take(knot, maps):
    """Keep maps as packed images and dress the kit in them."""
    had = images_of(knot)
    made = {
        name: _image(f"{knot.name} Kit {name}", array, had.get(name), name not in COLOURS)
        for name, array in maps.items()
    }
    for name, image in had.items():
        if name not in made:
            bpy.data.images.remove(image)
    knot[MAPS] = json.dumps({name: image.name for name, image in made.items()})
    dressed = {}
    kit = trim_object.kit_of(knot)
    cards = {(piece.name, k) for piece in kit.pieces for k, level in enumerate(piece.levels) if level.card}
    for obj in trim_object.pieces_of(knot):
        look = obj.relief_knot_trim
        card = (look.piece_name, look.piece_level) in cards
        key = "card" if card else f"LOD{look.piece_level}"
        if key not in dressed:
            normal = made.get("normal" if card else f"normal-lod{look.piece_level}")
            dressed[key] = _material(
                f"{knot.name} Kit {key}", normal, made.get("packed"), made["cover"] if card else None
            )
        obj.data.materials.clear()
        obj.data.materials.append(dressed[key])


def _image(name, array, image, is_data):
    """An array of texels, row 0 at the top, as a packed image."""
    high, wide = array.shape[:2]
    deep = array.dtype != np.uint8
    if image is not None and (tuple(image.size) != (wide, high) or image.is_float != deep):
        bpy.data.images.remove(image)
        image = None
    if image is None:
        image = bpy.data.images.new(name, wide, high, alpha=False, float_buffer=deep, is_data=is_data)
    values = (np.asarray(array, np.float32) / np.iinfo(array.dtype).max).reshape(high, wide, -1)[::-1]
    texels = np.ones((high, wide, 4), np.float32)
    texels[:, :, :3] = values[:, :, :3] if values.shape[2] >= 3 else values[:, :, :1]
    image.pixels.foreach_set(np.ascontiguousarray(texels).reshape(-1))
    image.update()
    image.pack()
    return image


def _material(name, normal, packed, cover):
    """A material of a kit: normals, roughness and metal from the sheet; a card is cut out where no strand is."""
    material = bpy.data.materials.get(name) or bpy.data.materials.new(name)
    materials.use_nodes(material)
    tree = material.node_tree
    tree.nodes.clear()
    shader = tree.nodes.new("ShaderNodeBsdfPrincipled")
    out = tree.nodes.new("ShaderNodeOutputMaterial")
    out.location = (320, 0)
    tree.links.new(shader.outputs["BSDF"], out.inputs["Surface"])
    shader.inputs["Base Color"].default_value = (0.36, 0.33, 0.29, 1.0)

    def texture(image, row):
        node = tree.nodes.new("ShaderNodeTexImage")
        node.image, node.location = image, (-700, 300 - 300 * row)
        return node.outputs["Color"]

    if packed is not None:
        parts = tree.nodes.new("ShaderNodeSeparateColor")
        parts.location = (-380, 300)
        tree.links.new(texture(packed, 0), parts.inputs["Color"])
        tree.links.new(parts.outputs["Green"], shader.inputs["Roughness"])
        tree.links.new(parts.outputs["Blue"], shader.inputs["Metallic"])
    if normal is not None:
        bump = tree.nodes.new("ShaderNodeNormalMap")
        bump.location, bump.uv_map = (-380, 0), trim_object.UV_NAMES[0]
        tree.links.new(texture(normal, 1), bump.inputs["Color"])
        tree.links.new(bump.outputs["Normal"], shader.inputs["Normal"])
    if cover is not None:
        tree.links.new(texture(cover, 2), shader.inputs["Alpha"])
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
