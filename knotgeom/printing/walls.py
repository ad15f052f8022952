"""Least wall and least gap of a solid, measured on its surface.

The *wall* at a place of the surface is the diameter of the largest ball that touches the surface there from within and
that no face opposite cuts; a *gap* is the same from without. Such a ball is right on parallel and on leaning faces
alike, where a ray straight across finds too much. Faces are opposite where their outward directions are more than
150 degrees apart: where material runs out to an edge of 30 degrees or more it is an edge and no wall, and one that is
sharper is a wall that thins to nothing. The bottom of a groove is opposite to a face too, as an edge. In the open,
where a crotch narrows to nothing by design, faces are opposite only within 15 degrees and away from the place where
they meet or from anything much narrower: so a slit, a hole or a neck counts and the corner of an opening does not.
Two edges that face each other are not seen: balls are sought from faces.

First the balls are found from points spread over the surface, each looking straight across for the tangent plane of
a point that it meets (in a uniform grid); then the narrowest places are measured anew, against the triangles
themselves, with points spread closer and closer. The largest touching ball is the "shrinking ball" of J. Ma, S. W. Bae
and S. Choi, "3D medial axis point approximation using nearest neighbors and the normal field", The Visual Computer 28
(2012), cited from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ..mesh import Bools, Floats, Ints, Mesh
from .surface import Folds, Surface, along_edges, folds, part_of, scatter, surface_of

Point = tuple[float, float, float]

OPPOSITE = math.cos(math.radians(30.0))
"""Outward directions of opposite faces: at least this much against one another."""
FACING = math.cos(math.radians(15.0))
"""The same for faces on both sides of an opening."""
EXIT = 0.05
"""Below this a face is passed alongside rather than met."""
CREVICE = math.radians(45.0)
"""Faces that meet at less than this, seen from outside, are a crotch: what is open there narrows to nothing."""
TURNED = math.radians(120.0)
"""A face that turns by more than this against two of its neighbours has been turned over."""
LOWER = 0.7
"""An opening is a corner's where one so many times as wide lies near it."""
REACH = 6
"""How many times their distance the points look across."""
MOST_POINTS = 120_000
SPACING = 0.2
"""Usual distance of the points that look across, mm."""
PLACES = 8
"""The narrowest places, so many of them, that are measured against the triangles."""
TRIES = 60
"""How many places are looked at for so many; beside a crotch, tangent planes cross where there is no wall."""
SLANT = 2 * math.tan(math.radians(15.0))
"""What a wall between leaning faces gains in thickness, at most, for each mm along it."""
ROUNDS = 4
"""How often points are spread closer round the narrowest of them, each time four times as close."""
MOST_FACES = 200
MOST_CELLS = 20_000_000
"""Of a grid that has a table of where each cell begins; what lies in a finer one is searched for."""
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


@dataclass(frozen=True, slots=True)
class Leasts:
    """The least wall, the least gap within one body, and the least clearance between two."""

    wall: Measure
    gap: Measure
    clearance: Measure


