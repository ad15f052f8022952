"""What each stage of the core costs, how it grows, and how it stands to its floor and to a general-purpose peer.

    PYTHONPATH=. python tests/bench/bench_core.py

Medians of at least five runs in one process. The peers: allocating and copying the same arrays (the floor), trimesh's
``creation.sweep_polygon`` (the sweep), and the linear programme of the least steepest slope given to HiGHS through
SciPy (the heights).
"""

from __future__ import annotations

import math
import resource
import statistics
import time
import tracemalloc
from collections.abc import Callable

import numpy as np

from knotgeom import made
from knotgeom.course import Courses, plan_courses
from knotgeom.design import Design, Divide, Grid, Making, Strand
from knotgeom.divide import divide_strands
from knotgeom.footprints import find_footprints
from knotgeom.gaps import measure_gaps
from knotgeom.heights import Lines, find_stretches, raise_strands, slope_constraints
from knotgeom.lanes import Lanes, lay_lanes
from knotgeom.layout import grid_layout
from knotgeom.mesh import all_triangles
from knotgeom.sizing import sizes
from knotgeom.slopes import Constraints, least_slope
from knotgeom.sweep import sweep
from knotgeom.trace import trace
from knotgeom.weave import weave_strands

GRIDS = {17: (3, 4), 97: (7, 8), 391: (14, 15), 1984: (32, 32)}
"""Columns and rows with so many crossings."""


def median_ms(work: Callable[[], object], runs: int = 5) -> float:
    """Median time of ``work()`` in milliseconds, after one run that is not counted."""
    work()
    times = []
    for _ in range(runs):
        begun = time.perf_counter()
        work()
        times.append(1000 * (time.perf_counter() - begun))
    return statistics.median(times)


def stages(design: Design) -> dict[str, float]:
    """Milliseconds of every stage of one design, and the most memory that making it takes in MiB."""
    size, step = sizes(design), math.hypot(design.layout.cell_width, design.layout.cell_height) / 2
    layout = grid_layout(design.layout, design.breaks)
    circuits = trace(layout)
    strands = divide_strands(layout, circuits, design.divide)
    weaving = weave_strands(layout, strands, design.weave)
    courses = plan_courses(design, layout, circuits, size, step / made.FINE)
    lanes = lay_lanes(circuits, strands, courses, size)
    patches = find_footprints(circuits, strands, courses, lanes, layout.reach)
    relief = raise_strands(courses, lanes, strands, weaving, patches, size, design.heights.way)

    def heights() -> object:
        return raise_strands(courses, lanes, strands, weaving, patches, size, design.heights.way)

    result = {
        "layout": median_ms(lambda: grid_layout(design.layout, design.breaks)),
        "trace": median_ms(lambda: trace(layout)),
        "divide": median_ms(lambda: divide_strands(layout, circuits, design.divide)),
        "weave": median_ms(lambda: weave_strands(layout, strands, design.weave)),
        "course": median_ms(lambda: plan_courses(design, layout, circuits, size, step / made.FINE)),
        "lanes": median_ms(lambda: lay_lanes(circuits, strands, courses, size)),
        "overlap": median_ms(lambda: find_footprints(circuits, strands, courses, lanes, layout.reach)),
        "gaps": median_ms(lambda: measure_gaps(design.layout, layout, circuits, courses, size.width)),
        "heights": median_ms(heights),
        "sweep": median_ms(lambda: sweep(courses, lanes, relief.z, design.strand, size, design.heights.way)),
        "in all": median_ms(lambda: made.make(design)),
    }
    tracemalloc.start()
    made.make(design)
    result["MiB"] = tracemalloc.get_traced_memory()[1] / 2**20
    tracemalloc.stop()
    return result


def growth(counts: list[int], times: list[float]) -> float:
    """Slope of time against crossings on log axes, between the last two designs."""
    return math.log(times[-1] / times[-2]) / math.log(counts[-1] / counts[-2])


def stage_table() -> None:
    """Every stage at four sizes, whole and divided."""
    for name, divide in (("whole", Divide()), ("divided", Divide(all=True))):
        rows = [stages(Design(Grid(*grid, 10.0, 10.0), divide=divide)) for grid in GRIDS.values()]
        print(f"\n| {name}, ms | " + " | ".join(f"{count} crossings" for count in GRIDS) + " | growth |")
        print("|-|" + "-|" * (len(GRIDS) + 1))
        for stage in rows[0]:
            values = [row[stage] for row in rows]
            exponent = growth(list(GRIDS), values)
            print(f"| {stage} | " + " | ".join(f"{v:.1f}" for v in values) + f" | {exponent:.2f} |")


