"""Millimetres and Blender's units: the only place where one becomes the other."""

import bpy

MILLIMETRE = 0.001
"""In metres, which a Blender unit is at scene scale 1."""


def units_per_mm(knot, scene=None):
    """Blender units in a millimetre, for a knot's settings in a scene (the current one)."""
    if knot.measure == "UNIT":
        return 1.0
    return MILLIMETRE / (scene or bpy.context.scene).unit_settings.scale_length


def new_per_mm(scene):
    """Blender units in a millimetre for a new knot in this scene."""
    return 1.0 if measure_for(scene) == "UNIT" else MILLIMETRE / scene.unit_settings.scale_length


def to_mm(value, knot):
    """A length in Blender units as mm, without the noise of Blender's single precision."""
    return float(f"{value / units_per_mm(knot):.6g}")


def measure_for(scene):
    """How a new knot in this scene is measured: by the scene's units, or one unit for a mm where it has none."""
    return "UNIT" if scene.unit_settings.system == "NONE" else "SCENE"


def mapping(knot, scene):
    """One line saying what a millimetre is in the scene."""
    if knot.measure == "UNIT":
        return "1 mm = 1 unit"
    scale = scene.unit_settings.scale_length
    return f"1 mm = {units_per_mm(knot, scene):.6g} units (0.001 m at scene scale {scale:.6g})"
