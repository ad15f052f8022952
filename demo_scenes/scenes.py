"""Builds a scene round each demonstration design with the add-on, saves it and renders it; runs in Blender's Python.

``python demo_scenes/scenes.py --out FOLDER [NAME ...]``

The knot itself comes from its design file through the add-on's own import and stays editable on its object. All the
rest (boards, cord, door, light) is dressing. Lengths here are mm; the scene is in metres.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import bpy
from mathutils import Euler, Vector

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import staging
from demos import DEMOS, SHAPED, Demo
from materials import MM, Nodes, metal, mm, painted, plain, stone, wood
from staging import around, box, camera, floor, lamp, sky, stud, sunk_board, tube

import blender_addon
from knotgeom.design import Panel, Ring, Strip

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


SCENES = {
    scene.__name__: scene
    for scene in (
        chest_panel,
        mirror_frame,
        hearth_tile,
        cross_pendant,
        belt_mount,
        linked_charm,
        door_trim,
        painted_boss,
        ring_pendant,
        bangle,
        four_panel,
        shield_boss,
        plaque_border,
    )
}
"""How each knot is shown, by the name of its demonstration."""

SHOWN = tuple(demo for demo in (*DEMOS, *SHAPED) if demo.name in SCENES)
"""Demonstrations that have a scene."""


def build(demo: Demo, _out: Path) -> None:
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
    SCENES[demo.name](knot)
    bpy.ops.object.select_all(action="DESELECT")
    knot.select_set(True)
    bpy.context.view_layer.objects.active = knot


if __name__ == "__main__":
    blender_addon.register()
    staging.run("Build and render the demonstration scenes.", SHOWN, build)
