"""Surfaces that bend too strongly for the strands on them, against the finished meshes."""

from __future__ import annotations

import numpy as np
import pytest

from knotgeom.curvature import SHRINKS
from knotgeom.design import Breaks, Cylinder, Design, Dome, Heights, Making, Ring, Site, Sphere, Strand, Strip, Turned
from knotgeom.findings import Finding
from knotgeom.made import Made, make
from knotgeom.remedies import applied

FIN = Turned(((18.8, 0.0), (27.2, 2.0), (29.3, 3.0), (30.0, 4.0), (29.3, 5.0), (27.2, 6.0), (18.8, 8.0)))
"""A turned form with a ridge round it: a parabola of radius 0.7 mm at its tip."""
THROAT = Turned(((30.0, 0.0), (21.0, 7.5), (20.0, 8.0), (21.0, 8.5), (30.0, 16.0)))
"""The same turned inside out: a sharp hollow."""


def curved(made: Made) -> list[Finding]:
    return [finding for finding in made.findings if finding.kind == "curvature"]


@pytest.mark.parametrize("way", [Making.FREE, Making.FUSED, Making.CARVED])
@pytest.mark.parametrize("surface", [Cylinder(), Sphere(16.0)])
def test_a_strand_is_told_of_where_its_inside_shrinks_by_half(surface: Cylinder | Sphere, way: Making) -> None:
    told = []
    for thickness in (0.4, 0.8, 1.6, 2.4):
        strip = Strip(10, 2, 5.0, 5.0, surface=surface)
        made = make(Design(strip, strand=Strand(thickness=thickness), heights=Heights(way, slope_limit_deg=None)))
        radius = 50 / (2 * np.pi) if isinstance(surface, Cylinder) else 8.0
        if made.mesh is None:
            continue
        axis = [0, 2] if isinstance(surface, Cylinder) else [0, 1, 2]
        least = np.linalg.norm(made.mesh.vertices[:, axis], axis=1).min()
        # parallel curves: the inside is as much shorter as it is nearer to the axis
        assert bool(curved(made)) == (1 - least / radius > SHRINKS)
        told.append(bool(curved(made)))
        for finding in curved(made):
            assert finding.value == pytest.approx(radius, rel=1e-3)
            assert finding.place.startswith("between crossings")
            assert finding.at is not None
            assert np.linalg.norm(np.array(finding.at)[axis]) == pytest.approx(radius, rel=1e-3)
    assert not told[0]


def test_both_answers_are_given_on_a_ring_as_it_thickens() -> None:
    told = [bool(curved(make(thick(t)))) for t in (0.5, 1.0, 2.0, 3.0)]
    assert told == sorted(told)
    assert set(told) == {False, True}


def thick(thickness: float) -> Design:
    return Design(Strip(6, 2, 5.0, 5.0, surface=Cylinder()), strand=Strand(thickness=thickness))


def test_a_strand_that_reaches_the_axis_of_its_ring_is_not_made() -> None:
    made = make(Design(Strip(4, 2, 5.0, 5.0, surface=Cylinder()), strand=Strand(thickness=3.0)))
    assert made.mesh is None
    assert made.facts["depth_mm"] is None
    assert curved(made)


def test_loops_without_a_crossing_are_told_of_as_such() -> None:
    strip = Strip(1, 1, 10.0, 10.0, 2, surface=Cylinder())
    done = make(Design(strip, Breaks((Site(0, 1),)), strand=Strand(3.0, 3.4)))
    assert [finding.place for finding in curved(done)] == ["on a loop without a crossing"] * 2
    assert [finding.value for finding in curved(done)] == pytest.approx([20 / (2 * np.pi)] * 2, abs=1e-4)


def test_the_thickness_offered_will_do() -> None:
    design = thick(3.0)
    finding = curved(make(design))[0]
    assert [change.key for change in finding.changes] == ["strand.thickness"]
    assert not curved(make(applied(design, finding.changes[0])))


def test_a_flat_strip_and_a_low_boss_bend_too_strongly_nowhere() -> None:
    assert not curved(make(Design(Strip(3, 2, 5.0, 5.0), strand=Strand(thickness=1.5))))
    assert not curved(make(Design(Ring(12, 2, 10.0, 24.0, surface=Dome(2.0)))))


def test_wide_strands_over_a_sharp_ridge_are_told_of_and_narrow_ones_are_not() -> None:
    def over(width: float) -> list[Finding]:
        strip = Strip(16, 2, 8.0, 8.0, surface=FIN)
        return curved(make(Design(strip, strand=Strand(width=width, thickness=0.1)), prove=0))

    assert not over(0.5)
    wide = over(4.0)
    assert any("half the width turns" in finding.measured for finding in wide)
    worst = wide[0]
    assert worst.at is not None
    assert np.hypot(worst.at[0], worst.at[2]) > 28  # on the ridge


def test_a_hollow_is_too_tight_for_what_stands_above_it() -> None:
    strip = Strip(16, 2, 8.0, 8.0, surface=THROAT)
    found = curved(make(Design(strip, strand=Strand(width=0.5, thickness=1.5))))
    assert found
    assert found[0].at is not None
    assert np.hypot(found[0].at[0], found[0].at[2]) < 22
