"""Facts: the keys of the design file's description, ready for JSON, null where there is nothing to say."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings

from knotgeom.design import Breaks, Design, Divide, Grid, Heights, Making, Pass, Rejoin, Site, Strand, Way, Weave
from knotgeom.errors import DesignError
from knotgeom.made import facts, make
from knotgeom.mesh import volume
from knotgeom.progress import Cancelled
from tests.core.strategies import designs

COUNTS = {"crossings", "circuits", "woven_crossings", "forks", "exceptions", "fork_exceptions"}
MEASURES = {"depth_mm", "steepest_deg", "least_gap_mm", "median_gap_mm", "greatest_gap_mm"}
FINDING = {"kind", "place", "value", "remedy"}


@settings(max_examples=50)
@given(designs(3, sized=True))
def test_facts_have_every_key_and_are_plain_json(design):
    told = facts(design, pd=True)
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    assert COUNTS | MEASURES | {"unmet", "findings", "pd"} <= told.keys()
    for key in COUNTS:
        assert type(told[key]) is int and told[key] >= 0
    for key in MEASURES:
        assert told[key] is None or type(told[key]) is float
    assert ("components" in told) == (told["forks"] == 0)
    assert (told["pd"] is None) == (told["forks"] > 0)
    for finding in told["findings"]:
        assert finding.keys() >= FINDING and finding["place"] and finding["remedy"]
        assert not re.search(r" (width|gap|thickness|step|limit) of (-|0\.00)", finding["remedy"]), finding["remedy"]
    if told["pd"] is not None:
        assert len(told["pd"]) == told["woven_crossings"]
        labels = sorted(label for crossing in told["pd"] for label in crossing)
        assert labels == sorted([*range(1, 2 * told["woven_crossings"] + 1)] * 2)


@settings(max_examples=30)
@given(designs(3, sized=True))
def test_made_facts_findings_and_mesh_agree(design):
    done = make(design)
    assert facts(design) == done.facts
    assert "pd" not in done.facts
    assert [finding["kind"] for finding in done.facts["findings"]] == [finding.kind for finding in done.findings]
    assert (done.mesh is None) == (done.facts["steepest_deg"] is None)
    if done.mesh is not None and done.design.heights.way is not Making.CARVED:
        deep = np.ptp(done.mesh.vertices[:, 2])
        assert 0.97 * done.facts["depth_mm"] <= deep <= done.facts["depth_mm"] + 1e-3
        assert 0 <= done.facts["steepest_deg"] <= 85


def test_the_example_of_the_design_document():
    """4 x 4 less a corner cell, three breaks, one circuit and one pass divided: the counts written there."""
    design = Design(
        Grid(4, 4, 10.0, 10.0, ((3, 3),)),
        Breaks((Site(3, 4), Site(5, 4)), (Site(4, 3),)),
        Divide((Pass(1, 2, Way.RISING),), (Pass(3, 2, Way.FALLING),), gap=0.8),
        Weave(prefer=(Pass(1, 2, Way.RISING),)),
        Strand(4.0, 1.6),
        Heights(Making.FUSED, step=0.5, slope_limit_deg=45),
    )
    told = facts(design)
    assert (told["crossings"], told["circuits"], told["woven_crossings"], told["forks"], told["exceptions"]) == (
        19,
        4,
        25,
        2,
        2,
    )
    assert told["steepest_deg"] is not None and told["steepest_deg"] <= 45


def test_a_design_too_tight_to_make_still_gives_its_counts():
    design = Design(
        Grid(3, 3, 10.0, 10.0),
        divide=Divide(all=True, rejoin=Rejoin.STEPS, gap=1.0),
        strand=Strand(6.5, 2.0),
    )
    done = make(design)
    assert done.mesh is None
    assert done.facts["woven_crossings"] == 48 and done.facts["forks"] == 48
    assert done.facts["depth_mm"] is None and done.facts["steepest_deg"] is None
    assert done.facts["findings"]


def test_components_are_closed_strands_after_dividing():
    """gcd(columns, rows) circuits (trade.md 2.1), twice as many when all are divided (2.13); a loop is one strand."""
    for columns, rows in ((2, 3), (2, 4), (3, 3), (4, 6)):
        grid = Grid(columns, rows, 10.0, 10.0)
        circuits = math.gcd(columns, rows)
        assert facts(Design(grid))["components"] == circuits
        assert facts(Design(grid, divide=Divide(all=True)))["components"] == 2 * circuits
    assert facts(Design(Grid(1, 1, 10.0, 10.0)))["components"] == 1
    assert facts(Design(Grid(1, 1, 10.0, 10.0), divide=Divide(all=True)))["components"] == 2


def test_wishes_that_cannot_be_kept_are_listed():
    both = (Pass(3, 2, Way.RISING), Pass(3, 2, Way.FALLING))
    told = facts(Design(Grid(3, 3, 10.0, 10.0), weave=Weave(prefer=both)))
    assert len(told["unmet"]) == 1 and tuple(told["unmet"][0][:2]) == (3, 2)


def test_the_same_design_gives_the_same_bytes():
    design = Design(Grid(3, 3, 10.0, 10.0), divide=Divide(passes=(Pass(3, 2, Way.RISING),), gap=1.0))
    one, other = make(design), make(design)
    assert json.dumps(one.facts) == json.dumps(other.facts)
    assert one.mesh.vertices.tobytes() == other.mesh.vertices.tobytes()


def test_coarse_meshes_are_the_same_shape_with_fewer_faces():
    design = Design(Grid(3, 3, 10.0, 10.0))
    fine, coarse = make(design), make(design, fine=False)
    assert len(coarse.mesh.quads) < 0.6 * len(fine.mesh.quads)
    assert volume(coarse.mesh) == pytest.approx(volume(fine.mesh), rel=0.02)
    assert coarse.facts["crossings"] == fine.facts["crossings"]


def test_progress_rises_to_the_end_and_can_stop_the_work():
    shares, stages = [], []

    def report(share, stage):
        shares.append(share)
        stages.append(stage)

    make(Design(Grid(2, 3, 10.0, 10.0)), progress=report)
    assert shares == sorted(shares) and shares[-1] == 1.0 and len(set(stages)) >= 4

    def stop(share, stage):
        if share > 0.2:
            raise Cancelled

    with pytest.raises(Cancelled):
        make(Design(Grid(2, 3, 10.0, 10.0)), progress=stop)


def test_impossible_designs_are_refused():
    plain = Design(Grid(3, 3, 10.0, 10.0))
    for wrong in (
        replace(plain, strand=Strand(width=7.2)),
        replace(plain, breaks=Breaks((Site(3, 0),))),
        replace(plain, divide=Divide(circuits=(Pass(9, 2, Way.RISING),))),
    ):
        with pytest.raises(DesignError):
            make(wrong)
        with pytest.raises(DesignError):
            facts(wrong)
