"""Whether a place in plan lies on a layout."""

from __future__ import annotations

import numpy as np

from ..design import Grid, Layouts
from ..mesh import Bools, Floats
from .grid import present_cells
from .halfedge import Layout

_CHUNK = 1 << 22  # comparisons made at a time


def covers(options: Layouts, layout: Layout, points: Floats) -> Bools:
    """Which points, (n, 2) mm, lie on a layout in the plane.

    On a grid by its cells; elsewhere by how often a line to the left of the point meets the boundary.
    """
    if isinstance(options, Grid):
        inside = present_cells(options)
        at = np.floor(points / [options.cell_width, options.cell_height]).astype(int)
        on: Bools = np.asarray(~((at < 0).any(1) | (at >= inside.shape).any(1)))
        on[on] = inside[at[on, 0], at[on, 1]]
        return on
    if layout.period:
        high, low = float(layout.points[:, 1].max()), float(layout.points[:, 1].min())
        found: Bools = (points[:, 1] > low) & (points[:, 1] < high)
        return found
    rim = np.flatnonzero(layout.boundary)
    a, b = layout.points[layout.origin[2 * rim], :2], layout.points[layout.origin[2 * rim + 1], :2]
    result = np.zeros(len(points), bool)
    rows = max(1, _CHUNK // max(len(rim), 1))
    for begin in range(0, len(points), rows):
        x, y = points[begin : begin + rows, 0, None], points[begin : begin + rows, 1, None]
        spans = (a[:, 1] > y) != (b[:, 1] > y)
        drop = np.where(a[:, 1] == b[:, 1], 1.0, b[:, 1] - a[:, 1])
        meets = spans & (a[:, 0] + (y - a[:, 1]) / drop * (b[:, 0] - a[:, 0]) < x)
        result[begin : begin + rows] = meets.sum(1) % 2 == 1
    return result
