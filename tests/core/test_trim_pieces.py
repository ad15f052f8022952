"""What a kit's pieces are woven of, and where a strip can be cut: breaks, wishes, forks and widths of its design."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from knotgeom.design import Breaks, CircuitStyle, Divide, Pass, Rejoin, Rim, Site, Strand, Strip, Way, Weave
from knotgeom.errors import DesignError
from knotgeom.layout import lay_out
from knotgeom.trace import trace
from knotgeom.trims import parts
from knotgeom.trims.build import make_kit
from knotgeom.trims.cutting import cut_piece, seam_rings
from knotgeom.trims.options import Part
from knotgeom.trims.pattern import divides, one_repeat, pattern_of
from knotgeom.trims.straights import best_phase, cut_straight, swept
from tests.core.test_trim_parts import PLAIN, crossings

R, F = Way.RISING, Way.FALLING
BENT_BACK = replace(PLAIN, layout=Strip(2, 2, 40.0, 40.0), breaks=Breaks(vertical=(Site(2, 1), Site(2, 3))))
"""No strand gets past the middle of a repeat."""
LONG = replace(
    PLAIN,
    layout=Strip(3, 2, 64.0, 40.0),
    strand=Strand(10.0, 5.0),
    divide=Divide(passes=(Pass(2, 1, R), Pass(3, 2, R)), gap=3.0),
)
"""Cells longer than high: a strand divides in the middle between two crossings, where the strip could be cut."""


def cut_at(design, phase):
    """The straight piece of a design, cut where it is told to be."""
    return cut_straight(pattern_of(one_repeat(design), phase))


def test_where_no_strand_passes_a_strip_is_not_cut():
    for phase in (1.5, 2.5, 5.5, 6.5):
        with pytest.raises(DesignError, match="no strand goes along the strip"):
            cut_at(BENT_BACK, phase)
    assert best_phase(one_repeat(BENT_BACK)) in (0.5, 3.5, 4.5, 7.5)


def test_a_fork_lies_whole_on_one_side_of_a_seam():
    """Where its trunk ends before the seam and its halves begin behind it, a strip is not cut, nor another piece."""
    filled = one_repeat(LONG)
    refused = []
    for phase in np.arange(6) + 0.5:
        try:
            patches = cut_straight(pattern_of(filled, phase))
        except DesignError as error:
            refused.append((phase, error.problem))
            continue
        for fork in patches.forks:
            places = [patches.runs[run].points[-end].mean(0) for run, end in (fork.trunk, fork.left, fork.right)]
            assert np.ptp(places, axis=0).max() < 10.0
    assert refused == [(3.5, "a strand divides just at the seam")]
    pattern = pattern_of(filled, 3.5)
    for plan in (parts.cap_ahead(pattern), parts.cap_behind(pattern)):
        found = swept(plan)
        with pytest.raises(DesignError, match="divides just at the seam"):
            cut_piece(plan, found.strands, found.partings, pattern.reach, 10.0, {"run": {}})


def test_a_piece_with_other_strands_than_its_seam_is_refused():
    pattern = pattern_of(one_repeat(PLAIN), 0.5)
    plan = parts.cap_ahead(pattern)
    found, rings = swept(plan), seam_rings(cut_straight(pattern))
    del rings[0]
    with pytest.raises(DesignError, match="do not go on through cap-ahead"):
        cut_piece(plan, found.strands, found.partings, pattern.reach, 16.0, {"run": rings})


def test_strands_lie_over_where_it_is_wished_in_every_piece():
    """A wish for the other strand at one crossing turns over every crossing that an alternating weave has."""
    told = {}
    for way in (R, F):
        pattern = pattern_of(one_repeat(replace(PLAIN, weave=Weave(prefer=(Pass(3, 2, way),)))), 0.5)
        straight = cut_straight(pattern)
        for plan in (parts.cap_ahead(pattern), parts.corner(pattern, 90.0)):
            found = swept(plan)
            assert found.made.counted.weaving.exceptions == 0
            patches, moved = cut_piece(
                plan, found.strands, found.partings, pattern.reach, 16.0, {"run": seam_rings(straight)}
            )
            assert moved < 0.02 * 16.0, "as the straight piece has it"
            told[way, plan.name] = crossings(patches)
    for name in ("cap-ahead", "corner-inner-090"):
        assert told[R, name].keys() == told[F, name].keys()
        for port, order in told[R, name].items():
            assert len(order) > 3
            assert [not over for over in order] == told[F, name][port]


def visits(plan):
    """All passes of a piece's strands, round each circuit: (edge, pass index)."""
    circuits = trace(lay_out(plan.design.layout, plan.design.breaks))
    both = list(zip(circuits.visit_edge.tolist(), circuits.visit_pass.tolist(), strict=True))
    return [both[a:b] for a, b in zip(circuits.visit_start[:-1], circuits.visit_start[1:], strict=True)]


