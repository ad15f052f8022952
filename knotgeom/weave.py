"""Over and under at every crossing, with the fewest failures of alternation that exist.

The mathematics
---------------
Give every crossing a spin: pass 1 over, or pass 0 over. A piece of strand between two ends asks its two spins to agree
or to differ, so that over and under alternate along it; a fork is a node with a spin too (its trunk one way, both its
halves the other). Round a face the demands can all be met unless an odd number of them ask for a change, and that is so
exactly where the face holds an odd number of *crotches*, the angles between the two halves of a fork. The least set
of failing pieces is then a minimum T-join of these faces in the dual graph, found by minimum-weight perfect matching:
the ground state of a planar spin glass (I. Bieche, R. Maynard, R. Rammal and J. P. Uhry, J. Phys. A 13, 1980; F.
Barahona, J. Phys. A 15, 1982). Failing on a step between two crossings counts before failing on a piece that ends at a
fork: the weights are the pairs (1, 0) and (0, 1) in lexicographic order, held exactly in one whole number. On a surface
with handles the T-join must lie in the right homology class as well: see :mod:`knotgeom.genus`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .cycles import connected_labels, cycle_labels
from .design import Hand, Pass, Weave
from .divide import StrandMap
from .genus import Part, in_class
from .layout import Layout, edge_of_site, pass_index
from .mesh import Bools, Ints
from .tjoin import adjacency, minimum_t_join


@dataclass(frozen=True, slots=True, eq=False)
class Weaving:
    """A weave of least count.

    Attributes
    ----------
    pass_one_over : (N,) bool
        Whether pass 1 is the upper one at each woven crossing.
    failing : (P,) bool
        The pieces of strand along which over and under do not alternate.
    fork_piece : (P,) bool
        Whether a piece ends at a fork.
    part : (N + F,) int64
        The connected part of each crossing and fork.
    unmet : tuple of Pass
        Preferred passes that are not over.
    exact : bool
        Whether the count is proved least (always on plane layouts); otherwise it is an upper bound.
    """

    pass_one_over: Bools
    failing: Bools
    fork_piece: Bools
    part: Ints
    unmet: tuple[Pass, ...]
    exact: bool

    @property
    def exceptions(self) -> int:
        """Steps between two crossings that fail to alternate."""
        return int((self.failing & ~self.fork_piece).sum())

    @property
    def fork_exceptions(self) -> int:
        """Pieces ending at a fork that fail to alternate."""
        return int((self.failing & self.fork_piece).sum())


def end_nodes(strand_map: StrandMap, ends: Ints) -> Ints:
    """The node of each end: crossings first, forks after them."""
    corner = 4 * strand_map.crossings
    return np.where(ends < corner, ends >> 2, strand_map.crossings + (ends - corner) // 3)


def fork_pieces(strand_map: StrandMap) -> Bools:
    """Whether each piece of strand ends at a fork, (P,)."""
    at_fork = strand_map.ends >= 4 * strand_map.crossings
    return at_fork[:, 0] | at_fork[:, 1]


def end_turns(strand_map: StrandMap) -> Ints:
    """The end that follows each end anticlockwise round its node, (end_count,)."""
    end = np.arange(strand_map.end_count)
    corner = 4 * strand_map.crossings
    at_fork = end - corner
    return np.where(end < corner, (end & ~3) + ((end + 1) & 3), corner + at_fork - at_fork % 3 + (at_fork % 3 + 1) % 3)


def end_phase(strand_map: StrandMap) -> Bools:
    """Whether the strand at each end is over when its node's spin is 0: pass 0, and the halves at a fork."""
    end = np.arange(strand_map.end_count)
    corner = 4 * strand_map.crossings
    return np.where(end < corner, end & 1, (end - corner) % 3 > 0).astype(bool)


def faces(strand_map: StrandMap) -> Ints:
    """The face to one side of each end, (end_count,); the piece's other side is the face of its other end."""
    mate = np.empty(strand_map.end_count, np.int64)
    mate[strand_map.ends[:, 0]] = strand_map.ends[:, 1]
    mate[strand_map.ends[:, 1]] = strand_map.ends[:, 0]
    return cycle_labels(end_turns(strand_map)[mate])


