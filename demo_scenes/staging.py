"""What demonstration scenes are staged with: boards and boxes, light, a camera, the render, and the work itself."""

from __future__ import annotations

import argparse
import math
import os
import sys
import time
import traceback
from collections.abc import Callable
from pathlib import Path

import bpy
from demos import Demo
from materials import MM, mm
from mathutils import Matrix, Vector

WIDTH, HEIGHT = 480, 360
SAMPLES = 16


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


def stud(x: float, y: float, z: float, radius: float, material) -> None:
    """A domed boss or nail head."""
    bpy.ops.mesh.primitive_uv_sphere_add(radius=radius * MM, location=mm(x, y, z), segments=40, ring_count=20)
    obj = bpy.context.object
    obj.scale.z = 0.45
    obj.data.materials.append(material)
    bpy.ops.object.shade_smooth()


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


def make(description: str, demos: tuple[Demo, ...], build: Callable[[Demo, Path], None]) -> None:
    """Build, save and render the demonstrations asked for on the command line, or all."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--scale", type=float, default=1.0, help="size of the pictures (default: 1)")
    parser.add_argument("names", nargs="*", help="some demonstrations (default: all)")
    options = parser.parse_args()
    known = {demo.name for demo in demos}
    unknown = set(options.names) - known
    if unknown:
        parser.error(f"no demonstration is called {', '.join(sorted(unknown))}; there are {', '.join(sorted(known))}")
    out = options.out.resolve()
    out.mkdir(parents=True, exist_ok=True)
    for demo in demos:
        if options.names and demo.name not in options.names:
            continue
        begun = time.perf_counter()
        build(demo, out)
        render(out / f"{demo.name}_render.png", options.scale)
        bpy.ops.wm.save_as_mainfile(filepath=str(out / f"{demo.name}.blend"), compress=True)
        print(f"{demo.name}: scene and render, {time.perf_counter() - begun:.0f} s", flush=True)


def run(description: str, demos: tuple[Demo, ...], build: Callable[[Demo, Path], None]) -> None:
    """:func:`make`, and the end of the process: Blender as a module sometimes does not end by itself."""
    status = 1
    try:
        make(description, demos, build)
        status = 0
    except SystemExit as ended:
        print(ended, file=sys.stderr)
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)
