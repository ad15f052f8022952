"""Strands that cross once more than the layout has it, and free strands that run into each other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings

from knotgeom.counting import count
from knotgeom.design import Breaks, Cylinder, Design, Divide, Hand, Rim, Site, Strand, Strip, Turn, Turns, Weave
from knotgeom.divide import previous_visits
from knotgeom.drawing import draw
from knotgeom.errors import DesignError
from knotgeom.made import make, solid
from knotgeom.meeting import run_into_each_other
from knotgeom.parts import crossed_again
from knotgeom.remedies import applied
from tests.core.curves import bodies, seen_from_above
from tests.core.strategies import whole_designs
from tests.core.test_sound import ONCE_BROKEN

TIP = Design(
    Strip(2, 2, 10.0, 8.0, 4, Rim.CROSSED, Rim.CROSSED, Cylinder()),
    Breaks((Site(0, 3),)),
    weave=Weave(Hand.LEFT),
    strand=Strand(3.2, 0.8, turns=Turns(breaks=Turn.POINTED)),
)
"""The tips of one strand lie upon the edges of another, which runs round them from one of its crossings to the next."""


@settings(max_examples=40, suppress_health_check=list(HealthCheck))
@given(whole_designs("mesh"))
def test_strands_are_told_of_where_they_are_drawn_to_cross_more_often_than_in_the_layout(design):
    """Against every step of the centre lines held against every other."""
    try:
        counted = count(replace(design, divide=Divide()))
        courses = draw(counted).courses
    except DesignError:
        assume(False)
    assume(not courses.pointed.any())  # at a tip the lines through the middles of steps are not the strand's
    rng = np.random.default_rng(0)  # heights only keep the diagram from being refused
    lines = [
        np.column_stack([courses.point[a:b], rng.uniform(0, 1, b - a)])
        for a, b in zip(courses.start[:-1], courses.start[1:], strict=True)
    ]
    told = crossed_again(
        counted.layout,
        counted.circuits,
        counted.strand_map,
        courses,
        counted.size.width,
        previous_visits(counted.circuits),
    )
    assert bool(told) == (len(seen_from_above(lines)) > counted.strand_map.crossings)


@pytest.mark.parametrize("apart", [0.0, 0.3, 0.7, 0.79, 0.8, 1.0])
def test_what_free_strands_sink_into_each_other_is_their_thickness_less_their_distance_in_height(apart):
    """Two flat sections, upright, whose middles lie ``apart``: t - apart in closed form, nothing from t on."""
    counted = count(TIP)
    drawn = draw(counted)
    lane = np.repeat(np.arange(len(drawn.lanes.circuit)), np.diff(drawn.lanes.start))
    told = run_into_each_other(
        counted.layout,
        counted.circuits,
        counted.strand_map,
        drawn.courses,
        drawn.lanes,
        apart * (drawn.lanes.circuit[lane] == 0),
        counted.design.strand,
        counted.size,
        previous_visits(counted.circuits),
    )
    if apart >= 0.98 * 0.8:  # what the measure leaves open
        assert not told
    else:
        assert max(finding.value or 0.0 for finding in told) == pytest.approx(0.8 - apart, abs=1e-9)


def test_fused_strands_that_touch_nowhere_are_told_of_and_are_joined_with_the_step_that_is_offered():
    """Bodies counted, and their least distance taken, by manifold3d."""
    made = make(ONCE_BROKEN["fused strands that touch nowhere where they cross"])
    (told,) = made.findings
    one, other = bodies(solid(made))
    assert told.kind == "hollow" and 0.0 < one.min_gap(other, 2.0) < told.value
    lower = make(applied(made.design, told.changes[0]))
    assert not lower.findings and len(bodies(solid(lower))) == 1
