"""Binary PLY: shared vertices as 32-bit numbers, quads kept as quads. Lengths in mm."""

from __future__ import annotations

import numpy as np

from ..mesh import Ints, Mesh


def encode(mesh: Mesh) -> list[bytes]:
    """The content of a PLY file, little endian."""
    header = "\n".join(
        [
            "ply",
            "format binary_little_endian 1.0",
            "comment lengths in mm, z up",
            f"element vertex {len(mesh.vertices)}",
            *(f"property float {axis}" for axis in "xyz"),
            f"element face {len(mesh.quads) + len(mesh.triangles)}",
            "property list uchar int vertex_indices",
            "end_header\n",
        ]
    )
    return [header.encode("ascii"), mesh.vertices.astype("<f4").tobytes(), _faces(mesh.quads), _faces(mesh.triangles)]


def _faces(faces: Ints) -> bytes:
    corners = faces.shape[1]
    rows = np.empty(len(faces), np.dtype([("count", "u1"), ("corners", "<i4", corners)]))
    rows["count"] = corners
    rows["corners"] = faces
    return rows.tobytes()
