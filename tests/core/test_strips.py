"""Strips: flat ones are cut where they come round, so that copies laid end to end join to the bit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from knotgeom.design import (
    Breaks,
    Cylinder,
    Design,
    Divide,
    Heights,
    Making,
    Pass,
    Rim,
    Site,
    Sphere,
    Strand,
    Strip,
    Way,
)
from knotgeom.made import Made, make, solid
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


# ----------------------------------------------------------------------------------------- loops without a crossing


def loops(made: Made) -> list[np.ndarray]:
    """Centre lines, one a circuit."""
    assert made.drawn is not None
    courses = made.drawn.courses
    return np.split(courses.point, courses.start[1:-1])


@pytest.mark.parametrize(("width", "repeats", "surface"), [(4.0, 6, None), (3.5, 3, None), (3.0, 2, Cylinder())])
def test_two_loops_that_never_cross_run_straight_on_as_far_apart_as_is_told(
    width: float, repeats: int, surface: Cylinder | None
) -> None:
    strip = Strip(1, 1, 10.0, 10.0, repeats, surface=surface)
    done = make(Design(strip, Breaks((Site(0, 1),)), strand=Strand(width, 1.0)))
    low, high = loops(done)
    assert np.ptp(low[:, 1]) < 1e-9 and np.ptp(high[:, 1]) < 1e-9
    (told,) = done.findings
    # a straight band beside another: how far apart they are is what their middles are apart, less one width
    assert told.kind == "ground" and told.value == pytest.approx(abs(high[0, 1] - low[0, 1]) - width, abs=1e-4)


@pytest.mark.parametrize(("diameter", "repeats"), [(24.0, 4), (24.0, 9), (40.0, 6)])
def test_a_loop_round_a_ball_is_the_same_in_every_repeat(diameter: float, repeats: int) -> None:
    strip = Strip(1, 1, 10.0, 10.0, repeats, surface=Sphere(diameter))
    done = make(Design(strip, Breaks((Site(0, 1),)), strand=Strand(2.5, 1.0)))
    latitudes = []
    for loop in loops(done):
        assert np.linalg.norm(loop, axis=1) == pytest.approx(diameter / 2, abs=1e-6)
        one = loop[:, 1].reshape(repeats, -1)
        assert np.ptp(one, axis=0).max() < 1e-6
        latitudes.append(one.mean())
        # about a circle of latitude, which is that much shorter than the equator
        round_about = np.linalg.norm(np.roll(loop, -1, axis=0) - loop, axis=1).sum()
        assert round_about == pytest.approx(2 * np.pi * np.sqrt(diameter**2 / 4 - one.mean() ** 2), rel=0.01)
    assert sum(latitudes) == pytest.approx(0.0, abs=1e-6)
    (told,) = done.findings
    assert told.kind == "ground" and told.value == pytest.approx(np.ptp(latitudes) - 2.5, abs=0.3)


def test_a_strand_led_right_round_a_ball_to_the_crossing_that_it_came_from_is_sound() -> None:
    strip = Strip(6, 1, 10.0, 10.0, surface=Sphere(24.0))
    done = make(Design(strip, Breaks(tuple(Site(2 * k, 1) for k in range(1, 6))), strand=Strand(2.5, 1.0)))
    assert done.findings == () and done.mesh is not None and unsound(done.mesh) == []
    (course,) = loops(done)
    assert done.counted.strand_map.crossings == 1 and len(course) > 100
    # the lower half of the way is the upper one turned over: the crossing lies on the equator, and half a turn about
    # the axis through it maps the design to itself
    assert course[:, 1].min() == pytest.approx(-course[:, 1].max(), abs=1e-6)
