"""The add-on in a ``bpy`` of its own: every test starts from an empty file."""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

import pytest

os.environ.setdefault("BLENDER_USER_RESOURCES", tempfile.mkdtemp(prefix="relief-knots-"))  # no one's own settings

bpy = pytest.importorskip("bpy", reason="needs the bpy package: one Python version each, see README.md")

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import blender_addon  # noqa: E402


@pytest.fixture(scope="session", autouse=True)
def addon():
    """The add-on, registered for all tests of the session."""
    blender_addon.register()
    yield blender_addon
    blender_addon.unregister()


@pytest.fixture(autouse=True)
def empty_file(addon):
    """An empty file with metric units at scale 1."""
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.preferences.edit.use_global_undo = True


@pytest.fixture
def knot():
    """A pendant, just added."""
    bpy.ops.mesh.relief_knot_add(purpose="PENDANT")
    return bpy.context.object


def pytest_unconfigure(config):
    """Leave at once: Blender as a module sometimes does not end by itself."""
    status = getattr(config, "_status", None)
    if status is not None:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session, exitstatus):
    """Remember how the session ended."""
    session.config._status = int(exitstatus)
