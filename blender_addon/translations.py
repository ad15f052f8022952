"""The add-on's words in other languages, for Blender's own language switch."""

import bpy

GERMAN = {}


def register():
    """Make this part known to Blender."""
    bpy.app.translations.register(__package__, {"de_DE": {}})


def unregister():
    """Take back what register did."""
    bpy.app.translations.unregister(__package__)
