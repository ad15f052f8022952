"""Least failures on surfaces with handles, where a T-join must also lie in the right homology class.

A set of failing pieces belongs to a weave exactly when it fails as often as asked, odd or even, along every closed walk
of the map. Round faces that makes it a T-join of the dual graph; on a surface with g handles 2g closed walks more ask,
one for each member of a basis of its first homology over GF(2). The basis comes from a spanning tree and a spanning
tree of the dual without the first one's edges: each of the 2g pieces that are left closes one walk along the first tree
(D. Eppstein, Dynamic generators of topologically embedded graphs, SODA 2003). The *class* of a set of pieces has one
bit for each of these walks: how often, odd or even, the set meets it.

A T-join falls into paths that pair T off and closed walks. The shortest path between two faces in each class is found
in the 2^(2g)-fold cover of the dual graph, whose nodes are pairs of a face and a class (as J. Erickson and A. Nayyeri
do for cycles: Minimum cuts and shortest non-separating cycles via homology covers, SODA 2011). Of all ways to pair T
off and to choose classes, dynamic programming over the subsets of T finds the least: exact, and done for small T. For
large T pairs stay as in the least matching and are taken up again a few at a time, which gives an upper bound.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from .mesh import Bools, Ints
from .tjoin import least_matching

MOST_HANDLES = 2
"""Handles up to which classes are searched."""
MOST_ODD = 12
"""Odd faces up to which every way of pairing them is searched."""
MOST_STEPS = 3_000_000
"""Nodes of the cover that shortest paths may look at in all; beyond it, closed walks only are tried."""
_FAR = 1 << 60


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One connected part of a map on a surface: its pieces, and the nodes and faces that each lies between.

    Attributes
    ----------
    piece : (n,) int64
        Numbers of the pieces in the whole map.
    first, second : (n,) int64
        Nodes at the two ends of each.
    left, right : (n,) int64
        Faces on the two sides of each.
    weight : (n,) int64
        What it costs that the piece fails.
    """

    piece: Ints
    first: Ints
    second: Ints
    left: Ints
    right: Ints
    weight: Ints


def in_class(part: Part, odd: Sequence[int], asked: Bools, start: Bools) -> tuple[Bools, bool]:
    """The least set of failing pieces that belongs to a weave.

    Parameters
    ----------
    part : Part
    odd : sequence of int
        The faces that an odd number of failing pieces goes round.
    asked : (n,) bool
        A set of pieces in the right class: those whose ends must differ in spin if nothing fails.
    start : (n,) bool
        A least T-join of the odd faces, in whatever class.

    Returns
    -------
    failing : (n,) bool
    exact : bool
        Whether it is proved least; otherwise it is an upper bound.
    """
    walks, duals = _basis(part)
    wrong = [k for k, walk in enumerate(walks) if (asked[walk] ^ start[walk]).sum() % 2]
    if not wrong:
        return start, True
    if len(walks) > 2 * MOST_HANDLES:
        best = start.copy()
        for k in wrong:
            best[duals[k]] ^= True
        best = _settled(part, best)
    else:
        signature = np.zeros(len(part.piece), np.int64)
        for k, walk in enumerate(walks):
            signature[walk] ^= 1 << k
        best, exact = _searched(part, signature, odd, sum(1 << k for k in wrong), asked, start)
        if exact:
            return best, True
    return best, bool(part.weight[best].sum() == part.weight[start].sum())


def _tree(first: Ints, second: Ints, allowed: Bools) -> tuple[dict[int, tuple[int, int]], Bools]:
    """A spanning tree, breadth first: each node's (node before, piece), and which pieces it uses."""
    near: dict[int, list[tuple[int, int]]] = {}
    for index in np.flatnonzero(allowed).tolist():
        u, v = int(first[index]), int(second[index])
        near.setdefault(u, []).append((v, index))
        near.setdefault(v, []).append((u, index))
    root = int(first[0])
    before, used = {root: (-1, -1)}, np.zeros(len(first), bool)
    queue = [root]
    for node in queue:
        for other, index in near.get(node, ()):
            if other not in before:
                before[other] = node, index
                used[index] = True
                queue.append(other)
    return before, used


