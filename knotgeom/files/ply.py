"""Binary PLY: shared vertices as 32-bit numbers. Lengths in mm.

Quads are kept as quads in a mesh of nothing else. Common readers (trimesh among them) take the first face of a binary
file for the size of all, so that a mesh of quads and triangles is written as triangles.
"""

from __future__ import annotations

import numpy as np

from ..mesh import Mesh, all_triangles


def encode(mesh: Mesh) -> list[bytes]:
    """The content of a PLY file, little endian."""
    faces = all_triangles(mesh) if len(mesh.triangles) else mesh.quads
    corners = faces.shape[1]
    rows = np.empty(len(faces), np.dtype([("count", "u1"), ("corners", "<i4", corners)]))
    rows["count"] = corners
    rows["corners"] = faces
    header = "\n".join(
        [
            "ply",
            "format binary_little_endian 1.0",
            "comment lengths in mm, z up",
            f"element vertex {len(mesh.vertices)}",
            *(f"property float {axis}" for axis in "xyz"),
            f"element face {len(faces)}",
            "property list uchar int vertex_indices",
            "end_header\n",
        ]
    )
    return [header.encode("ascii"), mesh.vertices.astype("<f4").tobytes(), rows.tobytes()]
