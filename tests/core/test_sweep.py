"""Swept meshes: volumes by Pappus's theorem, soundness, rays from above, linking numbers in space."""

from __future__ import annotations

import math
from dataclasses import replace

import manifold3d
import numpy as np
import pytest
from hypothesis import given, settings
from shapely.geometry import Polygon

from knotgeom.counting import count
from knotgeom.course import Courses, plan_courses
from knotgeom.design import (
    Breaks,
    Design,
    Divide,
    Grid,
    Hand,
    Heights,
    Making,
    Pass,
    Rejoin,
    Section,
    Site,
    Strand,
    Turn,
    Turns,
    Way,
    Weave,
)
from knotgeom.divide import circuit_of_visit
from knotgeom.lanes import lay_lanes
from knotgeom.made import facts, make
from knotgeom.mesh import all_triangles, volume
from knotgeom.resolve import resolved
from knotgeom.sections import outlines
from knotgeom.sizing import sizes
from knotgeom.sweep import sweep
from tests.core.measures import as_trimesh, hits_below, linking_number, unsound
from tests.core.pdcodes import linking_matrix
from tests.core.reference import crossing_names
from tests.core.strategies import designs
from tests.core.test_demos import DEMOS

ROUND = Turns(Turn.ROUND, Turn.ROUND, Turn.ROUND)
POINTED = Turns(Turn.POINTED, Turn.POINTED, Turn.POINTED)
SQUARE = Grid(4, 4, 10.0, 10.0)
FLAT = Strand(width=3.6, thickness=0.8)

# ---------------------------------------------------------------------------------------------- Pappus


def section_area(design):
    """Area of the outline as swept, a polygon."""
    width = sizes(design).width
    across, up = outlines(design.strand, sizes(design), np.array([width]))
    return Polygon(np.column_stack([across[0], up[0]])).area


def swept(design, spacing=None, corners=None):
    """Mesh and plan length of a loop without a crossing, at a spacing of samples, or led straight from tip to tip."""
    counted = count(design)
    if spacing:
        courses = plan_courses(design, counted.layout, counted.circuits, counted.size, spacing)
    else:
        tips = np.array(corners, float)
        step = np.roll(tips, -1, 0) - tips
        length = np.linalg.norm(step, axis=1)
        normal = np.stack([-step[:, 1], step[:, 0]], 1) / length[:, None]
        before = np.roll(normal, 1, 0)
        mitre = (normal + before) / (1 + (normal * before).sum(1))[:, None]
        courses = Courses(
            start=np.array([0, len(tips)]),
            point=tips,
            lateral=mitre,
            curvature=np.zeros(len(tips)),
            pointed=np.ones(len(tips), bool),
            along=np.concatenate([[0.0], np.cumsum(length)[:-1]]),
            length=np.array([length.sum()]),
            visit_along=np.zeros(0),
            run_bent=np.zeros(0, bool),
            lap=np.zeros(1),
        )
    lanes = lay_lanes(counted.circuits, counted.strand_map, courses, counted.size)
    z = np.zeros(len(lanes.sample))
    mesh = sweep(courses, lanes, z, design.strand, counted.size, design.heights.way)
    assert unsound(mesh) == []
    return mesh, courses


@pytest.mark.parametrize("section", [Section.HALF_ROUND, Section.FLAT], ids=["half-round", "flat"])
def test_a_closed_ring_has_the_volume_of_pappuss_theorem(section):
    """Pappus: area of the section times the way of its centroid, here a circle that stands off from all walls alike."""
    design = Design(Grid(1, 1, 20.0, 20.0), strand=Strand(4.0, 1.6, section, turns=ROUND))
    mesh, courses = swept(design, spacing=0.1)
    radius = np.linalg.norm(courses.point - 10.0, axis=1)
    assert radius.min() == pytest.approx(radius.max(), rel=0.01)
    assert courses.length[0] == pytest.approx(2 * math.pi * radius.mean(), rel=1e-3)
    assert volume(mesh) == pytest.approx(section_area(design) * courses.length[0], rel=2e-4)
    if section is Section.HALF_ROUND:  # 18 chords of half an ellipse
        half_ellipse = math.pi / 4 * 4.0 * 1.6
        assert volume(mesh) == pytest.approx(half_ellipse * 2 * math.pi * radius.mean(), rel=0.01)


