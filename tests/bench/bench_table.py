"""All benchmarks in one go, as one table: ours beside its floor, its peer or what was aimed at, the ratio first.

    PYTHONPATH=. BLENDER_PYTHON=.venv-blender-4.5/bin/python python tests/bench/bench_table.py [--into DEVELOPERS.md]

Writes ``out/bench.md``: the rows of every script here, each run in a process of its own with one thread of linear
algebra, and how each stage grows. ``--into`` puts the same between the two marks in a file. What needs Blender is left
out, with a word, where ``BLENDER_PYTHON`` names no Python that has bpy.
"""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from beside import Row, read_rows, table

HERE = Path(__file__).parent
SCRIPTS = ("bench_core", "bench_layouts", "bench_relief", "bench_reach", "bench_checks", "bench_made", "bench_blender")
BEGIN, END = "<!-- make bench -->", "<!-- end of make bench -->"


def gathered(script: str, folder: Path) -> list[Row]:
    """The rows of one script."""
    python = os.environ.get("BLENDER_PYTHON") if script == "bench_blender" else sys.executable
    if not python:
        print("left out: BLENDER_PYTHON names no Python with bpy", file=sys.stderr)
        return []
    begun = time.perf_counter()
    to = folder / f"{script}.json"
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    subprocess.run([python, str(HERE / f"{script}.py"), "--json", str(to)], check=True, env=environment)
    print(f"{script}: {time.perf_counter() - begun:.0f} s", file=sys.stderr, flush=True)
    return read_rows(to)


def written() -> str:
    """Everything, as Markdown."""
    with tempfile.TemporaryDirectory() as folder:
        rows = [row for script in SCRIPTS for row in gathered(script, Path(folder))]
    begun = time.perf_counter()
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    growth = subprocess.run(
        [sys.executable, str(HERE / "bench_growth.py")], check=True, env=environment, stdout=subprocess.PIPE, text=True
    ).stdout
    print(f"bench_growth: {time.perf_counter() - begun:.0f} s", file=sys.stderr)
    machine = f"{os.cpu_count()} cores, {platform.system()}, Python {platform.python_version()}, NumPy {np.__version__}"
    return f"{machine}; milliseconds of the processor, medians.\n\n{table(rows)}\n\n{growth.strip()}\n"


def put_into(path: Path, text: str) -> None:
    """Replace what stands between the marks."""
    before, rest = path.read_text(encoding="utf-8").split(BEGIN, 1)
    after = rest.split(END, 1)[1]
    path.write_text(f"{before}{BEGIN}\n{text}{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--out", type=Path, default=Path("out/bench.md"))
    parser.add_argument("--into", type=Path, help="a file with the two marks, such as DEVELOPERS.md")
    options = parser.parse_args()
    found = written()
    options.out.parent.mkdir(parents=True, exist_ok=True)
    options.out.write_text(found, encoding="utf-8")
    if options.into:
        put_into(options.into, found)
    print(options.out)
