"""The demonstrations: nothing is found against them, their background is even, their files are those of the script."""

from __future__ import annotations

import hashlib
import importlib.util
import sys
from pathlib import Path

import pytest

from knotgeom import counting, made, reading

SCRIPT = Path(__file__).resolve().parents[2] / "demo_scenes" / "demos.py"


def _demos():
    spec = importlib.util.spec_from_file_location("demo_scenes_demos", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return (*module.DEMOS, *module.CARVED, *module.PRINTED), (*module.SHAPED, *module.TRIMMED)


ON_GRIDS, SHAPED = _demos()
DEMOS = (*ON_GRIDS, *SHAPED)
every_demo = pytest.mark.parametrize("demo", DEMOS, ids=lambda demo: demo.name)


@pytest.mark.parametrize("demo", ON_GRIDS, ids=lambda demo: demo.name)
def test_nothing_is_found_against_a_demo_and_its_background_keeps_within_a_fifth_of_the_plain_plaits(demo):
    facts = made.facts(demo.design)
    assert facts["findings"] == []
    assert facts["exceptions"] == 0 and facts["exact"] and facts["unmet"] == []
    plain = facts["plain_gap_mm"]
    assert 0.8 * plain <= facts["least_gap_mm"] <= facts["greatest_gap_mm"] <= 1.2 * plain
    assert facts["steepest_deg"] < 45


@pytest.mark.parametrize("demo", SHAPED, ids=lambda demo: demo.name)
def test_nothing_is_found_against_a_demo_on_another_layout(demo):
    facts = made.facts(demo.design)
    assert facts["findings"] == []
    assert facts["exceptions"] == 0 and facts["exact"] and facts["unmet"] == []
    assert facts["steepest_deg"] < 45


@every_demo
def test_the_design_file_of_a_demo_is_what_its_script_writes(demo):
    text = demo.path.read_text(encoding="utf-8")
    assert _digest(text) == _digest(reading.write_text(demo.design))
    assert reading.read_file(str(demo.path)) == demo.design


def test_every_design_file_belongs_to_a_demo():
    assert {path.name for path in SCRIPT.parent.glob("**/*.interlace.json")} == {demo.path.name for demo in DEMOS}


def test_demos_serve_all_three_people_and_show_every_way_of_dividing():
    assert len(DEMOS) >= 6
    assert {demo.person for demo in DEMOS} == {"woodcarver", "jeweller", "game artist"}
    counts = {demo.name: counting.count(demo.design) for demo in DEMOS}
    divided = {name: c.strand_map.crossings for name, c in counts.items()}
    whole = {name: int((c.layout.state == 0).sum()) for name, c in counts.items()}
    assert any(counts[name].strand_map.forks > 0 for name in counts)
    assert any(divided[name] == 4 * whole[name] for name in counts)
    assert any(whole[name] < divided[name] < 4 * whole[name] and not counts[name].strand_map.forks for name in counts)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