def _basis(part: Part) -> tuple[list[Ints], list[Ints]]:
    """Closed walks along pieces that span the first homology, and as many across pieces, each meeting only its own."""
    along, in_tree = _tree(part.first, part.second, np.ones(len(part.piece), bool))
    across, in_cotree = _tree(part.left, part.right, ~in_tree)
    rest = np.flatnonzero(~in_tree & ~in_cotree).tolist()

    def closed(index: int, u: int, v: int, before: dict[int, tuple[int, int]]) -> Ints:
        met = {index}
        for node in (u, v):
            while before[node][0] >= 0:
                node, step = before[node]
                met ^= {step}
        return np.array(sorted(met), np.int64)

    walks = [closed(k, int(part.first[k]), int(part.second[k]), along) for k in rest]
    duals = [closed(k, int(part.left[k]), int(part.right[k]), across) for k in rest]
    return walks, duals


def _settled(part: Part, failing: Bools) -> Bools:
    """Turn single nodes over as long as that makes the failures fewer; the class stays as it is."""
    failing = failing.copy()
    weight = part.weight.tolist()
    touching: dict[int, list[tuple[int, int]]] = {}
    for index, (u, v) in enumerate(zip(part.first.tolist(), part.second.tolist(), strict=True)):
        if u != v:
            touching.setdefault(u, []).append((v, index))
            touching.setdefault(v, []).append((u, index))
    todo = set(touching)
    while todo:
        node = todo.pop()
        if sum(weight[k] if failing[k] else -weight[k] for _, k in touching[node]) > 0:
            failing[[k for _, k in touching[node]]] ^= True
            todo.update(other for other, _ in touching[node])
    return failing


class _Cover:
    """The cover of the dual graph by classes."""

    def __init__(self, part: Part, signature: Ints, classes: int) -> None:
        self.classes = classes
        least: dict[tuple[int, int, int], tuple[int, int]] = {}
        table = zip(part.left.tolist(), part.right.tolist(), signature.tolist(), part.weight.tolist(), strict=True)
        for index, (u, v, change, weight) in enumerate(table):
            key = (u, v, change) if u < v else (v, u, change)
            if (u != v or change) and (key not in least or weight < least[key][0]):
                least[key] = weight, index
        self.near: dict[int, list[tuple[int, int, int, int]]] = {int(f): [] for f in (*part.left, *part.right)}
        for (u, v, change), (weight, index) in least.items():
            self.near[u].append((v, change, weight, index))
            if u != v:
                self.near[v].append((u, change, weight, index))

    def paths(self, source: int, targets: Iterable[int]) -> tuple[dict[int, int], dict[int, tuple[int, int]]]:
        """Distances to all classes of the targets, and what each node of the cover was reached by."""
        classes, near = self.classes, self.near
        begin = source * classes
        waiting = {target * classes + c for target in targets for c in range(classes)}
        distance, reached_by = {begin: 0}, {begin: (-1, -1)}
        done: dict[int, int] = {}
        queue = [(0, begin)]
        while queue and waiting:
            length, node = heapq.heappop(queue)
            if node in done:
                continue
            done[node] = length
            waiting.discard(node)
            face, at = divmod(node, classes)
            for neighbour, change, weight, index in near[face]:
                there, longer = neighbour * classes + (at ^ change), length + weight
                if longer < distance.get(there, _FAR):
                    distance[there] = longer
                    reached_by[there] = node, index
                    heapq.heappush(queue, (longer, there))
        return done, reached_by

    def trail(self, source: int, target: int, at: int) -> list[int]:
        """The pieces that a shortest path in a class goes over."""
        _, reached_by = self.paths(source, [target])
        node, trail = target * self.classes + at, []
        while reached_by[node][0] >= 0:
            node, index = reached_by[node]
            trail.append(index)
        return trail


@dataclass(frozen=True, slots=True)
class _Found:
    """A path or closed walk in a class."""

    source: int
    target: int
    at: int


