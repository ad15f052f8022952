"""Maps of a trim kit baked by Cycles, from the exact surface to a level of detail.

Everything happens in a scene of its own that is gone afterwards, in which a unit is a millimetre, so the file's scale,
its lights and what is selected do not matter. Levels lie on the sheet as seen from above, so parts that run under
another strand share texels with what is above them. Cycles keeps what it writes last; faces are therefore baked from
the lowest to the highest.
"""

from dataclasses import replace

import bpy
import numpy as np

from . import core, materials, trim_object

KINDS = {"normal": "NORMAL", "occlusion": "AO"}
"""What can be baked, and what Cycles calls it."""
AO_SAMPLES = 64
NORMAL_SAMPLES = 4
"""Rays a texel."""
REACH = 1e4
"""How far light is looked for, mm: all the way."""


def bake(exact, level, image, kind, *, cage, margin=0, clear=True, samples=None, directx=False):
    """Bake one map from the object ``exact`` to the object ``level`` into an image, in the context's scene.

    Parameters
    ----------
    exact, level : bpy.types.Object
        Meshes. The image is laid out by the level's first UV map.
    image : bpy.types.Image
    kind : str
        One of ``KINDS``.
    cage : float
        How far off the level the exact surface lies at most, in the scene's units.
    margin : int
        Texels that go on beyond the level's faces.
    clear : bool
        Whether the image is cleared before.
    samples : int, optional
        Rays a texel.
    directx : bool
        Whether green points down the sheet.

    Raises
    ------
    RuntimeError
        Cycles cannot bake; the message is Blender's.
    """
    scene = bpy.context.scene
    scene.render.engine = "CYCLES"
    scene.cycles.device = "CPU"
    scene.cycles.samples = samples or (AO_SAMPLES if kind == "occlusion" else NORMAL_SAMPLES)
    scene.cycles.use_adaptive_sampling = False
    level.data.uv_layers.active_index = 0
    material = _target(image)
    level.data.materials.clear()
    level.data.materials.append(material)
    both = [exact, level]
    try:
        with bpy.context.temp_override(
            object=level, active_object=level, selected_objects=both, selected_editable_objects=both
        ):
            bpy.ops.object.bake(
                type=KINDS[kind],
                use_selected_to_active=True,
                cage_extrusion=cage,
                max_ray_distance=2 * cage,
                margin=margin,
                margin_type="EXTEND",
                use_clear=clear,
                normal_space="TANGENT",
                normal_g="NEG_Y" if directx else "POS_Y",
                target="IMAGE_TEXTURES",
                uv_layer=level.data.uv_layers[0].name,
            )
    finally:
        level.data.materials.clear()
        bpy.data.materials.remove(material)


def bake_kit(kit, level=None, kinds=("normal", "occlusion"), options=None, progress=None, samples=None):
    """Bake maps of a kit's sheet for one level of detail, or for the plane of the sheet.

    Parameters
    ----------
    kit : Kit
    level : int, optional
        Pieces that have fewer levels give their last one. None for the plane.
    kinds : iterable of str
        Of ``KINDS``.
    options : Trimming, optional
        Its textures say bits and the way of green; by default those of the kit's design.
    progress : callable, optional
        Called with a share of the work done and the name of the stage; it may raise to cancel.
    samples : int, optional
        Rays a texel.

    Returns
    -------
    dict
        Kind to pixels, row 0 at the top: (rows, columns, 3) for normals, (rows, columns) for occlusion, uint8 or
        uint16. What is not hit goes on with the nearest that is, as far as the sheet's padding.
    """
    textures = (options or kit.design.make.trim).textures
    blocks = [block for block in core.trims_textures.own_blocks(kit) if level is None or _is_first(kit, block)]
    images = {kind: _image(kit, kind, textures.bits) for kind in kinds}
    try:
        with _Scene(kit.low) as place:
            for k, block in enumerate(blocks):
                if progress is not None:
                    progress(k / len(blocks), f"baking {block.piece}")
                exact, shown, cage = _objects(kit, block, level)
                place.show(exact, shown)
                for kind, image in images.items():
                    green = textures.green is core.trims_options.Green.DIRECTX
                    bake(exact, shown, image, kind, cage=cage, clear=False, samples=samples, directx=green)
                place.drop(exact, shown)
        return {kind: _spread(kit, pixels(image, textures.bits), kind) for kind, image in images.items()}
    finally:
        for image in images.values():
            bpy.data.images.remove(image)


def pixels(image, bits):
    """An image's colours and alpha as whole numbers of so many bits, row 0 at the top, (rows, columns, 4)."""
    wide, high = image.size
    values = np.empty(4 * wide * high, np.float32)
    image.pixels.foreach_get(values)
    return core.trims_bakes.whole(values.reshape(high, wide, 4)[::-1], bits)


def _spread(kit, values, kind):
    """The colours of a kind, where alpha says that nothing was hit those of the nearest texel that was."""
    hit = values[:, :, 3] > 0
    bare, source = core.trims_padding.nearest(hit, kit.sheet.padding, wraps=True)
    found = np.ascontiguousarray(values[:, :, :3] if kind == "normal" else values[:, :, 0])
    flat = found.reshape(-1, *found.shape[2:])
    flat[bare] = flat[source]
    return found


def exact_mesh(kit, block, reach):
    """The exact surface about a part of the sheet and the runs that go on from its ports, as one ``TrimMesh``, mm."""
    found = []
    for piece, turn, shift in core.trims_textures.around(kit, block, reach):
        mesh = piece.fine
        places = core.trims_splitting.turned(mesh.positions, turn)
        places[:, :2] += shift
        found.append(replace(mesh, positions=places, normals=core.trims_splitting.turned(mesh.normals, turn)))
    return trim_object.joined(found)


