"""Fillets and rims have the volumes of their closed forms, allowances move every face, no piece meets itself."""

from __future__ import annotations

import math

import manifold3d
import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from knotgeom.design import Cylinder, Design, Divide, Grid, Heights, Making, Section, Strand, Strip
from knotgeom.printing import allowances, bodies, fillet
from knotgeom.printing.options import Bail, BailKind, Eye, Finger, Frame, Outline, Plate, Printing
from knotgeom.printing.piece import make_piece
from tests.core.exact import crossing_pairs, pairs_of

RADIUS = 0.25
CORNER = 1 - math.pi / 4
"""Between the corner of a square of side r and a quarter circle of radius r lies (1 - pi/4) r^2."""


def filleted(solid: manifold3d.Manifold, radius: float = RADIUS):
    vertices, triangles = bodies.arrays_of(solid)
    done = fillet.filled(vertices, triangles, radius)
    read = trimesh.Trimesh(done.vertices, done.triangles, process=False)
    assert read.is_watertight and read.is_winding_consistent
    assert crossing_pairs(done.vertices, done.triangles) == 0
    return done, read.volume - solid.volume()


def test_a_straight_crease_is_filled_with_the_area_beside_a_quarter_circle():
    # two bars crossing at right angles: four creases 2 mm long, ending in level faces
    bars = manifold3d.Manifold.cube((6, 2, 2), True) + manifold3d.Manifold.cube((2, 2, 6), True)
    done, added = filleted(bars)
    assert done.became.length == pytest.approx(8.0)
    assert done.became.usual == pytest.approx(RADIUS, rel=0.01)
    assert done.became.least == pytest.approx(RADIUS, rel=0.01)
    assert done.became.left == 0
    assert added == pytest.approx(8 * CORNER * RADIUS**2, rel=0.03)
    assert np.ptp(done.vertices, axis=0) == pytest.approx([6, 2, 6], abs=1e-6)  # no fillet stands out of a face
    # its corners lie on the circle, or beyond by what makes up for the chords
    beside = np.abs(done.vertices[:, [0, 2]] - 1.125).max(1) < 0.12
    away = np.linalg.norm(done.vertices[beside][:, [0, 2]] - 1.25, axis=1)
    assert beside.any() and away == pytest.approx(RADIUS, rel=0.02)


@pytest.mark.parametrize("radius", [0.15, 0.25, 0.4])
def test_a_round_crease_has_the_volume_of_its_ring(radius):
    # a pin standing on a plate; Pappus: the area beside a quarter circle times the way of its centroid, which lies
    # (10 - 3 pi) / (12 - 3 pi) r from either leg of the corner
    pin = 1.5
    plate = manifold3d.Manifold.cube((6, 6, 1), True) + manifold3d.Manifold.cylinder(2.0, pin, pin, 48)
    done, added = filleted(plate, radius)
    centroid = pin + radius * (10 - 3 * math.pi) / (12 - 3 * math.pi)
    assert added == pytest.approx(CORNER * radius**2 * 2 * math.pi * centroid, rel=0.04)
    assert done.became.least == pytest.approx(radius, rel=0.03)
    assert done.became.left == 0


def test_a_groove_takes_the_ball_that_touches_both_its_sides():
    # a V of 60 degrees: between sides that turn by 120 degrees the ball leaves (tan 60 - pi/3) r^2
    half = 1 / math.sqrt(3)
    groove = manifold3d.CrossSection([[(-2, -1), (2, -1), (2, 1), (half, 1), (0, 0), (-half, 1), (-2, 1)]])
    done, added = filleted(groove.extrude(5.0), 0.2)
    assert added == pytest.approx(5 * (math.tan(math.pi / 3) - math.pi / 3) * 0.2**2, rel=0.03)
    assert done.became.usual == pytest.approx(0.2, rel=0.02) and done.became.left == 0


def test_two_crossing_rods_are_filled_all_round():
    rod = manifold3d.Manifold.cylinder(6, 1.0, 1.0, 48, True)
    # one thinner than the other, so that their crease is two loops
    done, added = filleted(rod.rotate((90, 0, 0)) + manifold3d.Manifold.cylinder(6, 0.7, 0.7, 48, True))
    assert done.became.least > 0.9 * RADIUS
    assert done.became.left < 0.05 * done.became.length
    assert added > 0


