"""The same design gives the same bytes, run after run, and the same weave and places on every Python and NumPy."""

from __future__ import annotations

import hashlib
import importlib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
from scipy.optimize import LinearConstraint, milp

from knotgeom import tjoin
from knotgeom.design import Layouts, Making
from tests.core.test_faults import VERBS, words
from tests.known import values

ROOT = Path(__file__).parents[2]


def digests(folder: Path, name: str, seed: str, zone: str) -> dict[str, str]:
    """What a verb writes in a process of its own, as SHA-256 by file name."""
    folder.mkdir()
    content, _, written = VERBS[name]
    design, output = folder / "design.interlace.json", folder / written
    design.write_text(content)
    done = subprocess.run(
        [sys.executable, "-m", "knotgeom", *words(name, design, output)],
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONHASHSEED": seed, "TZ": zone, "LC_ALL": "C"},
        cwd=folder,
        capture_output=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    files = [output] if output.is_file() else sorted(output.iterdir())
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


@pytest.mark.parametrize("name", VERBS)
def test_the_same_design_gives_the_same_bytes_in_every_process(name, tmp_path):
    """Other seeds of hashing, folders, time zones and moments."""
    one = digests(tmp_path / "one", name, "0", "UTC")
    other = digests(tmp_path / "another place", name, "4242", "Pacific/Auckland")
    assert one == other and one


@pytest.mark.parametrize("name", values.ALL)
def test_a_design_gives_the_weave_and_the_places_that_are_kept(name):
    assert values.differences(name) == [], "a change of what users get? then run tests/known/values.py"


def test_what_is_kept_has_forks_exceptions_every_layout_and_way_of_making_reliefs_pieces_and_kits():
    kept = json.loads(values.KEPT.read_text(encoding="utf-8"))
    assert kept.keys() == values.ALL.keys()
    assert {type(design.layout) for design in values.ALL.values()} == set(get_args(Layouts))
    assert {design.heights.way for design in values.ALL.values()} == set(Making)
    assert kept["forks"]["forks"] > 20 and kept["forks"]["exceptions"] > 3
    assert sum("places" in found for found in kept.values()) == len(values.ALL)


def test_of_several_least_matchings_both_libraries_give_the_same(monkeypatch):
    """Lengths from 1 to 3, so that there are many; the least total is that of SciPy's solver of integer programmes."""
    pytest.importorskip("rustworkx")
    really, rng = importlib.import_module, np.random.default_rng(5)

    def without(name: str):
        if name == "rustworkx":
            raise ImportError(name)
        return really(name)

    for _ in range(40):
        count = 2 * int(rng.integers(2, 12))
        length = np.triu(rng.integers(1, 4, (count, count)), 1)
        length = length + length.T
        fast = tjoin.least_matching(length)
        with monkeypatch.context() as changed:
            changed.setattr(tjoin.importlib, "import_module", without)
            assert tjoin.least_matching(length) == fast
        first, second = np.triu_indices(count, 1)
        meets = (np.arange(count)[:, None] == first) | (np.arange(count)[:, None] == second)
        least = milp(
            length[first, second],
            constraints=LinearConstraint(meets.astype(float), 1, 1),
            integrality=np.ones(len(first)),
        )
        assert sum(int(length[pair]) for pair in fast) == round(least.fun)
