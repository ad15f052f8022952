"""Diagrams read off curves in space, and meshes probed by rays: all by brute force, sharing no code with the tool."""

from __future__ import annotations

import manifold3d
import numpy as np
from scipy.spatial import cKDTree

from knotgeom.counting import Counted
from knotgeom.cycles import connected_labels
from knotgeom.made import Made
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


def probe(
    mesh: Mesh, points: np.ndarray, ways: np.ndarray, reach: float, *, faces: bool = False
) -> list[tuple[np.ndarray, ...]]:
    """What lines through points along unit directions meet within ``reach`` of the points, the farthest out first.

    Returns for each line the places along it and +1 where it leaves the body going outward, -1 where it enters
    (Moeller and Trumbore, 1997); with ``faces`` also the triangles that are met.
    """
    corner = mesh.vertices[all_triangles(mesh)]
    centre = corner.mean(1)
    radius = np.linalg.norm(corner - centre[:, None], axis=2).max(1)
    # a little aside, since strands cross just at samples and a ray there would run along edges
    points = points + 1e-4 * np.array([0.83, 0.41, 0.37])
    found = []
    for point, way in zip(points, ways, strict=True):
        away = centre - point
        along = away @ way
        near = np.flatnonzero(((away * away).sum(1) - along**2 <= radius**2) & (np.abs(along) <= reach + radius))
        a = corner[near, 0]
        e, f = corner[near, 1] - a, corner[near, 2] - a
        h = np.cross(way, f)
        det = (e * h).sum(1)
        with np.errstate(all="ignore"):
            u = ((point - a) * h).sum(1) / det
            back = np.cross(point - a, e)
            v = (back @ way) / det
            place = (f * back).sum(1) / det
            hit = (np.abs(det) > 1e-14) & (u >= 0) & (v >= 0) & (u + v <= 1) & (np.abs(place) <= reach)
        order = np.argsort(-place[hit], kind="stable")
        met = (place[hit][order], np.sign((np.cross(e, f) @ way)[hit][order]).astype(int))
        found.append((*met, near[hit][order]) if faces else met)
    return found


def surface_frames(counted: Counted, edge: int, offsets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places on the layout's surface beside the middle of an edge, in space, and the normals there, each (n, 3).

    Parameters
    ----------
    offsets : (n, 3) array
        From the middle, along the layout.
    """
    layout = counted.layout
    places = layout.middle[edge] + offsets
    if layout.surface is not None:
        foot, up = layout.surface.project(places)
        return foot, up
    if layout.period and counted.design.layout.surface is not None:  # bent round a cylinder about the y axis
        turn, radius = places[:, 0] * 2 * np.pi / layout.period, layout.period / (2 * np.pi)
        up = np.stack([np.sin(turn), np.zeros(len(turn)), np.cos(turn)], 1)
        return radius * up + places * [0, 1, 0], up
    return places, np.broadcast_to([0.0, 0.0, 1.0], places.shape)


def weave_seen(made: Made, mesh: Mesh) -> list[tuple[bool, float]]:
    """At each woven crossing whether pass 1 is over, and the space between the strands, seen by rays along the normals.

    A strand is known by following it: from beside the crossing, where it is alone, the rays step to the middle. Rays
    over the whole of the overlap find the least space.

    Raises
    ------
    AssertionError
        A strand lies within a strand, or more or fewer than two lie over a crossing.
    """
    counted = made.counted
    size, layout, strands = counted.size, counted.layout, counted.strand_map
    reach = 4 * (size.thickness + size.separation)
    found = []
    for crossing, edge in enumerate(strands.crossing_edge.tolist()):
        ahead = layout.heading[edge]
        left = np.cross(layout.up[edge], ahead)
        sides = strands.crossing_sides[crossing]
        divided = strands_divided(counted, edge)
        aside = [
            (1 - 2 * int(side)) * (size.width - size.half_width) / 2 * both
            for side, both in zip(sides, divided, strict=True)
        ]
        breadth = [size.half_width if both else size.width for both in divided]
        sine = abs(float(ahead[0] @ left[1]))
        # the place to the left of both passes by as much as the half lies there
        centre = aside[0] * ahead[1] / (ahead[1] @ left[0]) + aside[1] * ahead[0] / (ahead[0] @ left[1])
        away = 1.0 if sides[0] == 0 else -1.0  # to the left of pass 0 is ahead along pass 1: from its other half away
        alone = (breadth[0] / 2 + 0.04 * size.width) / sine + breadth[1] / 2 * abs(float(ahead[0] @ ahead[1])) / sine
        steps = np.linspace(alone, 0.0, 9)
        points, ups = surface_frames(counted, edge, centre + away * steps[:, None] * ahead[1])
        layers = [intervals(*hits) for hits in probe(mesh, points, ups, reach)]
        assert len(layers[0]) == 1, (crossing, layers[0])
        assert len(layers[-1]) == 2, (crossing, layers[-1])
        middle = layers[0][0].mean()
        for layer in layers[1:]:
            middles = layer.mean(1)
            middle = middles[np.abs(middles - middle).argmin()]
        seen = bool(middle == layers[-1][0].mean())
        share = np.array([[0.0, 0.0], [0.45, 0.45], [0.45, -0.45], [-0.45, 0.45], [-0.45, -0.45]])
        across = (share[:, :1] * breadth[1] * ahead[0] + share[:, 1:] * breadth[0] * ahead[1]) / sine
        points, ups = surface_frames(counted, edge, centre + across)
        least = np.inf
        for hits in probe(mesh, points, ups, reach):
            layer = intervals(*hits)
            if len(layer) == 2:
                least = min(least, float(layer[0][1] - layer[1][0]))
        found.append((seen, least))
    return found


def strands_divided(counted: Counted, edge: int) -> tuple[bool, bool]:
    """Whether pass 0 and pass 1 of an edge are divided."""
    circuits = counted.circuits
    visit = [np.flatnonzero((circuits.visit_edge == edge) & (circuits.visit_pass == k))[0] for k in (0, 1)]
    return bool(counted.strand_map.divided[visit[0]]), bool(counted.strand_map.divided[visit[1]])


def intervals(place: np.ndarray, way: np.ndarray) -> np.ndarray:
    """What lies within bodies along a line, from the outermost in: (n, 2), its outer end and its inner."""
    assert (way[0::2] > 0).all() and (way[1::2] < 0).all() and len(way) % 2 == 0, (place, way)
    return np.stack([place[0::2], place[1::2]], 1)


def bodies(mesh: Mesh) -> list[manifold3d.Manifold]:
    """The closed bodies of a mesh as solids, every one of which must be sound by itself."""
    triangles = all_triangles(mesh)
    label = connected_labels(len(mesh.vertices), triangles.ravel(), np.roll(triangles, -1, 1).ravel())[triangles[:, 0]]
    found = []
    for name in np.unique(label):
        used, numbered = np.unique(triangles[label == name], return_inverse=True)
        body = manifold3d.Manifold(
            manifold3d.Mesh64(np.ascontiguousarray(mesh.vertices[used]), numbered.reshape(-1, 3).astype(np.uint64))
        )
        assert body.status() == manifold3d.Error.NoError
        assert body.volume() > 0
        found.append(body)
    return found
