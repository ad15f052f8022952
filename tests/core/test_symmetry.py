"""What mirrors, turns and going round do to breaks, passes and wishes, on every layout with cells."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from knotgeom import editing, symmetry
from knotgeom.counting import count
from knotgeom.design import (
    Border,
    Breaks,
    Corners,
    Cylinder,
    Design,
    Dome,
    FreeMesh,
    Grid,
    Joins,
    Layouts,
    Panel,
    Pass,
    Piece,
    Rim,
    Ring,
    Site,
    Strip,
    Turned,
    Way,
    Weave,
)
from knotgeom.editing import Line
from knotgeom.layout import pass_index
from knotgeom.places import frame
from knotgeom.symmetry import Symmetry
from knotgeom.weave import first_crossings

SQUARE = Grid(4, 4, 10.0, 10.0)
WIDE = Grid(5, 3, 10.0, 8.0)
PLANE = [kind for kind in Symmetry if kind is not Symmetry.ROUND]
EVERY = [set(some) for size in range(5) for some in combinations(PLANE, size)]
ROUND: dict[str, Layouts] = {
    "ring of 12": Ring(12, 2, 20.0, 32.0),
    "ring of 9, crossed": Ring(9, 1, 20.0, 32.0, outer_edge=Rim.CROSSED),
    "domed wheel of 6": Ring(6, 2, 0.0, 20.0, surface=Dome(4.0)),
    "square frame": Border((3, 3), 2, 8.0, corners=Corners.MITRED),
    "oblong frame": Border((4, 3), 1, 8.0, corners=Corners.MITRED),
    "frame of 5 corners": Border((2, 5), 1, 8.0, polygon=True),
    "frame of 8 corners": Border((1, 8), 2, 8.0, polygon=True),
}
"""Layouts in a plane that go round, their middle where the mean of their sites is."""
STRIPS: dict[str, Layouts] = {
    "strip": Strip(6, 2, 10.0, 8.0),
    "strip, repeated": Strip(4, 1, 10.0, 8.0, 3),
    "strip, one edge crossed": Strip(4, 1, 10.0, 8.0, 2, upper_edge=Rim.CROSSED),
    "bangle": Strip(4, 2, 10.0, 8.0, 2, Rim.CROSSED, Rim.CROSSED, Cylinder()),
}
LAYOUTS = {**ROUND, **STRIPS}


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


@pytest.mark.parametrize("kind", PLANE)
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
        edge = counted.strand_map.crossing_edge[crossing]
        rising = int(counted.weaving.pass_one_over[crossing]) == counted.layout.rising[edge]
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


def test_a_wish_has_no_image_where_a_break_lies() -> None:
    at, opposite = Pass(3, 2, Way.RISING), Site(5, 2)
    through = symmetry.motions(SQUARE, {Symmetry.LEFT_RIGHT})
    assert {image.site for image in symmetry.wished_images(Design(SQUARE), through, [at])} == {at.site, opposite}
    broken = Design(SQUARE, Breaks(horizontal=(opposite,)))
    assert symmetry.wished_images(broken, through, [at]) == (at,)


# ------------------------------------------------------------------------------------------ other layouts than grids


def plane_motion(kind: Symmetry, order: int) -> np.ndarray:
    """The same motion as a matrix of the plane about the middle."""
    if kind is Symmetry.LEFT_RIGHT:
        return np.diag([-1.0, 1.0])
    if kind is Symmetry.UP_DOWN:
        return np.diag([1.0, -1.0])
    angle = {Symmetry.HALF_TURN: math.pi, Symmetry.QUARTER_TURN: math.pi / 2}.get(kind, 2 * math.pi / max(order, 1))
    return np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])


@pytest.mark.parametrize("kind", list(Symmetry))
@pytest.mark.parametrize("layout", ROUND.values(), ids=ROUND)
def test_sites_and_passes_of_rings_and_frames_go_where_the_plane_takes_them(layout: Layouts, kind: Symmetry) -> None:
    """And a symmetry that is refused is none: the plane's motion takes no set of sites onto itself."""
    seen = frame(layout)
    middle = seen.middle[:, :2] - (seen.middle[:, :2].max(0) + seen.middle[:, :2].min(0)) / 2
    if isinstance(layout, Ring) or layout.polygon:
        middle = seen.middle[:, :2] - seen.middle[:, :2].mean(0)
    for order in symmetry.orders(layout) if kind is Symmetry.ROUND else (0,):
        matrix = plane_motion(kind, order)
        moved = middle @ matrix.T
        apart = np.linalg.norm(moved[:, None] - middle[None], axis=2)
        assert symmetry.allows(layout, kind, order) == bool((apart.min(1) < 1e-6).all())
        if not symmetry.allows(layout, kind, order):
            assert symmetry.motions(layout, {kind}, order) == (symmetry.STAY,)
            continue
        motion = symmetry.motions(layout, {kind}, order)[1]
        for site, edge in seen.edge.items():
            other = seen.edge[symmetry.move_site(layout, motion, site)]
            assert np.linalg.norm(moved[edge] - middle[other]) < 1e-6
            for way in Way:
                at = symmetry.move_pass(layout, motion, Pass(*site, way))
                ahead = seen.heading[edge, pass_index(seen.layout, edge, way), :2] @ matrix.T
                there = seen.heading[other, pass_index(seen.layout, other, at.way), :2]
                assert abs(ahead[0] * there[1] - ahead[1] * there[0]) < 1e-6


