"""What it costs to measure least wall and least gap of a finished solid, and what a general-purpose peer takes.

    PYTHONPATH=. python tests/bench/bench_checks.py

Up to 120,000 places look both ways; the peer is trimesh's ``proximity.thickness`` by rays from 120 places one way,
once, its time scaled to 120,000.
"""

from __future__ import annotations

import time
from functools import partial

import numpy as np
import trimesh
from beside import Row, main, median_ms

from knotgeom import made
from knotgeom.design import Design, Divide, Grid, Heights, Making
from knotgeom.mesh import all_triangles
from knotgeom.printing.checks import check_bodies
from knotgeom.printing.materials import MATERIALS
from knotgeom.printing.profiles import SHIPPED
from knotgeom.printing.walls import measure

GRIDS = {17: (3, 4), 97: (7, 8)}


def rows() -> list[Row]:
    """One for each size."""
    np.seterr(all="ignore")
    found = []
    for crossings, (columns, rows) in GRIDS.items():
        design = Design(Grid(columns, rows, 8.0, 8.0), divide=Divide(all=True), heights=Heights(way=Making.FUSED))
        mesh = made.solid(made.make(design))
        faces = all_triangles(mesh)
        peer = trimesh.Trimesh(mesh.vertices, faces, process=False)
        point, face = trimesh.sample.sample_surface(peer, 120, seed=1)
        peer.triangles_tree  # noqa: B018 - built before the clock runs
        begin = time.process_time()
        trimesh.proximity.thickness(peer, point, normals=peer.face_normals[face], method="ray", exterior=False)
        rays = 1000 * 1000 * (time.process_time() - begin)
        what = f"{crossings} crossings divided, {len(faces):,} triangles"
        name = "trimesh thickness, 120 rays scaled to 120,000"
        found.append(Row(f"walls and gaps of {what}", median_ms(partial(measure, mesh)), rays, name, "peer"))
        limits, silver = SHIPPED["lost-wax casting in silver"], MATERIALS["sterling silver"]
        whole = median_ms(partial(check_bodies, [mesh], limits, silver))
        found.append(Row(f"all checks of {what}", whole, rays, name, "peer"))
    return found


if __name__ == "__main__":
    main(rows)