def least_failures(strand_map: StrandMap) -> tuple[Bools, bool]:
    """The pieces that fail in a weave of least count, and whether that count is proved least."""
    ends, count = strand_map.ends, len(strand_map.ends)
    failing = np.zeros(count, bool)
    if not strand_map.forks:
        return failing, True  # the faces take two colours: every strand alternates
    face = faces(strand_map)
    phase = end_phase(strand_map)
    asks_change = ~(phase[ends[:, 0]] ^ phase[ends[:, 1]])
    odd = np.bincount(face[ends.ravel()], np.repeat(asks_change, 2)) % 2 == 1

    fork_piece = fork_pieces(strand_map)
    weight = np.where(fork_piece, 1, int(fork_piece.sum()) + 1)
    left, right = face[ends[:, 0]], face[ends[:, 1]]
    near = adjacency(len(odd), left, right, weight)
    part = connected_labels(len(odd), left, right)
    for number in np.unique(part[odd]):
        failing |= minimum_t_join(near, np.flatnonzero(odd & (part == number)).tolist(), count)
    first, second = end_nodes(strand_map, ends).T
    nodes = strand_map.crossings + strand_map.forks
    exact = True
    if nodes - count + len(odd) < 2 * (int(part.max()) + 1):  # Euler: some part lies on a surface with handles
        piece_part = part[left]
        for number in range(int(part.max()) + 1):
            mine = np.flatnonzero(piece_part == number)
            whole = Part(mine, first[mine], second[mine], left[mine], right[mine], weight[mine])
            faces_odd = np.flatnonzero(odd & (part == number)).tolist()
            failing[mine], proved = in_class(whole, faces_odd, asks_change[mine], failing[mine])
            exact &= proved
    return failing, exact


def spins(strand_map: StrandMap, failing: Bools) -> tuple[Bools, Ints]:
    """A spin for each node that makes exactly ``failing`` fail, and the connected part of each node.

    The double cover of the map falls into two sheets over each connected part; one of them is the answer.
    """
    nodes = strand_map.crossings + strand_map.forks
    phase = end_phase(strand_map)
    first, second = end_nodes(strand_map, strand_map.ends).T
    differ = (~(phase[strand_map.ends[:, 0]] ^ phase[strand_map.ends[:, 1]]) ^ failing).astype(np.int64)
    sheets = connected_labels(
        2 * nodes,
        np.concatenate([2 * first, 2 * first + 1]),
        np.concatenate([2 * second + differ, 2 * second + 1 - differ]),
    )
    part = connected_labels(nodes, first, second)
    if not nodes:
        return np.zeros(0, bool), part
    lower = np.full(int(part.max()) + 1, 2 * nodes)
    np.minimum.at(lower, part, sheets[0::2])
    np.minimum.at(lower, part, sheets[1::2])
    return sheets[1::2] == lower[part], part


def first_crossings(layout: Layout, strand_map: StrandMap) -> Ints:
    """Woven crossings ordered by site (y, then x), within a site the lowest, then the leftmost first."""
    site = layout.site[strand_map.crossing_edge]
    ahead_0, ahead_1 = (np.round(layout.heading[strand_map.crossing_edge, way, :2], 6) for way in (0, 1))
    side = 1 - 2 * strand_map.crossing_sides  # left of pass 0 is ahead along pass 1, left of pass 1 behind along pass 0
    place = np.round(side[:, :1] * ahead_1 - side[:, 1:] * ahead_0, 6)
    return np.lexsort([place[:, 0], place[:, 1], site[:, 0], site[:, 1]])


def weave_strands(layout: Layout, strand_map: StrandMap, wishes: Weave) -> Weaving:
    """Weave the map with the least count of failures, keeping as many wishes as can be found.

    Among the weaves of least count a preferred pass goes before the hand: a connected part takes the hand's weave
    unless its mirror image keeps more of the preferred passes. A preferred pass is kept when it is over at the lowest,
    then leftmost, of its site's crossings.
    """
    failing, exact = least_failures(strand_map)
    spin, part = spins(strand_map, failing)
    order = first_crossings(layout, strand_map)
    crossing_part = part[: strand_map.crossings]

    # the hand: at the first crossing of every part pass 1 is over when right
    right = (wishes.hand is Hand.RIGHT) == bool(layout.right)
    parts, leads = np.unique(crossing_part[order], return_index=True)
    flip = np.zeros(int(part.max()) + 1 if len(part) else 0, bool)
    flip[parts] = spin[order[leads]] != right
    spin = spin ^ flip[part]

    wanted = wished_spins(layout, strand_map, order, wishes.prefer)
    if wanted:
        gain = np.zeros(len(flip), np.int64)
        for crossing, want in wanted.values():
            gain[part[crossing]] += 1 if spin[crossing] != want else -1
        spin = spin ^ (gain > 0)[part]
        if strand_map.forks:
            spin, failing = favour(strand_map, spin, failing, list(wanted.values()))
    unmet = tuple(wish for wish, (crossing, want) in wanted.items() if spin[crossing] != want)
    return Weaving(
        pass_one_over=spin[: strand_map.crossings],
        failing=failing,
        fork_piece=fork_pieces(strand_map),
        part=part,
        unmet=unmet,
        exact=exact,
    )


