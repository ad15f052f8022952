"""Walls and gaps are measured as they are on bodies whose walls and gaps are known by construction."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from manifold3d import CrossSection, Manifold

from knotgeom.mesh import Mesh, all_triangles
from knotgeom.printing import across, touching, walls
from knotgeom.printing.touching import Measure
from knotgeom.printing.walls import measure


def least_wall(body) -> Measure:
    return measure(body, kinds=("wall",)).wall


def least_gap(mesh, body=None) -> Measure:
    return measure(mesh, body=body, kinds=("gap",)).gap


def least_clearance(mesh, body) -> Measure:
    return measure(mesh, body=body, kinds=("clearance",)).clearance


def mesh_of(vertices, triangles):
    faces = np.asarray(triangles, np.int32)
    return Mesh(
        np.asarray(vertices, float),
        np.zeros((0, 4), np.int32),
        faces,
        np.zeros((0, 4, 2), np.float32),
        np.zeros((len(faces), 3, 2), np.float32),
        np.zeros(0, np.int32),
        np.zeros(len(faces), np.int32),
    )


def of(body):
    if isinstance(body, Manifold):
        arrays = body.to_mesh64()
        return mesh_of(np.asarray(arrays.vert_properties)[:, :3], np.asarray(arrays.tri_verts).astype(np.int64))
    return mesh_of(body.vertices, body.faces)


def prism(points, height=5.0):
    return CrossSection([points]).extrude(height)


def block(*, less):
    return Manifold.cube((10, 10, 3)) - less


def within(measure, value):
    return abs(measure.value - value) <= measure.error + 1e-9


def wedge(degrees, blunt=0.0):
    rise = 8 * math.tan(math.radians(degrees / 2))
    return prism([(0, -blunt / 2), (8, -blunt / 2 - rise), (8, blunt / 2 + rise), (0, blunt / 2)][0 if blunt else 0 :])


def tip(degrees):
    rise = 8 * math.tan(math.radians(degrees / 2))
    return prism([(0, 0), (8, -rise), (8, rise)])


class TestWalls:
    def test_plate_is_as_thick_as_it_is(self):
        assert within(least_wall(of(trimesh.creation.box((10, 8, 1.3)))), 1.3)

    def test_wall_between_nested_cylinders(self):
        tube = of(trimesh.creation.annulus(3, 4, 6, sections=256))
        assert within(least_wall(tube), 1.0)

    def test_wall_of_a_shell_between_spheres_set_off_centre(self):
        shell = Manifold.sphere(5, 128) - Manifold.sphere(4, 128).translate((0.4, 0, 0))
        wall = least_wall(of(shell))
        assert within(wall, 0.6)
        assert wall.at[0] == pytest.approx(4.7, abs=0.1)

    def test_sphere_and_ring_of_wire(self):
        assert within(least_wall(of(trimesh.creation.icosphere(3, radius=2.0))), 4.0)
        assert within(least_wall(of(trimesh.creation.torus(5, 0.7, 96, 48))), 1.4)

    @pytest.mark.parametrize("degrees", [10, 20, 28])
    def test_blunt_wedge_is_thinnest_at_its_blunt_edge(self, degrees):
        # the ball that touches both flanks where they end: closed form
        wall = least_wall(of(wedge(degrees, 0.8)))
        assert within(wall, 0.8 / math.cos(math.radians(degrees / 2)))
        assert wall.at[0] == pytest.approx(0, abs=0.1)

    def test_knife_edge_is_a_wall_of_nothing_and_a_blunter_edge_is_none(self):
        assert least_wall(of(tip(20))).value < 0.01
        assert least_wall(of(tip(40))).value == pytest.approx(5.0, abs=0.01)  # the prism's height

    def test_thin_place_is_found_and_where_it_is(self):
        dent = Manifold.cylinder(9, 0.5, 0.5, 64).translate((7, 3, 0.6))
        wall = least_wall(of(block(less=dent)))
        assert within(wall, 0.6)
        assert math.dist(wall.at[:2], (7, 3)) < 0.5

    def test_what_is_left_under_an_incised_line(self):
        line = prism([(4.6, 3.1), (5.0, 2.3), (5.4, 3.1)]).rotate((90, 0, 0)).translate((0, 7.5, 0))
        wall = least_wall(of(block(less=line)))
        assert within(wall, 2.3)
        assert wall.at[0] == pytest.approx(5.0, abs=0.02)

    def test_ends_are_on_both_sides_of_the_wall(self):
        wall = least_wall(of(trimesh.creation.box((10, 8, 1.3))))
        assert math.dist(*wall.ends) == pytest.approx(wall.value, abs=1e-6)

    def test_thickness_grows_with_the_body(self):
        body = Manifold.cube((10, 8, 1.3))
        for scale in (0.001, 1.0, 1e6):
            assert least_wall(of(body.scale((scale,) * 3))).value == pytest.approx(1.3 * scale, rel=0.01)


class TestGaps:
    def test_gap_between_parallel_plates_and_their_wall(self):
        plates = Manifold.cube((10, 10, 1)) + Manifold.cube((10, 10, 1)).translate((0, 0, 1.35))
        found = measure(of(plates))
        assert within(found.wall, 1.0)
        assert within(found.gap, 0.35)

    def test_gap_between_nested_cylinders(self):
        tube = Manifold.cylinder(6, 4, 4, 256) - Manifold.cylinder(6, 3, 3, 256)
        rod = Manifold.cylinder(6, 2.5, 2.5, 256)
        assert within(least_gap(of(tube + rod)), 0.5)

    def test_hole_and_slit_are_as_wide_as_they_are(self):
        hole = Manifold.cylinder(9, 0.75, 0.75, 128).translate((5, 5, -3))
        slit = Manifold.cube((0.3, 5, 9)).translate((5, 2.5, -3))
        assert within(least_gap(of(block(less=hole))), 1.5)
        assert within(least_gap(of(block(less=slit))), 0.3)

    def test_neck_of_an_opening_is_found_and_its_corners_are_not(self):
        corner = prism([(5, 2), (8, 8), (2, 8)], 9).translate((0, 0, -3))  # 53 degrees at its sharpest
        assert least_gap(of(block(less=corner))).value == math.inf
        waist = prism([(3, 2), (7, 2), (5.3, 4.5), (5.3, 5.5), (7, 8), (3, 8), (4.7, 5.5), (4.7, 4.5)], 9)
        assert within(least_gap(of(block(less=waist.translate((0, 0, -3))))), 0.6)

    def test_crotch_that_narrows_to_nothing_is_no_gap_but_a_slit_behind_it_is(self):
        # two discs that touch leave cusps; a slit of 0.4 that ends in a long point
        cusp = Manifold.cylinder(3, 4, 4, 256) + Manifold.cylinder(3, 4, 4, 256).translate((7.9, 0, 0))
        assert least_gap(of(cusp)).value == math.inf
        pointed = prism([(5, 2), (5.2, 3), (5.2, 8), (4.8, 8), (4.8, 3)], 9).translate((0, 0, -3))
        assert least_gap(of(block(less=pointed))).value == pytest.approx(0.4, abs=0.02)

    def test_clearance_between_two_bodies_is_no_gap_of_either(self):
        balls = [trimesh.creation.icosphere(4, radius=2.0), trimesh.creation.icosphere(4, radius=2.0)]
        balls[1].apply_translation((4.3, 0, 0))
        both = of(trimesh.util.concatenate(balls))
        body = np.repeat([0, 1], len(all_triangles(both)) // 2)
        assert within(least_clearance(both, body), 0.3)
        assert least_gap(both, body=body).value == math.inf


class TestLooking:
    @pytest.mark.parametrize(
        ("module", "limit", "lowered"), [(walls, "TRIES", 1), (touching, "SHRINKS", 1), (across, "MOST_CELLS", 0)]
    )
    def test_between_level_faces_the_first_look_is_enough_and_no_table_is_needed(
        self, monkeypatch, module, limit, lowered
    ):
        plates = of(Manifold.cube((10, 10, 1)) + Manifold.cube((10, 10, 1)).translate((0, 0, 1.35)))
        usual = measure(plates)
        monkeypatch.setattr(module, limit, lowered)
        found = measure(plates)
        assert within(found.wall, 1.0) and within(found.gap, 0.35)
        assert found.wall.value == pytest.approx(usual.wall.value) and found.gap.value == pytest.approx(usual.gap.value)

    @pytest.mark.parametrize("degrees", [5, 10, 20, 40])
    def test_a_knife_edge_over_a_plate_is_as_far_off_as_it_is(self, degrees):
        plate = Manifold.cube((12, 12, 1), True)
        blade = tip(degrees).translate((0, 0, -2.5)).rotate((0, -90, 0)).translate((0.1, 0.2, 0.5 + 0.3))
        both = of(plate + blade)
        body = np.repeat([0, 1], [plate.num_tri(), blade.num_tri()])
        assert plate.min_gap(blade, 1.0) == pytest.approx(0.3)
        assert within(least_clearance(both, body), 0.3)

    def test_edges_that_cross_in_the_air_are_never_found_nearer_than_they_are(self):
        one = tip(10).translate((0, 0, -2.5))
        other = one.rotate((0, 0, 180)).rotate((90, 0, 0)).translate((-0.3, 0, 0))
        both = of(one + other)
        body = np.repeat([0, 1], [one.num_tri(), other.num_tri()])
        assert least_clearance(both, body).value >= one.min_gap(other, 1.0) == pytest.approx(0.3)
        assert least_wall(both).value < 0.01  # knife edges


class TestSecondOpinion:
    def test_rays_of_another_code_find_no_thinner_place(self):
        # trimesh.proximity.thickness: rays straight across, from 400 places
        body = of(Manifold.revolve(CrossSection([[(4, 0), (5.2, 0), (5.0, 4), (4.3, 4)]]), 128))
        wall = least_wall(body)
        other = trimesh.Trimesh(body.vertices, body.triangles, process=False)
        point, face = trimesh.sample.sample_surface(other, 400, seed=1)
        side = (np.abs(other.face_normals[face][:, 2]) < 0.5) & (point[:, 2] > 0.3) & (point[:, 2] < 3.7)
        rays = trimesh.proximity.thickness(
            other, point[side], normals=other.face_normals[face[side]], method="ray", exterior=False
        )
        assert wall.value <= rays.min() + wall.error
        assert wall.value == pytest.approx(rays.min(), abs=0.08)
