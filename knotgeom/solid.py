"""Solids: strands that overlap united into one body, by manifold3d.

A strand may cross itself, so a swept mesh as it stands is no solid that a Boolean can take. It is cut across between
every crossing where it passes over and the next where it passes under. What passes over overlaps nothing else that
passes over (a crossing has one upper strand), and what passes under nothing else that passes under, so the cuts leave
two clean sets of solids, and one Boolean unites them.
"""

from __future__ import annotations

import numpy as np

from .course import Courses
from .design import Making, Sizes, Strand
from .divide import StrandMap
from .heights import Stretches
from .lanes import Lanes
from .mesh import Floats, Ints, Mesh
from .sections import outlines
from .sweep import Swept, sweep_rings
from .weave import Weaving


TOLERANCE = 2e-4
"""mm that a vertex may move when slivers are taken out."""


def upper_runs(lanes: Lanes, strand_map: StrandMap, weaving: Weaving, stretches: Stretches) -> Ints:
    """Whether each lane sample's run belongs to a stretch of strand that passes over, (m,) bool.

    The strand changes sets half way between two crossings. A fork belongs to its whole strand's side.
    """
    s = stretches
    count = strand_map.crossings
    crossing = s.crossing >= 0
    upper = np.zeros(len(s.lane), bool)
    strand = (s.node[:, 0] % 8) >= 4
    upper[crossing] = weaving.pass_one_over[s.crossing[crossing]] == strand[crossing]
    before = np.empty_like(s.following)
    before[s.following] = np.arange(len(before))
    opens = np.zeros(len(s.lane), bool)
    opens[~crossing] = strand_map.fork_opens[s.node[~crossing, 0] - 8 * count]
    # several forks may follow each other on one trunk, none of them with a crossing of its own: pass the side along
    for _ in range(3):
        upper = np.where(crossing, upper, np.where(opens, upper[before], upper[s.following]))

    lane = np.repeat(np.arange(len(lanes.circuit)), np.diff(lanes.start))
    result = np.ones(len(lane), bool)
    base = np.concatenate([[0.0], np.cumsum(lanes.length + 1.0)])[:-1]
    middle = s.place[:, 3] + s.room / 2  # where a row's stretch ends
    key = np.mod(middle, lanes.length[s.lane]) + base[s.lane]
    order = np.argsort(key, kind="stable")
    after = np.arange(1, len(lane) + 1)
    after[lanes.start[1:] - 1] = lanes.start[:-1]
    end = np.where(after == lanes.start[:-1][lane], lanes.length[lane], lanes.along[after])
    heart = (lanes.along + end) / 2 + base[lane]
    rows_in = np.bincount(s.lane, minlength=len(lanes.circuit))
    first = np.concatenate([[0], np.cumsum(rows_in)])[:-1]
    at = np.searchsorted(key[order], heart)
    wrapped = at >= first[lane] + rows_in[lane]
    at = np.where(wrapped, first[lane], at)
    some = rows_in[lane] > 0
    result[some] = upper[order[np.minimum(at[some], len(order) - 1)]]
    return result


def united(
    courses: Courses,
    lanes: Lanes,
    strand_map: StrandMap,
    weaving: Weaving,
    stretches: Stretches,
    z: Floats,
    strand: Strand,
    size: Sizes,
    way: Making,
    ground: float | None = None,
) -> Mesh:
    """All strands united: one closed body for each connected part, without anything hidden inside.

    Raises
    ------
    ImportError
        If manifold3d is not installed.
    """
    from manifold3d import Manifold, OpType, triangulate
    from manifold3d import Mesh as Solid

    swept = sweep_rings(courses, lanes, z, strand, size, way, ground)
    across, up = outlines(strand, size, np.array([size.width]))
    cap = np.asarray(triangulate([np.column_stack([across[0], up[0]])]), np.int64)
    sides = []
    upper = upper_runs(lanes, strand_map, weaving, stretches)
    for side in (True, False):
        faces, owner = _one_side(swept, lanes, upper, side, cap)
        if not len(faces):
            continue
        used, numbered = np.unique(faces, return_inverse=True)
        solid = Manifold(
            Solid(
                vert_properties=np.ascontiguousarray(swept.vertices[used], np.float32),
                tri_verts=np.ascontiguousarray(numbered.reshape(-1, 3), np.uint32),
            )
        )
        if solid.is_empty():
            raise ValueError(f"a set of strand pieces is no solid: {solid.status()}")
        sides.append(solid)
    whole = Manifold.batch_boolean(sides, OpType.Add) if len(sides) > 1 else sides[0]
    # Where walls lie flush, rounding leaves crumbs and pinholes far below anything that can be made; they go.
    crumb = 0.01 * size.width**2 * size.thickness
    parts = [part for part in whole.set_tolerance(TOLERANCE).simplify(TOLERANCE).decompose() if part.volume() > crumb]
    mesh = Manifold.compose(parts).to_mesh()
    triangles = np.asarray(mesh.tri_verts, np.int32)
    vertices = np.asarray(mesh.vert_properties, float)[:, :3]
    return Mesh(
        vertices=vertices,
        quads=np.zeros((0, 4), np.int32),
        triangles=triangles,
        quad_uv=np.zeros((0, 4, 2), np.float32),
        triangle_uv=np.ascontiguousarray(vertices[triangles][:, :, :2], np.float32),
        quad_strand=np.zeros(0, np.int32),
        triangle_strand=np.asarray(mesh.face_id, np.int32),
    )


