"""Take the manual's pictures anew from a real window (see tests/window).

    python manual/pictures.py

Needs what the window tests need; takes about a minute. Each picture is cut to its subject and kept small.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

ROOT = Path(__file__).resolve().parents[1]
TARGET = ROOT / "manual" / "docs" / "pictures"
WIDEST = 1000
COLOURS = 128
MOST_BYTES = 1_000_000
"""Of all pictures together."""

sys.path.insert(0, str(ROOT / "tests" / "window"))

import desk  # noqa: E402


def main() -> int:
    """Take them all; gives the exit status."""
    missing = desk.why_not() or desk.prepare()
    if missing:
        print(missing, file=sys.stderr)
        return 1
    with tempfile.TemporaryDirectory() as folder:
        dist, job = Path(folder) / "dist", Path(folder) / "job"
        job.mkdir()
        build = [sys.executable, str(ROOT / "blender_addon" / "build_extension.py"), "-o", str(dist)]
        subprocess.run(build, check=True)
        (archive,) = dist.glob("*.zip")
        status = desk.drive("manual_pictures.py", archive, job, seconds=500)
        seen = json.loads((job / "seen.json").read_text()) if (job / "seen.json").exists() else {"failed": "no notes"}
        if status or "failed" in seen:
            logs = "".join((job / name).read_text() for name in ("install.log", "blender.log") if (job / name).exists())
            print(seen.get("failed", ""), logs, sep="\n", file=sys.stderr)
            return 1
        if (seen["german word"], seen["german operator"]) != ("Vorlagen", "Auf Knoten zeichnen"):
            print(f"no German: {seen['german word']}, {seen['german operator']}", file=sys.stderr)
            return 1
        TARGET.mkdir(parents=True, exist_ok=True)
        for picture in sorted(job.glob("*.png")):
            _kind, left, low, right, high = seen[picture.stem]
            shown = Image.open(picture).convert("RGB")
            cut = shown.crop((left, shown.height - high, right, shown.height - low))
            if cut.width > WIDEST:
                cut = cut.resize((WIDEST, round(cut.height * WIDEST / cut.width)), Image.Resampling.LANCZOS)
            cut.quantize(COLOURS, dither=Image.Dither.NONE).save(TARGET / picture.name, optimize=True)
    size = sum(path.stat().st_size for path in TARGET.glob("*.png"))
    print(f"{len(list(TARGET.glob('*.png')))} pictures, {size / 1000:.0f} kB in {TARGET}")
    return int(size > MOST_BYTES)


if __name__ == "__main__":
    sys.exit(main())
