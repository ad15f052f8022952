"""Sweeping sections along the lanes: closed meshes, forks included.

Sections stand upright and square to the strand in plan, so strands never roll and what lies between two strands
vertically is exactly what the heights say. A closed strand comes back to its own first ring, so it closes by index.

At a fork the whole strand's last ring meets the ring of both halves, which share the wall between them: that wall is an
upright line of vertices from which the halves' inner sides part. Every edge there has two faces, and nothing is merged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .course import Courses, Lift
from .design import Making, Sizes, Strand
from .lanes import Lanes
from .layout.ring import rolled
from .loop import looped
from .mesh import Bools, Floats, Ints, Mesh
from .sections import outlines

BLOCK = 2048
"""Rings of halves that are placed at once: what is worked out for so many still fits into a processor's own memory."""


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
    band_half: Ints
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
    lane = np.repeat(np.arange(len(lanes.circuit)), np.diff(lanes.start))
    after = np.arange(1, total + 1)
    after[lanes.start[1:] - 1] = lanes.start[:-1]
    before = np.empty(total, np.int64)
    before[after] = np.arange(total)
    paired, right = lanes.paired[lane], lanes.side[lane] == 1

    # whole strand of a divided circuit is swept once, on its left lane
    run_whole = np.where(paired, lanes.whole & ~right, True)
    run_half = paired & ~lanes.whole
    use_whole, use_half = run_whole | run_whole[before], run_half | run_half[before]
    fork = use_half & (lanes.whole | lanes.whole[before])  # where a half begins or ends
    use_whole &= ~fork

    whole_at, half_at = np.flatnonzero(use_whole), np.flatnonzero(use_half)
    whole_ring, half_ring = np.full(total, -1), np.full(total, -1)
    whole_ring[whole_at] = np.arange(len(whole_at))
    half_ring[half_at] = len(whole_at) + np.arange(len(half_at))

    if way is Making.CARVED and ground is None:
        ground = float(z.min()) - size.thickness / 2
    floor = np.broadcast_to(np.asarray(ground, float), (total,)) if way is Making.CARVED else None
    across, up = outlines(strand, size, np.array([size.width]))
    corners = across.shape[1]
    rings = len(whole_at) + len(half_at)
    vertices = np.empty((rings, corners, 3))
    for breadth in np.unique(lanes.breadth):
        own = replace(size, width=float(breadth))
        x, up_own = outlines(strand, own, np.array([breadth]))
        mine = lanes.breadth[lane[whole_at]] == breadth
        at = whole_at[mine]
        low = None if floor is None else floor[at]
        _whole_rings(vertices, np.flatnonzero(mine), courses, lanes, at, x[0], up_own[0], z[at], low)
        mine = lanes.breadth[lane[half_at]] == breadth
        ring = len(whole_at) + np.flatnonzero(mine)
        for some in range(0, len(ring), BLOCK):
            rows = ring[some : some + BLOCK]
            at = half_at[rows - len(whole_at)]
            low = None if floor is None else floor[at][:, None]
            halves = _half_outlines(lanes, at, right[at], x, up_own, z, strand, own, low)
            vertices[rows] = _placed(courses, lanes, at, *halves)

    # the wall at a fork belongs to both halves: the right one's left side is the left one's right side
    fork_left, fork_right = np.flatnonzero(fork & ~right), np.flatnonzero(fork & right)
    inner = np.arange(1, corners // 2)
    borrowed_ring = half_ring[fork_right]
    borrowed = borrowed_ring[:, None] * corners + np.arange(corners)
    borrowed[:, inner] = half_ring[fork_left][:, None] * corners + (corners - inner)

    band_ring, band_sample, band_half = [], [], []
    for runs, ring in ((run_whole, whole_ring), (run_half, half_ring)):
        at = np.flatnonzero(runs & (ring >= 0) & (ring[after] >= 0))
        band_ring.append(np.stack([ring[at], ring[after[at]]], 1))
        band_sample.append(at)
        band_half.append(np.full(len(at), ring is half_ring))

    pointed = courses.pointed[lanes.sample[np.concatenate([whole_at, half_at])]]
    turned = _split_otherwise(vertices, pointed, np.concatenate(band_ring))
    opens = ~lanes.whole[fork_left]  # halves ahead: the whole strand's ring is the one before
    trunk = np.where(opens, before[fork_left], after[fork_left])
    index = np.arange(corners)
    fork_quads, fork_triangles = _stitch(
        whole_ring[trunk][:, None] * corners + index, half_ring[fork_left][:, None] * corners + index, borrowed, opens
    )
    loop = np.vstack([np.stack([across[0], up[0]], 1), [[across[0, 0], up[0, 0]]]])
    places: Floats = vertices.reshape(-1, 3)
    if courses.period:
        bent = looped if courses.flat else rolled
        places = bent(places, courses.period, courses.roll)
    return Swept(
        vertices=places,
        band_ring=np.concatenate(band_ring),
        borrowed_ring=borrowed_ring,
        borrowed=borrowed,
        band_sample=np.concatenate(band_sample),
        band_half=np.concatenate(band_half),
        band_turned=turned,
        fork_quads=fork_quads,
        fork_triangles=fork_triangles,
        fork_sample=np.where(opens, trunk, fork_left),
        lane=lane,
        following=after,
        girth=np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(loop, axis=0).T))]),
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
    corners, at, forks = swept.corners, swept.band_sample, len(swept.fork_sample)
    bands, stitched = len(at) * corners, forks * corners
    quads = np.empty((bands + stitched, 4), np.int32)
    quad_uv = np.empty((bands + stitched, 4, 2), np.float32)
    quad_strand = np.empty(bands + stitched, np.int32)

    # the borrowed walls' own vertices are left out, so rings after them move up
    vertices = swept.vertices
    lent = np.zeros(len(vertices) // corners, bool)
    lent[swept.borrowed_ring] = True
    first = (corners * np.arange(len(lent)) - (corners // 2 - 1) * (np.cumsum(lent) - lent)).astype(np.int32)
    renumber = np.zeros(0, np.int32)
    if forks:
        own = np.ones((len(lent), corners), bool)
        own[lent, 1 : corners // 2] = False
        renumber = (np.cumsum(own) - 1).astype(np.int32)
        vertices = vertices[own.ravel()]

    # One pass over each array: this is most of what a redraw costs. A band's ring is mostly followed by the next one.
    grid = quads[:bands].reshape(len(at), corners, 4)
    column = np.arange(corners, dtype=np.int32)
    turned = (column + 1) % corners
    pattern = np.stack([column, turned, turned + corners, column + corners], 1).astype(np.int32)
    np.add(first[swept.band_ring[:, 0]][:, None, None], pattern, out=grid)
    other = np.flatnonzero((swept.band_ring[:, 1] != swept.band_ring[:, 0] + 1) | lent[swept.band_ring].any(1))
    a, b = (swept.ring_vertices(swept.band_ring[other, end]) for end in (0, 1))
    uneven = np.stack([a, np.roll(a, -1, 1), np.roll(b, -1, 1), b], 2)
    grid[other] = renumber[uneven] if forks else uneven

    ahead = swept.following[at]
    end = np.where(ahead == lanes.start[:-1][swept.lane[at]], lanes.length[swept.lane[at]], lanes.along[ahead])
    # a half has about half the girth, and a circuit of its own width about so much more or less
    share = np.where(swept.band_half, 0.5, 1.0) * (lanes.breadth / size.width)[swept.lane[at]]
    table = np.zeros((3, corners, 4, 2), np.float32)
    table[0, :, :2, 0] = table[1, :, 2:, 0] = 1.0
    table[2, :, [0, 3], 1], table[2, :, [1, 2], 1] = swept.girth[:-1], swept.girth[1:]
    rows = np.stack([lanes.along[at], end, share], 1).astype(np.float32)
    np.matmul(rows, table.reshape(3, -1), out=quad_uv[:bands].reshape(len(at), 8 * corners))
    quad_strand[:bands].reshape(len(at), corners)[:] = lanes.circuit[swept.lane[at]].astype(np.int32)[:, None]

    turned_quads = np.flatnonzero(swept.band_turned)
    quads[turned_quads] = np.roll(quads[turned_quads], -1, 1)
    quad_uv[turned_quads] = np.roll(quad_uv[turned_quads], -1, 1)

    fork_circuit = lanes.circuit[swept.lane[swept.fork_sample]].astype(np.int32)
    near = lanes.along[swept.fork_sample]
    if forks:
        quads[bands:] = renumber[swept.fork_quads.reshape(-1, 4)]
    quad_uv[bands:] = _fork_uv(near, (forks, corners), 4)
    quad_strand[bands:] = np.repeat(fork_circuit, corners)
    triangles = swept.fork_triangles.reshape(-1, 3)
    return Mesh(
        vertices=vertices,
        quads=quads,
        triangles=renumber[triangles] if forks else triangles.astype(np.int32),
        quad_uv=quad_uv,
        triangle_uv=_fork_uv(near, (forks, 4), 3).astype(np.float32),
        quad_strand=quad_strand,
        triangle_strand=np.repeat(fork_circuit, 4),
    )


def _split_otherwise(vertices: Floats, pointed: Bools, band_ring: Ints) -> Bools:
    """Which quads beside pointed turns, (rings,), to split from their second corner to their fourth, (b, K) bool.

    The ring at a tip lies askew and level, and a strand that climbs past it does so all at once on its inner edge.
    Split so that their sides meet in a ridge, not in a valley, the quads there keep clear of the inner wall.
    """
    turned = np.zeros((len(band_ring), vertices.shape[1]), bool)
    rows = np.flatnonzero(pointed[band_ring].any(1))
    a, d = vertices[band_ring[rows]].swapaxes(0, 1)
    b, c = np.roll(a, -1, 1), np.roll(d, -1, 1)
    turned[rows] = np.einsum("nkd,nkd->nk", d - a, np.cross(b - a, c - a)) > 0
    return turned


def _fork_uv(along: Floats, shape: tuple[int, ...], corners: int) -> Floats:
    """Texture places of the few faces that close a fork: all at its own length along the strand."""
    uv = np.zeros((*shape, corners, 2))
    uv[..., 0] = along[:, None, None] if len(along) else 0.0
    uv[..., 1] = np.arange(corners) * 1e-3
    return uv.reshape(-1, corners, 2)


def _placed(courses: Courses, lanes: Lanes, at: Ints, across: Floats, height: Floats) -> Floats:
    """Vertices of rings at lane samples from how far across and how high they lie, (n, K, 3)."""
    sample = lanes.sample[at]
    if courses.lift is not None:
        return on_surface(courses, courses.lift, sample, across, height)
    plan = courses.point[sample][:, None, :] + across[:, :, None] * courses.lateral[sample][:, None, :]
    return np.concatenate([plan, height[:, :, None]], 2)


def on_surface(courses: Courses, lift: Lift, sample: Ints, across: Floats, height: Floats) -> Floats:
    """The same on a curved surface, which falls away to both sides of the strand as an arc of its own bend.

    So a place is the same whether it is reached along one strand or along the one that crosses it, and what lies
    apart in height lies apart on the surface. Exact on spheres, and elsewhere to the third power of the width.
    """
    point, lateral, up = courses.point[sample], courses.lateral[sample], lift.up[sample]
    stretch = np.linalg.norm(lateral, axis=1)  # above 1 at a mitre
    left = lateral / stretch[:, None]
    ahead = np.cross(left, up)
    bow, twist = lift.bow[sample][:, None], lift.twist[sample][:, None]
    aside = across * stretch[:, None]
    turn = bow * aside
    along = aside * np.sinc(turn / np.pi)  # sin(turn) / bow
    drop = aside * np.where(np.abs(turn) > 1e-6, np.sin(turn / 2) ** 2 / np.where(turn == 0, 1.0, turn / 2), turn / 2)
    tilt = np.clip(twist * aside, -0.5, 0.5)
    normal = (
        up[:, None] * np.cos(turn)[..., None]
        + left[:, None] * np.sin(turn)[..., None]
        + ahead[:, None] * tilt[..., None]
    )
    normal /= np.linalg.norm(normal, axis=2, keepdims=True)
    placed: Floats = (
        point[:, None] + left[:, None] * along[..., None] - up[:, None] * drop[..., None] + normal * height[..., None]
    )
    return placed


def _lower(across: Floats) -> Bools:
    """Which points of an outline lie below its broadest place, that place included: what ``carved`` strands stand on.

    What stands on the ground must be nowhere narrower than above it, or the relief would be undercut.
    """
    corners = len(across)
    half = corners // 2
    lower = np.zeros(corners, bool)
    left, right = across[:half], -across[:half:-1]
    lower[: 1 + int((left >= left.max() - 1e-9).argmax())] = True
    lower[corners - 1 - int((right >= right.max() - 1e-9).argmax()) :] = True
    return lower


def _whole_rings(
    out: Floats,
    rows: Ints,
    courses: Courses,
    lanes: Lanes,
    at: Ints,
    across: Floats,
    up: Floats,
    z: Floats,
    floor: Floats | None,
) -> None:
    """Write the rings of whole strand of one width, which have one outline, as the product of two small tables."""
    if not len(at):
        return
    sample = lanes.sample[at]
    if courses.lift is not None:
        height = z[:, None] + up
        if floor is not None:
            height[:, _lower(across)] = floor[:, None]
        out[rows] = on_surface(courses, courses.lift, sample, np.broadcast_to(across, height.shape), height)
        return
    table = np.zeros((6 if floor is None else 7, len(across), 3))
    table[0, :, 0] = table[1, :, 1] = 1.0
    table[2, :, 0] = table[3, :, 1] = across
    table[4, :, 2], table[5, :, 2] = 1.0, up
    if floor is not None:
        under = _lower(across)
        table[4, under, 2], table[5, under, 2], table[6, under, 2] = 0.0, 0.0, 1.0
    factors = np.column_stack([courses.point[sample], courses.lateral[sample], z, np.ones(len(at))])
    if floor is not None:
        factors = np.column_stack([factors, floor])
    if rows[-1] - rows[0] == len(rows) - 1:
        there = out[rows[0] : rows[-1] + 1]
        np.matmul(factors, table.reshape(len(table), -1), out=there.reshape(len(at), -1))
    else:
        out[rows] = (factors @ table.reshape(len(table), -1)).reshape(len(at), len(across), 3)


def _half_outlines(
    lanes: Lanes,
    at: Ints,
    right: Bools,
    across: Floats,
    up: Floats,
    z: Floats,
    strand: Strand,
    size: Sizes,
    floor: Floats | None,
) -> tuple[Floats, Floats]:
    """Outlines of halves: half of the whole strand's where they begin, passing over into a section of their own."""
    corners = across.shape[1]
    half = corners // 2
    own_x, own_z = outlines(strand, size, lanes.width[at]) if len(at) else (np.zeros((0, corners)),) * 2
    full_x = lanes.offset[at][:, None] + own_x
    full_z = z[at][:, None] + own_z
    if floor is not None:
        _stand(full_x, full_z, _lower(across[0]), right, floor)

    # half of the whole outline, seen as a left half; the right one is its mirror image by index
    def cut(x: Floats, height: Floats) -> tuple[Floats, Floats]:
        side = slice(1, half)
        left_x, left_z = x[side], height[side]
        upper = slice(_split(left_x), None)
        lower = slice(None, _split(left_x) + 1)
        # the half's own middles, inside of all other points of its side
        over, under = (_inside(left_x[part], size.width / 4) for part in (upper, lower))
        top = np.interp(over, *_rising(np.append(left_x[upper], 0.0), np.append(left_z[upper], height[half])))
        bottom = np.interp(under, *_rising(np.append(0.0, left_x[lower]), np.append(height[0], left_z[lower])))
        inner = np.linspace(1.0, 0.0, half - 1)
        cut_x = np.concatenate([[under], left_x, [over], np.zeros(half - 1)])
        cut_z = np.concatenate([[bottom], left_z, [top], height[0] + inner * (height[half] - height[0])])
        return cut_x, cut_z

    mirror = (corners - np.arange(corners)) % corners
    left_x, left_z = cut(across[0], up[0])
    right_x, right_z = cut(-across[0, mirror], up[0, mirror])
    cut_x = np.where(right[:, None], -right_x[mirror], left_x)
    cut_z = z[at][:, None] + np.where(right[:, None], right_z[mirror], left_z)
    if floor is not None:
        under = _lower(across[0])
        inner_left = np.arange(corners) > half
        inner_side = np.where(right[:, None], inner_left[mirror], inner_left)
        cut_z = np.where(under & ~inner_side, floor, cut_z)
        share = np.zeros(corners)
        share[half + 1 :] = np.linspace(1.0, 0.0, half - 1)
        share_side = np.where(right[:, None], share[mirror], share)
        cut_z = np.where(inner_side, floor + share_side * (z[at][:, None] + up[0, half] - floor), cut_z)
    weight = lanes.opened[at][:, None]
    return (1 - weight) * cut_x + weight * full_x, (1 - weight) * cut_z + weight * full_z


def _stand(x: Floats, up: Floats, lower: Bools, right: Bools, floor: Floats) -> None:
    """Let halves stand on the floor, in place: by all that is below their broadest place, on the inner side plumb.

    Where halves part, the points of both inner sides come from one plumb line. If the lower ones were led away under
    the half, they would pass under those above them on the way.
    """
    corners = len(lower)
    half = corners // 2
    broad = up.copy()
    up[:, lower] = floor
    # the inner side's points from the ground up to its broadest place: the left side of right halves, and the other way
    index = np.flatnonzero(lower)
    for halves, under in ((right, index[(index > 0) & (index < half)]), (~right, index[index > half][::-1])):
        rows = np.flatnonzero(halves)[:, None]
        share = np.linspace(0.0, 1.0, len(under)) if len(under) > 1 else np.zeros(1)
        x[rows, under] = x[rows, under[-1:]]
        up[rows, under] = floor[rows[:, 0]] + share * (broad[rows, under[-1:]] - floor[rows[:, 0]])


def _split(left_x: Floats) -> int:
    """Index of the outermost point of a side: below it the underside, above it the top."""
    return int(len(left_x) - 1 - left_x[::-1].argmax())


def _inside(side: Floats, wanted: float) -> float:
    """``wanted``, or nearer the middle where the outline's side itself comes so near."""
    nearest = float(side.min())
    return wanted if nearest > 1.05 * wanted else nearest / 2


def _rising(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    order = np.argsort(x, kind="stable")
    return x[order], y[order]


def _stitch(trunk: Ints, left: Ints, right: Ints, opens: Bools) -> tuple[Ints, Ints]:
    """Faces between a whole strand's ring and the ring of both halves: (n, K, 4) quads and (n, 4, 3) triangles."""
    corners = trunk.shape[1]
    if not len(trunk):
        return np.zeros((0, corners, 4), np.int64), np.zeros((0, 4, 3), np.int64)
    half = corners // 2
    top, bottom = left[:, half + 1], left[:, corners - 1]
    quads = []
    for j in range(half):  # left side: underside to top
        quads.append([trunk[:, j], trunk[:, j + 1], left[:, j + 1], left[:, j]])
    for j in range(half, corners):  # right side: top to underside
        nxt = (j + 1) % corners
        quads.append([trunk[:, j], trunk[:, nxt], right[:, nxt], right[:, j]])
    triangles = [
        [trunk[:, 0], left[:, 0], bottom],
        [trunk[:, half], top, left[:, half]],
        [trunk[:, half], right[:, half], top],
        [trunk[:, 0], bottom, right[:, 0]],
    ]
    four = np.stack([np.stack(quad, 1) for quad in quads], 1)
    three = np.stack([np.stack(triangle, 1) for triangle in triangles], 1)
    # seen with the whole strand behind; where it lies ahead everything is turned over
    four = np.where(opens[:, None, None], four, four[:, :, ::-1])
    three = np.where(opens[:, None, None], three, three[:, :, ::-1])
    return four, three
