"""From faces to a layout: half-edges joined up, the outside walked round, and what strands need of each site.

Faces are given as the half-edges round them; half-edges without a face are outside, and are joined into loops by
turning round the vertex at their end through all faces there. So vertices are found, never given: they are the cycles
of "one before, then across", and one that two faces only touch in becomes two, since a strand cannot pass between them.

A strand runs from the middle of one edge to the middle of the next along chords of a face. Its direction at a crossing
is the tangent of the circle through the three middles it comes from, stands on and goes to: with chords a and b, that
is a |b|^2 + b |a|^2, made a unit (the tangent of the parabola through three places at their chord lengths is the same).
The pitch, the room that strands have, is twice the least distance from a chord to what lies beside it: the middle of
its face on one side, a vertex on the other.
"""

from __future__ import annotations

import numpy as np

from ..cycles import cycle_labels
from ..mesh import Bools, Floats, Ints
from .halfedge import ALONG, CROSSING, Layout
from .surfaces import Surface, unit

LOOP = 0.7071
"""How far outside a crossed boundary strands would turn if they came no nearer, in pitches: half a row of square
cells."""


def join_faces(half: Ints, start: Ints, edges: int) -> tuple[Ints, Bools, Ints]:
    """Join half-edges to faces and to loops outside.

    Parameters
    ----------
    half : (n,) int64
        The half-edges of all faces, each face's in order, its interior on their left; none twice.
    start : (F + 1,) int64
        Where each face begins among them.
    edges : int

    Returns
    -------
    next_half : (2E,) int64
    outside : (2E,) bool
    origin : (2E,) int64
        Where faces touch only at a corner, that corner is two vertices.
    """
    count = 2 * edges
    place = np.arange(len(half)) + 1
    place[start[1:] - 1] = start[:-1]
    next_half = np.full(count, -1)
    next_half[half] = half[place]
    previous = np.full(count, -1)
    previous[half[place]] = half
    outside = next_half < 0

    # An outside half-edge is followed by the one met when turning round its end vertex through the faces that are
    # there: that keeps two faces which touch only at a corner on two loops, with a vertex each.
    rim = np.flatnonzero(outside)
    following = previous[rim ^ 1] ^ 1
    inner = ~outside[following]
    while inner.any():
        following[inner] = previous[following[inner]] ^ 1
        inner = ~outside[following]
    next_half[rim] = following
    previous[next_half] = np.arange(count)
    return next_half, outside, cycle_labels(previous ^ 1)


def set_out(
    half: Ints,
    start: Ints,
    tail: Floats,
    site: Ints,
    *,
    crossed: Bools,
    breaks: Ints,
    rising: Ints,
    right: int,
    middle: Floats | None = None,
    surface: Surface | None = None,
    period: float = 0.0,
) -> Layout:
    """Put a layout together.

    Parameters
    ----------
    half, start
        The faces, as for :func:`join_faces`.
    tail : (2E, 3) float64
        Where each half-edge begins, mm.
    site : (E, 2) int64
    crossed : (E,) bool
        Which edges strands cross though they are on the boundary.
    breaks : (E,) uint8
        CROSSING, or the break on an edge.
    rising, right, surface, period
        See :class:`.Layout`.
    middle : (E, 3) float64, optional
        Where strands cross; by default the middle between the ends of each edge.
    """
    edges = len(site)
    next_half, outside, origin = join_faces(half, start, edges)
    points = np.zeros((int(origin.max()) + 1, 3))
    points[origin] = tail
    boundary = outside[0::2] | outside[1::2]
    state = np.where(boundary & ~crossed, ALONG, CROSSING).astype(np.uint8)
    state = np.where(breaks != CROSSING, breaks, state).astype(np.uint8)

    head = tail[np.arange(2 * edges) ^ 1]
    reach_x = head - tail
    if period:
        reach_x[:, 0] -= period * np.round(reach_x[:, 0] / period)
    if middle is None:
        middle = tail[0::2] + reach_x[0::2] / 2
    up: Floats = np.zeros((edges, 3))
    if surface is None:
        up[:, 2] = 1.0
    else:
        middle, up = surface.project(middle)
    forth = unit(reach_x[0::2] - np.einsum("ed,ed->e", reach_x[0::2], up)[:, None] * up)

    around = _Around(next_half, outside, tail, middle, up, boundary & (state == ALONG), origin, period)
    heading = _headings(around, edges)
    pitch = around.per_edge(around.pitch, edges, np.inf)
    pitch[~np.isfinite(pitch)] = 2 * around.per_edge(around.length, edges, 1.0)[~np.isfinite(pitch)]
    crossed_rim = np.flatnonzero(boundary & (state == CROSSING))
    if len(crossed_rim):
        heading = _with_outside(heading, around, pitch, crossed_rim)
    return Layout(
        next_half,
        outside,
        origin,
        points,
        state,
        boundary,
        site,
        rising=rising,
        right=right,
        middle=middle,
        up=up,
        forth=forth,
        heading=heading,
        pitch=pitch,
        reach=around.per_edge(around.length, edges, 1.0),
        surface=surface,
        period=period,
    )


