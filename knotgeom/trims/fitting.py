"""Setting a level's points off the exact surface, so that the greatest distance between both is least.

A facet whose corners stand on the surface is off it by a whole sagitta on one side. Moved off by half of it, it is off
by half on both. All facets together: signed distances of points of the exact surface from the triangles that lie over
them are linear in the points' places, and their greatest is made least by Lawson's way, least squares with ever more
weight on what is far off (C. L. Lawson, 1961; here from memory), each solved by conjugate gradients.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..mesh import Bools, Floats, Ints
from .choosing import Chains, looped
from .net import Net
from .patches import Patches
from .shading import across_at, unit

ROUNDS = 8
"""Times that the weights are set anew."""
STEPS = 14
"""Steps of conjugate gradients in each."""
HOLD = 0.02
"""Pull of a point to its place, as a share of the pull of its facets: it keeps points from wandering along them."""


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Points of the exact surface and the triangle of a net over each; points on its edges stand once for each side.

    Attributes
    ----------
    place : (s, 3) float64
    triangle : (s,) int64
    share : (s, 3) float64
        Of the triangle's three corners.
    rim : (s,) bool
        Points of a rim of what is left out: the triangle is that of their rim edge, of which two shares are not 0.
    run, ring, rail : (s,) int64
    """

    place: Floats
    triangle: Ints
    share: Floats
    rim: Bools
    run: Ints
    ring: Ints
    rail: Ints