def measure(
    mesh: Mesh | Surface,
    *,
    body: Ints | None = None,
    spacing: float = SPACING,
    kinds: tuple[str, ...] = ("wall", "gap", "clearance"),
) -> Leasts:
    """The thinnest place of the material, the narrowest slit, hole or neck of what is open, and the least clearance.

    Parameters
    ----------
    body : (t,) int, optional
        The body that each triangle of the surface belongs to: gaps between two bodies, corner or not, are clearances.
    spacing : float
        Distance of the points that look across, mm. It grows on a large surface, and wherever nothing is found within
        six times of it.
    kinds : tuple of str
        What is measured; what is not asked for is infinite.
    """
    on = mesh if isinstance(mesh, Surface) else surface_of(mesh)
    if body is not None and not isinstance(mesh, Surface):
        body = body[on.source]
    bent = folds(on, math.radians(30.0))
    # a small face turned over by rounding is no wall
    turned = np.bincount(bent.faces[np.abs(bent.turn) > TURNED].ravel(), minlength=len(on.area)) > 1
    if turned.any():
        number = np.cumsum(~turned) - 1
        sound = ~turned[bent.faces].any(1)
        bent = Folds(bent.ends[sound], number[bent.faces[sound]], bent.far[sound], bent.turn[sound])
        on, body = part_of(on, ~turned), None if body is None else body[~turned]
    found = {"wall": NOTHING, "gap": NOTHING, "clearance": NOTHING}
    left = [kind for kind in kinds if kind != "clearance" or (body is not None and len(np.unique(body)) > 1)]
    if len(on.area):
        size = float(np.linalg.norm(np.ptp(on.vertices[on.triangles.ravel()], axis=0)))
        spacing = min(max(spacing, math.sqrt(float(on.area.sum()) / MOST_POINTS)), size / 10)
        a, b, c = (on.corners[:, k] for k in range(3))
        boxes = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
        while left and spacing < size:
            spread = _spread(on, bent, boxes, spacing)
            across = {
                side: look_across(spread, REACH * spacing, side)
                for side in {-1 if kind == "wall" else 1 for kind in left}
            }
            for kind in tuple(left):
                best = _within(spread, across[-1 if kind == "wall" else 1], REACH * spacing, kind, body)
                if best.value < found[kind].value:
                    found[kind] = best
                if found[kind].value <= REACH * spacing:
                    left.remove(kind)
            spacing *= 2
    return Leasts(found["wall"], found["gap"], found["clearance"])


