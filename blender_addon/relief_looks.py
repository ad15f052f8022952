"""How a relief is shown: as wood, by depth, or by what a cutter leaves; and the light to judge it by."""

import math

import bpy
import numpy as np

from . import core, materials, store, units

COLOURS = "relief_colours"
"""Vertex colours of the views by depth and of a cutter."""
COLOURED = "Relief Colours"
LAMP = "Raking Light"
LAMP_HEIGHT = 18.0
"""Degrees over the board: low enough that a step of a millimetre throws a shadow of three."""

DEEP = np.array([[0.98, 0.95, 0.86], [0.95, 0.78, 0.42], [0.45, 0.62, 0.60], [0.16, 0.36, 0.55], [0.10, 0.12, 0.32]])
"""From the board's face to the deepest cut, as seen; a row every quarter of the depth."""
PAPER = (0.80, 0.77, 0.71)


def depth_colours(share):
    """Colours for shares of the depth from 0 (the face) to 1, (n, 3), as seen."""
    place = np.linspace(0, 1, len(DEEP))
    return np.stack([np.interp(share, place, DEEP[:, channel]) for channel in range(3)], -1)


def _values(mesh, name):
    attribute = mesh.attributes.get(name)
    if attribute is None or len(attribute.data) != len(mesh.vertices):
        return None
    found = np.empty(len(mesh.vertices), np.float32)
    attribute.data.foreach_get("value", found)
    return found


def most_uncut(mesh):
    """The most that the cutter leaves anywhere, mm; None where no cutter was tried on this surface."""
    found = _values(mesh, "relief_uncut_mm")
    return None if found is None else float(found.max(initial=0.0))


def legend(relief):
    """Colours (as seen) with the mm that they stand for, a pair each, of the view that is chosen; empty for wood."""
    look = relief.relief_knot_relief
    if look.view == "DEPTH":
        deepest = core.jsontext.kept(look.report).get("deepest_mm", 0.0)
        shares = np.linspace(0, 1, 9)
        return [(tuple(colour), deepest * share) for colour, share in zip(depth_colours(shares), shares)]
    if look.view == "UNCUT" and most_uncut(relief.data) is not None:
        most, colours = most_uncut(relief.data), core.carving_reach.scale_colours(9) / 255.0
        return [(tuple(colour), most * k / 8) for k, colour in enumerate(colours)]
    return []


def dress(relief, carving, deepest):
    """Give the relief the material and the colours of the view that is chosen."""
    mesh, look = relief.data, relief.relief_knot_relief
    coloured = look.view != "WOOD"
    if coloured:
        _paint(mesh, look.view, deepest, carving.tools.tolerance)
    scale = units.units_per_mm(look.source.relief_knot)
    material = coloured_material() if coloured else wood_material(carving.wood, carving.tools.grain_deg, scale)
    if len(mesh.materials) == 0:
        mesh.materials.append(material)
    elif mesh.materials[0] is None or mesh.materials[0].relief_knot_made:
        mesh.materials[0] = material  # a material of one's own stays


def redress(relief):
    """The same after another view was chosen."""
    design = store.design_of(relief.relief_knot_relief.source)
    if design is None or not relief.relief_knot_relief.report:
        return
    dress(relief, design.make.carve, core.jsontext.kept(relief.relief_knot_relief.report).get("deepest_mm", 0.0))


def _paint(mesh, view, deepest, tolerance):
    depth, left = _values(mesh, "relief_depth_mm"), _values(mesh, "relief_uncut_mm")
    if depth is None:
        return
    if view == "DEPTH":
        colour = depth_colours(np.clip(depth / max(deepest, 1e-9), 0, 1))
        colour[depth > deepest * 1.001 + 1e-4] = PAPER  # sides and back
    else:
        colour = np.tile(PAPER, (len(depth), 1))
        if left is not None:
            over = left > tolerance
            steps = core.carving_reach.scale_colours(256) / 255.0
            number = np.clip(255 * left / max(float(left.max(initial=0.0)), 1e-9), 0, 255).astype(int)
            colour[over] = steps[number[over]]
    attribute = mesh.color_attributes.get(COLOURS) or mesh.color_attributes.new(COLOURS, "FLOAT_COLOR", "POINT")
    rgba = np.column_stack([*materials.linear(colour.T), np.ones(len(colour))]).astype(np.float32)
    attribute.data.foreach_set("color", rgba.ravel())
    mesh.color_attributes.active_color = attribute
    mesh.update()


def coloured_material():
    """The material that shows the vertex colours."""
    found = bpy.data.materials.get(COLOURED)
    if found is not None:
        return found
    material, inputs = materials.new(COLOURED, PAPER)
    material.relief_knot_made = True
    tree = material.node_tree
    inputs["Roughness"].default_value = 0.8
    colour = tree.nodes.new("ShaderNodeVertexColor")
    colour.layer_name = COLOURS
    colour.location = (-300, 200)
    tree.links.new(colour.outputs["Color"], inputs["Base Color"])
    return material


