"""Build the wheel and the source archive, install each in an empty environment, and make something with it.

    python tests/wheels.py [FOLDER]        # `make wheels`; FOLDER keeps what is built (out/dist)

Needs a network, or pip's cache, for what they depend on.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
BUILD = "build==1.3.0"
DESIGN = '{"interlace": 1, "layout": {"grid": [2, 3], "cell": 10}, "heights": {"way": "carved"}}'
CARVED = {"relief.stl", "relief.3mf", "heights.png", "preview.png", "report.json"}


def run(*words: str | Path, cwd: Path) -> str:
    """What a command prints; it must end well. Nothing of the checkout can be found by it."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    done = subprocess.run([*map(str, words)], cwd=cwd, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{' '.join(map(str, words))}\n{done.stdout}{done.stderr}")
    return done.stdout


def empty(folder: Path) -> Path:
    """The Python of a new environment with nothing in it but pip."""
    venv.create(folder, with_pip=True)
    return folder / ("Scripts" if os.name == "nt" else "bin") / "python"


def tried(package: Path, place: Path) -> None:
    """Install a package in an empty environment and let it count and carve a design."""
    python = empty(place / "environment")
    pip = (python, "-m", "pip", "--disable-pip-version-check", "install", "--quiet")
    run(*pip, package, cwd=place)
    where = run(python, "-c", "import knotgeom; print(knotgeom.__file__)", cwd=place).strip()
    assert Path(where).is_relative_to(place / "environment"), where
    (place / "knot.json").write_text(DESIGN, encoding="utf-8")
    knotgeom = python.with_name("knotgeom")
    facts = json.loads(run(knotgeom, "facts", "knot.json", cwd=place))
    assert (facts["crossings"], facts["circuits"]) == (7, 1), facts  # 2 * 2 * 3 - 2 - 3 crossings, gcd(2, 3) circuits
    run(knotgeom, "carve", "knot.json", "-o", "board", "--resolution", "1", cwd=place)
    assert {path.name for path in (place / "board").iterdir()} >= CARVED


def main() -> None:
    """Build and try both."""
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(temporary)
        kept = Path(sys.argv[1]).resolve() if len(sys.argv) > 1 else place / "dist"
        builder = empty(place / "builder")
        run(builder, "-m", "pip", "--disable-pip-version-check", "install", "--quiet", BUILD, cwd=place)
        run(builder, "-m", "build", "--outdir", kept, ROOT, cwd=place)
        newest = sorted(kept.glob("knotgeom-*"), key=lambda path: path.stat().st_mtime)[-2:]
        assert {path.suffix for path in newest} == {".whl", ".gz"}, newest
        for package in newest:
            folder = place / package.suffix.strip(".")
            folder.mkdir()
            tried(package, folder)
            print(f"{package.name}: {package.stat().st_size / 1024:.0f} KiB, installs, counts and carves")


if __name__ == "__main__":
    main()
