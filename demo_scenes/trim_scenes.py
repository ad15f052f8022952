"""Builds a scene of each trim kit as a game artist would, from its kit.glb alone, and renders it; in Blender's Python.

``python demo_scenes/trim_scenes.py --out FOLDER [NAME ...]``; FOLDER holds the kits that the command line wrote. A door
frame is set together from straights, corners and caps by their ports, a belt and a band are one straight piece under
the modifiers Array and Curve. Lengths here are mm; the scene is in metres.
"""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path

import bpy
from mathutils import Euler, Matrix, Vector

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import staging
from demos import TRIMMED, Demo
from materials import MM, Nodes, metal, mm, plain, stone, wood
from staging import around, box, camera, floor, lamp, mesh_object, sky, stud, tube

LEVEL = 1
"""Which level is shown, with its map of normals."""


class Kit:
    """The pieces of a kit.glb as objects that copies are taken from."""

    def __init__(self, folder: Path) -> None:
        bpy.ops.preferences.addon_enable(module="io_scene_gltf2")
        bpy.ops.import_scene.gltf(filepath=str(folder / "kit.glb"))
        self.report = json.loads((folder / "report.json").read_text(encoding="utf-8"))
        self.folder = folder
        self.models = {}
        for obj in list(bpy.data.objects):
            if obj.get("level") == LEVEL:
                self.models[obj["piece"]] = obj
            bpy.context.collection.objects.unlink(obj)

    def facts(self, name: str) -> dict:
        """What the report says of a piece."""
        return next(one for one in self.report["pieces"] if one["name"] == name)

    def length(self, name: str = "straight") -> float:
        """From port to port of a straight piece, mm."""
        one, other = (port["at_mm"] for port in self.facts(name)["ports"])
        return math.dist(one, other)

    def put(self, name: str, material) -> bpy.types.Object:
        """A copy of a piece at the origin; copies of one piece share their mesh."""
        obj = self.models[name].copy()
        obj.location = (0, 0, 0)
        obj.rotation_mode = "XYZ"
        obj.rotation_euler = (0, 0, 0)
        obj.data.materials.clear()
        obj.data.materials.append(material)
        bpy.context.collection.objects.link(obj)
        return obj

    def baked(self, name: str, colour, hollow, metallic: float, roughness: float):
        """A material that wears the kit's maps: bright on top, another colour in hollows, its normals."""
        n = Nodes(name)
        packed = n.add("TexImage", {"image": self._image("packed.png")})
        parts = n.add("SeparateColor", Color=packed.outputs["Color"])
        open_ = parts.outputs["Red"]
        cloud = n.noise(n.place(), 0.08, 4.0)
        mixed = n.add("Math", {"operation": "MULTIPLY_ADD"})
        n.put(mixed.inputs[0], cloud)
        mixed.inputs[1].default_value = 0.3
        n.put(mixed.inputs[2], open_)
        mask = n.ramp(mixed.outputs[0], (0.55, (0, 0, 0)), (1.05, (1, 1, 1)))
        rough = n.add("Math", {"operation": "MULTIPLY"})
        n.put(rough.inputs[0], parts.outputs["Green"])
        rough.inputs[1].default_value = roughness
        n.set(Base_Color=n.mix(mask, hollow, colour), Metallic=metallic, Roughness=rough.outputs[0])
        normals = n.add("TexImage", {"image": self._image(f"normal-lod{LEVEL}.png")})
        turn = n.add("NormalMap", Color=normals.outputs["Color"])
        n.set(Normal=turn.outputs["Normal"])
        return n.material

    def _image(self, name: str):
        image = bpy.data.images.load(str(self.folder / name), check_existing=True)
        image.colorspace_settings.name = "Non-Color"
        return image


class Run:
    """Pieces one after another, each where the one before ends."""

    def __init__(self, kit: Kit, x: float, y: float, heading: float, material) -> None:
        self.kit, self.material = kit, material
        self.at, self.heading = Vector((x, y)), heading

    def add(self, name: str, count: int = 1) -> Run:
        """Put pieces; the run goes on from their port ahead."""
        for _ in range(count):
            obj = self.kit.put(name, self.material)
            obj.location = mm(self.at.x, self.at.y, 0)
            obj.rotation_euler = Euler((0, 0, math.radians(self.heading)))
            ports = self.kit.facts(name)["ports"]
            ahead = next((port for port in ports if port["ahead"]), None)
            if ahead is not None and len(ports) > 1:
                turn = math.radians(self.heading)
                x, y = ahead["at_mm"]
                self.at += Vector((x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn)))
                self.heading += (ahead["heading_degrees"] + 180) % 360 - 180
        return self


