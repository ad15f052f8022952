"""What other layouts cost beside a grid of about as many crossings.

    PYTHONPATH=. python tests/bench/bench_layouts.py

Medians of five runs in one process, from the design to its mesh. The grid is the peer: what is not drawn on it pays for
its curved surface, or for being cut where it comes round.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from knotgeom import made
from knotgeom.design import Border, Corners, Cylinder, Design, Dome, FreeMesh, Grid, Layouts, Ring, Sphere, Strip


def median_ms(work: Callable[[], object], runs: int = 5) -> float:
    """Median time of ``work()`` in milliseconds, after one run that is not counted."""
    work()
    times = []
    for _ in range(runs):
        begun = time.perf_counter()
        work()
        times.append(1000 * (time.perf_counter() - begun))
    return statistics.median(times)


def torus(around: int, across: int) -> FreeMesh:
    """A torus of quads, radii 60 and 22 mm."""
    u = np.arange(around)[:, None] * (2 * np.pi / around)
    v = np.arange(across)[None, :] * (2 * np.pi / across)
    far = 60 + 22 * np.cos(v) + 0 * u
    points = np.stack([far * np.cos(u), far * np.sin(u), np.broadcast_to(22 * np.sin(v), far.shape)], 2).reshape(-1, 3)

    def at(i: int, j: int) -> int:
        return (i % around) * across + j % across

    faces = tuple(
        (at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)) for i in range(around) for j in range(across)
    )
    return FreeMesh(tuple(map(tuple, points.tolist())), faces)


LAYOUTS: dict[str, Layouts] = {
    "grid": Grid(14, 15, 10.0, 10.0),
    "ring": Ring(40, 5, 45.0, 95.0),
    "wheel on a dome": Ring(40, 5, 45.0, 95.0, surface=Dome(20.0)),
    "mitred border": Border((24, 20), 3, 10.0, corners=Corners.MITRED),
    "strip, flat": Strip(10, 5, 10.0, 10.0, 4),
    "strip on a cylinder": Strip(10, 5, 10.0, 10.0, 4, surface=Cylinder()),
    "strip on a sphere": Strip(40, 5, 10.0, 10.0, surface=Sphere(127.0)),
    "torus of quads": torus(24, 8),
}


def main() -> None:
    """Print the table."""
    print("| layout | crossings | design to mesh, ms | a crossing, ms | beside the grid |")
    print("|-|-|-|-|-|")
    grid = 0.0
    for name, layout in LAYOUTS.items():
        design = Design(layout)
        facts = made.make(design, prove=0).facts
        number = int(str(facts["crossings"]))
        spent = median_ms(lambda design=design: made.make(design, prove=0))  # type: ignore[misc]
        each = spent / number
        grid = grid or each
        print(f"| {name} | {number} | {spent:.0f} | {each:.2f} | {each / grid:.1f} |", flush=True)


if __name__ == "__main__":
    main()
