"""Free meshes: what graph theory says of medial graphs, and the Platonic solids."""

from __future__ import annotations

import random
from collections import Counter
from itertools import combinations

import numpy as np
import pytest
import snappy  # noqa: F401 - gives Spherogram's links their exteriors
import spherogram

from knotgeom.counting import count
from knotgeom.design import Breaks, Design, FreeMesh, Rim, Strand
from knotgeom.made import make
from knotgeom.weave import planar_diagram
from tests.core.curves import seen_from_above
from tests.core.pdcodes import Code, classes, components, fox_determinant, spanning_trees
from tests.core.strategies import plane_mesh, random_faces, sides
from tests.core.test_knotinfo import numbers, table

Edge = tuple[int, int]


def code_of(design: Design) -> Code:
    counted = count(design)
    return planar_diagram(counted.strand_map, counted.weaving)


def edges_in_order(mesh: FreeMesh) -> list[Edge]:
    """Edges as the design file numbers them: as they are met going round one face after another."""
    met: dict[frozenset[int], Edge] = {}
    for face in mesh.faces:
        for pair in sides(list(face)):
            met.setdefault(frozenset(pair), pair)
    return list(met.values())


def boundary_edges(mesh: FreeMesh) -> set[int]:
    uses = Counter(frozenset(pair) for face in mesh.faces for pair in sides(list(face)))
    return {number for number, pair in enumerate(edges_in_order(mesh)) if uses[frozenset(pair)] == 1}


def contracted(vertices: int, edges: list[Edge], along: set[int], across: set[int]) -> tuple[int, list[Edge]]:
    """The minor: edges under a break along are contracted, those under one across deleted."""
    name = classes([(v, v) for v in range(vertices)] + [edges[e] for e in along])
    number = {root: k for k, root in enumerate(sorted(set(name.values())))}
    left = [edges[e] for e in range(len(edges)) if e not in along and e not in across]
    return len(number), [(number[name[u]], number[name[v]]) for u, v in left]


def nullity_mod_2(nodes: int, edges: list[Edge]) -> int:
    """Nullity over GF(2) of a graph's Laplacian; rows are whole numbers whose bits are the entries."""
    rows = [0] * nodes
    for u, v in edges:
        if u != v:
            rows[u] ^= 1 << u | 1 << v
            rows[v] ^= 1 << u | 1 << v
    rank = 0
    for column in range(nodes):
        pivot = next((k for k in range(rank, nodes) if rows[k] >> column & 1), None)
        if pivot is None:
            continue
        rows[rank], rows[pivot] = rows[pivot], rows[rank]
        for k in range(nodes):
            if k != rank and rows[k] >> column & 1:
                rows[k] ^= rows[rank]
        rank += 1
    return nodes - rank


def is_forest(vertices: int, edges: list[Edge]) -> bool:
    return len(set(classes([(v, v) for v in range(vertices)] + edges).values())) == vertices - len(edges)


# ---------------------------------------------------------------------------------------------- graph theory


