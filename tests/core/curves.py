"""Diagrams read off curves in space, and meshes probed by rays: all by brute force, sharing no code with the tool."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from knotgeom.mesh import Mesh, all_triangles
from tests.core.pdcodes import Code


def seen_from_above(lines: list[np.ndarray]) -> Code:
    """The planar diagram code of closed polylines (n, 3) seen along z, by meeting every segment with every other.

    Raises
    ------
    AssertionError
        Where two strands meet at the same height.
    """
    start = np.concatenate([[0], np.cumsum([len(line) for line in lines])])
    # strands cross just at samples: polylines through the middles between samples have no meeting at a corner
    lines = [(line + np.roll(line, -1, 0)) / 2 for line in lines]
    p = np.vstack(lines)
    q = np.vstack([np.roll(line, -1, 0) for line in lines])
    d = q - p
    reach = np.linalg.norm(d[:, :2], axis=1)
    pairs = cKDTree((p + q)[:, :2] / 2).query_pairs(float(reach.max()) * 1.01, output_type="ndarray")
    i, j = pairs.T
    cross = d[i, 0] * d[j, 1] - d[i, 1] * d[j, 0]
    away = p[j] - p[i]
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (away[:, 0] * d[j, 1] - away[:, 1] * d[j, 0]) / cross
        t = (away[:, 0] * d[i, 1] - away[:, 1] * d[i, 0]) / cross
    meets = (s >= 0) & (s < 1) & (t >= 0) & (t < 1)
    i, j, s, t, cross = i[meets], j[meets], s[meets], t[meets], cross[meets]
    high_i, high_j = p[i, 2] + s * d[i, 2], p[j, 2] + t * d[j, 2]
    assert (np.abs(high_i - high_j) > 1e-6).all()
    crossings = len(i)
    at = np.concatenate([i + s, j + t])  # where along the polylines, and at which crossing
    order = np.argsort(at, kind="stable")
    owner = np.searchsorted(start, at[order], side="right") - 1
    # pieces are numbered along each strand; a passing comes in on its own number and goes out on the next
    comes, goes = np.zeros(2 * crossings, int), np.zeros(2 * crossings, int)
    used = 0
    for line in range(len(lines)):
        mine = order[owner == line]
        comes[mine] = used + 1 + np.arange(len(mine))
        goes[mine] = used + 1 + (np.arange(len(mine)) + 1) % max(len(mine), 1)
        used += len(mine)
    code = []
    for k in range(crossings):
        over, under = (k, k + crossings) if high_i[k] > high_j[k] else (k + crossings, k)
        # seen along i, j comes from the right where the cross product is positive
        from_right = (cross[k] > 0) == (under == k)
        sides = (comes[over], goes[over]) if from_right else (goes[over], comes[over])
        code.append([int(n) for n in (comes[under], sides[0], goes[under], sides[1])])
    return code


def probe(mesh: Mesh, points: np.ndarray, ways: np.ndarray, reach: float) -> list[tuple[np.ndarray, np.ndarray]]:
    """What lines through points along unit directions meet within ``reach`` of the points, the farthest out first.

    Returns for each line the places along it and +1 where it leaves the body going outward, -1 where it enters
    (Moeller and Trumbore, 1997).
    """
    corner = mesh.vertices[all_triangles(mesh)]
    centre = corner.mean(1)
    radius = float(np.linalg.norm(corner - centre[:, None], axis=2).max())
    tree = cKDTree(centre)
    found = []
    for point, way in zip(points, ways, strict=True):
        near = np.array(tree.query_ball_point(point, reach + radius), int)
        a = corner[near, 0]
        e, f = corner[near, 1] - a, corner[near, 2] - a
        h = np.cross(way, f)
        det = (e * h).sum(1)
        with np.errstate(divide="ignore", invalid="ignore"):
            u = ((point - a) * h).sum(1) / det
            back = np.cross(point - a, e)
            v = (back @ way) / det
            place = (f * back).sum(1) / det
        hit = (np.abs(det) > 1e-14) & (u >= 0) & (v >= 0) & (u + v <= 1) & (np.abs(place) <= reach)
        order = np.argsort(-place[hit], kind="stable")
        found.append((place[hit][order], np.sign((np.cross(e, f) @ way)[hit][order]).astype(int)))
    return found
