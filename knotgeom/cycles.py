"""Cycles of permutations and connected parts, on whole arrays at once.

Circuits, faces and vertices are all cycles of a permutation of half-edges, so this one tool serves every stage: a
graph drawn on a surface is two permutations of its half-edges, and the cycles of one, of the other and of both in turn
are its edges, faces and vertices (a rotation system; J. Edmonds 1960, from memory).

Neither walks along a cycle, which would be a step of Python a member. Pointer doubling lets every member look twice as
far ahead in each pass (J. Wyllie 1979, from memory); connected parts hook each root on a lower neighbour and then
shorten all chains, after Y. Shiloach and U. Vishkin (1982, from memory).
"""

from __future__ import annotations

import numpy as np

from .mesh import Ints


def cycle_labels(successor: Ints) -> Ints:
    """Number the cycles of a permutation, in the order of their least members.

    Pointer doubling: log2(n) passes over the array.

    Parameters
    ----------
    successor : (n,) int
        A permutation of 0 .. n-1.

    Returns
    -------
    (n,) int64
        Which cycle each member belongs to.

    >>> cycle_labels(np.array([1, 0, 3, 4, 2])).tolist()
    [0, 0, 1, 1, 1]
    """
    least = np.arange(len(successor))
    jump = successor.astype(np.int64)
    reach = 1
    while reach < len(successor):
        # the least member can stop changing for a pass without being final, so only the reach tells when to end
        least = np.minimum(least, least[jump])
        jump = jump[jump]
        reach *= 2
    return np.unique(least, return_inverse=True)[1].reshape(-1)


def connected_labels(count: int, first: Ints, second: Ints) -> Ints:
    """Number the connected parts of a graph, in the order of their least nodes.

    Parameters
    ----------
    count : int
        Number of nodes.
    first, second : (m,) int
        The two ends of each edge.

    Returns
    -------
    (count,) int64

    >>> connected_labels(4, np.array([0, 3]), np.array([2, 1])).tolist()
    [0, 1, 0, 1]
    """
    root = np.arange(count)
    while True:
        low = np.minimum(root[first], root[second])
        before = root.copy()
        # hook both roots on the lower of the two, then shorten every chain to its root
        np.minimum.at(root, root[first], low)
        np.minimum.at(root, root[second], low)
        while True:
            shorter = root[root]
            if np.array_equal(shorter, root):
                break
            root = shorter
        if np.array_equal(before, root):
            return np.unique(root, return_inverse=True)[1].reshape(-1)
