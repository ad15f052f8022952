"""A level as a net: kept rings of kept rails stitched to triangles, before its points are set off the surface.

*Corners* are what triangles are made of: a ring and a rail of a run, in the patch of a run or of a fork. Several
corners may share one *point*: where a closed strand comes round, where columns of a whole section do, at forks, and
between the halves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints
from .choosing import Chains, looped
from .patches import Patches
from .shading import across_at


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """What is kept of one run: rings, rails, and other rails at its first and last ring where it meets something.

    At the places among the rings that ``dense`` names all ``shown`` rails are kept: where a strand turns or twists so
    sharply from one ring to the next that no facet comes near enough.
    """

    rings: Ints
    chains: Chains
    first: Chains | None = None
    last: Chains | None = None
    dense: frozenset[int] = frozenset()
    shown: Chains = ()

    def at(self, place: int) -> Chains:
        """The rails kept at the ring of that place in the choice."""
        if place == 0 and self.first is not None:
            return self.first
        if place == len(self.rings) - 1 and self.last is not None:
            return self.last
        return self.shown if place in self.dense else self.chains


@dataclass(frozen=True, slots=True, eq=False)
class Net:
    """Corners and the triangles between them.

    Attributes
    ----------
    points : (p, 3) float64
    point, run, ring, rail, patch : (c,) int64
        Of each corner. A closed run's first ring is also ring ``n``; rails may count on beyond ``K``.
    frame : (c,) float64
        The rail in its patch, by which columns before and after it are told apart; a fork's are its trunk's.
    along, across : (c,) float64
    side : (c,) int64
        The side (0 before, 1 after) whose normal a corner takes in any case, or -1.
    triangles : (t, 3) int64
        Of corners, anticlockwise seen from outside.
    triangle_patch : (t,) int64
    quads : (q, 2) int64
        The two triangles of facets whose diagonal may be turned.
    """

    points: Floats
    point: Ints
    run: Ints
    ring: Ints
    rail: Ints
    frame: Floats
    along: Floats
    across: Floats
    side: Ints
    patch: Ints
    triangles: Ints
    triangle_patch: Ints
    quads: Ints


def stitched(left: Ints, left_at: Floats, right: Ints, right_at: Floats) -> list[tuple[int, int, int]]:
    """Triangles between two rows of corners whose places both rise; ``left`` is the ring behind, ``right`` ahead.

    Of both ways to go on the one is taken whose new edge is the shorter in places, so corners at the same place are
    joined.
    """
    faces, a, b = [], 0, 0
    while a < len(left) - 1 or b < len(right) - 1:
        step_left = abs(left_at[a + 1] - right_at[b]) if a < len(left) - 1 else np.inf
        step_right = abs(right_at[b + 1] - left_at[a]) if b < len(right) - 1 else np.inf
        if step_left < step_right:
            faces.append((int(left[a]), int(left[a + 1]), int(right[b])))
            a += 1
        else:
            faces.append((int(left[a]), int(right[b + 1]), int(right[b])))
            b += 1
    return faces


def chain_edges(chains: Chains) -> int:
    """Columns of all rows together."""
    return sum(len(chain) - 1 for chain in chains)


def count_triangles(choice: Choice) -> int:
    """Triangles of a run, its forks and caps aside."""
    last = len(choice.rings) - 1
    dense = sum(0 < place < last for place in choice.dense)
    inner = chain_edges(choice.chains) * (last - 1 - dense) + chain_edges(choice.shown) * dense
    return chain_edges(choice.at(0)) + 2 * inner + chain_edges(choice.at(last))


def build_net(patches: Patches, choices: tuple[Choice, ...]) -> Net:
    """Stitch the kept rings and rails of all runs and forks, points on the exact surface."""
    start = np.cumsum([0] + [run.points.shape[0] * run.points.shape[1] for run in patches.runs])
    table: list[Floats] = []
    faces: list[Ints] = []
    face_patch: list[Ints] = []
    quads: list[Ints] = []
    corners = triangles = 0
    for number, (run, choice) in enumerate(zip(patches.runs, choices, strict=True)):
        count, size = run.points.shape[:2]
        _, length = looped(run)
        for row in range(len(choice.chains)):
            kept = [choice.at(place)[row] for place in range(len(choice.rings))]
            sizes = np.array([len(rails) for rails in kept])
            rail = np.concatenate(kept)
            ring = np.repeat(choice.rings, sizes)
            key = start[number] + (ring % count) * size + rail % size
            patch = number * 4 + row
            full = np.full(len(rail), 1.0)
            table.append(
                np.column_stack(
                    [key, number * full, ring, rail, rail, length[ring], across_at(run, rail), -full, patch * full]
                )
            )
            begin = corners + np.concatenate([[0], np.cumsum(sizes)])
            same = np.array([np.array_equal(a, b) for a, b in zip(kept[:-1], kept[1:], strict=True)])
            for wide in np.unique(sizes[:-1][same]).tolist():
                plain = np.flatnonzero(same & (sizes[:-1] == wide))
                a = (begin[plain][:, None] + np.arange(wide - 1)).ravel()
                b = (begin[plain + 1][:, None] + np.arange(wide - 1)).ravel()
                quad = np.stack([a, a + 1, b + 1, a, b + 1, b], 1).reshape(-1, 3)
                faces.append(quad)
                quads.append(triangles + np.arange(len(quad)).reshape(-1, 2))
                triangles += len(quad)
                face_patch.append(np.full(len(quad), patch))
            for band in np.flatnonzero(~same):
                one = stitched(
                    np.arange(begin[band], begin[band + 1]),
                    kept[band].astype(float),
                    np.arange(begin[band + 1], begin[band + 2]),
                    kept[band + 1].astype(float),
                )
                faces.append(np.array(one, np.int64).reshape(-1, 3))
                triangles += len(one)
                face_patch.append(np.full(len(one), patch))
            corners += len(rail)
    same_as = np.arange(start[-1])
    for number in range(len(patches.forks)):
        added, joint, walls = _fork(patches, choices, number, start)
        same_as[walls[:, 1]] = walls[:, 0]
        table.append(added)
        faces.append(corners + joint)
        face_patch.append(np.full(len(joint), len(patches.runs) * 4 + number))
        corners += len(added)
        triangles += len(joint)
    rows = np.concatenate(table)
    used, point = np.unique(same_as[rows[:, 0].astype(np.int64)], return_inverse=True)
    every = np.concatenate([run.points.reshape(-1, 3) for run in patches.runs])
    number_of, ring_of, rail_of, side_of, patch_of = rows[:, [1, 2, 3, 7, 8]].astype(np.int64).T
    return Net(
        points=every[used],
        point=point,
        run=number_of,
        ring=ring_of,
        rail=rail_of,
        frame=rows[:, 4],
        along=rows[:, 5],
        across=rows[:, 6],
        side=side_of,
        patch=patch_of,
        triangles=np.concatenate(faces),
        triangle_patch=np.concatenate(face_patch),
        quads=np.concatenate(quads) if quads else np.zeros((0, 2), np.int64),
    )


def fork_ring(patches: Patches, run: int, end: int) -> int:
    """The ring at which a run meets its fork."""
    return 0 if end == 0 else len(patches.runs[run].points) - 1


def fork_rails(patches: Patches, number: int) -> dict[int, Ints]:
    """Rails that must be kept at a fork, by run: both middles of the trunk and of the halves, and the wall's ends."""
    fork = patches.forks[number]
    size = patches.runs[fork.trunk[0]].points.shape[1]
    half = size // 2
    ends = np.array([half + 1, size - 1])
    return {
        fork.trunk[0]: np.array([0, half]),
        fork.left[0]: np.sort(np.concatenate([[0, half], ends])),
        fork.right[0]: np.sort(np.concatenate([[0, half], size - ends])),
    }