def arrayed(kit: Kit, count: int, curve: bpy.types.Object, material, upright: bool) -> bpy.types.Object:
    """The straight piece, repeated by the modifier Array and bent along a curve."""
    obj = kit.put("straight", material)
    if upright:  # the relief looks outward, not up
        obj.data = obj.data.copy()
        obj.data.transform(Matrix.Rotation(-math.pi / 2, 4, "X"))
    array = obj.modifiers.new("Array", "ARRAY")
    array.use_relative_offset = False
    array.use_constant_offset = True
    array.constant_offset_displace = (kit.length() * MM, 0, 0)
    array.count = count
    bend = obj.modifiers.new("Curve", "CURVE")
    bend.object = curve
    return obj


def door_frame(kit: Kit) -> None:
    """A portal: the trim up one jamb, over the door and down the other."""
    wide, high = kit.report["height_mm"], 0.0
    gilt = kit.baked("Gilt Bronze", (0.80, 0.55, 0.24), (0.05, 0.06, 0.045), 1.0, 0.45)
    corner = kit.facts("corner-outer-090")["ports"][1]["at_mm"]
    reach = abs(corner[0])
    up, over = 8, 3
    span = 2 * reach + over * kit.length()
    top = up * kit.length() + abs(corner[1])
    run = Run(kit, -span / 2, 0, 90, gilt)
    run.add("cap-behind").add("straight", up).add("corner-outer-090").add("straight", over)
    run.add("corner-outer-090").add("straight", up).add("cap-ahead")
    granite = stone("Door Stone", (0.26, 0.27, 0.29), (0.15, 0.155, 0.17), 5.0)
    half, low = span / 2, -0.9 * wide
    band = 0.72 * wide
    for side in (-1, 1):
        box("Jamb", (side * half - band, low, -90), (side * half + band, top - band - 3, -1.0), granite, 6)
        box(
            "Plinth", (side * half - 1.15 * band, low - 160, -120), (side * half + 1.15 * band, low - 4, 26), granite, 8
        )
    box("Lintel", (-half - band, top - band, -90), (half + band, top + band, high - 1.0), granite, 6)
    oak = wood("Door Oak", (0.16, 0.085, 0.042), (0.075, 0.038, 0.02), size=5, upright=True)
    inner = half - band
    planks = 5
    for k in range(planks):
        left = -inner + 2 * inner * k / planks
        box("Plank", (left + 2, low - 160, -190), (left + 2 * inner / planks - 2, top - band, -120), oak, 5)
    iron = metal("Iron", (0.16, 0.16, 0.17), (0.03, 0.028, 0.026), 20, 0.45)
    for y in (0.2 * top, 0.78 * top):
        box("Strap", (-inner, y - 30, -120), (inner - 60, y + 30, -108), iron, 4)
        for k in range(planks):
            stud(-inner + 2 * inner * (k + 0.5) / planks, y, -108, 16, iron)
    wall = stone("Wall Stone", (0.22, 0.215, 0.21), (0.13, 0.13, 0.135), 9.0)
    outer = half + band
    for j in range(-3, 12):
        y = low - 160 + 210 * j
        for k in range(-4, 5):
            x = k * 430 + (215 if j % 2 else 0)
            left, right = x - 212, x + 212
            if y < top + band:
                left, right = (left, min(right, -outer - 3)) if x < 0 else (max(left, outer + 3), right)
            if right - left > 30:
                depth = -46 - 9 * ((j * 7 + k * 5) % 3)
                low_y = (
                    max(y + 3, top + band + 3)
                    if y < top + band < y + 210 and left > -outer and right < outer
                    else y + 3
                )
                box("Wall", (left, low_y, -200), (right, y + 207, depth), wall, 9)
    sky((0.6, 0.72, 1.0), 0.2)
    middle = 0.52 * top
    lamp("Torch", (-1300, 0.9 * top, 1100), 320, 15, (1.0, 0.70, 0.42), (0, middle, 0))
    lamp("Moon", (1500, 1.3 * top, 1500), 700, 7, (0.66, 0.8, 1.0), (0, middle, 0))
    camera((420, 0.16 * top, 3400), (0, middle, 0), 50, 4.0, (0, middle, 0), up=(0.0, 1.0, 0.0))


