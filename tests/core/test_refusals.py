"""Whatever is typed, a command ends well or with status 2 and one line; no traceback, and nothing is lost.

Options are taken from the command line's own parser, so a new verb or option is tried without being named here.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
from pathlib import Path

import pytest

from knotgeom import command
from knotgeom.command.options import parser
from tests.core.test_faults import DESIGN, STRIP, one_line
from tests.core.test_garbage import no_hang

ROOT = Path(__file__).parents[2]
VERBS: dict[str, argparse.ArgumentParser] = next(
    action.choices for action in parser()._actions if isinstance(action, argparse._SubParsersAction)
)
NUMBERS = [
    "-1", "0", "1", "1.5", "-0.0", "1e308", "1e999", "-1e999", "9" * 40, "9" * 5000, "1e-320", "nan", "inf", "NaN",
]  # fmt: skip
ODD = [
    "", " ", "x", "-", "--", "٣", "0x10", "1_0", "1,2", "²", "a\nb", "\x1b[2J", "\udcff", "é", "x" * 5000, "{}", "%s",
]  # fmt: skip
LISTS = [
    ",", "pattern,,", "round:", "round:0", "round:" + "9" * 30, "left-right,left-right", "280x", "1x1",
    "9" * 30 + "x9",
]  # fmt: skip
FILES = [
    "", ".", "/", "..", "/dev/null", "/dev/full", "/proc/self/mem", "no/such/x.stl", "x" * 300 + ".png", "~",
    "\udcff",
]  # fmt: skip
ENDINGS = ["x.stl", "x.png", "x.pdf", "x.svg", "x.json", "x", "mine.txt", "folder", "away/x.json", "ring.stl", "-o"]
LONG_WORK = {"carve", "print", "check", "trim"}
"""Verbs whose options are tried on a design that is not there, so that none of them begins to work."""


def tried(rng: random.Random, verb: str) -> list[str]:
    """A command line of a verb, some of its options with values as odd as can be."""
    words = [verb]
    for action in VERBS[verb]._actions:
        if isinstance(action, argparse._HelpAction):
            continue
        if not action.option_strings:
            good = "none.json" if verb in LONG_WORK else "knot.json"
            words.append(rng.choice([good, good, good, good, *FILES, "mine.txt", "none.json"]))
        elif action.required or rng.random() < 0.4:
            words.append(rng.choice(action.option_strings))
            if action.nargs == 0:
                continue
            pool = [NUMBERS, ODD, LISTS, FILES, ENDINGS] + ([[*map(str, action.choices)]] * 4 if action.choices else [])
            if "-o" in action.option_strings:
                pool += [ENDINGS] * 4
            words.append(rng.choice(rng.choice(pool)))
    if rng.random() < 0.1:
        words.insert(rng.randrange(1, len(words) + 1), rng.choice([*ODD, "--none", "--repla", "-x", "more"]))
    return words


@pytest.fixture
def desk(tmp_path, monkeypatch) -> Path:
    (tmp_path / "knot.json").write_text(DESIGN)
    (tmp_path / "strip.json").write_text(STRIP)
    (tmp_path / "mine.txt").write_text("keep me")
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "report.json").write_text("keep me too")
    (tmp_path / "ring.stl").symlink_to("ring.stl")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def kept(desk: Path) -> dict[str, str]:
    names = ("knot.json", "strip.json", "mine.txt", "folder/report.json")
    return {name: (desk / name).read_text() for name in names}


@pytest.mark.parametrize("verb", VERBS)
def test_odd_words_end_well_or_in_one_line_with_status_2(verb, desk, capfd):
    rng, before = random.Random(f"odd words for {verb}"), kept(desk)
    count = {0: 0, 2: 0}
    for _ in range(40):
        words = tried(rng, verb)
        if "--replace" in words:  # what it may replace is not kept
            words = [word for word in words if word not in ("mine.txt", "folder")]
        capfd.readouterr()
        with no_hang():
            status = command.main(words)
        assert status in count, words
        count[status] += 1
        if status == 2:
            one_line(capfd)
        else:
            assert capfd.readouterr().err == "", words
        assert kept(desk) == before, words
    assert count[2] > 10


MIXED = {
    "a panel": '{"interlace": 1, "layout": {"panel": {"pieces": [{"file": "knot.json"}], "joins": "all"}}}',
    "a ring": '{"interlace": 1, "layout": {"ring": {"sectors": 7, "rows": 2, "inner": 25, "outer": 50}}}',
    "a mesh": '{"interlace": 1, "layout": {"mesh": {"vertices": [[0,0,0],[20,0,0],[10,17,3]], "faces": [[0,1,2]]}}}',
    "no crossing": '{"interlace": 1, "layout": {"grid": [1, 1], "cell": 10}}',
    "the largest lengths": '{"interlace": 1, "layout": {"grid": [2, 2], "cell": 1000000}}',
    "the least lengths": '{"interlace": 1, "layout": {"grid": [2, 2], "cell": 0.001}}',
    "no room": '{"interlace": 1, "layout": {"grid": [3, 3], "cell": 10}, "strand": {"width": 7, "thickness": 900}}',
    "far too flat": '{"interlace": 1, "layout": {"strip": {"cells": [40, 1], "cell": [0.001, 1000000]}}}',
}


@pytest.mark.parametrize("name", MIXED)
def test_designs_at_the_ends_of_what_may_be_are_made_or_refused_by_every_verb(name, desk, capfd):
    (desk / "odd.json").write_text(MIXED[name])
    lines = {
        "facts": [], "mesh": ["-o", "a.stl"], "picture": ["-o", "a.png", "--pixels", "64"], "sheet": ["-o", "a.pdf"],
        "carve": ["-o", "a", "--resolution", "1"], "trim": ["-o", "c"], "check": ["--for", "printing"],
        "print": ["-o", "b"], "mend": [], "circuits": [],
    }  # fmt: skip
    assert {*lines, "new"} == {*VERBS}
    for verb, options in lines.items():
        capfd.readouterr()
        status = command.main([verb, "odd.json", *options])
        assert status in (0, 2), (verb, capfd.readouterr().err)
        if status == 2:
            one_line(capfd)


@pytest.mark.skipif(os.name != "posix", reason="bytes that are no text in arguments, and a device that is always full")
def test_a_process_says_the_same(desk):
    def run(*words: str | bytes, **how):
        return subprocess.run(
            [sys.executable, "-m", "knotgeom", *words],
            env={"PYTHONPATH": str(ROOT), "LC_ALL": "C"}, cwd=desk, check=False, timeout=120, **how,
        )  # fmt: skip

    for words in ([b"facts", b"\xff\xfe.json"], [b"mesh", b"knot.json", b"-o", b"\xe9\n.3mf"], [b"\x80"]):
        done = run(*words, capture_output=True)
        assert (done.returncode, done.stdout) == (2, b"")
        assert done.stderr.startswith(b"knotgeom: ") and done.stderr.count(b"\n") == 1
    with open("/dev/full", "wb") as full:
        done = run("facts", "knot.json", stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == 2 and done.stderr.count(b"\n") == 1 and b"no space left" in done.stderr
