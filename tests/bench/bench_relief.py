"""What a relief costs: the height map from the design, its memory, the solid board and the files.

    PYTHONPATH=. python tests/bench/bench_relief.py

Peers in the same run: NumPy copying an array of the same size (the floor), and Intel's Embree casting one ray down for
every pixel onto the finished solid board (embreex; building its tree is timed by itself).
"""

from __future__ import annotations

import resource
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene

from knotgeom.carving import files
from knotgeom.carving.field import heights, panel_field, surface_of
from knotgeom.carving.options import Carving
from knotgeom.carving.panel import plan_panel
from knotgeom.carving.relief import carve
from knotgeom.carving.surface import Grid
from knotgeom.design import Breaks, Design, Site, Strand
from knotgeom.design import Grid as Cells

SIDE = 2048
PANEL = Design(Cells(11, 7, 24.0, 24.0), Breaks(vertical=(Site(4, 3), Site(18, 3))), strand=Strand(width=10.0))
BOARD = Carving(board=(300.0, 200.0, 20.0), depth=6.0, resolution=0.1)


def seconds(work: Callable[[], object], runs: int = 5) -> float:
    """Median time of ``work()``."""
    times = []
    for _ in range(runs):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    return statistics.median(times)


def peak() -> float:
    """The most memory that this process has had so far, MiB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    """Measure and print."""
    before = peak()
    panel = plan_panel(PANEL, BOARD)
    plan = seconds(lambda: plan_panel(PANEL, BOARD))
    base = peak()
    field = panel_field(panel, 0.1)
    top = peak()
    cells = field.z.size
    took = seconds(lambda: panel_field(panel, 0.1))
    copied = seconds(field.z.copy)
    print(f"300 x 200 mm at 0.1 mm: plan {plan:.2f} s, map {took:.2f} s, {cells / took / 1e6:.1f} M cells/s")
    print(f"NumPy copies the map at {cells / copied / 1e6:.0f} M cells/s; ratio {took / copied:.0f}")
    print(
        f"memory: {before:.0f} MiB at the start, {base:.0f} planned, {top:.0f} with the map of {4 * cells / 2**20:.0f}"
    )
    whole = seconds(lambda: carve(PANEL, BOARD), 1)
    relief = carve(PANEL, BOARD)
    print(f"map, mesh of {len(relief.mesh.triangles):,} triangles and deviations: {whole:.1f} s, peak {peak():.0f} MiB")
    print(f"deviation of the map {relief.map_deviation.facts}, of the mesh {relief.mesh_deviation.facts}")
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        files.write(Path(folder) / "out", relief)
        print(f"files, with what tools reach: {time.perf_counter() - begun:.1f} s, peak {peak():.0f} MiB")

    dx, dy = (side / (SIDE + 1) for side in (panel.length, panel.width))
    grid = Grid(panel.left + dx, panel.top - dy, dx, dy, SIDE, SIDE)
    triangles = relief.mesh.vertices[relief.mesh.triangles].astype(np.float32)
    origin = np.stack([*np.meshgrid(grid.x, grid.y), np.full((SIDE, SIDE), 5.0)], 2).reshape(-1, 3).astype(np.float32)
    down = np.tile(np.float32([0, 0, -1]), (len(origin), 1))

    def built() -> EmbreeScene:
        scene = EmbreeScene()
        TriangleMesh(scene, triangles)
        scene.run(origin[:1], down[:1])  # the tree is built with the first ray
        return scene

    rows = []
    for _ in range(5):  # in turn, so that what else the machine does falls on both
        begun = time.perf_counter()
        mapped = heights(surface_of(panel), grid)
        middle = time.perf_counter()
        scene = built()
        ready = time.perf_counter()
        hit = 5 - scene.run(origin, down, query="DISTANCE").reshape(SIDE, SIDE)
        rows.append((middle - begun, ready - middle, time.perf_counter() - ready))
    ours, tree, rays = (statistics.median(column) for column in zip(*rows, strict=True))
    print(f"{SIDE} x {SIDE}: map from the planned design {ours * 1000:.0f} ms, planning it {plan * 1000:.0f} ms")
    print(f"Embree on the finished mesh: tree {tree * 1000:.0f} ms, rays {rays * 1000:.0f} ms")
    print(f"rays / map {rays / ours:.1f}; (tree + rays) / (plan + map) {(tree + rays) / (plan + ours):.1f}")
    off = np.abs(hit - mapped)
    print(f"map against rays: greatest {off.max():.3f} mm, mean {off.mean():.5f} mm")


if __name__ == "__main__":
    main()