def test_three_faces_that_meet_in_a_corner_are_filled_to_it():
    room = manifold3d.Manifold.cube((4, 4, 4)) - manifold3d.Manifold.cube((4, 4, 4)).translate((1, 1, 1))
    done, added = filleted(room)
    # three creases 3 mm long; in the corner they overlap
    assert 0.9 < added / (9 * CORNER * RADIUS**2) < 1.0
    assert done.became.least == pytest.approx(RADIUS, rel=0.02)
    assert done.became.left < 0.1 * done.became.length


# --------------------------------------------------------------------------------------------------------------- rims


def rimmed(solid: manifold3d.Manifold, radius: float):
    """A slab with its sharp edges rounded, how much was taken off it, and the length of its edges by trimesh."""
    vertices, triangles = bodies.arrays_of(solid)
    done = fillet.rounded(vertices, triangles, radius)
    before, read = (
        trimesh.Trimesh(*mesh, process=False) for mesh in ((vertices, triangles), (done.vertices, done.triangles))
    )
    assert read.is_watertight and read.is_winding_consistent and read.euler_number == before.euler_number
    assert crossing_pairs(done.vertices, done.triangles) == 0
    assert np.array_equal(read.bounds.round(6), before.bounds.round(6))  # faces stay where they are
    sharp = before.face_adjacency_convex & (before.face_adjacency_angles > math.radians(28))
    ends = before.vertices[before.face_adjacency_edges[sharp]]
    assert done.became.length == pytest.approx(np.linalg.norm(ends[:, 0] - ends[:, 1], axis=1).sum())
    return done, solid.volume() - read.volume


@pytest.mark.parametrize(("height", "radius"), [(0.5, 0.15), (1.0, 0.2), (1.6, 0.3)])
def test_the_edges_of_a_box_are_rounded_to_the_radius(height, radius):
    done, taken = rimmed(manifold3d.Manifold.cube((20, 12, height)), radius)
    # what a square corner has beyond a quarter circle, along twelve edges which share their ends with one another
    assert 0.93 < taken / (4 * (32 + height) * CORNER * radius**2) < 1.0
    assert done.became.usual == pytest.approx(radius, rel=0.02) and done.became.least == pytest.approx(radius, rel=0.02)
    assert done.became.left < 24 * 2 * radius  # at most what is shared in the eight corners


@pytest.mark.parametrize("sides", [48, 200])
def test_the_rim_of_a_disc_and_of_its_hole_is_rounded_as_pappus_has_it(sides):
    # the area beside a quarter circle times the way of its centroid, (10 - 3 pi) / (12 - 3 pi) r from the rim
    outer, inner, radius = 9.0, 4.0, 0.3
    plate = manifold3d.Manifold.cylinder(1.2, outer, outer, sides) - manifold3d.Manifold.cylinder(
        9.0, inner, inner, sides, True
    )
    done, taken = rimmed(plate, radius)
    off = radius * (10 - 3 * math.pi) / (12 - 3 * math.pi)
    assert taken == pytest.approx(2 * CORNER * radius**2 * 2 * math.pi * (outer - off + inner + off), rel=0.03)
    assert done.became.least == pytest.approx(radius, rel=0.02) and done.became.left == 0


def test_rims_on_both_sides_of_a_neck_narrower_than_the_balls_leave_it_whole():
    dumb_bell = manifold3d.CrossSection.circle(4.0, 64) + manifold3d.CrossSection.circle(4.0, 64).translate((10, 0))
    done, taken = rimmed(
        (dumb_bell + manifold3d.CrossSection.square((10, 0.4), True).translate((5, 0))).extrude(1), 0.3
    )
    assert done.became.usual == pytest.approx(0.3, rel=0.02)
    neck = np.abs(done.vertices[:, 0] - 5.0) < 0.8
    assert np.ptp(done.vertices[neck, 2]) > 1.0 - 2 * 0.3  # no lower than both balls reach down


# --------------------------------------------------------------------------------------------------------- allowances


