"""Gouges enter the ground that has room for them and fit the bends that have their radius; the grain is minded."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import LineString, Point

from knotgeom.carving.bends import bends
from knotgeom.carving.field import HeightField, panel_field
from knotgeom.carving.gouges import FIT, OWNED, SWEEP_DEG, Gouge, check_gouges, fit_bend, gouge_radius
from knotgeom.carving.grain import walls_across_grain
from knotgeom.carving.options import Carving, Ground
from knotgeom.carving.panel import Panel, plan_panel
from knotgeom.carving.pockets import narrow_places, panel_ground_level, pockets
from knotgeom.carving.practice import STARTING_VALUES, compare_with_practice
from knotgeom.carving.regions import distance, greatest, regions, totals
from knotgeom.design import Breaks, Design, Divide, Grid, Pass, Site, Strand, Way
from knotgeom.errors import DesignError


def board(z: NDArray[np.floating], pitch: float) -> HeightField:
    """A board with these heights, its lower left corner at 0, 0."""
    return HeightField(np.ascontiguousarray(z, np.float32), pitch, 0.0, len(z) * pitch)


@pytest.fixture(scope="module")
def carved() -> tuple[Panel, HeightField]:
    """A knot of a carver's sizes, one strand of it divided."""
    design = Design(
        Grid(4, 3, 24.0, 24.0),
        breaks=Breaks(vertical=(Site(4, 3),)),
        divide=Divide(circuits=(Pass(1, 2, Way.RISING),), gap=2.0),
        strand=Strand(width=11.0),
    )
    panel = plan_panel(design, Carving())
    return panel, panel_field(panel, 0.2)


@pytest.mark.parametrize("blur", [0, 1, 3])
def test_regions_are_those_that_scipy_labels(blur: int) -> None:
    noise = np.random.default_rng(blur).random((60, 71))
    mask = ndimage.gaussian_filter(noise, blur) > 0.5
    labels, count = regions(mask)
    theirs, number = ndimage.label(mask, np.ones((3, 3)))
    assert count == number
    assert (labels == theirs).all()
    assert (totals(labels, count) == ndimage.sum(mask, theirs, np.arange(1, count + 1))).all()
    highest, at = greatest(labels, count, noise)
    assert highest == pytest.approx(ndimage.maximum(noise, theirs, np.arange(1, count + 1)))
    assert (labels.reshape(-1)[at] == np.arange(1, count + 1)).all()


def test_distances_are_those_that_scipy_measures() -> None:
    mask = ndimage.gaussian_filter(np.random.default_rng(5).random((80, 90)), 4) > 0.49
    theirs = ndimage.distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1]
    assert distance(mask, 60) == pytest.approx(theirs, abs=1e-4)
    assert distance(mask, 3) == pytest.approx(np.minimum(theirs, 3.0), abs=1e-4)


def test_number_nine_is_half_a_circle_and_gouges_of_one_sweep_are_alike() -> None:
    # the London pattern: sweeps 3 to 9 are arcs in one proportion to the width (D. McConnell's article on the
    # sweeps of the Sheffield list)
    assert gouge_radius(Gouge(9, 13.0)) == pytest.approx(6.5)
    assert math.isinf(gouge_radius(Gouge(1, 13.0)))
    for sweep in range(2, 9):
        assert gouge_radius(Gouge(sweep, 20.0)) == pytest.approx(2 * gouge_radius(Gouge(sweep, 10.0)))
        assert gouge_radius(Gouge(sweep, 10.0)) > gouge_radius(Gouge(sweep + 1, 10.0))
    assert gouge_radius(Gouge(5, 12.0, 30.0)) == 30.0
    assert len(SWEEP_DEG) == 11
    check_gouges(OWNED)


def test_a_gouge_of_the_bends_own_radius_fits_without_misfit() -> None:
    gouges = [Gouge(5, 10.0, 14.0), Gouge(5, 10.0, 9.0), Gouge(1, 6.0), Gouge(5, 16.0, 14.0)]
    assert fit_bend(14.0, 12.0, gouges) == (gouges[0], 0.0)
    assert fit_bend(14.0, 18.0, gouges) == (gouges[3], 0.0)
    # a flat chisel laid over an arc stands off it by the arc's height over the chord
    gouge, misfit = fit_bend(5.0, 8.0, [Gouge(1, 6.0)])
    assert gouge == Gouge(1, 6.0)
    assert misfit == pytest.approx(5.0 - 4.0)
    assert misfit > FIT
    assert fit_bend(2.0, 3.0, gouges) == (None, 0.0)