def belt_strip(kit: Kit) -> None:
    """A belt on a table, the trim along it from cap to cap."""
    bronze = kit.baked("Bronze", (0.72, 0.46, 0.22), (0.06, 0.05, 0.035), 1.0, 0.5)
    curve = tube("Lay", [(-170, -30, 0), (-60, 22, 0), (60, -22, 0), (185, 30, 0)], 0.0, bronze)
    curve.data.bevel_depth = 0.0
    count = 4
    arrayed(kit, count, curve, bronze, upright=False).location = mm(20, 0, 0)
    for name, x in (("cap-behind", 20.0), ("cap-ahead", 20.0 + count * kit.length())):
        cap = kit.put(name, bronze)
        cap.location = mm(x, 0, 0)
        cap.modifiers.new("Curve", "CURVE").object = curve
    leather = plain("Leather", (0.13, 0.055, 0.026), 0.6, 0.6, 0.5)
    half, thick, steps = 0.72 * kit.report["height_mm"], 3.0, 160
    rows = [
        (x, y, z)
        for x in (400.0 * k / steps for k in range(steps + 1))
        for y, z in (
            (-half, -thick),
            (half, -thick),
            (half, -0.6),
            (half - 0.8, 0.0),
            (-half + 0.8, 0.0),
            (-half, -0.6),
        )
    ]
    faces = [
        (6 * k + i, 6 * k + 6 + i, 6 * k + 6 + (i + 1) % 6, 6 * k + (i + 1) % 6) for k in range(steps) for i in range(6)
    ]
    strap = mesh_object("Strap", rows, [tuple(reversed(face)) for face in faces], leather)
    strap.modifiers.new("Curve", "CURVE").object = curve
    floor(wood("Table", (0.17, 0.10, 0.055), (0.09, 0.05, 0.027), size=1.2), -thick - 0.2, 3000)
    sky((0.8, 0.88, 1.0), 0.25)
    lamp("Window", (-240, 200, 170), 120, 24, (1.0, 0.92, 0.8))
    lamp("Fill", (260, -140, 220), 160, 5, (0.8, 0.9, 1.0))
    camera(around(300, 50, 10), (2, -2, 0), 62, 8.0)


def column_band(kit: Kit) -> None:
    """A band round a column."""
    count = 9
    radius = count * kit.length() / (2 * math.pi)
    half = kit.report["height_mm"] / 2
    pale = kit.baked("Painted Stone", (0.62, 0.46, 0.24), (0.16, 0.10, 0.06), 0.0, 1.0)
    bpy.ops.curve.primitive_bezier_circle_add(radius=radius * MM)
    circle = bpy.context.object
    circle.data.resolution_u = 96
    arrayed(kit, count, circle, pale, upright=True)
    shaft = stone("Shaft", (0.40, 0.37, 0.33), (0.27, 0.25, 0.225), 6.0)

    def drum(name: str, out: float, low: float, high: float) -> None:
        bpy.ops.mesh.primitive_cylinder_add(
            vertices=160, radius=(radius + out) * MM, depth=(high - low) * MM, location=mm(0, 0, (low + high) / 2)
        )
        obj = bpy.context.object
        obj.name = name
        obj.data.materials.append(shaft)
        bevel = obj.modifiers.new("Eased Edges", "BEVEL")
        bevel.width, bevel.segments = 6 * MM, 3
        bpy.ops.object.shade_smooth()
        obj.modifiers.new("Edges", "EDGE_SPLIT")

    drum("Ground", kit.report["lowest_mm"], -half, half)
    for sign in (-1, 1):
        drum("Fillet", kit.report["highest_mm"] + 6, *sorted((sign * (half + 4), sign * (half + 34))))
        drum("Shaft", -12.0, *sorted((sign * (half + 34), sign * (half + 900))))
        bpy.ops.mesh.primitive_torus_add(
            major_radius=(radius + 4) * MM,
            minor_radius=15 * MM,
            major_segments=160,
            minor_segments=24,
            location=mm(0, 0, sign * (half + 52)),
        )
        bpy.context.object.data.materials.append(shaft)
        bpy.ops.object.shade_smooth()
    wall = stone("Wall Stone", (0.13, 0.125, 0.12), (0.08, 0.078, 0.078), 9.0)
    for j in range(-5, 6):
        for k in range(-5, 6):
            x, z = k * 420 + (210 if j % 2 else 0), j * 220
            box("Wall", (x - 207, 1100, z - 107), (x + 207, 1300 + 8 * ((3 * j + k) % 3), z + 107), wall, 9)
    sky((0.62, 0.74, 1.0), 0.2)
    lamp("Torch", (-900, -900, 500), 260, 16, (1.0, 0.74, 0.48))
    lamp("Sky Light", (1000, -500, 900), 600, 6, (0.7, 0.82, 1.0))
    camera((180, -1450, 200), (0, 0, 0), 66, 8.0, (0, -radius, 0))


SCENES = {scene.__name__: scene for scene in (door_frame, belt_strip, column_band)}
"""How each kit is shown, by the name of its demonstration."""


def build(demo: Demo, out: Path) -> None:
    """Start an empty file, take the kit in and dress the scene."""
    bpy.ops.wm.read_homefile(use_empty=True)
    SCENES[demo.name](Kit(out / demo.name))


if __name__ == "__main__":
    staging.run("Build and render scenes of trim kits.", TRIMMED, build)