def divided_of(plan):
    """The passes of a piece that are divided."""
    return {(one.x, 1 if one.way is R else 0) for one in plan.design.divide.passes}


EVERY = tuple(Pass(x, y, way) for x in range(6) for y in (1, 2, 3) if (x + y) % 2 for way in (R, F))


def test_a_strip_with_every_pass_divided_has_pieces_divided_everywhere():
    pattern = pattern_of(one_repeat(replace(PLAIN, divide=Divide(passes=EVERY, gap=2.0))), 0.5)
    assert divides(pattern.design)
    for plan in (parts.tee(pattern), parts.corner(pattern, -60.0), parts.cap_behind(pattern)):
        assert divided_of(plan) == {one for circuit in visits(plan) for one in circuit}, plan.name


def test_between_arms_a_strand_is_divided_where_it_comes_and_goes_as_halves():
    """One column of sites is divided: in arms that alone, in the block what has it on both sides."""
    kept = tuple(one for one in EVERY if one.x in (5, 0))
    pattern = pattern_of(one_repeat(replace(PLAIN, divide=Divide(passes=kept, gap=2.0))), 2.5)
    plan = parts.cross(pattern)
    found = divided_of(plan)
    inside = 0
    for circuit in visits(plan):
        known = [plan.sites[edge][0] in (5, 0) if edge in plan.sites else None for edge, _ in circuit]
        for k, visit in enumerate(circuit):
            if known[k] is not None:
                assert (visit in found) == known[k]
                continue
            around = [
                next(known[(k + step * way) % len(known)] for step in range(len(known))
                     if known[(k + step * way) % len(known)] is not None)
                for way in (1, -1)
            ]  # fmt: skip
            assert (visit in found) == all(around)
            inside += visit in found
    assert inside > 0 and plan.blocks


@pytest.mark.parametrize(("divides_ahead", "name"), [(True, "change-divide"), (False, "change-unite")])
def test_strands_are_whole_on_the_plain_side_of_a_change(divides_ahead, name):
    pattern = pattern_of(one_repeat(replace(PLAIN, divide=Divide(all=True, gap=2.0))), 0.5)
    plan = parts.change(pattern, divides_ahead)
    points = np.array(plan.design.layout.vertices)[:, 0]
    assert plan.name == name
    found = divided_of(plan)
    middle = {edge: points[list(ends)].mean() for edge, ends in enumerate(edge_ends(plan.design.layout))}
    for circuit in visits(plan):
        for edge, index in circuit:
            behind = middle[edge] < -1e-6 if divides_ahead else middle[edge] > 1e-6
            assert ((edge, index) in found) != behind, "halves on one side alone"
    assert 0 < len(found) < sum(len(circuit) for circuit in visits(plan))


