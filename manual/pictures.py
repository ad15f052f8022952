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


class PictureError(Exception):
    """The pictures could not be taken; the message says why."""


def build(dist: Path) -> Path:
    """The extension as a zip in the folder ``dist``."""
    command = [sys.executable, str(ROOT / "blender_addon" / "build_extension.py"), "-o", str(dist)]
    built = subprocess.run(command, capture_output=True, text=True, check=False)
    if built.returncode:
        raise PictureError(built.stderr)
    (archive,) = dist.glob("*.zip")
    return archive


def take(target: Path, archive: Path | None = None) -> list[Path]:
    """Take all pictures into the folder ``target``, which is made where it is missing.

    Parameters
    ----------
    archive : Path, optional
        The extension's zip, where it is built already.

    Raises
    ------
    PictureError
    """
    missing = desk.why_not() or desk.prepare()
    if missing:
        raise PictureError(missing)
    with tempfile.TemporaryDirectory() as folder:
        dist, job = Path(folder) / "dist", Path(folder) / "job"
        job.mkdir()
        status = desk.drive("manual_pictures.py", archive or build(dist), job, seconds=500)
        seen = json.loads((job / "seen.json").read_text()) if (job / "seen.json").exists() else {"failed": "no notes"}
        if status or "failed" in seen:
            logs = "".join((job / name).read_text() for name in ("install.log", "blender.log") if (job / name).exists())
            raise PictureError(f"{seen.get('failed', '')}\n{logs}")
        if (seen["german word"], seen["german operator"]) != ("Vorlagen", "Auf Knoten zeichnen"):
            raise PictureError(f"no German: {seen['german word']}, {seen['german operator']}")
        target.mkdir(parents=True, exist_ok=True)
        taken = []
        for picture in sorted(job.glob("*.png")):
            _kind, left, low, right, high = seen[picture.stem]
            shown = Image.open(picture).convert("RGB")
            cut = shown.crop((left, shown.height - high, right, shown.height - low))
            if cut.width > WIDEST:
                cut = cut.resize((WIDEST, round(cut.height * WIDEST / cut.width)), Image.Resampling.LANCZOS)
            taken.append(target / picture.name)
            cut.quantize(COLOURS, dither=Image.Dither.NONE).save(taken[-1], optimize=True)
    return taken


def main() -> int:
    """Take them all anew; gives the exit status."""
    try:
        taken = take(TARGET)
    except PictureError as error:
        print(error, file=sys.stderr)
        return 1
    size = sum(path.stat().st_size for path in taken)
    print(f"{len(taken)} pictures, {size / 1000:.0f} kB in {TARGET}")
    return int(size > MOST_BYTES)


if __name__ == "__main__":
    sys.exit(main())
