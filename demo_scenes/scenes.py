"""Builds a scene round each demonstration design with the add-on, saves it and renders it; runs in Blender's Python.

``python demo_scenes/scenes.py --out FOLDER [NAME ...]``

The knot itself comes from its design file through the add-on's own import and stays editable on its object. All the
rest (boards, cord, door, light) is dressing. Lengths here are mm; the scene is in metres.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import time
import traceback
from pathlib import Path

import bpy
from mathutils import Euler, Matrix, Vector

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from demos import DEMOS, SHAPED, Demo

import blender_addon
from knotgeom.design import Panel, Ring, Strip

MM = 0.001
WIDTH, HEIGHT = 480, 360
SAMPLES = 16


def mm(*lengths: float) -> Vector:
    """A place given in mm, in metres."""
    return Vector(lengths) * MM


# ------------------------------------------------------------------------------------------------------- materials


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


# -------------------------------------------------------------------------------------------------------- dressing


def mesh_object(name: str, vertices, faces, material, bevel: float = 0.0) -> bpy.types.Object:
    """A mesh from vertices in mm, its edges eased by a bevel."""
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata([mm(*v) for v in vertices], [], faces)
    obj = bpy.data.objects.new(name, mesh)
    bpy.context.collection.objects.link(obj)
    if material is not None:
        mesh.materials.append(material)
    if bevel:
        modifier = obj.modifiers.new("Eased Edges", "BEVEL")
        modifier.width = bevel * MM
        modifier.segments = 3
        modifier.limit_method = "ANGLE"
        modifier.harden_normals = True
    return obj


def box(name: str, low, high, material, bevel: float = 1.0) -> bpy.types.Object:
    """A box from its lowest to its highest corner."""
    corners = [(x, y, z) for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])]
    faces = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    return mesh_object(name, corners, faces, material, bevel)


def sunk_board(name: str, width: float, height: float, rim: float, depth: float, thick: float, bevel: float):
    """A board with its ground lowered inside a rim, its face at z = 0 and its middle at the origin."""

    def ring(w: float, h: float, z: float):
        return [(-w, -h, z), (w, -h, z), (w, h, z), (-w, h, z)]

    w, h = width / 2, height / 2
    slant = 0.35 * depth
    rings = [
        ring(w + rim, h + rim, -thick),
        ring(w + rim, h + rim, 0),
        ring(w + slant, h + slant, 0),
        ring(w, h, -depth),
    ]
    vertices = [v for r in rings for v in r]
    faces = [(3, 2, 1, 0), (12, 13, 14, 15)]
    for k in range(3):
        faces += [(4 * k + i, 4 * k + (i + 1) % 4, 4 * k + 4 + (i + 1) % 4, 4 * k + 4 + i) for i in range(4)]
    return mesh_object(name, vertices, faces, None, bevel)


def floor(material, z: float, size: float) -> bpy.types.Object:
    """What everything lies on."""
    s = size / 2
    return mesh_object("Bench", [(-s, -s, z), (s, -s, z), (s, s, z), (-s, s, z)], [(0, 1, 2, 3)], material)


def tube(name: str, points, radius: float, material, closed: bool = False) -> bpy.types.Object:
    """A round cord or wire through points in mm."""
    curve = bpy.data.curves.new(name, "CURVE")
    curve.dimensions = "3D"
    curve.bevel_depth = radius * MM
    curve.bevel_resolution = 6
    curve.resolution_u = 24
    spline = curve.splines.new("BEZIER")
    spline.bezier_points.add(len(points) - 1)
    for point, place in zip(spline.bezier_points, points, strict=True):
        point.co = mm(*place)
        point.handle_left_type = point.handle_right_type = "AUTO"
    spline.use_cyclic_u = closed
    obj = bpy.data.objects.new(name, curve)
    bpy.context.collection.objects.link(obj)
    curve.materials.append(material)
    return obj


def lamp(name: str, place, size: float, power: float, colour=(1.0, 1.0, 1.0), aim=(0.0, 0.0, 0.0)) -> None:
    """A square area light in mm; power is for a scene one metre wide and shrinks with the square of the distance."""
    light = bpy.data.lights.new(name, "AREA")
    light.size = size * MM
    light.energy = power * (mm(*place) - mm(*aim)).length_squared
    light.color = colour
    obj = bpy.data.objects.new(name, light)
    obj.location = mm(*place)
    obj.rotation_euler = (mm(*aim) - obj.location).to_track_quat("-Z", "Y").to_euler()
    bpy.context.collection.objects.link(obj)


def sky(colour, strength: float) -> None:
    """Even light from all sides, a little brighter from above."""
    world = bpy.data.worlds.new("Studio")
    world.use_nodes = True
    tree = world.node_tree
    where = tree.nodes.new("ShaderNodeTexCoord")
    split = tree.nodes.new("ShaderNodeSeparateXYZ")
    ramp = tree.nodes.new("ShaderNodeValToRGB").color_ramp
    ramp.elements[0].color = (*(0.25 * c for c in colour), 1.0)
    ramp.elements[1].color = (*(1.4 * c for c in colour), 1.0)
    shade, background = tree.nodes[-1], tree.nodes["Background"]
    tree.links.new(where.outputs["Generated"], split.inputs[0])
    tree.links.new(split.outputs["Z"], shade.inputs["Fac"])
    tree.links.new(shade.outputs["Color"], background.inputs["Color"])
    background.inputs["Strength"].default_value = strength
    bpy.context.scene.world = world


def camera(place, aim, lens: float, f_stop: float, focus=None, up=(0.0, 0.0, 1.0)) -> None:
    """A camera in mm with a shallow depth of field; `up` points up in the picture."""
    data = bpy.data.cameras.new("Camera")
    data.lens = lens
    data.clip_start = 0.001
    data.dof.use_dof = True
    data.dof.aperture_fstop = f_stop
    data.dof.focus_distance = (mm(*(focus or aim)) - mm(*place)).length
    obj = bpy.data.objects.new("Camera", data)
    back = (mm(*place) - mm(*aim)).normalized()
    right = Vector(up).cross(back).normalized()
    obj.matrix_world = Matrix.Translation(mm(*place)) @ Matrix((right, back.cross(right), back)).transposed().to_4x4()
    bpy.context.collection.objects.link(obj)
    bpy.context.scene.camera = obj


def around(distance: float, elevation: float, turn: float, aim=(0.0, 0.0, 0.0)):
    """A place at a distance in mm, angles in degrees; turn 0 is in front (negative y)."""
    e, t = math.radians(elevation), math.radians(turn)
    return (
        aim[0] + distance * math.cos(e) * math.sin(t),
        aim[1] - distance * math.cos(e) * math.cos(t),
        aim[2] + distance * math.sin(e),
    )


# ---------------------------------------------------------------------------------------------------------- scenes

OAK = (0.40, 0.205, 0.078), (0.21, 0.092, 0.032)
WALNUT = (0.20, 0.095, 0.045), (0.075, 0.033, 0.016)


def bounds(knot: bpy.types.Object) -> tuple[Vector, Vector]:
    """Lowest and highest corner of the knot in its own space, mm."""
    corners = [Vector(c) / MM for c in knot.bound_box]
    return Vector(map(min, zip(*corners))), Vector(map(max, zip(*corners)))


def chest_panel(knot: bpy.types.Object) -> None:
    """A board on the carver's bench, its ground lowered, lamp raking from the upper left."""
    low, high = bounds(knot)
    board = sunk_board("Board", 192 + 8, 120 + 8, 20, -low.z - 0.4, 24, 1.2)
    oak = wood("Oiled Oak", *OAK, of=board, size=1.2)
    board.data.materials.append(oak)
    knot.data.materials.append(oak)
    floor(wood("Bench Wood", (0.16, 0.10, 0.06), (0.09, 0.05, 0.03), size=3.0), -24, 3000)
    sky((0.8, 0.88, 1.0), 0.22)
    lamp("Raking Lamp", (-420, 330, 170), 110, 34, (1.0, 0.86, 0.68))
    lamp("Window", (300, -300, 500), 500, 3, (0.8, 0.9, 1.0))
    camera(around(520, 58, 10), (2, -4, -8), 66, 4.0)


