"""The core in Blender's own Python and NumPy weaves as elsewhere, and puts everything in the same place."""

import numpy as np
import pytest

from tests.known import values


@pytest.mark.parametrize("name", values.DESIGNS)
def test_a_design_gives_the_weave_and_the_places_that_are_kept(name):
    assert values.differences(name) == [], f"with NumPy {np.__version__}"
