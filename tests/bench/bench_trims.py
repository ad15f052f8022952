"""How near levels of trim pieces come to the exact surface, against two decimators at the same number of triangles.

    PYTHONPATH=. BLENDER_PYTHON=.venv-blender-4.5/bin/python python tests/bench/bench_trims.py [DESIGN ...]

Prints for the straight piece of each design and each budget the Hausdorff distance to the exact surface, mm, measured
in one way for all by libigl's tree of boxes: 100,000 points and all vertices of either surface. The peers are the
package fast-simplification and Blender's modifier Decimate (with the Python that ``BLENDER_PYTHON`` names, which has
bpy; left out without). They get the same fine mesh, without undersides and open at both ends. They are free to move the
vertices there; ours keep the seam that all pieces of the kit share. Seconds are processor time; for ours they are those
of finding the tolerance for the budget, the seam, the level, and its deviation.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import igl
import numpy as np

from knotgeom.design import Design
from knotgeom.reading import read_file
from knotgeom.trims.budget import tolerance_for
from knotgeom.trims.kit import TrimMesh
from knotgeom.trims.levels import choose_seams, fine_mesh, make_level
from knotgeom.trims.patches import Patches
from knotgeom.trims.pattern import one_repeat, pattern_of
from knotgeom.trims.straights import best_phase, cut_straight

DESIGNS = Path(__file__).resolve().parents[2] / "demo_scenes" / "designs"
NAMES = ("door_frame", "belt_strip", "column_band")
BUDGETS = (4000, 2000, 1000, 500)
POINTS = 100_000

IN_BLENDER = """
import sys, time
import bpy, numpy as np
given = np.load(sys.argv[-2])
places, faces = given["places"], given["faces"]
mesh = bpy.data.meshes.new("fine")
mesh.from_pydata(places.tolist(), [], faces.tolist())
thing = bpy.data.objects.new("fine", mesh)
bpy.context.scene.collection.objects.link(thing)
modifier = thing.modifiers.new("decimate", "DECIMATE")
made = {}
for budget in given["budgets"]:
    begun = time.process_time()
    modifier.ratio = float(budget) / len(faces)
    modifier.use_collapse_triangulate = True
    graph = bpy.context.evaluated_depsgraph_get()
    low = thing.evaluated_get(graph).to_mesh()
    low.calc_loop_triangles()
    made[f"places_{budget}"] = np.array([vertex.co[:] for vertex in low.vertices])
    made[f"faces_{budget}"] = np.array([triangle.vertices[:] for triangle in low.loop_triangles])
    made[f"seconds_{budget}"] = time.process_time() - begun
np.savez(sys.argv[-1], **made)
"""

Surface = tuple[np.ndarray, np.ndarray]


def straight_patches(design: Design) -> Patches:
    """The straight piece of a design on a flat strip."""
    filled = one_repeat(design)
    return cut_straight(pattern_of(filled, best_phase(filled)))


def welded(mesh: TrimMesh) -> Surface:
    """Places and triangles, vertices at the same place as one."""
    places, index = np.unique(mesh.positions, axis=0, return_inverse=True)
    return places, index.ravel()[mesh.triangles].astype(np.int64)


def scattered(surface: Surface, seed: int) -> np.ndarray:
    """Points spread evenly over a surface, and its vertices."""
    places, faces = surface
    corner = places[faces]
    area = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    random = np.random.default_rng(seed)
    row = random.choice(len(faces), POINTS, p=area / area.sum())
    first, second = np.sqrt(random.random(POINTS))[:, None], random.random(POINTS)[:, None]
    share = np.stack([1 - first, first * (1 - second), first * second], 1)
    return np.concatenate([np.einsum("pcx,pcx->px", share, corner[row]), places])


def hausdorff(exact: Surface, level: Surface) -> float:
    """Greatest distance from either to the other."""
    ways = ((exact, level, 1), (level, exact, 2))
    return max(
        float(np.sqrt(igl.point_mesh_squared_distance(scattered(one, seed), *other)[0].max()))
        for one, other, seed in ways
    )


def by_fast_simplification(fine: Surface, budget: int) -> tuple[Surface, float]:
    """At most so many triangles, and seconds."""
    import fast_simplification

    begun = time.process_time()
    places, faces = fast_simplification.simplify(
        fine[0].astype(np.float32), fine[1].astype(np.int32), target_count=budget
    )
    return (places.astype(float), faces.astype(np.int64)), time.process_time() - begun


def by_blender(fine: Surface) -> dict[int, tuple[Surface, float]]:
    """For every budget; nothing where no Blender is named."""
    python = os.environ.get("BLENDER_PYTHON")
    if not python:
        print("BLENDER_PYTHON is not set: no Decimate modifier", file=sys.stderr)
        return {}
    with tempfile.TemporaryDirectory() as folder:
        given, made = Path(folder) / "given.npz", Path(folder) / "made.npz"
        np.savez(given, places=fine[0], faces=fine[1], budgets=np.array(BUDGETS))
        subprocess.run([python, "-c", IN_BLENDER, str(given), str(made)], check=True, stdout=subprocess.DEVNULL)
        read = np.load(made)
        return {
            budget: (
                (read[f"places_{budget}"], read[f"faces_{budget}"].astype(np.int64)),
                float(read[f"seconds_{budget}"]),
            )
            for budget in BUDGETS
        }


def by_us(piece: Patches, budget: int) -> tuple[Surface, float, float]:
    """The level, its deviation as we measure it, and seconds for all of it."""
    begun = time.process_time()
    tolerance = tolerance_for(piece, budget)
    seams = choose_seams([piece], tolerance)
    mesh, off = make_level(piece, tolerance, seams=seams)
    return welded(mesh), off, time.process_time() - begun


def main() -> int:
    """Measure and print one table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("designs", nargs="*", default=NAMES)
    print("| straight piece | triangles | ours, mm | by our measure | s | fast-simplification | s | Decimate | s |")
    print("|-|-|-|-|-|-|-|-|-|")
    for name in parser.parse_args().designs:
        piece = straight_patches(read_file(DESIGNS / f"{name}.interlace.json"))
        exact = welded(fine_mesh(piece))
        blender = by_blender(exact)
        for budget in BUDGETS:
            level, off, seconds = by_us(piece, budget)
            cells = [f"{hausdorff(exact, level):.4f} ({len(level[1])})", f"{off:.4f}", f"{seconds:.2f}"]
            for peer in (by_fast_simplification(exact, budget), blender.get(budget)):
                if peer is None:
                    cells += ["", ""]
                else:
                    cells += [f"{hausdorff(exact, peer[0]):.4f} ({len(peer[0][1])})", f"{peer[1]:.2f}"]
            print(f"| {name}, {len(exact[1])} | {budget} | " + " | ".join(cells) + " |", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
