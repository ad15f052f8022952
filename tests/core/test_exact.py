"""Solids meet themselves nowhere, by CGAL's exact arithmetic through libigl (no code of the project's own).

A mesh can be closed and turn the right way everywhere and yet pass through itself. Each pair of its triangles is
looked at with exact predicates; triangles that share a vertex or an edge may meet there and nowhere else.
"""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings

from knotgeom import counting, made
from knotgeom.errors import DesignError
from knotgeom.printing.piece import make_piece
from tests.core.exact import crossing_pairs, pairs_of
from tests.core.strategies import designs

SCRIPT = Path(__file__).resolve().parents[2] / "demo_scenes" / "demos.py"


def _demos():
    spec = importlib.util.spec_from_file_location("demo_scenes_for_exact", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return (*module.DEMOS, *module.SHAPED), module.PRINTED


DEMOS, PRINTED = _demos()
SMALL = [demo for demo in DEMOS if counting.count(demo.design).strand_map.crossings <= 120]


def test_two_tetrahedra_that_pass_through_each_other_are_found():
    tetrahedron = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], float)
    faces = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
    assert crossing_pairs(tetrahedron, faces) == 0
    both = np.vstack([tetrahedron, tetrahedron + [0.2, 0.15, -0.1]])
    assert crossing_pairs(both, np.vstack([faces, faces + 4])) > 0
    assert crossing_pairs(np.vstack([tetrahedron, tetrahedron + 2.0]), np.vstack([faces, faces + 4])) == 0


@pytest.mark.parametrize("demo", SMALL, ids=lambda demo: demo.name)
def test_the_solid_of_a_demo_meets_itself_nowhere(demo):
    assert pairs_of(made.solid(made.make(demo.design, prove=0))) == 0


@pytest.mark.parametrize("demo", PRINTED, ids=lambda demo: demo.name)
def test_a_finished_piece_and_its_model_meet_themselves_nowhere(demo):
    # with their fillets; the model with an allowance of 0.15 mm
    wanted = replace(demo.design.make.print, finishing=0.15)
    piece = make_piece(demo.design, wanted)
    for body in (*piece.finished, *piece.bodies):
        assert pairs_of(body) == 0
    if piece.creases.usual is not None:
        assert piece.creases.usual > 0.98 * wanted.fillet and piece.creases.least > 0.8 * wanted.fillet
        assert piece.creases.left < 0.15 * piece.creases.length


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])
@given(designs())
def test_the_solid_of_any_design_meets_itself_nowhere(design):
    try:
        solid = made.solid(made.make(design, prove=0))
    except DesignError:
        return  # refused with its reason; that this is right is asked elsewhere
    assert pairs_of(solid) == 0
