"""A piece is measured, weighed and judged by a process's limits, and what would mend it does."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from manifold3d import CrossSection, Manifold

from knotgeom.command import main
from knotgeom.design import Design, Divide, Grid, Heights, Make, Making, Section, Strand
from knotgeom.errors import DesignError
from knotgeom.findings import Change
from knotgeom.mesh import Mesh
from knotgeom.printing import profiles, remedies
from knotgeom.printing.bodies import solid_of
from knotgeom.printing.checks import as_json, check_bodies
from knotgeom.printing.materials import MATERIALS
from knotgeom.printing.measures import hanging, incised, overhang, shells
from knotgeom.printing.options import Printing
from knotgeom.printing.piece import make_piece
from knotgeom.printing.remedies import check_design, check_piece
from knotgeom.printing.surface import surface_of
from knotgeom.reading import write_text
from knotgeom.remedies import applied

SILVER = profiles.SHIPPED["lost-wax casting in silver"]
RESIN = profiles.SHIPPED["resin print"]
STERLING = MATERIALS["sterling silver"]


def mesh_of(body):
    if isinstance(body, Manifold):
        arrays = body.to_mesh64()
        body = trimesh.Trimesh(np.asarray(arrays.vert_properties)[:, :3], np.asarray(arrays.tri_verts), process=False)
    faces = np.asarray(body.faces, np.int32)
    return Mesh(
        np.asarray(body.vertices, float),
        np.zeros((0, 4), np.int32),
        faces,
        np.zeros((0, 4, 2), np.float32),
        np.zeros((len(faces), 3, 2), np.float32),
        np.zeros(0, np.int32),
        np.zeros(len(faces), np.int32),
    )


def kinds(checked):
    return [finding.kind for finding in checked.findings]


class TestMeasures:
    def test_half_round_ring_weighs_what_pappus_says(self):
        # Pappus: area of the half disc times the way of its centroid, 4 r / (3 pi) from the flat side
        inner, r = 8.0, 1.5
        half = CrossSection.circle(r, 256) ^ CrossSection.square((r, 2 * r)).translate((0, -r))
        ring = Manifold.revolve(half.translate((inner, 0)), 512)
        volume = math.pi * r**2 / 2 * 2 * math.pi * (inner + 4 * r / (3 * math.pi))
        checked = check_bodies([mesh_of(ring)], SILVER, STERLING)
        assert checked.volume_mm3 == pytest.approx(volume, rel=1e-3)
        assert checked.mass_g == pytest.approx(volume / 1000 * 10.36, rel=1e-3)
        assert checked.centre == pytest.approx((0, 0, 0), abs=1e-6)
        assert checked.passed

    def test_centre_of_mass_of_a_cone_and_its_hang(self):
        # a cone's centre of mass stands a quarter of its height above its base
        cone = Manifold.cylinder(8, 3, 0, 256).rotate((-90, 0, 0))  # its tip up along y
        checked = check_bodies([mesh_of(cone)], SILVER, STERLING, hang_at=(0, 8, 0))
        assert checked.centre == pytest.approx((0, 2, 0), abs=1e-3)
        assert checked.hang.off == pytest.approx(0, abs=1e-3)
        beside = check_bodies([mesh_of(cone)], SILVER, STERLING, hang_at=(1, 8, 0))
        assert beside.hang.off == pytest.approx(math.degrees(math.atan2(1, 6)), abs=0.01)
        assert "hang" in kinds(beside)

    def test_hanging_is_told_by_side_and_front(self):
        found = hanging((0, 10, 0), (3, 7, -3))
        assert (found.turned, found.tilted) == pytest.approx((45, -45))

    @pytest.mark.parametrize("degrees", [30, 45, 60])
    def test_overhang_of_a_sphere_is_a_cap(self, degrees):
        # area of a cap: 2 pi r^2 (1 - cos of the angle at the centre)
        ball = surface_of(mesh_of(trimesh.creation.icosphere(6, radius=2.0)))
        area, at = overhang(ball, degrees)
        assert area == pytest.approx(2 * math.pi * 4 * (1 - math.cos(math.radians(degrees))), rel=0.02)
        assert at[:2] == pytest.approx((0, 0), abs=0.05)

    def test_what_rests_on_the_plate_needs_no_support_and_turned_over_it_does(self):
        table = Manifold.cube((10, 10, 1)).translate((0, 0, 4)) + Manifold.cube((2, 2, 4)).translate((4, 4, 0))
        on = surface_of(mesh_of(table))
        assert overhang(on, 45)[0] == pytest.approx(100 - 4)
        assert overhang(on, 45, (0, 0, -1))[0] == 0

    def test_incised_line_is_measured_across(self):
        line = CrossSection([[(4.6, 3.3), (5, 2.5), (5.4, 3.3)]]).extrude(12).rotate((90, 0, 0)).translate((0, 11, 0))
        found = incised(surface_of(mesh_of(Manifold.cube((10, 10, 3)) - line)), 1.5)
        assert found.depth.value == pytest.approx(0.5)
        assert found.width.value == pytest.approx(0.5)
        assert found.length == pytest.approx(10)

    def test_hollows_have_a_volume_below_nothing(self):
        hollow = Manifold.cube((10, 10, 10)) - Manifold.cube((2, 3, 4)).translate((4, 4, 4))
        found, _ = shells(surface_of(mesh_of(hollow)))
        assert sorted(shell.volume for shell in found) == pytest.approx([-24, 1000])


class TestJudging:
    def test_thin_wall_narrow_slit_and_closed_hollow_are_found_where_they_are(self):
        body = Manifold.cube((20, 12, 4))
        body -= Manifold.cube((0.4, 6, 9)).translate((4, 3, -1))
        body -= Manifold.cube((3, 3, 3)).translate((9, 4, -0.6 + 0.0))
        body -= Manifold.cube((2, 2, 1)).translate((15, 5, 1.5))
        checked = check_bodies([mesh_of(body)], RESIN, STERLING)
        assert kinds(checked) == ["overhang", "trapped"]
        checked = check_bodies([mesh_of(body)], SILVER, STERLING)
        assert kinds(checked) == ["gap", "trapped"]
        gap, hollow = checked.findings
        assert (gap.value, gap.limit) == pytest.approx((0.4, 0.8), abs=0.01)
        assert gap.spot[0] == pytest.approx(4.2, abs=0.05)
        assert hollow.value == pytest.approx(4)
        assert hollow.spot == pytest.approx((16, 6, 2))

    def test_more_bodies_than_the_map_has_would_fall_apart(self):
        two = [mesh_of(Manifold.cube((4, 4, 4))), mesh_of(Manifold.cube((4, 4, 4)).translate((4.2, 0, 0)))]
        checked = check_bodies(two, SILVER, STERLING, expected=1)
        assert checked.clearance.value == pytest.approx(0.2, abs=0.01)
        assert kinds(checked) == ["clearance", "bodies"]
        assert check_bodies(two[:1], SILVER, STERLING, expected=1).passed


class TestProfiles:
    def test_every_number_says_where_it_comes_from(self):
        for profile in profiles.SHIPPED.values():
            for key in profiles.LIMITS:
                assert getattr(profile, key).source

    def test_file_of_limits_is_read_back_as_written(self, tmp_path):
        for number, profile in enumerate(profiles.SHIPPED.values()):
            path = tmp_path / f"{number}.json"
            path.write_text(json.dumps(profiles.as_json(profile)))
            assert profiles.read_profile(str(path)) == profile

    def test_own_limit_takes_the_place_of_one_shipped(self):
        mine = profiles.from_json({"like": "filament", "kind": "printing", "name": "mine", "wall": 1.6, "gap": None})
        assert (mine.wall.value, mine.gap.value) == (1.6, None)
        assert mine.overhang_deg == profiles.SHIPPED["filament"].overhang_deg

    @pytest.mark.parametrize(
        ("found", "place"),
        [
            ({"walls": 1}, ""),
            ({"wall": -1}, "wall"),
            ({"wall": {"value": "thick"}}, "wall.value"),
            ({"wall": {"source": "me"}}, "wall"),
            ({"kind": "forging"}, "kind"),
            ({"like": "clay"}, "profile"),
            ([1], ""),
        ],
    )
    def test_what_is_no_limit_is_refused_by_its_place(self, found, place):
        with pytest.raises(DesignError) as refused:
            profiles.from_json(found)
        assert refused.value.place == place


PLAIN = Printing(fillet=0, rounding=0)
HALVES = Design(
    Grid(2, 2, 12.0, 12.0),
    divide=Divide(all=True, gap=1.2),
    strand=Strand(5.0, 2.0),
    heights=Heights(Making.FUSED, step=0.7),
)


@pytest.fixture(scope="module")
def halves():
    return make_piece(HALVES, PLAIN)


class TestLimitsAsText:
    @pytest.mark.parametrize(
        ("text", "place", "problem"),
        [
            ('{"wall": 1, "wall": 2}', "", 'the key "wall" stands here more than once'),
            ('{"wall": {"value": 1, "value": 2}}', "wall", 'the key "value" stands here more than once'),
            ('{"wall": {"value": 1, "origin": "me"}}', "wall", 'there is no key "origin"'),
            ('{"wall": {"value": 1, "source": 3}}', "wall.source", "found 3"),
            ('{"name": 3}', "name", "found 3"),
        ],
    )
    def test_a_file_of_limits_is_refused_in_one_line_that_names_file_and_place(self, tmp_path, text, place, problem):
        path = tmp_path / "mine.json"
        path.write_text(text)
        with pytest.raises(DesignError, match=problem) as refused:
            profiles.read_profile(str(path))
        assert refused.value.place == place and refused.value.file == str(path) and "\n" not in str(refused.value)

    def test_limits_of_the_other_kind_of_process_are_refused(self, tmp_path):
        path = tmp_path / "mine.json"
        path.write_text('{"kind": "printing", "name": "my printer", "wall": 0.7}')
        assert profiles.named(str(path), "printing").wall.value == 0.7
        with pytest.raises(DesignError, match='"my printer" is for printing') as refused:
            profiles.named(str(path), "casting")
        assert refused.value.place == "profile"


def plait(thickness, way=Making.FUSED, section=Section.FLAT, step=0.6):
    return Design(Grid(2, 2, 10.0, 10.0), strand=Strand(4.0, thickness, section), heights=Heights(way=way, step=step))


class TestDesigns:
    def test_thin_strands_are_mended_by_the_thickness_that_is_told(self):
        thin = plait(0.6)
        checked = check_design(thin, SILVER, STERLING)
        wall = next(finding for finding in checked.findings if finding.kind == "wall")
        change = next(change for change in wall.changes if change.key == "strand.thickness")
        assert f"{change.value:.4g} mm" in wall.remedy
        assert "wall" not in kinds(check_design(applied(thin, change), SILVER, STERLING, tried=0))

    def test_low_step_is_found_and_mended(self):
        checked = check_design(plait(1.8, step=0.2), SILVER, STERLING)
        step = next(finding for finding in checked.findings if finding.kind == "step")
        assert [(change.key, change.value) for change in step.changes] == [("heights.step", 0.5)]

    def test_clearance_of_free_strands_is_that_between_the_solids_and_no_less_than_set(self):
        """Beside manifold3d's least distance of two solids; facets of coarse strands stand farther apart than set."""
        checked = check_design(plait(1.6, Making.FREE), RESIN, STERLING, tried=0)
        one, other = (solid_of(body.vertices, body.triangles) for body in make_piece(plait(1.6, Making.FREE)).finished)
        assert checked.clearance.value == pytest.approx(one.min_gap(other, 1.0), abs=2e-3)
        assert 0.2 < checked.clearance.value < 0.35

    @pytest.mark.parametrize(
        ("limits", "offered"),
        [
            # halves 1.2 mm apart, each 1.53 mm at its thinnest: parted farther as long as that leaves them a width
            ({"gap": 1.6}, {"divide.gap", "strand.width"}),
            ({"gap": 3.9}, {"divide.gap", "strand.width"}),
            ({"gap": 4.5}, {"strand.width"}),
            ({"gap": 9.0}, set()),
            ({"wall": 1.7}, {"strand.thickness", "strand.width", "divide.gap"}),
            ({"wall": 2.5}, {"strand.thickness", "strand.width"}),
        ],
    )
    def test_what_is_offered_for_halves_leaves_them_room(self, halves, limits, offered):
        profile = replace(SILVER, **{key: profiles.Limit(value) for key, value in limits.items()})
        (kind,) = limits
        (finding,) = [one for one in check_piece(halves, profile, STERLING).findings if one.kind == kind]
        assert {change.key for change in finding.changes} == offered

    def test_a_strand_whose_mass_is_set_is_not_offered_another_thickness(self):
        for mass, offered in ((None, True), (2.0, False)):
            design = replace(plait(1.0), make=Make(print=Printing(mass_g=mass, fillet=0, rounding=0)))
            wall = replace(SILVER, wall=profiles.Limit(9.0))
            (finding,) = [one for one in check_piece(make_piece(design), wall, STERLING).findings if one.kind == "wall"]
            assert ("strand.thickness" in {change.key for change in finding.changes}) == offered

    def test_more_clearance_is_offered_where_there_is_too_little_and_does(self):
        design = replace(plait(1.6, Making.FREE), make=Make(print=PLAIN))
        limits = replace(RESIN, clearance=profiles.Limit(0.5))
        (finding,) = [one for one in check_design(design, limits, STERLING).findings if one.kind == "clearance"]
        (change,) = [change for change in finding.changes if change.key == "heights.clearance"]
        assert change.value > design.heights.clearance
        assert "clearance" not in kinds(check_design(applied(design, change), limits, STERLING, tried=0))

    @pytest.mark.parametrize(
        ("limits", "gap"),
        [
            ({"wall": 1.86}, 0.53),  # halves are thick enough then, but lie nearer to each other than can be cast
            ({"wall": 1.99, "gap": 0.1}, 0.27),  # not thick enough yet, and hardly any gap is left to take from
        ],
    )
    def test_a_change_that_brings_something_else_or_cannot_go_on_is_not_offered(self, halves, limits, gap):
        profile = replace(SILVER, **{key: profiles.Limit(value) for key, value in limits.items()})
        change = Change("divide.gap", gap)
        assert remedies._tried(HALVES, halves, "wall", change, profile, STERLING, {"wall"}) is None
        after = kinds(check_piece(make_piece(applied(HALVES, change), PLAIN), profile, STERLING))
        assert ("gap" in after) == ("gap" not in limits) and ("wall" in after) == ("gap" in limits)

    def test_what_two_findings_ask_for_is_tried_once(self, monkeypatch):
        design = replace(plait(2.0, section=Section.MEDIAN_INCISED), make=Make(print=PLAIN))
        limits = replace(SILVER, groove_depth=profiles.Limit(0.9), groove_width=profiles.Limit(0.9))
        tried = []
        monkeypatch.setattr(remedies, "_tried", lambda *given: tried.append(given[3]) or given[3])
        lines = [one for one in check_design(design, limits, STERLING).findings if one.kind == "line"]
        assert len(lines) == 2 and len(tried) == 1 and lines[0].changes == lines[1].changes == tuple(tried)
        assert tried[0].key == "strand.groove.depth"

    def test_command_prints_one_object_and_says_pass_or_fail(self, tmp_path, capsys):
        path = tmp_path / "plait.interlace.json"
        path.write_text(write_text(plait(1.8)))
        limits = tmp_path / "mine.json"
        limits.write_text('{"kind": "casting", "wall": 0.1, "gap": 0.1, "step": 0.1}')
        assert main(["check", str(path), "--for", "casting", "--profile", str(limits)]) == 0
        found = json.loads(capsys.readouterr().out)
        assert found["result"] == "pass", found["findings"]
        assert found["mass_g"] == pytest.approx(found["volume_mm3"] * 10.36 / 1000, rel=1e-4)
        limits.write_text('{"kind": "casting", "wall": 9}')
        assert main(["check", str(path), "--for", "casting", "--profile", str(limits)]) == 0
        found = json.loads(capsys.readouterr().out)
        assert found["result"] == "fail"
        assert found["findings"][0]["kind"] == "wall"

    @pytest.mark.parametrize(
        "arguments", [["--for", "casting", "--profile", "clay"], ["--for", "printing", "--material", "cheese"], []]
    )
    def test_command_refuses_in_one_line(self, tmp_path, capsys, arguments):
        path = tmp_path / "plait.interlace.json"
        path.write_text(write_text(plait(1.8)))
        assert main(["check", str(path), *arguments]) == 2
        said = capsys.readouterr()
        assert said.out == ""
        assert said.err.count("\n") == 1

    def test_report_is_json_without_infinities(self):
        json.dumps(as_json(check_bodies([mesh_of(Manifold.cube((9, 9, 2)))], SILVER, STERLING)), allow_nan=False)