def edge_ends(mesh):
    """The two vertices of every edge, edges numbered as they are met going round one face after another."""
    number = {}
    for face in mesh.faces:
        for a, b in zip(face, (*face[1:], face[0]), strict=True):
            number.setdefault((min(a, b), max(a, b)), len(number))
    return list(number)


@pytest.mark.parametrize("turn", [72.5, -33.25, 120.0])
def test_a_round_corner_turns_by_its_angle_to_the_bit_of_a_name(turn):
    pattern = pattern_of(one_repeat(PLAIN), 0.5)
    plan = parts.corner(pattern, turn)
    assert plan.name == {72.5: "corner-inner-072-50", -33.25: "corner-outer-033-25", 120.0: "corner-inner-120"}[turn]
    behind, ahead = plan.ports
    assert (ahead.heading - behind.heading - 180.0) % 360.0 == pytest.approx(turn % 360.0)
    # no cell is turned over, and at the inner side none is shorter than three quarters of a cell
    points = np.array(plan.design.layout.vertices)[:, :2]
    cells = points[np.array(plan.design.layout.faces)]
    one, other = cells[:, 1] - cells[:, 0], cells[:, 2] - cells[:, 0]
    assert (one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0] > 0).all()
    sides = np.linalg.norm(cells - np.roll(cells, 1, axis=1), axis=2)
    assert sides.min() > 0.99 * parts.CROWDED * 40.0  # a chord of its arc


def test_edges_of_a_strip_that_are_not_alike_leave_straight_pieces_alone():
    trim = replace(PLAIN.make.trim, pieces=(Part.STRAIGHT, Part.CAP), levels=(100.0,))
    unlike = replace(
        PLAIN, layout=replace(PLAIN.layout, lower_edge=Rim.CROSSED), strand=Strand(8.0, 5.0),
        make=replace(PLAIN.make, trim=trim),
    )  # fmt: skip
    kit = make_kit(unlike)
    assert [piece.name for piece in kit.pieces] == ["straight"]
    assert kit.notes == (
        "left out: all but straight pieces: strands cross on one edge of the strip alone; "
        "cross them on both edges, or on none",
    )
    low, high = kit.pieces[0].fine.positions[:, 1].min(), kit.pieces[0].fine.positions[:, 1].max()
    assert low < -40.0 - 4.0 and high < 40.0, "loops beyond the lower edge"
    assert kit.pieces[0].box[1] <= low


def test_halves_joined_again_wherever_a_strip_could_be_cut_are_refused_with_what_then_lets_it_be_cut():
    stepped = replace(PLAIN, divide=Divide(all=True, gap=2.0, rejoin=Rejoin.STEPS))
    with pytest.raises(DesignError, match="wherever the strip could be cut") as refused:
        make_kit(stepped)
    assert refused.value.remedy == 'leave halves apart, with rejoin "none"'
    assert best_phase(one_repeat(replace(stepped, divide=replace(stepped.divide, rejoin=Rejoin.NONE)))) == 0.5


@pytest.mark.parametrize(
    ("design", "words"),
    [
        (
            replace(
                PLAIN,
                layout=Strip(4, 3, 30.0, 40.0),
                breaks=Breaks(vertical=(Site(4, 3),), horizontal=(Site(3, 2),)),
            ),
            "no strand can be made, for the bend",
        ),
        (
            replace(PLAIN, strand=replace(PLAIN.strand, circuits=(CircuitStyle(Pass(2, 1, R), width=9.0),))),
            "strands of several widths",
        ),
        (
            replace(
                PLAIN,
                breaks=Breaks(vertical=tuple(Site(x, y) for x in range(6) for y in (1, 2, 3) if (x + y) % 2)),
            ),
            "a strand runs along a seam",
        ),
    ],
    ids=["too wide for a bend", "two widths", "walls at every site"],
)
def test_strips_that_no_kit_can_be_made_of_are_refused_before_any_long_work(design, words):
    with pytest.raises(DesignError, match=words):
        make_kit(design)
