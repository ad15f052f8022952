"""How every stage of the core grows with the design, the solver and the matching apart, and what share they have.

    PYTHONPATH=. python tests/bench/bench_growth.py

Designs of about 100 to 10,000 crossings: the plain plait, the same divided everywhere (so many woven crossings), with
breaks, and with forks. Milliseconds of the processor, medians of at least five runs, each design in a process of its
own; memory is the most that a stage holds beyond what was there, in a run of its own by tracemalloc. The exponent is
that of a power of the number of crossings, fitted by least squares to the logarithms of all sizes; beside it that of
the two largest alone.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import numpy as np
from bench_core import GRIDS, grid, some_forks

from knotgeom import climbing, counting, drawing, heights, made, weave
from knotgeom.course import plan_courses
from knotgeom.design import Breaks, Design, Divide, Heights, Making, Rejoin, Site, Strand
from knotgeom.divide import divide_strands
from knotgeom.footprints import find_footprints
from knotgeom.gaps import measure_gaps
from knotgeom.lanes import lay_lanes
from knotgeom.layout import lay_out
from knotgeom.sweep import sweep
from knotgeom.trace import trace

RUNS = 5
LONG = 8000.0
"""Milliseconds after which a design in the table of shares is not made again."""
APART = {
    "matching": [(weave, "least_failures")],
    "solver: least slope": [(heights, "least_slope"), (heights, "highest")],
    "solver: least climbing": [(climbing.Climb, "settle")],
}
"""What is taken out of its stage and counted by itself."""
STAGES = ("layout", "trace", "divide", "weave", "course", "lanes", "overlap", "gaps", "heights", "sweep", *APART)
FLOOR = "floor of the sweep: its arrays copied"


def some_breaks(crossings: int) -> Design:
    """Breaks drawn by lot that keep clear of one another, and strands narrow enough for them."""
    columns, rows = GRIDS[crossings]
    chance = np.random.default_rng(5)
    taken: set[tuple[int, int]] = set()
    breaks: tuple[list[Site], list[Site]] = [], []
    for y in range(3, 2 * rows - 2):
        for x in range(3, 2 * columns - 2):
            if (
                (x + y) % 2
                and chance.random() < 0.2
                and not any((x + i, y - j) in taken for i in range(-4, 5) for j in range(5))
            ):
                taken.add((x, y))
                breaks[chance.integers(2)].append(Site(x, y))
    return grid(crossings, breaks=Breaks(tuple(breaks[0]), tuple(breaks[1])), strand=Strand(width=2.5))


def crowded(crossings: int) -> Design:
    """One site in eight a break, wherever it falls: many crossings have no room to climb at all."""
    columns, rows = GRIDS[crossings]
    chance = np.random.default_rng(1)
    breaks: tuple[list[Site], list[Site]] = [], []
    for y in range(1, 2 * rows):
        for x in range(1, 2 * columns):
            if (x + y) % 2 and chance.random() < 0.12:
                breaks[chance.integers(2)].append(Site(x, y))
    return grid(crossings, breaks=Breaks(tuple(breaks[0]), tuple(breaks[1])))


KINDS: dict[str, tuple[Callable[[int], Design], tuple[int, ...]]] = {
    "whole": (grid, (97, 391, 1010, 2449, 9940)),
    "divided": (lambda n: grid(n, divide=Divide(all=True)), (97, 391, 1010, 2449)),
    "breaks": (some_breaks, (97, 391, 1010, 2449, 9940)),
    "forks": (lambda n: some_forks(n, 0.02), (97, 391, 1010, 2449, 9940)),
}
WORST: dict[str, Callable[[int], Design]] = {
    "plain plait": grid,
    "divided": lambda n: grid(n, divide=Divide(all=True)),
    "breaks": some_breaks,
    "breaks anywhere, too steep for strands": crowded,
    "carved": lambda n: grid(n, heights=Heights(way=Making.CARVED)),
    "carved, divided": lambda n: grid(n, heights=Heights(way=Making.CARVED), divide=Divide(all=True)),
    "depth limit of 2.4 mm": lambda n: grid(n, heights=Heights(depth_limit=2.4)),
    "3 in 10 passes divided": lambda n: some_forks(n, 0.3),
    "every step rejoined": lambda n: grid(n, divide=Divide(all=True, rejoin=Rejoin.STEPS)),
}


@contextmanager
def counted_apart(spent: dict[str, float]) -> Iterator[None]:
    """While it lasts, what ``APART`` names is timed into ``spent``, seconds."""
    kept = []

    def timed(name: str, work: Callable[..., object]) -> Callable[..., object]:
        def work_timed(*given: object, **named: object) -> object:
            begun = time.process_time()
            try:
                return work(*given, **named)
            finally:
                spent[name] = spent.get(name, 0.0) + time.process_time() - begun

        return work_timed

    for name, places in APART.items():
        for owner, attribute in places:
            kept.append((owner, attribute, getattr(owner, attribute)))
            setattr(owner, attribute, timed(name, getattr(owner, attribute)))
    try:
        yield
    finally:
        for owner, attribute, work in kept:
            setattr(owner, attribute, work)


def run(design: Design, measure: Callable[[str, Callable[[], object]], object]) -> int:
    """Make a design stage by stage, each through ``measure(name, work)``; its number of woven crossings."""
    counted = counting.count(design)
    size, spacing = counted.size, drawing.sample_spacing(counted)
    design = counted.design
    layout = measure("layout", lambda: lay_out(design.layout, design.breaks))
    circuits = measure("trace", lambda: trace(layout))
    strands = measure("divide", lambda: divide_strands(layout, circuits, design.divide))
    weaving = measure("weave", lambda: weave.weave_strands(layout, strands, design.weave))
    courses = measure("course", lambda: plan_courses(design, layout, circuits, size, spacing))
    lanes = measure("lanes", lambda: lay_lanes(circuits, strands, courses, size))
    overlaps = measure("overlap", lambda: find_footprints(circuits, strands, courses, lanes, layout.reach))
    measure("gaps", lambda: measure_gaps(design.layout, layout, circuits, courses, size.width))
    way = design.heights.way
    relief = measure("heights", lambda: heights.raise_strands(courses, lanes, strands, weaving, overlaps, size, way))
    mesh = measure("sweep", lambda: sweep(courses, lanes, relief.z, design.strand, size, way))
    measure(FLOOR, lambda: [array.copy() for array in (mesh.vertices, mesh.quads, mesh.quad_uv, mesh.quad_strand)])
    return strands.crossings


def measured(kind: str, crossings: int) -> dict[str, object]:
    """Milliseconds and MiB of every stage of one design."""
    design = KINDS[kind][0](crossings)
    times: dict[str, list[float]] = {stage: [] for stage in (*STAGES, FLOOR)}
    most: dict[str, float] = {}
    for _ in range(RUNS + 1):
        spent: dict[str, float] = {}
        took: dict[str, float] = {}

        def timed(name: str, work: Callable[[], object], took: dict[str, float] = took) -> object:
            begun = time.process_time()
            result = work()
            took[name] = time.process_time() - begun
            return result

        with counted_apart(spent):
            woven = run(design, timed)
        took["weave"] -= spent.get("matching", 0.0)
        took["heights"] -= sum(spent.get(name, 0.0) for name in APART if name != "matching")
        for stage, column in times.items():
            column.append(1000 * (took | spent).get(stage, 0.0))

    def held(name: str, work: Callable[[], object]) -> object:
        before = tracemalloc.get_traced_memory()[0]
        tracemalloc.reset_peak()
        result = work()
        most[name] = (tracemalloc.get_traced_memory()[1] - before) / 2**20
        most["all"] = max(most.get("all", 0.0), tracemalloc.get_traced_memory()[1] / 2**20)
        return result

    tracemalloc.start()
    run(design, held)
    tracemalloc.stop()
    return {"woven": woven, "ms": {k: statistics.median(v[1:]) for k, v in times.items()}, "MiB": most}


def fitted(sizes: list[int], values: list[float]) -> float:
    """Exponent by least squares."""
    return float(np.polyfit(np.log(sizes), np.log(np.maximum(values, 1e-3)), 1)[0])


def growth_table(kind: str) -> str:
    """One kind of design at all sizes."""
    sizes = list(KINDS[kind][1])
    found = []
    for crossings in sizes:
        asked = [sys.executable, __file__, "--only", kind, str(crossings)]
        found.append(json.loads(subprocess.run(asked, check=True, capture_output=True, text=True).stdout))
    lines = [
        f"| {kind}, ms | " + " | ".join(f"{n:,} ({row['woven']:,} woven)" for n, row in zip(sizes, found, strict=True))
        + " | exponent | of the last two | most MiB |",
        "|-|" + "-|" * (len(sizes) + 3),
    ]  # fmt: skip
    for stage in (*STAGES, FLOOR):
        values = [row["ms"][stage] for row in found]
        if stage == "matching" and kind != "forks":
            continue
        apart = stage in APART or stage == FLOOR
        growth = f"{fitted(sizes, values):.2f} | {fitted(sizes[-2:], values[-2:]):.2f}"
        memory = "" if apart else f"{found[-1]['MiB'][stage]:.0f}"
        lines.append(f"| {stage} | " + " | ".join(f"{value:.1f}" for value in values) + f" | {growth} | {memory} |")
    totals = [sum(row["ms"][stage] for stage in STAGES) for row in found]
    growth = f"{fitted(sizes, totals):.2f} | {fitted(sizes[-2:], totals[-2:]):.2f}"
    lines.append(
        "| in all | " + " | ".join(f"{v:.0f}" for v in totals) + f" | {growth} | {found[-1]['MiB']['all']:.0f} |"
    )
    return "\n".join(lines)


def share_table() -> str:
    """What share of a whole drawing the solver and the matching have, worst designs among them."""
    sizes = (391, 2449)
    head = " | ".join(f"{n:,} crossings, ms | least slope | least climbing | matching" for n in sizes)
    lines = [f"| share of design to mesh | {head} |", "|-|" + "-|" * (4 * len(sizes))]
    for name, design in WORST.items():
        cells = []
        for crossings in sizes:
            given = design(crossings)
            shares: list[tuple[float, ...]] = []
            while len(shares) < RUNS and sum(row[0] for row in shares) < LONG:
                counting._woven.cache_clear()
                spent: dict[str, float] = {}
                with counted_apart(spent):
                    begun = time.process_time()
                    made.make(given, prove=0)
                    took = time.process_time() - begun
                shares.append(
                    (1000 * took, *(100 * spent.get(part, 0.0) / took for part in (*list(APART)[1:], "matching")))
                )
            whole, *parts = np.median(shares, axis=0)
            cells += [f"{whole:,.0f}", *(f"{part:.0f} %" for part in parts)]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    """Print the tables, or what one design takes."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--only", nargs=2, metavar=("KIND", "CROSSINGS"))
    only = parser.parse_args().only
    if only:
        print(json.dumps(measured(only[0], int(only[1]))))
        return
    for kind in KINDS:
        print(growth_table(kind) + "\n", flush=True)
    print(share_table())


if __name__ == "__main__":
    main()
