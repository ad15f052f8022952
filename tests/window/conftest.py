"""The extension built once, and a desk to try it at.

A test module names its ``SESSION``, such as ``("carve.py", "carve", 300)``: the script that works at the window, where
its pictures are kept, and how many seconds it may take. Its tests look at what the session has ``seen``.

What runs inside the window's Blender is no test module.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(HERE))

import desk  # noqa: E402

collect_ignore = [path.name for path in HERE.glob("*.py") if not path.name.startswith(("test_", "conftest"))]


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


def work(archive: Path, job: Path, script: str, name: str, seconds: int) -> dict[str, Any]:
    """Let a script of this folder work at the window; gives what it noted, with "job" and "pictures"."""
    pictures = ROOT / "out" / name
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
    taken = sorted(pictures.glob("*.png"))
    assert all(picture.stat().st_size > 50_000 for picture in taken), "a black screen would be far smaller"
    return seen | {"job": job, "pictures": taken}


@pytest.fixture(scope="module")
def seen(request: pytest.FixtureRequest, archive: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What the module's session noted; "job" is the folder that it wrote to, "pictures" are in ``out``."""
    script, name, seconds = request.module.SESSION
    return work(archive, tmp_path_factory.mktemp(name) / "job", script, name, seconds)
