"""What is made of strands in the common table: uniting them to a solid, a piece to print, and levels of trims.

    PYTHONPATH=. BLENDER_PYTHON=.venv-blender-4.5/bin/python python tests/bench/bench_made.py

Taken from ``bench_printing.py`` and ``bench_trims.py``, which tell more. Uniting stands beside manifold3d given the
same pieces of strand (the floor) and Blender's Boolean modifier; trims beside two decimators at the same number of
triangles, by the greatest distance to the exact surface in mm.
"""

from __future__ import annotations

import statistics
import time

import bench_printing
import bench_trims
from beside import RUNS, Row, main, median_ms

from knotgeom.printing.materials import material
from knotgeom.printing.piece import make_piece
from knotgeom.printing.process import limits_for
from knotgeom.printing.remedies import check_piece
from knotgeom.reading import read_file

BUDGETS = (2000, 500)


def pieces() -> list[Row]:
    """A divided design of 97 crossings as a piece to print."""
    found: list[Row] = []
    crossings, times = 97, []
    options = bench_printing.PIECES["strands alone"]
    design = bench_printing.design(*bench_printing.SIZES[crossings], options)
    for _ in range(RUNS + 1):
        with bench_printing.Watched() as watched:
            begun = time.process_time()
            piece = make_piece(design)
            check_piece(piece, limits_for(options), material(options.material))
            times.append((time.process_time() - begun, watched.union[1], watched.inside[1]))
    whole, union, inside = (1000 * statistics.median(column) for column in zip(*times[1:], strict=True))
    what = f"{crossings} crossings divided"
    found.append(Row(f"strands to one solid, {what}", union, inside, "manifold3d, the same strands", "floor"))
    assert watched.pieces is not None
    said = bench_printing.in_blender(watched.pieces, RUNS)
    if not said.startswith("skipped"):
        theirs = 1000 * float(said.split("(")[1].split(")")[0])
        found.append(Row(f"strands to one solid, {what}", union, theirs, "Blender's Boolean modifier", "peer"))
    found.append(Row(f"checked piece without fillets, {what}", whole, 2000.0, "set beforehand", "aim"))
    filled = bench_printing.design(*bench_printing.SIZES[17], bench_printing.PIECES["with fillets"])
    bare = bench_printing.design(*bench_printing.SIZES[17], options)
    floor = median_ms(lambda: make_piece(bare))
    found.append(
        Row(
            "piece with fillets, 17 crossings divided", median_ms(lambda: make_piece(filled)), floor, "without", "floor"
        )
    )
    return found


def trims() -> list[Row]:
    """The straight piece of one kit at two budgets; distances, not times."""
    name = bench_trims.NAMES[0]
    patches = bench_trims.straight_patches(read_file(bench_trims.DESIGNS / f"{name}.interlace.json"))
    exact = bench_trims.welded(bench_trims.fine_mesh(patches))
    modifier = bench_trims.by_blender(exact)
    found = []
    for budget in BUDGETS:
        ours = bench_trims.hausdorff(exact, bench_trims.by_us(patches, budget)[0])
        peers = {"fast-simplification": bench_trims.by_fast_simplification(exact, budget)}
        if budget in modifier:
            peers["Decimate modifier"] = modifier[budget]
        for peer, (surface, _) in peers.items():
            off = bench_trims.hausdorff(exact, surface)
            found.append(Row(f"greatest deviation of {name}, {budget} triangles", ours, off, peer, "peer", 1, "mm"))
    return found


def rows() -> list[Row]:
    """All of them."""
    return [*pieces(), *trims()]


if __name__ == "__main__":
    main(rows)