def mirror_frame(knot: bpy.types.Object) -> None:
    """A frame round a mirror, leaning back on a plaster wall's ledge."""
    low, high = bounds(knot)
    depth = -low.z - 0.4
    board = sunk_board("Frame", 176 + 6, 176 + 6, 12, depth, 18, 1.0)
    walnut = wood("Oiled Walnut", *WALNUT, of=board, size=1.0)
    board.data.materials.append(walnut)
    knot.data.materials.append(walnut)
    for name, a, b in (
        ("Lip Left", (-44, -44), (-39, 44)),
        ("Lip Right", (39, -44), (44, 44)),
        ("Lip Bottom", (-39.5, -44), (39.5, -39)),
        ("Lip Top", (-39.5, 39), (39.5, 44)),
    ):
        box(name, (*a, -depth - 1), (*b, -1.5), walnut, 0.8)
    glass = Nodes("Mirror Glass")
    glass.set(Base_Color=(0.86, 0.9, 0.9, 1.0), Metallic=1.0, Roughness=0.03)
    box("Mirror", (-39.5, -39.5, -depth - 1), (39.5, 39.5, -depth + 1.5), glass.material, 1.2)
    floor(plain("Linen", (0.33, 0.31, 0.27), 0.9, 0.7, 0.6), -18, 3000)
    sky((0.85, 0.9, 1.0), 0.32)
    lamp("Raking Lamp", (-380, 260, 190), 130, 38, (1.0, 0.88, 0.72))
    lamp("Soft Box", (420, -200, 500), 300, 5, (0.86, 0.93, 1.0))
    camera(around(560, 60, -11), (0, -5, -6), 66, 4.5)


