"""Edges of a closed mesh: which half-edges they are, how far their faces turn, how long they are. mm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints

SHARP = np.radians(28.0)
"""Edges whose faces turn by less are neither creases nor ridges: the facets of a rounded section turn by less."""


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Every edge of a closed mesh once.

    Attributes
    ----------
    half : (n, 2) int64
        Its two half-edges, ``3 * face + corner``; the first one runs from the first of its ends to the second.
    ends : (n, 2) int64
    turn : (n,) float64
        How far its faces turn, above 0 in a crease, below 0 along a ridge, radians.
    length : (n,) float64
    normal : (t, 3) float64
        Of each face, of length 1.
    twin : (3t,) int64
        The other half-edge of each half-edge.
    """

    half: Ints
    ends: Ints
    turn: Floats
    length: Floats
    normal: Floats
    twin: Ints


def unit(vectors: Floats) -> Floats:
    """Vectors (..., k) at length 1."""
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=-1, keepdims=True), 1e-30))


def edges_of(vertices: Floats, triangles: Ints) -> Edges:
    """Every edge of a closed mesh and how far its faces turn."""
    count = len(vertices)
    a, b = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()
    order = np.argsort(np.minimum(a, b) * count + np.maximum(a, b), kind="stable")
    first, second = order[::2], order[1::2]  # a closed mesh has every edge twice
    p = vertices[triangles]
    normal = unit(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]))
    ends = np.stack([a[first], b[first]], 1)
    way = vertices[ends[:, 1]] - vertices[ends[:, 0]]
    length = np.linalg.norm(way, axis=1)
    one, other = normal[first // 3], normal[second // 3]
    sine = np.einsum("ij,ij->i", np.cross(one, other), way) / np.maximum(length, 1e-30)
    twin = np.empty(len(a), np.int64)
    twin[first], twin[second] = second, first
    turn = -np.arctan2(sine, np.einsum("ij,ij->i", one, other))
    return Edges(np.stack([first, second], 1), ends, turn, length, normal, twin)
