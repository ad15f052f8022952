"""One table of what we write ourselves beside the floor it cannot go below and beside a general-purpose peer.

    PYTHONPATH=. python tests/bench/bench_table.py

The ratio comes first: how many times the floor ours takes, or how many times as long as ours the peer. Medians of five
runs each, ours and theirs in turn, so that what else the machine does falls on both.
"""

from __future__ import annotations

import math
import resource
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from bench_core import GRIDS, ring, slope_by_highs
from bench_reach import board, scipy_seconds

from knotgeom import made
from knotgeom.carving.cutters import Cutter
from knotgeom.carving.field import panel_field
from knotgeom.carving.reach import reach
from knotgeom.design import Design, Divide, Grid, Making, Strand
from knotgeom.heights import Lines, find_stretches, slope_constraints
from knotgeom.mesh import all_triangles
from knotgeom.raster import height_buffer, window_of
from knotgeom.sizing import sizes
from knotgeom.slopes import least_slope
from knotgeom.sweep import sweep

RUNS = 5


@dataclass(frozen=True)
class Row:
    """A line of the table; times in milliseconds."""

    what: str
    ours: float
    other: float
    name: str
    floor: bool

    @property
    def ratio(self) -> str:
        """Ours over a floor, a peer over ours."""
        return f"{self.ours / self.other:.1f} floors" if self.floor else f"{self.other / self.ours:.1f} x"


def beside(
    what: str, ours: Callable[[], object], other: Callable[[], object], name: str, *, floor: bool = False
) -> Row:
    """Time both in turn."""
    ours(), other()
    times: tuple[list[float], list[float]] = ([], [])
    for _ in range(RUNS):
        for kept, work in zip(times, (ours, other), strict=True):
            begun = time.perf_counter()
            work()
            kept.append(1000 * (time.perf_counter() - begun))
    return Row(what, statistics.median(times[0]), statistics.median(times[1]), name, floor)


def sweeps() -> list[Row]:
    """The sweep against allocating and copying what it makes, and against trimesh."""
    import shapely.geometry
    import trimesh

    strand, size = Strand(width=4.0), sizes(Design(Grid(1, 1, 10.0, 10.0), strand=Strand(width=4.0)))
    rows = []
    for points in (10_000, 100_000):
        courses, lanes, z = ring(points)
        mesh = sweep(courses, lanes, z, strand, size, Making.FUSED)
        arrays = [mesh.vertices, mesh.quads, mesh.quad_uv, mesh.quad_strand]
        corners = len(mesh.quads) // points
        circle = np.linspace(0, 2 * np.pi, corners, endpoint=False)
        polygon = shapely.geometry.Polygon(np.stack([2 * np.cos(circle), 0.6 * np.sin(circle)], 1))
        path = np.column_stack([courses.point, z])
        path = np.vstack([path, path[:1]])

        def ours(c=courses, n=lanes, h=z) -> object:  # type: ignore[no-untyped-def]
            return sweep(c, n, h, strand, size, Making.FUSED)

        def copied(arrays: list[np.ndarray] = arrays) -> object:
            return [np.copyto(np.empty_like(array), array) for array in arrays]

        def theirs(polygon: object = polygon, path: np.ndarray = path) -> object:
            return trimesh.creation.sweep_polygon(polygon, path)

        what = f"sweep, {len(all_triangles(mesh)):,} triangles"
        rows.append(beside(what, ours, copied, "allocate and copy (NumPy)", floor=True))
        rows.append(beside(what, ours, theirs, "trimesh sweep_polygon"))
    return rows