def hearth_tile(knot: bpy.types.Object) -> None:
    """A tile of sandstone among its plain neighbours."""
    low, high = bounds(knot)
    board = sunk_board("Tile", 180 + 6, 180 + 6, 14, -low.z - 0.5, 30, 1.6)
    rock = stone("Sandstone", (0.62, 0.47, 0.31), (0.47, 0.33, 0.2), 0.8, board)
    board.data.materials.append(rock)
    knot.data.materials.append(rock)
    other = stone("Plain Stone", (0.36, 0.30, 0.25), (0.25, 0.21, 0.18), 1.2)
    for i in (-1, 0, 1):
        for j in (-1, 0, 1):
            if i or j:
                x, y = 219 * i, 219 * j
                box("Neighbour", (x - 107, y - 107, -30), (x + 107, y + 107, -3), other, 2.5)
    floor(plain("Mortar", (0.3, 0.27, 0.24), 0.95, 1.5), -9, 3000)
    sky((0.75, 0.85, 1.0), 0.16)
    lamp("Firelight", (-420, 120, 130), 100, 34, (1.0, 0.74, 0.48))
    lamp("Window", (260, 380, 420), 320, 4, (0.82, 0.9, 1.0))
    camera(around(560, 62, 9), (0, -3, -8), 68, 5.6)


def cross_pendant(knot: bpy.types.Object) -> None:
    """A pendant with a jump ring and a cord, on slate."""
    low, high = bounds(knot)
    silver = metal("Oxidised Silver", (0.93, 0.92, 0.90), (0.10, 0.095, 0.09), 2.4, 0.2)
    knot.data.materials.append(silver)
    floor(plain("Slate", (0.055, 0.06, 0.068), 0.55, 0.8, 0.35), low.z, 600)
    ring = [(0, 15.3 + 2.7 * math.cos(a), 0.3 + 2.3 * math.sin(a)) for a in (k * math.tau / 12 for k in range(12))]
    tube("Jump Ring", ring, 0.42, silver, closed=True)
    cord = plain("Leather Cord", (0.05, 0.025, 0.014), 0.6, 0.15)
    tube(
        "Cord",
        [
            (-26, 46, -0.4),
            (-9, 30, -0.3),
            (-2.2, 19.5, 0.2),
            (0, 17.0, 0.7),
            (2.2, 19.5, 0.2),
            (8, 30, -0.3),
            (32, 41, -0.4),
        ],
        0.75,
        cord,
    )
    sky((0.75, 0.84, 1.0), 0.25)
    lamp("Soft Box", (-60, 50, 60), 50, 15, (1.0, 0.94, 0.86))
    lamp("Strip", (70, 10, 40), 30, 5, (0.75, 0.86, 1.0))
    lamp("Top", (10, 40, 120), 40, 3)
    camera(around(112, 62, 12, (0, 3, 0)), (0, 3, 0), 76, 8.0)