def test_strands_on_a_plane_graph_are_its_medial_graph() -> None:
    """Circuits = nullity over GF(2) of the Laplacian (bicycles + 1); determinant = spanning trees.

    C. Godsil and G. Royle, Algebraic Graph Theory, 2001, ch. 17. A break along an edge contracts it, one across deletes
    it.
    """
    rng = random.Random(4)
    seen = Counter()
    for trial in range(60):
        mesh = plane_mesh(*random_faces(rng, rng.randint(4, 16), rng.randint(0, 6), rng.randint(0, 3)), Rim.CROSSED)
        edges = edges_in_order(mesh)
        inner = sorted(set(range(len(edges))) - boundary_edges(mesh))
        along: set[int] = set()
        across: set[int] = set()
        if trial % 3:  # a forest is contracted, so that no contracted edge is a loop
            for e in rng.sample(inner, min(len(inner), rng.randint(0, 5))):
                if rng.random() < 0.5 and is_forest(len(mesh.vertices), [edges[k] for k in along | {e}]):
                    along.add(e)
                else:
                    across.add(e)
        done = count(Design(mesh, Breaks(along=tuple(along), across=tuple(across))))
        nodes, left = contracted(len(mesh.vertices), edges, along, across)
        assert done.strand_map.crossings == len(left) == len(edges) - len(along) - len(across)
        assert done.circuits.count == nullity_mod_2(nodes, left)
        assert not done.weaving.failing.any()
        code = planar_diagram(done.strand_map, done.weaving)
        loops = int((np.diff(done.circuits.visit_start) == 0).sum())
        assert len(set(components(code).values())) + loops == done.circuits.count
        lonely = nodes - len({v for pair in left for v in pair})
        assert loops == lonely
        trees = spanning_trees(nodes, left)
        if not loops:
            assert fox_determinant(code) == trees
        seen["breaks"] += bool(along) and bool(across)
        seen["holes"] += len(mesh.vertices) - len(edges) + len(mesh.faces) < 1
        seen["many circuits"] += done.circuits.count > 2
        seen["not triangles"] += any(len(face) > 4 for face in mesh.faces)
        seen["loops"] += loops > 0
    assert min(seen[kind] for kind in ("breaks", "holes", "many circuits", "not triangles")) >= 5, seen


def test_a_walled_rim_is_a_rim_contracted_to_a_point() -> None:
    rng = random.Random(9)
    holed = 0
    for _ in range(40):
        mesh = plane_mesh(*random_faces(rng, rng.randint(4, 16), rng.randint(0, 4), rng.randint(0, 2)), Rim.WALLED)
        edges, rim = edges_in_order(mesh), boundary_edges(mesh)
        nodes, left = contracted(len(mesh.vertices), edges, rim, set())
        done = count(Design(mesh))
        assert done.strand_map.crossings == len(left)
        assert done.circuits.count == nullity_mod_2(nodes, left)
        if left:
            code = planar_diagram(done.strand_map, done.weaving)
            assert fox_determinant(code) == spanning_trees(nodes, left)
        holed += len(mesh.vertices) - len(edges) + len(mesh.faces) < 1
    assert holed >= 3


def test_meshes_in_several_pieces_are_woven_piece_by_piece() -> None:
    rng = random.Random(2)
    one, other = (random_faces(rng, 8, 2, 0) for _ in range(2))
    both = plane_mesh(
        np.vstack([one[0], other[0] + [150.0, 0.0]]),
        [*one[1], *([v + len(one[0]) for v in face] for face in other[1])],
        Rim.CROSSED,
    )
    singly = [count(Design(plane_mesh(*half, Rim.CROSSED))) for half in (one, other)]
    done = count(Design(both))
    assert done.circuits.count == sum(half.circuits.count for half in singly)
    assert done.strand_map.crossings == sum(half.strand_map.crossings for half in singly)
    assert not done.weaving.failing.any()


# ---------------------------------------------------------------------------------------------- solids


