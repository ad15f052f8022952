"""The extension as it ships: built, checked by Blender's own builder, installed, used, removed."""

from __future__ import annotations

import gc
import importlib.util
import json
import os
import subprocess
import sys
import threading
import tomllib
import tracemalloc
import zipfile
from pathlib import Path

import bpy
import pytest

ROOT = Path(__file__).resolve().parents[2]


def everything_registered():
    """Names of all classes, handlers, menu entries and properties that an add-on may leave behind."""
    menus = [
        function
        for name in dir(bpy.types)
        for function in getattr(getattr(getattr(bpy.types, name), "draw", None), "_draw_funcs", [])
    ]
    named = (getattr(bpy.app.handlers, name) for name in dir(bpy.app.handlers))
    lists = [each for each in named if isinstance(each, list)]
    kinds = (bpy.types.Object, bpy.types.Mesh, bpy.types.WindowManager, bpy.types.Scene)
    return {
        "types": sorted(dir(bpy.types)),
        "operators": sorted(dir(bpy.ops.mesh)) + sorted(dir(bpy.ops.wm)) + sorted(dir(bpy.ops.scene)),
        "handlers": [len(each) for each in lists],
        "menus": [function.__module__ for function in menus],
        "properties": [sorted(kind.bl_rna.properties.keys()) for kind in kinds],
    }


TIMES = 50


def test_unregistering_leaves_nothing_behind(addon):
    addon.unregister()
    try:
        before = everything_registered()
        for _ in range(TIMES):
            addon.register()
            assert everything_registered() != before
            addon.unregister()
        after = everything_registered()
    finally:
        addon.register()
    assert after == before
    assert not any("relief_knot" in str(value) for value in before.values())


def test_timers_and_threads_end_when_the_add_on_goes(addon, knot, monkeypatch):
    from blender_addon import core, jobs, live, store

    gate = threading.Event()

    def held(design, progress=None, **_):
        gate.wait(10)
        progress(0.5, "waiting")

    monkeypatch.setattr(jobs, "can_wait", lambda: True)
    monkeypatch.setattr(core.made, "make", held)
    live.later(knot)
    live.begin(knot, store.design_of(knot))
    (job,) = jobs.running
    assert bpy.app.timers.is_registered(live._tick) and bpy.app.timers.is_registered(jobs._tick)
    threading.Timer(0.2, gate.set).start()
    addon.unregister()
    try:
        assert not bpy.app.timers.is_registered(live._tick) and not bpy.app.timers.is_registered(jobs._tick)
        assert not job._thread.is_alive() and not jobs.running
    finally:
        addon.register()


def test_registering_again_and_again_takes_no_more_memory(addon):
    def twenty_times():
        for _ in range(20):
            addon.unregister()
            addon.register()
        gc.collect()

    twenty_times()  # what is kept once, whatever the number
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        twenty_times()
        middle = tracemalloc.get_traced_memory()[0]
        twenty_times()
        after = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    a_class = 2_000  # bytes, and there are dozens: what leaked would be far more than a thousand times this
    assert after - middle < max(20 * a_class, (middle - before) / 2)


def built(out, *more):
    """The zip, made by the script that ships it and checked by Blender's own builder."""
    script = ROOT / "blender_addon" / "build_extension.py"
    done = subprocess.run(
        [sys.executable, str(script), "-o", str(out), *more], capture_output=True, text=True, timeout=300, check=False
    )
    if "could not be fetched" in done.stderr:
        pytest.skip("the wheels that are bundled cannot be fetched here: " + done.stderr.splitlines()[0])
    assert done.returncode == 0, done.stderr
    assert "checked by Blender's own builder" in done.stdout
    (found,) = out.glob("*.zip")
    return found


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """The zip as it ships."""
    return built(tmp_path_factory.mktemp("dist"))


