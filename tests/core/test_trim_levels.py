"""Levels of trim pieces: within their budget, as near to the exact surface as they say, and the same at every seam.

Against closed forms (torus, plait of sines), and with trimesh and libigl's tree of boxes as measures of their own.
"""

import math
from dataclasses import replace

import igl
import numpy as np
import pytest
import trimesh

from knotgeom.counting import count
from knotgeom.design import Design, Divide, Grid, Rejoin, Section, Sizes, Strand
from knotgeom.drawing import draw
from knotgeom.errors import DesignError
from knotgeom.sections import outlines
from knotgeom.sweep import sweep_rings
from knotgeom.trims.budget import screen_tolerance, tolerance_for
from knotgeom.trims.card import card_mesh
from knotgeom.trims.exact import exact_of
from knotgeom.trims.fitting import sample
from knotgeom.trims.hull import SIDES, upright
from knotgeom.trims.kit import Port
from knotgeom.trims.levels import choose_seams, fine_mesh, make_level
from knotgeom.trims.nearest import distances, greatest, surface
from knotgeom.trims.options import Screen, Trimming
from knotgeom.trims.patches import Fork, Patches, Run
from knotgeom.trims.seams import into_port, run_ahead, turned
from tests.core.trim_deviation import deviation_by_libigl, points_apart

PERIOD, AMPLITUDE, RISE, STRANDS = 16.0, 5.0, 0.9, 3


def plait(section=Section.FLAT, rings=240, repeats=1):
    """Three strands along +x, sines in plan and of twice the frequency in height, cut by the planes of the ports."""
    across, up = outlines(Strand(2.6, 1.2, section), Sizes(6, 2.6, 1.2, 0, 1, 0.2, 0.4, 1.4, 0.4), np.array([2.6]))
    across, up = across[0], up[0]
    loop = np.column_stack([np.append(across, across[0]), np.append(up, up[0])])
    girth = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(loop, axis=0).T))])
    x = np.linspace(0, PERIOD, rings + 1)
    lap = 2 * math.pi / PERIOD
    runs = []
    for strand in range(STRANDS):
        phase = 2 * math.pi * strand / STRANDS
        slope = AMPLITUDE * lap * np.cos(lap * x + phase)
        left = np.stack([-slope, np.ones_like(x)], 1) / np.hypot(1, slope)[:, None]
        cut = np.stack([np.zeros_like(x), np.hypot(1, slope)], 1)  # along the ports' planes
        near = np.clip(1 - np.minimum(x, PERIOD - x) / 4, 0, 1)[:, None]
        near = near**3 * (10 - 15 * near + 6 * near**2)
        aside = left * (1 - near) + cut * near
        middle = np.stack([x, AMPLITUDE * np.sin(lap * x + phase), RISE * np.sin(2 * (lap * x + phase))], 1)
        points = np.empty((len(x), len(across), 3))
        points[..., :2] = middle[:, None, :2] + across[:, None] * aside[:, None]
        points[..., 2] = middle[:, None, 2] + up
        points[-1] = points[0] + [PERIOD, 0, 0]
        points = np.concatenate(
            [points[(1 if lap_number else 0) :] + [PERIOD * lap_number, 0, 0] for lap_number in range(repeats)]
        )
        along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points.mean(1), axis=0), axis=1))])
        runs.append(Run(points, False, strand, along, girth, (0, 1), (strand, strand)))
    length, wide = PERIOD * repeats, AMPLITUDE + 1.5
    ports = (Port((0.0, 0.0), 180.0, False), Port((length, 0.0), 0.0, True))
    return Patches(f"plait-{repeats}", ports, tuple(runs), (), (0.0, -wide, length, wide))


def reversed_run(run):
    """The same strand run through the other way."""
    corners = run.points.shape[1]
    mirror = (corners - np.arange(corners)) % corners
    return replace(
        run,
        points=run.points[::-1, mirror],
        along=run.along[-1] - run.along[::-1],
        ports=run.ports[::-1],
        seam_key=run.seam_key[::-1],
    )


def quarter_turned(piece, by):
    """The piece turned about its origin by quarter turns and moved away."""
    to = np.array([64.0, -32.0, 0.0])
    ports = tuple(
        replace(
            port,
            at=tuple((turned(np.array([[*port.at, 0.0]]), by)[0] + to)[:2].tolist()),
            heading=(port.heading + by) % 360,
        )
        for port in piece.ports
    )
    runs = tuple(replace(run, points=turned(run.points, by) + to) for run in piece.runs)
    return replace(piece, name="turned", ports=ports, runs=runs)