@pytest.mark.parametrize("section", list(Section), ids=[s.value for s in Section])
def test_straight_strands_mitred_into_a_frame_have_exactly_the_volume_of_their_length(section):
    """Area times length, for straight strands to the last digit, and for both halves of divided ones."""
    design = Design(Grid(1, 1, 40.0, 40.0), strand=Strand(4.0, 1.6, section), divide=Divide(gap=1.0))
    frame, triangle = [(0, 0), (30, 0), (30, 20), (0, 20)], [(0, 0), (40, 0), (0, 30)]
    for corners, way in ((frame, 100.0), (triangle, 120.0)):
        mesh, _ = swept(design, corners=corners)
        assert volume(mesh) == pytest.approx(section_area(design) * way, rel=1e-12)
    halves = replace(design, divide=Divide(all=True, gap=1.0))
    mesh, _ = swept(halves, corners=frame)
    across, up = outlines(design.strand, sizes(design), np.array([1.5]))
    area = Polygon(np.column_stack([across[0], up[0]])).area
    # the halves run 1.25 mm inside and outside the middle: what one gains at the corners the other loses
    assert volume(mesh) == pytest.approx(2 * area * 100.0, rel=1e-9)


@pytest.mark.parametrize("turns", [ROUND, Turns()], ids=["round", "mitred corners"])
def test_a_woven_strand_has_the_volume_of_its_plan_length(turns):
    """Upright sections sheared up and down keep their volume, so Pappus's theorem holds for every height."""
    design = Design(Grid(3, 4, 10.0, 10.0), strand=Strand(3.0, 0.8, Section.HALF_ROUND, turns=turns))
    done = make(design)
    way = sum(np.hypot(*(np.roll(line, -1, 0) - line)[:, :2].T).sum() for line in done.circuits)
    assert volume(done.mesh) == pytest.approx(section_area(design) * way, rel=3e-3)
    assert np.ptp(np.concatenate(done.circuits)[:, 2]) > 0.8


# ---------------------------------------------------------------------------------------------- soundness


@settings(max_examples=60)
@given(designs(4, sized=True))
def test_a_design_gives_a_sound_mesh_or_findings_that_say_why_not(design):
    done = make(design, fine=False)
    if done.mesh is None:
        assert any(finding.kind in ("bend", "slope", "ground", "step") for finding in done.findings)
        assert done.facts["steepest_deg"] is None and done.facts["depth_mm"] is None
        return
    assert unsound(done.mesh) == []
    assert volume(done.mesh) > 0
    solid = as_trimesh(done.mesh)
    assert solid.is_watertight and solid.is_winding_consistent and solid.volume > 0
    read = manifold3d.Manifold(
        manifold3d.Mesh(
            done.mesh.vertices.astype(np.float32), np.ascontiguousarray(all_triangles(done.mesh), np.uint32)
        )
    )
    assert read.status() == manifold3d.Error.NoError
    if not done.counted.strand_map.forks:
        assert solid.body_count == done.facts["components"]
    assert all(part.volume > 0 for part in solid.split(only_watertight=False))


MADE = {
    "plain": Design(SQUARE, strand=FLAT),
    "left hand": Design(Grid(3, 2, 10.0, 12.0), weave=Weave(Hand.LEFT), strand=Strand(3.0, 0.8, Section.HALF_ROUND)),
    "breaks and a cell less": Design(
        Grid(4, 4, 10.0, 10.0, ((3, 3),)), Breaks((Site(3, 4),), (Site(4, 3),)), strand=replace(FLAT, turns=ROUND)
    ),
    "one circuit divided": Design(SQUARE, divide=Divide(circuits=(Pass(1, 2, Way.RISING),), gap=1.2), strand=FLAT),
    "all divided": Design(Grid(2, 3, 10.0, 10.0), divide=Divide(all=True, gap=1.2), strand=Strand(3.6, 0.4)),
    "forked": Design(
        SQUARE, divide=Divide(passes=(Pass(3, 4, Way.RISING), Pass(4, 3, Way.RISING)), gap=1.2), strand=FLAT
    ),
    "rejoined": Design(SQUARE, divide=Divide(all=True, rejoin=Rejoin.BENDS, gap=1.2), strand=Strand(3.6, 0.4)),
    "wishes": Design(Grid(3, 3, 10.0, 10.0), weave=Weave(prefer=(Pass(2, 1, Way.RISING),)), strand=FLAT),
}
for _name in ("plain", "forked", "one circuit divided"):
    for _way in (Making.FUSED, Making.CARVED):
        MADE[f"{_name}, {_way.value}"] = replace(MADE[_name], heights=Heights(_way, step=0.4))


@pytest.mark.parametrize("name", MADE)
def test_rays_from_above_see_over_and_under_as_they_are_woven(name):
    assert_rays_see_the_weave(make(MADE[name]))


@pytest.mark.parametrize(
    "demo",
    [demo for demo in DEMOS if isinstance(resolved(demo.design).layout, Grid)],
    ids=lambda demo: demo.name,
)
def test_rays_from_above_see_over_and_under_as_woven_at_every_crossing_of_a_demo(demo):
    assert_rays_see_the_weave(make(demo.design))


