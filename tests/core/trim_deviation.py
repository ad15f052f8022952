"""A level's deviation by libigl's tree of boxes, from the points that ours is measured in."""

import math

import igl
import numpy as np

from knotgeom.trims.deviation import FINE


def looked_at(fine, mesh):
    """Points of both surfaces that a deviation is measured in; see :mod:`knotgeom.trims.deviation`."""
    level, exact = (one.positions[one.triangles] for one in (mesh, fine))
    step = np.median(np.linalg.norm(level - np.roll(level, 1, 1), axis=2).max(1)) / FINE
    shares = np.array([(FINE - v - w, v, w) for v in range(FINE + 1) for w in range(FINE + 1 - v)]) / FINE
    other = np.roll(exact, 1, 1)
    long = np.linalg.norm(exact - other, axis=2) > step
    return np.concatenate([exact.reshape(-1, 3), ((exact + other) / 2)[long]]), (shares @ level).reshape(-1, 3)


def deviation_by_libigl(fine, mesh):
    """Greatest distance both ways from the points that a deviation is measured in."""
    on_exact, on_level = looked_at(fine, mesh)
    ways = ((on_exact, mesh), (on_level, fine))
    return max(
        math.sqrt(igl.point_mesh_squared_distance(points, onto.positions, onto.triangles.astype(np.int64))[0].max())
        for points, onto in ways
    )


def points_apart(fine, mesh):
    """How far any place of either surface is from the nearest of these points at most.

    No place of a triangle is farther from all its corners than its longest edge by the root of three.
    """
    corners = [one.positions[one.triangles] for one in (fine, mesh)]
    longest = [np.linalg.norm(one - np.roll(one, 1, 1), axis=2).max() for one in corners]
    return max(longest[0], longest[1] / FINE) / math.sqrt(3)
