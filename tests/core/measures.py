"""Measures of curves and meshes from first principles, sharing no code with the tool.

Rays, winding along rays, linking numbers, linear programmes and distances to polylines, all by brute force.
"""

from __future__ import annotations

import numpy as np
import trimesh
from scipy.optimize import linprog
from scipy.sparse import coo_matrix, csr_matrix

from knotgeom.made import Made
from knotgeom.mesh import Mesh, all_triangles
from knotgeom.slopes import Constraints

# ---------------------------------------------------------------------------------------------- meshes


def as_trimesh(mesh: Mesh) -> trimesh.Trimesh:
    """The mesh as it stands: nothing merged, nothing mended."""
    return trimesh.Trimesh(mesh.vertices, all_triangles(mesh), process=False, validate=False)


def unsound(mesh: Mesh) -> list[str]:
    """What keeps a mesh from being a closed, consistently oriented surface without collapsed faces."""
    faces = all_triangles(mesh).astype(np.int64)
    problems = []
    if not np.isfinite(mesh.vertices).all():
        problems.append("vertices that are not finite")
    directed = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    count = len(mesh.vertices)
    key, back = directed[:, 0] * count + directed[:, 1], directed[:, 1] * count + directed[:, 0]
    if len(np.unique(key)) != len(key):
        problems.append("an edge that two faces run along the same way")
    if not np.array_equal(np.sort(key), np.sort(back)):
        problems.append("an edge with one face only")
    a, b, c = (mesh.vertices[corner] for corner in faces.T)
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    if (area <= 1e-9).any():
        problems.append(f"{int((area <= 1e-9).sum())} faces without area")
    if len(np.unique(faces)) != count:
        problems.append("vertices without a face")
    return problems


def hits_below(mesh: Mesh, points: np.ndarray) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """What vertical rays from above meet, highest first: heights, triangles, and +1 where a face looks up, -1 down.

    Each ray is tried against every triangle whose plan holds its point, by signed areas.
    """
    faces = all_triangles(mesh)
    corners = mesh.vertices[faces]
    low, high = corners[:, :, :2].min(1), corners[:, :, :2].max(1)
    order = np.argsort(low[:, 0])
    sorted_low = low[order, 0]
    widest = float((high[:, 0] - low[:, 0]).max())
    found = []
    for x, y in points:
        near = order[np.searchsorted(sorted_low, x - widest) : np.searchsorted(sorted_low, x, side="right")]
        near = near[(high[near, 0] >= x) & (low[near, 1] <= y) & (high[near, 1] >= y)]
        p = corners[near, :, :2] - np.array([x, y])
        q = np.roll(p, -1, axis=1)
        area = p[:, :, 0] * q[:, :, 1] - p[:, :, 1] * q[:, :, 0]  # of the edge k, k + 1 with the point
        whole = area.sum(1)
        inside = ((area > 0).all(1) | (area < 0).all(1)) & (np.abs(whole) > 1e-12)
        weight = np.roll(area[inside], -1, axis=1) / whole[inside, None]
        height = (weight * corners[near[inside], :, 2]).sum(1)
        down = np.argsort(-height, kind="stable")
        found.append((height[down], near[inside][down], np.sign(whole[inside][down]).astype(int)))
    return found


# ---------------------------------------------------------------------------------------------- curves


def linking_number(one: np.ndarray, other: np.ndarray) -> float:
    """Gauss's linking integral of two closed polygons in closed form.

    T. Banchoff, Indiana U. Math. J. 25 (1976); the signed solid angle of two segments as in K. Klenin and J.
    Langowski, Biopolymers 54 (2000), given from memory in shared/trade.md 2.17 and checked there by quadrature.
    """
    p0, p1 = one[:, None], np.roll(one, -1, 0)[:, None]
    q0, q1 = other[None], np.roll(other, -1, 0)[None]
    r13, r14, r23, r24 = q0 - p0, q1 - p0, q0 - p1, q1 - p1

    def unit(v: np.ndarray) -> np.ndarray:
        return v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-300)

    n = [unit(np.cross(*pair)) for pair in ((r13, r14), (r14, r24), (r24, r23), (r23, r13))]
    angle = sum(np.arcsin(np.clip((n[i] * n[(i + 1) % 4]).sum(-1), -1, 1)) for i in range(4))
    sign = np.sign((np.cross(q1 - q0, p1 - p0) * r13).sum(-1))
    return float((angle * sign).sum() / (4 * np.pi))


