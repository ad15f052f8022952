"""Coarse meshes: what their facets take of the room between strands is given back, or the mesh is refused."""

from __future__ import annotations

import numpy as np
import pytest

from knotgeom import made
from knotgeom.design import Design, FreeMesh, Grid, Making, Sphere, Strand, Strip
from knotgeom.sizing import sizes
from tests.core.exact import pairs_of


def torus(around: int, across: int) -> FreeMesh:
    """Quads on a torus of radii 60 and 22 mm."""
    u, v = (np.arange(n) * (2 * np.pi / n) for n in (around, across))
    far = 60 + 22 * np.cos(v)
    points = [(float(f * np.cos(a)), float(f * np.sin(a)), float(22 * np.sin(b))) for a in u for f, b in zip(far, v)]
    corners = ((0, 0), (1, 0), (1, 1), (0, 1))
    faces = tuple(
        tuple(((i + a) % around) * across + (j + b) % across for a, b in corners)
        for i in range(around)
        for j in range(across)
    )
    return FreeMesh(tuple(points), faces)


@pytest.mark.parametrize(("mesh", "share"), [((8, 6), 0.7), ((12, 8), 1.0), ((16, 10), 1.0)])
def test_free_strands_on_a_coarse_torus_stay_clear_of_each_other(mesh, share):
    layout = torus(*mesh)
    design = Design(layout, strand=Strand(width=share * sizes(Design(layout)).width))
    result = made.make(design, prove=0)
    assert design.heights.way is Making.FREE
    assert result.drawn.uneven > 0.1  # the facets do differ
    assert pairs_of(result.mesh) == 0


def test_a_mesh_too_coarse_for_its_strands_is_not_made_and_the_narrower_strand_said_to_do_is():
    layout = torus(8, 6)
    refused = made.make(Design(layout), prove=0)
    assert refused.mesh is None
    (coarse,) = (finding for finding in refused.findings if finding.at is None)
    narrower = next(change.value for change in coarse.changes if change.key == "strand.width")
    assert made.make(Design(layout, strand=Strand(width=narrower)), prove=0).mesh is not None


def test_the_surface_is_the_same_along_all_strands_of_a_plane_a_ball_and_a_bangle():
    assert made.make(Design(Grid(3, 4, 10.0, 8.0)), prove=0).drawn.uneven == 0
    assert made.make(Design(Strip(4, 2, 10.0, 10.0, 2)), prove=0).drawn.uneven == 0
    assert made.make(Design(Strip(10, 3, 5.0, 5.0, surface=Sphere(20.0))), prove=0).drawn.uneven < 0.002
