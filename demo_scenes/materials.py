"""Materials of the demonstration scenes, as node trees; lengths are mm, the scene is in metres."""

from __future__ import annotations

import bpy
from mathutils import Vector

MM = 0.001


def mm(*lengths: float) -> Vector:
    """A place given in mm, in metres."""
    return Vector(lengths) * MM


class Nodes:
    """A short hand for building node trees."""

    def __init__(self, name: str) -> None:
        self.material = bpy.data.materials.new(name)
        self.material.use_nodes = True
        self.tree = self.material.node_tree
        self.shader = self.tree.nodes["Principled BSDF"]

    def add(self, kind: str, settings: dict | None = None, **inputs):
        """A node with attributes set and inputs set or linked."""
        node = self.tree.nodes.new(f"ShaderNode{kind}")
        for key, value in (settings or {}).items():
            setattr(node, key, value)
        for key, value in inputs.items():
            self.put(node.inputs[key.replace("_", " ")], value)
        return node

    def put(self, socket, value) -> None:
        """A value, or the output of another node, into a socket."""
        if isinstance(value, bpy.types.NodeSocket):
            self.tree.links.new(value, socket)
        else:
            socket.default_value = value

    def set(self, **inputs) -> None:
        """Inputs of the final shader."""
        for key, value in inputs.items():
            self.put(self.shader.inputs[key.replace("_", " ")], value)

    def ramp(self, fac, *stops, constant: bool = False):
        """A colour ramp's output from (place, colour) stops."""
        node = self.add("ValToRGB", Fac=fac)
        ramp = node.color_ramp
        ramp.interpolation = "CONSTANT" if constant else "LINEAR"
        while len(ramp.elements) < len(stops):
            ramp.elements.new(0.5)
        for element, (place, colour) in zip(ramp.elements, stops, strict=True):
            element.position = place
            element.color = (*colour, 1.0)
        return node.outputs["Color"]

    def mix(self, factor, a, b, blend: str = "MIX"):
        """Two colours mixed."""
        node = self.add("Mix", {"data_type": "RGBA", "blend_type": blend})
        self.put(node.inputs["Factor"], factor)
        for socket, value in ((node.inputs[6], a), (node.inputs[7], b)):
            self.put(socket, (*value, 1.0) if isinstance(value, tuple) else value)
        return node.outputs[2]

    def noise(self, vector, scale: float, detail: float = 3.0, distortion: float = 0.0):
        """A noise's grey output."""
        node = self.add("TexNoise", Vector=vector, Scale=scale, Detail=detail, Distortion=distortion)
        return node.outputs["Fac"]

    def place(self, of: bpy.types.Object | None = None, scale=(1.0, 1.0, 1.0)):
        """Coordinates in an object's space, in mm."""
        texture = self.add("TexCoord", {"object": of} if of else None)
        mapping = self.add("Mapping", Vector=texture.outputs["Object"])
        mapping.inputs["Scale"].default_value = [s / MM for s in scale]
        return mapping.outputs["Vector"]

    def bump(self, height, strength: float, distance: float) -> None:
        """Small relief of the surface; distance in mm."""
        node = self.add("Bump", Strength=strength, Distance=distance * MM, Height=height)
        self.set(Normal=node.outputs["Normal"])

    def hollow(self, reach: float):
        """How open a place is, 0 in hollows to 1; reach in mm."""
        return self.add("AmbientOcclusion", {"samples": 3}, Distance=reach * MM).outputs["AO"]


def wood(name: str, light, dark, of: bpy.types.Object | None = None, size: float = 1.0, upright: bool = False):
    """Oiled wood with its grain along x (or y); size scales the figure."""
    n = Nodes(name)

    def along(scale: float, across: float):
        """Coordinates stretched along the grain."""
        return n.place(of, (across, scale, across) if upright else (scale, across, across))

    figure = n.add("TexWave", {"wave_type": "BANDS", "bands_direction": "X" if upright else "Y"})
    n.put(figure.inputs["Vector"], along(0.0028 / size, 0.034 / size))
    figure.inputs["Scale"].default_value = 1.1
    figure.inputs["Distortion"].default_value = 9.0
    figure.inputs["Detail"].default_value = 3.0
    figure.inputs["Detail Scale"].default_value = 0.9
    pores = n.noise(along(0.02 / size, 1.1 / size), 1.0, 2.0)
    patch = n.noise(along(0.008, 0.02), 1.0, 2.0)
    base = n.ramp(
        figure.outputs["Fac"], (0.0, dark), (0.55, tuple((a + b) / 2 for a, b in zip(light, dark))), (1, light)
    )
    fine = n.ramp(pores, (0.36, (0.42, 0.38, 0.34)), (0.52, (1.0, 1.0, 1.0)))
    colour = n.mix(0.55, base, fine, "MULTIPLY")
    colour = n.mix(n.ramp(patch, (0.3, (0, 0, 0)), (0.75, (0.5, 0.5, 0.5))), colour, light, "MIX")
    shade = n.ramp(n.hollow(6.0 * size), (0.15, (0.5, 0.42, 0.36)), (0.8, (1, 1, 1)))
    n.set(Base_Color=n.mix(1.0, colour, shade, "MULTIPLY"), Roughness=0.42, Coat_Weight=0.12, Coat_Roughness=0.3)
    n.bump(pores, 0.25, 0.25 * size)
    return n.material


