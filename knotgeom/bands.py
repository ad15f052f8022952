"""Which lane samples have rings, what bands and forks join them, before any of them has a place.

A *band* is what lies between two neighbouring rings of one lane. Whole strand of a divided circuit lies on both of its
lanes and is swept once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from .design import Sizes
from .lanes import Lanes
from .mesh import Bools, Ints


@dataclass(frozen=True, slots=True, eq=False)
class Runs:
    """Which lane samples have rings, whole ones first, and what they are joined to.

    Attributes
    ----------
    sample : (rings,) int64
        The lane sample of each ring.
    half, right : (rings,) bool
        Which are halves, and which of those right ones.
    band_ring : (b, 2) int64
        The two rings of each band.
    band_sample : (b,) int64
        The lane sample where it begins.
    band_half : (b,) bool
    fork_left, fork_right, trunk : (F,) int64
        The ring of each half at a fork, and that of whole strand beside them.
    fork_sample : (F,) int64
        The lane sample of the whole strand's run that ends at the fork.
    opens : (F,) bool
        Whether halves lie ahead.
    """

    sample: Ints
    half: Bools
    right: Bools
    band_ring: Ints
    band_sample: Ints
    band_half: Bools
    fork_left: Ints
    fork_right: Ints
    trunk: Ints
    fork_sample: Ints
    opens: Bools


def undivided(after: Ints) -> Runs:
    """A ring and a band at every lane sample."""
    every, no, none = np.arange(len(after)), np.zeros(len(after), bool), np.zeros(0, np.int64)
    return Runs(every, no, no, _beside(every, after), every, no, none, none, none, none, none.astype(bool))


def _beside(one: Ints, other: Ints) -> Ints:
    """Two columns, (n, 2)."""
    columns = np.empty((2, len(one)), np.int64)
    columns[0], columns[1] = one, other
    return columns.T


def divided(lanes: Lanes, lane: Ints, after: Ints) -> Runs:
    """The same where strands are divided: whole strand of both lanes is swept once, on the left one."""
    total = len(after)
    before = np.empty(total, np.int64)
    before[after] = np.arange(total)
    paired, right = lanes.paired[lane], lanes.side[lane] == 1
    run_whole = np.where(paired, lanes.whole & ~right, True)
    run_half = paired & ~lanes.whole
    use_half = run_half | run_half[before]
    fork = use_half & (lanes.whole | lanes.whole[before])  # where a half begins or ends
    use_whole = (run_whole | run_whole[before]) & ~fork

    whole_at, half_at = np.flatnonzero(use_whole), np.flatnonzero(use_half)
    ring = np.full(total, -1)
    ring[whole_at] = np.arange(len(whole_at))
    ring[half_at] = len(whole_at) + np.arange(len(half_at))
    whole_band, half_band = np.flatnonzero(run_whole & use_whole & use_whole[after]), np.flatnonzero(run_half)
    band = np.concatenate([whole_band, half_band])
    left = np.flatnonzero(fork & ~right)
    opens = ~lanes.whole[left]
    trunk = np.where(opens, before[left], after[left])  # halves ahead: the whole strand's ring is the one before
    half = np.arange(len(whole_at) + len(half_at)) >= len(whole_at)
    sample = np.concatenate([whole_at, half_at])
    return Runs(
        sample=sample,
        half=half,
        right=half & right[sample],
        band_ring=_beside(ring[band], ring[after[band]]),
        band_sample=band,
        band_half=np.arange(len(band)) >= len(whole_band),
        fork_left=ring[left],
        fork_right=ring[np.flatnonzero(fork & right)],
        trunk=ring[trunk],
        fork_sample=np.where(opens, trunk, left),
        opens=opens,
    )


def alike(runs: Runs, lanes: Lanes, lane: Ints, size: Sizes) -> Iterator[tuple[Sizes, bool | None, Ints]]:
    """The rings of whole strand (None), of left (False) and of right (True) halves, apart for each width of strand."""
    every = np.arange(len(runs.sample))
    breadths = sorted(set(lanes.breadth.tolist()))
    for breadth in breadths:
        own = size if breadth == size.width else replace(size, width=breadth)
        mine = every if len(breadths) == 1 else every[lanes.breadth[lane[runs.sample]] == breadth]
        kinds: list[tuple[bool | None, Ints]] = [(None, mine)]
        if np.count_nonzero(runs.half):
            half, right = runs.half[mine], runs.right[mine]
            kinds = [(None, mine[~half]), (False, mine[half & ~right]), (True, mine[right])]
        yield from ((own, kind, rows) for kind, rows in kinds if len(rows))


def fork_faces(runs: Runs, corners: int) -> tuple[Ints, Ints, Ints]:
    """The right halves' rings at forks, (F, K), and the faces there: (F, K, 4) quads and (F, 4, 3) triangles.

    The wall at a fork belongs to both halves: the right one's left side is the left one's right side.
    """
    if not len(runs.trunk):
        return np.zeros((0, corners), np.int64), np.zeros((0, corners, 4), np.int64), np.zeros((0, 4, 3), np.int64)
    index = np.arange(corners)
    trunk, left, right = (ring[:, None] * corners + index for ring in (runs.trunk, runs.fork_left, runs.fork_right))
    half = corners // 2
    right[:, index[1:half]] = left[:, corners - index[1:half]]
    top, bottom = left[:, half + 1], left[:, corners - 1]
    # left side: underside to top; right side: top to underside
    halves = np.concatenate([left[:, :half], right[:, half:]], 1)
    ahead = np.concatenate([left[:, 1 : half + 1], right[:, half + 1 :], right[:, :1]], 1)
    four = np.stack([trunk, np.roll(trunk, -1, 1), ahead, halves], 2)
    triangles = [
        [trunk[:, 0], left[:, 0], bottom],
        [trunk[:, half], top, left[:, half]],
        [trunk[:, half], right[:, half], top],
        [trunk[:, 0], bottom, right[:, 0]],
    ]
    three = np.stack([np.stack(triangle, 1) for triangle in triangles], 1)
    # seen with the whole strand behind; where it lies ahead everything is turned over
    four = np.where(runs.opens[:, None, None], four, four[:, :, ::-1])
    three = np.where(runs.opens[:, None, None], three, three[:, :, ::-1])
    return right, four, three
