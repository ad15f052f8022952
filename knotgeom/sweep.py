"""Sweeping sections along the lanes: closed meshes, forks included.

Sections stand upright and square to the strand in plan, so strands never roll and what lies between two strands
vertically is exactly what the heights say. A closed strand comes back to its own first ring, so it closes by index.

At a fork the whole strand's last ring meets the ring of both halves, which share the wall between them: that wall is an
upright line of vertices from which the halves' inner sides part. Every edge there has two faces, and nothing is merged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .course import Courses
from .design import Making, Sizes, Strand
from .lanes import Lanes
from .mesh import Bools, Floats, Ints, Mesh
from .sections import outlines


@dataclass(frozen=True, slots=True, eq=False)
class Swept:
    """Rings of vertices along all lanes and the faces between them, before they are gathered into a mesh.

    A *band* is what lies between two neighbouring rings of one lane.

    Attributes
    ----------
    vertices : (n, 3) float64
    bands : (b, 2, K) int64
        The two rings of each band, as vertices.
    band_sample : (b,) int64
        The lane sample where the band begins.
    band_half : (b,) bool
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
    bands: Ints
    band_sample: Ints
    band_half: Ints
    fork_quads: Ints
    fork_triangles: Ints
    fork_sample: Ints
    lane: Ints
    following: Ints
    girth: Floats