INSTALL = """
import json, os, sys
import bpy, addon_utils

archive, report = sys.argv[-2:]
seen = {}
bpy.ops.wm.read_factory_settings(use_empty=True)
addon_utils.enable("bl_pkg")


def types():
    return {name for name in dir(bpy.types) if "relief_knot" in name.lower()}


bpy.ops.extensions.package_install_files(filepath=archive, repo="user_default", enable_on_install=True)
name = "bl_ext.user_default.relief_knots"
seen["enabled"] = name in bpy.context.preferences.addons
seen["top-level"] = "knotgeom" in sys.modules
seen["operators"] = sorted(types())[:1]
bpy.ops.mesh.relief_knot_add(purpose="BOARD")
obj = bpy.context.object
bpy.ops.mesh.relief_knot_divide(point=(90, 52), whole=False)
seen["error"] = obj.relief_knot.error
seen["facts"] = json.loads(obj.relief_knot.report)["facts"]
seen["vertices"] = len(obj.data.vertices)
bpy.ops.mesh.relief_knot_add(purpose="PENDANT")
obj = bpy.context.object
obj.relief_knot.way = "FUSED"
look = obj.relief_knot_print
look.has_bail = look.has_plate = True
bpy.ops.mesh.relief_knot_piece()
seen["piece error"] = look.error
(piece,) = [o for o in bpy.data.objects if o.relief_knot_print.source == obj]
seen["piece"] = json.loads(piece.relief_knot_print.report)
seen["numpy"] = sys.modules["numpy"].__file__
seen["manifold3d"] = getattr(sys.modules.get("manifold3d"), "__file__", "")
seen["warnings"] = {key: list(map(str, found)) for key, found in addon_utils._extensions_warnings_get().items()}
folder = os.path.dirname(sys.modules[name].__file__)
bpy.ops.preferences.addon_disable(module=name)
seen["types left"] = sorted(types())
bpy.ops.extensions.package_uninstall(repo_index=[r.module for r in bpy.context.preferences.extensions.repos].index(
    "user_default"), pkg_id="relief_knots")
seen["folder left"] = os.path.exists(folder)
with open(report, "w") as file:
    json.dump(seen, file, default=str)
sys.stdout.flush()
os._exit(0)
"""


def installed(archive, tmp_path):
    """What a Blender of its own notes while it installs, uses and removes the zip."""
    script, report = tmp_path / "install.py", tmp_path / "seen.json"
    script.write_text(INSTALL)
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    environment["BLENDER_USER_RESOURCES"] = str(tmp_path / "user")
    done = subprocess.run(
        [sys.executable, str(script), str(archive), str(report)],
        env=environment,
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert report.exists(), done.stdout + done.stderr
    return json.loads(report.read_text())


def test_the_zip_installs_runs_without_a_policy_warning_and_goes_again(archive, tmp_path):
    seen = installed(archive, tmp_path)
    assert seen["enabled"] and seen["operators"] and not seen["top-level"]
    assert seen["warnings"] == {}
    assert seen["error"] == "" and seen["vertices"] > 1000
    assert seen["facts"]["crossings"] == 63 and seen["facts"]["forks"] > 0
    assert seen["types left"] == [] and not seen["folder left"]
    # plate and bail come from the sidebar alone: the wheel for this Python is the one that was unpacked
    assert seen["piece error"] == "" and seen["piece"]["left_out"] == []
    assert seen["piece"]["bodies"] == seen["piece"]["bodies_expected"] == 1
    assert abs(seen["piece"]["hang"]["turned_deg"]) < 0.5
    assert Path(seen["manifold3d"]).is_relative_to(tmp_path / "user")
    assert f"cpython-{sys.version_info[0]}{sys.version_info[1]}" in seen["manifold3d"] or sys.platform == "win32"
    assert not Path(seen["numpy"]).is_relative_to(tmp_path / "user")  # Blender's own


def test_a_zip_without_compiled_wheels_says_what_it_leaves_out(tmp_path):
    if importlib.util.find_spec("manifold3d") is not None:
        pytest.skip("this Python has manifold3d")
    seen = installed(built(tmp_path, "--without-compiled"), tmp_path)
    assert seen["enabled"] and seen["warnings"] == {} and seen["manifold3d"] == ""
    assert seen["piece error"] == "" and seen["piece"]["left_out"] == ["plate", "bail"]
    assert seen["piece"]["bodies"] == seen["piece"]["bodies_expected"] == 1


def test_the_zip_has_a_wheel_for_every_blender_and_the_notices_of_what_comes_with_it(archive):
    with zipfile.ZipFile(archive) as packed:
        names = packed.namelist()
        manifest = tomllib.loads(packed.read("blender_manifest.toml").decode())
        notices = packed.read("THIRD_PARTY.md").decode()
    wheels = [name for name in names if name.endswith(".whl")]
    assert sorted(f"./{name}" for name in wheels) == sorted(manifest["wheels"])
    for python in ("cp311", "cp313"):
        for system in ("manylinux_2_28_x86_64", "win_amd64", "macosx_11_0_arm64"):
            (one,) = [name for name in wheels if f"-{python}-{python}-" in name and name.endswith(f"{system}.whl")]
            # two wheels of one package that both fit would leave to chance which of them is unpacked
            assert one.startswith("wheels/manifold3d-3.5.4-")
    for wheel in wheels:
        assert f"{wheel.removeprefix('wheels/').split('-')[0]} " in notices
