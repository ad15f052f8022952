"""What a model is made larger by, so that the finished piece has its size: shrinkage and finishing.

A casting that loses s percent of its length is made 1 / (1 - s / 100) times as large. What filing takes off, d mm on
every face, is added before: each plane n . x = c becomes n . x = c + d, and a vertex goes to where the moved planes of
its faces meet. Of three faces that is one place; of more, the move m solves n_i . m = d in the least squares, each face
weighted by its angle at the vertex, as normals of vertices are (G. Thuermer and C. Wuethrich 1998, from memory). Along
a sharp edge m is longer than d: by 1 / cos of half the turn, at most twice.
"""

from __future__ import annotations

import numpy as np

from ..mesh import Bools, Floats, Ints
from .untangle import led_apart

NEEDLE = 0.01
"""The lower a triangle is than this, mm, the less it has to say where its corners move to."""
TURNED, LAST = 4, 30
"""For so many rounds, what crosses is moved another way, then less far; after so many, not at all."""


def enlarged(vertices: Floats, triangles: Ints, by: float) -> Floats:
    """Every face moved outward by so many mm: each vertex to where its faces' moved planes meet best.

    Along sharp edges the planes' meeting point is taken up to twice the way; where they nearly agree, the way out.
    """
    if by == 0:
        return vertices
    p = vertices[triangles]
    normal = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    size = np.linalg.norm(normal, axis=1)
    unit = normal / np.maximum(size, 1e-30)[:, None]
    count = len(vertices)
    longest = np.linalg.norm(p - np.roll(p, -1, axis=1), axis=2).max(1)
    sure = np.minimum(1.0, size / np.maximum(longest, 1e-30) / NEEDLE)
    # least squares of (unit . move - by), weighted by the angle of each corner, leaning towards no move along the face
    matrix, right = np.zeros((count, 3, 3)), np.zeros((count, 3))
    for k in range(3):
        one, other = p[:, (k + 1) % 3] - p[:, k], p[:, (k + 2) % 3] - p[:, k]
        sine = size
        cosine = np.einsum("ij,ij->i", one, other)
        angle = np.arctan2(sine, cosine) * sure
        corner = triangles[:, k]
        for i in range(3):
            right[:, i] += np.bincount(corner, angle * unit[:, i], count)
            for j in range(3):
                matrix[:, i, j] += np.bincount(corner, angle * unit[:, i] * unit[:, j], count)
    lean = 1e-3 * np.trace(matrix, axis1=1, axis2=2)[:, None, None] * np.eye(3)
    move = np.linalg.solve(matrix + lean, right[:, :, None])[:, :, 0]
    length = np.linalg.norm(move, axis=1, keepdims=True)
    move *= np.minimum(1.0, 2.0 / np.maximum(length, 1e-12))
    return np.asarray(vertices + by * move)


def finished_from(vertices: Floats, triangles: Ints, by: float, grow: float) -> Floats:
    """The model of a finished body: every face moved out by ``by`` mm, then all of it scaled by ``grow``.

    Where a crease is tighter than ``by``, faces moved out would pass through one another: there they move less, as far
    as they go.

    Parameters
    ----------
    vertices : (n, 3) float64
        Of a body that passes through itself nowhere.

    Returns
    -------
    (n, 3) float64
        In single precision.
    """
    out = (enlarged(vertices, triangles, by) - vertices) / max(by, 1e-12)
    share = np.ones(len(vertices))

    def lessened(moved: Bools, turn: int) -> Floats:
        if turn < TURNED:
            out[moved] = _turned(vertices, triangles, out, moved)[moved]
        else:
            share[moved] *= 0.7 if turn < LAST else 0.0
        return np.asarray((grow * (vertices + by * share[:, None] * out)).astype(np.float32).astype(float))

    return led_apart(lessened(np.zeros(len(vertices), bool), 0), triangles, lessened)[0]


def _turned(vertices: Floats, triangles: Ints, out: Floats, moved: Bools) -> Floats:
    """Moves (n, 3) of some vertices turned towards those of their neighbours, and as long as their faces ask for then.

    Beside the rim of a fillet faces turn a little, and corners that lie close together would overtake one another.
    """
    count = len(vertices)
    some = triangles[moved[triangles].any(1)]
    start, end = some.ravel(), np.roll(some, -1, axis=1).ravel()
    nearness = 1.0 / (np.linalg.norm(vertices[start] - vertices[end], axis=1) + 0.02)
    way = out / np.maximum(np.linalg.norm(out, axis=1), 1e-12)[:, None]
    total = np.bincount(start, nearness, count) + np.bincount(end, nearness, count)
    mean = np.stack(
        [
            np.bincount(start, nearness * way[end, axis], count) + np.bincount(end, nearness * way[start, axis], count)
            for axis in range(3)
        ],
        axis=1,
    )
    way = way + mean / np.maximum(total, 1e-12)[:, None]
    way /= np.maximum(np.linalg.norm(way, axis=1), 1e-12)[:, None]
    p = vertices[some]
    normal = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    size = np.linalg.norm(normal, axis=1)
    normal /= np.maximum(size, 1e-30)[:, None]
    along = np.einsum("tki,ti->tk", way[some], normal)
    one = np.bincount(some.ravel(), (size[:, None] * along).ravel(), count)
    two = np.bincount(some.ravel(), (size[:, None] * along**2).ravel(), count)
    return np.asarray(way * np.clip(one / np.maximum(two, 1e-30), 1.0, 2.0)[:, None])


def grown_by(shrinkage: float) -> float:
    """What a model is scaled by so that a casting which loses so many percent of length comes out right.

    >>> round(grown_by(1.5), 6)
    1.015228
    """
    return 1.0 / (1.0 - shrinkage / 100.0)
