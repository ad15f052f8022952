"""The grid as a maker of layouts: any columns x rows, any proportion of cell, any cells left out."""

from __future__ import annotations

import numpy as np

from ..design import Breaks, Grid
from ..mesh import Bools, Ints
from .assemble import set_out
from .halfedge import ACROSS, ALONG, CROSSING, Layout


def present_cells(grid: Grid) -> Bools:
    """Which cells the layout has, (columns, rows) bool."""
    present = np.ones((grid.columns, grid.rows), bool)
    if grid.without:
        columns, rows = np.array(grid.without).T
        present[columns, rows] = False
    return present


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
    half = 2 * edge_at[around] + np.array([0, 0, 1, 1])

    site = np.stack([places % wide, places // wide], 1)
    odd = site[:, 0] % 2 == 1
    ahead = np.where(odd[:, None], [[1, 0]], [[0, 1]])
    tail = np.zeros((2 * len(places), 3))
    cell_half = np.array([grid.cell_width / 2, grid.cell_height / 2])
    tail[0::2, :2], tail[1::2, :2] = (site - ahead) * cell_half, (site + ahead) * cell_half

    return set_out(
        half.ravel(),
        np.arange(len(half) + 1) * 4,
        tail,
        site,
        crossed=np.zeros(len(site), bool),
        breaks=broken(breaks, edge_at, wide, len(site)),
        rising=odd.astype(np.int64),
        right=1,
    )


def broken(breaks: Breaks, edge_at: Ints, wide: int, edges: int) -> Ints:
    """The break on each edge, (E,), where sites are in half cells: site (x, y) is edge ``edge_at[y * wide + x]``."""
    state = np.full(edges, CROSSING, np.uint8)
    for sites, at_odd, at_even in ((breaks.horizontal, ALONG, ACROSS), (breaks.vertical, ACROSS, ALONG)):
        for bx, by in sites:
            state[edge_at[by * wide + bx]] = at_odd if bx % 2 else at_even
    return state
