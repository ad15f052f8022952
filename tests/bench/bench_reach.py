"""What finding the reach of cutters and hand tools takes, and SciPy's grey closing of the same map.

    PYTHONPATH=. python tests/bench/bench_reach.py

A board of 300 x 200 mm at 0.1 mm per pixel (6 million cells), one knot on it. SciPy is given a piece of the map, once,
and its time scaled by cells, since the whole takes it minutes. Memory, by tracemalloc, is printed where the script runs
by itself.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from collections.abc import Callable

import numpy as np
from beside import Row, main, median_ms
from scipy import ndimage

from knotgeom.carving.bends import bends
from knotgeom.carving.cutters import Cutter, CutterKind, rise
from knotgeom.carving.depths import crossing_depths, middle_lines, section_along
from knotgeom.carving.field import HeightField, panel_field
from knotgeom.carving.grain import walls_across_grain
from knotgeom.carving.options import Carving, Moulding
from knotgeom.carving.panel import Panel, plan_panel
from knotgeom.carving.pockets import narrow_places, pockets
from knotgeom.carving.reach import largest_cutter, reach
from knotgeom.design import Breaks, Design, Grid, Site, Strand

CUTTERS = (
    Cutter(CutterKind.BALL, 3.0),
    Cutter(CutterKind.BALL, 6.0),
    Cutter(CutterKind.BALL, 12.0),
    Cutter(CutterKind.FLAT, 6.0),
    Cutter(CutterKind.V, 8.0, 60.0),
    Cutter(CutterKind.TAPERED, 6.0, 5.0, 2.0),
)
PIECE = 200  # rows and columns that SciPy is given
TABLED = (0, 1, 3, 5)  # the others take so long that they are only measured where the script runs by itself


def peak_mib(work: Callable[[], object]) -> float:
    """Most memory that ``work()`` holds beyond what was there, MiB."""
    tracemalloc.start()
    work()
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return most / 2**20


def scipy_seconds(field: HeightField, cutter: Cutter) -> float:
    """Time of SciPy's grey closing for the whole map, from that of a piece in its middle."""
    row, column = (side // 2 - PIECE // 2 for side in field.z.shape)
    piece = field.z[row : row + PIECE, column : column + PIECE].astype(float)
    cells = int(cutter.diameter / 2 / field.pitch + 1e-6)
    side = np.arange(-cells, cells + 1) * field.pitch
    heights = rise(cutter, np.hypot(side[:, None], side))
    inside = np.isfinite(heights)
    tool = np.where(inside, -heights, 0.0)
    begun = time.process_time()
    ndimage.grey_closing(piece, footprint=inside, structure=tool)
    return (time.process_time() - begun) * field.z.size / piece.size


def board() -> tuple[Panel, HeightField]:
    """The knot and its map."""
    design = Design(
        Grid(10, 6, 26.0, 26.0), breaks=Breaks(vertical=(Site(10, 5), Site(10, 7))), strand=Strand(width=12.0)
    )
    carving = Carving(board=(300.0, 200.0, 22.0), depth=6.0, frame=Moulding.COVE, frame_width=8.0)
    panel = plan_panel(design, carving)
    return panel, panel_field(panel, 0.1)


def rows() -> list[Row]:
    """Cutters against SciPy and against copying the map, and the other questions against copying it."""
    panel, field = board()
    made = panel.made
    copy, cells = median_ms(field.z.copy), f"{field.z.size / 1e6:.0f} M cells"
    found = []
    for cutter in (CUTTERS[index] for index in TABLED):
        took = median_ms(lambda cutter=cutter: reach(field, cutter))  # type: ignore[misc]
        what = f"reach of a {cutter.name}, {cells}"
        found.append(Row(what, took, copy, "copy the map, NumPy", "floor"))
        peer = 1000 * scipy_seconds(field, cutter)
        found.append(Row(what, took, peer, "SciPy grey_closing, a piece scaled up", "peer"))
    for name, work in (
        ("largest ball of 17 sizes", lambda: largest_cutter(field, Cutter(), 0.1)),
        ("pockets and what enters them", lambda: pockets(field)),
        ("narrowest ground", lambda: narrow_places(made, field)),
        ("bends and gouges", lambda: bends(made)),
        ("walls across the grain", lambda: walls_across_grain(field)),
        ("depth table", lambda: crossing_depths(made, field)),
        ("two sections", lambda: [section_along(made, field, line) for line in middle_lines(field)]),
    ):
        found.append(Row(f"{name}, {cells}", median_ms(work), copy, "copy the map, NumPy", "floor"))
    return found


if __name__ == "__main__":
    main(rows)
    if len(sys.argv) == 1:
        _, map_ = board()
        for cutter in CUTTERS:
            took = median_ms(lambda cutter=cutter: reach(map_, cutter), 1) / 1000  # type: ignore[misc]
            most = peak_mib(lambda cutter=cutter: reach(map_, cutter))  # type: ignore[misc]
            print(f"{cutter.name}: {took:.1f} s, {most:.0f} MiB beside the map's {map_.z.nbytes / 2**20:.0f}")
