"""The extension built once, and a desk to try it at: ``session("work.py", "window")``.

What runs inside the window's Blender is no test module.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(HERE))

import desk  # noqa: E402

collect_ignore = [
    "work.py",
    "hands.py",
    "live.py",
    "first.py",
    "drawing.py",
    "carve.py",
    "pendant.py",
    "manual_pictures.py",
]

Session = Callable[..., dict[str, Any]]


@pytest.fixture(scope="session")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The extension as a zip."""
    missing = desk.why_not() or desk.prepare()
    if missing:
        pytest.skip(missing)
    folder = tmp_path_factory.mktemp("dist")
    build = [sys.executable, str(ROOT / "blender_addon" / "build_extension.py"), "-o", str(folder)]
    built = subprocess.run(build, capture_output=True, text=True, check=False)
    if "could not be fetched" in built.stderr:
        pytest.skip(built.stderr.splitlines()[0])
    assert built.returncode == 0, built.stderr
    return sorted(folder.glob("*.zip"))[0]


@pytest.fixture(scope="session")
def session(archive: Path, tmp_path_factory: pytest.TempPathFactory) -> Session:
    """Lets a script of this folder work at the window.

    ``session(script, name, seconds)`` gives what it noted; "job" is the folder that it wrote to, "pictures" where its
    pictures are kept: ``out/<name>``.
    """

    def run(script: str, name: str, seconds: int = 300) -> dict[str, Any]:
        job, pictures = tmp_path_factory.mktemp(name) / "job", ROOT / "out" / name
        job.mkdir()
        status = desk.drive(script, archive, job, seconds=seconds)
        logs = "".join((job / log).read_text() for log in ("install.log", "blender.log") if (job / log).exists())
        shutil.rmtree(pictures, ignore_errors=True)
        pictures.mkdir(parents=True)
        for kept in (*job.glob("*.png"), *job.glob("seen.json")):
            shutil.copy(kept, pictures)
        assert status == 0 and (job / "seen.json").exists(), logs
        seen: dict[str, Any] = json.loads((job / "seen.json").read_text())
        assert "failed" not in seen, seen.get("failed")
        assert "Traceback" not in logs, logs
        return seen | {"job": job, "pictures": sorted(pictures.glob("*.png"))}

    return run
