"""What the overlays show, without a window to show it in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from blender_addon import overlay_lines
from knotgeom import editing
from knotgeom.design import Breaks, Design, Divide, Grid, Pass, Site, Way, Weave
from knotgeom.made import make

PLAIN = Design(Grid(4, 3, 10.0, 8.0))
HOLED = Design(Grid(3, 3, 10.0, 10.0, without=((1, 1),)))
BROKEN = replace(PLAIN, breaks=Breaks(horizontal=(Site(3, 2),), vertical=(Site(4, 3), Site(5, 4))))


def lengths(pieces):
    """How long each piece of line is."""
    return np.hypot(*(pieces[:, 1] - pieces[:, 0]).T)


def test_the_border_goes_once_round_the_layout_and_round_its_holes():
    border, within = overlay_lines.layout_lines(PLAIN)
    assert lengths(border).sum() == pytest.approx(2 * (40 + 24))
    assert lengths(within).sum() == pytest.approx(3 * 24 + 2 * 40)
    border, within = overlay_lines.layout_lines(HOLED)
    assert lengths(border).sum() == pytest.approx(120 + 40) and len(within) == 12 - 4


def test_every_site_has_a_mark_or_a_wall():
    marks, walls = overlay_lines.site_marks(BROKEN), overlay_lines.walls(BROKEN, overlay_lines.breaks_of(BROKEN))
    assert len(marks) / 2 + len(walls) == len(list(editing.sites(BROKEN.layout)))
    assert len(walls) == 3
    level = np.isclose(walls[:, 0, 1], walls[:, 1, 1])
    assert sorted(walls[level].mean(1).tolist()) == [[15.0, 8.0]]
    assert sorted(walls[~level].mean(1).tolist()) == [[20.0, 12.0], [25.0, 16.0]]


@pytest.mark.parametrize("design", [PLAIN, HOLED, BROKEN])
def test_the_pieces_through_all_crossings_make_up_the_circuits(design):
    plan = overlay_lines.plan(design)
    around = sum(lengths(overlay_lines.chain(line, closed=True)).sum() for line in plan.circuits)
    pieces = sum(lengths(overlay_lines.chain(piece)).sum() for piece in plan.pieces.values())
    assert pieces == pytest.approx(around, rel=1e-6)
    broken = overlay_lines.breaks_of(design)
    for site in editing.sites(design.layout):
        for way in Way:
            at = Pass(*site, way)
            assert (at in plan.pieces) == (site not in broken)
            if site not in broken:
                away = np.hypot(*(plan.pieces[at] - editing.position(design, site)).T)
                assert away.min() < 0.4, "the strand runs through its crossing"
                assert plan.circuit_of[at] == plan.circuit_of[next(iter(editing.same_circuit(design, at)))]


@pytest.mark.parametrize("dash", [dash for dash in overlay_lines.DASHES if dash])
def test_dashes_leave_their_share_of_a_closed_line_open(dash):
    (line, *_) = overlay_lines.plan(BROKEN).circuits
    around = lengths(overlay_lines.chain(line, closed=True)).sum()
    shown = lengths(overlay_lines.dashed(line, dash, 8.0)).sum()
    assert shown / around == pytest.approx(sum(dash[0::2]) / sum(dash), rel=1e-6)


def test_no_two_of_28_circuits_look_alike_and_neighbours_differ_in_shade_and_dash():
    looks = [overlay_lines.look_of(number) for number in range(28)]
    assert len(set(looks)) == 28
    assert all(a[0] != b[0] and a[1] != b[1] for a, b in zip(looks, looks[1:], strict=False))


def simulated(shade, kind):
    """A shade as a person without one kind of cone sees it (F. Vienot, H. Brettel and J. Mollon, 1999)."""
    to_lms = np.array([[17.8824, 43.5161, 4.11935], [3.45565, 27.1554, 3.86714], [0.0299566, 0.184309, 1.46709]])
    lms = to_lms @ np.power(shade, 2.2)
    if kind == "protan":
        lms[0] = 2.02344 * lms[1] - 2.52581 * lms[2]
    else:
        lms[1] = 0.494207 * lms[0] + 1.24827 * lms[2]
    return np.power(np.clip(np.linalg.inv(to_lms) @ lms, 0, 1), 1 / 2.2)


@pytest.mark.parametrize("kind", ["protan", "deutan"])
def test_circuits_of_one_dash_stay_apart_without_red_or_green(kind):
    looks = [overlay_lines.look_of(number) for number in range(12)]
    for a in range(12):
        for b in range(a):
            if looks[a][1] == looks[b][1]:
                apart = np.abs(simulated(looks[a][0], kind) - simulated(looks[b][0], kind)).max()
                assert apart > 0.12, (a, b)


def test_forks_and_exceptions_are_shown_where_the_strands_run():
    design = replace(PLAIN, divide=Divide(passes=(Pass(3, 2, Way.RISING), Pass(4, 3, Way.RISING))))
    made = make(design, fine=False)
    plan = overlay_lines.plan(design)
    assert len(plan.forks) == made.facts["forks"] > 0
    places = overlay_lines.exception_places(design, made.facts)
    assert len(places) == made.facts["exceptions"] + made.facts["fork_exceptions"] > 0
    line = np.concatenate(plan.circuits)
    for place in [*plan.forks, *places]:
        assert np.hypot(*(line - place).T).min() < 2.5


def test_wishes_show_rails_along_the_strand_and_dashed_ones_where_they_are_not_kept():
    wishes = (Pass(3, 2, Way.RISING), Pass(5, 2, Way.FALLING))
    design = replace(PLAIN, weave=Weave(prefer=wishes))
    kept, dropped = overlay_lines.wish_marks(design, unmet=wishes[1:])
    assert len(kept) == 2 and len(dropped) > 2
    along = kept[:, 1] - kept[:, 0]
    assert (along[:, 0] * along[:, 1] > 0).all(), "a rising strand has rising rails"
    assert kept.mean(1).mean(0) == pytest.approx((15.0, 8.0), abs=0.3), "one on either side of its crossing"


def test_cells_are_marked_within_their_own_lines():
    marks = overlay_lines.cell_marks(PLAIN, [(1, 2)])
    assert len(marks) == 4 and (marks > (10.0, 16.0)).all() and (marks < (20.0, 24.0)).all()


def test_marks_of_each_kind_have_a_shape_of_their_own():
    shapes = [overlay_lines.polygon_marks([(1.0, 2.0)], 1.0, corners) for corners in (3, 4, 24)]
    assert [len(shape) for shape in shapes] == [3, 4, 24]
    for shape in shapes:
        assert np.hypot(*(shape.reshape(-1, 2) - (1.0, 2.0)).T) == pytest.approx(1.0)


def test_findings_without_a_place_are_not_shown():
    found = [{"kind": "slope", "at": [3.0, 4.0]}, {"kind": "depth", "at": None}]
    kinds, places = overlay_lines.finding_places(found)
    assert kinds == ["slope"] and places.tolist() == [[3.0, 4.0]]


def test_higher_is_lighter():
    colours, low, high = overlay_lines.height_colours([0.0, 0.4, 1.0, 2.0])
    assert (low, high) == (0.0, 2.0)
    lightness = colours[:, :3] @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(lightness) > 0).all()
    flat, *_ = overlay_lines.height_colours([1.0, 1.0])
    assert (flat[0] == flat[1]).all()
