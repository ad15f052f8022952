"""Where a pointer is on any layout: the site, the strand and the cell it means, and how large a layout is."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from knotgeom import editing
from knotgeom.design import (
    FREE,
    Border,
    Breaks,
    Corners,
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
    Way,
)
from knotgeom.layout import lay_out
from knotgeom.places import about_how_many, is_over_layout, nearest_cell, nearest_pass, nearest_site, site_in_space
from knotgeom.reading import read_file, write_text
from knotgeom.resolve import resolved, self_contained
from knotgeom.sizing import cell_and_pitch

SQUARES = FreeMesh(
    tuple((10.0 * x, 10.0 * y, 0.0) for y in range(4) for x in range(4)),
    tuple((k, k + 1, k + 5, k + 4) for y in range(3) for k in range(4 * y, 4 * y + 3)),
)
ROOF = replace(SQUARES, vertices=tuple((x, y, 0.02 * x * (30 - x)) for x, y, _ in SQUARES.vertices))
RING = Ring(8, 2, 20.0, 40.0)
MITRED = Border((5, 3), 2, 10.0, corners=Corners.MITRED)
FLAT: list[Layouts] = [Grid(4, 3, 10.0, 8.0), RING, Ring(6, 2, 0.0, 40.0), MITRED, SQUARES, Border((2, 2), 2, 10.0)]
CURVED: list[Layouts] = [ROOF, Ring(8, 2, 0.0, 40.0, surface=Dome(15.0))]


def crossings(layout: Layouts) -> int:
    whole = resolved(Design(layout)).layout
    return int((lay_out(whole, Breaks()).state == 0).sum())


@pytest.mark.parametrize("layout", [*FLAT, *CURVED], ids=lambda layout: type(layout).__name__)
def test_a_place_of_crossing_is_the_site_nearest_to_itself(layout: Layouts) -> None:
    design, sites = Design(layout), list(editing.sites(layout))
    assert len(sites) == crossings(layout)
    for site in sites:
        where = site_in_space(design, site) if layout in CURVED else editing.position(design, site)
        assert nearest_site(design, where) == site
        assert is_over_layout(design, where)
        assert nearest_site(design, tuple(500 + value for value in where)) is None
        assert not is_over_layout(design, tuple(500 + value for value in where))


def test_the_hole_of_a_ring_is_not_over_it_and_the_hub_of_a_wheel_is() -> None:
    assert not is_over_layout(Design(RING), (0.0, 0.0))
    assert is_over_layout(Design(RING), (30.0, 0.0))
    assert is_over_layout(Design(replace(RING, inner=0.0)), (0.1, 0.2))


@pytest.mark.parametrize("layout", [SQUARES, Grid(3, 3, 10.0, 10.0)])
def test_points_on_one_diagonal_through_a_crossing_of_squares_mean_one_strand(layout: Layouts) -> None:
    design = Design(layout)
    for site in editing.sites(layout):
        x, y = editing.position(design, site)
        rising, falling = (
            {nearest_pass(design, (x + a, y + way * a)) for a in (-1.5, -0.7, 0.7, 1.5)} for way in (1, -1)
        )
        assert len(rising) == len(falling) == 1 and rising != falling
        assert {at.site for at in (*rising, *falling)} == {site}


def test_points_on_a_circle_round_a_ring_cross_each_strand_in_turn() -> None:
    # on the middle circle, between two crossings of it, strands of both ways are equally near; at a crossing the strand
    # that leans outwards is met before it inside, after it outside
    design = Design(RING)
    for site in editing.sites(RING):
        x, y = editing.position(design, site)
        far, angle = math.hypot(x, y), math.atan2(y, x)

        def at(out: float, round_about: float, far: float = far, angle: float = angle):
            turned = angle + round_about / far
            return nearest_pass(design, ((far + out) * math.cos(turned), (far + out) * math.sin(turned)))

        one, other = at(1.0, 1.0), at(1.0, -1.0)
        assert one == at(-1.0, -1.0) and other == at(-1.0, 1.0) and one != other
        assert one.site == other.site == site


def test_among_the_passes_of_one_way_the_other_is_never_meant_on_a_mesh() -> None:
    design, site = Design(ROOF), Site(1, FREE)
    where = site_in_space(design, site)
    for way in Way:
        assert nearest_pass(design, where, among={Pass(*site, way)}) == Pass(*site, way)
    assert nearest_pass(design, where, among=set()) is None


def test_a_break_has_no_pass_on_a_mesh() -> None:
    broken = Design(SQUARES, Breaks(along=(1,)))
    found = nearest_pass(broken, editing.position(broken, Site(1, FREE)))
    assert found is not None and found.site != (1, FREE)


def test_cells_are_pointed_at_on_grids_alone() -> None:
    design = Design(Grid(4, 3, 10.0, 8.0, without=((1, 1),)))
    assert nearest_cell(design, (15.0, 12.0)) == (1, 1)  # one left out can be put back
    assert nearest_cell(design, (39.9, 0.1)) == (3, 0)
    assert nearest_cell(design, (40.1, 0.1)) is None and nearest_cell(design, (-0.1, 4.0)) is None
    assert nearest_cell(Design(RING), (30.0, 0.0)) is None


def test_how_large_a_layout_is_is_known_before_it_is_set_out() -> None:
    # exactly on grids and rings; a strip's rims and half of a mesh's boundary are counted besides
    for layout in (Grid(4, 3, 10.0, 8.0), Border((2, 2), 2, 10.0), RING, MITRED):
        if isinstance(layout, Border) and layout.corners is Corners.SQUARE:
            assert about_how_many(layout) >= crossings(layout)
        else:
            assert about_how_many(layout) == crossings(layout)
    strip = Strip(6, 3, 10.0, 10.0, repeats=4)
    assert about_how_many(strip) == crossings(strip) + 6 * 4
    assert about_how_many(replace(strip, lower_edge=Rim.CROSSED)) == crossings(replace(strip, lower_edge=Rim.CROSSED))
    assert about_how_many(SQUARES) == crossings(SQUARES) + 12 // 2
    assert about_how_many(Grid(1, 1, 10.0, 10.0)) == 1


# ------------------------------------------------------------------------------------- designs without their files


def test_a_design_made_self_contained_reads_back_anywhere_as_the_same_knot(tmp_path) -> None:
    piece = Design(Grid(3, 2, 10.0, 10.0), Breaks((Site(1, 2),)))
    panel = Design(Panel((Piece("a", (0.0, 0.0), 0, False, piece), Piece("a", (30.0, 0.0), 0, True, piece)), Joins.ALL))
    mesh = Design(replace(SQUARES, file="elsewhere.obj"))
    for k, design in enumerate((panel, mesh, piece)):
        path = tmp_path / f"{k}.interlace.json"
        path.write_text(write_text(self_contained(design)))
        again = read_file(path)
        assert resolved(again) == resolved(self_contained(design))
        assert np.array_equal(
            lay_out(resolved(again).layout, resolved(again).breaks).state,
            lay_out(resolved(design).layout, resolved(design).breaks).state,
        )
    assert cell_and_pitch(panel.layout) == cell_and_pitch(piece.layout) == (10.0, pytest.approx(50**0.5))