def slopes() -> list[Row]:
    """The least steepest slope against HiGHS."""
    rows = []
    for name, divide in (("whole", Divide()), ("divided", Divide(all=True))):
        counted = made.count(Design(Grid(*GRIDS[391], 10.0, 10.0), divide=divide))
        drawn = made.draw(counted)
        stretches = find_stretches(
            drawn.courses, drawn.lanes, counted.strand_map, drawn.footprints, 1e-4, 0.02 * counted.size.width
        )
        given = slope_constraints(
            Lines(stretches, drawn.lanes, 0.0),
            stretches,
            counted.weaving,
            np.full(counted.strand_map.crossings, counted.size.separation),
        )
        rows.append(
            beside(
                f"least slope, {counted.strand_map.crossings:,} crossings, {name}",
                lambda g=given: least_slope(g),  # type: ignore[misc]
                lambda g=given: slope_by_highs(g),  # type: ignore[misc]
                "HiGHS (SciPy linprog)",
            )
        )
    return rows


def maps() -> list[Row]:
    """Height maps against copying them and against Embree, and what a cutter reaches against SciPy."""
    from embreex.mesh_construction import TriangleMesh
    from embreex.rtcore_scene import EmbreeScene

    panel, field = board()
    cells = f"{field.z.size / 1e6:.0f} M cells"
    rows = [
        beside(
            f"relief map, {cells}", lambda: panel_field(panel, 0.1), field.z.copy, "copy the map (NumPy)", floor=True
        )
    ]
    cutter = Cutter(diameter=3.0)
    ours = [time.perf_counter()]
    for _ in range(RUNS):
        reach(field, cutter)
        ours.append(time.perf_counter())
    took = 1000 * statistics.median(np.diff(ours).tolist())
    theirs = 1000 * statistics.median(scipy_seconds(field, cutter) for _ in range(RUNS))
    rows.append(Row(f"reach of a 3 mm ball, {cells}", took, theirs, "SciPy grey_closing (a part, scaled up)", False))

    mesh = made.make(Design(Grid(14, 15, 10.0, 10.0))).mesh
    assert mesh is not None
    window = window_of(mesh, pixels=1024)
    corners = mesh.vertices[all_triangles(mesh)].astype(np.float32)
    x = window.left + (np.arange(window.columns) + 0.5) * window.pitch
    y = window.top - (np.arange(window.rows) + 0.5) * window.pitch
    start = np.stack([*np.meshgrid(x, y), np.full((len(y), len(x)), 100.0)], 2).reshape(-1, 3).astype(np.float32)
    down = np.tile(np.float32([0, 0, -1]), (len(start), 1))

    def rays() -> object:
        scene = EmbreeScene()
        TriangleMesh(scene, corners)
        return scene.run(start, down, query="DISTANCE")

    what = f"height buffer, {len(corners):,} triangles, {len(start) / 1e6:.1f} M pixels"
    rows.append(beside(what, lambda: height_buffer(mesh, window), rays, "Embree, tree and rays"))
    return rows


def wholes() -> None:
    """From the design to the mesh at several sizes, and how it grows."""
    print("\n| design to mesh | crossings | ms | growth since the row above |\n|-|-|-|-|")
    for name, divide in (("whole", Divide()), ("divided", Divide(all=True))):
        before: tuple[int, float] | None = None
        for grid in (*GRIDS.values(), *([(71, 71)] if name == "whole" else [])):
            design = Design(Grid(*grid, 10.0, 10.0), divide=divide)
            made.make(design)
            times = []
            for _ in range(RUNS if grid[0] < 60 else 3):
                made._woven.cache_clear()
                begun = time.perf_counter()
                result = made.make(design)
                times.append(1000 * (time.perf_counter() - begun))
            crossings = int(result.facts["woven_crossings"])  # type: ignore[call-overload]
            took = statistics.median(times)
            exponent = "" if before is None else f"{math.log(took / before[1]) / math.log(crossings / before[0]):.2f}"
            print(f"| {name} | {crossings:,} | {took:.0f} | {exponent} |", flush=True)
            before = (crossings, took)
    print(f"\nMost memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")


def main() -> None:
    """Print the tables."""
    print("| ratio | what | ours, ms | other, ms | the other |\n|-|-|-|-|-|")
    for part in (sweeps, slopes, maps):
        for row in part():
            print(f"| {row.ratio} | {row.what} | {row.ours:.1f} | {row.other:.1f} | {row.name} |", flush=True)
    wholes()


if __name__ == "__main__":
    main()