def test_a_gouge_enters_a_slot_that_is_wider() -> None:
    z = np.zeros((200, 300))
    z[20:180, 40:65] = -4.0  # 5 mm
    z[20:180, 120:160] = -4.0  # 8 mm
    found = pockets(board(z, 0.2), [Gouge(1, 4.0), Gouge(1, 6.0), Gouge(3, 6.0), Gouge(9, 3.0), Gouge(1, 9.0)])
    assert [pocket.widest for pocket in found] == pytest.approx([5.0, 8.0], abs=0.21)  # a pixel
    assert [pocket.enters for pocket in found] == [Gouge(1, 4.0), Gouge(1, 6.0)]
    assert [pocket.gouge for pocket in found] == [Gouge(1, 4.0), Gouge(1, 6.0)]
    assert [pocket.misfit for pocket in found] == [0.0, 0.0]
    for pocket, width, tool in zip(found, (5.0, 8.0), (4.0, 6.0), strict=True):
        assert pocket.area == pytest.approx(32.0 * width)
        assert pocket.depth == pytest.approx(4.0)
        corners = (1 - math.pi / 4) * tool**2  # four quarter squares less a circle
        assert (1 - pocket.covered) * pocket.area == pytest.approx(corners, rel=0.15)
    only_round = pockets(board(z, 0.2), [Gouge(9, 3.0)])
    assert only_round[0].misfit == pytest.approx(1.5)  # half a circle leaves a hollow of its radius


@pytest.mark.parametrize("ground", [Ground.FLAT, Ground.PUNCHED, Ground.STIPPLED])
def test_the_marks_of_a_textured_ground_are_ground(ground: Ground) -> None:
    panel = plan_panel(Design(Grid(3, 2, 24.0, 24.0), strand=Strand(width=11.0)), Carving(ground=ground))
    field = panel_field(panel, 0.2)
    found = pockets(field, level=panel_ground_level(panel))
    # a plane map of n crossings, all joined, has n + 2 faces (Euler), the ground round the knot being one
    assert len(found) == panel.made.facts["crossings"] + 2  # type: ignore[operator]
    assert found[-1].area > 0.25 * panel.length * panel.width
    assert found[-1].gouge is not None
    assert not pockets(field, level=-math.inf)


def test_ground_too_narrow_for_the_list_is_said_to_be() -> None:
    z = np.zeros((100, 100))
    z[20:80, 40:50] = -4.0
    (pocket,) = pockets(board(z, 0.2), [Gouge(1, 3.0)])
    assert pocket.enters is None
    assert pocket.gouge is None
    assert pocket.widest == pytest.approx(2.0, abs=0.21)
    assert pockets(board(np.zeros((50, 50)), 0.2)) == ()


def test_the_two_edges_of_a_bend_differ_by_the_strands_width(carved: tuple[Panel, HeightField]) -> None:
    made = carved[0].made
    found = bends(made)
    widths = {round(float(w), 1) for w in np.unique(made.drawn.lanes.width.round(6))}  # type: ignore[union-attr]
    assert {11.0, 4.5} <= widths
    outside = [bend.radius for bend in found if not bend.hollow]
    inside = [bend.radius for bend in found if bend.hollow]
    assert inside
    # a radius is that of the tighter half of a bend, which is not the same stretch on both edges
    assert len(outside) >= len(inside) // 2
    paired = [any(abs(outer - inner - width) < 0.9 for inner in inside for width in (4.5, 11.0)) for outer in outside]
    assert all(paired)


