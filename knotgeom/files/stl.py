"""Binary STL: triangles with their normals, 32-bit numbers. The format knows no unit; ours is the mm."""

from __future__ import annotations

import numpy as np

from ..mesh import Mesh, all_triangles

# A reader takes a file that starts with "solid" for the text form of STL.
HEADER = b"binary STL, lengths in mm, z up".ljust(80)
TRIANGLE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def encode(mesh: Mesh) -> list[bytes]:
    """The content of an STL file.

    The normal of a triangle without an area is zero.
    """
    corners = mesh.vertices.astype("<f4")[all_triangles(mesh)]
    exact = corners.astype(float)
    normal = np.cross(exact[:, 1] - exact[:, 0], exact[:, 2] - exact[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    triangles = np.zeros(len(corners), TRIANGLE)
    triangles["normal"] = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    triangles["corners"] = corners
    return [HEADER, np.array(len(corners), "<u4").tobytes(), triangles.tobytes()]
