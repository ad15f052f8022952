"""trimesh and manifold3d agree on what is written of every printed demonstration; bmesh does in tests/blender."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import manifold3d
import numpy as np
import pytest
import trimesh

from knotgeom.files import stl
from knotgeom.printing.bodies import joined
from knotgeom.printing.piece import make_piece

ROOT = Path(__file__).resolve().parents[2]


def printed():
    spec = importlib.util.spec_from_file_location("printed_demos", ROOT / "demo_scenes" / "demos.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["printed_demos"] = module
    spec.loader.exec_module(module)
    return module.PRINTED


@pytest.mark.parametrize("demo", printed(), ids=lambda demo: demo.name)
def test_trimesh_and_manifold3d_agree_on_every_printed_demonstration(demo, tmp_path):
    piece = make_piece(demo.design)
    if piece.edges.length:  # the rims of plate and frame
        assert piece.edges.least == pytest.approx(demo.design.make.print.rounding, rel=0.02)
        assert piece.edges.left < 0.01 * piece.edges.length
    path = tmp_path / "solid.stl"
    path.write_bytes(b"".join(stl.encode(joined(piece.bodies))))
    read = trimesh.load_mesh(path)
    assert read.is_watertight and read.is_winding_consistent
    single = manifold3d.Mesh(np.asarray(read.vertices, np.float32), np.asarray(read.faces, np.uint32))
    solid = manifold3d.Manifold(single)
    assert solid.status() == manifold3d.Error.NoError
    assert solid.volume() == pytest.approx(read.volume, rel=1e-5)
    assert len(solid.decompose()) == read.body_count == piece.expected
    assert read.euler_number == sum(2 - 2 * part.genus() for part in solid.decompose())
