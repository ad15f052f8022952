"""Whole kits by what is asked of them: levels by sight, longer pieces, one ground; and what a kit says of itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from knotgeom.design import Breaks, Divide, Heights, Make, Making, Pass, Rejoin, Rim, Site, Strand, Strip, Way
from knotgeom.trims.build import make_kit
from knotgeom.trims.kit import piece
from knotgeom.trims.options import Part, Screen
from tests.core.test_trim_parts import PLAIN, TRIM, at_port

R, F = Way.RISING, Way.FALLING
LIGHT = replace(TRIM, levels=(100.0,), corners=(90.0,), card=False)


def trimmed(design, **settings):
    """A design with one level and other settings of its kit."""
    return replace(design, make=Make(trim=replace(LIGHT, **settings)))


@pytest.fixture(scope="module")
def seen():
    """Levels by sight, pieces of two repeats; the straight piece is not asked for."""
    screen = Screen(pixels=1.0, distances=(0.5, 40.0), height=1080, field_of_view=50.0)
    return make_kit(trimmed(PLAIN, screen=screen, repeats=2, lengths=(500.0, 245.5), pieces=(Part.CAP,), card=True))


def test_the_straight_piece_is_in_every_kit(seen):
    assert [one.name for one in seen.pieces] == [
        "cap-ahead",
        "cap-behind",
        "straight",
        "straight-0500",
        "straight-245-5",
    ]
    assert seen.notes == ("the straight piece is in every kit: all others are fitted to it",)


def test_levels_by_sight_are_off_by_a_pixel_where_the_budget_allows_it(seen):
    """At 40 m a pixel of 1080 at 50 degrees covers 2 * 40 tan(25 degrees) / 1080; at 0.5 m the budget tells."""
    for one in seen.pieces:
        near, far, card = one.levels
        assert far.tolerance == pytest.approx(2000 * 40 * np.tan(np.radians(25)) / 1080)
        assert near.tolerance > 2000 * 0.5 * np.tan(np.radians(25)) / 1080
        assert near.deviation < far.deviation and card.card
    straight = piece(seen, "straight")
    assert len(straight.levels[0].mesh.triangles) <= 900, "both repeats together"


def test_pieces_of_several_repeats_are_one_repeat_end_to_end(seen):
    straight, longer = piece(seen, "straight"), piece(seen, "straight-0500")
    assert straight.repeats == 2 and straight.ports[1].at == (240.0, 0.0)
    assert longer.repeats == 4 and longer.ports[1].at == (500.0, 0.0) and longer.box[2] == 500.0
    for one, repeats in ((straight, 2), (longer, 4)):
        for level in one.levels:
            count = len(level.mesh.positions) // repeats
            plan = level.mesh.positions / [one.stretched, 1.0, 1.0]
            unit = 120.0
            for k in range(1, repeats):
                step = plan[k * count : (k + 1) * count] - plan[:count]
                assert np.abs(step - [k * unit, 0.0, 0.0]).max() < 1e-9
            if level.card:
                assert [len(seam) for seam in level.mesh.seam] == [0, 0]
                continue
            for number in (0, 1):  # whatever it was stretched by, its ends are those of the straight piece
                own = at_port(level.mesh, one.ports[number], number)
                other = at_port(straight.levels[one.levels.index(level)].mesh, straight.ports[number], number)
                assert all(np.array_equal(a, b) for a, b in zip(own[:2], other[:2], strict=True))


def test_circuits_leave_a_straight_piece_at_one_end_as_they_come_in_at_the_other(seen):
    for name in ("straight", "straight-0500"):
        mesh = piece(seen, name).fine
        assert np.array_equal(mesh.strand[mesh.seam[0]], mesh.strand[mesh.seam[1]])


def test_carved_strands_stand_on_one_ground_in_all_pieces():
    kit = make_kit(trimmed(replace(PLAIN, heights=Heights(Making.CARVED)), pieces=(Part.CAP,), triangles=1500))
    lowest = {one.fine.positions[:, 2].min() for one in kit.pieces}
    assert len(kit.pieces) == 3 and len(lowest) == 1 and kit.low == lowest.pop()
    assert all(not level.card for one in kit.pieces for level in one.levels)


def test_a_kit_says_where_its_weave_fails_and_where_strands_are_led_over():
    forked = trimmed(
        replace(PLAIN, divide=Divide(passes=(Pass(2, 1, R),), gap=2.0)),
        pieces=(Part.STRAIGHT, Part.CAP),
        triangles=3000,
    )
    kit = make_kit(forked)
    assert [note.split(":")[0] for note in kit.notes if "fails to alternate at" in note] == ["cap-ahead", "cap-behind"]
    broken = trimmed(
        replace(PLAIN, layout=Strip(4, 3, 40.0, 40.0), breaks=Breaks(vertical=(Site(4, 3),))),
        pieces=(Part.STRAIGHT, Part.INNER),
        corners=(60.0,),
    )
    (note,) = make_kit(broken).notes
    assert note.startswith("corner-inner-060: strands are led over by 0.83 mm")


def test_a_kit_leaves_out_what_cannot_be_woven_on_and_says_so():
    """Forks of a kind that a whole strand meets the wrong way up; bends at a corner too narrow for the strand."""
    picks = [(0, 1, F), (2, 1, R), (2, 3, R), (3, 2, F), (3, 4, R), (4, 1, R), (4, 3, R), (5, 2, R)]
    divided = Divide(passes=tuple(Pass(*pick) for pick in picks), gap=2.0, rejoin=Rejoin.BENDS)
    forked = replace(PLAIN, layout=Strip(3, 3, 40.0, 40.0), strand=Strand(16.0, 5.0), divide=divided)
    kit = make_kit(trimmed(forked, pieces=(Part.STRAIGHT, Part.CHANGE), triangles=6000))
    said = "left out: change-divide: the weave does not go on alternating through its joints"
    assert any(note.startswith(said) for note in kit.notes)
    assert "change-divide" not in [one.name for one in kit.pieces]
    straight = piece(kit, "straight")  # a short stretch from a fork to its port shows another column than what it meets
    for mesh in (straight.fine, *(level.mesh for level in straight.levels)):
        both = [at_port(mesh, port, number)[:2] for number, port in enumerate(straight.ports)]
        assert all(np.array_equal(a, b) for a, b in zip(*both, strict=True))
    crossed = replace(PLAIN, layout=replace(PLAIN.layout, lower_edge=Rim.CROSSED, upper_edge=Rim.CROSSED))
    kit = make_kit(trimmed(crossed, pieces=(Part.STRAIGHT, Part.INNER), triangles=1500))
    assert [one.name for one in kit.pieces] == ["straight"]
    (note,) = kit.notes
    width = float(note.split("a width of ")[1].split(" mm would do")[0])
    mended = replace(crossed, strand=replace(crossed.strand, width=width))
    kit = make_kit(trimmed(mended, pieces=(Part.STRAIGHT, Part.INNER), triangles=2500))
    assert [one.name for one in kit.pieces] == ["corner-inner-090", "straight"]
