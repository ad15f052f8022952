"""Files kept by earlier versions, objects copied between files, and Blenders without a window."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import bpy
import numpy as np
import pytest

from blender_addon import carving_props, rebuild, relief_object, store, trim_object, trim_textures
from knotgeom.made import make

HERE = Path(__file__).resolve().parent
KEPT = sorted((HERE / "kept").glob("*.blend"))


def opened(path):
    """The two knots of a kept file: a good one and one too wide to be made."""
    bpy.ops.wm.open_mainfile(filepath=str(path))
    return bpy.data.objects["Kept"], bpy.data.objects["Impossible"]


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.stem)
def test_a_file_of_an_earlier_version_opens_as_it_was_left(path):
    good, wide = opened(path)
    design = store.design_of(good)
    assert (design.layout.columns, design.layout.rows, design.strand.width) == (2, 1, 3.0)
    assert not rebuild.is_stale(good) and not good.relief_knot.error
    assert len(good.data.vertices) == 1368 and good.data.materials[0].name == "Silver"
    assert wide.relief_knot.error.startswith("strand.width: ") and store.design_of(wide).strand.width == 50


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.stem)
def test_a_file_of_an_earlier_version_can_be_worked_on(path):
    good, wide = opened(path)
    good.relief_knot.columns = 3
    assert not rebuild.is_stale(good)
    assert len(good.data.vertices) == len(make(store.design_of(good)).mesh.vertices)
    wide.relief_knot.width = 0.003
    assert not wide.relief_knot.error and not rebuild.is_stale(wide)


ODD = [
    "[", "[1]", "null", "\x01", '{"facts": 1, "findings": {"a": 1}}', '{"findings": [1, {}]}', "[" * 100_000,
    '{"interlace": []}',
]  # fmt: skip


@pytest.mark.parametrize("text", ODD, ids=range(len(ODD)))
def test_texts_in_a_strangers_file_that_say_nothing_are_passed_over(knot, text):
    relief = bpy.data.objects.new("Relief", bpy.data.meshes.new("Relief"))
    knot.relief_knot.report = relief.relief_knot_relief.report = knot.relief_knot_trim.report = text
    knot.relief_knot_carving.checked = knot[trim_textures.MAPS] = text
    assert store.report_of(knot)["findings"] == [] and store.report_of(knot)["facts"] == {}
    assert isinstance(relief_object.report_of(relief), dict) and isinstance(trim_object.report_of(knot), dict)
    assert isinstance(carving_props.checked(knot)[0], dict) and trim_textures.images_of(knot) == {}
    assert store.migrated(text) == text
    design, error = store.parse(text)
    assert design is None and "\n" not in str(error)


def test_a_design_of_an_older_kind_is_brought_up_and_its_mesh_stays(knot, tmp_path, monkeypatch):
    """Version 1 is the first there is, so the older one here had its cell under another key."""

    def from_0(found):
        layout = dict(found["layout"])
        return found | {"interlace": 1, "layout": layout | {"cell": layout.pop("size")}}

    mesh = np.array([vertex.co for vertex in knot.data.vertices])
    now = knot.relief_knot.text
    older = json.loads(now)
    older["interlace"], older["layout"]["size"] = 0, older["layout"].pop("cell")
    knot.relief_knot.text = knot.relief_knot.made = json.dumps(older)
    knot.data.relief_knot_built = rebuild.wanted(knot)
    path = str(tmp_path / "older.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    monkeypatch.setattr(store, "MIGRATIONS", {0: from_0})
    bpy.ops.wm.open_mainfile(filepath=path)
    obj = bpy.data.objects["Relief Knot"]
    assert json.loads(obj.relief_knot.text) == json.loads(now)
    assert not obj.relief_knot.error and not rebuild.is_stale(obj)
    assert np.array_equal(mesh, np.array([vertex.co for vertex in obj.data.vertices]))
    obj.relief_knot.columns = 5
    assert not rebuild.is_stale(obj)


def test_every_step_of_bringing_up_is_taken_and_what_cannot_be_read_is_left(monkeypatch):
    steps = {-1: lambda found: found | {"interlace": 0}, 0: lambda found: found | {"interlace": 1}}
    monkeypatch.setattr(store, "MIGRATIONS", steps)
    assert json.loads(store.migrated('{"interlace": -1, "layout": 1}')) == {"interlace": 1, "layout": 1}
    for text in ("{", "[1]", '{"interlace": 99}', "", '{"interlace": 1}'):
        assert store.migrated(text) == text


BACKGROUND = """
import os, sys
import bpy
sys.path.insert(0, sys.argv[-3])
import blender_addon
blender_addon.register()
bpy.ops.wm.open_mainfile(filepath=sys.argv[-2])
scene = bpy.context.scene
scene.render.engine = "CYCLES"
scene.cycles.samples = 1
scene.render.resolution_x = scene.render.resolution_y = 64
scene.render.filepath = sys.argv[-1]
bpy.ops.render.render(write_still=True)
sys.stdout.flush()
os._exit(0)
"""


def test_a_knot_renders_in_background(knot, tmp_path):
    scene = bpy.context.scene
    camera = bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera"))
    camera.location, camera.data.type, camera.data.ortho_scale = (0.014, 0.014, 1), "ORTHO", 0.03
    scene.collection.objects.link(camera)
    scene.camera = camera
    glow = bpy.data.materials.new("Glow")
    glow.use_nodes = True
    glow.node_tree.nodes.clear()
    light = glow.node_tree.nodes.new("ShaderNodeEmission")
    out = glow.node_tree.nodes.new("ShaderNodeOutputMaterial")
    glow.node_tree.links.new(light.outputs[0], out.inputs[0])
    knot.data.materials.append(glow)
    path, picture = str(tmp_path / "scene.blend"), tmp_path / "picture.png"
    bpy.ops.wm.save_as_mainfile(filepath=path)
    script = tmp_path / "render.py"
    script.write_text(BACKGROUND)
    done = subprocess.run(
        [sys.executable, str(script), str(HERE.parents[1]), path, str(picture)],
        capture_output=True,
        text=True,
        timeout=200,
        check=False,
        env=os.environ | {"BLENDER_USER_RESOURCES": str(tmp_path / "user")},
    )
    assert picture.exists(), done.stdout + done.stderr
    image = bpy.data.images.load(str(picture))
    pixels = np.array(image.pixels[:]).reshape(64, 64, 4)[..., 0]
    assert 0.3 < (pixels > 0.5).mean() < 0.95, "strands glow, the background between them does not"
