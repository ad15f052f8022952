"""Minimum T-joins by minimum-weight perfect matching (J. Edmonds and E. Johnson, 1973).

A T-join is a set of edges with odd degree exactly at the nodes of T. The least one is a union of shortest paths that
pair T off, paired by a perfect matching of least total length. Weights are whole numbers, so the result is exact.
"""

from __future__ import annotations

import heapq
import importlib
from collections.abc import Sequence

import numpy as np

from .cycles import connected_labels
from .mesh import Bools, Ints

_BITS = 32  # of what is scattered over pairs: enough that no two matchings of 400 nodes come out alike

Adjacency = list[list[tuple[int, int, int]]]  # per node: (neighbour, weight, edge)


def adjacency(count: int, first: Ints, second: Ints, weight: Ints) -> Adjacency:
    """Neighbour lists of a graph; of parallel edges only the lightest, of loops none."""
    least: dict[tuple[int, int], tuple[int, int]] = {}
    for edge, (u, v, w) in enumerate(zip(first.tolist(), second.tolist(), weight.tolist(), strict=True)):
        key = (u, v) if u < v else (v, u)
        if u != v and (key not in least or w < least[key][0]):
            least[key] = (w, edge)
    near: Adjacency = [[] for _ in range(count)]
    for (u, v), (w, edge) in least.items():
        near[u].append((v, w, edge))
        near[v].append((u, w, edge))
    return near


def shortest_paths(
    near: Adjacency, source: int, targets: set[int], reach: int | None = None
) -> tuple[dict[int, int], dict[int, tuple[int, int]]]:
    """Dijkstra's distances from ``source`` until every target is reached, and the (node, edge) each was reached by.

    Nodes further away than ``reach``, where it is given, are left out.
    """
    distance, reached_by = {source: 0}, {source: (-1, -1)}
    done: dict[int, int] = {}
    waiting = set(targets)
    queue = [(0, source)]
    while queue and waiting:
        length, node = heapq.heappop(queue)
        if node in done:
            continue
        done[node] = length
        waiting.discard(node)
        for neighbour, weight, edge in near[node]:
            longer = length + weight
            if longer < distance.get(neighbour, longer + 1) and (reach is None or longer <= reach):
                distance[neighbour] = longer
                reached_by[neighbour] = (node, edge)
                heapq.heappush(queue, (longer, neighbour))
    return done, reached_by


def least_matching(length: Ints) -> list[tuple[int, int]]:
    """Perfect matching of least total length in a complete graph.

    Parameters
    ----------
    length : (k, k) int64
        Symmetric, k even.
    """
    count = len(length)
    first, second = np.triu_indices(count, 1)
    gain = int(length.max(initial=0)) + 1 - length[first, second]
    return _heaviest(count, first.tolist(), second.tolist(), gain.tolist(), perfect=True)


