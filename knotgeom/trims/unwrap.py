"""A second set of uv in which nothing lies twice, for baked light: each patch of strand unrolled to a rectangle.

A strand's surface is unrolled by lengths along it and across it, which is nearly true to scale since it bends gently.
Rectangles keep their proportions and one scale, so that light has the same density all over the piece. They are laid in
rows, the highest first, each in the first row with room (first fit by decreasing height; E. Coffman and others, 1980,
from memory), and the greatest scale at which all fit is found by halving.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from ..errors import DesignError
from ..mesh import Floats, Ints
from .kit import TrimMesh
from .splitting import split

MARGIN = 1 / 256
"""Free space between rectangles, as a share of the sheet: 4 texels of 1024. Common practice, no source."""
STEPS = 40


def unwrap(mesh: TrimMesh) -> TrimMesh:
    """The mesh with ``light_uv``; vertices that two patches share are split.

    Long rectangles are laid along u. The scale is the greatest at which all find room in rows.

    Raises
    ------
    DesignError
        There are so many patches that none has any room.
    """
    mesh = split(mesh, mesh.patch)
    names, number = np.unique(mesh.patch, return_inverse=True)
    place = np.stack([mesh.along, mesh.across], 1)
    owner = np.zeros(len(place), np.int64)
    owner[mesh.triangles] = number.reshape(-1, 1)
    low, high = _bounds(place, owner, mesh.triangles, len(names))
    size = np.maximum(high - low, 1e-9)
    corners, scale, upright = _packed(size)
    inside = (place - low[owner]) * scale
    inside[upright[owner]] = inside[upright[owner]][:, ::-1]
    uv = corners[owner] + inside
    # turned rectangles would be mirrored
    turned = upright[owner]
    uv[turned, 0] = (corners[owner] + (size[owner][:, ::-1] * scale))[turned, 0] - inside[turned, 0]
    used = np.zeros(len(place), bool)
    used[mesh.triangles] = True
    return replace(mesh, light_uv=np.where(used[:, None], uv, 0.0).astype(np.float32))


def _bounds(place: Floats, owner: Ints, triangles: Ints, count: int) -> tuple[Floats, Floats]:
    low, high = np.full((count, 2), np.inf), np.full((count, 2), -np.inf)
    used = np.unique(triangles)
    np.minimum.at(low, owner[used], place[used])
    np.maximum.at(high, owner[used], place[used])
    return low, high


def _packed(size: Floats) -> tuple[Floats, float, Floats]:
    """Lower left corners of rectangles in the unit square, their common scale, and which are turned upright."""
    upright: Floats = np.asarray(size[:, 1] > size[:, 0])
    long = np.where(upright[:, None], size[:, ::-1], size)
    least, most = 0.0, 1.0 / float(long.max())
    most = min(most, 1.0 / math.sqrt(float(long.prod(1).sum())))
    best = _rows(long * least)
    if best is None:  # even without any size they do not find room beside one another
        raise DesignError(
            f"the {len(size)} stretches of strand of a piece find no room on a sheet of their own",
            "give the straight piece fewer repeats",
            "make.trim.repeats",
        )
    for _ in range(STEPS):
        scale = (least + most) / 2
        found = _rows(long * scale)
        if found is None:
            most = scale
        else:
            least, best = scale, found
    return best, least, upright


def _rows(size: Floats) -> Floats | None:
    """Corners of rectangles stood in rows, the highest first, each in the first row with room; None where none is."""
    rows: list[list[float]] = []  # bottom, used width
    top = MARGIN
    out = np.zeros((len(size), 2))
    for k in np.lexsort((-size[:, 0], -size[:, 1])).tolist():
        wide, tall = size[k]
        row = next((one for one in rows if one[1] + wide + MARGIN <= 1), None)
        if row is None:
            if top + tall + MARGIN > 1 or wide + 2 * MARGIN > 1:
                return None
            row = [top, MARGIN]
            rows.append(row)
            top += tall + MARGIN
        out[k] = row[1], row[0]
        row[1] += wide + MARGIN
    return out