def belt_mount(knot: bpy.types.Object) -> None:
    """A mount on a broad belt of leather."""
    low, high = bounds(knot)
    knot.data.materials.append(metal("Cast Bronze", (0.83, 0.55, 0.27), (0.11, 0.085, 0.05), 1.6, 0.26))
    leather = plain("Leather", (0.085, 0.03, 0.014), 0.5, 0.55, 0.55)
    box("Belt", (-400, -31, low.z - 4), (400, 31, low.z + 0.05), leather, 1.4)
    thread = plain("Thread", (0.55, 0.46, 0.33), 0.8, 0.2)
    for side in (-1, 1):
        for k in range(-16, 17):
            tube(
                "Stitch",
                [
                    (k * 5 - 1.7, side * 27.6, low.z),
                    (k * 5, side * 27.6, low.z + 0.45),
                    (k * 5 + 1.7, side * 27.6, low.z),
                ],
                0.35,
                thread,
            )
    floor(wood("Table", (0.20, 0.12, 0.07), (0.11, 0.06, 0.035), size=1.2), low.z - 4, 1200)
    sky((0.8, 0.88, 1.0), 0.25)
    lamp("Soft Box", (-100, 70, 80), 70, 20, (1.0, 0.92, 0.8))
    lamp("Strip", (90, 40, 60), 50, 9, (0.8, 0.9, 1.0))
    camera(around(160, 64, -10), (0, 0, 0), 76, 8.0)


def linked_charm(knot: bpy.types.Object) -> None:
    """A charm of dyed nylon, every strand loose in the others."""
    low, high = bounds(knot)
    teal, cream, coral = (0.03, 0.22, 0.26), (0.75, 0.66, 0.5), (0.62, 0.16, 0.07)
    colours = [teal, cream, coral, cream, teal, cream, cream]
    knot.data.materials.append(painted("Dyed Nylon", colours, 7, 3.0, None, 0.55))
    floor(plain("Card", (0.40, 0.39, 0.37), 0.9, 0.5, 0.1), low.z, 900)
    sky((0.9, 0.95, 1.0), 0.3)
    lamp("Soft Box", (-80, 70, 60), 50, 19, (1.0, 0.93, 0.84))
    lamp("Fill", (90, -40, 90), 80, 4, (0.85, 0.92, 1.0))
    camera(around(138, 54, 14), (0, -1, 0), 78, 6.3)


def door_trim(knot: bpy.types.Object) -> None:
    """The strip over a door and, turned, down both its sides."""
    low, high = bounds(knot)
    gilt = metal("Gilt Bronze", (0.86, 0.58, 0.24), (0.06, 0.07, 0.045), 12, 0.3)
    knot.data.materials.append(gilt)
    granite = stone("Door Stone", (0.26, 0.27, 0.29), (0.15, 0.155, 0.17), 5.0)
    knot.location += mm(0, 0, -low.z)
    for side in (-1, 1):
        copy = knot.copy()
        copy.name = "Trim Left" if side < 0 else "Trim Right"
        copy.rotation_euler = Euler((0, 0, math.pi / 2))
        copy.location = mm(side * 470 + 90, -480 - 360, -low.z)
        bpy.context.collection.objects.link(copy)
        box("Jamb", (side * 470 - 112, -1400, -90), (side * 470 + 112, -114, 0), granite, 6)
        box("Corner Block", (side * 470 - 112, -110, -90), (side * 470 + 112, 112, 12), granite, 8)
        stud(side * 470, 0, 12, 62, gilt)
    box("Lintel", (-354, -112, -90), (354, 112, 0), granite, 6)
    oak = wood("Door Oak", (0.16, 0.085, 0.042), (0.075, 0.038, 0.02), size=5, upright=True)
    for k in range(-2, 3):
        box("Plank", (k * 142 - 69, -1500, -190), (k * 142 + 69, -100, -120), oak, 5)
    iron = metal("Iron", (0.16, 0.16, 0.17), (0.03, 0.028, 0.026), 20, 0.45)
    box("Strap", (-340, -420, -120), (310, -360, -108), iron, 4)
    for k in range(-2, 3):
        stud(k * 142 - 10, -390, -108, 17, iron)
    wall = stone("Wall Stone", (0.22, 0.215, 0.21), (0.13, 0.13, 0.135), 9.0)
    for j, y in enumerate(range(-1400, 700, 200)):
        for k in range(-3, 4):
            x = k * 430 + (215 if j % 2 else 0)
            left, right = x - 212, x + 212
            if y < 100:  # cut off where the frame stands
                left, right = (left, min(right, -586)) if x < 0 else (max(left, 586), right)
            if right - left > 30:
                depth = -46 - 9 * ((j * 7 + k * 5) % 3)
                box("Wall", (left, y + 16, -200), (right, y + 208, depth), wall, 9)
    sky((0.6, 0.72, 1.0), 0.18)
    lamp("Torch", (-900, 250, 800), 260, 13, (1.0, 0.66, 0.36))
    lamp("Moon", (900, 900, 900), 600, 6, (0.66, 0.8, 1.0))
    camera((260, -900, 1900), (0, -250, 0), 52, 2.8, (0, -60, 0), up=(0.0, 1.0, 0.0))


