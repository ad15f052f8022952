"""What it costs to measure least wall and least gap of a finished solid, and what a general-purpose peer takes.

    PYTHONPATH=. python tests/bench/bench_checks.py

Medians of five runs in one process, up to 120,000 places looking both ways; the peer, in the same run, is trimesh's
``proximity.thickness`` by rays from 120 places one way, once.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from functools import partial

import numpy as np
import trimesh

from knotgeom import made
from knotgeom.design import Design, Divide, Grid, Heights, Making
from knotgeom.mesh import all_triangles
from knotgeom.printing.checks import check_bodies
from knotgeom.printing.materials import MATERIALS
from knotgeom.printing.profiles import SHIPPED
from knotgeom.printing.walls import measure

GRIDS = {17: (3, 4), 97: (7, 8)}


def median(work: Callable[[], object], runs: int = 5) -> tuple[float, float]:
    """Median wall-clock and processor seconds."""
    spent, used = [], []
    for _ in range(runs):
        begin, cpu = time.perf_counter(), time.process_time()
        work()
        spent.append(time.perf_counter() - begin)
        used.append(time.process_time() - cpu)
    return statistics.median(spent), statistics.median(used)


def main() -> None:
    print(
        "| crossings, divided | triangles | walls and gaps, s (cpu) | whole check, s (cpu) | 120 rays by trimesh, s |"
    )
    print("|-|-|-|-|-|")
    for crossings, (columns, rows) in GRIDS.items():
        design = Design(Grid(columns, rows, 8.0, 8.0), divide=Divide(all=True), heights=Heights(way=Making.FUSED))
        mesh = made.solid(made.make(design))
        faces = all_triangles(mesh)
        spent, used = median(partial(measure, mesh))
        limits, silver = SHIPPED["lost-wax casting in silver"], MATERIALS["sterling silver"]
        whole, cpu = median(partial(check_bodies, [mesh], limits, silver))
        peer = trimesh.Trimesh(mesh.vertices, faces, process=False)
        point, face = trimesh.sample.sample_surface(peer, 120, seed=1)
        peer.triangles_tree  # noqa: B018 - built before the clock runs
        begin = time.perf_counter()
        trimesh.proximity.thickness(peer, point, normals=peer.face_normals[face], method="ray", exterior=False)
        rays = time.perf_counter() - begin
        print(
            f"| {crossings} | {len(faces):,} | {spent:.2f} ({used:.2f}) | {whole:.2f} ({cpu:.2f}) | {rays:.2f} |",
            flush=True,
        )


if __name__ == "__main__":
    np.seterr(all="ignore")
    main()