def torus(major=10.0, minor=2.5, rings=480, rails=48):
    """A torus as one closed strand, its underside among the rails."""
    turn = 2 * math.pi * np.arange(rings) / rings
    round_ = -math.pi / 2 - 2 * math.pi * np.arange(rails) / rails
    reach = major + minor * np.cos(round_)
    points = np.stack(
        [
            np.cos(turn)[:, None] * reach,
            np.sin(turn)[:, None] * reach,
            np.broadcast_to(minor * np.sin(round_), (rings, rails)),
        ],
        2,
    )
    girth = 2 * math.pi * minor * np.arange(rails + 1) / rails
    run = Run(points, True, 0, turn * major, girth)
    return Patches("torus", (), (run,), (), (-12.5, -12.5, 12.5, 12.5))


def woven():
    """A small closed knot, wholly divided, its halves rejoined at bends: runs from fork to fork."""
    counted = count(
        Design(
            Grid(2, 2, 8.0, 8.0),
            divide=Divide(all=True, gap=0.6, rejoin=Rejoin.BENDS),
            strand=Strand(3.2, 1.4, Section.HALF_ROUND),
        )
    )
    drawn = draw(counted)
    design, size = counted.design, counted.size
    swept = sweep_rings(drawn.courses, drawn.lanes, drawn.relief.z, design.strand, size, design.heights.way)
    following = dict(swept.band_ring.tolist())
    halves = set(swept.band_ring[swept.band_half].ravel().tolist())
    corners = swept.corners
    runs, where = [], {}
    for first in sorted(set(following) - set(following.values())):
        rings = [first]
        while rings[-1] in following:
            rings.append(following[rings[-1]])
        points = swept.vertices[swept.ring_vertices(np.array(rings))]
        along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points.mean(1), axis=0), axis=1))])
        where[rings[0]], where[rings[-1]] = (len(runs), 0), (len(runs), 1)
        girth = swept.girth * (0.5 if first in halves else 1.0)
        runs.append(Run(points, False, 0, along, girth))
    wall = np.arange(corners // 2 + 1, corners)
    forks = []
    for quads in swept.fork_quads // corners:
        left_side, right_side = quads[0], quads[corners // 2 + 1]
        trunk = next(ring for ring in left_side if ring not in halves)
        left, right = (next(ring for ring in side if ring in halves) for side in (left_side, right_side))
        forks.append(Fork(where[trunk], where[left], where[right], np.stack([wall, corners - wall], 1)))
    low, high = swept.vertices.min(0), swept.vertices.max(0)
    return Patches("woven", (), tuple(runs), tuple(forks), (low[0], low[1], high[0], high[1]))


def welded(mesh):
    """Places and triangles with vertices at the same place as one."""
    places, index = np.unique(mesh.positions, axis=0, return_inverse=True)
    return places, index.ravel()[mesh.triangles]


def hausdorff(one, other, samples=60_000):
    """Both ways between two meshes by libigl, from random points (trimesh) and all vertices of either."""
    worst = []
    for (places, faces), (onto, onto_faces) in (
        (welded(one), welded(other)),
        (welded(other), welded(one)),
    ):
        mesh = trimesh.Trimesh(places, faces, process=False)
        points = np.vstack([trimesh.sample.sample_surface(mesh, samples, seed=1)[0], places])
        worst.append(math.sqrt(igl.point_mesh_squared_distance(points, onto, onto_faces.astype(np.int64))[0].max()))
    return max(worst)


def open_edges(mesh):
    """Edges of one triangle only, as places, and how many edges have more than two."""
    places, faces = welded(mesh)
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), 1)
    edges, number = np.unique(edges, axis=0, return_counts=True)
    return places, edges[number == 1], int((number > 2).sum())


def rim_loops(mesh):
    """How many closed curves the open edges make; each place on them has two."""
    _, edges, _ = open_edges(mesh)
    assert (np.unique(edges, return_counts=True)[1] == 2).all()
    return len(trimesh.graph.connected_components(edges))


@pytest.fixture(scope="module")
def flat():
    return plait()


