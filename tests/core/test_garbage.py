"""Garbage for every reader: a refusal of one line or a design that can be written again, soon and in bounded memory.

The inputs that `make fuzz` has found, and a few thousand made by mutating good ones; see ``tests/fuzz/targets.py``.
"""

from __future__ import annotations

import math
import random
import signal
import subprocess
import sys
import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from knotgeom.errors import DesignError
from knotgeom.files.incoming import parsed_mesh
from knotgeom.reading import MOST_BYTES, read_text
from tests.fuzz import targets

HANG = 20
"""Seconds of processor time after which a reader is said to hang; ten times what is promised, for slow machines."""
MUTATED = 1500
MOST_MIB = 512
"""Memory that no refusal takes more of; the file itself may be 16 MiB."""


@contextmanager
def no_hang() -> Iterator[None]:
    """Processor time has an end."""

    def stop(_number, _frame):
        raise TimeoutError("hangs")

    before = signal.signal(signal.SIGVTALRM, stop)
    signal.setitimer(signal.ITIMER_VIRTUAL, HANG)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)


@pytest.fixture(scope="module", autouse=True)
def _cleared():
    yield
    targets.clear()


@pytest.mark.parametrize("name", targets.TARGETS)
def test_what_once_broke_a_reader_breaks_it_no_more(name):
    for data in targets.found(name):
        with no_hang():
            targets.TARGETS[name](data)


@pytest.mark.parametrize("name", targets.TARGETS)
def test_mutated_inputs_are_refused_in_one_line_or_read(name):
    rng, seeds = random.Random(f"garbage for {name}"), targets.corpus(name)
    for data in seeds:
        targets.TARGETS[name](data)
    for _ in range(MUTATED):
        data = targets.mutated(rng, seeds)
        try:
            with no_hang():
                targets.TARGETS[name](data)
        except Exception as error:
            raise AssertionError(f"{name}: {data!r}") from error


def bombs() -> dict[str, bytes]:
    """Small or largest inputs that ask for more work than any design does."""
    grid = b'{"interlace": 1, "layout": {"grid": [%s], "cell": 10}%s}'
    many = b",".join([b"[1, 2]"] * 1_500_000)
    return {
        "a huge grid": grid % (b"499, 499999999", b""),
        "a huge number": grid % (b"1" + b"0" * 5_000_000 + b", 2", b""),
        "a long fraction": grid % (b"2, 2." + b"3" * 5_000_000, b""),
        "deep lists": b"[" * 8_000_000,
        "deep objects": b'{"a":' * 1_000_000,
        "many keys": b"{" + b",".join(b'"k%d": 1' % k for k in range(900_000)) + b"}",
        "many breaks": grid % (b"4, 4", b', "breaks": {"horizontal": [' + many + b"]}"),
        "a long string": b'{"interlace": "' + b"x" * (MOST_BYTES - 100) + b'"}',
        "too long": b" " * (MOST_BYTES + 1),
        "a ring of very many sectors": b'{"interlace": 1, "layout": {"ring": {"sectors": 9999999, "rows": 9999, '
        b'"inner": 10, "outer": 20}}}',
        "a strip repeated for ever": b'{"interlace": 1, "layout": {"strip": {"cells": [100, 100], "cell": 1, '
        b'"repeats": 100000000}}}',
        "a border of very many cells": b'{"interlace": 1, "layout": {"border": {"inside": [99999, 99999], '
        b'"rows": 99999, "cell": 1}}}',
    }


@pytest.mark.parametrize("name", bombs())
def test_a_bomb_is_refused_in_little_time_and_memory(name):
    data = bombs()[name]
    tracemalloc.start()
    try:
        with no_hang(), pytest.raises(DesignError) as refusal:
            read_text(data, "bomb.json")
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert str(refusal.value).isprintable() and len(str(refusal.value)) < 1000
    assert most < MOST_MIB * 2**20


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        (".ply", b"ply\nformat binary_little_endian 1.0\nelement vertex 999999999999\nproperty double x\n"
         b"property double y\nproperty double z\nelement face 9\nproperty list uint int vertex_indices\nend_header\n"),
        (".ply", b"ply\nformat binary_little_endian 1.0\nelement vertex 0\nproperty double x\nproperty double y\n"
         b"property double z\nelement face 1\nproperty list uint int vertex_indices\nend_header\n\xff\xff\xff\xff"),
        (".obj", b"f 1 2 3\n" * 1_000_000),
        (".obj", b"v 0 0 0\n" * 3_000_000),
        (".obj", b"f" + b" 1" * 2_000_000),
        (".obj", b"v 0 0 0 \\\n" * 1_000_000),
    ],
    ids=["counts", "a list's count", "faces", "vertices", "corners", "a line without end"],
)  # fmt: skip
def test_a_mesh_bomb_is_refused_in_little_time_and_memory(kind, data):
    tracemalloc.start()
    try:
        with no_hang(), pytest.raises(DesignError):
            parsed_mesh(data, kind)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert most < MOST_MIB * 2**20


def crumpled(side: int) -> str:
    """Squares of a sheet thrown about in a heap."""
    places = "".join(
        f"v {i * 7919 % 1000} {j * 104729 % 1000} {i * j % 97}\n" for i in range(side) for j in range(side)
    )
    first = [i * side + j + 1 for i in range(side - 1) for j in range(side - 1)]
    return places + "".join(f"f {a} {a + side} {a + side + 1} {a + 1}\n" for a in first)


def fan(count: int) -> str:
    """A flat cone of triangles round one vertex."""
    turn = [2 * math.pi * k / count for k in range(count)]
    rim = "".join(f"v {1e5 * math.cos(t):.6f} {1e5 * math.sin(t):.6f} 0\n" for t in turn)
    return "v 0 0 5000\n" + rim + "".join(f"f 1 {k + 2} {(k + 1) % count + 2}\n" for k in range(count))


@pytest.mark.parametrize("text", [crumpled(160), fan(8000)], ids=["in a heap", "a fan"])
def test_a_curved_mesh_as_bad_as_can_be_is_read_soon(text, tmp_path):
    """Both once took the square of their faces: 34 s and 200 s of the processor."""
    (tmp_path / "mesh.obj").write_text(text)
    with no_hang():
        read = read_text('{"interlace": 1, "layout": {"mesh": {"file": "mesh.obj"}}}', "", tmp_path)
    assert len(read.layout.faces) == text.count("f ")


def test_the_command_answers_garbage_with_one_line_and_status_2(tmp_path):
    rng, seeds = random.Random(3), targets.corpus("design")
    refused = 0
    (tmp_path / "piece.json").write_text("[")
    for number in range(3):
        path = tmp_path / f"{number}.json"
        path.write_bytes(targets.mutated(rng, seeds)[:-1])
        for verb in (["facts"], ["mesh", "-o", str(tmp_path / "x.stl")]):
            command = [sys.executable, "-m", "knotgeom", verb[0], str(path), *verb[1:]]
            done = subprocess.run(command, capture_output=True, timeout=120, check=False, cwd=targets.ROOT)
            assert done.returncode == 2 and done.stdout == b""
            assert done.stderr.startswith(b"knotgeom: ") and done.stderr.count(b"\n") == 1
            refused += 1
    assert refused == 6
