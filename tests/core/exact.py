"""Whether a mesh passes through itself, by CGAL's exact predicates through libigl."""

from __future__ import annotations

import igl.copyleft.cgal
import numpy as np

from knotgeom.mesh import Mesh, all_triangles


def crossing_pairs(vertices, triangles) -> int:
    """How many pairs of triangles pass through each other."""
    found = igl.copyleft.cgal.remesh_self_intersections(
        np.ascontiguousarray(vertices, float), np.ascontiguousarray(triangles, np.int64), detect_only=True
    )
    return len(found[2])


def pairs_of(mesh: Mesh) -> int:
    """The same for a mesh of the project."""
    return crossing_pairs(mesh.vertices, all_triangles(mesh))
