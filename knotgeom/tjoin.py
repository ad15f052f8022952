"""Minimum T-joins by minimum-weight perfect matching (J. Edmonds and E. Johnson, 1973).

A T-join is a set of edges with odd degree exactly at the nodes of T. The least one is a union of shortest paths that
pair T off, paired by a perfect matching of least total length. Weights are whole numbers, so the result is exact.
"""

from __future__ import annotations

import heapq
import importlib
from collections.abc import Sequence

import numpy as np

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
    near: Adjacency, source: int, targets: set[int]
) -> tuple[dict[int, int], dict[int, tuple[int, int]]]:
    """Dijkstra's distances from ``source`` until every target is reached, and the (node, edge) each was reached by."""
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
            if longer < distance.get(neighbour, longer + 1):
                distance[neighbour] = longer
                reached_by[neighbour] = (node, edge)
                heapq.heappush(queue, (longer, neighbour))
    return done, reached_by


def least_matching(length: Ints) -> list[tuple[int, int]]:
    """Perfect matching of least total length in a complete graph.

    rustworkx does it in compiled code where it is installed (0.2 s for 400 nodes here); networkx gives the same pairs
    in pure Python (some 40 times slower), so that the tool works wherever Python does. Of several least matchings both
    give the same one: small weights, scattered over the pairs, make one of them the least (K. Mulmuley, U. Vazirani and
    V. Vazirani, Matching is as easy as matrix inversion, Combinatorica 7, 1987).

    Parameters
    ----------
    length : (k, k) int64
        Symmetric, k even.
    """
    count = len(length)
    if count == 2:
        return [(0, 1)]
    first, second = np.triu_indices(count, 1)
    # a heaviest matching of these is a least one of the lengths; all that is scattered comes to less than one length
    gain = [(count << _BITS) * gained for gained in (int(length.max()) + 1 - length[first, second]).tolist()]
    edges = [(u, v, w + s) for u, v, w, s in zip(first.tolist(), second.tolist(), gain, _scattered(len(gain)))]
    try:
        rustworkx = importlib.import_module("rustworkx")
    except ImportError:
        import networkx

        graph = networkx.Graph()
        graph.add_weighted_edges_from(edges)
        pairs = networkx.max_weight_matching(graph, maxcardinality=True)
    else:
        graph = rustworkx.PyGraph()
        graph.add_nodes_from(range(count))
        graph.add_edges_from(edges)
        pairs = rustworkx.max_weight_matching(graph, max_cardinality=True, weight_fn=int)
    return sorted((min(pair), max(pair)) for pair in pairs)


def _scattered(count: int) -> list[int]:
    """Whole numbers under ``2 ** _BITS`` without a pattern, ever the same.

    The mixing of S. Vigna's splitmix64 (public domain), from memory; any other would do.
    """
    x = np.arange(1, count + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    scattered: list[int] = ((x ^ (x >> np.uint64(31))) >> np.uint64(64 - _BITS)).tolist()
    return scattered


def minimum_t_join(near: Adjacency, odd: Sequence[int], edges: int) -> Bools:
    """The T-join of least weight, as a mask over ``edges`` edges, for the odd nodes of one connected part."""
    chosen = np.zeros(edges, bool)
    if not odd:
        return chosen
    targets = set(odd)
    length = np.zeros((len(odd), len(odd)), np.int64)
    for row, node in enumerate(odd):
        done, _ = shortest_paths(near, node, targets)
        length[row] = [done[other] for other in odd]
    for u, v in least_matching(length):
        _, reached_by = shortest_paths(near, odd[u], {odd[v]})
        node = odd[v]
        while node != odd[u]:
            node, edge = reached_by[node]
            chosen[edge] ^= True  # where two paths share an edge it is in neither
    return chosen
