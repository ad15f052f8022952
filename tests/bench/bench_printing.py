"""What it costs to get from a divided design's file to a checked solid, stage by stage; not a test.

``BLENDER_PYTHON=.venv-blender-4.5/bin/python python tests/bench/bench_printing.py [--runs 5]``. Every size has a
process of its own, so that its memory is its own. Medians; one run for the largest size. The union's peers are given
the same strand pieces in the same run: manifold3d alone, without cutting, rejoining and cleaning, and Blender's Boolean
modifier (skipped where ``BLENDER_PYTHON`` names no Python that has bpy). Files are written once.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from knotgeom import solid as uniting
from knotgeom.design import Design, Divide, Grid, Heights, Make, Making, Strand
from knotgeom.mesh import all_triangles
from knotgeom.printing import knot
from knotgeom.printing.folder import write_piece
from knotgeom.printing.materials import material
from knotgeom.printing.options import Bail, Frame, Outline, Plate, Printing
from knotgeom.printing.piece import make_piece
from knotgeom.printing.process import limits_for
from knotgeom.printing.remedies import check_piece
from knotgeom.reading import read_file, write_text

PIECES = {
    "strands alone": Printing(tolerance=0.1, fillet=0.0, rounding=0.0),
    "with fillets": Printing(tolerance=0.1),
    "plate, frame, bail": Printing(tolerance=0.1, plate=Plate(), frame=Frame(Outline.RECTANGLE), bail=Bail()),
}
SIZES = {17: (3, 4), 97: (7, 8), 1010: (22, 24)}
"""Columns and rows with so many crossings."""
PEER = Path(__file__).parent / "union_in_blender.py"
LIMIT = 600
"""Seconds after which Blender is not waited for any longer."""

Timed = tuple[float, float]


def design(columns: int, rows: int, options: Printing) -> Design:
    """A design that is wholly divided."""
    return Design(
        Grid(columns, rows, 6.0, 6.0),
        divide=Divide(all=True, gap=0.6),
        strand=Strand(2.6, 1.4),
        heights=Heights(Making.FUSED, step=0.4),
        make=Make(print=options),
    )


def timed(work: Callable[[], object]) -> tuple[Timed, object]:
    """Seconds on the clock and of the processor, and the result."""
    begun, used = time.perf_counter(), time.process_time()
    result = work()
    return (time.perf_counter() - begun, time.process_time() - used), result


class Watched:
    """Counts what uniting takes inside of making a piece, and keeps what manifold3d was given."""

    def __init__(self) -> None:
        self.union, self.inside = (0.0, 0.0), (0.0, 0.0)
        self.pieces: uniting.Pieces | None = None
        self.solid, self.boolean = knot.solid, uniting._boolean

    def __enter__(self) -> Watched:
        def solid(*given, **named):
            spent, result = timed(lambda: self.solid(*given, **named))
            self.union = (self.union[0] + spent[0], self.union[1] + spent[1])
            return result

        def boolean(pieces, *given):
            spent, result = timed(lambda: self.boolean(pieces, *given))
            self.inside = (self.inside[0] + spent[0], self.inside[1] + spent[1])
            self.pieces = pieces
            return result

        knot.solid, uniting._boolean = solid, boolean
        return self

    def __exit__(self, *_) -> None:
        knot.solid, uniting._boolean = self.solid, self.boolean


def median(column: list[Timed]) -> str:
    """Clock and, in brackets, processor."""
    return f"{statistics.median(one[0] for one in column):.2f} ({statistics.median(one[1] for one in column):.2f})"


def row(columns: int, rows: int, name: str, runs: int) -> uniting.Pieces:
    """Measure one piece and print its row; the strand pieces that were united."""
    wanted = PIECES[name]
    columns_of: list[list[Timed]] = [[] for _ in range(6)]
    count, peak = 0, 0.0
    for _ in range(runs):
        with tempfile.TemporaryDirectory() as folder, Watched() as watched:
            path = Path(folder) / "a.interlace.json"
            path.write_text(write_text(design(columns, rows, wanted)), encoding="utf-8")
            making, piece = timed(lambda path=path: make_piece(read_file(path)))
            judging, checked = timed(lambda: check_piece(piece, limits_for(wanted), material(wanted.material)))  # noqa: B023
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            whole = (making[0] + judging[0], making[1] + judging[1])
            for column, spent in zip(columns_of, (whole, making, watched.union, watched.inside, judging)):
                column.append(spent)
            count = sum(len(all_triangles(body)) for body in piece.bodies)
            pieces = watched.pieces
    with tempfile.TemporaryDirectory() as folder:
        writing, _ = timed(lambda: write_piece(Path(folder) / "out", piece, checked, wanted))
    columns_of[-1].append(writing)
    crossings = 2 * columns * rows - columns - rows
    cells = " | ".join(median(column) for column in columns_of)
    print(f"| {crossings} | {name} | {runs} | {cells} | {count:,} | {peak:,.0f} |", flush=True)
    assert pieces is not None
    return pieces


def in_blender(pieces: uniting.Pieces, runs: int) -> str:
    """What Blender's modifier takes for the same pieces, or why there is no such figure."""
    python = os.environ.get("BLENDER_PYTHON")
    if not python:
        return "skipped: BLENDER_PYTHON names no Python with bpy"
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "pieces.npz"
        np.savez(file, vertices=pieces.vertices, faces=pieces.faces, kind=pieces.kind)
        try:
            said = subprocess.run(
                [python, str(PEER), str(file), str(runs)], capture_output=True, text=True, timeout=LIMIT, check=True
            ).stdout
        except (OSError, subprocess.SubprocessError) as error:
            return f"skipped: {error}"
    version, solver, *seconds, count = said.split("Blender ", 1)[1].rsplit(maxsplit=2 * runs + 2)
    spent = median([(float(clock), float(used)) for clock, used in zip(seconds[::2], seconds[1::2])])
    return f"{spent} s by Blender {version}, {solver}, {runs} runs, {int(count):,} triangles"


def main() -> None:
    """Print one table, and one line for each size's union in Blender."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--only", type=int, choices=SIZES, help="this size alone, without the table's head")
    options = parser.parse_args()
    if options.only is None:
        print("Seconds on the clock (of the processor); making has the union in it, and that has manifold3d's part.\n")
        print(
            "| crossings | piece | runs | file to checked | making | union | manifold3d | check | writing | triangles "
            "| MiB at most |\n|-|-|-|-|-|-|-|-|-|-|-|",
            flush=True,
        )
        for crossings in SIZES:
            asked = ["--runs", str(options.runs), "--only", str(crossings)]
            subprocess.run([sys.executable, __file__, *asked], check=True)
        return
    small = options.only < 500
    runs = options.runs if small else 1
    pieces = row(*SIZES[options.only], "strands alone", runs)
    for name in tuple(PIECES)[1:] if small else ():
        row(*SIZES[options.only], name, runs)
    print(f"| {options.only} | the same union: {in_blender(pieces, runs)} |", flush=True)


if __name__ == "__main__":
    main()