def level_mesh(kit, block, level):
    """A piece's level as it lies on the whole of its part of the sheet, its faces from the lowest to the highest."""
    piece = core.trims_kit.piece(kit, block.piece)
    mesh = piece.levels[min(level, len(piece.levels) - 1)].mesh
    if block.wraps:
        length = piece.ports[1].at[0] - piece.ports[0].at[0]
        across = block.box[2] - block.box[0]
        copies = [
            replace(
                mesh,
                positions=mesh.positions + [k * length, 0.0, 0.0],
                uv=(mesh.uv + [k * length / across, 0.0]).astype(np.float32),
            )
            for k in range(round(across / length))
        ]
        mesh = trim_object.joined(copies)
    height = mesh.positions[mesh.triangles, 2].mean(1)
    return replace(mesh, triangles=mesh.triangles[np.argsort(height, kind="stable")])


def plane_mesh(kit, block):
    """A part of the sheet as a flat piece above everything that lies there."""
    x0, y0, x1, y1 = block.box
    left, bottom, right, top = (np.array(block.texels) / np.tile([kit.sheet.width, kit.sheet.height], 2)).tolist()
    none = np.zeros(4)
    return core.trims_kit.TrimMesh(
        positions=np.array([[x0, y0, kit.high], [x1, y0, kit.high], [x1, y1, kit.high], [x0, y1, kit.high]]),
        normals=np.tile([0.0, 0.0, 1.0], (4, 1)),
        triangles=np.array([[0, 1, 2], [0, 2, 3]], np.int32),
        strand=none.astype(np.int32),
        along=none,
        across=none,
        seam=(),
        patch=np.zeros(2, np.int32),
        uv=np.array([[left, bottom], [right, bottom], [right, top], [left, top]], np.float32),
        light_uv=np.zeros((4, 2), np.float32),
        tangents=np.tile([1.0, 0.0, 0.0, 1.0], (4, 1)),
    )


def _objects(kit, block, level):
    """Objects of the exact surface and of what is baked to, in mm, and how far they are apart at most."""
    high = kit.high - kit.low
    if level is None:
        shown, cage = plane_mesh(kit, block), 1.01 * high
    else:
        piece = core.trims_kit.piece(kit, block.piece)
        block = block if block.wraps else replace(block, turn=0.0, box=piece.box)
        chosen = piece.levels[min(level, len(piece.levels) - 1)]
        shown = level_mesh(kit, block, level)
        # lines of sight run along the level's smooth normals, aslant over its facets
        cage = 1.01 * high if chosen.card else 2 * max(chosen.tolerance, chosen.deviation) + 1e-3 * high
    found = []
    for name, mesh in (("exact", exact_mesh(kit, block, 2 * high)), ("level", shown)):
        data = bpy.data.meshes.new(name)
        trim_object.fill(data, mesh, 1.0)
        found.append(bpy.data.objects.new(name, data))
    return (*found, cage)


def _is_first(kit, block):
    """Whether a part is the first of its piece's: all of a piece is baked at once."""
    return block == next(one for one in kit.sheet.blocks if one.piece == block.piece)


def _image(kit, kind, bits):
    """An image of the sheet in which nothing is hit yet."""
    image = bpy.data.images.new(
        f"bake {kind}", kit.sheet.width, kit.sheet.height, alpha=True, float_buffer=bits == 16, is_data=True
    )
    image.alpha_mode = "CHANNEL_PACKED"  # or colours would be lost where alpha is 0
    bare = (0.5, 0.5, 1.0, 0.0) if kind == "normal" else (1.0, 1.0, 1.0, 0.0)
    image.pixels.foreach_set(np.tile(np.array(bare, np.float32), kit.sheet.width * kit.sheet.height))
    return image


def _target(image):
    """A material whose active node is the image, which is where Cycles bakes to."""
    material = bpy.data.materials.new("bake trim")
    materials.use_nodes(material)
    node = material.node_tree.nodes.new("ShaderNodeTexImage")
    node.image = image
    material.node_tree.nodes.active = node
    return material


class _Scene:
    """A scene of its own, with a level ground, that is there while a ``with`` lasts."""

    def __init__(self, ground):
        self._ground = ground

    def __enter__(self):
        self._before = bpy.context.window.scene
        self._scene = bpy.data.scenes.new("bake trim")
        self._world = bpy.data.worlds.new("bake trim")
        self._scene.world = self._world
        self._world.light_settings.distance = REACH
        data = bpy.data.meshes.new("ground")
        corners = [
            (x, y, self._ground) for x, y in ((-REACH, -REACH), (REACH, -REACH), (REACH, REACH), (-REACH, REACH))
        ]
        data.from_pydata(corners, [], [(0, 1, 2, 3)])
        self._floor = bpy.data.objects.new("ground", data)
        self._scene.collection.objects.link(self._floor)
        bpy.context.window.scene = self._scene
        return self

    def show(self, *objects):
        for obj in objects:
            self._scene.collection.objects.link(obj)
        self._scene.view_layers[0].update()

    def drop(self, *objects):
        for obj in objects:
            data = obj.data
            bpy.data.objects.remove(obj)
            bpy.data.meshes.remove(data)

    def __exit__(self, *_):
        bpy.context.window.scene = self._before
        for obj in list(self._scene.collection.objects):
            self.drop(obj)
        bpy.data.scenes.remove(self._scene)
        bpy.data.worlds.remove(self._world)
