"""Maps that Cycles bakes from the exact surface are those that the core works out, and leave the file as it was."""

from __future__ import annotations

from dataclasses import replace

import bpy
import numpy as np
import pytest

from blender_addon import bake_trim, core
from knotgeom.trims.layers import layers as layers_of
from tests.core.trim_tubes import kit_of, straight, woven_kit


def normals_of(pixels):
    most = np.iinfo(pixels.dtype).max
    given = pixels.astype(float) / most * 2 - 1
    return given / np.linalg.norm(given, axis=-1, keepdims=True)


def degrees(one, other):
    return np.degrees(np.arccos(np.clip((normals_of(one) * normals_of(other)).sum(-1), -1, 1)))


@pytest.fixture(scope="module")
def kit():
    return woven_kit(bits=16)


@pytest.fixture(scope="module")
def layers(kit):
    return layers_of(kit)


def test_cycles_sees_from_the_plane_what_the_core_sees(kit, layers):
    ours = core.trims_bakes.bake(kit)
    theirs = bake_trim.bake_kit(kit, samples=16)
    inner = layers.pure & layers.part
    assert inner.mean() > 0.15
    off = degrees(theirs["normal"], ours["normal"])[inner]
    assert off.mean() < 0.75
    assert np.quantile(off, 0.95) < 2
    light = (theirs["occlusion"].astype(float) - ours["occlusion"])[inner] / 65535
    assert theirs["occlusion"].dtype == np.uint16 and abs(light.mean()) < 0.02
    assert np.abs(light).mean() < 0.06  # 16 rays a texel


def test_cycles_gives_a_level_the_normals_that_the_core_gives_it(kit, layers):
    """Cycles looks along the level's normals and the core straight down, so they agree the better the finer it is."""
    ours = core.trims_bakes.bake(kit, levels=(0,))["normal-lod0"]
    theirs = bake_trim.bake_kit(kit, 0, ("normal",))["normal"]
    inner = layers.pure & layers.part
    off = degrees(theirs, ours)[inner]
    assert off.mean() < 2
    assert np.median(off) < 1


def test_baking_leaves_no_trace_in_the_file():
    bpy.ops.mesh.primitive_cube_add()
    small = kit_of([straight()], size=64, padding=2, bits=8)
    kinds = ("scenes", "worlds", "objects", "meshes", "materials", "images")
    before = {kind: set(getattr(bpy.data, kind).keys()) for kind in kinds}
    chosen, engine = bpy.context.object, bpy.context.scene.render.engine
    stages = []
    maps = bake_trim.bake_kit(small, progress=lambda share, stage: stages.append((share, stage)), samples=1)
    assert {kind: set(getattr(bpy.data, kind).keys()) for kind in kinds} == before
    assert (bpy.context.object, bpy.context.scene.render.engine) == (chosen, engine)
    assert stages == [(0, "baking straight")]
    assert {name: (pixels.dtype.name, pixels.ndim) for name, pixels in maps.items()} == {
        "normal": ("uint8", 3),
        "occlusion": ("uint8", 2),
    }

    def stop(_share, _stage):
        raise core.progress.Cancelled

    with pytest.raises(core.progress.Cancelled):
        bake_trim.bake_kit(small, progress=stop)
    assert {kind: set(getattr(bpy.data, kind).keys()) for kind in kinds} == before


def test_green_points_the_way_that_is_asked_for():
    small = kit_of([straight()], size=64, padding=2, bits=8)
    trim = small.design.make.trim
    other = replace(trim, textures=replace(trim.textures, green=core.trims_options.Green.DIRECTX))
    up, down = (bake_trim.bake_kit(small, kinds=("normal",), options=one)["normal"] for one in (trim, other))
    assert up[..., 1].std() > 10
    assert np.abs(up[..., 1].astype(int) + down[..., 1] - 255).max() <= 1
    assert np.abs(up[..., [0, 2]].astype(int) - down[..., [0, 2]]).max() <= 1
