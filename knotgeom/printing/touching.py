"""The largest ball that touches a surface at a place and that no face opposite cuts, on the triangles themselves. mm.

The "shrinking ball" of J. Ma, S. W. Bae and S. Choi, "3D medial axis point approximation using nearest neighbors and
the normal field", The Visual Computer 28 (2012), cited from memory: it begins too large and shrinks until what is
nearest to its middle lies on it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ..mesh import Bools, Floats, Ints
from .across import Balls
from .surface import Surface

Point = tuple[float, float, float]

SLANT = 2 * math.tan(math.radians(15.0))
"""What a wall between leaning faces gains in thickness, at most, for each mm along it."""
ROUNDS = 4
"""How often points are spread closer round the narrowest of them, each time four times as close."""
MOST_FACES = 200
SHRINKS = 20
"""How often a ball shrinks at most; between level faces the first time is enough."""


@dataclass(frozen=True, slots=True)
class Measure:
    """A length measured on a mesh.

    Attributes
    ----------
    value : float
        In mm; infinite where the mesh has no such place.
    error : float
        How far the true value at the narrowest place seen may lie below, mm.
    at : (float, float, float) or None
        The middle of the stretch measured, mm.
    ends : two points or None
        Where the stretch begins and ends on the surface.
    seen : float
        Distance of the points that looked across, mm: a place that is narrow over less than this in breadth may have
        been missed.
    """

    value: float
    error: float
    at: Point | None = None
    ends: tuple[Point, Point] | None = None
    seen: float = 0.0


NOTHING = Measure(math.inf, 0.0)


def refined(
    on: Surface,
    edged: Bools,
    low: Floats,
    high: Floats,
    balls: Balls,
    k: int,
    spacing: float,
    side: int,
    opposite: float,
) -> Measure:
    """The least ball near ball ``k``, measured against the triangles around both ends."""
    point, other, width = balls.point[k], balls.other[k], float(balls.width[k])
    normal = on.normal[balls.face[k]]
    mine = _near(on, low, high, point, 1.5 * spacing, normal, 20.0)
    theirs = _near(on, low, high, other, 2 * spacing + 0.3 * width, -normal, 80.0)
    if not len(theirs):  # a knife edge, whose flanks look aside
        theirs = balls.other_face[k : k + 1]
    corners = on.corners[theirs]
    smooth, sag, tilt = _smoothed(on, mine)
    best = NOTHING
    apart = spacing / 2
    first = np.cross(normal, np.eye(3)[int(np.abs(normal).argmin())])
    first /= np.linalg.norm(first)
    steps = np.stack(np.meshgrid(np.arange(-2, 3.0), np.arange(-2, 3.0)), -1).reshape(-1, 2)
    lattice = steps @ np.stack([first, np.cross(normal, first)])
    for _ in range(ROUNDS):
        aim = point + apart * lattice
        on_mine = closest(aim, on.corners[mine])
        pick = np.linalg.norm(on_mine - aim[:, None], axis=2).argmin(1)
        x = on_mine[np.arange(len(aim)), pick]
        out = np.einsum("nk,nkj->nj", _shares(x, on.corners[mine[pick]]), smooth[pick])
        out /= np.linalg.norm(out, axis=1)[:, None]
        against = np.asarray(out @ on.normal[theirs].T <= -opposite) | edged[theirs]
        ahead = side * (x @ on.normal[theirs].T - np.einsum("tk,tk->t", corners[:, 0], on.normal[theirs]))
        radius, touch, held = _shrunk(corners, against & (ahead > 1e-6), x, side * out, 0.9 * width)
        # an edge is met at its very edge: what is held by the flank of a groove is not held from opposite
        toward = np.einsum("nk,nk->n", touch - x, side * out) / np.maximum(radius, 1e-12) - 1
        good = (held >= 0) & (toward >= opposite - 1e-3)
        if not good.any():
            break
        at = int(np.where(good, radius, np.inf).argmin())
        value = 2 * float(radius[at])
        mine_at = int(pick[at])
        rough = 2 * float(sag[mine_at]) + 0.5 * width * float(tilt[mine_at])
        if rough > max(value, 1e-3):
            break  # faces that stand for a curve cannot show a wall thinner than they are rough
        error = SLANT * apart + rough
        if value < best.value:
            ends = (_point(x[at]), _point(touch[at]))
            best = Measure(value, error, _point((x[at] + touch[at]) / 2), ends, spacing)
        best = replace(best, error=error)
        point, apart = x[at], apart / 4
    return best


def _near(on: Surface, low: Floats, high: Floats, point: Floats, reach: float, way: Floats, degrees: float) -> Ints:
    """The triangles near a point that look within some degrees of a way; of very many the ``MOST_FACES`` nearest."""
    faces = np.flatnonzero((low[:, 0] <= point[0] + reach) & (high[:, 0] >= point[0] - reach))
    for k in (1, 2):
        faces = faces[(low[faces, k] <= point[k] + reach) & (high[faces, k] >= point[k] - reach)]
    faces = faces[on.normal[faces] @ way > math.cos(math.radians(degrees))]
    if len(faces) > MOST_FACES:
        far = closest(point[None], on.corners[faces])[0] - point
        faces = faces[np.argsort(np.einsum("tk,tk->t", far, far), kind="stable")[:MOST_FACES]]
    return faces


def _smoothed(on: Surface, faces: Ints) -> tuple[Floats, Floats, Floats]:
    """Outward directions at the corners of some triangles, (f, 3, 3), as of the curved surface that they stand for.

    Also how far that surface may lie from them, mm, and how far its direction, radians. Faces more than 20 degrees
    apart are no part of one curve.
    """
    corner = on.triangles[faces]
    a, b, c = (on.corners[faces, k] for k in range(3))
    angle = np.stack([_angle(a, b, c), _angle(b, c, a), _angle(c, a, b)], 1)
    shared = np.einsum("fkgj,gj->fkg", corner[:, :, None, None] == corner[None, None], angle)
    alike = on.normal[faces] @ on.normal[faces].T > math.cos(math.radians(20))
    weight = shared * alike[:, None]
    total = weight @ on.normal[faces]
    total /= np.linalg.norm(total, axis=2)[:, :, None]
    tilt = np.arccos(np.clip(np.einsum("fkj,fj->fk", total, on.normal[faces]), -1, 1)).max(1)
    longest = np.max([np.linalg.norm(b - a, axis=1), np.linalg.norm(c - b, axis=1), np.linalg.norm(a - c, axis=1)], 0)
    # an arc over a chord turns by twice the tilt and rises by a quarter of chord times tilt
    return total, tilt * longest / 4, tilt


def _angle(at: Floats, one: Floats, other: Floats) -> Floats:
    """Angles at some points between the ways to two others, radians."""
    u, v = one - at, other - at
    return np.asarray(np.arctan2(np.linalg.norm(np.cross(u, v), axis=1), np.einsum("nk,nk->n", u, v)))


def _shares(x: Floats, corners: Floats) -> Floats:
    """Barycentric coordinates of points on triangles, (n, 3)."""
    a, b, c = (corners[:, k] for k in range(3))
    turned = np.cross(b - a, c - a)
    whole = np.einsum("nk,nk->n", turned, turned)
    second = np.einsum("nk,nk->n", np.cross(x - a, c - a), turned) / whole
    third = np.einsum("nk,nk->n", np.cross(b - a, x - a), turned) / whole
    return np.asarray(np.clip(np.stack([1 - second - third, second, third], 1), 0, 1))


def _point(at: Floats) -> Point:
    x, y, z = (float(v) for v in at)
    return x, y, z


def _shrunk(corners: Floats, against: Bools, x: Floats, along: Floats, radius: float) -> tuple[Floats, Floats, Ints]:
    """Largest balls touching at ``x`` with their centres in direction ``along`` that no triangle against them cuts.

    Each ball begins with ``radius`` and shrinks until what is nearest to its centre lies on it.

    Parameters
    ----------
    corners : (t, 3, 3) float64
    against : (n, t) bool
        Which triangles count for which ball.
    x, along : (n, 3) float64
    radius : float

    Returns
    -------
    radius : (n,) float64
    touch : (n, 3) float64
    held : (n,) int64
        The number of the triangle that holds each ball, -1 for none.
    """
    r = np.full(len(x), radius)
    touch = np.full(x.shape, np.nan)
    held = np.full(len(x), -1)
    active = np.flatnonzero(against.any(1))
    for _ in range(SHRINKS):
        centre = x[active] + r[active, None] * along[active]
        near = closest(centre, corners)
        far = np.where(against[active], np.linalg.norm(near - centre[:, None], axis=2), np.inf)
        nearest = far.argmin(1)
        row = np.arange(len(active))
        q = near[row, nearest]
        away = q - x[active]
        rise = np.einsum("ik,ik->i", away, along[active])
        cut = (far[row, nearest] < r[active] * (1 - 1e-5)) & (rise > 0)
        active, q, away, rise, nearest = active[cut], q[cut], away[cut], rise[cut], nearest[cut]
        if not len(active):
            break
        r[active] = np.minimum(np.einsum("ik,ik->i", away, away) / (2 * rise), r[active])
        touch[active], held[active] = q, nearest
    return r, touch, held


def closest(points: Floats, triangles: Floats) -> Floats:
    """The point of each of (t, 3, 3) triangles nearest to each of (p, 3) points: (p, t, 3)."""
    a, b, c = (triangles[None, :, k] for k in range(3))
    p = points[:, None]
    ab, ac, ap = b - a, c - a, p - a
    s, t, u = ((one * other).sum(2) for one, other in ((ab, ab), (ab, ac), (ac, ac)))
    one, other = (np.einsum("ptk,tk->pt", ap, side[0]) for side in (ab, ac))
    whole = s * u - t * t
    some = whole > 1e-12 * s * u  # on a sliver the nearest point is taken from its sides
    whole = np.where(some, whole, 1.0)
    v, w = (u * one - t * other) / whole, (s * other - t * one) / whole
    inside = some & (v >= 0) & (w >= 0) & (v + w <= 1)
    best = np.where(inside[..., None], a + v[..., None] * ab + w[..., None] * ac, np.inf)
    far = np.where(inside, np.linalg.norm(np.where(inside[..., None], best - p, 0), axis=2), np.inf)
    for start, end in ((a, b), (b, c), (c, a)):
        edge = end - start
        length = np.maximum(np.einsum("ptk,ptk->pt", edge, edge), 1e-300)
        share = np.clip(np.einsum("ptk,ptk->pt", p - start, edge) / length, 0, 1)
        spot = start + share[..., None] * edge
        d = np.linalg.norm(spot - p, axis=2)
        nearer = d < far
        far = np.where(nearer, d, far)
        best = np.where(nearer[..., None], spot, best)
    return best
