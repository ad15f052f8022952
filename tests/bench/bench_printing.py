"""What it costs to make a divided design a checked solid, stage by stage; not a test, nothing is asserted.

``python tests/bench/bench_printing.py [--runs 5]``. Medians of the runs in one process. The union's peer is the same
batch of strand pieces given to manifold3d alone, without cutting, rejoining and cleaning.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from knotgeom import solid as uniting
from knotgeom.design import Design, Divide, Grid, Heights, Make, Making, Strand
from knotgeom.made import make, solid
from knotgeom.mesh import all_triangles
from knotgeom.printing.checks import check_piece
from knotgeom.printing.folder import write_piece
from knotgeom.printing.materials import material
from knotgeom.printing.options import Bail, Frame, Outline, Plate, Printing
from knotgeom.printing.piece import make_piece
from knotgeom.printing.process import limits_for
from knotgeom.reading import read_file, write_text

PIECES = {
    "strands alone": Printing(tolerance=0.1, fillet=0.0, rounding=0.0),
    "with fillets": Printing(tolerance=0.1),
    "plate, frame, bail": Printing(tolerance=0.1, plate=Plate(), frame=Frame(Outline.RECTANGLE), bail=Bail()),
}


def design(columns: int, rows: int, options: Printing) -> Design:
    """A design that is wholly divided."""
    return Design(
        Grid(columns, rows, 6.0, 6.0),
        divide=Divide(all=True, gap=0.6),
        strand=Strand(2.6, 1.4),
        heights=Heights(Making.FUSED, step=0.4),
        make=Make(print=options),
    )


def timed(work: Callable[[], object]) -> tuple[float, object]:
    """Seconds and the result."""
    begun = time.perf_counter()
    result = work()
    return time.perf_counter() - begun, result


def union(columns: int, rows: int) -> tuple[float, float]:
    """Seconds for uniting all strands, and of those in manifold3d."""
    made = make(design(columns, rows, Printing()), fine=False, prove=0)
    inside = [0.0]
    boolean = uniting._boolean

    def counted(*given):
        seconds, result = timed(lambda: boolean(*given))
        inside[0] += seconds
        return result

    uniting._boolean = counted
    try:
        seconds, _ = timed(lambda: solid(made))
    finally:
        uniting._boolean = boolean
    return seconds, inside[0]


def main() -> None:
    """Print one table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--large", action="store_true", help="a design of 1,000 crossings too")
    options = parser.parse_args()
    sizes = [(3, 3), (7, 8)] + ([(22, 24)] if options.large else [])
    print("| crossings | piece | read and make, s | check, s | write, s | triangles |\n|-|-|-|-|-|-|")
    for columns, rows in sizes:
        crossings = 2 * columns * rows - columns - rows
        for name, wanted in PIECES.items():
            rows_of: list[tuple[float, float, float]] = []
            count = 0
            for _ in range(options.runs):
                with tempfile.TemporaryDirectory() as folder:
                    path = Path(folder) / "a.interlace.json"
                    path.write_text(write_text(design(columns, rows, wanted)), encoding="utf-8")
                    making, piece = timed(lambda path=path: make_piece(read_file(path)))
                    judging, checked = timed(
                        lambda: check_piece(piece, limits_for(wanted), material(wanted.material))  # noqa: B023
                    )
                    writing, _ = timed(lambda: write_piece(Path(folder) / "out", piece, checked, wanted))  # noqa: B023
                    rows_of.append((making, judging, writing))
                    count = sum(len(all_triangles(body)) for body in piece.bodies)
            medians = (f"{statistics.median(column):.2f}" for column in zip(*rows_of))
            print(f"| {crossings} | {name} | {' | '.join(medians)} | {count:,} |", flush=True)
        whole, inside = (statistics.median(part) for part in zip(*(union(columns, rows) for _ in range(options.runs))))
        print(f"| {crossings} | union alone | {whole:.2f}, of it manifold3d {inside:.2f} | | | |", flush=True)
    print(f"\nmost memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:,.0f} MiB")


if __name__ == "__main__":
    main()
