"""The core in Blender's own Python and NumPy weaves as elsewhere, and puts everything in the same place."""

import numpy as np
import pytest

from tests.known import values


@pytest.mark.parametrize("name", values.ALL)
def test_a_design_gives_the_weave_and_the_places_that_are_kept(name):
    if not values.is_to_be_had(name):
        pytest.skip("needs manifold3d, which Blender does not have")
    assert values.differences(name) == [], f"with NumPy {np.__version__}"
