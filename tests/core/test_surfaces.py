"""Every layout gives sound strands, woven as its map says, on the plane and on curved surfaces."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from knotgeom.design import (
    Border,
    Corners,
    Cylinder,
    Design,
    Divide,
    Dome,
    FreeMesh,
    Heights,
    Layouts,
    Making,
    Rim,
    Ring,
    Sphere,
    Strand,
    Strip,
    Turned,
)
from knotgeom.made import Made, make, solid
from knotgeom.sizing import sizes
from tests.core.curves import bodies, weave_seen
from tests.core.measures import unsound
from tests.core.test_solid import as_solid, assert_sound, holes_of_map, parts_of_map

WALLED, CROSSED = Rim.WALLED, Rim.CROSSED


def hexagon(boundary: Rim) -> FreeMesh:
    """Six triangles about a point."""
    turn = np.arange(6) * math.pi / 3
    rim = [(12 * math.cos(a), 12 * math.sin(a), 0.0) for a in turn]
    return FreeMesh(((0.0, 0.0, 0.0), *rim), tuple((0, k + 1, (k + 1) % 6 + 1) for k in range(6)), boundary)


def torus(around: int, across: int, far: float, near: float) -> FreeMesh:
    """A torus of four-sided faces: it has no boundary, and is of genus 1."""
    points, faces = [], []
    for i in range(around):
        for j in range(across):
            a, b = 2 * math.pi * i / around, 2 * math.pi * j / across
            out = far + near * math.cos(b)
            points.append((out * math.cos(a), out * math.sin(a), near * math.sin(b)))
            ahead, up = (i + 1) % around, (j + 1) % across
            faces.append((i * across + j, ahead * across + j, ahead * across + up, i * across + up))
    return FreeMesh(tuple(points), tuple(faces))


def saddle(boundary: Rim) -> FreeMesh:
    points = [
        (12.0 * x, 12.0 * y, 0.01 * ((12 * x - 18) ** 2 - (12 * y - 18) ** 2)) for y in range(4) for x in range(4)
    ]
    faces = [(4 * y + x, 4 * y + x + 1, 4 * y + x + 5, 4 * y + x + 4) for y in range(3) for x in range(3)]
    return FreeMesh(tuple(points), tuple(faces), boundary)


PLANE: dict[str, Layouts] = {
    "ring": Ring(7, 2, 25.0, 50.0),
    "ring crossed outside": Ring(8, 1, 25.0, 40.0, WALLED, CROSSED),
    "ring crossed inside": Ring(8, 1, 25.0, 40.0, CROSSED, WALLED),
    "ring crossed twice": Ring(6, 1, 25.0, 40.0, CROSSED, CROSSED),
    "wheel": Ring(6, 2, 0.0, 40.0),
    "square border": Border((2, 1), 1, 10.0),
    "hexagon border": Border((2, 6), 1, 10.0, polygon=True),
    "mitred border": Border((3, 2), 1, 10.0, corners=Corners.MITRED),
    "hexagon walled": hexagon(WALLED),
    "hexagon crossed": hexagon(CROSSED),
}
CURVED: dict[str, Layouts] = {
    "cylinder": Strip(2, 2, 10.0, 10.0, 4, surface=Cylinder()),
    "cylinder crossed": Strip(2, 1, 10.0, 10.0, 4, WALLED, CROSSED, Cylinder()),
    "sphere": Strip(2, 2, 10.0, 10.0, 4, surface=Sphere(32.0)),
    "turned": Strip(2, 2, 10.0, 10.0, 5, surface=Turned(((16.0, 0.0), (20.0, 12.0), (16.0, 26.0)))),
    "dome": Ring(7, 2, 25.0, 50.0, surface=Dome(10.0)),
    "torus": torus(12, 8, 40.0, 16.0),
    "saddle walled": saddle(WALLED),
    "saddle crossed": saddle(CROSSED),
}
EVERY = PLANE | CURVED


def design_of(layout: Layouts, way: Making = Making.FREE, divide: Divide | None = None) -> Design:
    """Strands three tenths of a cell wide, thin, so that they have room to climb on every layout.

    On a closed free mesh they are narrower still: its rounded surface is as uneven as its facets are large.
    """
    share = 0.45 if isinstance(layout, FreeMesh) and len(layout.vertices) > 20 else 0.7
    width = sizes(Design(layout)).width * share
    divide = Divide() if divide is None else replace(divide, gap=0.4 * width)
    clearance = 0.04 * width
    return Design(
        layout, divide=divide, strand=Strand(width, 0.15 * width), heights=Heights(way, clearance, 0.1 * width)
    )


def assert_apart(done: Made) -> None:
    """A body for each closed strand, sound by itself, none of which meets another."""
    assert done.mesh is not None, done.findings
    assert unsound(done.mesh) == []
    found = bodies(done.mesh)
    assert len(found) == done.facts["components"]
    for k, body in enumerate(found):
        for other in found[:k]:
            assert (body ^ other).volume() == 0.0


@pytest.mark.parametrize("name", [name for name in EVERY if name != "torus"])
def test_free_strands_lie_apart_and_over_and_under_each_other_as_in_the_map(name: str) -> None:
    done = make(design_of(EVERY[name]), fine=False)
    assert_apart(done)
    assert done.mesh is not None
    seen = weave_seen(done, done.mesh)
    assert len(seen) == done.facts["crossings"] > 0
    assert [over for over, _ in seen] == done.counted.weaving.pass_one_over.tolist()
    # heights are kept along normals; facets' rounded surface is bent unevenly, which costs some of it
    share = 0.5 if name in ("saddle walled", "saddle crossed") else 0.9
    assert min(space for _, space in seen) >= share * done.counted.size.clearance


@pytest.mark.parametrize("name", ["sphere", "turned", "dome", "saddle crossed"])
def test_slopes_are_rise_over_length_on_the_surface_whichever_way_a_strand_runs(name: str) -> None:
    done = make(design_of(EVERY[name]))
    drawn = done.drawn
    assert drawn is not None
    steepest = 0.0
    for begin, end in zip(drawn.lanes.start[:-1], drawn.lanes.start[1:], strict=True):
        foot, z = drawn.courses.point[drawn.lanes.sample[begin:end]], drawn.relief.z[begin:end]
        run = np.linalg.norm(np.roll(foot, -1, axis=0) - foot, axis=1)
        steepest = max(steepest, float(np.abs((np.roll(z, -1) - z) / run).max()))
    told = math.tan(math.radians(done.facts["steepest_deg"]))
    assert 0.95 * told <= steepest <= 1.002 * told


@pytest.mark.parametrize("name", ["ring", "ring crossed twice", "hexagon border", "hexagon crossed", "sphere", "dome"])
def test_halves_are_sound_and_lie_apart(name: str) -> None:
    assert_apart(make(design_of(EVERY[name], divide=Divide(all=True))))


@pytest.mark.parametrize("name", EVERY)
def test_fused_strands_are_one_sound_solid_with_a_hole_for_every_mesh_of_the_weave(name: str) -> None:
    layout = torus(6, 5, 40.0, 16.0) if name == "torus" else EVERY[name]
    done = make(design_of(layout, Making.FUSED), fine=False)
    back = assert_sound(solid(done))
    whole = as_solid(back.vertices, back.faces)
    assert len(whole.decompose()) == parts_of_map(done) == 1
    assert whole.genus() == holes_of_map(done)


def test_a_torus_carries_a_map_of_genus_1() -> None:
    done = make(design_of(CURVED["torus"]), fine=False)
    crossings = done.facts["crossings"]
    mesh = CURVED["torus"]
    assert isinstance(mesh, FreeMesh)
    assert crossings == 2 * len(mesh.vertices)  # four-sided faces, four at a vertex
    assert done.facts["exceptions"] == 0 and done.facts["exact"] is True
    assert_apart(done)