def stud(x: float, y: float, z: float, radius: float, material) -> None:
    """A domed boss or nail head."""
    bpy.ops.mesh.primitive_uv_sphere_add(radius=radius * MM, location=mm(x, y, z), segments=40, ring_count=20)
    obj = bpy.context.object
    obj.scale.z = 0.45
    obj.data.materials.append(material)
    bpy.ops.object.shade_smooth()


def painted_boss(knot: bpy.types.Object) -> None:
    """A painted boss on a wall of a keep."""
    low, high = bounds(knot)
    red, blue, ochre, white = (0.36, 0.035, 0.022), (0.03, 0.085, 0.2), (0.55, 0.3, 0.05), (0.62, 0.57, 0.47)
    knot.data.materials.append(
        painted("Worn Paint", [red, blue, ochre, ochre, blue, white, blue, blue], 8, 12, (0.33, 0.29, 0.24))
    )
    back = stone("Boss Stone", (0.22, 0.20, 0.18), (0.14, 0.125, 0.115), 3.0)
    box("Plate", (-172, -172, low.z - 40), (172, 172, low.z + 0.3), back, 5)
    for name, a, b in (
        ("Rim Left", (-172, -172), (-154, 172)),
        ("Rim Right", (154, -172), (172, 172)),
        ("Rim Bottom", (-154, -172), (154, -154)),
        ("Rim Top", (-154, 154), (154, 172)),
    ):
        box(name, (*a, low.z), (*b, low.z + 11), back, 3)
    wall = stone("Wall Stone", (0.30, 0.285, 0.26), (0.2, 0.19, 0.18), 6.0)
    for j in range(-4, 5):
        for k in range(-4, 5):
            x, y = k * 300 + (150 if j % 2 else 0), j * 150
            box("Wall", (x - 147, y - 72, -200), (x + 147, y + 72, low.z - 26 - 5 * ((3 * j + k) % 3)), wall, 6)
    sky((0.7, 0.8, 1.0), 0.2)
    lamp("Torch", (-520, 330, 330), 170, 26, (1.0, 0.8, 0.56))
    lamp("Sky Light", (500, 300, 700), 420, 8, (0.75, 0.86, 1.0))
    camera((210, -470, 930), (0, -4, 0), 72, 2.8, up=(0.0, 1.0, 0.0))


def ring_pendant(knot: bpy.types.Object) -> None:
    """A ring of strands on a fine cord, on slate."""
    low, high = bounds(knot)
    knot.data.materials.append(metal("Oxidised Silver", (0.93, 0.92, 0.90), (0.10, 0.095, 0.09), 2.0, 0.2))
    floor(plain("Slate", (0.055, 0.06, 0.068), 0.55, 0.8, 0.35), low.z, 600)
    cord = plain("Linen Cord", (0.34, 0.22, 0.11), 0.8, 0.15)
    top = high.y - 3.2
    tube(
        "Cord",
        [
            (-30, 48, -0.4),
            (-9, 32, 0.0),
            (-2.6, top + 3.6, 1.5),
            (-1.2, top - 1.8, 0.4),
            (1.2, top - 1.8, 0.4),
            (2.6, top + 3.6, 1.5),
            (8, 32, 0.0),
            (32, 45, -0.4),
        ],
        0.7,
        cord,
    )
    sky((0.75, 0.84, 1.0), 0.25)
    lamp("Soft Box", (-60, 50, 60), 50, 15, (1.0, 0.94, 0.86))
    lamp("Strip", (70, 10, 40), 30, 5, (0.75, 0.86, 1.0))
    camera(around(132, 62, 12, (0, 3, 0)), (0, 3, 0), 76, 8.0)


