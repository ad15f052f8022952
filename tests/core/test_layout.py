"""Setting-out: the half-edges of a grid bound exactly its cells, whatever is left out."""

from __future__ import annotations

from collections import Counter
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings

from knotgeom.cycles import connected_labels, cycle_labels
from knotgeom.design import Breaks, Design, Grid, Site
from knotgeom.layout import ACROSS, ALONG, CROSSING
from knotgeom.layout.grid import grid_layout
from tests.core.strategies import cells_beside, cells_of, designs, grids, inner_sites

Cell = tuple[int, int]

BESIDE = ((1, 0), (-1, 0), (0, 1), (0, -1))
AROUND = tuple(step for step in product((-1, 0, 1), repeat=2) if step != (0, 0))


def patches(cells: set[Cell], steps: tuple[Cell, ...]) -> list[set[Cell]]:
    """The connected patches of a set of cells."""
    rest, found = set(cells), []
    while rest:
        patch, todo = set(), [rest.pop()]
        while todo:
            column, row = todo.pop()
            patch.add((column, row))
            near = {(column + dx, row + dy) for dx, dy in steps} & rest
            rest -= near
            todo += near
        found.append(patch)
    return found


def rims(grid: Grid) -> int:
    """Boundary loops: for each patch of cells, the patches of what is not in it, where corners connect."""
    frame = set(product(range(-1, grid.columns + 1), range(-1, grid.rows + 1)))
    return sum(len(patches(frame - patch, AROUND)) for patch in patches(cells_of(grid), BESIDE))


def corners(grid: Grid) -> int:
    """Vertices: for each grid point, the groups of cells round it that share sides."""
    cells = cells_of(grid)
    total = 0
    for x, y in product(range(grid.columns + 1), range(grid.rows + 1)):
        round_it = {(x - 1, y - 1), (x, y - 1), (x - 1, y), (x, y)} & cells
        total += len(patches(round_it, BESIDE))
    return total


@settings(deadline=None, max_examples=150)
@given(grids(5))
def test_vertices_edges_cells_and_rims_are_those_of_the_cells_counted_one_by_one(grid: Grid) -> None:
    layout = grid_layout(grid, Breaks())
    cells = cells_of(grid)
    sides = {(x, y) for c, r in cells for x, y in ((2 * c, 2 * r + 1), (2 * c + 2, 2 * r + 1))}
    sides |= {(x, y) for c, r in cells for x, y in ((2 * c + 1, 2 * r), (2 * c + 1, 2 * r + 2))}
    face = cycle_labels(layout.next_half)
    outer = {int(f) for f in face[layout.outside]}
    inner = {int(f) for f in face[~layout.outside]}
    assert {tuple(site) for site in layout.site.tolist()} == sides
    assert len(layout.points) == corners(grid)
    assert not outer & inner
    assert len(inner) == len(cells)
    assert len(outer) == rims(grid)
    # Euler's formula: every patch is a sphere once its rims are filled
    assert len(layout.points) - len(sides) + len(inner) + len(outer) == 2 * len(patches(cells, BESIDE))
    assert layout.boundary.tolist() == [not cells.issuperset(cells_beside(s)) for s in layout.site.tolist()]


@settings(deadline=None, max_examples=100)
@given(grids(5))
def test_every_half_edge_runs_with_its_cell_on_its_left_and_ends_where_the_next_begins(grid: Grid) -> None:
    layout = grid_layout(grid, Breaks())
    half = np.arange(len(layout.next_half))
    assert sorted(layout.next_half.tolist()) == half.tolist()
    assert np.array_equal(layout.origin[layout.next_half], layout.origin[half ^ 1])

    start, end = layout.points[layout.origin], layout.points[layout.origin[half ^ 1]]
    middle = layout.site * (grid.cell_width / 2, grid.cell_height / 2)
    assert np.allclose((start + end)[:, :2] / 2, np.repeat(middle, 2, axis=0))
    forward = (end - start)[0::2, :2]
    odd = layout.site[:, 0] % 2 == 1
    assert np.allclose(forward, np.where(odd[:, None], [grid.cell_width, 0.0], [0.0, grid.cell_height]))

    # half a cell to the left of the middle lies a cell that is there, or, outside, one that is not
    cells = cells_of(grid)
    size = np.array([grid.cell_width, grid.cell_height])
    way = (end - start)[:, :2] / size
    left = np.repeat(middle, 2, axis=0) / size + np.stack([-way[:, 1], way[:, 0]], 1) / 2
    there = [(int(c), int(r)) in cells for c, r in np.floor(left)]
    assert there == (~layout.outside).tolist()

    face = cycle_labels(layout.next_half)
    assert set(Counter(face[~layout.outside].tolist()).values()) == {4}
    for name in set(face[~layout.outside].tolist()):
        assert {(int(c), int(r)) for c, r in np.floor(left[face == name])} == {tuple(np.floor(left[face == name][0]))}


@settings(deadline=None, max_examples=100)
@given(designs(4, divided=False))
def test_a_horizontal_break_runs_along_a_horizontal_grid_line_and_across_a_vertical_one(design: Design) -> None:
    layout = grid_layout(design.layout, design.breaks)
    for site, state in zip(layout.site.tolist(), layout.state.tolist(), strict=True):
        x, y = site
        if Site(x, y) in design.breaks.horizontal:
            assert state == (ALONG if x % 2 else ACROSS)
        elif Site(x, y) in design.breaks.vertical:
            assert state == (ACROSS if x % 2 else ALONG)
        else:
            assert state == (CROSSING if Site(x, y) in inner_sites(design.layout) else ALONG)


def test_two_cells_that_touch_at_a_corner_have_a_vertex_each_there() -> None:
    layout = grid_layout(Grid(2, 2, 10.0, 8.0, without=((0, 1), (1, 0))), Breaks())
    centre = np.flatnonzero((layout.points[:, :2] == [10.0, 8.0]).all(1))
    assert len(layout.points) == 8
    assert len(centre) == 2
    parts = connected_labels(len(layout.points), layout.origin[0::2], layout.origin[1::2])
    assert parts[centre[0]] != parts[centre[1]]


def test_cells_that_touch_at_a_corner_round_a_hole_still_bound_one_hole() -> None:
    # a ring of eight cells less one corner cell: hole and surroundings touch at a point but do not run together
    layout = grid_layout(Grid(3, 3, 10.0, 10.0, without=((1, 1), (0, 0))), Breaks())
    face = cycle_labels(layout.next_half)
    lengths = sorted(Counter(face[layout.outside].tolist()).values())
    # the two cells beside the lost corner share no side there, so hole and surroundings are one loop of 4 + 12 sides
    assert lengths == [16]


@pytest.mark.parametrize(
    ("grid", "loops"),
    [
        (Grid(3, 3, 10.0, 10.0, without=((1, 1),)), [4, 12]),
        (Grid(5, 3, 10.0, 10.0, without=((1, 1), (3, 1))), [4, 4, 16]),
        (Grid(3, 1, 10.0, 10.0, without=((1, 0),)), [4, 4]),
        (Grid(1, 1, 10.0, 10.0), [4]),
    ],
)
def test_each_hole_and_each_part_of_a_split_design_has_its_own_rim(grid: Grid, loops: list[int]) -> None:
    layout = grid_layout(grid, Breaks())
    face = cycle_labels(layout.next_half)
    assert sorted(Counter(face[layout.outside].tolist()).values()) == loops
