"""Sweeping sections along the lanes: closed meshes, forks included.

Sections stand upright and square to the strand in plan, so strands never roll and what lies between two strands
vertically is exactly what the heights say. A closed strand comes back to its own first ring, so it closes by index.

At a fork the whole strand's last ring meets the ring of both halves, which share the wall between them: that wall is an
upright line of vertices from which the halves' inner sides part. Every edge there has two faces, and nothing is merged.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from .bands import Runs, alike, divided, fork_faces, undivided
from .course import Courses
from .design import Making, Sizes, Strand
from .lanes import Lanes
from .layout.ring import rolled
from .loop import looped
from .mesh import Bools, Floats, Ints, Mesh
from .rings import BLOCK, half_rings, place_rings, whole_rings
from .sections import whole_outline

PATTERN = 4096
"""Numbers of a repeating pattern that are written at once: NumPy is fast where rows are some thousands long."""
LEVEL = 1e-12
"""mm3: quads whose corners span less lie level, and their rounding shall not say how they are split."""


@dataclass(frozen=True, slots=True, eq=False)
class Swept:
    """Rings of vertices along all lanes and the faces between them, before they are gathered into a mesh.

    A *band* is what lies between two neighbouring rings of one lane.

    Attributes
    ----------
    vertices : (rings * K, 3) float64
        Ring after ring.
    band_ring : (b, 2) int64
        The two rings of each band.
    borrowed_ring : (f,) int64
        Rings of right halves at forks, of which some vertices stand in the left half's ring instead.
    borrowed : (f, K) int64
        The vertices of those.
    band_sample : (b,) int64
        The lane sample where the band begins.
    band_half : (b,) bool
    band_turned : (b, K) bool
        Quads that are split from their second corner to their fourth, not from the first to the third.
    fork_quads : (F, K, 4) int64
    fork_triangles : (F, 4, 3) int64
        The faces between a whole strand's last ring and the ring of both halves.
    fork_sample : (F,) int64
        The lane sample of the whole strand's run that ends at the fork.
    lane : (m,) int64
        The lane of each lane sample.
    following : (m,) int64
        The next sample along the lane.
    girth : (K + 1,) float64
        Length round the whole strand's outline up to each of its points.
    """

    vertices: Floats
    band_ring: Ints
    borrowed_ring: Ints
    borrowed: Ints
    band_sample: Ints
    band_half: Bools
    band_turned: Bools
    fork_quads: Ints
    fork_triangles: Ints
    fork_sample: Ints
    lane: Ints
    following: Ints
    girth: Floats

    @property
    def corners(self) -> int:
        """Vertices of a ring, ``K``."""
        return len(self.girth) - 1

    def ring_vertices(self, ring: Ints) -> Ints:
        """The vertices of rings, (n, K) int64."""
        index: Ints = np.asarray(ring)[:, None] * self.corners + np.arange(self.corners)
        if len(self.borrowed_ring):
            row = np.minimum(np.searchsorted(self.borrowed_ring, ring), len(self.borrowed_ring) - 1)
            lent = self.borrowed_ring[row] == ring
            index[lent] = self.borrowed[row[lent]]
        return index

    @property
    def bands(self) -> Ints:
        """The two rings of each band, as vertices, (b, 2, K) int64."""
        return np.stack([self.ring_vertices(self.band_ring[:, 0]), self.ring_vertices(self.band_ring[:, 1])], 1)


def sweep_rings(
    courses: Courses,
    lanes: Lanes,
    z: Floats,
    strand: Strand,
    size: Sizes,
    way: Making,
    ground: float | Floats | None = None,
) -> Swept:
    """Place a section at every lane sample and join them up; a strip's on the cylinder where it closes.

    ``ground`` is one height, or one for every lane sample, (m,).
    """
    total = len(lanes.sample)
    lane = np.repeat(np.arange(len(lanes.circuit)), lanes.start[1:] - lanes.start[:-1])
    after = np.arange(1, total + 1)
    after[lanes.start[1:] - 1] = lanes.start[:-1]
    runs = divided(lanes, lane, after) if np.count_nonzero(lanes.paired) else undivided(after)
    girth = _girth(strand, size)
    corners = len(girth) - 1
    vertices = np.empty((len(runs.sample), corners, 3))
    floor = None
    if way is Making.CARVED:
        floor = np.broadcast_to(float(z.min()) - size.thickness / 2 if ground is None else ground, (total,))
    for own, right, rows in alike(runs, lanes, lane, size):
        at = runs.sample[rows]
        if right is None:
            outline = whole_rings(strand, own, z, floor)
        else:
            outline = half_rings(strand, own, lanes, at, z, floor, right=right)
        place_rings(vertices, rows, courses, lanes, at, outline)

    borrowed, fork_quads, fork_triangles = fork_faces(runs, corners)
    turned = np.zeros((len(runs.band_ring), corners), bool)
    if len(runs.fork_right):
        turned[_parting(runs, lanes, after), 1 : corners // 2 - 1] = True
    if np.count_nonzero(courses.pointed):
        _split_otherwise(turned, vertices, courses.pointed[lanes.sample[runs.sample]], runs.band_ring)
    places: Floats = vertices.reshape(-1, 3)
    if courses.period:
        bent = looped if courses.flat else rolled
        places = bent(places, courses.period, courses.roll)
    return Swept(
        vertices=places,
        band_ring=runs.band_ring,
        borrowed_ring=runs.fork_right,
        borrowed=borrowed,
        band_sample=runs.band_sample,
        band_half=runs.band_half,
        band_turned=turned,
        fork_quads=fork_quads,
        fork_triangles=fork_triangles,
        fork_sample=runs.fork_sample,
        lane=lane,
        following=after,
        girth=girth,
    )


def sweep(
    courses: Courses,
    lanes: Lanes,
    z: Floats,
    strand: Strand,
    size: Sizes,
    way: Making,
    ground: float | None = None,
) -> Mesh:
    """Sweep all strands into one mesh, a closed body for each strand (or for strands joined by forks).

    Parameters
    ----------
    z : (m,) float64
        Height of the mid-plane at every lane sample.
    ground : float, optional
        Where ``carved`` strands stand; by default the lowest underside. All below their tops is solid.
    """
    swept = sweep_rings(courses, lanes, z, strand, size, way, ground)
    corners, forks = swept.corners, len(swept.fork_sample)
    bands, stitched = len(swept.band_sample), forks * corners
    quads = np.empty((bands * corners + stitched, 4), np.int32)
    quad_uv = np.empty((bands * corners + stitched, 4, 2), np.float32)
    vertices, first = _without_borrowed(swept)
    # One pass over each array: this is most of what a redraw costs.
    _write_quads(swept, first, quads[: bands * corners].reshape(bands, corners, 4))
    _write_textures(swept, lanes, size.width, _texture(strand, size), quad_uv[: bands * corners].reshape(bands, -1))
    if np.count_nonzero(swept.band_turned):
        turned = np.flatnonzero(swept.band_turned)
        quads[turned] = np.roll(quads[turned], -1, 1)
        quad_uv[turned] = np.roll(quad_uv[turned], -1, 1)
    circuit = lanes.circuit.astype(np.int32)
    quad_strand = np.repeat(circuit[swept.lane[swept.band_sample]], corners)
    triangles: Ints = np.zeros((0, 3), np.int32)
    triangle_uv, triangle_strand = np.zeros((0, 3, 2), np.float32), circuit[:0]
    if forks:
        near, fork_circuit = lanes.along[swept.fork_sample], circuit[swept.lane[swept.fork_sample]]
        quads[bands * corners :] = _moved_up(swept, first, swept.fork_quads.reshape(-1, 4))
        quad_uv[bands * corners :] = _fork_uv(near, (forks, corners), 4)
        quad_strand = np.concatenate([quad_strand, np.repeat(fork_circuit, corners)])
        triangles = _moved_up(swept, first, swept.fork_triangles.reshape(-1, 3))
        triangle_uv = _fork_uv(near, (forks, 4), 3).astype(np.float32)
        triangle_strand = np.repeat(fork_circuit, 4)
    return Mesh(
        vertices=vertices,
        quads=quads,
        triangles=triangles,
        quad_uv=quad_uv,
        triangle_uv=triangle_uv,
        quad_strand=quad_strand,
        triangle_strand=triangle_strand,
    )


def _write_quads(swept: Swept, first: Ints, out: Ints) -> None:
    """Write the quads of all bands, (b, K, 4), from the first vertex of each ring."""
    pattern = _pattern(swept.corners)
    one, other = swept.band_ring.T
    if not len(swept.fork_sample):  # then band after band begins with ring after ring
        _repeat_pattern(first, pattern, out, parted=False)
        closing = (other <= one).nonzero()[0]
        out[closing, :, 2:] = first[other[closing]][:, None, None] + pattern[: swept.corners, 1::-1]
        return
    _repeat_pattern(first[one], pattern, out)
    lent = np.zeros(len(first), bool)
    lent[swept.borrowed_ring] = True
    uneven = np.flatnonzero((other != one + 1) | lent[one] | lent[other])
    a, b = (_moved_up(swept, first, swept.ring_vertices(swept.band_ring[uneven, end])) for end in (0, 1))
    out[uneven] = np.stack([a, np.roll(a, -1, 1), np.roll(b, -1, 1), b], 2)


def _write_textures(swept: Swept, lanes: Lanes, width: float, table: Floats, out: Floats) -> None:
    """Write the texture places of all bands, (b, 8 K): lengths along and round the strand, quad by quad."""
    at: Ints | slice = swept.band_sample
    halves = np.count_nonzero(swept.band_half)
    if not halves and len(swept.band_sample) == len(swept.following):
        at = slice(None)  # every sample begins a band; no copies are needed
    lane, ahead = swept.lane[at], swept.following[at]
    factors = np.empty((3, len(out)), np.float32)
    factors[0], factors[1] = lanes.along[at], lanes.along[ahead]
    closing = (ahead <= swept.band_sample).nonzero()[0]
    factors[1, closing] = lanes.length[lane[closing]]
    # a half has about half the girth, and a circuit of its own width about so much more or less
    factors[2] = (lanes.breadth / width)[lane]
    if halves:
        factors[2, swept.band_half] *= 0.5
    for some in range(0, len(out), BLOCK):
        np.matmul(factors[:, some : some + BLOCK].T, table, out=out[some : some + BLOCK])


@lru_cache(maxsize=64)
def _girth(strand: Strand, size: Sizes) -> Floats:
    """Length round the whole strand's outline up to each of its points, (K + 1,); kept."""
    outline = np.stack(whole_outline(strand, size), 1)
    length = np.cumsum(np.hypot(*np.diff(outline, axis=0, append=outline[:1]).T))
    girth = np.concatenate([[0.0], length])
    girth.flags.writeable = False
    return girth


