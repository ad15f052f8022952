"""Surfaces that touch themselves along an edge or at a corner are parted so that every edge has two faces."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import trimesh

from knotgeom.clean import filled, separated

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


# ------------------------------------------------------------------------------------------------------ holes and folds


def hedron(turn: int) -> tuple[np.ndarray, np.ndarray]:
    """A tetrahedron, its faces in another order."""
    vertices = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    faces = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
    return vertices, np.roll(faces, turn, axis=0)


@pytest.mark.parametrize("missing", range(4))
def test_a_hole_is_filled_with_the_face_that_was_there(missing: int) -> None:
    vertices, faces = hedron(missing)
    (face,) = filled(vertices, faces[1:]).tolist()
    assert sorted(face) == sorted(faces[0].tolist())
    assert trimesh.Trimesh(vertices, [*faces[1:], face], process=False).volume == pytest.approx(1 / 6)


def test_where_three_faces_share_an_edge_the_hole_that_closes_is_filled_and_the_rest_stays_open() -> None:
    vertices = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.5, 1.0, 0.0], [0.5, -0.5, 1.0], [0.5, -0.5, -1.0]])
    fins = np.array([[0, 1, 2], [0, 1, 3], [1, 0, 4]])  # two of them turn the same way round the edge
    new = filled(vertices, fins)
    assert len(new) == 2 and not {2} & set(new.ravel().tolist())
    edges = [(int(face[k]), int(face[(k + 1) % 3])) for face in [*fins[1:], *new] for k in range(3)]
    assert {edge[::-1] for edge in edges} == set(edges)


def test_a_hole_whose_corners_are_joined_across_already_is_left_open() -> None:
    """A pyramid without its square, both diagonals of which are edges of fins: a third face would meet there."""
    vertices = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [0.5, 0.5, 1], [0.5, 0.5, -1], [0.5, 0.5, -2.0]])
    sides = np.array([[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]])
    fins = np.array([[0, 2, 5], [2, 0, 5], [1, 3, 6], [3, 1, 6]])
    assert len(filled(vertices, sides)) == 2
    assert len(filled(vertices, np.concatenate([sides, fins[:2]]))) == 2
    assert len(filled(vertices, np.concatenate([sides, fins]))) == 0


def notched(last: int) -> tuple[np.ndarray, np.ndarray]:
    """A tetrahedron with a notch along each of two edges of its face 0, so narrow that its rims are one edge.

    Both edges then join the same two corners twice. Face 0 comes in place ``last``.
    """
    vertices, faces = hedron(0)
    inside = [[0.5, 0.1, 0.04], [0.5, 0.04, 0.1], [0.1, 0.5, 0.04], [0.04, 0.5, 0.1]]
    table = faces[1:].tolist()
    for p, q, m in ((1, 0, 4), (0, 2, 6)):  # face 0 runs from p to q; m lies near it, m + 1 near the other face
        table += [[q, p, m], [p, q, m + 1], [q, m, m + 1], [p, m + 1, m]]
    table.insert(last, faces[0].tolist())
    return np.concatenate([vertices, inside]), np.array(table)


@pytest.mark.parametrize("last", [0, 3, 11])
def test_edges_that_join_two_corners_twice_are_halved_until_none_does(last: int) -> None:
    vertices, faces = notched(last)
    assert (faces_of_edges(faces) == 4).sum() == 2
    volume = trimesh.Trimesh(vertices, faces, process=False).volume
    source, rounds = np.arange(len(faces)), 0
    while (faces_of_edges(faces) != 2).any():
        vertices, faces, source = separated(vertices, faces, source, 1e-3)
        rounds += 1
    assert rounds <= 2  # a face is halved along one of its edges at a time
    done = trimesh.Trimesh(vertices, faces, process=False)
    assert done.is_watertight and done.is_winding_consistent and done.body_count == 1
    assert done.volume == pytest.approx(volume, abs=1e-3)