def test_layouts_repeat_so_many_times_round_as_their_sectors_columns_or_corners_divide() -> None:
    assert symmetry.orders(ROUND["ring of 12"]) == (2, 3, 4, 6, 12)
    assert symmetry.orders(ROUND["frame of 5 corners"]) == (5,)
    assert symmetry.orders(ROUND["square frame"]) == (2, 4) and symmetry.orders(ROUND["oblong frame"]) == (2,)
    assert symmetry.orders(STRIPS["strip"]) == (2, 3, 6)
    assert symmetry.orders(SQUARE) == ()
    for layout in LAYOUTS.values():
        for order in symmetry.orders(layout):
            assert len(symmetry.motions(layout, {Symmetry.ROUND}, order)) == order
    assert not symmetry.allows(ROUND["ring of 12"], Symmetry.ROUND, 5)


def test_strips_are_turned_upside_down_only_where_their_edges_are_alike() -> None:
    assert symmetry.allows(STRIPS["bangle"], Symmetry.HALF_TURN)
    assert symmetry.allows(STRIPS["strip, one edge crossed"], Symmetry.LEFT_RIGHT)
    for kind in (Symmetry.UP_DOWN, Symmetry.HALF_TURN, Symmetry.QUARTER_TURN):
        assert not symmetry.allows(STRIPS["strip, one edge crossed"], kind)
    vase = Strip(4, 2, 10.0, 8.0, surface=Turned(((12.0, 0.0), (14.0, 8.0), (10.0, 16.0))))
    barrel = Strip(4, 2, 10.0, 8.0, surface=Turned(((12.0, 0.0), (14.0, 8.0), (12.0, 16.0))))
    assert symmetry.allows(barrel, Symmetry.UP_DOWN) and not symmetry.allows(vase, Symmetry.UP_DOWN)


@pytest.mark.parametrize("layout", STRIPS.values(), ids=STRIPS)
def test_sites_of_strips_go_where_their_places_unrolled_do(layout: Strip) -> None:
    flat = Strip(layout.columns, layout.rows, layout.cell_width, layout.cell_height)
    long, high = layout.columns * layout.cell_width, layout.rows * layout.cell_height

    def place(site: Site) -> tuple[float, float]:
        return site.x * flat.cell_width / 2, site.y * flat.cell_height / 2

    plane = {
        Symmetry.LEFT_RIGHT: lambda x, y: (-x, y),
        Symmetry.UP_DOWN: lambda x, y: (x, high - y),
        Symmetry.HALF_TURN: lambda x, y: (-x, high - y),
        Symmetry.ROUND: lambda x, y: (x + flat.cell_width, y),
    }
    for kind, moved in plane.items():
        if not symmetry.allows(layout, kind):
            continue
        motion = symmetry.motions(layout, {kind})[1]
        places = set(editing.sites(layout))
        assert {symmetry.move_site(layout, motion, site) for site in places} == places
        for site in places:
            x, y = moved(*place(site))
            there = place(symmetry.move_site(layout, motion, site))
            assert math.isclose((there[0] - x) / long % 1.0, 0.0, abs_tol=1e-9) and math.isclose(there[1], y)