def ring(points: int) -> tuple[Courses, Lanes, np.ndarray]:
    """A closed wavy strand of so many samples, as the sweep takes it."""
    angle = np.linspace(0, 2 * np.pi, points, endpoint=False)
    radius = 100 + 10 * np.cos(7 * angle)
    plan = np.stack([radius * np.cos(angle), radius * np.sin(angle)], 1)
    tangent = np.roll(plan, -1, 0) - np.roll(plan, 1, 0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    lateral = np.stack([-tangent[:, 1], tangent[:, 0]], 1)
    start, zero = np.array([0, points]), np.zeros(points)
    along = np.arange(points) * 0.01
    no = np.zeros(points, bool)
    one = np.zeros(1, np.int64)
    none = np.zeros(0)
    courses = Courses(
        start, plan, lateral, zero, no, along, np.array([0.01 * points]), none, none.astype(bool), np.zeros(1)
    )
    lanes = Lanes(
        start, one, one, np.zeros(1, bool), np.arange(points), zero, np.full(points, 4.0), zero, ~no, along,
        np.array([0.01 * points]), np.zeros((1, 2), np.int64), np.zeros(0, np.int64), np.array([4.0]),
    )  # fmt: skip
    return courses, lanes, np.sin(11 * angle)


def sweep_table() -> None:
    """The sweep against allocating and copying what it makes, and against trimesh."""
    import shapely.geometry
    import trimesh

    strand, size = Strand(width=4.0), sizes(Design(Grid(1, 1, 10.0, 10.0), strand=Strand(width=4.0)))
    print("\n| sweep, samples | triangles | floor, ms | ours, ms | of the floor | trimesh, ms | of ours |")
    print("|-|-|-|-|-|-|-|")
    for points in (1_000, 10_000, 100_000):
        courses, lanes, z = ring(points)
        mesh = sweep(courses, lanes, z, strand, size, Making.FUSED)
        arrays = [mesh.vertices, mesh.quads, mesh.quad_uv, mesh.quad_strand]

        def floor(arrays: list[np.ndarray] = arrays) -> None:
            for array in arrays:
                np.copyto(np.empty_like(array), array)

        corners = len(mesh.quads) // points
        polygon = shapely.geometry.Polygon(
            [(2 * math.cos(a), 0.6 * math.sin(a)) for a in np.linspace(0, 2 * np.pi, corners, endpoint=False)]
        )
        path = np.column_stack([courses.point, z])
        path = np.vstack([path, path[:1]])
        least = median_ms(floor, 9)
        ours = median_ms(lambda c=courses, n=lanes, h=z: sweep(c, n, h, strand, size, Making.FUSED), 7)
        peer = median_ms(lambda g=polygon, p=path: trimesh.creation.sweep_polygon(g, p), 5)
        print(
            f"| {points:,} | {len(all_triangles(mesh)):,} | {least:.2f} | {ours:.2f} | x{ours / least:.1f} "
            f"| {peer:.1f} | x{peer / ours:.1f} |"
        )


def slope_by_highs(given: Constraints) -> float:
    """The least steepest slope as the linear programme that it is, by HiGHS."""
    from scipy.optimize import linprog
    from scipy.sparse import csr_matrix

    rows = np.arange(len(given.tail))
    table = csr_matrix(
        (
            np.concatenate([np.ones(len(rows)), -np.ones(len(rows)), -given.run]),
            (np.tile(rows, 3), np.concatenate([given.head, given.tail, np.full(len(rows), given.nodes)])),
        )
    )
    cost = np.zeros(given.nodes + 1)
    cost[-1] = 1.0
    found = linprog(cost, A_ub=table, b_ub=-given.drop, bounds=[(None, None)] * given.nodes + [(0, None)])
    return float(found.fun)


def height_table() -> None:
    """The least slope by our parametric search and by HiGHS, and all of the heights."""
    print(
        "\n| heights | woven crossings | least slope, ms | HiGHS, ms | HiGHS of ours | differs by | all heights, ms |"
    )
    print("|-|-|-|-|-|-|-|")
    for name, divide in (("whole", Divide()), ("divided", Divide(all=True))):
        for grid in list(GRIDS.values())[:3]:
            counted = made.count(Design(Grid(*grid, 10.0, 10.0), divide=divide))
            drawn = made.draw(counted)
            c, d = counted, drawn
            stretches = find_stretches(d.courses, d.lanes, c.strand_map, d.footprints, 1e-4, 0.02 * c.size.width)
            given = slope_constraints(
                Lines(stretches, d.lanes, 0.0), stretches, c.weaving, np.full(c.strand_map.crossings, c.size.separation)
            )
            ours = median_ms(lambda g=given: least_slope(g))
            peer = median_ms(lambda g=given: slope_by_highs(g))
            apart = abs(least_slope(given).slope - slope_by_highs(given))
            whole = median_ms(
                lambda d=d, c=c: raise_strands(
                    d.courses, d.lanes, c.strand_map, c.weaving, d.footprints, c.size, Making.FREE
                )
            )
            print(
                f"| {name} | {c.strand_map.crossings} | {ours:.1f} | {peer:.1f} | x{peer / ours:.1f} | {apart:.1e} "
                f"| {whole:.1f} |"
            )


def weave_table() -> None:
    """Weaving with many forks."""
    from knotgeom.design import Pass, Way

    print("\n| weave, forks | exceptions | ms |")
    print("|-|-|-|")
    for columns in (6, 10, 20):
        chance = np.random.default_rng(columns)
        passes = tuple(
            Pass(x, y, Way.RISING if chance.random() < 0.5 else Way.FALLING)
            for y in range(1, 2 * columns)
            for x in range(1, 2 * columns)
            if (x + y) % 2 and chance.random() < 0.3
        )
        design = Design(Grid(columns, columns, 10.0, 10.0), divide=Divide(passes=passes))
        layout = grid_layout(design.layout, design.breaks)
        strands = divide_strands(layout, trace(layout), design.divide)
        weaving = weave_strands(layout, strands, design.weave)
        took = median_ms(lambda y=layout, s=strands, w=design.weave: weave_strands(y, s, w))
        print(f"| {strands.forks} | {weaving.exceptions} | {took:.0f} |")


if __name__ == "__main__":
    stage_table()
    weave_table()
    height_table()
    sweep_table()
    print(f"\nMost memory of the whole run: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")