@lru_cache(maxsize=64)
def _texture(strand: Strand, size: Sizes) -> Floats:
    """What a band's beginning and end along the strand and its share of the girth give its texture places; kept."""
    girth = _girth(strand, size)
    table = np.zeros((3, len(girth) - 1, 4, 2), np.float32)
    table[0, :, :2, 0] = table[1, :, 2:, 0] = 1.0
    table[2, :, [0, 3], 1], table[2, :, [1, 2], 1] = girth[:-1], girth[1:]
    return table.reshape(3, -1)


@lru_cache(maxsize=64)
def _pattern(corners: int) -> Ints:
    """The quads of as many bands, one after another, as there is a use for at once, (n * K, 4) int32; kept."""
    column = np.arange(corners)
    turned = (column + 1) % corners
    band = np.stack([column, turned, turned + corners, column + corners], 1)
    step = corners * np.arange(max(1, PATTERN // band.size))
    return (step[:, None, None] + band).reshape(-1, 4).astype(np.int32)


def _repeat_pattern(first: Ints, pattern: Ints, out: Ints, *, parted: bool = True) -> None:
    """Write the quads of all bands, (b, K, 4), from the first vertex of each, as if each led to the ring after it.

    Unless ``parted``, each band begins where the one before ends.
    """
    corners = out.shape[1]
    band, rows = pattern[:corners].reshape(-1), out.reshape(len(out), -1)
    size = len(pattern) // corners
    parts = (np.flatnonzero(np.diff(first) != corners) + 1).tolist() if parted else []
    if len(parts) * size > len(out):
        np.add(first[:, None], band, out=rows)
        return
    for begin, end in zip([0, *parts], [*parts, len(out)], strict=True):
        even = end - (end - begin) % size
        if even > begin:
            np.add(first[begin:even:size, None], pattern.reshape(-1), out=rows[begin:even].reshape(-1, pattern.size))
        if end > even:
            np.add(first[even], pattern.reshape(-1)[: (end - even) * band.size], out=rows[even:end].reshape(-1))


def _without_borrowed(swept: Swept) -> tuple[Floats, Ints]:
    """The vertices without those that borrowed walls would have, and the first one of each ring, (rings,) int32."""
    corners, rings = swept.corners, len(swept.vertices) // swept.corners
    first = np.arange(0, rings * corners, corners, dtype=np.int32)
    if not len(swept.borrowed_ring):
        return swept.vertices, first
    count = corners // 2 - 1
    begins, ends = corners * swept.borrowed_ring + 1 + count, corners * swept.borrowed_ring + 1
    parts = zip([0, *begins.tolist()], [*ends.tolist(), len(swept.vertices)], strict=True)
    vertices = np.concatenate([swept.vertices[begin:end] for begin, end in parts])
    left_out = np.zeros(rings, np.int32)
    left_out[swept.borrowed_ring[swept.borrowed_ring + 1 < rings] + 1] = count
    return vertices, first - np.cumsum(left_out, dtype=np.int32)


def _moved_up(swept: Swept, first: Ints, vertex: Ints) -> Ints:
    """Vertices as :func:`_without_borrowed` numbers them; none may be one that it leaves out."""
    ring, column = np.divmod(vertex, swept.corners)
    lent = np.zeros(len(first), bool)
    lent[swept.borrowed_ring] = True
    moved: Ints = first[ring] + column - (swept.corners // 2 - 1) * (lent[ring] & (column > 0))
    return moved.astype(np.int32)


def _parting(runs: Runs, lanes: Lanes, after: Ints) -> Ints:
    """The bands of right halves where the gap opens.

    Their inner walls are split as the mirror image of the left ones': on a curved surface, or where one half climbs at
    once, walls are no planes, and so near each other they would cross if they were split otherwise.
    """
    at = runs.band_sample
    narrow = (lanes.opened[at] < 1.0) | (lanes.opened[after[at]] < 1.0)
    return np.flatnonzero(runs.band_half & runs.right[runs.band_ring[:, 0]] & narrow)


def _split_otherwise(turned: Bools, vertices: Floats, pointed: Bools, band_ring: Ints) -> None:
    """Mark the quads beside pointed turns, (rings,), to split from their second corner to their fourth, (b, K) bool.

    The ring at a tip lies askew and level, and a strand that climbs past it does so all at once on its inner edge.
    Split so that their sides meet in a ridge, not in a valley, the quads there keep clear of the inner wall.
    """
    rows = np.flatnonzero(pointed[band_ring].any(1))
    a, d = vertices[band_ring[rows]].swapaxes(0, 1)
    b, c = np.roll(a, -1, 1), np.roll(d, -1, 1)
    turned[rows] = np.einsum("nkd,nkd->nk", d - a, np.cross(b - a, c - a)) > LEVEL


def _fork_uv(along: Floats, shape: tuple[int, ...], corners: int) -> Floats:
    """Texture places of the few faces that close a fork: all at its own length along the strand."""
    uv = np.zeros((*shape, corners, 2))
    uv[..., 0] = along[:, None, None] if len(along) else 0.0
    uv[..., 1] = np.arange(corners) * 1e-3
    return uv.reshape(-1, corners, 2)
