"""Creases of a closed mesh: their chains, sections of the surface across them, and balls that lie in them. mm.

A section is the line in which the plane across a crease cuts the surface, from the crease outward on either side. It
ends where it meets another crease, and goes straight on from there, so that what lies beyond has no say. A ball is
sought in it that touches both sides: along one side the first place outward from which a circle clears the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..mesh import Bools, Floats, Ints
from .edges import SHARP, Edges, unit

FADED = np.radians(18.0)
"""Creases go on where their faces turn by this much at least."""
SHARES = (1.0, 0.85, 0.7, 0.55, 0.4, 0.28, 0.2)
"""The largest of these shares of the wanted radius is taken that fits."""
STEPS = 40
SCANNED, REFINED = 8, 6


@dataclass(frozen=True, slots=True)
class Chain:
    """A crease from end to end: its vertices and its edges in order. The first vertex comes last again in a loop."""

    vertices: tuple[int, ...]
    edges: tuple[int, ...]

    @property
    def closed(self) -> bool:
        """Whether it runs round."""
        return self.vertices[0] == self.vertices[-1]


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Places along creases, in the order of the chains.

    ``half`` (n, 2) are the half-edges there that look along and against the chain, ``at`` (n, 3), ``along`` (n, 3) the
    way of the crease, ``up`` (n, 3) out of the material between both faces, ``left`` (n, 3) towards the first face,
    ``chain`` (n,) the number of the chain.
    """

    half: Ints
    at: Floats
    along: Floats
    up: Floats
    left: Floats
    chain: Ints


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """Sections on one side of creases, in the plane across: (away from the crease, up).

    ``points`` (n, k, 2), ``arc`` (n, k) lengths along, ``out`` (n, k, 2) directions out of the material.
    """

    points: Floats
    arc: Floats
    out: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Balls:
    """Balls in creases, one at each place; ``radius`` is 0 where none fits.

    ``centre``, ``one``, ``other`` (n, 2): its middle and where it touches, all in the frame of the first side;
    ``reach`` (n, 2): how far along the sections that is.
    """

    radius: Floats
    centre: Floats
    one: Floats
    other: Floats
    reach: Floats


def chains(edges: Edges) -> list[Chain]:
    """Creases from one end or meeting of several to the next; those that are sharp nowhere are left out."""
    chosen = np.flatnonzero(edges.turn > FADED).tolist()
    ends = edges.ends.tolist()
    at: dict[int, list[int]] = {}
    for edge in chosen:
        for vertex in ends[edge]:
            at.setdefault(vertex, []).append(edge)
    used: set[int] = set()

    def walk(edge: int, start: int) -> Chain:
        vertices, run = [start], []
        while True:
            used.add(edge)
            run.append(edge)
            one, other = ends[edge]
            vertices.append(other if one == vertices[-1] else one)
            here = at[vertices[-1]]
            if len(here) != 2:
                break
            edge = here[0] if here[1] == edge else here[1]
            if edge in used:
                break
        return Chain(tuple(vertices), tuple(run))

    found = [walk(edge, vertex) for vertex, here in at.items() if len(here) != 2 for edge in here if edge not in used]
    found += [walk(edge, ends[edge][0]) for edge in chosen if edge not in used]
    return [chain for chain in found if (edges.turn[list(chain.edges)] > SHARP).any()]


