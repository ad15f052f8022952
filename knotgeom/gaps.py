"""The background between neighbouring strands, measured in plan at their nearest approaches.

Halves of one strand keep the outline of the whole one, so whole strands are measured. Two pieces of strand are
neighbours where they bound the same opening (a face of the map of crossings) without meeting at one of its corners, and
where nothing of that opening's other pieces lies between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .course import Courses
from .design import Divide, Layouts
from .divide import StrandMap, divide_strands
from .footprints import Ruler
from .lanes import run_bounds
from .layout import ALONG, Layout
from .layout.cover import covers
from .mesh import Bools, Floats, Ints
from .trace import Circuits
from .weave import faces

SAMPLES = 12
"""Points on each side of a piece of strand at which approaches are measured."""


@dataclass(frozen=True, slots=True, eq=False)
class Approaches:
    """Nearest approaches of neighbouring strands.

    Attributes
    ----------
    apart : (n,) float64
        Distance between the two centre lines less one width: the open background, mm. Negative where they overlap.
    point : (n, 2) float64
        Middle of the approach, mm.
    visit : (n, 2) int64
        The visits to which the two runs of strand lead.
    """

    apart: Floats
    point: Floats
    visit: Ints


def measure_gaps(
    options: Layouts, layout: Layout, circuits: Circuits, courses: Courses, width: float | Floats
) -> Approaches:
    """Measure the background of a design whose strands are ``width`` wide, all alike or circuit by circuit, (C,)."""
    width = np.broadcast_to(np.asarray(width, float), (circuits.count,))
    plain = divide_strands(layout, circuits, Divide())
    count = len(plain.ends)
    nothing = Approaches(np.zeros(0), np.zeros((0, 2)), np.zeros((0, 2), np.int64))
    if not count:
        return nothing
    sides, normals = _piece_sides(circuits, courses, plain, width)
    openings = _openings(plain)
    open_faces = _beside_outside(layout, circuits, plain) if courses.lift is not None else np.zeros(0, bool)
    found: list[tuple[float, Floats, int, int]] = []
    by_size: dict[int, list[list[int]]] = {}
    for pieces in openings:
        if 2 <= len(pieces) <= 64:
            by_size.setdefault(len(pieces), []).append(pieces)
    for number, group in by_size.items():
        table = np.array(group)  # (openings, pieces), each piece as 2 * piece + side
        points = sides[table]  # (openings, pieces, SAMPLES, 2)
        outward = normals[table]
        line = points - outward  # along the centre lines: the edges of a closed opening have changed sides
        walked = np.where((table % 2 == 1)[..., None, None], line, line[:, :, ::-1])
        walked = walked.reshape(len(table), -1, points.shape[3])
        if courses.period:  # lay every opening out beside its first point
            shift = courses.near(points - points[:, :1, :1]) - (points - points[:, :1, :1])
            points = points + shift
            walked = walked[:, :1] + courses.near(walked - walked[:, :1])
        ahead = np.roll(walked, -1, 1)
        if courses.lift is None:
            turn = walked[..., 0] * ahead[..., 1] - walked[..., 1] * ahead[..., 0]
            inner = turn.sum(1) < 0  # the face round the outside of a part is walked the other way about
        else:
            inner = ~open_faces[table].any(1)
        table, points, outward = table[inner], points[inner], outward[inner]
        if not len(table):
            continue
        if number < 4:
            _closings(table, points, outward, found)
            continue
        for i in range(number):
            for j in range(i + 2, number - (i == 0)):
                _approaches(table, points, outward, i, j, found)
    if not found:
        return nothing
    result = Approaches(
        np.array([row[0] for row in found]),
        np.array([row[1] for row in found]),
        plain.piece_visit[np.array([[row[2] >> 1, row[3] >> 1] for row in found])],
    )
    if courses.lift is not None:
        return result
    on = covers(options, layout, result.point)
    return Approaches(result.apart[on], result.point[on], result.visit[on])


def _beside_outside(layout: Layout, circuits: Circuits, plain: StrandMap) -> Bools:
    """Whether each side of each piece faces the outside of the layout, (2 * pieces,): left at ``2p``, right after.

    That is the side towards a vertex on a walled boundary, or towards the outside itself; see
    :mod:`knotgeom.layout.halfedge` for the sides of a dart.
    """
    rim = np.zeros(len(layout.points), bool)
    walled = np.flatnonzero(layout.boundary & (layout.state == ALONG))
    rim[layout.origin[2 * walled]] = rim[layout.origin[2 * walled + 1]] = True
    corner, forward = circuits.darts >> 1, circuits.darts & 1 == 0
    to_vertex, to_face = rim[layout.origin[corner]] & ~layout.outside[corner], layout.outside[corner]
    left = np.where(forward, to_face, to_vertex)
    right = np.where(forward, to_vertex, to_face)
    visit_of_dart = np.searchsorted(circuits.visit_dart, np.arange(len(corner)))  # the visit that a dart leads to
    piece_of = np.full(len(circuits.visit_dart) + 1, -1)
    piece_of[plain.piece_visit] = np.arange(len(plain.piece_visit))
    circuit = np.searchsorted(circuits.dart_start, np.arange(len(corner)), side="right") - 1
    has = np.diff(circuits.visit_start)[circuit] > 0
    found = np.zeros(2 * len(plain.ends), bool)
    piece = piece_of[visit_of_dart]
    for side, facing in ((0, left), (1, right)):
        found[2 * piece[facing & has] + side] = True
    return found


def _closings(table: Ints, points: Floats, outward: Floats, found: list[tuple[float, Floats, int, int]]) -> None:
    """Openings of two or three pieces that are closed: every place on their edges lies upon another of the pieces.

    Their pieces all meet at the corners, so no nearest approach measures them; an open one is as wide as it is.
    """
    count, pieces = table.shape
    way = outward / np.maximum(np.linalg.norm(outward, axis=3, keepdims=True), 1e-12)
    clear = np.full((count, pieces, SAMPLES), np.inf)  # how far each place is before the nearest other edge
    for i in range(pieces):
        for j in range(pieces):
            if j == i:
                continue
            away = points[:, j, None, :, :] - points[:, i, :, None, :]
            nearest = np.linalg.norm(away, axis=3).argmin(2)
            step = np.take_along_axis(away, nearest[:, :, None, None], 2)[:, :, 0]
            theirs = np.take_along_axis(way[:, j], nearest[:, :, None], 1)
            clear[:, i] = np.minimum(clear[:, i], -np.einsum("nsk,nsk->ns", step, theirs))
    best = clear.reshape(count, -1).argmax(1)
    for k in np.flatnonzero(clear.reshape(count, -1).max(1) <= 0).tolist():
        i, sample = divmod(int(best[k]), SAMPLES)
        other = int(table[k, (i + 1) % pieces])
        found.append((float(clear[k, i, sample]), points[k, i, sample], int(table[k, i]), other))


def _approaches(
    table: Ints,
    points: Floats,
    outward: Floats,
    i: int,
    j: int,
    found: list[tuple[float, Floats, int, int]],
) -> None:
    """Measure pieces ``i`` and ``j`` of every opening of one size."""
    a, b = points[:, i], points[:, j]
    square = _squares(a[:, :, None], b[:, None, :]).reshape(len(table), -1)
    least = np.sqrt(square.min(1))
    # of places about equally near, the one in the middle of both pieces
    middle = np.abs(np.arange(SAMPLES) - (SAMPLES - 1) / 2)
    aside = (middle[:, None] + middle[None, :]).ravel()
    flat = np.where(square <= ((1.01 * least + 1e-9) ** 2)[:, None], aside, np.inf).argmin(1)
    row = np.arange(len(table))
    p, q = a[row, flat // SAMPLES], b[row, flat % SAMPLES]
    centre = (p + q) / 2
    reach = 0.25 * np.linalg.norm(p - q, axis=1)
    others = [k for k in range(table.shape[1]) if k not in (i, j)]
    far = _squares(centre[:, None, None], points[:, others]).reshape(len(table), -1)
    nearest = far.argmin(1)
    near = np.sqrt(far[row, nearest])
    # in front of the nearest other edge, that is in the opening and not upon a strand
    own = np.array(others)[nearest // SAMPLES]
    away = centre - points[row, own, nearest % SAMPLES]
    facing = np.einsum("ij,ij->i", away, outward[row, own, nearest % SAMPLES])
    for k in np.flatnonzero((near >= reach) & (facing > 0)).tolist():
        found.append((float(least[k]), centre[k], int(table[k, i]), int(table[k, j])))


def _squares(a: Floats, b: Floats) -> Floats:
    """Squares of the distances between points, one coordinate after another, which is several times as fast."""
    total: Floats = (a[..., 0] - b[..., 0]) ** 2
    for axis in range(1, a.shape[-1]):
        total = total + (a[..., axis] - b[..., axis]) ** 2
    return total


def _piece_sides(circuits: Circuits, courses: Courses, plain: StrandMap, width: Floats) -> tuple[Floats, Floats]:
    """Points along both edges of every piece and the way out from the strand there, each (2 * pieces, SAMPLES, 2).

    Row ``2p`` is the left edge of piece p, ``2p + 1`` the right one.
    """
    visit = plain.piece_visit
    begin, end = run_bounds(circuits, courses, visit)
    owner = np.searchsorted(circuits.visit_start, visit, side="right") - 1
    share = (np.arange(SAMPLES) + 0.5) / SAMPLES
    along = begin[:, None] + share * (end - begin)[:, None]
    low, high, fraction = Ruler(courses).find(np.repeat(owner[:, None], SAMPLES, 1), along)
    f = fraction[..., None]
    half = width[owner][:, None, None] / 2
    middle = courses.point[low] + f * courses.near(courses.point[high] - courses.point[low])
    out = half * (courses.lateral[low] * (1 - f) + courses.lateral[high] * f)
    sides = np.stack([middle + out, middle - out], 1).reshape(-1, SAMPLES, out.shape[2])
    return sides, np.stack([out, -out], 1).reshape(-1, SAMPLES, out.shape[2])


def _openings(plain: StrandMap) -> list[list[int]]:
    """The pieces round every face in order, each as ``2 * piece + side`` (side 0: the face lies to its left)."""
    face = faces(plain)
    ends = plain.ends
    count = plain.end_count
    mate = np.empty(count, np.int64)
    mate[ends[:, 0]], mate[ends[:, 1]] = ends[:, 1], ends[:, 0]
    turn = (np.arange(count) & ~3) + ((np.arange(count) + 1) & 3)
    following = turn[mate].tolist()
    piece, start = np.empty(count, np.int64), np.zeros(count, bool)
    piece[ends[:, 0]] = piece[ends[:, 1]] = np.arange(len(ends))
    start[ends[:, 0]] = True
    # walking on and then turning anticlockwise keeps the face to the right of the walk
    name = (2 * piece + start).tolist()  # to the right of a piece walked forwards, to the left of one walked back
    seen = bytearray(count)
    result = []
    for end in np.argsort(face, kind="stable").tolist():
        if seen[end]:
            continue
        walk = []
        while not seen[end]:
            seen[end] = 1
            walk.append(name[end])
            end = following[end]
        result.append(walk)
    return result