def bangle(knot: bpy.types.Object) -> None:
    """A bangle lying on folded cloth."""
    low, high = bounds(knot)
    knot.rotation_euler = Euler((math.pi / 2, 0, 0.35))
    knot.location = mm(0, 0, -low.y)
    knot.data.materials.append(metal("Brass", (0.87, 0.66, 0.32), (0.12, 0.085, 0.04), 2.0, 0.22))
    floor(plain("Felt", (0.10, 0.03, 0.035), 0.95, 0.5, 0.5), 0, 1200)
    sky((0.85, 0.9, 1.0), 0.3)
    lamp("Soft Box", (-120, 60, 140), 90, 17, (1.0, 0.93, 0.84))
    lamp("Strip", (130, -40, 90), 50, 7, (0.78, 0.88, 1.0))
    camera(around(215, 34, 16, (0, 0, 8)), (0, 0, 8), 78, 20.0, (0, -22, 12))


def four_panel(knot: bpy.types.Object) -> None:
    """A panel of four joined knots in lime wood."""
    low, high = bounds(knot)
    board = sunk_board("Board", 192 + 8, 192 + 8, 18, -low.z - 0.4, 24, 1.2)
    lime = wood("Lime Wood", (0.56, 0.40, 0.22), (0.42, 0.27, 0.13), of=board, size=1.2)
    board.data.materials.append(lime)
    knot.data.materials.append(lime)
    floor(wood("Bench Wood", (0.16, 0.10, 0.06), (0.09, 0.05, 0.03), size=3.0), -24, 3000)
    sky((0.8, 0.88, 1.0), 0.2)
    lamp("Raking Lamp", (-420, 330, 170), 110, 32, (1.0, 0.86, 0.68))
    lamp("Window", (300, -300, 500), 500, 3, (0.8, 0.9, 1.0))
    camera(around(610, 62, 8), (2, -4, -8), 66, 5.0)


def shield_boss(knot: bpy.types.Object) -> None:
    """The boss of a shield, gilt strands over a dome of iron."""
    low, high = bounds(knot)
    knot.data.materials.append(metal("Gilt Bronze", (0.86, 0.58, 0.24), (0.09, 0.07, 0.04), 4.0, 0.26))
    iron = metal("Iron", (0.17, 0.17, 0.18), (0.03, 0.028, 0.026), 14, 0.42)
    radius = (60.0**2 + 16.0**2) / 32.0 - 2.2
    bpy.ops.mesh.primitive_uv_sphere_add(
        radius=radius * MM, location=mm(0, 0, 16.0 - 2.2 - radius), segments=128, ring_count=96
    )
    bpy.context.object.data.materials.append(iron)
    bpy.ops.object.shade_smooth()
    planks = wood("Painted Boards", (0.20, 0.035, 0.03), (0.12, 0.02, 0.018), size=2.0, upright=True)
    for k in range(-4, 5):
        box("Board", (k * 52 - 25.2, -300, -14), (k * 52 + 25.2, 300, -1.5), planks, 1.2)
    for k in range(12):
        a = (k + 0.5) * math.tau / 12
        stud(72 * math.cos(a), 72 * math.sin(a), -1.5, 4.2, iron)
    sky((0.7, 0.8, 1.0), 0.22)
    lamp("Torch", (-260, 160, 190), 90, 24, (1.0, 0.82, 0.6))
    lamp("Sky Light", (240, 120, 320), 200, 7, (0.76, 0.87, 1.0))
    camera(around(400, 46, 14), (0, -4, 2), 78, 16.0)