def places(vertices: Floats, edges: Edges, creases: list[Chain], spacing: float) -> Places:
    """Places along creases: their vertices, as far as those are not crowded, and between them every ``spacing`` mm."""
    halves, at, ways, number = [], [], [], []
    for k, chain in enumerate(creases):
        line = vertices[list(chain.vertices)]
        size = np.linalg.norm(np.diff(line, axis=0), axis=1)
        arc = np.concatenate([[0.0], np.cumsum(size)])
        whole = float(arc[-1])
        kept = [0.0]
        for x in arc[1:-1].tolist():
            if min(x - kept[-1], whole - x) > 0.45 * spacing:
                kept.append(x)
        stops = np.array([*kept, whole])
        parts = np.maximum(1, np.ceil(np.diff(stops) / spacing - 0.25)).astype(int)
        if len(parts) == 1:
            parts[:] = np.maximum(parts, 3 if chain.closed else 2)
        step = np.repeat(np.diff(stops) / parts, parts)
        s = np.concatenate([[0.0], np.cumsum(step)])
        s = s[:-1] if chain.closed else s
        s = np.clip(s, 1e-6 * whole, whole * (1 - 1e-6))
        on = np.clip(np.searchsorted(arc, s, side="right") - 1, 0, len(size) - 1)
        share = ((s - arc[on]) / np.maximum(size[on], 1e-12))[:, None]
        at.append(line[on] * (1 - share) + line[on + 1] * share)
        near = min(0.5 * spacing, whole / 4)
        tips = []
        for shift in (near, -near):
            reach = (s + shift) % whole if chain.closed else np.clip(s + shift, 0, whole)
            tips.append(np.stack([np.interp(reach, arc, line[:, axis]) for axis in range(3)], 1))
        ways.append(tips[0] - tips[1])
        edge, start = np.asarray(chain.edges)[on], np.asarray(chain.vertices)[on]
        against = (edges.ends[edge, 0] != start)[:, None]
        halves.append(np.where(against, edges.half[edge][:, ::-1], edges.half[edge]))
        number.append(np.full(len(s), k))
    half, way = np.concatenate(halves), unit(np.concatenate(ways))
    up = edges.normal[half // 3].sum(1)
    up = unit(up - np.einsum("ij,ij->i", up, way)[:, None] * way)
    return Places(half, np.concatenate(at), way, up, np.cross(up, way), np.concatenate(number))


def sides(vertices: Floats, triangles: Ints, edges: Edges, found: Places, far: float) -> tuple[Side, Side]:
    """The sections on both sides of every place, out to ``far`` mm, the second one mirrored."""
    wall = np.zeros(triangles.size, bool)
    wall[edges.half[edges.turn > SHARP].ravel()] = True
    out = []
    for k, sign in ((0, 1.0), (1, -1.0)):
        line = _section(vertices, triangles, edges, found, found.half[:, k], wall, sign, far)
        off = line - found.at[:, None]
        points = np.stack(
            [sign * np.einsum("nki,ni->nk", off, found.left), np.einsum("nki,ni->nk", off, found.up)], axis=-1
        )
        step = np.diff(points, axis=1)
        length = np.linalg.norm(step, axis=2)
        arc = np.concatenate([np.zeros((len(points), 1)), np.cumsum(length, axis=1)], axis=1)
        out.append(Side(points, arc, _out(step, length)))
    return out[0], out[1]


def _section(
    vertices: Floats, triangles: Ints, edges: Edges, found: Places, half: Ints, wall: Bools, sign: float, far: float
) -> Floats:
    """Where planes across creases cut the surface, from face to face, (n, k, 3)."""
    corner = triangles.ravel()
    here, face, place = half.copy(), half // 3, found.at
    line, run = [place], np.zeros(len(half))
    live = np.arange(len(half))
    for _ in range(STEPS):
        one, k = here[live] // 3, here[live] % 3
        a, b, apex = corner[3 * one + k], corner[3 * one + (k + 1) % 3], corner[3 * one + (k + 2) % 3]
        start, way = found.at[live], found.along[live]

        def ahead(vertex: Ints, start: Floats = start, way: Floats = way) -> Floats:
            return np.asarray(np.einsum("ij,ij->i", vertices[vertex] - start, way))

        top = ahead(apex)
        # on the first side a half-edge runs along the crease, on the second against it
        turned = top > 0 if sign > 0 else top <= 0
        base = np.where(turned, a, b)
        level = ahead(base)
        span = top - level
        share = np.where(np.abs(span) > 1e-15, -level / np.where(np.abs(span) > 1e-15, span, 1.0), 0.5)
        share = np.clip(share, 0.0, 1.0)[:, None]
        reached = vertices[base] * (1 - share) + vertices[apex] * share
        run[live] += np.linalg.norm(reached - place[live], axis=1)
        place = place.copy()
        place[live] = reached
        line.append(place)
        face[live] = one
        left = 3 * one + np.where(turned, (k + 2) % 3, (k + 1) % 3)
        here[live] = edges.twin[left]
        live = live[(run[live] < far) & ~wall[left]]
        if not len(live):
            break
    on = sign * unit(np.cross(edges.normal[face], found.along))
    line.append(place + on * np.maximum(far - run, 0.0)[:, None])
    return np.stack(line, axis=1)


def _out(step: Floats, length: Floats) -> Floats:
    """Directions out of the material at the corners of sections, (n, k, 2)."""
    some = length > 1e-9
    out = np.stack([-step[..., 1], step[..., 0]], -1) / np.maximum(length, 1e-12)[..., None] * some[..., None]
    for k in range(1, out.shape[1]):
        out[~some[:, k], k] = out[~some[:, k], k - 1]
    for k in range(out.shape[1] - 2, -1, -1):
        none = np.abs(out[:, k]).sum(-1) < 1e-9
        out[none, k] = out[none, k + 1]
    return np.concatenate([out[:, :1], unit(out[:, 1:] + out[:, :-1]), out[:, -1:]], axis=1)


def along(arc: Floats, values: Floats, s: Floats) -> Floats:
    """Values (n, k, d) known at lengths ``arc`` (n, k) along lines, at lengths ``s`` (n,)."""
    j = np.clip((arc <= s[:, None]).sum(1) - 1, 0, arc.shape[1] - 2)
    row = np.arange(len(s))
    low, high = arc[row, j], arc[row, j + 1]
    share = np.clip((s - low) / np.maximum(high - low, 1e-12), 0.0, 1.0)[:, None]
    return np.asarray(values[row, j] * (1 - share) + values[row, j + 1] * share)


def _nearest(place: Floats, side: Side, rows: Ints) -> tuple[Floats, Floats]:
    """How far places (n, 2) lie from the sections in ``rows``, and how far along those the nearest point lies."""
    points, arc = side.points[rows], side.arc[rows]
    step = np.diff(points, axis=1)
    square = np.maximum(np.einsum("nkj,nkj->nk", step, step), 1e-18)
    off = place[:, None] - points[:, :-1]
    share = np.clip(np.einsum("nkj,nkj->nk", off, step) / square, 0.0, 1.0)
    off -= share[..., None] * step
    away = np.einsum("nkj,nkj->nk", off, off)
    j = away.argmin(1)
    row = np.arange(len(place))
    return np.sqrt(away[row, j]), arc[row, j] + share[row, j] * (arc[row, j + 1] - arc[row, j])


MIRRORED = np.array([-1.0, 1.0])


def balls(one: Side, other: Side, radius: float, far: float) -> Balls:
    """The ball of that radius in every crease, or the largest of the ``SHARES`` of it that fits there."""
    count = len(one.points)
    size, reach, centre = np.zeros(count), np.zeros((count, 2)), np.zeros((count, 2))
    todo = np.arange(count)
    for share in SHARES:
        if not len(todo):
            break
        found = _rolled(one, other, todo, radius * share, far)
        fits = found[0]
        rows = todo[fits]
        size[rows] = radius * share
        reach[rows], centre[rows] = found[1][fits], found[2][fits]
        todo = todo[~fits]
    touched = along(one.arc, one.points, reach[:, 0]), along(other.arc, other.points, reach[:, 1]) * MIRRORED
    return Balls(size, centre, touched[0], touched[1], reach)


def _rolled(one: Side, other: Side, rows: Ints, radius: float, far: float) -> tuple[Bools, Floats, Floats]:
    """Where a ball that lies on the first side touches the second as well: whether anywhere, the reach, the middle."""
    arc, points, out = one.arc[rows], one.points[rows], one.out[rows]
    most = np.minimum(far, arc[:, -1])

    def middle(s: Floats) -> Floats:
        return along(arc, points, s) + radius * unit(along(arc, out, s))

    def gap(s: Floats) -> Floats:
        return _nearest(middle(s) * MIRRORED, other, rows)[0] - radius

    low, high = np.zeros(len(rows)), most.copy()
    below, above = np.full(len(rows), -radius), np.full(len(rows), radius)
    found = np.zeros(len(rows), bool)
    before = low.copy(), below.copy()
    for share in np.linspace(0.0, 1.0, SCANNED + 1)[1:] ** 1.3:
        s = most * share
        clear = gap(s)
        first = ~found & (clear >= 0)
        low[first], below[first] = before[0][first], before[1][first]
        high[first], above[first] = s[first], clear[first]
        found |= first
        before = s, clear
        if found.all():
            break
    for _ in range(REFINED):
        s = low - below * (high - low) / np.maximum(above - below, 1e-12)
        s = np.clip(s, low + 0.02 * (high - low), high - 0.02 * (high - low))
        clear = gap(s)
        beyond = clear >= 0
        high, above = np.where(beyond, s, high), np.where(beyond, clear, above)
        low, below = np.where(beyond, low, s), np.where(beyond, below, clear)
    centre = middle(high)
    away, there = _nearest(centre * MIRRORED, other, rows)
    own = _nearest(centre, one, rows)[0]
    fits = found & (there < np.minimum(far, other.arc[rows, -1] - 1e-6))
    fits &= (own > 0.9 * radius) & (np.abs(away - radius) < 0.1 * radius)
    return fits, np.stack([high, there], 1), centre
