"""A back hollowed out: what is left is a wall of even thickness under the front.

The front is seen as a height field, which is worn away by a ball as large as the wall; what then still stands over the
back is taken out from behind. The ball keeps the wall at the sides too.
"""

from __future__ import annotations

import numpy as np

from ..mesh import Floats, Ints, Mesh
from ..raster import height_buffer, window_of
from .bodies import Section, Solid, contents, solid_of

FINEST = 0.12
"""Least pitch of the height field, mm."""


def pocket(front: Mesh, back: float, wall: float, kept: Section | None, tolerance: float) -> Solid | None:
    """What to take out of a piece from behind so that ``wall`` mm are left, or None if nothing is to be had.

    Parameters
    ----------
    front : Mesh
        The whole piece.
    back : float
        z of its flat back.
    kept : CrossSection, optional
        Where nothing is taken out: a maker's mark, the foot of a bail.
    """
    span = float(np.ptp(front.vertices[:, :2], axis=0).max())
    pitch = max(FINEST, span / 200)
    window = window_of(front, pitch=pitch, margin=3 * pitch)
    height = np.nan_to_num(np.asarray(height_buffer(front, window)[0], float), nan=back - 10 * wall)
    radius = wall + pitch
    worn = height - radius
    reach = int(np.ceil(radius / pitch))
    padded = np.pad(height, reach, constant_values=back - 10 * wall)
    rows, columns = height.shape
    for down in range(-reach, reach + 1):
        for across in range(-reach, reach + 1):
            apart = (down**2 + across**2) * pitch**2
            if 0 < apart <= radius**2:
                part = padded[reach + down : reach + down + rows, reach + across : reach + across + columns]
                np.minimum(worn, part - np.sqrt(radius**2 - apart), out=worn)
    x = window.left + (np.arange(columns) + 0.5) * pitch
    y = window.top - (np.arange(rows) + 0.5) * pitch
    if kept is not None:
        for polygon in kept.to_polygons():
            low, high = np.min(polygon, axis=0) - pitch, np.max(polygon, axis=0) + pitch
            inside = (x >= low[0]) & (x <= high[0]), (y >= low[1]) & (y <= high[1])
            worn[np.ix_(inside[1], inside[0])] = back - 1
    if float(worn.max()) < back + 0.1:
        return None
    worn = np.where(worn < back + 0.05, back - 0.5, worn)
    vertices, triangles = _block(x, y, worn, back - 1.0)
    assert contents(vertices, triangles)[0] > 0
    # what stands behind the back, such as a hidden bail, is not touched
    block = solid_of(vertices, triangles).trim_by_plane((0.0, 0.0, 1.0), back - 0.01)
    return block.simplify(tolerance / 2)


def _block(x: Floats, y: Floats, height: Floats, bottom: float) -> tuple[Floats, Ints]:
    """The closed block between a height field and a level bottom."""
    rows, columns = height.shape
    plan = np.stack(np.meshgrid(x, y), 2).reshape(-1, 2)
    vertices = np.concatenate(
        [np.column_stack([plan, height.ravel()]), np.column_stack([plan, np.full(len(plan), bottom)])]
    )
    place = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = (part.ravel() for part in (place[1:, :-1], place[1:, 1:], place[:-1, 1:], place[:-1, :-1]))
    top = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    rim = np.concatenate([place[-1, :-1], place[:0:-1, -1], place[0, :0:-1], place[:-1, 0]])
    after = np.roll(rim, -1)
    deep = rows * columns
    side = np.concatenate([np.stack([rim + deep, after + deep, after], 1), np.stack([rim + deep, after, rim], 1)])
    return vertices, np.concatenate([top, top[:, ::-1] + deep, side])