@pytest.fixture(scope="module")
def budgets(flat):
    """Tolerance, seams, mesh and deviation for budgets of the flat plait."""
    made = {}
    for triangles in (4000, 1000, 400):
        tolerance = tolerance_for(flat, triangles)
        seams = choose_seams([flat], tolerance)
        made[triangles] = (tolerance, seams, *make_level(flat, tolerance, seams=seams))
    return made


def test_budgets_are_kept_and_nearly_used_up(budgets):
    for triangles, (_, _, mesh, _) in budgets.items():
        assert 0.93 * triangles <= len(mesh.triangles) <= triangles


def test_the_deviation_is_what_libigl_measures(flat, budgets):
    """At the same points to rounding, and between them by no more than they lie apart."""
    fine = fine_mesh(flat)
    for _, _, mesh, off in budgets.values():
        assert off == pytest.approx(deviation_by_libigl(fine, mesh), rel=1e-9)
        measured = hausdorff(fine, mesh)
        assert off / 1.06 <= measured <= off + points_apart(fine, mesh)
        assert measured <= 1.001 * off  # where strands bend evenly points are close enough by far


def test_four_times_the_triangles_are_about_four_times_as_near(budgets):
    ratio = budgets[1000][3] / budgets[4000][3]
    assert 2.5 < ratio < 7


def test_no_triangles_less_than_close_the_strands(flat):
    with pytest.raises(DesignError) as raised:
        tolerance_for(flat, 20)
    assert raised.value.place == "make.trim.triangles"
    least = int(raised.value.remedy.split("at least ")[1].split(" ")[0])
    mesh, _ = make_level(flat, tolerance_for(flat, least))
    assert len(mesh.triangles) <= least
    with pytest.raises(DesignError):
        tolerance_for(flat, least - 1)


@pytest.mark.parametrize("section", [Section.FLAT, Section.PEAKED, Section.HALF_ROUND])
def test_every_port_of_every_piece_has_the_same_seam_to_the_bit(section):
    straight = plait(section, rings=96)
    long = plait(section, rings=96, repeats=2)
    other_way = quarter_turned(replace(long, runs=(long.runs[0], reversed_run(long.runs[1]), long.runs[2])), 90.0)
    for tolerance in (0.05, 0.2):
        seams = choose_seams([straight], tolerance)
        seen = []
        for piece in (straight, long, other_way):
            mesh, _ = make_level(piece, tolerance, seams=seams)
            for port, rows in zip(piece.ports, mesh.seam, strict=True):
                places = into_port(port, mesh.positions[rows])
                assert (places[:, 0] == 0).all()
                seen.append((places, turned(mesh.normals[rows], -run_ahead(port)), mesh.strand[rows]))
        for places, normals, strands in seen[1:]:
            assert np.array_equal(places, seen[0][0])
            assert np.array_equal(normals, seen[0][1])
            assert np.array_equal(strands, seen[0][2])
        assert len(np.unique(seen[0][0], axis=0)) >= 3 * STRANDS


def test_open_edges_lie_in_ports_and_along_left_out_undersides_only(flat, budgets):
    for _, _, mesh, _ in budgets.values():
        assert open_edges(mesh)[2] == 0
        assert rim_loops(mesh) == STRANDS
    whole, _ = make_level(flat, 0.05, Trimming(underside=True))
    places, edges, _ = open_edges(whole)
    assert np.isin(places[edges][..., 0], (0.0, PERIOD)).all()
    capped, off = make_level(flat, 0.05, Trimming(underside=True, capped=True))
    body = trimesh.Trimesh(*welded(capped), process=False)
    assert body.is_watertight and body.is_winding_consistent
    exact = trimesh.Trimesh(*welded(fine_mesh(flat, Trimming(underside=True, capped=True))), process=False)
    assert exact.is_watertight
    assert abs(body.volume - exact.volume) < exact.area * off


def test_forks_leave_no_gap_between_whole_strand_and_halves():
    knot = woven()
    assert len(knot.forks) >= 4
    for tolerance in (0.06, 0.2):
        mesh, off = make_level(knot, tolerance, Trimming(underside=True))
        body = trimesh.Trimesh(*welded(mesh), process=False)
        assert body.is_watertight and body.is_winding_consistent
        assert off < 4 * tolerance
        top, _ = make_level(knot, tolerance)
        assert open_edges(top)[2] == 0
        assert rim_loops(top) == rim_loops(fine_mesh(knot))