def wood_material(wood, grain_deg, scale):
    """Wood with its grain along the board: growth rings of a log that lies along it, and fine fibres.

    Parameters
    ----------
    grain_deg : float
        Direction of the grain, anticlockwise from the board's length.
    scale : float
        Blender units in a millimetre.
    """
    name = f"Relief {wood.value.capitalize()}"
    found = bpy.data.materials.get(name)
    if found is not None:
        mapping = found.node_tree.nodes.get("Grain")
        if mapping is not None:
            _lay(mapping, grain_deg, scale)
        return found
    early, late = (materials.linear(np.array(tone) / 255.0) for tone in core.carving_preview.TONES[wood])
    material, inputs = materials.new(name, early)
    material.relief_knot_made = True
    inputs["Roughness"].default_value = 0.55
    nodes, links = material.node_tree.nodes, material.node_tree.links
    place = nodes.new("ShaderNodeTexCoord")
    place.location = (-1300, 200)
    mapping = nodes.new("ShaderNodeMapping")
    mapping.name = mapping.label = "Grain"
    mapping.location = (-1100, 200)
    _lay(mapping, grain_deg, scale)
    links.new(place.outputs["Object"], mapping.inputs["Vector"])
    rings = nodes.new("ShaderNodeTexWave")
    rings.wave_type, rings.rings_direction, rings.wave_profile = "RINGS", "X", "SAW"
    rings.location = (-800, 350)
    for key, value in {"Scale": 0.085, "Distortion": 1.6, "Detail": 1.0, "Detail Scale": 0.2}.items():
        rings.inputs[key].default_value = value
    links.new(mapping.outputs["Vector"], rings.inputs["Vector"])
    stretch = nodes.new("ShaderNodeMapping")
    stretch.inputs["Scale"].default_value = (0.03, 1.6, 1.6)
    stretch.location = (-1000, -100)
    links.new(mapping.outputs["Vector"], stretch.inputs["Vector"])
    fibres = nodes.new("ShaderNodeTexNoise")
    fibres.inputs["Scale"].default_value = 1.0
    fibres.location = (-800, -100)
    links.new(stretch.outputs["Vector"], fibres.inputs["Vector"])
    share = nodes.new("ShaderNodeMath")
    share.operation = "MULTIPLY_ADD"
    share.inputs[1].default_value = 0.35
    share.location = (-560, -60)
    links.new(fibres.outputs[0], share.inputs[0])
    half = nodes.new("ShaderNodeMath")
    half.operation = "MULTIPLY"
    half.inputs[1].default_value = 0.6
    half.location = (-560, 260)
    links.new(rings.outputs["Fac"], half.inputs[0])
    links.new(half.outputs[0], share.inputs[2])
    tones = nodes.new("ShaderNodeValToRGB")
    for element, tone in zip(tones.color_ramp.elements, (early, late), strict=True):
        element.color = (*tone, 1.0)
    tones.location = (-330, 200)
    links.new(share.outputs[0], tones.inputs["Fac"])
    links.new(tones.outputs["Color"], inputs["Base Color"])
    return material


def _lay(mapping, grain_deg, scale):
    """Object coordinates to millimetres in the log, whose heart lies below the board."""
    mapping.inputs["Scale"].default_value = (1 / scale,) * 3
    mapping.inputs["Rotation"].default_value = (0.0, 0.0, -math.radians(grain_deg))
    mapping.inputs["Location"].default_value = (0.0, -35.0, 46.0)


def raking_light(context, relief):
    """A lamp that shines across the board from the upper left, low; the one that is there, if there is one."""
    lamp = next((child for child in relief.children if child.type == "LIGHT" and child.name.startswith(LAMP)), None)
    if lamp is None:
        lamp = bpy.data.objects.new(LAMP, bpy.data.lights.new(LAMP, "SUN"))
        (relief.users_collection or [context.collection])[0].objects.link(lamp)
        lamp.parent = relief
        lamp.data.energy, lamp.data.angle = 4.0, math.radians(1.0)
        lamp.rotation_euler = (0.0, -math.radians(90 - LAMP_HEIGHT), math.radians(-45))
        size = max(relief.dimensions)
        lamp.location = (-0.3 * size, size, 0.4 * size)
    return lamp


def register():
    """Make this part known to Blender."""
    bpy.types.Material.relief_knot_made = bpy.props.BoolProperty(
        name="Made for a Relief", description="Whether this material was made to show a relief", options={"HIDDEN"}
    )


def unregister():
    """Take back what register did."""
    del bpy.types.Material.relief_knot_made