def assert_rays_see_the_weave(done):
    """At every crossing the first face a ray meets runs along the upper strand, and the next one along the other.

    The place of a crossing is worked out from its site and the offsets of halves, not taken from the drawn curves.
    """
    counted, mesh, size = done.counted, done.mesh, done.counted.size
    grid = counted.design.layout
    cell = np.array([grid.cell_width, grid.cell_height])
    rise = cell / np.linalg.norm(cell)
    fall = rise * [1, -1]
    up_of_rise, up_of_fall = np.array([-rise[1], rise[0]]), np.array([rise[1], rise[0]])
    offset = (size.width + size.gap) / 4
    quads = mesh.quads
    names = crossing_names(counted.layout, counted.strand_map)
    points = []
    for x, y, r, f in names:
        shift = np.linalg.solve(np.stack([up_of_rise, up_of_fall]), offset * np.array([r, f]))
        points.append(np.array([x, y]) * cell / 2 + shift + 0.013 * size.half_width * np.array([1.0, 0.37]))
    seen = 0
    for (x, *_), one_over, (height, face, up) in zip(
        names, counted.weaving.pass_one_over.tolist(), hits_below(mesh, np.array(points)), strict=True
    ):
        rising_over = one_over == (x % 2 == 1)  # pass 1 rises where x is odd
        tops = face[up > 0]
        assert len(height) == 4 and (up > 0).sum() == 2  # two strands, in from above and out below
        corner = mesh.vertices[quads[tops // 2]][:, :, :2]
        ahead = (corner[:, 3] - corner[:, 0]) + (corner[:, 2] - corner[:, 1])
        ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
        rising = np.abs(ahead @ rise) > np.abs(ahead @ fall)
        assert rising.tolist() == [rising_over, not rising_over]
        seen += 1
    assert seen == counted.strand_map.crossings > 0


@pytest.mark.parametrize("name", [name for name, design in MADE.items() if design.heights.way is Making.FREE])
def test_free_strands_never_run_into_one_another(name):
    """Along vertical rays surfaces come in turn, in from above and out below: nothing lies inside anything else."""
    done = make(MADE[name], fine=False)
    rng = np.random.default_rng(3)
    low, high = done.mesh.vertices[:, :2].min(0), done.mesh.vertices[:, :2].max(0)
    met = 0
    for height, _, up in hits_below(done.mesh, rng.uniform(low, high, (3000, 2))):
        assert (np.diff(height) <= 0).all()
        assert (up[0::2] > 0).all() and (up[1::2] < 0).all() and len(up) % 2 == 0
        met += len(up) == 4
    assert met > 100


@pytest.mark.parametrize("name", ["plain, carved", "forked, carved", "one circuit divided, carved"])
def test_carved_strands_stand_on_one_ground(name):
    done = make(MADE[name])
    z = done.mesh.vertices[:, 2]
    assert z.max() <= 1e-6
    ground = z < z.min() + 1e-9
    assert ground.sum() > 0.1 * len(z)
    lowest = min(float(line[:, 2].min()) for line in done.circuits) - done.counted.size.thickness / 2
    assert z.min() <= lowest + 1e-9


# ---------------------------------------------------------------------------------------------- textures and frames


def test_texture_coordinates_are_lengths_along_and_round_the_strand():
    done = make(MADE["plain"])
    mesh = done.mesh
    corner = mesh.vertices[mesh.quads]
    along = mesh.quad_uv[:, 3, 0] - mesh.quad_uv[:, 0, 0]
    assert (along > 0).all()
    length = sum(np.hypot(*(np.roll(line, -1, 0) - line)[:, :2].T).sum() for line in done.circuits)
    points = outlines(done.design.strand, done.counted.size, np.array([3.6]))[0].shape[1]
    assert along.sum() / points == pytest.approx(length, rel=1e-4)
    # round: the edge of the section, whose ends are shared by neighbours
    across = np.linalg.norm(corner[:, 1] - corner[:, 0], axis=1)
    told = mesh.quad_uv[:, 1, 1] - mesh.quad_uv[:, 0, 1]
    mitred = np.abs(across - told) > 1e-3  # there the section is cut aslant
    assert (told > 0).all() and mitred.mean() < 0.05


@pytest.mark.parametrize("name", ["plain", "one circuit divided", "left hand"])
def test_strands_do_not_roll(name):
    """The two edges of a strand's top lie level with each other everywhere."""
    done = make(MADE[name])
    mesh = done.mesh
    rings = mesh.vertices.reshape(-1, outlines(done.design.strand, done.counted.size, np.array([1.0]))[0].shape[1], 3)
    half = rings.shape[1] // 2
    for k in range(1, half):
        assert rings[:, k, 2] == pytest.approx(rings[:, -k, 2], abs=1e-9)
    assert rings[:, half, 2] - rings[:, 0, 2] == pytest.approx(done.counted.size.thickness)


# ---------------------------------------------------------------------------------------------- linking in space


def test_gausss_integral_of_known_links():
    """Squares (+-1, +-1, 0) and (0, 0, -1) (2, 0, -1) (2, 0, 1) (0, 0, 1): 1; moved aside: 0 (trade.md 2.17)."""
    one = np.array([[1, 1, 0], [-1, 1, 0], [-1, -1, 0], [1, -1, 0]], float)
    other = np.array([[0, 0, -1], [2, 0, -1], [2, 0, 1], [0, 0, 1]], float)
    assert abs(linking_number(one, other)) == pytest.approx(1)
    assert linking_number(one, other[::-1]) == pytest.approx(-linking_number(one, other))
    assert linking_number(one, other + [5, 0, 0]) == pytest.approx(0, abs=1e-12)


LINKED = {
    "2 x 2": Design(Grid(2, 2, 10.0, 10.0)),
    "2 x 2, left hand": Design(Grid(2, 2, 10.0, 10.0), weave=Weave(Hand.LEFT)),
    "2 x 4": Design(Grid(2, 4, 10.0, 10.0)),
    "3 x 3, breaks": Design(Grid(3, 3, 10.0, 10.0), Breaks((Site(3, 2),)), strand=Strand(3.0, 0.8)),
    "2 x 3 divided": Design(Grid(2, 3, 10.0, 10.0), divide=Divide(all=True, gap=1.2), strand=Strand(3.6, 0.4)),
    "2 x 2, one divided": Design(
        Grid(2, 2, 10.0, 10.0), divide=Divide(circuits=(Pass(1, 2, Way.RISING),), gap=1.2), strand=FLAT
    ),
    "3 x 3, one divided, left hand": Design(
        Grid(3, 3, 10.0, 10.0),
        divide=Divide(circuits=(Pass(1, 2, Way.RISING),), gap=1.2),
        weave=Weave(Hand.LEFT),
        strand=FLAT,
    ),
    "corner cell less": Design(Grid(3, 3, 10.0, 10.0, ((0, 0),)), strand=Strand(3.0, 0.8)),
}


@pytest.mark.parametrize("name", LINKED)
def test_strands_in_space_link_as_half_the_signed_crossings_of_the_diagram(name):
    """Linking number = half the signed crossings of two closed strands (standard; trade.md 2.12)."""
    done = make(LINKED[name])
    assert done.mesh is not None
    lines = done.circuits
    space = []
    for i in range(len(lines)):
        for j in range(i):
            value = linking_number(lines[i], lines[j])
            assert value == pytest.approx(round(value), abs=1e-6)
            space.append(round(value))
    code = facts(LINKED[name], pd=True)["pd"]
    diagram = [total // 2 for pair, total in linking_matrix(code).items() if len(pair) == 2]
    diagram += [0] * (len(space) - len(diagram))
    assert sorted(space) == sorted(diagram)


@pytest.mark.parametrize(("columns", "rows"), [(2, 3), (3, 4), (2, 5)])
def test_halves_of_a_one_strand_plait_link_as_often_as_it_crosses_itself(columns, rows):
    """trade.md 2.15 (derived there, checked on random closed polygons): |lk| = crossings of the undivided plait."""
    design = Design(
        Grid(columns, rows, 10.0, 10.0), divide=Divide(all=True, gap=1.6), strand=Strand(3.6, 0.3), heights=Heights()
    )
    done = make(design, fine=False)
    one, other = done.circuits
    assert abs(linking_number(one, other)) == pytest.approx(2 * columns * rows - columns - rows, abs=1e-6)


def test_mirror_images_link_the_other_way():
    left, right = (
        linking_number(*make(replace(LINKED["2 x 2"], weave=Weave(hand))).circuits) for hand in (Hand.LEFT, Hand.RIGHT)
    )
    assert left == pytest.approx(-right) and abs(round(left)) == 2  # 2 x 2: +-2 (trade.md 2.12)


def test_each_face_knows_its_circuit():
    done = make(MADE["forked"])
    labels = as_trimesh(done.mesh)
    strand = np.concatenate([np.repeat(done.mesh.quad_strand, 2), done.mesh.triangle_strand])
    shared = labels.face_adjacency
    assert (strand[shared[:, 0]] == strand[shared[:, 1]]).all()
    assert set(strand.tolist()) == set(circuit_of_visit(done.counted.circuits).tolist())
