"""The background between strands against clearances measured by brute force and openings cut out with Shapely."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from shapely.geometry import LinearRing, Point
from shapely.ops import unary_union

from knotgeom.counting import count
from knotgeom.design import Breaks, Design, Grid, Heights, Making, Site, Strand, Turn, Turns
from knotgeom.drawing import draw
from knotgeom.findings import EVEN
from knotgeom.made import make
from tests.core.measures import onto_polyline
from tests.core.strategies import designs

ROUND = Turns(Turn.ROUND, Turn.ROUND, Turn.ROUND)


def lines_of(drawn):
    courses = drawn.courses
    return [courses.point[a:b] for a, b in zip(courses.start[:-1].tolist(), courses.start[1:].tolist(), strict=True)]


@pytest.mark.parametrize("share", [0.3, 0.45, 0.5])
@pytest.mark.parametrize(("columns", "rows"), [(2, 2), (2, 3), (3, 3), (4, 4), (5, 3), (6, 6)])
def test_the_background_of_a_plain_plait_is_even(columns, rows, share):
    """On square cells 0.707 cell - width; least and greatest lie within 20 % of that."""
    done = make(Design(Grid(columns, rows, 10.0, 10.0), strand=Strand(width=10.0 * share)), fine=False)
    plain = 10.0 / np.sqrt(2) - 10.0 * share
    assert done.facts["plain_gap_mm"] == pytest.approx(plain, abs=1e-3)
    assert done.facts["least_gap_mm"] >= 0.8 * plain
    assert done.facts["median_gap_mm"] == pytest.approx(plain, rel=0.2)
    assert done.facts["greatest_gap_mm"] <= 1.2 * plain


@settings(max_examples=30)
@given(designs(3, divided=False, sized=True))
def test_the_middle_of_an_approach_is_as_clear_as_it_says(design):
    """From the middle of an approach the nearest centre line lies half gap and half width away on both sides."""
    counted = count(design)
    drawn = draw(counted)
    gaps = drawn.gaps
    if not len(gaps.apart):
        return
    distance = np.hstack([onto_polyline(gaps.point, line)[0] for line in lines_of(drawn)])
    nearest = distance.min(1)
    told = (gaps.apart + counted.size.width) / 2
    assert (nearest <= told + 0.02 * counted.size.pitch).all()
    # a third strand may pass beside the two, but not between them
    assert (nearest >= 0.3 * told).all()
    touching = (distance <= 1.03 * told[:, None] + 1e-9).sum(1)
    assert (touching >= 2).all()


@pytest.mark.parametrize(
    "design",
    [
        Design(Grid(4, 4, 10.0, 10.0), strand=Strand(4.0)),
        Design(Grid(6, 5, 10.0, 10.0), strand=Strand(3.0, turns=ROUND)),
        Design(Grid(5, 5, 10.0, 10.0), Breaks((Site(5, 4),), (Site(4, 5),)), strand=Strand(4.0, turns=ROUND)),
    ],
    ids=["4 x 4", "6 x 5", "breaks"],
)
def test_openings_cut_out_with_shapely_are_as_wide_as_the_facts_say(design):
    """The narrowest opening between four pieces of strand is a rectangle nearly as wide as the least gap told."""
    drawn, done = draw(count(design)), make(design)
    width = done.counted.size.width
    bands = unary_union([LinearRing(line).buffer(width / 2, quad_segs=16) for line in lines_of(drawn)])
    openings = [LinearRing(hole).convex_hull for part in getattr(bands, "geoms", [bands]) for hole in part.interiors]
    assert openings
    clear = []
    for opening in openings:
        corners = np.array(opening.minimum_rotated_rectangle.exterior.coords)
        clear.append(np.linalg.norm(np.diff(corners, axis=0), axis=1)[:2].min())
    middle = [side for side, hole in zip(clear, openings, strict=True) if hole.centroid.distance(Point(20, 20)) < 16]
    assert done.facts["least_gap_mm"] <= max(middle) * 1.02
    # a square opening of the plain ground is exactly as wide as the background
    assert min(abs(side - done.counted.size.background) for side in middle) < 0.02 * done.counted.size.background
    assert done.facts["greatest_gap_mm"] <= 1.1 * max(clear)


@pytest.mark.parametrize(("columns", "rows"), [(2, 2), (3, 3), (5, 3), (6, 6)])
def test_strands_of_more_than_half_a_cell_close_the_openings_at_the_corners_and_it_is_found(columns, rows):
    done = make(Design(Grid(columns, rows, 10.0, 10.0), strand=Strand(5.5, 0.6), heights=Heights(Making.FUSED)))
    assert done.mesh is not None and done.facts["least_gap_mm"] < 0
    assert "ground" in {finding.kind for finding in done.findings}


UNEVEN = [
    Design(Grid(5, 5, 10.0, 10.0), breaks, strand=Strand(3.6, 0.6, turns=ROUND), heights=Heights(Making.FUSED))
    for breaks in (
        Breaks((Site(5, 4), Site(3, 4)), (Site(4, 3), Site(4, 5))),
        Breaks((Site(3, 4), Site(5, 4), Site(7, 4)), ()),
        Breaks((Site(3, 4), Site(5, 6)), (Site(4, 5), Site(6, 5))),
        Breaks((Site(5, 2), Site(5, 4), Site(5, 6)), (Site(4, 3), Site(6, 5))),
    )
]


CLOSED = [Design(Grid(4, 4, 10.0, 10.0), Breaks((Site(5, 6),)), strand=Strand(width, 0.8)) for width in (3.9, 4.1, 4.3)]
"""Between the break and the border one cell away two strands lie side by side, upon one another."""


def uneven(done):
    return [finding for finding in done.findings if finding.kind == "ground"]


def test_background_that_is_uneven_is_found():
    """A dense knot of breaks brings strands nearer than the plain plait does."""
    seen = 0
    for design in UNEVEN:
        done = make(design)
        limit = (1 - EVEN) * done.facts["plain_gap_mm"]
        assert bool(uneven(done)) == (done.facts["least_gap_mm"] < limit - 1e-3)
        assert all(finding.value < limit for finding in uneven(done))
        assert [finding.value for finding in uneven(done)] == sorted(finding.value for finding in uneven(done))
        seen += len(uneven(done))
    assert seen


def test_the_width_named_for_uneven_background_mends_it():
    tried = 0
    for design in [*UNEVEN, *CLOSED]:
        for finding in uneven(make(design)):
            for mm in re.findall(r"a width of ([\d.]+) mm", finding.remedy):
                tried += 1
                again = make(replace(design, strand=replace(design.strand, width=float(mm))))
                assert finding.place not in {other.place for other in uneven(again)}
    assert tried >= len(CLOSED)


def test_a_loop_alone_has_no_gap_and_says_so():
    done = make(Design(Grid(1, 1, 10.0, 10.0)))
    assert done.facts["least_gap_mm"] is None and done.facts["greatest_gap_mm"] is None
