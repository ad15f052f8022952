"""Meshes that meet themselves are found, as exact predicates find them."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given
from hypothesis import strategies as st

from knotgeom.selfcut import crossing_pairs
from tests.core import exact


def exactly(vertices: np.ndarray, triangles: np.ndarray) -> int:
    """Pairs by CGAL's exact predicates."""
    return exact.crossing_pairs(vertices, triangles)


@given(st.integers(0, 10_000), st.sampled_from([0.5, 1.5, 4.0]), st.booleans())
def test_scattered_triangles_cross_as_often_as_exactly(seed, size, level):
    rng = np.random.default_rng(seed)
    corner = rng.uniform(0, 10, (60, 1, 3)) + rng.uniform(-size, size, (60, 3, 3))
    if level:  # on a lattice many touch, lie in one plane or share a place
        corner = np.round(corner)
    area = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    corner = corner[area > 1e-6].astype(np.float32).astype(float)
    vertices, numbered = np.unique(corner.reshape(-1, 3), axis=0, return_inverse=True)
    triangles = np.unique(np.sort(np.asarray(numbered).reshape(-1, 3), axis=1), axis=0)
    found, wanted = len(crossing_pairs(vertices, triangles)), exactly(vertices, triangles)
    # of those on the lattice a few touch in a single point of an edge, which is not looked for
    assert found == wanted if not level else wanted - max(3, wanted // 10) <= found <= wanted


@pytest.mark.parametrize("apart, crosses", [(0.3, True), (1.2, True), (2.5, False)])
def test_two_balls_cross_where_they_overlap(apart, crosses):
    ball = trimesh.creation.icosphere(3, 1.0)
    vertices = np.concatenate([ball.vertices, ball.vertices * 0.99 + [apart, 0.01, 0.02]])
    vertices = vertices.astype(np.float32).astype(float)
    triangles = np.concatenate([ball.faces, ball.faces + len(ball.vertices)])
    found = len(crossing_pairs(vertices, triangles))
    assert found == exactly(vertices, triangles)
    assert (found > 0) == crosses


def test_a_torus_that_is_sound_meets_itself_nowhere_and_one_too_thick_does():
    for minor, crosses in ((1.0, False), (3.5, True)):
        torus = trimesh.creation.torus(3.0, minor, 48, 24)
        found = crossing_pairs(np.asarray(torus.vertices), np.asarray(torus.faces, np.int64))
        assert (len(found) > 0) == crosses
        assert (found[:, 0] < found[:, 1]).all()


def test_where_there_is_nothing_nothing_crosses():
    assert crossing_pairs(np.zeros((0, 3)), np.zeros((0, 3), np.int64)).shape == (0, 2)


def test_pairs_among_some_triangles_are_all_those_that_have_one_of_them():
    torus = trimesh.creation.torus(3.0, 3.5, 48, 24)
    vertices, triangles = np.asarray(torus.vertices), np.asarray(torus.faces, np.int64)
    among = np.random.default_rng(2).random(len(triangles)) < 0.2
    whole = crossing_pairs(vertices, triangles)
    assert np.array_equal(crossing_pairs(vertices, triangles, among), whole[among[whole].any(1)])
    assert 0 < among[whole].any(1).sum() < len(whole)
    assert len(crossing_pairs(vertices, triangles, np.zeros(len(triangles), bool))) == 0


def test_nothing_and_one_triangle_cross_nothing():
    place = np.eye(3)
    assert len(crossing_pairs(place, np.zeros((0, 3), np.int64))) == 0
    assert len(crossing_pairs(place, np.array([[0, 1, 2]]))) == 0


def test_pairs_among_many_triangles_that_are_large_beside_the_others_are_found_too():
    rng = np.random.default_rng(4)
    small = rng.uniform(0, 20, (2600, 1, 3)) + rng.uniform(-0.5, 0.5, (2600, 3, 3))
    large = rng.uniform(0, 20, (230, 1, 3)) + rng.uniform(-3, 3, (230, 3, 3))
    vertices = np.concatenate([small, large]).reshape(-1, 3)
    triangles = np.arange(len(vertices)).reshape(-1, 3)
    among = np.arange(len(triangles)) >= len(small)
    whole = crossing_pairs(vertices, triangles)
    found = crossing_pairs(vertices, triangles, among)
    assert np.array_equal(found, whole[among[whole].any(1)]) and 100 < len(found) < len(whole)
