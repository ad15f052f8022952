"""Colours as Blender's shaders take them, and new materials with their nodes on every Blender."""

import bpy
import numpy as np


def linear(colour):
    """Red, green and blue as seen (numbers or arrays, 0 to 1; sRGB, IEC 61966-2-1) as light adds up."""
    parts = (np.asarray(part, float) for part in colour)
    return tuple(np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4) for part in parts)


def from_hex(text):
    """Red, green and blue, 0 to 1, of a colour ``#rrggbb``."""
    digits = text.lstrip("#")
    return tuple(int(digits[k : k + 2], 16) / 255 for k in (0, 2, 4))


def to_hex(colour):
    """A colour as Blender's swatches have it (red, green, blue, 0 to 1, as seen) as ``#rrggbb``."""
    return "#" + "".join(f"{round(255 * part):02x}" for part in colour)


def use_nodes(owner):
    """Give a material or a world its nodes."""
    if bpy.app.version < (5, 0, 0):  # from then on all have them
        owner.use_nodes = True


def new(name, colour):
    """A new material of one colour (linear), and the inputs of its shader.

    Returns
    -------
    tuple of (bpy.types.Material, bpy.types.NodeInputs)
    """
    material = bpy.data.materials.new(name)
    material.diffuse_color = (*colour, 1.0)
    use_nodes(material)
    inputs = shader_of(material).inputs
    inputs["Base Color"].default_value = (*colour, 1.0)
    return material, inputs


def shader_of(material):
    """The shader that a new material has."""
    return next(node for node in material.node_tree.nodes if node.type == "BSDF_PRINCIPLED")
