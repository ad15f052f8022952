"""United strands nowhere meet themselves, where the pieces that they are cut into lie upon one another.

By CGAL's exact predicates through libigl. Each design once gave a solid whose triangles crossed, or none.
"""

from __future__ import annotations

import pytest

from knotgeom.design import (
    Breaks,
    Cylinder,
    Design,
    Divide,
    Dome,
    Hand,
    Heights,
    Making,
    Pass,
    Rejoin,
    Rim,
    Ring,
    Section,
    Site,
    Sphere,
    Strand,
    Strip,
    Turn,
    Turns,
    Way,
    Weave,
)
from knotgeom.made import make, solid
from tests.core.exact import pairs_of
from tests.core.test_solid import assert_sound

TRAPEZE = ((0.0, 0.0), (2.0, 0.0), (1.5, 1.0), (0.5, 1.0))
UPON_ONE_ANOTHER = {
    "pieces of one level that meet on a curved surface": Design(
        Ring(7, 1, 25.0, 37.0, outer_edge=Rim.CROSSED, surface=Dome(10.0)),
        divide=Divide(
            circuits=(Pass(10, 1, Way.RISING), Pass(8, 1, Way.FALLING)),
            passes=(
                Pass(0, 1, Way.FALLING),
                Pass(4, 1, Way.FALLING),
                Pass(2, 1, Way.FALLING),
                Pass(6, 1, Way.RISING),
                Pass(12, 1, Way.FALLING),
            ),
            rejoin=Rejoin.STEPS,
        ),
        weave=Weave(prefer=(Pass(12, 1, Way.FALLING), Pass(4, 1, Way.FALLING), Pass(6, 1, Way.FALLING))),
        strand=Strand(2.945, section=Section.HALF_ROUND, turns=Turns(breaks=Turn.POINTED)),
        heights=Heights(Making.FUSED, 0.2945, 0.1414, 45.0),
    ),
    "cuts that lie within another strand": Design(
        Strip(2, 1, 10.0, 10.0, 4, surface=Sphere(32.0)),
        strand=Strand(turns=Turns(corners=Turn.ROUND)),
        heights=Heights(Making.FUSED),
    ),
    "halves that part on a curved surface": Design(
        Strip(1, 2, 10.0, 12.0, 4, surface=Cylinder()),
        divide=Divide((Pass(0, 3, Way.RISING), Pass(0, 1, Way.FALLING)), rejoin=Rejoin.STEPS),
        weave=Weave(prefer=(Pass(0, 1, Way.RISING), Pass(0, 3, Way.FALLING))),
        strand=Strand(3.841, section=TRAPEZE, turns=Turns(breaks=Turn.POINTED)),
        heights=Heights(Making.CARVED, 0.1152, depth_limit=2.4),
    ),
    "a piece that lies upon itself": Design(
        Ring(2, 1, 25.0, 35.0),
        Breaks((Site(2, 1),)),
        weave=Weave(Hand.LEFT),
        heights=Heights(Making.CARVED, 0.2305),
    ),
}


@pytest.mark.parametrize("name", UPON_ONE_ANOTHER)
def test_strands_that_lie_upon_one_another_unite_to_a_solid_that_meets_itself_nowhere(name):
    body = solid(make(UPON_ONE_ANOTHER[name], prove=0))
    assert_sound(body)
    assert pairs_of(body) == 0