def _within(spread: Spread, balls: Balls, reach: float, kind: str, body: Ints | None) -> Measure:
    """The least of one kind that is not over ``reach``."""
    on, spacing = spread.on, spread.spacing
    side = -1 if kind == "wall" else 1
    opposite = FACING if kind == "gap" else OPPOSITE
    keep = balls.cosine >= opposite
    if kind == "gap":
        keep &= ~_beside_narrower(on, spread.bent, balls, 2.5 * spacing)
    if body is not None and kind != "wall":
        keep &= (body[balls.face] != body[balls.other_face]) == (kind == "clearance")
    chosen = np.flatnonzero(keep & (balls.width <= reach))
    if not len(chosen):
        return NOTHING
    chosen = chosen[np.argsort(balls.width[chosen], kind="stable")]
    best = NOTHING
    low, high = spread.boxes
    edged = np.zeros(len(on.area), bool)
    edged[spread.bent.faces[np.sign(spread.bent.turn) == side].ravel()] = True
    sound = 0
    for _ in range(TRIES):
        # a ball may be found too wide by what a leaning face gains on the way to the next point
        if not len(chosen) or sound >= PLACES or balls.width[chosen[0]] > best.value + SLANT * spacing:
            break
        ball = int(chosen[0])
        place = _refined(on, edged, low, high, balls, ball, spacing, side, opposite)
        sound += place.value < np.inf
        if place.value < best.value:
            best = place
        off = balls.point[chosen] - balls.point[ball]
        chosen = chosen[np.einsum("nk,nk->n", off, off) > (1.5 * spacing) ** 2]
    return best


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Points spread over a surface and sorted into the cells of a grid.

    Attributes
    ----------
    on : Surface
    bent : Folds
    boxes : two of (t, 3) float64
        Lowest and highest corner of each triangle.
    spacing : float
        Every third point looks across; these lie about so far apart, mm.
    point, normal : (n, 3) float64
        In the order of the cells.
    face : (n,) int64
    kind : (n,) int8
        0 on a face; on an edge 1 where the surface folds outward, -1 where inward.
    origin : (m,) int64
        The points that look across.
    low : (3,) float64
    cell : float
    shape : (3,) int64
        Corner, cell side and size of the grid.
    find : _Finder
    """

    on: Surface
    bent: Folds
    boxes: tuple[Floats, Floats]
    spacing: float
    point: Floats
    normal: Floats
    face: Ints
    kind: Ints
    origin: Ints
    low: Floats
    cell: float
    shape: Ints
    find: _Finder


def _spread(on: Surface, bent: Folds, boxes: tuple[Floats, Floats], spacing: float) -> Spread:
    count = max(int(math.ceil(float(on.area.sum()) / spacing**2)), 64)
    point, face = scatter(on, 3 * count)
    normal, kind = on.normal[face], np.zeros(len(point), np.int8)
    if len(bent.turn):
        ridge, edge = along_edges(on.vertices, bent.ends, spacing / 2)
        middle = on.normal[bent.faces].sum(1)
        middle /= np.maximum(np.linalg.norm(middle, axis=1), 1e-9)[:, None]
        point, face = np.concatenate([point, ridge]), np.concatenate([face, bent.faces[edge, 0]])
        normal = np.concatenate([normal, middle[edge]])
        kind = np.concatenate([kind, np.sign(bent.turn[edge]).astype(np.int8)])
    cell = 1.6 * spacing
    low = point.min(0) - 0.5 * cell
    shape = np.floor((point.max(0) - low) / cell).astype(np.int64) + 1
    box = np.floor((point - low) / cell).astype(np.int64)
    key = (box[:, 0] * shape[1] + box[:, 1]) * shape[2] + box[:, 2]
    order = np.argsort(key, kind="stable")
    find = _Finder(key[order], int(np.prod(shape.astype(float))))
    origin = np.flatnonzero((order % 3 == 0) & (order < 3 * count))
    return Spread(
        on, bent, boxes, spacing, point[order], normal[order], face[order], kind[order], origin, low, cell, shape, find
    )


@dataclass(frozen=True, slots=True, eq=False)
class Balls:
    """The largest balls at points of a surface.

    Attributes
    ----------
    point, other : (n, 3) float64
        Where each ball touches, and about where it is held on the other side.
    face, other_face : (n,) int64
        The triangles there.
    width : (n,) float64
        Diameter, mm.
    cosine : (n,) float64
        1 where both faces lie parallel.
    """

    point: Floats
    other: Floats
    face: Ints
    other_face: Ints
    width: Floats
    cosine: Floats


def look_across(spread: Spread, reach: float, side: int) -> Balls:
    """Balls from within (``side`` -1) or without (1) that meet a face within ``reach``."""
    points, normals, low, cell, shape = spread.point, spread.normal, spread.low, spread.cell, spread.shape
    p, n = points[spread.origin], normals[spread.origin]
    along = side * n
    found = np.full(len(p), np.inf)
    held = np.full(len(p), -1)
    active = np.arange(len(p))
    near = (0.8 * spread.spacing) ** 2
    step = 0.6 * cell
    # most points met face another way: told in single precision, those that lie on edges of the other kind being 0
    met = np.where((spread.kind * side >= 0)[:, None], normals, 0.0).astype(np.float32).T.copy()
    ahead = n.astype(np.float32)
    # places in cells, and the way to the next ones, column by column
    place, stride = ((p - low) / cell).T.copy(), (along * (step / cell)).T.copy()
    for k in range(int(math.ceil(reach / step)) + 1):
        at = [column + k * way for column, way in zip(place, stride)]
        inside = held[active] < 0
        for column, cells in zip(at, shape.tolist()):
            inside &= (column >= 0) & (column < cells)
        # the grid is convex: who left it does not come back
        going = np.flatnonzero(inside)
        active, place, stride = active[going], place.take(going, 1), stride.take(going, 1)
        x, y, z = (column[going].astype(np.int64) for column in at)
        first, number = spread.find((x * shape[1] + y) * shape[2] + z)
        some = np.flatnonzero(number)
        ray, first, number = active[some], first[some], number[some]
        hit = np.arange(int(number.sum())) + np.repeat(first - np.cumsum(number) + number, number)
        turned = np.repeat(ahead[ray, 0], number) * met[0].take(hit)
        for axis in (1, 2):
            turned += np.repeat(ahead[ray, axis], number) * met[axis].take(hit)
        some = np.flatnonzero(turned < -EXIT)
        ray, hit = np.repeat(ray, number)[some], hit[some]
        mine, theirs, away = along.take(ray, 0), normals.take(hit, 0), points.take(hit, 0) - p.take(ray, 0)
        far = np.einsum("ik,ik->i", away, theirs) / np.einsum("ik,ik->i", mine, theirs)
        off = away - far[:, None] * mine
        some = np.flatnonzero((far > 1e-9) & (far <= reach) & (np.einsum("ik,ik->i", off, off) <= near))
        some = some[np.lexsort((far[some], ray[some]))]
        ray, hit, far = ray[some], hit[some], far[some]
        lead = np.ones(len(ray), bool)
        lead[1:] = ray[1:] != ray[:-1]
        found[ray[lead]], held[ray[lead]] = far[lead], hit[lead]
    seen = np.flatnonzero(held >= 0)
    hit = held[seen]
    cosine = -np.einsum("ik,ik->i", n[seen], normals[hit])
    width = 2 * found[seen] * cosine / (1 + cosine)
    return Balls(p[seen], points[hit], spread.face[spread.origin[seen]], spread.face[hit], width, cosine)


class _Finder:
    """Where in a sorted list of cell numbers each cell begins, and how many entries it has."""

    def __init__(self, ranked: Ints, cells: int) -> None:
        self.ranked = ranked
        self.begins: Ints | None = None
        if cells <= MOST_CELLS:
            self.begins = np.concatenate([[0], np.cumsum(np.bincount(ranked, minlength=cells))])

    def __call__(self, key: Ints) -> tuple[Ints, Ints]:
        if self.begins is not None:
            return self.begins[key], self.begins[key + 1] - self.begins[key]
        first = np.searchsorted(self.ranked, key)
        return first, np.searchsorted(self.ranked, key, side="right") - first


def _beside_narrower(on: Surface, bent: Folds, balls: Balls, reach: float) -> Bools:
    """Which balls lie in the corner of an opening: a crotch or a much narrower place is near."""
    crotch, _ = along_edges(on.vertices, bent.ends[bent.turn < CREVICE - math.pi], reach / 2)
    opposite = balls.cosine >= OPPOSITE
    place = np.concatenate([balls.point[opposite], crotch])
    width = np.concatenate([balls.width[opposite], np.zeros(len(crotch))])
    # cells of half the reach: the narrowest of each and of all within two cells of it
    cell = reach / 2
    low = np.minimum(place.min(0), balls.point.min(0)) if len(balls.point) and len(place) else np.zeros(3)
    own, asked = (np.floor((at - low) / cell).astype(np.int64) + 2 for at in (place, balls.point))
    wide = np.maximum(own.max(0, initial=0), asked.max(0, initial=0)) + 3
    key = (own[:, 0] * wide[1] + own[:, 1]) * wide[2] + own[:, 2]
    order = np.lexsort((width, key))
    cells, first = np.unique(key[order], return_index=True)
    least = width[order][first]
    if not len(cells):
        return np.zeros(len(balls.width), bool)
    near = np.full(len(balls.width), np.inf)
    ask = (asked[:, 0] * wide[1] + asked[:, 1]) * wide[2] + asked[:, 2]
    askers, back = np.unique(ask, return_inverse=True)
    around = np.full(len(askers), np.inf)
    for x in range(-2, 3):
        for y in range(-2, 3):
            for z in range(-2, 3):
                there = askers + (x * wide[1] + y) * wide[2] + z
                k = np.minimum(np.searchsorted(cells, there), len(cells) - 1)
                around = np.minimum(around, np.where(cells[k] == there, least[k], np.inf))
    near = around[back.ravel()]
    return np.asarray(near < LOWER * balls.width)


def _refined(
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