def test_faces_beside_a_fillet_move_by_the_allowance_and_its_arc_becomes_smaller_by_it():
    bars = manifold3d.Manifold.cube((6, 2, 2), True) + manifold3d.Manifold.cube((2, 2, 6), True)
    done, _ = filleted(bars, 0.4)
    larger = allowances.finished_from(done.vertices, done.triangles, 0.15, 1.0)
    assert crossing_pairs(larger, done.triangles) == 0
    assert np.ptp(larger, axis=0) == pytest.approx([6.3, 2.3, 6.3], abs=2e-3)
    # moved out by 0.15 mm, the arc of 0.4 mm is one of 0.25 mm round the same middle
    beside = (np.abs(np.abs(larger[:, [0, 2]]) - 1.2) < 0.1).all(1)
    away = np.linalg.norm(np.abs(larger[beside][:, [0, 2]]) - 1.4, axis=1)
    assert beside.any() and away == pytest.approx(0.25, abs=0.015)


KNOT = Design(
    Grid(3, 2, 8.0, 8.0),
    strand=Strand(3.2, 1.8, Section.HALF_ROUND),
    heights=Heights(Making.FUSED, step=0.7),
)
PLAIN = Design(Grid(2, 2, 8.0, 8.0), strand=Strand(3.2, 1.8), heights=Heights(Making.FUSED, step=0.7))
HALVES = Design(
    Grid(2, 2, 12.0, 12.0),
    divide=Divide(all=True, gap=1.2),
    strand=Strand(5.0, 2.0),
    heights=Heights(Making.FUSED, step=0.7),
)
BAND = Design(
    Strip(1, 2, 3.0, 3.0, 8, surface=Cylinder()),
    strand=Strand(1.6, 1.2),
    heights=Heights(Making.FUSED, step=0.5),
)
PIECES = {
    "plain": (PLAIN, Printing(finishing=0.1)),
    "half round, with tube and eye": (KNOT, Printing(finishing=0.1, bail=Bail(BailKind.TUBE), eye=Eye())),
    "plate, frame and bail": (KNOT, Printing(finishing=0.15, plate=Plate(), frame=Frame(), bail=Bail(), size=30.0)),
    "halves": (HALVES, Printing(finishing=0.15)),
    "halves on a disc": (HALVES, Printing(finishing=0.1, plate=Plate(Outline.DISC), frame=Frame(Outline.DISC))),
    "ring": (BAND, Printing(finishing=0.1, ring=Finger(circumference=30.0))),
}


def far_from_creases(mesh: trimesh.Trimesh, points: np.ndarray) -> np.ndarray:
    """Which points lie farther than 0.3 mm from every edge that turns inward by more than 8 degrees."""
    inward = ~mesh.face_adjacency_convex & (mesh.face_adjacency_angles > math.radians(8))
    ends = mesh.vertices[mesh.face_adjacency_edges[inward]]
    along = np.concatenate([ends[:, :1] * (1 - t) + ends[:, 1:] * t for t in np.linspace(0, 1, 9)]).reshape(-1, 3)
    return cKDTree(along).query(points)[0] > 0.3


@pytest.mark.parametrize("name", PIECES)
def test_no_piece_meets_itself_and_faces_move_by_the_allowance(name):
    design, options = PIECES[name]
    piece = make_piece(design, options)
    assert piece.creases.usual == pytest.approx(options.fillet, rel=0.02)
    if name != "ring":  # whose strands are so narrow that fillets of 0.25 mm run into one another
        assert piece.creases.least > 0.65 * options.fillet
    for finished, model in zip(piece.finished, piece.bodies, strict=True):
        assert pairs_of(finished) == 0 and pairs_of(model) == 0
        before, after = (trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False) for mesh in (finished, model))
        assert after.is_watertight and after.euler_number == before.euler_number
        points, _ = trimesh.sample.sample_surface(before, 1500, seed=1)
        points = points[far_from_creases(before, points)][:300]
        moved = trimesh.proximity.closest_point(after, points)[1]
        assert np.median(moved) == pytest.approx(options.finishing, abs=0.003)
        assert np.percentile(moved, 10) > options.finishing - 0.02
        assert np.percentile(moved, 95) < options.finishing + 0.02
