"""A real desktop Blender on a virtual screen, for tests that press keys, click and look.

The Blender is Debian's own, in a root folder of its own that is made once (a minute or two, 1.7 GB) and kept:
``RELIEF_KNOTS_WINDOW`` names it, else ``~/.cache/relief-knots/window``. It needs root, a Debian or relative of it, and
a network the first time. :func:`why_not` says what is missing.
"""

from __future__ import annotations

import fcntl
import os
import random
import shutil
import subprocess
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
RELEASE = "trixie"
PACKAGES = ["blender", "xvfb", "libgl1-mesa-dri", "libegl1", "imagemagick", "python3-numpy"]
SCREEN = (1600, 900)
PREPARE = float(os.environ.get("RELIEF_KNOTS_WINDOW_SECONDS", "240"))
"""Seconds that making the root may take."""


def folder() -> Path:
    """Where the root with Blender in it is, or is to be."""
    return Path(os.environ.get("RELIEF_KNOTS_WINDOW", "~/.cache/relief-knots/window")).expanduser()


def is_ready() -> bool:
    """Whether the root has been made."""
    return (folder() / "usr/bin/blender").exists()


def why_not() -> str | None:
    """What keeps the window tests from running here, None if nothing does."""
    if os.name != "posix" or os.geteuid() != 0:
        return "window tests need root, for chroot"
    if shutil.which("chroot") is None:
        return "window tests need chroot"
    if is_ready():
        return None
    if shutil.which("apt-get") is None:
        return f"window tests need a Debian system to make {folder()}"
    return None


def prepare() -> str | None:
    """Make the root with Blender in it; gives what went wrong, None if all is well."""
    root = folder()
    if is_ready():
        return None
    root.parent.mkdir(parents=True, exist_ok=True)
    until = time.monotonic() + PREPARE
    fresh = not root.exists() or not any(root.iterdir())

    def _run(command: list[str]) -> None:
        left = max(until - time.monotonic(), 1.0)
        subprocess.run(command, check=True, capture_output=True, text=True, timeout=left)

    host, inside = ["apt-get"], ["chroot", str(root), "apt-get"]
    quick = ["-o", "Acquire::Retries=1", "-o", "Acquire::http::Timeout=20"]
    try:
        if shutil.which("debootstrap") is None:
            _run([*host, *quick, "update", "-q"])
            _run([*host, *quick, "install", "-y", "-q", "debootstrap"])
        _run(["debootstrap", "--variant=minbase", RELEASE, str(root)])
        for pattern, target in (("/etc/resolv.conf", "etc"), ("/etc/apt/apt.conf.d/*", "etc/apt/apt.conf.d")):
            for path in Path("/").glob(pattern.lstrip("/")):
                shutil.copy(path, root / target)
        _run([*inside, *quick, "update", "-q"])
        _run([*inside, "install", "-y", "-q", "--no-install-recommends", *PACKAGES])
    except subprocess.TimeoutExpired:
        _undo(root, fresh)
        return f"the desktop Blender could not be had within {PREPARE:.0f} s; RELIEF_KNOTS_WINDOW_SECONDS allows more"
    except subprocess.SubprocessError as error:
        _undo(root, fresh)
        last = (getattr(error, "stderr", None) or str(error)).strip().splitlines()[-1:]
        return f"the desktop Blender could not be installed in {root}: {' '.join(last)}"
    return None


def _undo(root: Path, fresh: bool) -> None:
    """Take a half made root away again, but never a folder that held something before."""
    if fresh:
        shutil.rmtree(root, ignore_errors=True)


INSIDE = """#!/bin/bash
export DISPLAY=:{number} LIBGL_ALWAYS_SOFTWARE=1 HOME=/job/home XDG_RUNTIME_DIR=/tmp
mkdir -p "$HOME"
Xvfb "$DISPLAY" -screen 0 {width}x{height}x24 +extension GLX >/job/screen.log 2>&1 & screen=$!
for i in $(seq 100); do [ -e "/tmp/.X11-unix/X{number}" ] && break; sleep 0.1; done
blender --command extension install-file -r user_default -e /job/extension.zip >/job/install.log 2>&1
blender --factory-startup --background --python-expr "{enable}" >/job/enable.log 2>&1
timeout {seconds} blender --enable-event-simulate --gpu-backend opengl \\
    --window-geometry 0 0 {width} {height} --python /job/{script} >/job/blender.log 2>&1
status=$?
blender --factory-startup --background --python-expr "{disable}" >/job/disable.log 2>&1
blender --command extension remove relief_knots >/job/remove.log 2>&1
find "$HOME" -ipath '*relief*knot*' -o -iname '*knotgeom*' -o -iname 'networkx*' -o -iname 'manifold3d*' >/job/left.txt
kill $screen
exit $status
"""

ENABLE = (
    "import bpy; bpy.ops.preferences.addon_enable(module='bl_ext.user_default.relief_knots'); "
    "bpy.context.preferences.view.show_splash = False; bpy.ops.wm.save_userpref()"
)

DISABLE = (
    "import bpy; bpy.ops.wm.read_userpref(); "
    "bpy.ops.preferences.addon_disable(module='bl_ext.user_default.relief_knots'); bpy.ops.wm.save_userpref()"
)


def drive(script: str, extension: Path, job: Path, seconds: int = 150) -> int:
    """Install the extension in a fresh home, open the window and let ``script`` of this folder drive it.

    The script sees ``job`` as ``/job``: what it writes there, pictures among it, is there afterwards.

    Returns
    -------
    int
        Blender's exit status; 124 where it had to be stopped.
    """
    with (folder() / "job.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # one session at a time: there is one /job
        return _drive(script, extension, job, seconds)


def _drive(script: str, extension: Path, job: Path, seconds: int) -> int:
    inside = folder() / "job"
    shutil.rmtree(inside, ignore_errors=True)
    shutil.copytree(job, inside)
    for name in (script, "hands.py"):
        shutil.copy(HERE / name, inside / name)
    shutil.copy(extension, inside / "extension.zip")
    width, height = SCREEN
    words = INSIDE.format(
        number=random.randint(100, 900),
        width=width,
        height=height,
        seconds=seconds,
        script=script,
        enable=ENABLE,
        disable=DISABLE,
    )
    (inside / "run").write_text(words)
    (inside / "run").chmod(0o755)
    done = subprocess.run(["chroot", str(folder()), "/job/run"], check=False, timeout=seconds + 120)
    shutil.rmtree(inside / "home", ignore_errors=True)
    shutil.copytree(inside, job, dirs_exist_ok=True)
    return done.returncode