def onto_polyline(points: np.ndarray, line: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """From each point to each segment of a closed line in plan: distance, fraction along it, both (points, segments).

    The third is whether the foot of the perpendicular lies on the segment.
    """
    a = line[:, :2]
    d = np.roll(a, -1, 0) - a
    length = np.maximum((d * d).sum(1), 1e-18)
    fraction = ((points[:, None] - a[None]) * d[None]).sum(-1) / length
    inside = (fraction >= 0) & (fraction <= 1)
    fraction = np.clip(fraction, 0, 1)
    foot = a[None] + fraction[..., None] * d[None]
    return np.linalg.norm(points[:, None] - foot, axis=-1), fraction, inside


# ---------------------------------------------------------------------------------------------- least slope


def rows_of(given: Constraints) -> csr_matrix:
    """``height[head] - height[tail] - slope * run``: a column for each height, and one for the slope."""
    rows = np.arange(len(given.tail))
    one = np.ones(len(rows))
    matrix = coo_matrix(
        (
            np.concatenate([one, -one, -given.run]),
            (np.tile(rows, 3), np.concatenate([given.head, given.tail, np.full(len(rows), given.nodes)])),
        ),
        shape=(len(rows), given.nodes + 1),
    )
    return matrix.tocsr()


def least_slope_by_programme(given: Constraints) -> float:
    """The least slope as a linear programme in all heights and the slope itself, solved by HiGHS through SciPy.

    Minimise t subject to ``height[head] - height[tail] - t * run <= -drop``, t >= 0. Infinite where there is no such t.
    """
    goal = np.zeros(given.nodes + 1)
    goal[-1] = 1.0
    bounds = [(None, None)] * given.nodes + [(0, None)]
    answer = linprog(goal, A_ub=rows_of(given), b_ub=-given.drop, bounds=bounds, method="highs")
    if answer.status == 2:
        return float("inf")
    assert answer.status == 0, answer.message
    return float(answer.fun)


# ---------------------------------------------------------------------------------------------- overlaps


def over_each_other(made: Made, *, across: int = 5, every: int = 2) -> list[tuple[float, np.ndarray]]:
    """Where a point of one strand's band lies in another's (or in its own, elsewhere): (vertical distance, point).

    Bands are taken from the made centre lines, as wide as the strand is there, square to its plan. Each point is put
    on the other centre lines by brute force; nothing of the tool's overlaps is used.
    """
    lanes, lines = made.drawn.lanes, made.circuits
    found = []
    names = np.arange(len(lines))
    for one in names:
        line, span = lines[one], slice(int(lanes.start[one]), int(lanes.start[one + 1]))
        width = np.where(lanes.whole[span], made.counted.size.width, lanes.width[span])
        tangent = np.roll(line, -1, 0)[:, :2] - np.roll(line, 1, 0)[:, :2]
        tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
        normal = np.stack([-tangent[:, 1], tangent[:, 0]], 1)
        whole = lanes.whole[span]
        # at a fork the line steps from the middle of the strand to the middle of a half: no band to measure
        stepping = (whole != np.roll(whole, 1)) | (whole != np.roll(whole, -1))
        at = np.arange(0, len(line), every)
        at = at[~stepping[at]]
        share = np.linspace(-0.48, 0.48, across)
        points = (line[at, None, :2] + (share[None, :, None] * width[at, None, None]) * normal[at, None]).reshape(-1, 2)
        height, home = np.repeat(line[at, 2], across), np.repeat(at, across)
        for other in names[one:]:
            target = lines[other]
            reach = slice(int(lanes.start[other]), int(lanes.start[other + 1]))
            girth = np.where(lanes.whole[reach], made.counted.size.width, lanes.width[reach])
            distance, fraction, inside = onto_polyline(points, target)
            entire = lanes.whole[reach]
            hit = inside & (distance < 0.48 * girth[None]) & (entire == np.roll(entire, -1))[None]
            if lanes.circuit[one] == lanes.circuit[other]:  # not with itself or its own other half just there
                count = len(target)
                away = np.abs(home[:, None] - np.arange(count)[None])
                along = np.minimum(away, count - away) * (lanes.length[other] / count)
                hit &= along > 1.6 * made.counted.size.width
            rows, columns = np.nonzero(hit)
            z = target[:, 2] + 0.0
            ahead = np.roll(z, -1)
            there = z[columns] + fraction[rows, columns] * (ahead - z)[columns]
            found += list(zip(np.abs(height[rows] - there).tolist(), points[rows], strict=True))
    return found
