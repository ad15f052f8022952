"""How long a real window is held up while knots of 391 crossings are worked on.

    PYTHONPATH=. python tests/bench/bench_window.py      (in an environment with bpy, as root: see tests/window)

Prints, for a whole and a divided design: how long a move of the width's slider takes, how long until a draft shows it,
when the exact mesh is there, the longest pauses in which Blender was not to be reached, and the parts of the add-on
that ran in Blender's own thread (wall and processor time, ms), with the machine's load.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "window"))

import desk  # noqa: E402


def main() -> int:
    """Run the session and print what it saw."""
    missing = desk.why_not() or (
        None if desk.is_ready() else f"no window in {desk.folder()}: run make test-window first"
    )
    if missing:
        print(missing, file=sys.stderr)
        return 0
    with tempfile.TemporaryDirectory() as folder:
        dist, job = Path(folder) / "dist", Path(folder) / "job"
        job.mkdir()
        build = [sys.executable, str(ROOT / "blender_addon" / "build_extension.py"), "-o", str(dist)]
        subprocess.run(build, check=True, capture_output=True)
        (archive,) = dist.glob("*.zip")
        status = desk.drive("live.py", archive, job, seconds=500)
        if not (job / "seen.json").exists():
            print((job / "blender.log").read_text(), file=sys.stderr)
            return 1
        seen = json.loads((job / "seen.json").read_text())
    print(json.dumps(seen, indent=1))
    return int(bool(status) or "failed" in seen)


if __name__ == "__main__":
    sys.exit(main())
