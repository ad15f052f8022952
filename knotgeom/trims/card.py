"""The last level of a piece: a flat card of two triangles that carries the baked relief."""

from __future__ import annotations

import numpy as np

from .kit import TrimMesh
from .patches import Patches


def card_mesh(patches: Patches, height: float | None = None) -> TrimMesh:
    """A rectangle over the piece's ``box``, facing up, at ``height`` mm: by default half way between low and high.

    ``uv`` runs over the whole card from 0 to 1, u along x. It has no seams: cards meet along their edges, which lie in
    the planes of the ports.
    """
    x0, y0, x1, y1 = patches.box
    if height is None:
        z = np.concatenate([run.points[..., 2].ravel() for run in patches.runs])
        height = float(z.min() + z.max()) / 2
    corner = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    uv = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    return TrimMesh(
        positions=np.column_stack([corner, np.full(4, height)]),
        normals=np.tile([0.0, 0.0, 1.0], (4, 1)),
        triangles=np.array([[0, 1, 2], [0, 2, 3]], np.int32),
        strand=np.zeros(4, np.int32),
        along=corner[:, 0] - x0,
        across=y1 - corner[:, 1],
        seam=tuple(np.zeros(0, np.int32) for _ in patches.ports),
        patch=np.zeros(2, np.int32),
        uv=uv,
        light_uv=uv.copy(),
        tangents=np.tile([1.0, 0.0, 0.0, 1.0], (4, 1)),
    )
