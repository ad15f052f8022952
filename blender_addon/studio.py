"""The finished piece shown: its material, lights, a camera, a scale bar and a turn before them."""

import math

import bpy
from mathutils import Vector

from . import core, materials, piece_object, store, units

NAME = "Relief Knots Studio"
TURN = 120
"""Frames of one turn."""
BAR = 20.0
"""Length of the scale bar, mm."""


def metal_of(name):
    """The Blender material of a material of the core, made where it is not there yet."""
    found = bpy.data.materials.get(f"Relief Knots {name}")
    if found is not None:
        return found
    colour = materials.linear(materials.from_hex(core.printing_preview.colour_of(name)))
    found, inputs = materials.new(f"Relief Knots {name}", colour)
    is_metal = not any(word in name for word in ("PLA", "nylon", "resin", "wax"))
    inputs["Metallic"].default_value = 1.0 if is_metal else 0.0
    inputs["Roughness"].default_value = 0.22 if is_metal else 0.5
    found.metallic, found.roughness = (1.0, 0.3) if is_metal else (0.0, 0.5)
    return found


def set_up(context, knot):
    """Material, lights, camera, scale bar and turntable for the piece of a knot."""
    scene, piece = context.scene, piece_object.piece_of(knot)
    design = store.design_of(knot)
    piece.data.materials.clear()
    piece.data.materials.append(metal_of(design.make.print.material))
    old = bpy.data.collections.get(NAME)
    if old is not None:
        for obj in list(old.objects):
            bpy.data.objects.remove(obj)
        bpy.data.collections.remove(old)
    group = bpy.data.collections.new(NAME)
    scene.collection.children.link(group)
    context.view_layer.update()
    scale = units.units_per_mm(knot.relief_knot)
    corners = [Vector(corner) for corner in piece.bound_box]
    low = Vector(min(c[k] for c in corners) for k in range(3))
    high = Vector(max(c[k] for c in corners) for k in range(3))
    middle, span = (low + high) / 2, max(high - low)
    bar_width = BAR * scale
    aim = bpy.data.objects.new("Studio Middle", None)
    aim.empty_display_size = 0.1 * span
    group.objects.link(aim)
    aim.location = piece.matrix_world @ middle

    def light(name, way, power, size):
        lamp = bpy.data.lights.new(name, "AREA")
        lamp.size, lamp.energy = size * span, power * span * span
        obj = bpy.data.objects.new(name, lamp)
        obj.location = aim.location + Vector(way) * span
        obj.rotation_euler = (-Vector(way)).to_track_quat("-Z", "Y").to_euler()
        group.objects.link(obj)

    light("Key Light", (-1.4, 1.6, 2.0), 60.0, 1.6)
    light("Fill Light", (2.0, -0.4, 1.6), 25.0, 2.0)
    light("Rim Light", (0.2, 1.2, -1.6), 30.0, 1.2)

    lens = bpy.data.cameras.new("Studio Camera")
    lens.type = "ORTHO"
    lens.ortho_scale = 1.3 * max(span, bar_width) + 0.15 * span
    lens.clip_start, lens.clip_end = 0.01 * span, 100 * span
    camera = bpy.data.objects.new("Studio Camera", lens)
    camera.location = aim.location + Vector((0, -0.07 * span, 5 * span))
    group.objects.link(camera)
    scene.camera = camera

    thick = 0.02 * span
    x0, y0 = aim.location.x - bar_width / 2, aim.location.y - (high - low).y / 2 - 0.12 * span
    z = aim.location.z
    ends = [(x0, y0), (x0 + bar_width, y0), (x0 + bar_width, y0 - thick), (x0, y0 - thick)]
    mesh = bpy.data.meshes.new("Scale Bar 20 mm")
    mesh.from_pydata([(x, y, z) for x, y in ends], [], [(3, 2, 1, 0)])
    bar = bpy.data.objects.new("Scale Bar 20 mm", mesh)
    ink = bpy.data.materials.get("Relief Knots Ink") or materials.new("Relief Knots Ink", (0.02, 0.02, 0.02))[0]
    mesh.materials.append(ink)
    group.objects.link(bar)
    text = bpy.data.curves.new("Scale Words", "FONT")
    text.body, text.size, text.align_x = "20 mm", 0.05 * span, "CENTER"
    text.materials.append(ink)
    words = bpy.data.objects.new("Scale Words", text)
    words.location = (aim.location.x, y0 - thick - 0.06 * span, z)
    group.objects.link(words)

    # the piece turns about an upright axis through its own middle
    scene.frame_start, scene.frame_end = 1, TURN
    _turntable(piece, middle)
    scene.frame_set(1)
    scene.render.resolution_x = scene.render.resolution_y = 1200
    if scene.world is None:
        scene.world = bpy.data.worlds.new("World")
    materials.use_nodes(scene.world)
    background = scene.world.node_tree.nodes.get("Background")
    if background is not None:
        background.inputs["Color"].default_value = (0.55, 0.56, 0.58, 1.0)
        background.inputs["Strength"].default_value = 0.6


def _turntable(piece, middle):
    """Keys that turn the piece once about the y axis through ``middle``, its place kept."""
    piece.animation_data_clear()
    piece.rotation_euler = (0.0, 0.0, 0.0)
    rest = piece.location.copy()
    for frame in range(1, TURN + 2, 5):
        angle = 2 * math.pi * (frame - 1) / TURN
        piece.rotation_euler = (0.0, angle, 0.0)
        turned = piece.rotation_euler.to_matrix() @ middle
        piece.location = rest + middle - turned
        piece.keyframe_insert("rotation_euler", frame=frame)
        piece.keyframe_insert("location", frame=frame)
    piece.rotation_euler, piece.location = (0.0, 0.0, 0.0), rest
