"""Outlines of strands cut across: simple, as wide and as thick as asked, symmetrical, with both middles."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Polygon

from knotgeom.design import Design, Divide, Grid, Groove, Heights, Making, Pass, Rejoin, Section, Strand, Way
from knotgeom.made import make
from knotgeom.sections import kinks, outlines
from knotgeom.sizing import sizes
from tests.core.measures import unsound

FREE_FORM = {
    "trapezium": ((0.0, 0.0), (2.0, 0.0), (1.5, 1.0), (0.5, 1.0)),
    "house": ((-1.0, 0.0), (1.0, 0.0), (1.0, 0.4), (0.0, 1.0), (-1.0, 0.4)),
    "clockwise": ((0.5, 1.0), (1.5, 1.0), (2.0, 0.0), (0.0, 0.0)),
    "lopsided": ((0.0, 0.0), (3.0, 0.2), (3.0, 1.0), (1.0, 1.5), (0.0, 0.8)),
    "lozenge": ((0.0, -1.0), (1.0, 0.0), (0.0, 1.0), (-1.0, 0.0)),
}
SECTIONS = [*Section, *FREE_FORM.values()]
NAMES = [*(s.value for s in Section), *FREE_FORM]


def outline_of(strand, width):
    size = sizes(Design(Grid(2, 2, 10.0, 10.0), strand=strand))
    across, up = outlines(strand, size, np.array([width]))
    return Polygon(np.column_stack([across[0], up[0]])), across[0], up[0]


@given(st.sampled_from(SECTIONS), st.floats(0.5, 6.0), st.floats(0.1, 1.0), st.floats(0.2, 1.0))
def test_every_outline_is_simple_and_fills_width_and_thickness(section, whole, deep, share):
    width = whole * share
    polygon, across, up = outline_of(Strand(whole, whole * deep, section), width)
    assert polygon.is_valid and polygon.exterior.is_ccw
    assert polygon.bounds == pytest.approx((-width / 2, -whole * deep / 2, width / 2, whole * deep / 2), abs=1e-9)
    assert len(across) % 2 == 0
    half = len(across) // 2
    assert across[0] == across[half] == 0.0 and up[0] < up[half]  # both middles, the lower one first
    assert (across[1:half] > 0).all() and (across[half + 1 :] < 0).all()
    assert np.hypot(np.diff(across, append=across[0]), np.diff(up, append=up[0])).min() > 1e-6 * whole


@pytest.mark.parametrize("section", list(Section), ids=[s.value for s in Section])
def test_named_sections_are_mirror_images_of_themselves(section):
    _, across, up = outline_of(Strand(4.0, 1.2, section), 4.0)
    mirror = (len(across) - np.arange(len(across))) % len(across)
    assert across == pytest.approx(-across[mirror]) and up == pytest.approx(up[mirror])


def test_areas_are_those_of_the_shapes_they_are_named_for():
    """A rectangle less four eased corners; half an ellipse (18 chords of it); a roof on low sides."""
    w, t = 4.0, 1.2
    assert outline_of(Strand(w, t, Section.FLAT), w)[0].area == pytest.approx(w * t, rel=0.03)
    assert outline_of(Strand(w, t, Section.FLAT), w)[0].area < w * t
    assert outline_of(Strand(w, t, Section.HALF_ROUND), w)[0].area == pytest.approx(math.pi / 4 * w * t, rel=0.01)
    peaked = outline_of(Strand(w, t, Section.PEAKED), w)[0].area
    assert w * t / 2 < peaked < 0.75 * w * t


@pytest.mark.parametrize("depth, angle", [(0.3, 60.0), (0.2, 90.0), (0.5, 45.0)])
def test_the_incised_line_has_its_depth_and_angle(depth, angle):
    """V cut: width = 2 depth tan(angle / 2), plane geometry."""
    w, t = 4.0, 1.2
    polygon, across, up = outline_of(Strand(w, t, Section.MEDIAN_INCISED, Groove(depth, angle)), w)
    half = len(across) // 2
    assert up[half] == pytest.approx(t / 2 - depth)
    lips = across[[half - 1, half + 1]]
    assert up[[half - 1, half + 1]] == pytest.approx(t / 2)
    assert lips[0] - lips[1] == pytest.approx(2 * depth * math.tan(math.radians(angle) / 2))
    flat = outline_of(Strand(w, t, Section.FLAT), w)[0].area
    assert flat - polygon.area == pytest.approx(depth**2 * math.tan(math.radians(angle) / 2))


@pytest.mark.parametrize("name", FREE_FORM)
def test_free_form_points_are_scaled_to_width_and_thickness_and_all_kept(name):
    points = np.array(FREE_FORM[name])
    _, across, up = outline_of(Strand(4.0, 1.2, FREE_FORM[name]), 3.0)
    low, high = points.min(0), points.max(0)
    scaled = ((points - (low + high) / 2) / (high - low)) * np.array([3.0, 1.2])
    for point in scaled:
        assert np.hypot(across - point[0], up - point[1]).min() < 1e-9
    area = abs(Polygon(points).area) / np.prod(high - low) * 3.0 * 1.2
    assert Polygon(np.column_stack([across, up])).area == pytest.approx(area)


@pytest.mark.parametrize("way", list(Making), ids=[w.value for w in Making])
@pytest.mark.parametrize("section", SECTIONS, ids=NAMES)
def test_every_section_forks_and_rejoins_in_a_sound_mesh(section, way):
    strand = Strand(3.6, 0.8, section)
    for divide in (
        Divide(passes=(Pass(3, 2, Way.RISING),), gap=1.0),
        Divide(circuits=(Pass(1, 2, Way.FALLING),), rejoin=Rejoin.BENDS, gap=0.0 if way is not Making.FREE else 1.0),
    ):
        done = make(Design(Grid(3, 3, 10.0, 10.0), divide=divide, strand=strand, heights=Heights(way, step=0.3)))
        assert done.counted.strand_map.forks >= 2
        assert done.mesh is not None and unsound(done.mesh) == []


@given(
    st.sampled_from(SECTIONS),
    st.floats(0.5, 6.0),
    st.floats(0.05, 1.0),
    st.floats(20.0, 150.0),
    st.sampled_from([2, 4]),
)
def test_between_its_kinks_an_outline_is_linear_in_its_width(section, whole, deep, angle, arc):
    """What the sweep of halves rests on: between kinks every point lies where a line from kink to kink says."""
    strand = Strand(whole, whole * deep, section, Groove(angle))
    size = replace(sizes(Design(Grid(2, 2, 10.0, 10.0), strand=strand)), arc=arc)
    knots = np.concatenate([[0.1 * whole], kinks(strand, size), [2.5 * whole]])
    knots = np.unique(np.clip(knots, 0.1 * whole, 2.5 * whole))
    width = np.linspace(knots[0], knots[-1], 97)
    for exact, at_knots in zip(outlines(strand, size, width), outlines(strand, size, knots), strict=True):
        told = np.stack([np.interp(width, knots, column) for column in at_knots.T], 1)
        assert told == pytest.approx(exact, abs=1e-12)
