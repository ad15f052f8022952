"""What a redraw costs in Blender: filling the mesh by attributes against ``foreach_set``, and a whole change.

    PYTHONPATH=. python tests/bench/bench_blender.py      (in an environment with bpy)

The peer of filling is ``foreach_set`` alone, the plainest fast way that is documented; of a whole change that and
making the design. 97 crossings stand beside what was aimed at too.
"""

from __future__ import annotations

import os
import sys

import bpy
import numpy as np
from beside import Row, main, median_ms

import blender_addon
from blender_addon import core, fill, rebuild
from blender_addon.ops_add import new_knot
from knotgeom.design import Design, Divide, Grid
from knotgeom.made import make

GRIDS = {97: (7, 8), 391: (14, 15)}
"""Columns and rows with so many crossings."""
AIM = 100.0
"""Milliseconds that a change of 97 crossings was to take."""


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


def measure(crossings, divided):
    """The rows of one design."""
    bpy.ops.wm.read_homefile(use_empty=True)
    design = Design(Grid(*GRIDS[crossings], 10.0, 10.0), divide=Divide(all=divided))
    mesh = make(design).mesh
    target = bpy.data.meshes.new("Bench")
    making = median_ms(lambda: make(design))
    plain = median_ms(lambda: by_foreach_set(target, mesh))
    fresh = median_ms(lambda: anew(target, mesh))
    again = median_ms(lambda: fill.fill(target, mesh, 0.001))
    obj = new_knot(bpy.context, design, "Bench")
    thick = iter(np.linspace(0.0012, 0.0013, 20))
    whole = median_ms(lambda: setattr(obj.relief_knot, "thickness", next(thick)))
    assert not obj.relief_knot.error, obj.relief_knot.error
    what = f"{crossings} crossings {'divided' if divided else 'whole'}, {len(mesh.quads) + len(mesh.triangles):,} faces"
    version = f"Blender {bpy.app.version_string.split()[0]}"
    name = f"foreach_set, {version}"
    found = [
        Row(f"fill a Blender mesh anew, {what}", fresh, plain, name, "peer"),
        Row(f"fill it again with the same faces, {what}", again, plain, name, "peer"),
        Row(f"change of thickness, {what}", whole, making + plain, f"making it and {name}", "peer"),
    ]
    if crossings == 97 and not divided:
        found.append(Row(f"change of thickness, {what}", whole, AIM, f"set beforehand, {version}", "aim"))
    return found


def rows():
    """All designs."""
    blender_addon.register()
    rebuild.LIVE_CROSSINGS = 10_000
    return [row for crossings in GRIDS for divided in (False, True) for row in measure(crossings, divided)]


if __name__ == "__main__":
    assert core.made.make is make
    main(rows)
    sys.stdout.flush()
    os._exit(0)
