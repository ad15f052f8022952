"""What a relief costs: planning the board, the height map, the solid board with its deviations.

    PYTHONPATH=. python tests/bench/bench_relief.py

NumPy copying an array of the same size is the floor; the peer is Intel's Embree casting one ray down for every pixel
onto the finished solid board (embreex), with building its tree. The files are written too where the script runs by
itself, and the most memory of the process is printed.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from beside import Row, beside, main, median_ms
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene

from knotgeom.carving import files
from knotgeom.carving.field import heights, panel_field, surface_of
from knotgeom.carving.filling import Grid
from knotgeom.carving.options import Carving
from knotgeom.carving.panel import plan_panel
from knotgeom.carving.relief import carve
from knotgeom.design import Breaks, Design, Site, Strand
from knotgeom.design import Grid as Cells

SIDE = 2048
PANEL = Design(Cells(11, 7, 24.0, 24.0), Breaks(vertical=(Site(4, 3), Site(18, 3))), strand=Strand(width=10.0))
BOARD = Carving(board=(300.0, 200.0, 20.0), depth=6.0, resolution=0.1)


def rows() -> list[Row]:
    """All of them."""
    panel = plan_panel(PANEL, BOARD)
    field = panel_field(panel, 0.1)
    copied, name = median_ms(field.z.copy), "copy the map, NumPy"
    cells = f"{field.z.size / 1e6:.0f} M cells"
    relief = carve(PANEL, BOARD)
    found = [
        Row("plan a relief's board", median_ms(lambda: plan_panel(PANEL, BOARD)), copied, name, "floor"),
        Row(f"height map, {cells}", median_ms(lambda: panel_field(panel, 0.1)), copied, name, "floor"),
        Row(
            f"map, board of {len(relief.mesh.triangles):,} triangles, deviations",
            median_ms(lambda: carve(PANEL, BOARD)),
            copied,
            name,
            "floor",
        ),
    ]
    dx, dy = (side / (SIDE + 1) for side in (panel.length, panel.width))
    grid = Grid(panel.left + dx, panel.top - dy, dx, dy, SIDE, SIDE)
    triangles = relief.mesh.vertices[relief.mesh.triangles].astype(np.float32)
    origin = np.stack([*np.meshgrid(grid.x, grid.y), np.full((SIDE, SIDE), 5.0)], 2).reshape(-1, 3).astype(np.float32)
    down = np.tile(np.float32([0, 0, -1]), (len(origin), 1))

    def rays() -> object:
        scene = EmbreeScene()
        TriangleMesh(scene, triangles)
        return scene.run(origin, down, query="DISTANCE")

    what = f"height map, {SIDE} x {SIDE}, planned board"
    found.append(beside(what, lambda: heights(surface_of(panel), grid), rays, "Embree on the finished board"))
    return found


if __name__ == "__main__":
    main(rows)
    if len(sys.argv) == 1:
        with tempfile.TemporaryDirectory() as folder:
            begun = time.process_time()
            files.write(Path(folder) / "out", carve(PANEL, BOARD))
            print(f"\nfiles, with what tools reach: {time.process_time() - begun:.1f} s")
        print(f"most memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")