def _fork(patches: Patches, choices: tuple[Choice, ...], number: int, start: Ints) -> tuple[Floats, Ints, Ints]:
    """Corners and faces of a fork, and pairs of the halves' wall points that are one (left, right)."""
    fork = patches.forks[number]
    size = patches.runs[fork.trunk[0]].points.shape[1]
    half = size // 2

    def kept(run: int, end: int) -> Ints:
        choice = choices[run]
        return np.concatenate(choice.at(0 if end == 0 else len(choice.rings) - 1))

    def keys(run: int, end: int, rails: Ints) -> Ints:
        key: Ints = start[run] + fork_ring(patches, run, end) * size + rails % size
        return key

    # the halves' ring in the trunk's frame: each half's middles lie half a step from the wall's ends
    frames = []
    for place, (run, end) in enumerate((fork.left, fork.right)):
        rails = np.unique(kept(run, end))
        if place == 0:
            outer = rails[rails <= half]
            frame = np.where(outer % size == 0, 0.5, np.where(outer == half, half - 0.5, outer))
        else:
            outer = rails[(rails >= half) & (rails <= size)]
            frame = np.where(outer % size == 0, size - 0.5, np.where(outer == half, half + 0.5, outer))
        frames.append((run, end, outer, frame.astype(float)))
    trunk_kept = np.unique(kept(*fork.trunk))
    closed = bool(trunk_kept[-1] - trunk_kept[0] == size)
    left_kept = np.unique(kept(*fork.left) % size)
    walls = [(half, half + 1)] if half + 1 in left_kept else []
    if closed:
        walls += [(0, size - 1), (size, size - 1)]
    trunk_run = patches.runs[fork.trunk[0]]
    girth = trunk_run.across
    length = looped(patches.runs[fork.trunk[0]])[1][fork_ring(patches, *fork.trunk)]
    toward = 1.0 if fork.trunk[1] == 1 else -1.0
    reach = toward * float(
        np.linalg.norm(
            trunk_run.points[fork_ring(patches, *fork.trunk)].mean(0)
            - (
                patches.runs[fork.left[0]].points[fork_ring(patches, *fork.left)].mean(0)
                + patches.runs[fork.right[0]].points[fork_ring(patches, *fork.right)].mean(0)
            )
            / 2
        )
    )
    patch = len(patches.runs) * 4 + number

    def rows(run: int, end: int, rails: Ints, frame: Floats, at: float, side: Ints | int) -> Floats:
        full = np.ones(len(rails))
        return np.column_stack(
            [
                keys(run, end, rails),
                run * full,
                fork_ring(patches, run, end) * full,
                rails,
                frame,
                at * full,
                np.interp(frame, np.arange(size + 1), girth),
                side * full,
                patch * full,
            ]
        )

    trunk = rows(*fork.trunk, trunk_kept, trunk_kept.astype(float), float(length), -1)
    parts = [rows(run, end, rails, frame, float(length) + reach, -1) for run, end, rails, frame in frames]
    for place, rail in walls:
        # the wall's top ends the left half's top, its bottom begins that half's underside
        side = 0 if rail == half + 1 else 1
        parts.append(rows(*fork.left, np.array([rail]), np.array([float(place)]), float(length) + reach, side))
    ahead = np.concatenate(parts)
    ahead = ahead[np.argsort(ahead[:, 4], kind="stable")]
    both = np.concatenate([trunk, ahead])
    index = np.arange(len(both))
    behind, front = index[: len(trunk)], index[len(trunk) :]
    pieces = []
    for begin, end in _spans(choices[fork.trunk[0]]):
        a = behind[(trunk[:, 4] >= begin) & (trunk[:, 4] <= end)]
        b = front[(ahead[:, 4] >= begin) & (ahead[:, 4] <= end)]
        pieces += stitched(a, both[a, 4], b, both[b, 4])
    faces = np.array(pieces, np.int64).reshape(-1, 3)
    if fork.trunk[1] == 0:  # the trunk lies ahead of the halves
        faces = faces[:, ::-1]
    shared = np.stack([keys(*fork.left, fork.wall[:, 0]), keys(*fork.right, fork.wall[:, 1])], 1)
    return both, faces, shared


def _spans(choice: Choice) -> list[tuple[int, int]]:
    """First and last rail of each row of columns."""
    return [(int(chain[0]), int(chain[-1])) for chain in choice.chains]


def sides(net: Net) -> Ints:
    """For every triangle's corners on which side of its rail the triangle lies: 0 before, 1 after, (t, 3)."""
    frame = net.frame[net.triangles]
    after = (frame.mean(1)[:, None] > frame).astype(np.int64)
    own = net.side[net.triangles]
    told: Ints = np.where(own >= 0, own, after)
    return told