def test_a_torus_is_off_by_half_its_two_sagittas():
    """On the outer equator facets are off by both sagittas together, and set off the surface by half of that."""
    major, minor = 10.0, 2.5
    piece, options = torus(major, minor), Trimming(underside=True)
    for tolerance in (0.05, 0.2):
        mesh, off = make_level(piece, tolerance, options)
        places, faces = welded(mesh)
        rings = len(np.unique(mesh.along)) - 1
        rails = len(np.unique(mesh.across)) - 1
        assert len(faces) == 2 * rings * rails
        # arcs are not all of one length, so this is what equal ones would do at best
        both = (major + minor) * (1 - math.cos(math.pi / rings)) + minor * (1 - math.cos(math.pi / rails))
        assert 0.8 * both / 2 < off < 1.5 * both / 2
        assert off < 1.5 * tolerance


def test_normals_are_the_tori_s_own():
    piece, options = torus(), Trimming(underside=True, hard=60.0)
    for mesh in (fine_mesh(piece, options), make_level(piece, 0.05, options)[0]):
        core = np.column_stack([mesh.positions[:, :2], np.zeros(len(mesh.positions))])
        core *= 10.0 / np.linalg.norm(core, axis=1, keepdims=True)
        exact = mesh.positions - core
        exact /= np.linalg.norm(exact, axis=1, keepdims=True)
        # points of the level stand off the surface a little sideways too
        assert np.degrees(np.arccos(np.clip((exact * mesh.normals).sum(1), -1, 1))).max() < 1.5
        assert np.allclose(np.linalg.norm(mesh.normals, axis=1), 1)


def test_edges_turn_hard_by_their_angle():
    peaked = plait(Section.PEAKED, rings=120)
    soft, hard = (make_level(peaked, 0.05, Trimming(hard=degrees))[0] for degrees in (180.0, 30.0))
    assert len(soft.positions) == len(np.unique(soft.positions, axis=0))
    assert len(hard.positions) > len(np.unique(hard.positions, axis=0))
    assert np.array_equal(np.unique(soft.positions, axis=0), np.unique(hard.positions, axis=0))
    # no normal of a piece with hard edges is more than 90 degrees from a face that it lights
    corner = hard.positions[hard.triangles]
    face = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    assert (np.einsum("tx,tcx->tc", face, hard.normals[hard.triangles]) > 0).all()


def test_patches_unroll_without_overlap(flat, budgets):
    mesh = budgets[1000][2]
    for patch in np.unique(mesh.patch):
        own = mesh.triangles[mesh.patch == patch]
        place = np.stack([mesh.along, mesh.across], 1)[own]
        one, other = place[:, 1] - place[:, 0], place[:, 2] - place[:, 0]
        area = (one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]) / 2
        assert (area < 0).all() or (area > 0).all()  # none is turned over
        span = np.ptp(place.reshape(-1, 2), axis=0)
        assert abs(area.sum()) == pytest.approx(span[0] * span[1], rel=1e-9)  # and they fill their rectangle


def test_nothing_that_looks_down_is_kept(flat):
    mesh = fine_mesh(flat)
    corner = mesh.positions[mesh.triangles]
    face = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    face /= np.linalg.norm(face, axis=1, keepdims=True)
    assert face[:, 2].min() > -0.05
    assert len(fine_mesh(flat, Trimming(underside=True)).triangles) > len(mesh.triangles)


def test_a_pixel_covers_what_the_camera_says():
    """A screen 1 m high filled at 45 degrees either way is 1 m off half its height: 2 m over 1000 pixels."""
    assert screen_tolerance(Screen(1.0, (1.0,), 1000, 90.0), 1.0) == pytest.approx(2.0)
    assert screen_tolerance(Screen(3.0, (1.0,), 1000, 90.0), 5.0) == pytest.approx(30.0)


