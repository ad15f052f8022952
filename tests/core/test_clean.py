"""Surfaces that touch themselves along an edge or at a corner are parted so that every edge has two faces."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import trimesh

from knotgeom.clean import separated

Cells = set[tuple[int, int, int]]


def boundary(cells: Cells) -> tuple[np.ndarray, np.ndarray]:
    """The surface of unit cubes, two triangles a side, corners shared by all cubes that have them."""
    number: dict[tuple[int, int, int], int] = {}
    faces = []
    for cell in sorted(cells):
        for axis, end in product(range(3), (0, 1)):
            beside = tuple(value + (2 * end - 1) * (k == axis) for k, value in enumerate(cell))
            if beside in cells:
                continue
            u, v = (axis + 1) % 3, (axis + 2) % 3
            around = []
            for a, b in ((0, 0), (1, 0), (1, 1), (0, 1)):
                corner = list(cell)
                corner[axis], corner[u], corner[v] = cell[axis] + end, cell[u] + a, cell[v] + b
                around.append(number.setdefault(tuple(corner), len(number)))
            around = around if end else around[::-1]
            faces += [around[:3], [around[0], *around[2:]]]
    return np.array(list(number), float), np.array(faces, np.int64)


def faces_of_edges(triangles: np.ndarray) -> np.ndarray:
    edges = np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
    return np.unique(edges, axis=0, return_counts=True)[1]


TWO: Cells = {(0, 0, 0), (1, 1, 0)}
CORNER: Cells = {(0, 0, 0), (1, 1, 1)}
HOURGLASS: Cells = {*product((0, 1), (0, 1), (0, 2)), (0, 0, 1), (1, 1, 1)}
"""Two floors of four cubes, and between them two that touch along an edge: its ends lie within one surface."""


@pytest.mark.parametrize(("cells", "crowded", "bodies"), [(TWO, 1, 2), (CORNER, 0, 2), (HOURGLASS, 1, 1)])
def test_cubes_that_touch_along_an_edge_or_at_a_corner_are_parted_there_and_keep_their_volume(
    cells: Cells, crowded: int, bodies: int
) -> None:
    vertices, triangles = boundary(cells)
    assert (faces_of_edges(triangles) == 4).sum() == crowded
    source = np.arange(len(triangles))
    points, faces, carried = separated(vertices, triangles, source, 1e-3)
    assert (faces_of_edges(faces) == 2).all()
    parted = trimesh.Trimesh(points, faces, process=False)
    assert parted.is_watertight and parted.is_winding_consistent and parted.body_count == bodies
    assert parted.volume == pytest.approx(len(cells), abs=0.02)
    assert np.array_equal(np.unique(carried), source)  # of every face something is left, and it is known which
    # nothing joins them again by their places, as files in single precision do
    rounded = np.unique(points.astype(np.float32), axis=0)
    assert len(rounded) == len(points) == len(np.unique(faces))


def test_a_sound_surface_and_an_open_one_come_back_as_they_are() -> None:
    for cells in ({(0, 0, 0)}, {(0, 0, 0), (1, 0, 0)}):
        vertices, triangles = boundary(cells)
        points, faces, _ = separated(vertices, triangles, np.arange(len(triangles)), 1e-3)
        assert len(points) == len(vertices) and len(faces) == len(triangles)
    vertices, triangles = boundary({(0, 0, 0)})
    source = np.arange(len(triangles) - 1)
    same = separated(vertices, triangles[:-1], source, 1e-3)
    assert same[0] is vertices and np.array_equal(same[1], triangles[:-1]) and same[2] is source