def _one_side(swept: Swept, lanes: Lanes, upper: Ints, side: bool, cap: Ints) -> tuple[Ints, Ints]:
    """Triangles of all pieces on one side, closed at both ends, and the circuit of each."""
    total = len(upper)
    fork_run = swept.fork_sample
    mine = upper == side
    # halves keep their trunk's side on the first run after a fork, so that no cut falls into the fork itself
    at = swept.band_sample
    band_side = mine[at].copy()
    bands = swept.bands
    a, b = bands[:, 0], bands[:, 1]
    starts_at: dict[int, list[int]] = {}
    for ring, number in zip(a[:, 0].tolist(), range(len(a)), strict=True):
        starts_at.setdefault(ring, []).append(number)
    fork_side = mine[fork_run]
    if len(fork_run):
        ring_of_first = {int(v): k for k, v in enumerate(a[:, 0])}
        ring_of_last = {int(v): k for k, v in enumerate(b[:, 0])}
        for number in range(len(fork_run)):
            corners = {int(v) for v in swept.fork_quads[number].ravel()}
            for vertex in corners:
                for table in (ring_of_first, ring_of_last):
                    if vertex in table:
                        band_side[table[vertex]] = fork_side[number]
    chosen = np.flatnonzero(band_side)
    qa, qb = a[chosen], b[chosen]
    quads = np.stack([qa, np.roll(qa, -1, 1), np.roll(qb, -1, 1), qb], 2).reshape(-1, 4)
    owner = [np.repeat(lanes.circuit[swept.lane[at[chosen]]], 2 * a.shape[1])]
    faces = [quads[:, [0, 1, 2, 0, 2, 3]].reshape(-1, 3)]
    if fork_side.any():
        four = swept.fork_quads[fork_side].reshape(-1, 4)
        three = swept.fork_triangles[fork_side].reshape(-1, 3)
        circuit = lanes.circuit[swept.lane[fork_run[fork_side]]]
        faces += [four[:, [0, 1, 2, 0, 2, 3]].reshape(-1, 3), three]
        owner += [np.repeat(circuit, 2 * a.shape[1]), np.repeat(circuit, 4)]

    # a ring where a band of this side meets one of the other is closed by a cap
    key_a, key_b = a[:, 0], b[:, 0]
    touched = np.zeros(len(swept.vertices), np.int64)
    np.add.at(touched, key_a[chosen], 1)
    np.add.at(touched, key_b[chosen], 1)
    if fork_side.any():
        rings = np.unique(swept.fork_quads[fork_side])
        on_fork = np.zeros(len(swept.vertices), bool)
        on_fork[rings] = True
    else:
        on_fork = np.zeros(len(swept.vertices), bool)
    begins = chosen[(touched[key_a[chosen]] == 1) & ~on_fork[key_a[chosen]]]
    ends = chosen[(touched[key_b[chosen]] == 1) & ~on_fork[key_b[chosen]]]
    faces += [a[begins][:, cap[:, ::-1]].reshape(-1, 3), b[ends][:, cap].reshape(-1, 3)]
    owner += [np.repeat(lanes.circuit[swept.lane[at[rows]]], len(cap)) for rows in (begins, ends)]
    del total
    return np.concatenate(faces), np.concatenate(owner)
