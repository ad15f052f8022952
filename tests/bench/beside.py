"""What all benchmarks share: timing ours beside a floor or a peer in one process, and one form for what came out.

Times are milliseconds of the processor, so that what else the machine does is not counted; medians, ours and theirs in
turn. A *floor* is work that ours cannot do without, such as copying what it makes: the ratio is how many floors ours
takes. A *peer* is a general-purpose library given the same task: the ratio is how many times as long as ours it takes.
An *aim* is a number set beforehand: the ratio is what share of it ours takes.
"""

from __future__ import annotations

import argparse
import json
import statistics
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

RUNS = 5
"""Runs that a median is taken of, after one that is not counted."""


@dataclass(frozen=True)
class Row:
    """A line of the table."""

    what: str
    ours: float
    other: float
    name: str
    kind: str
    """floor, peer or aim"""
    runs: int = RUNS
    unit: str = "ms"

    @property
    def ratio(self) -> str:
        """Ours over a floor or an aim, a peer over ours."""
        if self.kind == "peer":
            return f"peer x{self.other / self.ours:.1f}"
        share = self.ours / self.other
        return f"{share:.1f} floors" if self.kind == "floor" else f"{share:.2f} of the aim"


def median_ms(work: Callable[[], object], runs: int = RUNS) -> float:
    """Median time of ``work()``, after one run that is not counted."""
    work()
    return statistics.median(_ms(work) for _ in range(runs))


def beside(
    what: str, ours: Callable[[], object], other: Callable[[], object], name: str, kind: str = "peer", runs: int = RUNS
) -> Row:
    """Time both in turn, after a run of each that is not counted."""
    ours(), other()
    times = [(_ms(ours), _ms(other)) for _ in range(runs)]
    mine, theirs = (statistics.median(column) for column in zip(*times, strict=True))
    return Row(what, mine, theirs, name, kind, runs)


def _ms(work: Callable[[], object]) -> float:
    begun = time.process_time()
    work()
    return 1000 * (time.process_time() - begun)


def table(rows: Iterable[Row]) -> str:
    """The rows as a table, the ratio first."""
    lines = ["| ratio | what | ours | the other | which | runs |", "|-|-|-|-|-|-|"]
    for row in rows:
        ours, other = (f"{_short(value)} {row.unit}" for value in (row.ours, row.other))
        lines.append(f"| {row.ratio} | {row.what} | {ours} | {other} | {row.name} ({row.kind}) | {row.runs} |")
    return "\n".join(lines)


def _short(value: float) -> str:
    """Three digits that count."""
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}"


def main(rows: Callable[[], Iterable[Row]]) -> None:
    """Print a script's rows, or write them into the file that ``--json`` names."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--json", type=Path, help="write the rows there instead of printing a table")
    target = parser.parse_args().json
    found = list(rows())
    if target:
        target.write_text(json.dumps([asdict(row) for row in found]), encoding="utf-8")
    else:
        print(table(found))


def read_rows(path: Path) -> list[Row]:
    """The rows that a script wrote."""
    return [Row(**row) for row in json.loads(path.read_text(encoding="utf-8"))]