class _Around:
    """Chords that strand steps run along, corner by corner, and how much room there is beside them."""

    def __init__(
        self,
        next_half: Ints,
        outside: Bools,
        tail: Floats,
        middle: Floats,
        up: Floats,
        walled: Bools,
        origin: Ints,
        period: float,
    ) -> None:
        self.previous = np.empty_like(next_half)
        self.previous[next_half] = np.arange(len(next_half))
        self.next_half, self.outside, self.middle, self.up, self.tail = next_half, outside, middle, up, tail
        self.period = period
        here = np.arange(len(next_half))
        begin = middle[self.previous >> 1]
        self.chord = self.near(middle[here >> 1] - begin)  # of corner h: from the edge before to its own
        self.length = np.where(outside, np.inf, np.linalg.norm(self.chord, axis=1))
        # the face's middle, found by walking: mean of its edges' middles, unrolled from the corner on
        face = cycle_labels(next_half)
        size = np.bincount(face)
        walk: Floats = np.zeros_like(self.chord)
        first = np.zeros(len(size), np.int64)
        first[face[::-1]] = here[::-1]
        seen = np.zeros_like(self.chord)  # place of each half-edge's middle from that of its face's first one
        at = first.copy()
        offset: Floats = np.zeros((len(size), 3))
        for number in range(1, int(size[~outside[first]].max(initial=0))):
            on = (size > number) & ~outside[first]
            at[on] = next_half[at[on]]
            offset[on] += self.chord[at[on]]
            seen[at[on]] = offset[on]
        for d in range(3):
            walk[:, d] = (np.bincount(face, seen[:, d]) / size)[face]
        self.to_face = walk - seen  # from the middle of h's edge to the middle of its face
        vertex = self.near(tail - middle[here >> 1])
        room = np.minimum(
            _off_line(self.to_face, self.chord),
            np.where(self._open(walled, origin), np.inf, _off_line(vertex, self.chord)),
        )
        self.pitch = np.where(outside, np.inf, 2 * room)

    def near(self, vectors: Floats) -> Floats:
        """Differences between places, the short way round a strip."""
        if self.period:
            vectors = vectors.copy()
            vectors[..., 0] -= self.period * np.round(vectors[..., 0] / self.period)
        return vectors

    def _open(self, walled: Bools, origin: Ints) -> Bools:
        """Corners whose vertex lies on a walled boundary, where nothing faces the strand from outside."""
        rim = np.zeros(int(origin.max()) + 1, bool)
        half = np.flatnonzero(walled)
        rim[origin[2 * half]] = rim[origin[2 * half + 1]] = True
        found: Bools = rim[origin]
        return found

    def per_edge(self, corner_value: Floats, edges: int, nothing: float) -> Floats:
        """The least value among the corners at each edge."""
        least = np.full(edges, np.inf)
        here = np.arange(len(corner_value))
        np.minimum.at(least, here >> 1, corner_value)
        np.minimum.at(least, self.previous >> 1, corner_value)
        return np.where(np.isfinite(least), least, nothing)


def _off_line(offset: Floats, along: Floats) -> Floats:
    """How far places lie off lines through the origin."""
    way = unit(along)
    away = offset - np.einsum("nd,nd->n", offset, way)[:, None] * way
    far: Floats = np.linalg.norm(away, axis=1)
    return far


def _smooth(come: Floats, go: Floats) -> Floats:
    """Direction in the middle of three places: that of the circle through them."""
    a = np.linalg.norm(come, axis=-1, keepdims=True)
    b = np.linalg.norm(go, axis=-1, keepdims=True)
    return unit(come * b**2 + go * a**2)


def _headings(around: _Around, edges: int) -> Floats:
    """Directions of both passes at each edge, (E, 2, 3), where both its sides have faces."""
    h = 2 * np.arange(edges)
    twin = h + 1
    chord, after = around.chord, around.next_half
    zero = _smooth(chord[h], -chord[twin])  # from corner h to corner h', walked back
    one = _smooth(-chord[after[twin]], chord[after[h]])
    both = np.stack([zero, one], 1)
    both -= np.einsum("epd,ed->ep", both, around.up)[..., None] * around.up[:, None]
    return unit(both)


def _with_outside(heading: Floats, around: _Around, pitch: Floats, crossed: Ints) -> Floats:
    """Directions at crossed boundary edges, where strands go on to loop round their vertices."""
    for e in crossed.tolist():
        inner = 2 * e if not around.outside[2 * e] else 2 * e + 1
        outward = loop_way(around, inner)
        reach = LOOP * pitch[e]
        corner, opposite = around.chord[inner], around.chord[around.next_half[inner]]
        tail = around.near(around.tail[inner] - around.middle[e])
        head = around.near(around.tail[inner ^ 1] - around.middle[e])
        # the strand from the corner behind goes on round the vertex ahead, and the other way about
        ahead = _smooth(corner, head + reach * outward)
        behind = _smooth(-opposite, tail + reach * outward)
        if inner == 2 * e:
            heading[e] = ahead, -behind
        else:  # pass 0 comes from outside here
            heading[e] = -ahead, behind
    level: Floats = heading - np.einsum("epd,ed->ep", heading, around.up)[..., None] * around.up[:, None]
    return unit(level)


def loop_way(around: _Around, inner: int) -> Floats:
    """Unit direction out of the layout at a boundary edge, along the surface."""
    edge = inner >> 1
    along = around.near(around.tail[inner ^ 1] - around.tail[inner])
    way: Floats = unit(np.cross(along, around.up[edge]))
    return way
