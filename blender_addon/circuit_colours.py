"""Circuits in colours of their own, shown as materials on the faces of the strand.

The colours are the design's (its key ``strand.circuits``); materials follow whenever a mesh is filled. Materials of
one's own on the object stay where they are and are what circuits without a colour are shown in.
"""

import bpy

from . import core, fill, materials, store

editing = core.editing

PREFIX = "Strand #"
"""How the names of the materials made here begin; the rest is the colour."""


def paint(mesh, design):
    """Give the faces of every circuit the material of its colour; slots of colours no longer used go."""
    wanted = {style.through: style.colour for style in design.strand.circuits if style.colour}
    names = {name_of(colour) for colour in wanted.values()}
    slots = [material.name if material else "" for material in mesh.materials]
    if not names and not any(name.startswith(PREFIX) for name in slots):
        return
    for index in reversed(range(len(slots))):
        if slots[index].startswith(PREFIX) and slots[index] not in names:
            mesh.materials.pop(index=index)
    if names and not len(mesh.materials):
        mesh.materials.append(bpy.data.materials.get("Strand") or bpy.data.materials.new("Strand"))
    for name in sorted(names):
        if mesh.materials.find(name) < 0:
            mesh.materials.append(_material(name))
    strand = mesh.attributes.get(fill.STRAND)
    if strand is None:
        return
    number_of = editing.circuit_numbers(design)
    slot = {number_of[at]: mesh.materials.find(name_of(colour)) for at, colour in wanted.items() if at in number_of}
    number = [0] * len(mesh.polygons)
    strand.data.foreach_get("value", number)
    mesh.polygons.foreach_set("material_index", [slot.get(k, 0) for k in number])
    mesh.update()


def name_of(colour):
    """The name of the material of a colour ``#rrggbb``."""
    return PREFIX + colour.lower().lstrip("#")


def _material(name):
    found = bpy.data.materials.get(name)
    return found or materials.new(name, materials.linear(materials.from_hex(name.removeprefix(PREFIX))))[0]


def after_fill(mesh):
    """Colour a mesh just made anew."""
    for obj in bpy.data.objects:
        if obj.data == mesh and store.is_knot(obj):
            design, wrong = store.parse(obj.relief_knot.text)
            if wrong is None:
                paint(mesh, design)
            return


def register():
    """Make this part known to Blender."""
    fill.after.append(after_fill)


def unregister():
    """Take back what register did."""
    fill.after.remove(after_fill)
