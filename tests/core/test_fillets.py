"""Fillets have the volumes of their closed forms, and nothing that is filled meets itself."""

from __future__ import annotations

import math

import manifold3d
import numpy as np
import pytest
import trimesh

from knotgeom.printing import bodies, fillet
from tests.core.exact import crossing_pairs

RADIUS = 0.25
CORNER = 1 - math.pi / 4
"""Between the corner of a square of side r and a quarter circle of radius r lies (1 - pi/4) r^2."""


def filleted(solid: manifold3d.Manifold, radius: float = RADIUS):
    vertices, triangles = bodies.arrays_of(solid)
    done = fillet.faired(vertices, triangles, radius, 0.0, 0.0)
    read = trimesh.Trimesh(done.vertices, done.triangles, process=False)
    assert read.is_watertight and read.is_winding_consistent
    assert crossing_pairs(done.vertices, done.triangles) == 0
    return done, read.volume - solid.volume()


def test_a_straight_crease_is_filled_with_the_area_beside_a_quarter_circle():
    # two bars crossing at right angles: four creases 2 mm long, ending in level faces
    bars = manifold3d.Manifold.cube((6, 2, 2), True) + manifold3d.Manifold.cube((2, 2, 6), True)
    done, added = filleted(bars)
    assert done.creases.length == pytest.approx(8.0)
    assert done.creases.usual == pytest.approx(RADIUS, rel=0.01)
    assert done.creases.least == pytest.approx(RADIUS, rel=0.01)
    assert done.creases.left == 0
    assert added == pytest.approx(8 * CORNER * RADIUS**2, rel=0.03)
    assert np.ptp(done.vertices, axis=0) == pytest.approx([6, 2, 6], abs=1e-6)  # no fillet stands out of a face
    # its corners lie on the circle, or beyond by what makes up for the chords
    beside = np.abs(done.vertices[:, [0, 2]] - 1.125).max(1) < 0.12
    away = np.linalg.norm(done.vertices[beside][:, [0, 2]] - 1.25, axis=1)
    assert beside.any() and away == pytest.approx(RADIUS, rel=0.02)


@pytest.mark.parametrize("radius", [0.15, 0.25, 0.4])
def test_a_round_crease_has_the_volume_of_its_ring(radius):
    # a pin standing on a plate; Pappus: the area beside a quarter circle times the way of its centroid, which lies
    # (10 - 3 pi) / (12 - 3 pi) r from either leg of the corner
    pin = 1.5
    plate = manifold3d.Manifold.cube((6, 6, 1), True) + manifold3d.Manifold.cylinder(2.0, pin, pin, 48)
    done, added = filleted(plate, radius)
    centroid = pin + radius * (10 - 3 * math.pi) / (12 - 3 * math.pi)
    assert added == pytest.approx(CORNER * radius**2 * 2 * math.pi * centroid, rel=0.04)
    assert done.creases.least == pytest.approx(radius, rel=0.03)
    assert done.creases.left == 0


def test_a_groove_takes_the_ball_that_touches_both_its_sides():
    # a V of 60 degrees: between sides that turn by 120 degrees the ball leaves (tan 60 - pi/3) r^2
    half = 1 / math.sqrt(3)
    groove = manifold3d.CrossSection([[(-2, -1), (2, -1), (2, 1), (half, 1), (0, 0), (-half, 1), (-2, 1)]])
    done, added = filleted(groove.extrude(5.0), 0.2)
    assert added == pytest.approx(5 * (math.tan(math.pi / 3) - math.pi / 3) * 0.2**2, rel=0.03)
    assert done.creases.usual == pytest.approx(0.2, rel=0.02) and done.creases.left == 0


def test_two_crossing_rods_are_filled_all_round():
    rod = manifold3d.Manifold.cylinder(6, 1.0, 1.0, 48, True)
    # one thinner than the other, so that their crease is two loops
    done, added = filleted(rod.rotate((90, 0, 0)) + manifold3d.Manifold.cylinder(6, 0.7, 0.7, 48, True))
    assert done.creases.least > 0.9 * RADIUS
    assert done.creases.left < 0.05 * done.creases.length
    assert added > 0


def test_three_faces_that_meet_in_a_corner_are_filled_to_it():
    room = manifold3d.Manifold.cube((4, 4, 4)) - manifold3d.Manifold.cube((4, 4, 4)).translate((1, 1, 1))
    done, added = filleted(room)
    # three creases 3 mm long; in the corner they overlap
    assert 0.9 < added / (9 * CORNER * RADIUS**2) < 1.0
    assert done.creases.least == pytest.approx(RADIUS, rel=0.02)
    assert done.creases.left < 0.1 * done.creases.length
