"""What is cut from a board or drawn on paper needs a layout that lies flat and has ends."""

from __future__ import annotations

import pytest

from knotgeom import made
from knotgeom.carving.panel import plan_panel
from knotgeom.design import Cylinder, Design, Dome, Ring, Sphere, Strip
from knotgeom.errors import DesignError
from knotgeom.sheets.rails import Rails

ROUND = {
    "strip": Strip(4, 2, 10.0, 10.0, 2),
    "bangle": Strip(4, 2, 10.0, 10.0, 2, surface=Cylinder()),
    "bead": Strip(10, 3, 5.0, 5.0, surface=Sphere(20.0)),
    "boss": Ring(12, 2, 20.0, 50.0, surface=Dome(12.0)),
}


@pytest.mark.parametrize("layout", ROUND.values(), ids=ROUND)
def test_a_layout_that_goes_round_or_is_curved_is_refused_as_a_relief_and_as_a_pattern(layout):
    design = Design(layout)
    with pytest.raises(DesignError, match="no relief on a board"):
        plan_panel(design)
    drawn = made.make(design, prove=0).drawn
    with pytest.raises(DesignError, match="no (flat )?pattern"):
        Rails(drawn.courses, drawn.lanes)


def test_a_ring_in_the_plane_is_both():
    design = Design(Ring(12, 2, 24.0, 50.0))
    assert plan_panel(design).made.mesh is not None
    drawn = made.make(design, prove=0).drawn
    assert Rails(drawn.courses, drawn.lanes).lanes is drawn.lanes