def metal(name: str, bright, tarnish, reach: float, roughness: float = 0.24):
    """Polished on the crests, dark in the hollows; reach in mm."""
    n = Nodes(name)
    where = n.place()
    open_ = n.hollow(reach)
    cloud = n.noise(where, 0.5 / reach, 4.0)
    worn = n.add("Math", {"operation": "MULTIPLY_ADD"})
    n.put(worn.inputs[0], cloud)
    worn.inputs[1].default_value = 0.35
    n.put(worn.inputs[2], open_)
    mask = n.ramp(worn.outputs[0], (0.55, (0, 0, 0)), (1.0, (1, 1, 1)))
    n.set(
        Base_Color=n.mix(mask, tarnish, bright),
        Metallic=1.0,
        Roughness=n.mix(mask, (0.6, 0.6, 0.6), (roughness, roughness, roughness)),
    )
    n.bump(n.noise(where, 3.0 / reach, 3.0), 0.12, 0.06 * reach)
    return n.material


def stone(name: str, light, dark, grain: float, of: bpy.types.Object | None = None):
    """Cut stone; grain in mm."""
    n = Nodes(name)
    where = n.place(of)
    cloud = n.noise(where, 0.06 / grain, 5.0, 0.4)
    speck = n.noise(where, 1.0 / grain, 3.0)
    colour = n.ramp(cloud, (0.3, dark), (0.7, light))
    colour = n.mix(0.5, colour, n.ramp(speck, (0.35, (0.6, 0.57, 0.53)), (0.6, (1, 1, 1))), "MULTIPLY")
    dirt = n.ramp(n.hollow(8 * grain), (0.1, (0.42, 0.36, 0.3)), (0.75, (1, 1, 1)))
    n.set(Base_Color=n.mix(1.0, colour, dirt, "MULTIPLY"), Roughness=0.85)
    n.bump(speck, 0.5, 0.5 * grain)
    return n.material


def painted(name: str, colours, circuits: int, reach: float, worn, roughness: float = 0.5):
    """A colour for each circuit, rubbed through on the crests; `worn` is what lies below."""
    n = Nodes(name)
    which = n.add("Attribute", {"attribute_name": "strand"}).outputs["Fac"]
    scaled = n.add("Math", {"operation": "DIVIDE"})
    n.put(scaled.inputs[0], which)
    scaled.inputs[1].default_value = circuits
    stops = [(max(0.0, (k - 0.5) / circuits), colours[k % len(colours)]) for k in range(circuits)]
    colour = n.ramp(scaled.outputs[0], *stops, constant=True)
    where = n.place()
    cloud = n.noise(where, 0.35 / reach, 6.0, 0.3)
    open_ = n.hollow(reach)
    if worn is not None:
        rubbed = n.add("Math", {"operation": "MULTIPLY"})
        n.put(rubbed.inputs[0], cloud)
        n.put(rubbed.inputs[1], open_)
        colour = n.mix(n.ramp(rubbed.outputs[0], (0.53, (0, 0, 0)), (0.6, (1, 1, 1))), colour, worn)
    grime = n.ramp(open_, (0.1, (0.3, 0.26, 0.23)), (0.75, (1, 1, 1)))
    n.set(Base_Color=n.mix(0.9, colour, grime, "MULTIPLY"), Roughness=roughness)
    n.bump(n.noise(where, 2.0 / reach, 4.0), 0.2, 0.05 * reach)
    return n.material


def plain(name: str, colour, roughness: float, grain: float, strength: float = 0.3):
    """An even, slightly rough surface such as cloth, leather or slate; grain in mm."""
    n = Nodes(name)
    where = n.place()
    speck = n.noise(where, 1.0 / grain, 4.0)
    cloud = n.noise(where, 0.05 / grain, 4.0)
    low = tuple(0.72 * c for c in colour)
    n.set(Base_Color=n.ramp(cloud, (0.3, low), (0.7, colour)), Roughness=roughness)
    n.bump(speck, strength, 0.4 * grain)
    return n.material