def test_the_card_covers_the_piece_and_the_hull_holds_it(flat):
    card = card_mesh(flat)
    assert len(card.triangles) == 2
    assert trimesh.Trimesh(card.positions, card.triangles, process=False).area == pytest.approx(
        (flat.box[2] - flat.box[0]) * (flat.box[3] - flat.box[1])
    )
    assert card_mesh(flat, height=-1.0).positions[:, 2].tolist() == [-1.0] * 4
    for piece in (flat, torus()):
        vertices, triangles = upright(np.concatenate([run.points.reshape(-1, 3) for run in piece.runs]))
        body = trimesh.Trimesh(vertices, triangles, process=False)
        assert body.is_watertight and body.is_convex and len(vertices) <= 2 * SIDES
        normals, origins = body.face_normals, body.triangles[:, 0]
        for run in piece.runs:
            points = run.points.reshape(-1, 3)
            assert ((points[:, None] - origins) * normals).sum(2).max() < 1e-9
    round_about = upright(np.concatenate([run.points.reshape(-1, 3) for run in torus().runs]))
    assert trimesh.Trimesh(*round_about, process=False).volume < 1.1 * math.pi * 12.5**2 * 5


def bar():
    """A straight square bar from port to port, of two rings."""
    across = np.array([0.0, 1, 1, 1, 0, -1, -1, -1])
    up = np.array([0.0, 0, 1, 2, 2, 2, 1, 0])
    points = np.stack([np.column_stack([np.full(8, x), across, up]) for x in (0.0, 8.0)])
    ports = (Port((0.0, 0.0), 180.0, False), Port((8.0, 0.0), 0.0, True))
    run = Run(points, False, 0, np.array([0.0, 8.0]), np.arange(9.0), (0, 1), (0, 0))
    return Patches("bar", ports, (run,), (), (0.0, -1.0, 8.0, 1.0))


def test_a_straight_bar_is_what_its_walls_and_its_top_are_and_no_more():
    piece = bar()
    seams = choose_seams([piece], 0.05)
    for given in (None, seams):
        mesh, off = make_level(piece, 0.05, seams=given)
        assert off < 1e-12 and len(mesh.triangles) == 6, "two for each face"
        assert set(mesh.positions[:, 0]) == {0.0, 8.0}
        assert (np.sort(np.abs(mesh.normals), axis=1) == [0, 0, 1]).all(), "lit as three flat faces"
    body, _ = make_level(piece, 0.05, Trimming(underside=True, capped=True))
    whole = trimesh.Trimesh(*welded(body), process=False)
    assert whole.is_watertight and whole.volume == pytest.approx(8 * 2 * 2)


def test_a_budget_counts_the_faces_that_close_strands(flat):
    options = Trimming(underside=True, capped=True)
    mesh, _ = make_level(flat, tolerance_for(flat, 1200, options), options)
    assert 0.9 * 1200 < len(mesh.triangles) <= 1200
    assert trimesh.Trimesh(*welded(mesh), process=False).is_watertight


def test_with_triangles_enough_for_all_there_is_a_level_is_all_there_is():
    coarse = plait(rings=16)
    tolerance = tolerance_for(coarse, 1_000_000)
    mesh, _ = make_level(coarse, tolerance)
    assert len(mesh.triangles) == len(fine_mesh(coarse).triangles)
    assert np.array_equal(np.unique(mesh.strand), np.arange(STRANDS))


def test_only_what_is_left_out_has_a_rim(flat):
    """A section that is kept all round has none where its first rail is its last."""
    for options, rims in ((Trimming(), True), (Trimming(underside=True), False)):
        exact = exact_of(flat, options)
        rings = tuple(choice.rings for choice in exact.choices)
        assert sample(flat, exact.shown, rings, exact.net).rim.any() == rims


def test_points_beside_all_triangles_are_as_far_off_as_libigl_says():
    """Two clusters of triangles: between them lie points whose own cell of the grid has none."""
    rng = np.random.default_rng(5)
    corners = rng.uniform(0, 1, (40, 3, 3)) + np.repeat([[0, 0, 0], [30, 0, 0]], 20, axis=0)[:, None]
    places = rng.uniform([8, 0, 0], [22, 1, 1], (50, 3))
    flat_corners, faces = corners.reshape(-1, 3), np.arange(120).reshape(-1, 3)
    exact = np.sqrt(igl.point_mesh_squared_distance(places, flat_corners, faces)[0])
    bound = np.linalg.norm(places[:, None] - flat_corners, axis=2).min(1)
    found = surface(corners)
    assert distances(places, bound, found) == pytest.approx(exact)
    assert greatest(places, bound, found) == pytest.approx(exact.max())