def test_bends_lie_on_the_edges_of_strands_and_are_as_round_as_they_say(carved: tuple[Panel, HeightField]) -> None:
    made = carved[0].made
    assert made.drawn is not None
    courses, lanes = made.drawn.courses, made.drawn.lanes
    for bend in bends(made):
        near = []
        for lane in range(len(lanes.circuit)):
            own = slice(int(lanes.start[lane]), int(lanes.start[lane + 1]))
            sample = lanes.sample[own]
            for side in (-0.5, 0.5):
                beside = lanes.offset[own] + side * lanes.width[own]
                edge = courses.point[sample] + beside[:, None] * courses.lateral[sample]
                away = np.hypot(*(edge - (bend.x, bend.y)).T)
                if away.min() < 1e-6:
                    near.append(np.roll(edge, len(edge) // 2 - int(away.argmin()), axis=0))
        assert near
        radii = []
        for edge in near:  # the circle through the middle and two places an eighth of the chord away
            ruler = LineString(edge)
            middle = ruler.project(Point(bend.x, bend.y))
            a, b, c = (
                np.array(ruler.interpolate(middle + step).coords[0]) for step in (-bend.chord / 8, 0, bend.chord / 8)
            )
            twice_area = abs((b - a)[0] * (c - a)[1] - (b - a)[1] * (c - a)[0])
            sides = np.prod([np.hypot(*(p - q)) for p, q in ((a, b), (b, c), (c, a))])
            radii.append(sides / max(2 * twice_area, 1e-9))
        # the middle of a bend is its tightest part or nearly so; the radius given is that of its tighter half
        assert any(0.55 * bend.radius <= radius <= 1.35 * bend.radius for radius in radii)


def test_gouges_offered_for_bends_are_owned_and_the_misfit_is_theirs(carved: tuple[Panel, HeightField]) -> None:
    owned = [Gouge(3, 8.0), Gouge(5, 5.0), Gouge(7, 4.0)]
    for bend in bends(carved[0].made, owned):
        assert bend.gouge in owned
        assert bend.gouge.width <= bend.chord
        w, own = bend.gouge.width / 2, gouge_radius(bend.gouge)
        arc = own - math.sqrt(own**2 - w**2)
        edge = bend.radius - math.sqrt(bend.radius**2 - w**2)
        assert bend.misfit == pytest.approx(abs(arc - edge))
        assert bend.cuts * bend.gouge.width >= 0.9 * bend.chord
    assert all(bend.gouge is None for bend in bends(carved[0].made, []))


def test_walls_take_their_lean_off_the_ground_between_strands(carved: tuple[Panel, HeightField]) -> None:
    panel, field = carved
    found = narrow_places(panel.made, field)
    widths = [place.width for place in found]
    assert widths == sorted(widths)
    assert widths[0] == pytest.approx(float(panel.made.drawn.gaps.apart.min()))  # type: ignore[union-attr]
    for place in found:
        assert place.floor <= place.width
        assert place.floor >= place.width - 2 * panel.lean * panel.depth - 2.5 * field.pitch
        assert (place.gouge is None) == (place.floor < min(gouge.width for gouge in OWNED))


def test_only_walls_that_face_along_the_grain_are_flagged() -> None:
    x, y = np.meshgrid(np.arange(300) * 0.1, np.arange(200) * 0.1)
    inside = np.minimum(np.minimum(x - 5, 25 - x), np.minimum(y - 5, 15 - y))
    z = np.clip(inside / math.tan(math.radians(10.0)), 0.0, 4.0) - 4.0  # 20 x 10 mm at its foot, draft 10 degrees
    field = board(z, 0.1)
    along_x, along_y = walls_across_grain(field), walls_across_grain(field, 90.0)
    assert along_x.count == 2
    assert along_x.length == pytest.approx(2 * 10, abs=1.2)
    assert along_y.count == 2
    assert along_y.length == pytest.approx(2 * 20, abs=1.2)
    assert {round(wall.x) for wall in along_x.worst} <= {5, 6, 24, 25}
    for wall in (*along_x.worst, *along_y.worst):
        assert wall.steepest_deg == pytest.approx(80.0, abs=0.5)
        assert wall.height == pytest.approx(4.0, abs=0.6)
    assert walls_across_grain(field, steep_deg=81.0).count == 0
    assert walls_across_grain(field, 45.0).count == 0


def test_starting_values_say_that_they_are_practice_and_where_a_design_leaves_them(
    carved: tuple[Panel, HeightField],
) -> None:
    rows = compare_with_practice(carved[0])
    assert len(rows) == len(STARTING_VALUES)
    assert {row["source"] for row in rows} == {"common practice, no source"}
    width, _ground, depth, step, draft, line = rows
    assert (width["here"], width["within"]) == (11.0, True)
    assert depth["here"] == pytest.approx(carved[0].depth / 11.0, abs=1e-3)
    assert step["within"] is True
    assert (draft["here"], draft["within"]) == (8.0, True)
    assert line["within"] is None
    thin = plan_panel(Design(Grid(2, 2, 24.0, 24.0), strand=Strand(width=6.0)), Carving(draft_deg=15.0))
    assert [row["within"] for row in compare_with_practice(thin)][::4] == [False, False]


@pytest.mark.parametrize(
    ("gouge", "place"),
    [
        (Gouge(12, 6.0), "gouges[1].sweep"),
        (Gouge(5, 0.0), "gouges[1].width"),
        (Gouge(5, math.inf), "gouges[1].width"),
        (Gouge(5, 10.0, 4.0), "gouges[1].radius"),
    ],
)
def test_a_gouge_that_cannot_be_is_refused_by_its_place(gouge: Gouge, place: str) -> None:
    with pytest.raises(DesignError) as refused:
        check_gouges([Gouge(5, 10.0), gouge])
    assert refused.value.place == place