GOLDEN = (1 + 5**0.5) / 2
CORNERS = {
    "tetrahedron": [(1, 1, 1), (1, -1, -1), (-1, 1, -1), (-1, -1, 1)],
    "cube": [(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)],
    "octahedron": [tuple(s * (k == axis) for k in range(3)) for axis in range(3) for s in (-1, 1)],
    "icosahedron": [tuple(np.roll((0, a, b * GOLDEN), turn)) for a in (-1, 1) for b in (-1, 1) for turn in range(3)],
    "dodecahedron": [(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]
    + [tuple(np.roll((0, a / GOLDEN, b * GOLDEN), turn)) for a in (-1, 1) for b in (-1, 1) for turn in range(3)],
}
SIDES = {"tetrahedron": 3, "cube": 4, "octahedron": 3, "icosahedron": 3, "dodecahedron": 5}
TABLED = {"tetrahedron": "L6a4"}  # its medial graph is the octahedron, the diagram of the Borromean rings


def solid_of(name: str, radius: float = 20.0) -> FreeMesh:
    """A Platonic solid: its corners, and its faces as the planes that hold the most of them."""
    corners = np.array(CORNERS[name], float)
    corners *= radius / np.linalg.norm(corners[0])
    faces: dict[frozenset[int], list[int]] = {}
    for three in combinations(range(len(corners)), 3):
        a, b, c = corners[list(three)]
        normal = np.cross(b - a, c - a)
        if np.linalg.norm(normal) < 1e-6:
            continue
        normal /= np.linalg.norm(normal)
        if normal @ a < 0:
            normal = -normal
        high = corners @ normal
        if high.max() > high[three[0]] + 1e-6:
            continue
        on = np.flatnonzero(high > high.max() - 1e-6)
        middle = corners[on].mean(0)
        side = corners[on[0]] - middle
        turn = np.arctan2((corners[on] - middle) @ np.cross(normal, side), (corners[on] - middle) @ side)
        faces[frozenset(on.tolist())] = on[np.argsort(turn)].tolist()
    assert all(len(face) == SIDES[name] for face in faces.values())
    return FreeMesh(tuple(map(tuple, corners.tolist())), tuple(map(tuple, faces.values())))


def flattened(lines: list[np.ndarray]) -> list[np.ndarray]:
    """Closed curves near a sphere seen stereographically from a pole clear of them, heights above the sphere kept."""
    spin = np.linalg.qr(np.array([[0.31, 0.7, -0.2], [0.5, -0.1, 0.83], [-0.66, 0.4, 0.12]]))[0]
    spin *= np.sign(np.linalg.det(spin))
    seen = []
    for line in lines:
        x, y, z = (line @ spin.T / np.linalg.norm(line, axis=1)[:, None]).T
        # from the pole (0, 0, 1), seen from inside there, so mirrored once to look from outside
        seen.append(np.column_stack([x / (1 - z), -y / (1 - z), np.linalg.norm(line, axis=1)]))
    return seen


@pytest.mark.parametrize("name", CORNERS)
def test_platonic_solids_give_alternating_links(name: str) -> None:
    """The finished centre lines in space, through a stereographic picture, against the map's own code, by SnapPy."""
    mesh = solid_of(name)
    design = Design(mesh, strand=Strand(1.2, 0.3))
    edges = edges_in_order(mesh)
    assert len(mesh.vertices) - len(edges) + len(mesh.faces) == 2
    code = code_of(design)
    link = spherogram.Link(code)
    assert len(link.crossings) == len(edges)
    assert link.is_alternating()
    assert len(link.link_components) == count(design).circuits.count == nullity_mod_2(len(mesh.vertices), edges)
    assert fox_determinant(code) == spanning_trees(len(mesh.vertices), edges)

    seen = seen_from_above(flattened(list(make(design, fine=False).circuits)))
    picture = spherogram.Link(seen)
    assert len(picture.crossings) == len(edges)
    assert len(picture.link_components) == len(link.link_components)
    assert picture.is_alternating()
    if len(edges) <= 12:
        assert picture.exterior().is_isometric_to(link.exterior())
    if name in TABLED:
        rows = [row for key, row in table(True, 6).items() if key.split("{")[0] == TABLED[name]]
        assert picture.exterior().is_isometric_to(spherogram.Link(numbers(rows[0]["pd_notation_vector"])).exterior())
    volumes = [float(found.exterior().volume()) for found in (picture, link)]
    assert volumes[0] == pytest.approx(volumes[1], rel=1e-6)


# ----------------------------------------------------------------------------------------------- odd but possible faces


def test_a_slit_whose_sides_lie_on_each_other_is_told_of_and_not_made() -> None:
    places = [(0, 0), (10, 0), (20, 0), (0, 10), (10, 10), (20, 10), (0, 20), (10, 20), (20, 20), (10, 0)]
    faces = ((0, 1, 4, 3), (9, 2, 5, 4), (3, 4, 7, 6), (4, 5, 8, 7))
    slit = FreeMesh(tuple((float(x), float(y), 0.0) for x, y in places), faces, Rim.CROSSED)
    done = make(Design(slit))
    assert done.mesh is None and "ground" in {finding.kind for finding in done.findings}
    assert done.drawn is not None and np.isfinite(done.drawn.courses.point).all()


def test_a_narrow_strand_goes_round_within_a_face_one_of_whose_sides_is_cut_in_three() -> None:
    places = ((0.0, 0.0), (10.0, 0.0), (20.0, 0.0), (30.0, 0.0), (30.0, 30.0), (0.0, 30.0))
    done = make(Design(FreeMesh(tuple((x, y, 0.0) for x, y in places), ((0, 1, 2, 3, 4, 5),)), strand=Strand(1.0, 0.5)))
    assert done.findings == () and done.mesh is not None
    assert done.mesh.vertices[:, :2].min() > 0.0 and done.mesh.vertices[:, :2].max() < 30.0
    assert done.counted.strand_map.crossings == 0


@pytest.mark.parametrize(("high", "long", "width"), [(2.0, 60.0, 0.3), (2.0, 80.0, 0.2)])
def test_a_strand_turns_back_in_a_needle_long_before_its_tip(high: float, long: float, width: float) -> None:
    places = ((0.0, 0.0), (long, 0.0), (long, high), (long + high, 0.0), (long + high, high))
    mesh = FreeMesh(tuple((x, y, 0.0) for x, y in places), ((0, 1, 2), (1, 3, 4, 2)))
    done = make(Design(mesh, strand=Strand(width, 0.2)))
    assert done.mesh is None and {finding.kind for finding in done.findings} >= {"bend"}
    assert done.drawn is not None
    # the walls' lines meet at the tip, x = 0; the strand turns round half way, between the middles of the long sides
    assert done.drawn.courses.point[:, 0].min() == pytest.approx(long / 2, abs=high)


@pytest.mark.parametrize("turned_over", [False, True])
@pytest.mark.parametrize("begin", range(2))
def test_a_loop_past_the_only_two_edges_at_a_vertex_goes_round_it(begin: int, turned_over: bool) -> None:
    corners = ((0.0, 0.0), (60.0, 0.0), (60.0, 60.0), (0.0, 60.0), (40.0, 20.0))
    if turned_over:
        corners = tuple((y, x) for x, y in corners)
    faces = ((0, 1, 2, 4), (0, 4, 2, 3))[:: -1 if begin else 1]
    if turned_over:
        faces = tuple(face[::-1] for face in faces)
    mesh = FreeMesh(tuple((x, y, 0.0) for x, y in corners), faces)
    inner = [number for number, (u, v) in enumerate(edges_in_order(mesh)) if 4 in (u, v)]
    courses = make(Design(mesh, Breaks(across=tuple(inner)), strand=Strand(0.5)), prove=0).drawn.courses
    runs = [courses.point[a:b] for a, b in zip(courses.start[:-1], courses.start[1:], strict=True)]
    rounds = []
    for run in runs:
        ahead = np.angle((np.roll(run, -1, axis=0) - corners[4]) @ [1, 1j] / ((run - corners[4]) @ [1, 1j]))
        rounds.append(round(abs(float(ahead.sum())) / (2 * np.pi), 9))
    assert rounds == [1.0, 1.0]
    loop = min(runs, key=lambda run: float(np.ptp(run, axis=0).max()))
    for end in (0, 2):  # past the middle of each edge, where it stands off from the break by some of the background
        middle = (np.array(corners[4]) + corners[end]) / 2
        edge = (np.array(corners[end]) - corners[4]) / np.linalg.norm(np.array(corners[end]) - corners[4])
        nearest = loop[np.linalg.norm(loop - middle, axis=1).argmin()] - middle
        assert -9.0 < nearest @ edge < 0.0 and abs(nearest @ [-edge[1], edge[0]]) < 1.0
