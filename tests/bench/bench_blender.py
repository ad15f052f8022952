"""What a redraw costs in Blender: filling the mesh by attributes against ``foreach_set``, and a whole change.

    PYTHONPATH=. python tests/bench/bench_blender.py      (in an environment with bpy)

Prints one line for each design: milliseconds, medians of several runs in one process.
"""

from __future__ import annotations

import os
import statistics
import sys
import time

import bpy
import numpy as np

import blender_addon
from blender_addon import core, fill, rebuild
from blender_addon.ops_add import new_knot
from knotgeom.design import Design, Divide, Grid
from knotgeom.made import make

GRIDS = {20: (3, 4), 100: (7, 8), 400: (14, 15), 2000: (32, 32)}
"""Columns and rows with about so many crossings."""


def median_ms(work, runs):
    """Median time of ``work()``."""
    times = []
    for _ in range(runs):
        begun = time.perf_counter()
        work()
        times.append(1000 * (time.perf_counter() - begun))
    return statistics.median(times)


def by_foreach_set(target, mesh):
    """The plainest fast way that is documented: three collections, then the edges."""
    corners = np.concatenate([mesh.quads.reshape(-1), mesh.triangles.reshape(-1)]).astype(np.int32)
    starts = np.concatenate(
        [np.arange(len(mesh.quads)) * 4, 4 * len(mesh.quads) + np.arange(len(mesh.triangles)) * 3]
    ).astype(np.int32)
    target.clear_geometry()
    target.vertices.add(len(mesh.vertices))
    target.loops.add(len(corners))
    target.polygons.add(len(starts))
    target.vertices.foreach_set("co", (mesh.vertices * 0.001).astype(np.float32).reshape(-1))
    target.loops.foreach_set("vertex_index", corners)
    target.polygons.foreach_set("loop_start", starts)
    target.update(calc_edges=True)


def anew(target, mesh):
    """Fill with everything the add-on writes, as after a change of the layout."""
    target.clear_geometry()
    fill.fill(target, mesh, 0.001)


def measure(design):
    """One line for one design."""
    bpy.ops.wm.read_homefile(use_empty=True)
    made = make(design)
    mesh, crossings, divided = made.mesh, made.facts["crossings"], design.divide.all
    if mesh is None:
        return f"{crossings:9}  {divided!s:7}  no mesh: {made.findings[:1]}"
    runs = 9 if crossings < 300 else 3
    target = bpy.data.meshes.new("Bench")
    making = median_ms(lambda: make(design), runs)
    plain = median_ms(lambda: by_foreach_set(target, mesh), runs)
    fresh = median_ms(lambda: anew(target, mesh), runs)
    again = median_ms(lambda: fill.fill(target, mesh, 0.001), runs)
    obj = new_knot(bpy.context, design, "Bench")
    thick = iter(np.linspace(0.0012, 0.0013, runs))
    whole = median_ms(lambda: setattr(obj.relief_knot, "thickness", next(thick)), runs)
    assert not obj.relief_knot.error, obj.relief_knot.error
    faces = len(mesh.quads) + len(mesh.triangles)
    times = f"{making:5.0f}  {plain:11.2f}  {fresh:9.2f}  {again:10.2f}  {whole:8.0f}"
    return f"{crossings:9}  {divided!s:7}  {faces:6} {times}"


def main():
    """Measure and print."""
    blender_addon.register()
    rebuild.LIVE_CROSSINGS = 10_000
    print(f"Blender {bpy.app.version_string}, NumPy {np.__version__}; milliseconds")
    print("crossings  divided   faces  make  foreach_set  fill anew  fill again  whole change of thickness")
    for columns, rows in GRIDS.values():
        for divided in (False, True):
            print(measure(Design(Grid(columns, rows, 10.0, 10.0), divide=Divide(all=divided))), flush=True)
    sys.stdout.flush()
    os._exit(0)


if __name__ == "__main__":
    assert core.made.make is make
    main()
