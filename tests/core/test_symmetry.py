"""What mirrors and turns of a grid do to breaks, passes and wishes."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knotgeom import editing, symmetry
from knotgeom.design import Breaks, Design, Grid, Pass, Site, Way, Weave
from knotgeom.editing import Line
from knotgeom.made import count
from knotgeom.symmetry import Symmetry
from knotgeom.weave import first_crossings

SQUARE = Grid(4, 4, 10.0, 10.0)
WIDE = Grid(5, 3, 10.0, 8.0)
EVERY = [set(some) for size in range(5) for some in combinations(Symmetry, size)]


@pytest.mark.parametrize("wanted", EVERY, ids=lambda wanted: "+".join(sorted(wanted)) or "none")
@pytest.mark.parametrize("grid", [SQUARE, WIDE])
def test_the_motions_are_a_group_that_permutes_the_sites(grid: Grid, wanted: set[Symmetry]) -> None:
    found = symmetry.motions(grid, wanted)
    assert found[0] == symmetry.STAY and len(found) in {1, 2, 4, 8}
    sites = set(editing.sites(grid))
    for motion in found:
        moved = [symmetry.move_site(grid, motion, site) for site in sites]
        assert set(moved) == sites
        for other in found:
            assert any(
                all(
                    symmetry.move_site(grid, third, site)
                    == symmetry.move_site(grid, other, symmetry.move_site(grid, motion, site))
                    for site in sites
                )
                for third in found
            )


def test_quarter_turns_need_a_square_grid_of_square_cells() -> None:
    assert len(symmetry.motions(SQUARE, {Symmetry.QUARTER_TURN})) == 4
    assert symmetry.motions(WIDE, {Symmetry.QUARTER_TURN}) == (symmetry.STAY,)
    assert not symmetry.allows(Grid(4, 4, 10.0, 9.0), Symmetry.QUARTER_TURN)


def test_two_mirrors_make_a_half_turn() -> None:
    mirrors = symmetry.motions(WIDE, {Symmetry.LEFT_RIGHT, Symmetry.UP_DOWN})
    assert set(symmetry.motions(WIDE, {Symmetry.HALF_TURN})) < set(mirrors)


def plan_of(grid: Grid, at: Pass) -> frozenset[tuple[float, float]]:
    """Two points of a pass, from the middle of the grid, in half cells: it knows nothing of motions."""
    lift = 0.5 if at.way is Way.RISING else -0.5
    x, y = at.x - grid.columns, at.y - grid.rows
    return frozenset({(x - 0.5, y - lift), (x + 0.5, y + lift)})


@pytest.mark.parametrize("kind", list(Symmetry))
def test_a_pass_goes_where_its_points_go(kind: Symmetry) -> None:
    turned = {
        Symmetry.LEFT_RIGHT: lambda x, y: (-x, y),
        Symmetry.UP_DOWN: lambda x, y: (x, -y),
        Symmetry.HALF_TURN: lambda x, y: (-x, -y),
        Symmetry.QUARTER_TURN: lambda x, y: (-y, x),
    }[kind]
    motion = symmetry.motions(SQUARE, {kind})[1]
    for site in editing.sites(SQUARE):
        for way in Way:
            at = Pass(*site, way)
            expected = frozenset(turned(*point) for point in plan_of(SQUARE, at))
            assert plan_of(SQUARE, symmetry.move_pass(SQUARE, motion, at)) == expected


@given(
    st.sets(st.sampled_from(list(editing.sites(SQUARE)))),
    st.sampled_from(EVERY),
    st.sampled_from((Line.HORIZONTAL, Line.VERTICAL)),
)
def test_breaks_set_symmetrically_on_a_plain_grid_stay_symmetrical(
    drawn: set[Site], wanted: set[Symmetry], line: Line
) -> None:
    through = symmetry.motions(SQUARE, wanted)
    design = Design(SQUARE)
    for site in sorted(drawn):  # one stroke after another, as a designer draws
        design = editing.set_breaks(design, symmetry.break_images(SQUARE, through, {site: line})).design
    for motion in through:
        for site in editing.sites(SQUARE):
            found = editing.break_at(design, site)
            moved = editing.break_at(design, symmetry.move_site(SQUARE, motion, site))
            assert moved == (found and symmetry.move_line(motion, found))


def test_images_off_the_layout_or_on_a_break_are_left_away() -> None:
    holed = Grid(3, 3, 10.0, 10.0, without=((2, 2),))
    through = symmetry.motions(holed, {Symmetry.HALF_TURN})
    assert symmetry.break_images(holed, through, {Site(1, 2): Line.HORIZONTAL}) == {Site(1, 2): Line.HORIZONTAL}
    broken = Design(SQUARE, Breaks(horizontal=(Site(5, 6),)))
    through = symmetry.motions(SQUARE, {Symmetry.HALF_TURN})
    assert symmetry.pass_images(broken, through, [Pass(3, 2, Way.RISING)]) == (Pass(3, 2, Way.RISING),)


def pass_over(design: Design) -> set[Pass]:
    """The upper pass at every crossing of a design without divided strands."""
    counted = count(design)
    found = set()
    for crossing in first_crossings(counted.layout, counted.strand_map).tolist():
        site = counted.layout.site[counted.strand_map.crossing_edge[crossing]].tolist()
        rising = bool(counted.weaving.pass_one_over[crossing]) == (site[0] % 2 == 1)
        found.add(Pass(site[0], site[1], Way.RISING if rising else Way.FALLING))
    return found


@pytest.mark.parametrize("wanted", EVERY, ids=lambda wanted: "+".join(sorted(wanted)) or "none")
@pytest.mark.parametrize("at", [Pass(3, 2, Way.RISING), Pass(2, 3, Way.RISING), Pass(1, 2, Way.FALLING)])
def test_wishes_set_symmetrically_can_all_be_kept_by_a_plain_weave(wanted: set[Symmetry], at: Pass) -> None:
    plain = Design(SQUARE)
    wishes = symmetry.wished_images(plain, symmetry.motions(SQUARE, wanted), [at])
    woven = editing.set_preferences(plain, wishes, True)
    assert woven.weave == Weave(prefer=wishes)
    assert count(woven).weaving.unmet == ()
    assert set(wishes) <= pass_over(woven)
