"""Pieces come to rest as statics has it, hidden bails tip them as little as can be, and limits are the user's."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from manifold3d import CrossSection, Manifold

from knotgeom import command
from knotgeom.design import Breaks, Design, Grid, Heights, Make, Making, Section, Site, Strand
from knotgeom.errors import DesignError
from knotgeom.printing import hanging, profiles
from knotgeom.printing.bodies import arrays_of, contents
from knotgeom.printing.materials import material
from knotgeom.printing.options import Bail, BailKind, Eye, Outline, Plate, Printing
from knotgeom.printing.piece import make_piece
from knotgeom.printing.remedies import check_piece
from knotgeom.reading import write_text

PENDANT = Design(
    Grid(3, 3, 8.0, 8.0, ((0, 0),)),
    Breaks((Site(3, 4),)),
    strand=Strand(3.2, 1.8, Section.HALF_ROUND),
    heights=Heights(Making.FUSED, step=0.7),
)
SILVER = profiles.SHIPPED["lost-wax casting in silver"]


def block(depth: float) -> tuple[CrossSection, Manifold, hanging.Bulk]:
    """A block of 20 x 20 mm: its plan, itself, and what is known of it."""
    plan = CrossSection.square((20.0, 20.0), True)
    solid = Manifold.extrude(plan, depth)
    return plan, solid, hanging.Bulk(0.0, 0.0, depth / 2, 0.0, depth, solid, None)


def fitted(solid: Manifold, fitting: hanging.Fitting) -> Manifold:
    for part in fitting.added:
        solid = solid + part
    for part in fitting.cut:
        solid = solid - part
    return solid


def at_rest(solid: Manifold, x: float) -> float:
    """How far a solid tips when its bore along x lies on a level line, degrees: where its middle comes lowest.

    Of statics alone: a body free to slide has come to rest when its centre of mass is as low as it can be.
    """
    centre = np.asarray(trimesh.Trimesh(*arrays_of(solid), process=False).center_mass)
    # cut across the bore: height and depth in the plane of the cut
    cut = solid.translate((-x, 0.0, 0.0)).rotate((0.0, 90.0, 0.0)).slice(0.0)
    holes = [np.asarray(part, float) for part in cut.to_polygons()]
    bore = max(holes, key=lambda p: -float((p[:, 0] * np.roll(p[:, 1], -1) - np.roll(p[:, 0], -1) * p[:, 1]).sum()))
    height, depth = bore[:, 1] - centre[1], bore[:, 0] - centre[2]
    turn = np.radians(np.linspace(-60, 60, 24001))[:, None]
    drop = (height * np.cos(turn) - depth * np.sin(turn)).max(1)
    return float(np.degrees(turn[drop.argmax(), 0]))


@pytest.mark.parametrize("kind", [BailKind.HIDDEN, BailKind.TUBE])
@pytest.mark.parametrize("depth", [1.5, 3.0, 6.0])
def test_a_piece_rests_where_its_middle_is_lowest(kind, depth):
    plan, solid, bulk = block(depth)
    fitting = hanging.bail(Bail(kind), plan, bulk, 1e-3)
    whole = fitted(solid, fitting)
    found = hanging.hang(fitting.at, contents(*arrays_of(whole))[1])
    assert found.tilted == pytest.approx(at_rest(whole, float(fitting.at[0])), abs=0.3)
    assert abs(found.turned) < 1e-6


def test_behind_a_thick_piece_a_hidden_bail_does_not_tip_it_and_a_chains_end_passes():
    plan, solid, bulk = block(8.0)
    fitting = hanging.bail(Bail(BailKind.HIDDEN), plan, bulk, 1e-3)
    whole = fitted(solid, fitting)
    assert len(whole.decompose()) == 1
    assert abs(hanging.hang(fitting.at, contents(*arrays_of(whole))[1]).tilted) < 1.0
    rod = Manifold.cylinder(60, 2.24, 2.24, 64, True).rotate((0, 90, 0)).translate(tuple(fitting.bore))
    assert (whole ^ rod).volume() < 1e-6
    # nothing of it is seen from the front, and a wall is left all round the bore
    assert float(whole.bounding_box()[5]) == pytest.approx(8.0) and (whole.project() - plan).area() < 1e-6
    front, top = Manifold.cube((60, 60, 1), True).translate((0, 0, 8.5)), Manifold.cube((60, 1, 60), True)
    assert fitting.cut[0].min_gap(front, 8.0) >= Bail().wall - 1e-3
    assert fitting.cut[0].min_gap(top.translate((0, 10.5, 0)), 8.0) >= Bail().wall - 1e-3


def test_a_hidden_bail_tips_a_pendant_far_less_than_a_tube_behind_it_would():
    piece = make_piece(PENDANT, Printing(size=36.0, plate=Plate(), bail=Bail(BailKind.HIDDEN), fillet=0))
    body = piece.finished[0]
    centre = trimesh.Trimesh(body.vertices, body.triangles, process=False).center_mass
    # a round tube that lies wholly behind the plate: its middle is half its bore and its wall behind the back
    back = float(body.vertices[body.vertices[:, 1] < centre[1], 2].min())  # below its middle there is no bail
    behind = math.degrees(math.atan2(centre[2] - (back - 2.25), piece.bore_at[1] - centre[1]))
    assert 0 < piece.hang.tilted < 0.5 * behind
    assert piece.hang.tilted < SILVER.tip_deg.value and abs(piece.hang.turned) < 0.2
    checked = check_piece(piece, SILVER, material("sterling silver"))
    assert "tilt" not in [one.kind for one in checked.findings]
    assert checked.hang.tilted == pytest.approx(piece.hang.tilted, abs=0.05)


def test_what_tips_too_far_is_said_apart_from_what_leans_and_the_remedy_works():
    options = Printing(plate=Plate(Outline.KNOT), bail=Bail(BailKind.HIDDEN, wall=1.4), fillet=0)
    piece = make_piece(PENDANT, options)
    checked = check_piece(piece, SILVER, material("sterling silver"))
    (tip,) = [one for one in checked.findings if one.kind == "tilt"]
    assert tip.value == pytest.approx(piece.hang.tilted, abs=0.05) and tip.value > SILVER.tip_deg.value
    assert "hang" not in [one.kind for one in checked.findings]
    lacking = float(tip.remedy.split("bring the chain ")[1].split(" mm")[0])
    thinner = replace(options, bail=Bail(BailKind.HIDDEN, wall=1.4 - lacking))
    assert 1.4 - lacking > SILVER.bail_wall.value
    assert make_piece(PENDANT, thinner).hang.tilted < SILVER.tip_deg.value + 0.5
    loop = make_piece(PENDANT, replace(options, bail=Bail(BailKind.LOOP)))
    assert abs(loop.hang.tilted) < 1


def test_limits_of_bail_and_eye_are_the_users_own(tmp_path, capsys):
    thin = Printing(bail=Bail(wall=0.7), fillet=0)
    with pytest.raises(DesignError, match=r"bail.wall: a wall of 0.7 mm is thinner than .* at least 0.8 mm"):
        make_piece(PENDANT, thin)
    mine = profiles.from_json({"name": "my caster", "kind": "casting", "bail_wall": {"value": 0.6, "source": "tried"}})
    assert mine.bail_wall == profiles.Limit(0.6, "tried") and mine.eye_wall == SILVER.eye_wall
    assert len(make_piece(PENDANT, thin, limits=mine).bodies) == 1
    with pytest.raises(DesignError, match=r"eye.wall: a wall of 0.7 mm is thinner than my caster allows"):
        make_piece(PENDANT, Printing(eye=Eye(wall=0.7)), limits=mine)
    # and from the command line
    design, limits = tmp_path / "thin.interlace.json", tmp_path / "limits.json"
    design.write_text(write_text(replace(PENDANT, make=Make(print=thin))), encoding="utf-8")
    limits.write_text(json.dumps(profiles.as_json(mine)), encoding="utf-8")
    assert command.main(["print", str(design), "-o", str(tmp_path / "no")]) == 2
    assert "give at least 0.8 mm" in capsys.readouterr().err and not (tmp_path / "no").exists()
    assert command.main(["print", str(design), "-o", str(tmp_path / "out"), "--profile", str(limits)]) == 0
