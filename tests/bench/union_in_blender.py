"""Unite sets of strand pieces by Blender's Boolean modifier; the peer in ``bench_printing.py``, run inside bpy.

``python tests/bench/union_in_blender.py pieces.npz runs`` with arrays ``vertices`` (n, 3), ``faces`` (t, 3) and, for
each face its set, ``kind`` (t,). Prints Blender's version, the solver, of each run the seconds on the clock and of the
processor, and the triangles that come out.
"""

import os
import sys
import time

import bpy
import numpy as np


def body(name, vertices, faces):
    """An object of some triangles."""
    used, numbered = np.unique(faces, return_inverse=True)
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(vertices[used].tolist(), [], np.reshape(numbered, (-1, 3)).tolist())
    made = bpy.data.objects.new(name, mesh)
    bpy.context.scene.collection.objects.link(made)
    return made


def main():
    """Unite as often as asked; only what the modifier takes is timed."""
    held = np.load(sys.argv[1])
    known = bpy.types.BooleanModifier.bl_rna.properties["solver"].enum_items
    solver = "MANIFOLD" if "MANIFOLD" in known else "EXACT"
    seconds, count = [], 0
    for _ in range(int(sys.argv[2])):
        bpy.ops.wm.read_homefile(use_empty=True)
        sets = [body(str(k), held["vertices"], held["faces"][held["kind"] == k]) for k in np.unique(held["kind"])]
        begun, used = time.perf_counter(), time.process_time()
        for other in sets[1:]:
            modifier = sets[0].modifiers.new("Union", "BOOLEAN")
            modifier.operation, modifier.object, modifier.solver = "UNION", other, solver
        graph = bpy.context.evaluated_depsgraph_get()
        mesh = sets[0].evaluated_get(graph).to_mesh()
        mesh.calc_loop_triangles()
        seconds += [time.perf_counter() - begun, time.process_time() - used]
        count = len(mesh.loop_triangles)
    print("Blender", bpy.app.version_string, solver, *(f"{one:.4f}" for one in seconds), count, flush=True)
    os._exit(0)


if __name__ == "__main__":
    main()
