"""What of the core its tests did not run, file by file, and how much they did, from coverage's JSON report."""

from __future__ import annotations

import json
import sys
from pathlib import Path


def main(report: Path) -> None:
    told = json.loads(report.read_text())
    for name, file in sorted(told["files"].items()):
        ways = [f"{start}->{'end' if end < 0 else end}" for start, end in file["missing_branches"]]
        if file["missing_lines"] or ways:
            print(f"{name}: lines {file['missing_lines']}, branches {', '.join(ways)}")
    totals = told["totals"]
    lines, branches = totals["covered_lines"], totals["covered_branches"]
    print(f"lines: {lines} of {totals['num_statements']}, {lines / totals['num_statements']:.2%}")
    print(f"branches: {branches} of {totals['num_branches']}, {branches / totals['num_branches']:.2%}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