def sweep_rings(
    courses: Courses,
    lanes: Lanes,
    z: Floats,
    strand: Strand,
    size: Sizes,
    way: Making,
    ground: float | None = None,
) -> Swept:
    """Place a section at every lane sample and join them up."""
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
    floor = ground if way is Making.CARVED else None
    across, up = outlines(strand, size, np.array([size.width]))
    corners = across.shape[1]
    whole = _place(courses, lanes, whole_at, *_whole_outline(across, up, z[whole_at], floor))
    halves = _half_outlines(lanes, half_at, right[half_at], across, up, z, strand, size, floor)
    vertices = np.concatenate([whole, _place(courses, lanes, half_at, *halves)]).reshape(-1, 3)
    index = np.arange(len(whole_at) + len(half_at))[:, None] * corners + np.arange(corners)

    # the wall at a fork belongs to both halves: the right one's left side is the left one's right side
    fork_left, fork_right = np.flatnonzero(fork & ~right), np.flatnonzero(fork & right)
    inner = np.arange(1, corners // 2)
    index[half_ring[fork_right][:, None], inner] = index[half_ring[fork_left][:, None], corners - inner]

    bands, band_sample, band_half = [], [], []
    for runs, ring in ((run_whole, whole_ring), (run_half, half_ring)):
        at = np.flatnonzero(runs & (ring >= 0) & (ring[after] >= 0))
        bands.append(np.stack([index[ring[at]], index[ring[after[at]]]], 1))
        band_sample.append(at)
        band_half.append(np.full(len(at), ring is half_ring))

    opens = ~lanes.whole[fork_left]  # halves ahead: the whole strand's ring is the one before
    trunk = np.where(opens, before[fork_left], after[fork_left])
    fork_quads, fork_triangles = _stitch(
        index[whole_ring[trunk]], index[half_ring[fork_left]], index[half_ring[fork_right]], opens
    )
    loop = np.vstack([np.stack([across[0], up[0]], 1), [[across[0, 0], up[0, 0]]]])
    return Swept(
        vertices=vertices,
        bands=np.concatenate(bands),
        band_sample=np.concatenate(band_sample),
        band_half=np.concatenate(band_half),
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
    a, b = swept.bands[:, 0], swept.bands[:, 1]
    corners = a.shape[1]
    quads = np.stack([a, np.roll(a, -1, 1), np.roll(b, -1, 1), b], 2).reshape(-1, 4)
    at = swept.band_sample
    ahead = swept.following[at]
    end = np.where(ahead == lanes.start[:-1][swept.lane[at]], lanes.length[swept.lane[at]], lanes.along[ahead])
    uv = np.empty((len(at), corners, 4, 2), np.float32)
    uv[:, :, :2, 0] = lanes.along[at][:, None, None]
    uv[:, :, 2:, 0] = end[:, None, None]
    round_ = swept.girth * np.where(swept.band_half, 0.5, 1.0)[:, None]
    uv[:, :, 0, 1] = uv[:, :, 3, 1] = round_[:, :-1]
    uv[:, :, 1, 1] = uv[:, :, 2, 1] = round_[:, 1:]

    forks = len(swept.fork_sample)
    fork_circuit = lanes.circuit[swept.lane[swept.fork_sample]]
    near = lanes.along[swept.fork_sample]
    faces = np.concatenate([quads, swept.fork_quads.reshape(-1, 4)])
    triangles = swept.fork_triangles.reshape(-1, 3)
    used = np.zeros(len(swept.vertices), bool)
    used[faces] = True
    used[triangles] = True
    renumber = (np.cumsum(used) - 1).astype(np.int32)
    return Mesh(
        vertices=swept.vertices[used],
        quads=renumber[faces],
        triangles=renumber[triangles],
        quad_uv=np.concatenate([uv.reshape(-1, 4, 2), _fork_uv(near, (forks, corners), 4)]).astype(np.float32),
        triangle_uv=_fork_uv(near, (forks, 4), 3).astype(np.float32),
        quad_strand=np.concatenate(
            [np.repeat(lanes.circuit[swept.lane[at]], corners), np.repeat(fork_circuit, corners)]
        ).astype(np.int32),
        triangle_strand=np.repeat(fork_circuit, 4).astype(np.int32),
    )


def _fork_uv(along: Floats, shape: tuple[int, ...], corners: int) -> Floats:
    """Texture places of the few faces that close a fork: all at its own length along the strand."""
    uv = np.zeros((*shape, corners, 2))
    uv[..., 0] = along[:, None, None] if len(along) else 0.0
    uv[..., 1] = np.arange(corners) * 1e-3
    return uv.reshape(-1, corners, 2)


def _place(courses: Courses, lanes: Lanes, at: Ints, across: Floats, height: Floats) -> Floats:
    """Vertices of rings at lane samples from how far across and how high they lie, (n, K, 3)."""
    sample = lanes.sample[at]
    plan = courses.point[sample][:, None, :] + across[:, :, None] * courses.lateral[sample][:, None, :]
    return np.concatenate([plan, height[:, :, None]], 2)


def _lower(corners: int) -> Ints:
    """Which points of an outline are its underside: the lower half of either side and the middle between."""
    half = corners // 2
    lower = np.zeros(corners, bool)
    side = half - 1
    lower[: 1 + side // 2] = True
    lower[corners - side // 2 :] = True
    return lower


def _whole_outline(across: Floats, up: Floats, z: Floats, floor: float | None) -> tuple[Floats, Floats]:
    height = z[:, None] + up
    if floor is not None:
        height[:, _lower(up.shape[1])] = floor
    return np.broadcast_to(across, height.shape), height


def _half_outlines(
    lanes: Lanes,
    at: Ints,
    right: Ints,
    across: Floats,
    up: Floats,
    z: Floats,
    strand: Strand,
    size: Sizes,
    floor: float | None,
) -> tuple[Floats, Floats]:
    """Outlines of halves: half of the whole strand's where they begin, passing over into a section of their own."""
    corners = across.shape[1]
    half = corners // 2
    own_x, own_z = outlines(strand, size, lanes.width[at]) if len(at) else (np.zeros((0, corners)),) * 2
    full_x = lanes.offset[at][:, None] + own_x
    full_z = z[at][:, None] + own_z
    if floor is not None:
        full_z[:, _lower(corners)] = floor

    # half of the whole outline, seen as a left half; the right one is its mirror image by index
    def cut(x: Floats, height: Floats) -> tuple[Floats, Floats]:
        side = slice(1, half)
        left_x, left_z = x[side], height[side]
        upper = slice(_split(left_x), None)
        top = np.interp(size.width / 4, *_rising(np.append(left_x[upper], 0.0), np.append(left_z[upper], height[half])))
        lower = slice(None, _split(left_x) + 1)
        bottom = np.interp(size.width / 4, *_rising(np.append(0.0, left_x[lower]), np.append(height[0], left_z[lower])))
        inner = np.linspace(1.0, 0.0, half - 1)
        cut_x = np.concatenate([[size.width / 4], left_x, [size.width / 4], np.zeros(half - 1)])
        cut_z = np.concatenate([[bottom], left_z, [top], height[0] + inner * (height[half] - height[0])])
        return cut_x, cut_z

    mirror = (corners - np.arange(corners)) % corners
    left_x, left_z = cut(across[0], up[0])
    right_x, right_z = cut(-across[0, mirror], up[0, mirror])
    cut_x = np.where(right[:, None], -right_x[mirror], left_x)
    cut_z = z[at][:, None] + np.where(right[:, None], right_z[mirror], left_z)
    if floor is not None:
        under = _lower(corners)
        inner_left = np.arange(corners) > half
        inner_side = np.where(right[:, None], inner_left[mirror], inner_left)
        cut_z = np.where(under & ~inner_side, floor, cut_z)
        share = np.zeros(corners)
        share[half + 1 :] = np.linspace(1.0, 0.0, half - 1)
        share_side = np.where(right[:, None], share[mirror], share)
        cut_z = np.where(inner_side, floor + share_side * (z[at][:, None] + up[0, half] - floor), cut_z)
    weight = lanes.opened[at][:, None]
    return (1 - weight) * cut_x + weight * full_x, (1 - weight) * cut_z + weight * full_z


def _split(left_x: Floats) -> int:
    """Index of the outermost point of a side: below it the underside, above it the top."""
    return int(len(left_x) - 1 - left_x[::-1].argmax())


def _rising(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    order = np.argsort(x, kind="stable")
    return x[order], y[order]


def _stitch(trunk: Ints, left: Ints, right: Ints, opens: Bools) -> tuple[Ints, Ints]:
    """Faces between a whole strand's ring and the ring of both halves: (n, K, 4) quads and (n, 4, 3) triangles."""
    corners = trunk.shape[1]
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