def plaque_border(knot: bpy.types.Object) -> None:
    """A border cut round the field of a plaque."""
    low, high = bounds(knot)
    depth = -low.z - 0.4
    board = sunk_board("Plaque", 192 + 6, 128 + 6, 12, depth, 20, 1.0)
    walnut = wood("Oiled Walnut", *WALNUT, of=board, size=1.0)
    board.data.materials.append(walnut)
    knot.data.materials.append(walnut)
    box("Field", (-61, -29, -depth - 1), (61, 29, -0.6), walnut, 1.0)
    floor(plain("Linen", (0.33, 0.31, 0.27), 0.9, 0.7, 0.6), -20, 3000)
    sky((0.85, 0.9, 1.0), 0.3)
    lamp("Raking Lamp", (-380, 260, 190), 130, 36, (1.0, 0.88, 0.72))
    lamp("Soft Box", (420, -200, 500), 300, 5, (0.86, 0.93, 1.0))
    camera(around(560, 58, -9), (0, -4, -6), 68, 4.5)


SHOWN = (*DEMOS, *(demo for demo in SHAPED if demo.name in globals()))
"""Demonstrations that have a scene."""


# ------------------------------------------------------------------------------------------------------------ work


def build(demo: Demo) -> None:
    """Start an empty file, bring the design in through the add-on and dress the scene."""
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.ops.mesh.relief_knot_import(filepath=str(demo.path))
    knot = bpy.context.object
    own = isinstance(demo.design.layout, Panel) or knot.relief_knot.text == demo.path.read_text(encoding="utf-8")
    if knot is None or knot.relief_knot.error or not own:
        raise SystemExit(f"{demo.name}: the add-on did not make it; {knot.relief_knot.error if knot else 'no object'}")
    knot.name = demo.title.split(",")[0]
    if not isinstance(demo.design.layout, Ring | Strip):  # they lie about the origin as they are
        low, high = bounds(knot)
        knot.location = -mm((low.x + high.x) / 2, (low.y + high.y) / 2, 0)
    globals()[demo.name](knot)
    bpy.ops.object.select_all(action="DESELECT")
    knot.select_set(True)
    bpy.context.view_layer.objects.active = knot


def render(path: Path, scale: float) -> None:
    """Render the scene with Cycles on the processor."""
    scene = bpy.context.scene
    scene.render.engine = "CYCLES"
    scene.cycles.device = "CPU"
    scene.cycles.samples = SAMPLES
    scene.cycles.use_adaptive_sampling = True
    scene.cycles.adaptive_threshold = 0.05
    scene.cycles.use_denoising = True
    scene.cycles.max_bounces = 6
    scene.cycles.diffuse_bounces = 2
    scene.cycles.glossy_bounces = 3
    scene.cycles.caustics_reflective = scene.cycles.caustics_refractive = False
    scene.cycles.seed = 1
    scene.view_settings.view_transform = "AgX"
    scene.view_settings.look = "AgX - Medium High Contrast"
    scene.render.resolution_x, scene.render.resolution_y = WIDTH, HEIGHT
    scene.render.resolution_percentage = round(100 * scale)
    scene.render.image_settings.file_format = "PNG"
    scene.render.filepath = str(path)
    bpy.ops.render.render(write_still=True)


def main() -> None:
    """Build, save and render the demonstrations asked for, or all."""
    parser = argparse.ArgumentParser(description="Build and render the demonstration scenes.")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--scale", type=float, default=1.0, help="size of the pictures (default: 1)")
    parser.add_argument("names", nargs="*", help="some demonstrations (default: all)")
    options = parser.parse_args()
    known = {demo.name for demo in SHOWN}
    unknown = set(options.names) - known
    if unknown:
        parser.error(f"no demonstration is called {', '.join(sorted(unknown))}; there are {', '.join(sorted(known))}")
    out = options.out.resolve()
    out.mkdir(parents=True, exist_ok=True)
    blender_addon.register()
    for demo in SHOWN:
        if options.names and demo.name not in options.names:
            continue
        begun = time.perf_counter()
        build(demo)
        render(out / f"{demo.name}_render.png", options.scale)
        bpy.ops.wm.save_as_mainfile(filepath=str(out / f"{demo.name}.blend"), compress=True)
        print(f"{demo.name}: scene and render, {time.perf_counter() - begun:.0f} s", flush=True)


if __name__ == "__main__":
    status = 1
    try:
        main()
        status = 0
    except SystemExit as ended:
        print(ended, file=sys.stderr)
    except BaseException:
        traceback.print_exc()
    finally:  # Blender as a module sometimes does not end by itself
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)
