"""The core beside floors and peers: sweeping, the least slope, fewest exceptions of a weave, and designs to meshes.

    PYTHONPATH=. python tests/bench/bench_core.py

The peers: allocating and copying the same arrays (the floor), trimesh's ``creation.sweep_polygon`` (the sweep), the
linear programme of the least steepest slope given to HiGHS through SciPy, and the matching of all pairs by rustworkx.
Designs to meshes stand beside what was aimed at.
"""

from __future__ import annotations

import math

import numpy as np
from beside import Row, beside, main, median_ms

from knotgeom import counting, drawing, made
from knotgeom.course import Courses
from knotgeom.design import Design, Divide, Grid, Making, Pass, Rejoin, Strand, Way
from knotgeom.lanes import Lanes
from knotgeom.mesh import all_triangles
from knotgeom.sizing import sizes
from knotgeom.slopes import Constraints, least_slope
from knotgeom.stretches import Lines, find_stretches, slope_constraints
from knotgeom.sweep import sweep
from knotgeom.tjoin import Adjacency, least_matching, nearby_matching, shortest_paths

GRIDS = {17: (3, 4), 97: (7, 8), 391: (14, 15), 1010: (22, 24), 2449: (35, 36), 9940: (71, 71)}
"""Columns and rows with so many crossings."""


def grid(crossings: int, **options: object) -> Design:
    """A plain grid of so many crossings."""
    return Design(Grid(*GRIDS[crossings], 10.0, 10.0), **options)  # type: ignore[arg-type]


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


def sweeps() -> list[Row]:
    """The sweep against allocating and copying what it makes, and against trimesh."""
    import shapely.geometry
    import trimesh

    strand, size = Strand(width=4.0), sizes(Design(Grid(1, 1, 10.0, 10.0), strand=Strand(width=4.0)))
    rows = []
    for points in (1_000, 10_000, 100_000):
        courses, lanes, z = ring(points)
        mesh = sweep(courses, lanes, z, strand, size, Making.FUSED)
        arrays = [mesh.vertices, mesh.quads, mesh.quad_uv, mesh.quad_strand]
        corners = len(mesh.quads) // points
        circle = np.linspace(0, 2 * np.pi, corners, endpoint=False)
        polygon = shapely.geometry.Polygon(np.stack([2 * np.cos(circle), 0.6 * np.sin(circle)], 1))
        path = np.column_stack([courses.point, z])
        path = np.vstack([path, path[:1]])
        often = 100_000 // points  # the clock is too coarse for one short run

        def ours(c=courses, n=lanes, h=z, often=often) -> object:  # type: ignore[no-untyped-def]
            for _ in range(often):
                mesh = sweep(c, n, h, strand, size, Making.FUSED)
            return mesh

        def copied(arrays: list[np.ndarray] = arrays, often: int = often) -> object:
            for _ in range(often):
                mesh = [array.copy() for array in arrays]  # all at once, as a mesh holds them
            return mesh

        def theirs(polygon: object = polygon, path: np.ndarray = path) -> object:
            return trimesh.creation.sweep_polygon(polygon, path)

        what = f"sweep, {points:,} samples, {len(all_triangles(mesh)):,} triangles"
        row = beside(what, ours, copied, "allocate and copy, NumPy", "floor", 9)
        rows.append(Row(what, row.ours / often, row.other / often, row.name, row.kind, row.runs))
        rows.append(Row(what, row.ours / often, median_ms(theirs), "trimesh sweep_polygon", "peer"))
    return rows


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


def slopes() -> list[Row]:
    """The least steepest slope against HiGHS."""
    rows = []
    for crossings, name, divide in (
        (97, "whole", Divide()),
        (391, "whole", Divide()),
        (391, "divided", Divide(all=True)),
    ):
        counted = counting.count(grid(crossings, divide=divide))
        drawn = drawing.draw(counted)
        stretches = find_stretches(
            drawn.courses, drawn.lanes, counted.strand_map, drawn.footprints, 1e-4, 0.02 * counted.size.width
        )
        given = slope_constraints(
            Lines(stretches, drawn.lanes, 0.0),
            stretches,
            counted.weaving,
            np.full(counted.strand_map.crossings, counted.size.separation),
        )
        assert math.isclose(least_slope(given).slope, slope_by_highs(given), rel_tol=1e-9)
        rows.append(
            beside(
                f"least slope, {name}, {counted.strand_map.crossings:,} woven crossings",
                lambda g=given: least_slope(g),  # type: ignore[misc]
                lambda g=given: slope_by_highs(g),  # type: ignore[misc]
                "HiGHS by SciPy linprog",
            )
        )
    return rows


def some_forks(crossings: int, share: float, seed: int = 3) -> Design:
    """A grid in which a share of the passes, drawn by lot, is divided."""
    columns, rows = GRIDS[crossings]
    chance = np.random.default_rng(seed)
    passes = tuple(
        Pass(x, y, Way.RISING if chance.random() < 0.5 else Way.FALLING)
        for y in range(1, 2 * rows)
        for x in range(1, 2 * columns)
        if (x + y) % 2 and chance.random() < share
    )
    return grid(crossings, divide=Divide(passes=passes))


def matchings() -> list[Row]:
    """Pairing off the faces that need an exception, near ones only, against a matching of all pairs."""
    from knotgeom import weave

    rows = []
    for name, design in (
        ("3 in 10 passes divided", some_forks(391, 0.3)),
        ("every step rejoined", grid(97, divide=Divide(all=True, rejoin=Rejoin.STEPS))),
    ):
        asked: list[tuple[Adjacency, list[int]]] = []
        kept = weave.minimum_t_join

        def noted(near, odd, edges, asked=asked, kept=kept):  # type: ignore[no-untyped-def]
            asked.append((near, odd))
            return kept(near, odd, edges)

        weave.minimum_t_join = noted
        try:
            counted = counting.count(design)
        finally:
            weave.minimum_t_join = kept

        def ours(asked=asked) -> object:  # type: ignore[no-untyped-def]
            return [nearby_matching(near, odd) for near, odd in asked]

        def theirs(asked=asked) -> object:  # type: ignore[no-untyped-def]
            return [least_matching(lengths(near, odd)) for near, odd in asked]

        assert ours() == theirs()
        rows.append(
            beside(f"exceptions, {name}, {counted.strand_map.forks:,} forks", ours, theirs, "rustworkx, all pairs")
        )
    return rows


def lengths(near: Adjacency, odd: list[int]) -> np.ndarray:
    """Distances between all odd faces."""
    found = (shortest_paths(near, node, set(odd))[0] for node in odd)
    return np.array([[done[other] for other in odd] for done in found])


def wholes() -> list[Row]:
    """From the design to the mesh, beside what was aimed at."""
    rows = []
    for crossings, divide, aim in ((97, False, 50.0), (391, True, 1000.0), (9940, False, 60_000.0)):
        design = grid(crossings, divide=Divide(all=divide))

        def work(design: Design = design) -> object:
            counting._woven.cache_clear()
            return made.make(design)

        what = f"design to mesh, {'divided' if divide else 'whole'}, {crossings:,} crossings"
        rows.append(Row(what, median_ms(work), aim, "set beforehand", "aim"))
    return rows


def rows() -> list[Row]:
    """All of them."""
    return [row for part in (wholes, sweeps, slopes, matchings) for row in part()]


if __name__ == "__main__":
    main(rows)
