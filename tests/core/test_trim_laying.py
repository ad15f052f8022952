"""A trim laid along a path: whole repeats, corners by their angle, caps at the ends, joints that close."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from knotgeom.design import Design, Make, Strip
from knotgeom.errors import DesignError
from knotgeom.trims.kit import Kit, Level, Piece, Port, Sheet, TrimMesh
from knotgeom.trims.laying import joints, lay, meshes
from knotgeom.trims.options import Part, Trimming
from knotgeom.trims.paths import path_of

PERIOD, HEIGHT, THICK, LEG = 40.0, 20.0, 4.0, 30.0


def _box_mesh(rings: list[tuple[float, float, float]], ports: int) -> TrimMesh:
    """A beam through rings (x, y, heading in degrees), square to each; seams are its first and last ring."""
    corners = np.array([[-HEIGHT / 2, 0], [HEIGHT / 2, 0], [HEIGHT / 2, THICK], [-HEIGHT / 2, THICK]])
    points, normals = [], []
    for x, y, heading in rings:
        way = np.radians(heading)
        side = np.array([-np.sin(way), np.cos(way)])
        points.append([(x + c * side[0], y + c * side[1], z) for c, z in corners])
        normals.append([(0.0, 0.0, 1.0)] * 4)
    count = len(rings)
    faces = [
        face
        for i in range(count - 1)
        for k in range(4)
        for a, b, c, d in [(4 * i + k, 4 * i + (k + 1) % 4, 4 * i + 4 + (k + 1) % 4, 4 * i + 4 + k)]
        for face in ((a, b, c), (a, c, d))
    ]
    v = 4 * count
    seam = (np.arange(4), np.arange(v - 4, v))[-ports:]
    return TrimMesh(
        positions=np.array(points).reshape(-1, 3),
        normals=np.array(normals).reshape(-1, 3),
        triangles=np.array(faces, np.int32),
        strand=np.zeros(v, np.int32),
        along=np.zeros(v),
        across=np.zeros(v),
        seam=seam,
        patch=np.zeros(len(faces), np.int32),
        uv=np.zeros((v, 2), np.float32),
        light_uv=np.zeros((v, 2), np.float32),
        tangents=np.tile([1.0, 0, 0, 1], (v, 1)),
    )


def _piece(name: str, part: Part, mesh: TrimMesh, ports: tuple[Port, ...], **more: float) -> Piece:
    low, high = mesh.positions.min(0), mesh.positions.max(0)
    box = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    return Piece(name, part, ports, box, mesh, (Level(mesh, 0.0, 0.0),), **more)  # type: ignore[arg-type]


def _corner(part: Part, turn: float) -> Piece:
    """A mitred corner, both legs ``LEG`` long; ``turn`` is positive to the left."""
    way = np.radians(turn)
    end = (LEG + LEG * float(np.cos(way)), LEG * float(np.sin(way)))
    mesh = _box_mesh([(0, 0, 0), (*end, turn)], 2)
    ports = (Port((0, 0), 180, False), Port(end, turn, True))
    return _piece(f"corner-{part.value}-{abs(turn):03g}", part, mesh, ports, turn=abs(turn))


@pytest.fixture(scope="module")
def kit() -> Kit:
    """Beams in place of strands: what matters here is where their ends come to lie."""
    design = Design(Strip(4, 2, 10.0, 10.0), make=Make(trim=Trimming(stretch=5.0)))
    straight = _box_mesh([(x, 0, 0) for x in np.linspace(0, PERIOD, 9)], 2)
    both = (Port((0, 0), 180, False), Port((PERIOD, 0), 0, True))
    cap = _box_mesh([(-12, 0, 0), (0, 0, 0)], 2)
    end = _box_mesh([(0, 0, 0), (12, 0, 0)], 2)
    pieces = (
        _piece("straight", Part.STRAIGHT, straight, both, repeats=1),
        _corner(Part.INNER, 90),
        _corner(Part.OUTER, -90),
        _corner(Part.INNER, 60),
        _piece("cap-behind", Part.CAP, replace(cap, seam=(np.arange(4, 8),)), (Port((0, 0), 0, True),)),
        _piece("cap-ahead", Part.CAP, replace(end, seam=(np.arange(4),)), (Port((0, 0), 180, False),)),
    )
    return Kit(design, pieces, Sheet(16, 16, 1.0, 0, ()), PERIOD, HEIGHT, 0.0, THICK)


def _square(side: float) -> np.ndarray:
    return np.array([[0, 0, 0], [side, 0, 0], [side, side, 0], [0, side, 0]], float)


def test_a_frame_has_a_corner_at_each_corner_and_whole_repeats_between_and_closes(kit):
    side = 2 * LEG + 3 * PERIOD * 1.02
    laid = lay(kit, path_of(_square(side), closed=True))
    assert [one.piece for one in laid.placed] == (["corner-inner-090"] + ["straight"] * 3) * 4
    assert_allclose(laid.stretches, 1.02)
    made = meshes(kit, laid)
    assert joints(kit, laid, made).max() < 1e-9
    everything = np.concatenate([one.positions for one in made])
    assert_allclose(everything[:, :2].min(0), -HEIGHT / 2)
    assert_allclose(everything[:, :2].max(0), side + HEIGHT / 2)


def test_the_other_way_round_corners_are_outer_ones(kit):
    side = 2 * LEG + PERIOD
    laid = lay(kit, path_of(_square(side)[::-1], closed=True, up=np.array([0, 0, 1.0])))
    assert [one.piece for one in laid.placed] == ["corner-outer-090", "straight"] * 4
    assert joints(kit, laid, meshes(kit, laid)).max() < 1e-9


def test_an_open_run_is_capped_at_both_ends_and_is_as_long_as_its_path(kit):
    path = path_of(np.array([[5.0, 1, 2], [5 + 24 + 2 * PERIOD, 1, 2]]), closed=False)
    laid = lay(kit, path)
    assert [one.piece for one in laid.placed] == ["cap-behind", "straight", "straight", "cap-ahead"]
    made = meshes(kit, laid)
    x = np.concatenate([one.positions[:, 0] for one in made])
    assert_allclose([x.min(), x.max()], [5, 5 + 24 + 2 * PERIOD])
    assert joints(kit, laid, made).max() < 1e-9


def test_a_round_path_has_whole_repeats_all_round_and_keeps_its_distance_from_the_middle(kit):
    radius = 5 * PERIOD / (2 * np.pi) * 1.01
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    circle = np.stack([radius * np.cos(angle), radius * np.sin(angle), 0 * angle], 1)
    laid = lay(kit, path_of(circle, closed=True))
    assert [one.piece for one in laid.placed] == ["straight"] * 5
    made = meshes(kit, laid)
    assert joints(kit, laid, made).max() < 1e-9
    away = np.concatenate([np.hypot(*one.positions[:, :2].T) for one in made])
    assert_allclose([away.min(), away.max()], [radius - HEIGHT / 2, radius + HEIGHT / 2], rtol=1e-4)


def test_a_standing_frame_looks_towards_the_viewer_in_front(kit):
    standing = _square(2 * LEG + PERIOD)[:, [0, 2, 1]]
    path = path_of(standing, closed=True)
    assert_allclose(path.up, np.tile([0, -1, 0], (4, 1)), atol=1e-12)
    made = meshes(kit, lay(kit, path))
    assert min(one.positions[:, 1].min() for one in made) == pytest.approx(-THICK)


def test_a_helix_carries_its_frame_with_the_least_turning_and_joints_close(kit):
    t = np.linspace(0, 4 * np.pi, 2000)
    length = float(np.hypot(120, 15) * 4 * np.pi)
    scale = 38 * PERIOD / length
    helix = scale * np.stack([120 * np.cos(t), 120 * np.sin(t), 15 * t], 1)
    path = path_of(helix, closed=False)
    laid = lay(kit, path, caps=False)
    assert joints(kit, laid, meshes(kit, laid)).max() < 1e-6
    # no frame can turn less: between neighbours up only follows the path's own turning (closed form: no turning about
    # the tangent)
    tangent = np.gradient(helix, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    spin = np.einsum("ij,ij->i", np.cross(path.up[:-1], path.up[1:]), (tangent[:-1] + tangent[1:]) / 2)
    assert np.abs(spin[5:-5]).max() < 1e-5


@pytest.mark.parametrize(
    ("points", "closed", "words"),
    [
        (_square(2 * LEG + 1.5 * PERIOD), True, "42 or 76"),
        (_square(2 * LEG - 5), True, "at least 5 mm longer"),
        (np.array([[0, 0, 0], [200, 0, 0], [300, 80, 0], [600, 80, 0]], float), False, "add 38.66"),
        (np.array([[0, 0, 0], [200, 0, 0], [10, 5, 0]], float), False, "round it"),
        (np.array([[0, 0, 0], [200, 0, 0], [200, 0, 300], [200, 300, 300]], float), False, "in the trim's plane"),
        (np.zeros((3, 3)), False, "places apart"),
    ],
)
def test_what_cannot_be_laid_is_refused_with_what_would_do(kit, points, closed, words):
    with pytest.raises(DesignError) as refused:
        lay(kit, path_of(points, closed))
    assert words in str(refused.value)


def test_a_path_that_bends_within_the_trims_own_height_is_refused(kit):
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    with pytest.raises(DesignError, match=r"no tighter than 11\.1 mm"):
        lay(kit, path_of(9 * np.stack([np.cos(angle), np.sin(angle), 0 * angle], 1), closed=True))


def test_lengths_said_to_fit_do_fit(kit):
    with pytest.raises(DesignError) as refused:
        lay(kit, path_of(_square(2 * LEG + 2.4 * PERIOD), closed=True))
    assert "84 or 114" in str(refused.value)
    for inner in (84.0, 114.0):
        lay(kit, path_of(_square(2 * LEG + inner), closed=True))


# ------------------------------------------------------------------------------------------- paths of every kind


def test_an_open_path_with_a_corner_has_caps_at_its_ends_and_the_corner_on_its_point(kit):
    first, second = 12 + 2 * PERIOD + LEG, LEG + 3 * PERIOD + 12
    path = path_of(np.array([[0.0, 0, 0], [first, 0, 0], [first, second, 0]]), closed=False)
    laid = lay(kit, path)
    names = ["cap-behind", "straight", "straight", "corner-inner-090", *["straight"] * 3, "cap-ahead"]
    assert [one.piece for one in laid.placed] == names
    assert_allclose(laid.stretches, 1.0)
    made = meshes(kit, laid)
    assert joints(kit, laid, made).max() < 1e-9
    everything = np.concatenate([one.positions for one in made])
    assert_allclose(everything[:, :2].min(0), (0, -HEIGHT / 2), atol=1e-9)
    assert_allclose(everything[:, :2].max(0), (first + HEIGHT / 2, second), atol=1e-9)


def test_the_way_up_round_a_closed_path_in_space_comes_back_to_itself_without_a_jump():
    t = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    # a (2, 3) torus knot: no plane holds it, and what is carried round with the least turning does not come back
    points = np.stack([(60 + 20 * np.cos(3 * t)) * np.cos(2 * t), (60 + 20 * np.cos(3 * t)) * np.sin(2 * t)], 1)
    points = np.column_stack([points, 20 * np.sin(3 * t)])
    path = path_of(points, closed=True)
    ahead, behind = np.roll(points, -1, 0) - points, points - np.roll(points, 1, 0)
    tangent = ahead / np.linalg.norm(ahead, axis=1)[:, None] + behind / np.linalg.norm(behind, axis=1)[:, None]
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    assert_allclose(np.linalg.norm(path.up, axis=1), 1.0)
    assert np.abs(np.einsum("ij,ij->i", path.up, tangent)).max() < 1e-9
    # what is more than the turning of the tangent itself is the same all along: parallel transport by the rotation
    # that takes one tangent to the next (Rodrigues), and the angle that is left, a mm
    twist = []
    for k in range(len(points)):
        u, v, up = tangent[k], tangent[(k + 1) % len(points)], path.up[k]
        axis, cos = np.cross(u, v), u @ v
        carried = up * cos + np.cross(axis, up) + axis * (axis @ up) / (1 + cos)
        new = path.up[(k + 1) % len(points)]
        twist.append(np.arctan2(np.cross(carried, new) @ v, carried @ new) / np.linalg.norm(ahead[k]))
    assert np.ptp(twist) < 0.05 * abs(np.mean(twist))


def test_a_path_that_begins_square_to_the_plane_of_the_rest_has_a_way_up_all_the_same():
    rest = [[40.0, 0, 5], [0, 40, 5], [-40, 0, 5], [0, -40, 5]]
    path = path_of(np.array([[0.0, 0, -5], [0, 0, 5], *rest]), closed=False)
    assert_allclose(np.linalg.norm(path.up, axis=1), 1.0)
    assert abs(path.up[0, 2]) < 1e-9


@pytest.mark.parametrize("turn", [-89.0, -40.0, 0.0, 40.0, 89.0])
@pytest.mark.parametrize("back", [False, True])
def test_a_path_that_stands_upright_looks_towards_the_front_whichever_way_it_runs(turn, back):
    way = np.radians(turn)
    across = np.array([np.cos(way), np.sin(way), 0.0])
    path = path_of((_square(90)[:, :1] * across + _square(90)[:, 1:2] * [0, 0, 1.0])[:: -1 if back else 1], closed=True)
    assert_allclose(path.up, np.tile([np.sin(way), -np.cos(way), 0], (4, 1)), atol=1e-12)


@pytest.mark.parametrize("points", [_square(90), _square(90)[::-1], _square(90)[:, [1, 0, 2]], _square(7)[1:]])
def test_a_path_in_a_plane_of_one_x_looks_towards_x(points):
    assert_allclose(path_of(points[:, [2, 0, 1]], closed=True).up, np.tile([1.0, 0, 0], (len(points), 1)), atol=1e-12)


def test_a_point_is_named_as_it_was_given_whatever_stands_twice_before_it():
    with pytest.raises(DesignError) as refused:
        path_of(np.array([[0.0, 0, 0], [0, 0, 0], [200, 0, 0], [10, 5, 0]]), closed=False)
    assert refused.value.place == "path point 2" and "at its point 2" in refused.value.problem


@pytest.mark.parametrize(
    ("points", "up", "words"),
    [
        ([[0.0, 0], [1, 0]], None, "no places"),
        ([[0.0, 0, 0], [np.nan, 0, 0]], None, "no places"),
        ([[0.0, 0, 0], [9, 0, 0]], [1.0, 0, 0], "look along the path at its point 0"),
    ],
)
def test_what_is_no_path_is_refused(points, up, words):
    with pytest.raises(DesignError, match=words):
        path_of(np.array(points), closed=False, up=None if up is None else np.array(up))


def test_pieces_of_two_kits_are_not_joined(kit):
    other = replace(
        kit,
        pieces=tuple(
            replace(one, levels=(Level(replace(one.fine, seam=(one.fine.seam[0], one.fine.seam[-1][:3])), 0.0, 0.0),))
            if one.name == "straight"
            else one
            for one in kit.pieces
        ),
    )
    laid = lay(other, path_of(_square(2 * LEG + PERIOD), closed=True))
    with pytest.raises(DesignError, match="not the same vertices where they meet"):
        joints(other, laid, meshes(other, laid))
