"""The nearest of many points through a tree of boxes, against SciPy's k-d tree and against looking at all of them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.spatial import KDTree

from knotgeom.layout import nearest


@pytest.mark.parametrize("count", [1, 7, 8, 9, 300, 20_000])
def test_the_nearest_point_is_found_and_the_first_of_several_as_near(count, monkeypatch):
    monkeypatch.setattr(nearest, "MANY", 3000)  # so that what is asked is also parted
    rng = np.random.default_rng(count)
    points = rng.normal(size=(count, 3)).round(1)  # many of them again and again
    asked = np.concatenate([rng.normal(size=(1500, 3)) * 2, points[:500], [[0.05, 0.05, 0.05], [1e6, 0, 0]]])
    found = nearest.tree(points).nearest(asked)
    assert_allclose(np.linalg.norm(points[found] - asked, axis=1), KDTree(points).query(asked)[0], atol=1e-9)
    if count <= 300:
        assert_array_equal(found, ((points[None] - asked[:, None]) ** 2).sum(2).argmin(1))


def test_points_round_a_ring_are_all_as_near_to_its_axis():
    turn = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    ring = np.stack([np.cos(turn), np.sin(turn), 0 * turn], 1)
    axis = np.stack([np.zeros(50), np.zeros(50), np.linspace(-1, 1, 50)], 1)
    found = nearest.tree(ring).nearest(axis)
    away = np.linalg.norm(ring[None] - axis[:, None], axis=2)
    assert_allclose(away[np.arange(50), found], away.min(1), rtol=1e-15)