def _heaviest(
    count: int, first: list[int], second: list[int], gain: list[int], *, perfect: bool
) -> list[tuple[int, int]]:
    """The heaviest matching of some pairs ``first < second`` of ``count`` nodes, if ``perfect`` of the largest ones.

    rustworkx does it in compiled code where it is installed (0.2 s for 400 nodes here); networkx gives the same pairs
    in pure Python (some 40 times slower), so that the tool works wherever Python does. Of several heaviest matchings
    both give the same one: small weights, scattered over the pairs, make one of them the heaviest (K. Mulmuley, U.
    Vazirani and V. Vazirani, Matching is as easy as matrix inversion, Combinatorica 7, 1987).
    """
    if len(first) < 2:
        return list(zip(first, second, strict=True))
    # all that is scattered comes to less than a gain of one
    pair = [u * (2 * count - u - 1) // 2 + v - u - 1 for u, v in zip(first, second, strict=True)]
    weight = [(count << _BITS) * gained + small for gained, small in zip(gain, _scattered(pair), strict=True)]
    edges = list(zip(first, second, weight, strict=True))
    try:
        rustworkx = importlib.import_module("rustworkx")
    except ImportError:
        import networkx

        graph = networkx.Graph()
        graph.add_weighted_edges_from(edges)
        pairs = networkx.max_weight_matching(graph, maxcardinality=perfect)
    else:
        graph = rustworkx.PyGraph()
        graph.add_nodes_from(range(count))
        graph.add_edges_from(edges)
        pairs = rustworkx.max_weight_matching(graph, max_cardinality=perfect, weight_fn=int)
    return sorted((min(pair), max(pair)) for pair in pairs)


def _scattered(pair: Sequence[int]) -> list[int]:
    """Whole numbers under ``2 ** _BITS`` without a pattern, for each pair ever the same.

    The mixing of S. Vigna's splitmix64 (public domain), from memory; any other would do.
    """
    x = (np.array(pair, np.uint64) + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15)
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    scattered: list[int] = ((x ^ (x >> np.uint64(31))) >> np.uint64(64 - _BITS)).tolist()
    return scattered


def nearby_matching(near: Adjacency, odd: Sequence[int]) -> list[tuple[int, int]]:
    """The pairs of :func:`least_matching` for nodes of a graph, ``odd``, by shortest paths, as places in ``odd``.

    Nodes far apart do not pair. Give every node an *allowance*, which it costs to leave it alone. A pair further apart
    than both allowances together is then dearer than leaving both alone, so it may be left out; what remains falls
    into connected parts, each matched by itself. Where the cheapest choice leaves no node alone, no perfect matching is
    cheaper, with or without the pairs left out. A part in which nodes are left alone is allowed more, until it reaches
    the next one, and all that has changed is matched again.
    """
    count, targets = len(odd), set(odd)
    place = {node: row for row, node in enumerate(odd)}
    allowance = [1] * count
    within: list[dict[int, int]] = [{} for _ in odd]  # by node, others within twice its allowance
    raised = list(range(count))
    settled: dict[tuple[int, ...], list[tuple[int, int]]] = {}
    while True:
        for row in raised:
            done, _ = shortest_paths(near, odd[row], targets, 2 * allowance[row])
            within[row] = {place[node]: away for node, away in done.items() if node in targets and node != odd[row]}
        gain = {
            (min(u, v), max(u, v)): 2 * (allowance[u] + allowance[v] - away) + 1  # of choices that cost the same the
            for u in range(count)  # one that pairs more, by halves
            for v, away in within[u].items()
            if away <= allowance[u] + allowance[v]
        }
        pairs = sorted(gain)
        table = np.array(pairs, np.int64).reshape(-1, 2)
        part = connected_labels(count, table[:, 0], table[:, 1]).tolist()
        nodes_of: dict[int, list[int]] = {}
        pairs_of: dict[int, list[tuple[int, int]]] = {}
        for row, number in enumerate(part):
            nodes_of.setdefault(number, []).append(row)
        for pair in pairs:
            pairs_of.setdefault(part[pair[0]], []).append(pair)
        found, growing, before, settled = [], [], settled, {}
        for number, nodes in nodes_of.items():
            key = (*nodes, *(allowance[row] for row in nodes))
            mine = pairs_of.get(number, [])
            first, second = [u for u, _ in mine], [v for _, v in mine]
            if key in before:
                settled[key] = before[key]
            else:
                settled[key] = _heaviest(count, first, second, [gain[pair] for pair in mine], perfect=False)
            found += settled[key]
            if 2 * len(settled[key]) < len(nodes):
                growing.append(nodes)
        if not growing:
            return sorted(found)
        raised = [row for nodes in growing for row in nodes]
        further = [_room(near, {odd[row]: allowance[row] for row in nodes}, targets) for nodes in growing]
        for nodes, more in zip(growing, further, strict=True):
            for row in nodes:
                allowance[row] += more


def _room(near: Adjacency, allowance: dict[int, int], targets: set[int]) -> int:
    """How much further than allowed some nodes must reach for the nearest other target, at least 1."""
    most = max(allowance.values())
    queue = [(most - allowed, node) for node, allowed in allowance.items()]
    heapq.heapify(queue)
    distance = {node: length for length, node in queue}
    while queue:
        length, node = heapq.heappop(queue)
        if length > distance[node]:
            continue
        if node in targets and node not in allowance:
            return max(length - most, 1)
        for neighbour, weight, _ in near[node]:
            longer = length + weight
            if longer < distance.get(neighbour, longer + 1):
                distance[neighbour] = longer
                heapq.heappush(queue, (longer, neighbour))
    return most  # there is no other: let those left alone reach one another


def minimum_t_join(near: Adjacency, odd: Sequence[int], edges: int) -> Bools:
    """The T-join of least weight, as a mask over ``edges`` edges, for the odd nodes of one connected part."""
    chosen = np.zeros(edges, bool)
    for u, v in nearby_matching(near, odd):
        _, reached_by = shortest_paths(near, odd[u], {odd[v]})
        node = odd[v]
        while node != odd[u]:
            node, edge = reached_by[node]
            chosen[edge] ^= True  # where two paths share an edge it is in neither
    return chosen
