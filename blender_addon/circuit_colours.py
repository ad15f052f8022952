"""Circuits in colours of their own: kept on the object, shown as materials on the faces of the strand.

A colour belongs to a circuit through one of its passes, as dividing does, so that it stays with its circuit when the
numbers of circuits change.
"""

import bpy
from bpy.props import BoolProperty, CollectionProperty, FloatVectorProperty, IntProperty

from . import core, fill, store

D, editing = core.design, core.editing

PREFIX = "Strand #"
"""How the names of the materials made here begin; the rest is the colour."""


class ReliefKnotCircuitColour(bpy.types.PropertyGroup):
    """The colour of the circuit that runs through one pass."""

    x: IntProperty(name="X")
    y: IntProperty(name="Y")
    rising: BoolProperty(name="Rising")
    colour: FloatVectorProperty(name="Colour", size=3, subtype="COLOR", min=0.0, max=1.0)

    @property
    def through(self):
        """The pass."""
        return D.Pass(self.x, self.y, D.Way.RISING if self.rising else D.Way.FALLING)


def colours_of(obj, design):
    """The colour of every circuit that has one: {passes of the circuit: (r, g, b)}, the newest counting."""
    return {
        circuit: tuple(entry.colour)
        for entry in obj.relief_knot_colours
        if (circuit := editing.same_circuit(design, entry.through))
    }


def colour_circuits(obj, design, passes, colour):
    """Give the circuits through ``passes`` a colour, or take theirs off where it is None."""
    for at in passes:
        circuit = editing.same_circuit(design, at)
        entries = obj.relief_knot_colours
        for index in reversed(range(len(entries))):
            if entries[index].through in circuit:
                entries.remove(index)
        if colour is not None:
            _add(obj, at, colour)
    paint(obj, design)


def _add(obj, at, colour):
    entry = obj.relief_knot_colours.add()
    entry.x, entry.y, entry.rising = at.x, at.y, at.way is D.Way.RISING
    entry.colour = colour


def keep(obj, before, after):
    """Let colours whose pass is gone with a change go on through another pass of the same circuit."""
    for entry in obj.relief_knot_colours:
        if not editing.same_circuit(after, entry.through):
            others = sorted(editing.same_circuit(before, entry.through))
            at = next((other for other in others if editing.same_circuit(after, other)), None)
            if at is not None:
                entry.x, entry.y, entry.rising = at.x, at.y, at.way is D.Way.RISING


def paint(obj, design):
    """Give the faces of every circuit the material of its colour; slots of colours no longer used go."""
    mesh = obj.data
    wanted = colours_of(obj, design)
    names = {circuit: name_of(colour) for circuit, colour in wanted.items()}
    slots = [material.name if material else "" for material in mesh.materials]
    if not names and not any(name.startswith(PREFIX) for name in slots):
        return
    for index in reversed(range(len(slots))):
        if slots[index].startswith(PREFIX) and slots[index] not in names.values():
            mesh.materials.pop(index=index)
    if names and not len(mesh.materials):
        mesh.materials.append(bpy.data.materials.get("Strand") or bpy.data.materials.new("Strand"))
    place = {}
    for circuit, name in names.items():
        if mesh.materials.find(name) < 0:
            mesh.materials.append(_material(name, wanted[circuit]))
        place[circuit] = mesh.materials.find(name)
    strand = mesh.attributes.get(fill.STRAND)
    if strand is None:
        return
    number_of = editing.circuit_numbers(design)
    slot = [0] * (1 + max(number_of.values(), default=0))
    for circuit, index in place.items():
        slot[number_of[next(iter(circuit))]] = index
    number = [0] * len(mesh.polygons)
    strand.data.foreach_get("value", number)
    mesh.polygons.foreach_set("material_index", [slot[k] if k < len(slot) else 0 for k in number])
    mesh.update()


def name_of(colour):
    """The name of the material of a colour."""
    return PREFIX + "".join(f"{round(255 * part):02x}" for part in colour)


def _material(name, colour):
    found = bpy.data.materials.get(name)
    if found is not None:
        return found
    material = bpy.data.materials.new(name)
    material.diffuse_color = (*colour, 1.0)
    material.use_nodes = True
    shader = next((node for node in material.node_tree.nodes if node.type == "BSDF_PRINCIPLED"), None)
    if shader is not None:
        shader.inputs["Base Color"].default_value = (*colour, 1.0)
    return material


def after_fill(mesh):
    """Colour a mesh just made anew."""
    for obj in bpy.data.objects:
        if obj.data == mesh and store.is_knot(obj) and len(obj.relief_knot_colours):
            design, wrong = store.parse(obj.relief_knot.text)
            if wrong is None:
                paint(obj, design)
            return


def register():
    """Make this part known to Blender."""
    bpy.utils.register_class(ReliefKnotCircuitColour)
    bpy.types.Object.relief_knot_colours = CollectionProperty(type=ReliefKnotCircuitColour, options=set())
    fill.after.append(after_fill)


def unregister():
    """Take back what register did."""
    fill.after.remove(after_fill)
    del bpy.types.Object.relief_knot_colours
    bpy.utils.unregister_class(ReliefKnotCircuitColour)