def wished_spins(
    layout: Layout, strand_map: StrandMap, order: Ints, prefer: tuple[Pass, ...]
) -> dict[Pass, tuple[int, bool]]:
    """For each preferred pass the crossing that decides it and the spin that it wants."""
    if not prefer:
        return {}
    edge_at = edge_of_site(layout)
    leading: dict[int, int] = {}
    for crossing in order[::-1].tolist():
        leading[int(strand_map.crossing_edge[crossing])] = crossing
    return {
        wish: (leading[edge_at[wish.site]], pass_index(layout, edge_at[wish.site], wish.way) == 1) for wish in prefer
    }


def favour(
    strand_map: StrandMap, spin: Bools, failing: Bools, wanted: list[tuple[int, bool]], most: int = 400
) -> tuple[Bools, Bools]:
    """Turn over clusters of crossings that cost nothing and bring a preferred pass on top.

    Best effort: from each unmet crossing a cluster grows by whichever neighbour leaves the fewest failures, up to
    ``most`` nodes; it is turned over when the count of failures comes out the same. Kept wishes are left alone.
    """
    spin, failing = spin.copy(), failing.copy()
    ends = end_nodes(strand_map, strand_map.ends)
    fork_piece = fork_pieces(strand_map)
    cost = np.where(fork_piece, 1, int(fork_piece.sum()) + 1).tolist()
    touching: list[list[tuple[int, int]]] = [[] for _ in range(len(spin))]
    for piece, (u, v) in enumerate(ends.tolist()):
        if u != v:
            touching[u].append((v, piece))
            touching[v].append((u, piece))
    for crossing, want in wanted:
        if spin[crossing] == want:
            continue
        fixed = {node for node, wish in wanted if spin[node] == wish}
        cluster: set[int] = set()
        change, node = 0, crossing
        rim: set[int] = set()

        def turning(node: int, cluster: set[int] = cluster, failing: Bools = failing) -> int:
            total = 0
            for neighbour, piece in touching[node]:
                sign = -1 if failing[piece] else 1
                total += -sign * cost[piece] if neighbour in cluster else sign * cost[piece]
            return total

        while len(cluster) < most:
            change += turning(node)
            cluster.add(node)
            rim |= {neighbour for neighbour, _ in touching[node]} - cluster - fixed
            rim.discard(node)
            if change == 0 or not rim:
                break
            node = min(rim, key=lambda n: (turning(n), n))
        if change == 0:
            inside = np.zeros(len(spin), bool)
            inside[list(cluster)] = True
            spin ^= inside
            failing ^= inside[ends[:, 0]] ^ inside[ends[:, 1]]
    return spin, failing


def planar_diagram(strand_map: StrandMap, weaving: Weaving) -> list[list[int]]:
    """Planar diagram code of a weave without forks, in KnotInfo's convention.

    One quadruple a crossing: the strand that comes in below, then the others anticlockwise; pieces of strand are
    numbered from 1 along each closed strand.
    """
    count = len(strand_map.ends)
    starting = np.full(strand_map.end_count, -1)
    starting[strand_map.ends[:, 0]] = np.arange(count)
    following = starting[strand_map.ends[:, 1] ^ 2].tolist()  # straight on: the opposite slot
    name = [0] * count
    used = 0
    for first in range(count):
        piece = first
        while not name[piece]:
            used += 1
            name[piece] = used
            piece = following[piece]
    label = np.zeros(strand_map.end_count, np.int64)
    label[strand_map.ends] = np.array(name, np.int64).reshape(-1, 1)
    arrives = np.zeros(strand_map.end_count, bool)
    arrives[strand_map.ends[:, 1]] = True
    end = 4 * np.arange(strand_map.crossings)
    under = end + weaving.pass_one_over  # slots 0, 2 are pass 1: the lower strand's are 1, 3 when it is over
    under = np.where(arrives[under], under, under + 2)
    slots = end[:, None] + (under[:, None] - end[:, None] + np.arange(4)) % 4
    codes: list[list[int]] = label[slots].tolist()
    return codes