def _searched(
    part: Part, signature: Ints, odd: Sequence[int], change: int, asked: Bools, start: Bools
) -> tuple[Bools, bool]:
    """The least T-join in the right class that the search finds, and whether the search was exhaustive."""
    classes = 1 << int(signature.max(initial=0)).bit_length()
    cover = _Cover(part, signature, classes)
    round_walks, made_of = _closed_walks(part, signature, cover)

    def over(found: Iterable[_Found]) -> Bools:
        pieces = np.zeros(len(part.piece), bool)
        for one in found:
            for index in cover.trail(one.source, one.target, one.at):
                pieces[index] ^= True  # where two share a piece it is in neither
        return pieces

    shifted = start ^ over(made_of[change])
    best = _settled(part, shifted)
    if len(odd) * len(cover.near) * classes > MOST_STEPS:
        return best, False
    length = np.full((len(odd), len(odd), classes), _FAR)
    for row, face in enumerate(odd):
        done, _ = cover.paths(face, odd)
        for column, other in enumerate(odd):
            length[row, column] = [done.get(other * classes + c, _FAR) for c in range(classes)]
    target = 0
    for index in np.flatnonzero(asked).tolist():
        target ^= int(signature[index])

    if len(odd) <= MOST_ODD:
        chosen = _paired(length, range(len(odd)), round_walks, target)
        exact = True
    else:
        chosen = _patched(length, round_walks, target)
        exact = False
    rest = target
    for _, _, at in chosen:
        rest ^= at
    found = [_Found(odd[i], odd[j], at) for i, j, at in chosen]
    answer = over([*found, *made_of[rest]])
    return (answer, True) if exact else (min(answer, best, key=lambda f: int(part.weight[f].sum())), False)


def _closed_walks(part: Part, signature: Ints, cover: _Cover) -> tuple[Ints, list[tuple[_Found, ...]]]:
    """The least weight of closed walks that come to each class together, and which walks they are."""
    least = np.full(cover.classes, _FAR)
    least[0] = 0
    made_of: list[tuple[_Found, ...]] = [()] * cover.classes
    for face in np.unique(part.left[signature != 0]).tolist():  # a walk of another class than 0 goes past one of these
        done, _ = cover.paths(face, [face])
        for c in range(1, cover.classes):
            length = done.get(face * cover.classes + c, _FAR)
            if length < least[c]:
                least[c], made_of[c] = length, (_Found(face, face, c),)
    for _ in range(cover.classes.bit_length()):  # as many walks together as the homology has dimensions
        for a in range(1, cover.classes):
            for b in range(1, cover.classes):
                if a != b and least[a] + least[b] < least[a ^ b]:
                    least[a ^ b], made_of[a ^ b] = least[a] + least[b], (*made_of[a], *made_of[b])
    return least, made_of


def _paired(length: Ints, faces: Sequence[int], rest: Ints, target: int) -> list[tuple[int, int, int]]:
    """The least pairing of faces, each pair with a class; what is left to ``target`` costs ``rest``.

    Dynamic programming over the subsets of the faces: of each subset, its last face is paired with every other.
    """
    classes = length.shape[2]
    table = np.arange(classes)[:, None] ^ np.arange(classes)[None]
    best = {0: np.where(np.arange(classes) == 0, 0, _FAR)}
    choice: dict[int, tuple[Ints, Ints]] = {}
    for subset in range(1, 1 << len(faces)):
        if subset.bit_count() % 2:
            continue
        last = subset.bit_length() - 1
        others = [k for k in range(last) if subset >> k & 1]
        # value[k, class of the whole, class of the pair]
        value = np.array([best[subset ^ 1 << last ^ 1 << k][table] + length[faces[last], faces[k]] for k in others])
        flat = value.transpose(1, 0, 2).reshape(classes, -1)
        which = flat.argmin(1)
        best[subset] = np.minimum(flat[np.arange(classes), which], _FAR)
        choice[subset] = np.array(others)[which // classes], which % classes
    subset = (1 << len(faces)) - 1
    at = int((best[subset] + rest[np.arange(classes) ^ target]).argmin())
    pairs = []
    while subset:
        partner, own = int(choice[subset][0][at]), int(choice[subset][1][at])
        last = subset.bit_length() - 1
        pairs.append((faces[last], faces[partner], own))
        subset ^= 1 << last ^ 1 << partner
        at ^= own
    return pairs


def _patched(length: Ints, rest: Ints, target: int, group: int = 3) -> list[tuple[int, int, int]]:
    """A good pairing of many faces: that of the least matching, taken up again a few pairs at a time."""
    shortest = length.min(2)
    np.fill_diagonal(shortest, 0)
    pairs = [(i, j, int(length[i, j].argmin())) for i, j in least_matching(shortest)]
    for _ in range(2):
        for k in range(len(pairs)):
            i, j, _ = pairs[k]
            nearest = sorted(range(len(pairs)), key=lambda p: int(shortest[[i, j]][:, list(pairs[p][:2])].min()))
            taken = sorted({k, *nearest[:group]})
            others = [pair for p, pair in enumerate(pairs) if p not in taken]
            wanted = target
            for _, _, at in others:
                wanted ^= at
            faces = [face for p in taken for face in pairs[p][:2]]
            pairs = [*others, *_paired(length, faces, rest, wanted)]
    return pairs
