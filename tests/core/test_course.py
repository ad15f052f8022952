"""Plan curves: through every crossing, smooth, closed, off the walls, and no tighter than a quarter of the width."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings

from knotgeom.counting import count
from knotgeom.course import plan_courses
from knotgeom.design import Breaks, Design, Divide, Grid, Making, Pass, Rejoin, Site, Strand, Turn, Turns, Way
from knotgeom.drawing import draw
from knotgeom.findings import INSIDE
from knotgeom.made import make
from tests.core.measures import onto_polyline
from tests.core.reference import direction
from tests.core.strategies import cells_beside, cells_of, designs

ROUND = Turns(Turn.ROUND, Turn.ROUND, Turn.ROUND)
POINTED = Turns(Turn.POINTED, Turn.POINTED, Turn.POINTED)
BROKEN = Breaks((Site(5, 4),), (Site(4, 5),))
WIDTH = Strand(width=3.6, thickness=0.8)
DESIGNS = {
    "plain": Design(Grid(4, 4, 10.0, 10.0), strand=WIDTH),
    "plain, round": Design(Grid(4, 3, 10.0, 10.0), strand=replace(WIDTH, turns=ROUND)),
    "oblong cells": Design(Grid(3, 4, 10.0, 12.5), strand=replace(WIDTH, turns=ROUND)),
    "breaks": Design(Grid(4, 4, 10.0, 10.0), BROKEN, strand=replace(WIDTH, turns=ROUND)),
    "breaks, pointed": Design(Grid(4, 4, 10.0, 10.0), BROKEN, strand=replace(WIDTH, turns=POINTED)),
    "cells less": Design(Grid(4, 4, 10.0, 10.0, ((0, 0), (2, 2))), strand=replace(WIDTH, turns=ROUND)),
    "a loop": Design(Grid(1, 1, 10.0, 10.0), strand=replace(WIDTH, turns=ROUND)),
}


def courses_of(design, spacing):
    counted = count(design)
    return counted, plan_courses(design, counted.layout, counted.circuits, counted.size, spacing)


def each_circuit(courses):
    for begin, end in zip(courses.start[:-1].tolist(), courses.start[1:].tolist(), strict=True):
        yield slice(begin, end)


def chord_curvature(point):
    """Curvature at each point of a closed polyline from the circle through it and its neighbours (Menger)."""
    back, ahead = point - np.roll(point, 1, 0), np.roll(point, -1, 0) - point
    over = np.roll(point, -1, 0) - np.roll(point, 1, 0)
    cross = back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0]
    return 2 * cross / (np.linalg.norm(back, axis=1) * np.linalg.norm(ahead, axis=1) * np.linalg.norm(over, axis=1))


def beside(pointed, reach):
    """Samples at most ``reach`` away from a pointed turn."""
    near = pointed.copy()
    for k in range(1, reach + 1):
        near |= np.roll(pointed, k) | np.roll(pointed, -k)
    return near


@settings(max_examples=40)
@given(designs(4, divided=False, sized=True))
def test_strands_pass_every_crossing_at_the_layouts_angle(design):
    counted, courses = courses_of(design, 0.1 * count(design).size.pitch)
    grid, circuits = design.layout, counted.circuits
    cell = np.array([grid.cell_width, grid.cell_height])
    visits = zip(
        circuits.visit_edge.tolist(), circuits.visit_pass.tolist(), circuits.visit_forward.tolist(), strict=True
    )
    for visit, (edge, index, forward) in enumerate(visits):
        x, y = counted.layout.site[edge].tolist()
        circuit = int(np.searchsorted(circuits.visit_start, visit, side="right")) - 1
        span = slice(int(courses.start[circuit]), int(courses.start[circuit + 1]))
        at = int(np.abs(courses.along[span] - courses.visit_along[visit]).argmin()) + span.start
        assert courses.point[at] == pytest.approx(np.array([x, y]) * cell / 2, abs=1e-9)
        ahead = np.array(direction(x, index, forward)) * cell
        left = np.array([-ahead[1], ahead[0]]) / np.linalg.norm(ahead)
        assert courses.lateral[at] == pytest.approx(left, abs=1e-9)


@settings(max_examples=30)
@given(designs(3, divided=False, sized=True))
def test_curves_are_closed_and_have_the_tangent_and_curvature_that_they_tell(design):
    """Laterals are square to the chords, and curvature is that of circles through neighbouring samples."""
    counted, courses = courses_of(design, 0.02 * count(design).size.pitch)
    assume(np.abs(courses.curvature).max(initial=0) * counted.size.width < 2)  # else a finding; samples are too coarse
    assert len(courses.length) == counted.circuits.count
    for span in each_circuit(courses):
        point, lateral, pointed = courses.point[span], courses.lateral[span], courses.pointed[span]
        step = np.linalg.norm(np.roll(point, -1, 0) - point, axis=1)
        assert step.sum() == pytest.approx(courses.length[(courses.start[:-1] == span.start).argmax()], rel=1e-9)
        assert step[~beside(pointed, 1)].max(initial=0) < 0.05 * counted.size.pitch
        smooth = ~beside(pointed, 2)
        ahead = np.roll(point, -1, 0) - np.roll(point, 1, 0)
        ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
        assert np.abs((ahead * lateral).sum(1))[smooth].max(initial=0) < 0.02
        assert np.linalg.norm(lateral, axis=1)[~pointed] == pytest.approx(1.0)
        told, seen = courses.curvature[span], chord_curvature(point)
        assert np.abs(told - seen)[smooth].max(initial=0) * counted.size.width < 0.25  # of 1 / width


@pytest.mark.parametrize("name", DESIGNS)
def test_tangent_and_curvature_are_continuous_away_from_pointed_turns(name):
    """Halving the spacing of the samples halves the greatest turn and the greatest change of curvature between two."""
    jumps = []
    for spacing in (0.05, 0.025):
        counted, courses = courses_of(DESIGNS[name], spacing)
        turn = change = 0.0
        for span in each_circuit(courses):
            point, smooth = courses.point[span], ~beside(courses.pointed[span], 2)
            bend = chord_curvature(point)
            step = np.linalg.norm(np.roll(point, -1, 0) - point, axis=1)
            turn = max(turn, float(np.abs(bend * step)[smooth].max()))
            after = smooth & np.roll(smooth, -1)
            change = max(change, float(np.abs(np.roll(bend, -1) - bend)[after].max()))
        jumps.append((turn, change))
    assert jumps[0][0] > 0
    assert jumps[1][0] < 0.6 * jumps[0][0]
    assert jumps[1][1] < 0.7 * jumps[0][1]


def test_mitres_keep_both_edges_sharp_at_full_width():
    """At a pointed tip both edges bend there and nowhere beside it, and the band is as wide to either side."""
    counted, courses = courses_of(DESIGNS["plain"], 0.4)
    tips = np.flatnonzero(courses.pointed)
    assert len(tips) == 4  # the corners
    half = counted.size.width / 2
    for tip in tips.tolist():
        p, m = courses.point[tip - 1 : tip + 2], courses.lateral[tip - 1 : tip + 2]
        come, go = p[1] - p[0], p[2] - p[1]
        turn = np.arctan2(come[0] * go[1] - come[1] * go[0], come @ go)
        assert abs(turn) == pytest.approx(np.pi / 2)
        for side in (half, -half):
            edge = p + side * m
            for stretch, ahead in ((edge[1] - edge[0], come), (edge[2] - edge[1], go)):
                assert stretch @ ahead >= -1e-9  # never runs back
                assert abs(stretch[0] * ahead[1] - stretch[1] * ahead[0]) < 1e-9  # parallel: the width is kept


# ---------------------------------------------------------------------------------------------- bends


@settings(max_examples=60)
@given(designs(4, sized=True))
def test_no_inside_edge_is_tighter_than_a_quarter_of_the_width_or_it_is_found(design):
    counted = count(design)
    drawn = draw(counted)
    done = make(design)
    tight = 0.0
    for span in each_circuit(drawn.courses):
        bend = chord_curvature(drawn.courses.point[span])
        tight = max(tight, float(np.abs(bend)[~beside(drawn.courses.pointed[span], 1)].max(initial=0)))
    found = [finding for finding in done.findings if finding.kind == "bend"]
    width = counted.size.width
    if tight > 1.1 / ((0.5 + INSIDE) * width):
        assert found
    for finding in found:
        assert finding.value < INSIDE * width
        assert finding.at is not None


TIGHT = {
    "a loop": Design(Grid(1, 1, 4.0, 3.2), strand=Strand(1.25, turns=ROUND)),
    "narrow cells": Design(Grid(1, 2, 24.0, 19.2), strand=Strand(9.0, turns=ROUND)),
    "one column": Design(Grid(1, 3, 10.0, 12.5), strand=Strand(3.9, turns=ROUND)),
    "one row": Design(Grid(2, 1, 10.0, 8.0), strand=Strand(5.0, turns=ROUND)),
}


def bend_widths(design):
    """The widths that bend findings name."""
    return [
        float(mm)
        for finding in make(design).findings
        if finding.kind == "bend"
        for mm in re.findall(r"a width of ([\d.]+) mm", finding.remedy)
    ]


@pytest.mark.parametrize("name", TIGHT)
def test_a_bend_that_is_too_tight_names_a_width_and_going_on_so_ends_in_one_that_fits(name):
    design, tried = TIGHT[name], []
    while widths := bend_widths(design):
        assert min(widths) < design.strand.width
        tried.append(min(widths))
        assert len(tried) <= 4 and tried[-1] > 0.3 * TIGHT[name].strand.width
        design = replace(design, strand=replace(design.strand, width=tried[-1]))
    assert tried


def test_the_first_width_that_a_bend_finding_names_fits():
    for design in TIGHT.values():
        assert bend_widths(design)
        assert not bend_widths(replace(design, strand=replace(design.strand, width=min(bend_widths(design)))))


@pytest.mark.parametrize("way", list(Making), ids=[w.value for w in Making])
def test_plain_plaits_of_the_default_width_have_no_bend_too_tight(way):
    for columns, rows in ((2, 2), (2, 3), (4, 4), (5, 3), (6, 6)):
        done = make(Design(Grid(columns, rows, 10.0, 10.0), heights=replace(Design(Grid(1, 1, 1, 1)).heights, way=way)))
        assert {f.kind for f in done.findings} == set()


# ---------------------------------------------------------------------------------------------- walls


def walls_of(design):
    """Every wall as (middle, half length vector) in mm: the rim of the cells and the breaks."""
    grid = design.layout
    cells, cell = cells_of(grid), np.array([grid.cell_width, grid.cell_height])
    for x in range(2 * grid.columns + 1):
        for y in range(2 * grid.rows + 1):
            if (x + y) % 2 == 0:
                continue
            sides = [beside in cells for beside in cells_beside((x, y))]
            if sides[0] != sides[1]:
                yield np.array([x, y]) * cell / 2, (np.array([1.0, 0.0]) if x % 2 else np.array([0.0, 1.0])) * cell / 2
    for sites, along in ((design.breaks.horizontal, [1.0, 0.0]), (design.breaks.vertical, [0.0, 1.0])):
        for site in sites:
            yield np.array(site) * cell / 2, 0.25 * np.array(along) * cell / 2


@pytest.mark.parametrize("name", DESIGNS)
def test_strands_stand_back_from_walls_and_breaks_by_their_share_of_background(name):
    """By half their width and at most half the background, at least a tenth of it; all of the board is used."""
    counted, courses = courses_of(DESIGNS[name], 0.1)
    size = counted.size
    for middle, reach in walls_of(DESIGNS[name]):
        wall = middle + np.linspace(-1, 1, 9)[:, None] * reach
        nearest = min(float(onto_polyline(wall, courses.point[span])[0].min()) for span in each_circuit(courses))
        assert nearest >= size.width / 2 + 0.1 * size.background
        centre = min(float(onto_polyline(middle[None], courses.point[span])[0].min()) for span in each_circuit(courses))
        assert centre <= size.width / 2 + 0.75 * size.background


# ---------------------------------------------------------------------------------------------- forks


@pytest.mark.parametrize("rejoin", list(Rejoin), ids=[r.value for r in Rejoin])
def test_forks_open_with_no_notch_and_no_bulge(rejoin):
    """The outer edges of a pair are those of the whole strand; its inner edges part smoothly from the middle."""
    design = Design(
        Grid(4, 4, 10.0, 10.0),
        divide=Divide(all=rejoin is not Rejoin.NONE, passes=(), rejoin=rejoin, gap=1.0),
        strand=replace(WIDTH, turns=ROUND),
    )
    if rejoin is Rejoin.NONE:
        design = replace(design, divide=Divide(passes=(Pass(3, 4, Way.RISING),), gap=1.0))
    done = make(design)
    lanes, size = done.drawn.lanes, done.counted.size
    assert done.counted.strand_map.forks
    checked = 0
    for lane in np.flatnonzero(lanes.paired).tolist():
        span = slice(int(lanes.start[lane]), int(lanes.start[lane + 1]))
        half = ~lanes.whole[span]
        offset, width = np.abs(lanes.offset[span][half]), lanes.width[span][half]
        assert offset + width / 2 == pytest.approx(size.width / 2)
        gap = 2 * (offset - width / 2)
        assert gap.min() >= -1e-12 and gap.max() == pytest.approx(size.gap)
        run = lanes.whole[span]
        opening = 2 * (np.abs(lanes.offset[span]) - lanes.width[span] / 2)
        step = np.abs(np.diff(opening))[~run[:-1] & ~run[1:]]
        assert step.max() < 0.5 * size.gap  # opens over several samples
        checked += 1
    assert checked
