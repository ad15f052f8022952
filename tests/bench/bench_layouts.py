"""What other layouts cost beside a grid, from the design to its mesh.

    PYTHONPATH=. python tests/bench/bench_layouts.py

The grid is the floor, its time scaled to as many crossings: what is not drawn on it pays for its curved surface, or for
being cut where it comes round.
"""

from __future__ import annotations

import numpy as np
from beside import Row, main, median_ms

from knotgeom import made
from knotgeom.design import Border, Corners, Cylinder, Design, Dome, FreeMesh, Grid, Layouts, Ring, Sphere, Strip


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


def rows() -> list[Row]:
    """One for each layout but the grid."""
    found = {}
    for name, layout in LAYOUTS.items():
        design = Design(layout)
        number = int(str(made.make(design, prove=0).facts["crossings"]))
        found[name] = number, median_ms(lambda design=design: made.make(design, prove=0))  # type: ignore[misc]
    crossings, grid = found.pop("grid")
    return [
        Row(f"{name}, {number} crossings, to mesh", took, grid * number / crossings, "grid, as many crossings", "floor")
        for name, (number, took) in found.items()
    ]


if __name__ == "__main__":
    main(rows)