def test_free_meshes_have_no_symmetry_and_panels_and_square_borders_that_of_their_grid() -> None:
    mesh = FreeMesh(((0.0, 0.0, 0.0), (9.0, 0.0, 0.0), (0.0, 9.0, 0.0)), ((0, 1, 2),), Rim.CROSSED)
    assert not any(symmetry.allows(mesh, kind) for kind in Symmetry)
    assert symmetry.motions(mesh, set(Symmetry)) == (symmetry.STAY,)
    assert symmetry.break_images(mesh, (symmetry.STAY,), {Site(1, -1): Line.ALONG}) == {Site(1, -1): Line.ALONG}
    knot = Design(Grid(2, 2, 10.0, 10.0))
    pieces = tuple(Piece("a.interlace.json", (20.0 * i, 0.0), design=knot) for i in (0, 1))
    panel, border = Panel(pieces, Joins.ALL), Border((2, 2), 1, 10.0)
    assert not symmetry.allows(panel, Symmetry.QUARTER_TURN) and symmetry.allows(border, Symmetry.QUARTER_TURN)
    turned = symmetry.motions(panel, {Symmetry.HALF_TURN})
    drawn = symmetry.break_images(panel, turned, {Site(1, 2): Line.VERTICAL})
    assert drawn == {Site(1, 2): Line.VERTICAL, Site(7, 2): Line.VERTICAL}
    through = symmetry.motions(border, {Symmetry.QUARTER_TURN})
    assert symmetry.break_images(border, through, {Site(3, 2): None}) == {}  # on the edge of the opening
    assert set(symmetry.break_images(border, through, {Site(4, 1): None})) == {
        Site(4, 1),
        Site(7, 4),
        Site(4, 7),
        Site(1, 4),
    }


@st.composite
def symmetrical(draw: st.DrawFn) -> tuple[Design, tuple[symmetry.Motion, ...]]:
    """A design whose breaks were drawn under symmetries of its layout, and those."""
    layout = draw(st.sampled_from([SQUARE, WIDE, *LAYOUTS.values()]))
    wanted = draw(st.sets(st.sampled_from(list(Symmetry))))
    order = draw(st.sampled_from(symmetry.orders(layout) or (None,)))
    through = symmetry.motions(layout, wanted, order)
    design = Design(layout)
    inside = [site for site in editing.sites(layout) if editing.takes_break(layout, site, False)]
    for site in draw(st.lists(st.sampled_from(inside), max_size=3)):
        line = draw(st.sampled_from((Line.HORIZONTAL, Line.VERTICAL)))
        design = editing.set_breaks(design, symmetry.break_images(layout, through, {site: line})).design
    return design, through


@settings(deadline=None, max_examples=150)
@given(symmetrical())
def test_circuits_and_weave_of_a_symmetrical_design_are_taken_onto_themselves(
    drawn: tuple[Design, tuple[symmetry.Motion, ...]],
) -> None:
    design, through = drawn
    layout = design.layout
    wide = 2 * layout.columns if isinstance(layout, Strip) else None

    def folded(at: Pass) -> Pass:
        return at if wide is None else Pass(at.x % wide, *at[1:])

    numbers = editing.circuit_numbers(design)
    circuits = {frozenset(map(folded, editing.same_circuit(design, at))) for at in numbers}
    over = {folded(at) for at in pass_over(design)}
    parts = connected_parts(numbers)
    for motion in through:
        moved = {frozenset(symmetry.move_pass(layout, motion, at) for at in circuit) for circuit in circuits}
        assert moved == circuits
        seen = set(symmetry.wished_images(design, (motion,), over))
        assert seen == over or parts > 1
        assert len(seen) == len(over)


def connected_parts(numbers: dict[Pass, int]) -> int:
    """How many bunches of circuits cross one another: each chooses its hand by its own lowest crossing."""
    across: dict[Site, set[int]] = {}
    for at, number in numbers.items():
        across.setdefault(at.site, set()).add(number)
    groups = [{number} for number in set(numbers.values())]
    for pair in across.values():
        touched = [group for group in groups if group & pair]
        groups = [group for group in groups if not group & pair] + [set().union(*touched)]
    return len(groups)


@pytest.mark.parametrize("wanted", [{Symmetry.LEFT_RIGHT}, {Symmetry.QUARTER_TURN}, {Symmetry.HALF_TURN}])
def test_cells_left_out_with_their_images_leave_a_grid_that_every_motion_takes_onto_itself(wanted) -> None:
    grid = Grid(5, 5, 10.0, 10.0)
    through = symmetry.motions(grid, wanted)
    images = symmetry.cell_images(grid, through, [(0, 1), (2, 2)])
    assert len(images) == len(set(images)) == {Symmetry.QUARTER_TURN: 5}.get(*wanted, 3)
    kept = set(editing.sites(replace(grid, without=images)))
    for motion in through:
        assert {symmetry.move_site(grid, motion, site) for site in kept} == kept
