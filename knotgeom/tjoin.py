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

    rustworkx does it in compiled code where it is installed (0.2 s for 400 nodes here); networkx gives the same total
    in pure Python (some 40 times slower), so that the tool works wherever Python does.

    Parameters
    ----------
    length : (k, k) int64
        Symmetric, k even.
    """
    count = len(length)
    if count == 2:
        return [(0, 1)]
    first, second = np.triu_indices(count, 1)
    gain = int(length.max()) + 1 - length[first, second]  # a heaviest matching of these is a least one of the lengths
    edges = list(zip(first.tolist(), second.tolist(), gain.tolist(), strict=True))
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
