"""A triangle and quad mesh as plain arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.integer[Any]]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """Faces over shared vertices, anticlockwise seen from outside. Lengths in mm.

    Attributes
    ----------
    vertices : (n, 3) float64
    quads : (q, 4) int32
    triangles : (t, 3) int32
    quad_uv : (q, 4, 2) float32
        Per corner: length along the strand, length round its section, both in mm.
    triangle_uv : (t, 3, 2) float32
    quad_strand : (q,) int32
        The circuit that a face belongs to, for colouring and selecting.
    triangle_strand : (t,) int32
    """

    vertices: Floats
    quads: Ints
    triangles: Ints
    quad_uv: Floats
    triangle_uv: Floats
    quad_strand: Ints
    triangle_strand: Ints


def all_triangles(mesh: Mesh) -> Ints:
    """Every face as triangles, (2q + t, 3) int32; quads are cut from their first corner to their third."""
    cut = mesh.quads[:, [0, 1, 2, 0, 2, 3]].reshape(-1, 3)
    return np.concatenate([cut, mesh.triangles]).astype(np.int32, copy=False)


def compact(faces: Ints, count: int) -> tuple[Ints, Ints]:
    """Which of ``count`` vertices faces use, (u,) int64, and the faces with those numbered anew, int64."""
    used = np.zeros(count, bool)
    used[faces.ravel()] = True
    return np.flatnonzero(used), (np.cumsum(used) - 1)[faces]


def volume(mesh: Mesh) -> float:
    """Enclosed volume in mm3 by the divergence theorem; positive for outward faces."""
    return float(spanned_volumes(mesh.vertices, all_triangles(mesh)).sum())


def spanned_volumes(vertices: Floats, triangles: Ints) -> Floats:
    """Volumes of the tetrahedra that triangles span with the origin, (t,) mm3; those of a closed surface add up to its.

    Positive for a triangle that is seen anticlockwise from outside, the origin being inside.
    """
    a, b, c = (vertices[corner] for corner in triangles.T)
    return np.asarray(np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0)
