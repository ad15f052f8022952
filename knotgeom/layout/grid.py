"""The grid as a maker of layouts: any columns x rows, any proportion of cell, any cells left out."""

from __future__ import annotations

import numpy as np

from ..cycles import cycle_labels
from ..design import Breaks, Grid
from ..mesh import Bools, Floats
from .halfedge import ACROSS, ALONG, CROSSING, Layout


def present_cells(grid: Grid) -> Bools:
    """Which cells the layout has, (columns, rows) bool."""
    present = np.ones((grid.columns, grid.rows), bool)
    if grid.without:
        columns, rows = np.array(grid.without).T
        present[columns, rows] = False
    return present


def site_point(grid: Grid, site: tuple[float, float]) -> tuple[float, float]:
    """Where a site lies, in mm from the lower left corner."""
    return site[0] * grid.cell_width / 2, site[1] * grid.cell_height / 2


def grid_layout(grid: Grid, breaks: Breaks) -> Layout:
    """Set out a grid with its breaks.

    Half-edge ``2e`` points right on a horizontal grid line and up on a vertical one, so pass 0 is ``falling`` where
    site x is odd and ``rising`` where it is even. The outer boundary is walled. Edges are numbered by (y, x).

    Parameters
    ----------
    grid : Grid
    breaks : Breaks
        Already checked: each on a site between two cells, none in both lists.
    """
    present = present_cells(grid)
    columns, rows = present.shape
    wide, high = 2 * columns + 1, 2 * rows + 1

    cell = np.argwhere(present.T)[:, ::-1]  # by rows from the bottom, for numbering that a reader can follow
    x, y = 2 * cell[:, 0] + 1, 2 * cell[:, 1] + 1
    around = np.stack([y - 1, y, y + 1, y], 1) * wide + np.stack([x, x + 1, x, x - 1], 1)  # bottom right top left
    places = np.unique(around)
    edge_at = np.full(wide * high, -1)
    edge_at[places] = np.arange(len(places))
    edge = edge_at[around]
    half = 2 * edge + np.array([0, 0, 1, 1])

    count = 2 * len(places)
    next_half = np.full(count, -1)
    next_half[half] = np.roll(half, -1, axis=1)
    previous = np.full(count, -1)
    previous[half] = np.roll(half, 1, axis=1)
    outside = next_half < 0

    # An outside half-edge is followed by the one met when turning round its end vertex through the cells that are
    # there: that keeps two cells which touch only at a corner on two loops, with a vertex each.
    rim = np.flatnonzero(outside)
    at = rim ^ 1
    following = previous[at] ^ 1
    for _ in range(3):
        turn = ~outside[following]
        at = np.where(turn, following, at)
        following = np.where(turn, previous[at] ^ 1, following)
    next_half[rim] = following

    previous[next_half] = np.arange(count)
    origin = cycle_labels(previous ^ 1)

    site = np.stack([places % wide, places // wide], 1)
    ahead = np.where((site[:, :1] % 2) == 1, [[1, 0]], [[0, 1]])
    tail, head = site - ahead, site + ahead
    unit = np.array([grid.cell_width / 2, grid.cell_height / 2])
    points = np.zeros((int(origin.max()) + 1, 3))
    points[origin[0::2], :2] = tail * unit
    points[origin[1::2], :2] = head * unit

    boundary = outside[0::2] | outside[1::2]
    state = np.where(boundary, ALONG, CROSSING).astype(np.uint8)
    for sites, at_odd, at_even in ((breaks.horizontal, ALONG, ACROSS), (breaks.vertical, ACROSS, ALONG)):
        for bx, by in sites:
            state[edge_at[by * wide + bx]] = at_odd if bx % 2 else at_even
    return Layout(next_half, outside, origin, points, state, boundary, site)


def pass_index(x: int, way: str) -> int:
    """Whether ``rising`` or ``falling`` is pass 0 or pass 1 of a grid's site."""
    return int((way == "rising") == (x % 2 == 1))


def pass_way(x: int, index: int) -> str:
    """The inverse of :func:`pass_index`."""
    return "rising" if (x % 2 == 1) == (index == 1) else "falling"


def edge_of_site(layout: Layout) -> dict[tuple[int, int], int]:
    """Edge number of every site of the layout."""
    return {(int(x), int(y)): edge for edge, (x, y) in enumerate(layout.site)}


def wall_normals(layout: Layout) -> Floats:
    """Unit direction along the wall of each edge's break as it stands, (E, 2); zero at crossings."""
    odd = layout.site[:, 0] % 2 == 1
    along_line = layout.state == ALONG
    horizontal = odd == along_line
    direction = np.where(horizontal[:, None], [[1.0, 0.0]], [[0.0, 1.0]])
    direction[layout.state == CROSSING] = 0.0
    return direction