def sample(patches: Patches, shown: tuple[Chains, ...], rings: tuple[Ints, ...], net: Net) -> Samples:
    """Find the triangle of the net over every point of the given rings (one array a run) and all shown rails."""
    found = []
    corner = net.triangles
    for number, (run, chains) in enumerate(zip(patches.runs, shown, strict=True)):
        points, length = looped(run)
        for row, chain in enumerate(chains):
            own = np.flatnonzero(net.patch[corner[:, 0]] == number * 4 + row)
            ring, rail = net.ring[corner[own]], net.rail[corner[own]]
            at = rings[number]
            first, last = np.searchsorted(at, ring.min(1)), np.searchsorted(at, ring.max(1), side="right")
            wide = rail.max(1) - rail.min(1) + 1
            size = (last - first) * wide
            which = np.repeat(np.arange(len(own)), size)
            step = np.arange(size.sum()) - np.repeat(np.cumsum(size) - size, size)
            m = at[first[which] + step // wide[which]]
            k = rail.min(1)[which] + step % wide[which]
            u, v = length[m], across_at(run, k)
            share = barycentric(np.stack([u, v], 1), np.stack([length[ring[which]], across_at(run, rail[which])], 2))
            inside = (share >= -1e-7).all(1)
            which, m, k, share = which[inside], m[inside], k[inside], share[inside]
            edge = _rim_rows(net, own, which, k, chain, points.shape[1])
            for rim, rows in ((False, np.arange(len(which))), (True, edge)):
                found.append(
                    (
                        points[m[rows], k[rows] % points.shape[1]],
                        own[which[rows]],
                        share[rows],
                        np.full(len(rows), rim),
                        np.full(len(rows), number),
                        m[rows],
                        k[rows],
                    )
                )
    columns = [np.concatenate(column) for column in zip(*found, strict=True)]
    return Samples(*columns)


def _rim_rows(net: Net, own: Ints, which: Ints, rail: Ints, chain: Ints, corners: int) -> Ints:
    """Samples that lie on the first or last rail of a row of columns that does not close on itself."""
    corners_at = net.rail[net.triangles[own]][which]
    edges = [] if chain[-1] - chain[0] == corners else [chain[0], chain[-1]]
    rows = [np.flatnonzero((rail == edge) & ((corners_at == edge).sum(1) == 2)) for edge in edges]
    return np.concatenate([np.zeros(0, np.int64), *rows])


def barycentric(place: Floats, corners: Floats) -> Floats:
    """Shares of three corners in places of the plane, (s, 2) and (s, 3, 2); of a triangle without area: -1."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    ab, ac, ap = b - a, c - a, place - a
    area = ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0]
    flat = np.abs(area) < 1e-12
    area = np.where(flat, 1.0, area)
    second = (ap[:, 0] * ac[:, 1] - ap[:, 1] * ac[:, 0]) / area
    third = (ab[:, 0] * ap[:, 1] - ab[:, 1] * ap[:, 0]) / area
    share: Floats = np.stack([1 - second - third, second, third], 1)
    share[flat] = -1.0
    return share


@dataclass(frozen=True, slots=True, eq=False)
class Freedom:
    """How points may move: ``unknown`` of each point (p,), those of one unknown alike.

    ``plane`` (d, 3) are normals of planes that unknowns keep to; 0 where they are free.
    ``fixed`` (d,) do not move at all.
    """

    unknown: Ints
    plane: Floats
    fixed: Bools


def free(points: int) -> Freedom:
    """Every point moves for itself."""
    return Freedom(np.arange(points), np.zeros((points, 3)), np.zeros(points, bool))


def directions(net: Net, points: Floats, samples: Samples) -> Floats:
    """The direction that each sample's distance is measured along: its facet's normal, on rims out of the facet."""
    corner = points[net.point[net.triangles]]
    normal = unit(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]))
    way = normal[samples.triangle]
    rows = np.flatnonzero(samples.rim)
    triangle = samples.triangle[rows]
    third = samples.share[rows].argmin(1)  # the corner off the rim
    a, b = corner[triangle, (third + 1) % 3], corner[triangle, (third + 2) % 3]
    way[rows] = unit(np.cross(b - a, normal[triangle]))
    return way


def residuals(net: Net, points: Floats, samples: Samples, way: Floats) -> Floats:
    """Signed distances of the samples from their triangles, (s,)."""
    corner = points[net.point[net.triangles[samples.triangle]]]
    off: Floats = np.einsum("sx,sx->s", samples.place - np.einsum("sc,scx->sx", samples.share, corner), way)
    return off


def fit(net: Net, samples: Samples, freedom: Freedom) -> Floats:
    """Places of the net's points at which the greatest distance of the samples is least, (p, 3)."""
    points = net.points
    way = directions(net, points, samples)
    off = residuals(net, points, samples, way)
    best, least = points, float(np.abs(off).max())
    facets = _facets(samples)
    unknown = freedom.unknown[net.point[net.triangles[samples.triangle[facets.first]]]]
    count = len(freedom.fixed)
    weight = np.ones(len(off))
    for _ in range(ROUNDS):
        pull = np.bincount(unknown.ravel(), facets.gathered(weight[:, None] * samples.share**2).ravel(), count)
        hold = HOLD * pull + 1e-9 * pull.max()
        system = _System(
            way[facets.first],
            unknown,
            facets.gathered((weight[:, None, None] * facets.square).reshape(-1, 9)).reshape(-1, 3, 3),
            facets.gathered((weight * off)[:, None] * samples.share),
            hold,
            pull + hold,
        )
        points = points + _solve(system, freedom)[freedom.unknown]
        turned = directions(net, points, samples)
        if (np.einsum("sx,sx->s", turned, way) < 0.3).any():
            break  # a facet turned over: leave it at what was best
        way = turned
        off = residuals(net, points, samples, way)
        size = np.abs(off)
        worst = float(size.max())
        if worst < least:
            best, least = points, worst
        weight = weight * (0.03 + size / max(worst, 1e-300))
        weight /= weight.mean()
    return best


@dataclass(frozen=True, slots=True, eq=False)
class _Facets:
    """Samples by the triangle that they lie over, rims aside by themselves: all of one are measured along one way.

    ``order`` (s,) puts them side by side, ``begin`` (e,) is where each facet's begin, ``first`` (e,) one of each, and
    ``square`` (s, 3, 3) the products of their shares.
    """

    order: Ints
    begin: Ints
    first: Ints
    square: Floats

    def gathered(self, values: Floats) -> Floats:
        """Sums over the samples of each facet, (e, ...)."""
        total: Floats = np.add.reduceat(values[self.order], self.begin, axis=0)
        return total


def _facets(samples: Samples) -> _Facets:
    # a triangle at a corner of what is left out has two rim edges, each with its own way
    edge = np.where(samples.rim, 1 + samples.share.argmin(1), 0)
    key = samples.triangle * 4 + edge
    order = np.argsort(key, kind="stable")
    begin = np.flatnonzero(np.r_[True, np.diff(key[order]) != 0])
    return _Facets(order, begin, order[begin], samples.share[:, :, None] * samples.share[:, None, :])


@dataclass(frozen=True, slots=True, eq=False)
class _System:
    """Least squares of all samples' distances, facet by facet.

    Attributes
    ----------
    way : (e, 3) float64
        That distances are measured along.
    unknown : (e, 3) int64
        Of the facet's corners.
    square : (e, 3, 3) float64
        Weighted sums of the products of shares.
    off : (e, 3) float64
        Weighted sums of distances by shares.
    hold, scale : (d,) float64
        Pull of each unknown to its place, and of all there is.
    """

    way: Floats
    unknown: Ints
    square: Floats
    off: Floats
    hold: Floats
    scale: Floats


def _solve(system: _System, freedom: Freedom) -> Floats:
    """What moves the unknowns to the least squares, by preconditioned conjugate gradients, (d, 3)."""
    # each number of all facets or unknowns lies in a row of its own: (3, e), (3, d)
    count = len(system.scale)
    corner = np.ascontiguousarray(system.unknown.T)
    ways, square = np.ascontiguousarray(system.way.T), np.ascontiguousarray(system.square.transpose(1, 2, 0))
    plane = np.ascontiguousarray(freedom.plane.T)
    planes, every = bool(plane.any()), corner.ravel()

    def kept(vector: Floats) -> Floats:
        inside = vector - (vector * plane).sum(0) * plane if planes else vector
        inside[:, freedom.fixed] = 0.0
        return np.asarray(inside)

    def gather(values: Floats) -> Floats:
        return np.stack([np.bincount(every, (values * way).ravel(), count) for way in ways])

    def apply(moved: Floats) -> Floats:
        along = sum(way * part.take(corner) for way, part in zip(ways, moved, strict=True))
        return kept(gather((square * along).sum(1)) + system.hold * moved)

    scale = np.maximum(system.scale, 1e-30)
    moved = np.zeros((3, count))
    rest = kept(gather(np.ascontiguousarray(system.off.T)))
    ready = rest / scale
    way = ready
    size = float((rest * ready).sum())
    for _ in range(STEPS):
        if size <= 1e-30:
            break
        image = apply(way)
        step = size / max(float((way * image).sum()), 1e-300)
        moved = moved + step * way
        rest = rest - step * image
        ready = rest / scale
        fresh = float((rest * ready).sum())
        way = ready + fresh / size * way
        size = fresh
    return np.ascontiguousarray(moved.T)


def turn_diagonals(net: Net, points: Floats, samples: Samples) -> Ints:
    """Triangles of the net with every facet's diagonal laid where it is less far off the surface, (t, 3)."""
    triangles = net.triangles.copy()
    one, two = net.quads[:, 0], net.quads[:, 1]
    worst = np.zeros(len(triangles))
    way = directions(net, points, samples)
    plain = ~samples.rim
    np.maximum.at(worst, samples.triangle[plain], np.abs(residuals(net, points, samples, way))[plain])
    now = np.maximum(worst[one], worst[two])
    # corners a, b, c, d of each facet, of which a c is the diagonal: (a, b, c), (a, c, d)
    a, b, c, d = triangles[one, 0], triangles[one, 1], triangles[one, 2], triangles[two, 2]
    of_quad = np.full(len(triangles), -1)
    of_quad[one] = of_quad[two] = np.arange(len(one))
    quad = of_quad[samples.triangle]
    rows = np.flatnonzero(plain & (quad >= 0))
    quad = quad[rows]
    # bilinear place of the sample in its facet, then shares of the other two triangles
    in_first = samples.triangle[rows] == one[quad]
    share = samples.share[rows]
    v = np.where(in_first, share[:, 1] + share[:, 2], share[:, 1])
    u = np.where(in_first, share[:, 2], share[:, 1] + share[:, 2])
    upper = u + v > 1
    place = [points[net.point[corner[quad]]] for corner in (a, b, c, d)]
    # (a, b, d) below the other diagonal, (b, c, d) above
    below = place[0] + v[:, None] * (place[1] - place[0]) + u[:, None] * (place[3] - place[0])
    above = place[2] + (1 - v)[:, None] * (place[3] - place[2]) + (1 - u)[:, None] * (place[1] - place[2])
    flat = np.where(
        upper[:, None],
        np.cross(place[2] - place[1], place[3] - place[1]),
        np.cross(place[1] - place[0], place[3] - place[0]),
    )
    off = np.abs(np.einsum("sx,sx->s", samples.place[rows] - np.where(upper[:, None], above, below), unit(flat)))
    other = np.zeros(len(one))
    np.maximum.at(other, quad, off)
    turn = np.flatnonzero(other < 0.98 * now)
    triangles[one[turn]] = np.stack([a[turn], b[turn], d[turn]], 1)
    triangles[two[turn]] = np.stack([b[turn], c[turn], d[turn]], 1)
    return triangles
