"""Strips: flat ones are cut where they come round, so that copies laid end to end join to the bit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from knotgeom.design import Breaks, Cylinder, Design, Divide, Heights, Making, Pass, Rim, Site, Strand, Strip, Way
from knotgeom.made import make, solid
from knotgeom.mesh import Mesh, all_triangles, volume
from tests.core.curves import bodies, weave_seen
from tests.core.measures import unsound

STRIPS = {
    "walled": Design(Strip(3, 2, 10.0, 10.0), strand=Strand(3.5, 0.6)),
    "crossed": Design(Strip(3, 1, 10.0, 12.0, 1, Rim.CROSSED, Rim.CROSSED), strand=Strand(3.5, 0.6)),
    "repeated, with breaks": Design(
        Strip(3, 2, 10.0, 10.0, 2), Breaks((Site(1, 2), Site(0, 1)), (Site(4, 1),)), strand=Strand(3.5, 0.6)
    ),
    "forked": Design(
        Strip(4, 2, 12.0, 12.0), divide=Divide(passes=(Pass(1, 2, Way.RISING),), gap=1.6), strand=Strand(4.0, 0.4)
    ),
    "halves": Design(Strip(3, 2, 12.0, 12.0), divide=Divide(all=True, gap=1.6), strand=Strand(4.0, 0.4)),
}


def seam(mesh: Mesh, x: float) -> np.ndarray:
    """Places (y, z) of the vertices at one end, sorted."""
    at = mesh.vertices[mesh.vertices[:, 0] == x, 1:]
    return at[np.lexsort(at.T)]


@pytest.mark.parametrize("way", [Making.FREE, Making.FUSED])
@pytest.mark.parametrize("name", STRIPS)
def test_both_ends_of_a_flat_strip_have_the_same_vertices_to_the_bit(name: str, way: Making) -> None:
    design = replace(STRIPS[name], heights=Heights(way, 0.15, 0.4))
    done = make(design, fine=way is Making.FREE)
    mesh = solid(done)
    strip = design.layout
    assert isinstance(strip, Strip)
    length = strip.columns * strip.repeats * strip.cell_width
    low, high = seam(mesh, 0.0), seam(mesh, length)
    assert len(low) >= 12
    assert np.array_equal(low, high)
    assert mesh.vertices[:, 0].min() == 0.0 and mesh.vertices[:, 0].max() == length
    assert unsound(mesh) == []
    found = bodies(mesh)
    for k, body in enumerate(found):
        for other in found[:k]:
            assert (body ^ other).volume() == 0.0


@pytest.mark.parametrize("name", ["walled", "crossed", "repeated, with breaks"])
def test_a_flat_strip_is_woven_as_its_map_says(name: str) -> None:
    done = make(STRIPS[name], fine=False)
    assert done.mesh is not None
    period, mesh = done.counted.layout.period, done.mesh
    aside = [1e-3 * done.counted.size.width, 0.0, 0.0]  # the seam lies so far beside the first crossings
    laid = [mesh.vertices + aside + [k * period, 0.0, 0.0] for k in (-1, 0, 1)]  # three end to end
    faces = np.concatenate([all_triangles(mesh) + k * len(mesh.vertices) for k in range(3)])
    nothing = np.zeros((0, 4), int)
    row = replace(
        mesh, vertices=np.vstack(laid), triangles=faces, quads=nothing, triangle_uv=np.tile(mesh.triangle_uv, (3, 1, 1))
    )
    seen = weave_seen(done, row)
    want = done.counted.weaving.pass_one_over.tolist()
    assert [over for over, _ in seen] == want
    assert min(space for _, space in seen) >= 0.9 * done.counted.size.clearance


def test_a_strip_bent_round_a_cylinder_has_the_flat_one_s_volume() -> None:
    # bent round, what lies outside the middle is stretched as much as what lies inside is shortened (Pappus), but for
    # the rise and fall of the strands, which is as often outside as in
    flat, bent = (
        make(Design(Strip(2, 2, 10.0, 10.0, 8, surface=surface), strand=Strand(3.5, 0.6)), fine=False)
        for surface in (None, Cylinder())
    )
    assert flat.mesh is not None and bent.mesh is not None
    assert volume(bent.mesh) == pytest.approx(volume(flat.mesh), rel=0.01)
    assert flat.facts["components"] == bent.facts["components"]
    assert flat.facts["steepest_deg"] == pytest.approx(bent.facts["steepest_deg"], abs=0.2)
    assert len(bodies(bent.mesh)) == bent.facts["components"]
