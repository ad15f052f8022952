"""Designs that come from strangers: they reach no file outside their folder, wait for nothing, and cost little work.

Also what may happen to anybody's files: they are rewritten, replaced or taken away while they are read.
"""

from __future__ import annotations

import ast
import json
import os
import resource
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

import knotgeom
from knotgeom import command, reading
from knotgeom.errors import DesignError
from knotgeom.printing.profiles import read_profile
from knotgeom.reading import read_file, read_text
from tests.core.test_faults import DESIGN, one_line
from tests.core.test_garbage import no_hang

pytestmark = pytest.mark.skipif(os.name != "posix", reason="limits, links and pipes as POSIX has them")

MESH = "v 0 0 0\nv 10 0 0\nv 10 10 0\nv 0 10 0\nf 1 2 3\nf 1 3 4\n"


@contextmanager
def soon() -> Iterator[None]:
    """A minute by the clock, for what would wait without working."""

    def stop(_number, _frame):
        raise TimeoutError("waits")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(60)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def design_naming(kind: str, name: str) -> str:
    if kind == "mesh":
        return json.dumps({"interlace": 1, "layout": {"mesh": {"file": name}}})
    return json.dumps({"interlace": 1, "layout": {"panel": {"pieces": [{"file": name}], "joins": "all"}}})


def of_size(kind: str, side: int) -> str:
    """A mesh, or a design with many breaks."""
    if kind == "mesh":
        places = "".join(f"v {i} {j} 0\n" for i in range(side) for j in range(side))
        first = [i * side + j + 1 for i in range(side - 1) for j in range(side - 1)]
        return places + "".join(f"f {a} {a + side} {a + side + 1} {a + 1}\n" for a in first)
    breaks = [[x, y] for x in range(1, 2 * side, 2) for y in range(2, 2 * side, 2)]
    return json.dumps({"interlace": 1, "layout": {"grid": [side, side], "cell": 10}, "breaks": {"horizontal": breaks}})


@pytest.mark.parametrize("kind", ["design", "panel", "mesh"])
def test_a_file_that_changes_while_it_is_read_is_the_old_or_the_new_or_refused(kind, tmp_path):
    """The design itself, a panel's piece, or a mesh."""
    path, outer = tmp_path / ("changing.obj" if kind == "mesh" else "changing.json"), tmp_path / "outer.json"
    asked = path if kind == "design" else outer
    outer.write_text(design_naming(kind, path.name))
    texts, known = [of_size(kind, 24), of_size(kind, 3)], []
    for text in texts:
        path.write_text(text)
        known.append(read_file(asked))
    stop = threading.Event()

    def rewrite() -> None:
        while not stop.is_set():
            for text in texts:
                path.write_text(text)  # in place, not whole or not at all

    writer = threading.Thread(target=rewrite)
    writer.start()
    try:
        for _ in range(60):
            try:
                assert read_file(asked) in known
            except DesignError as error:
                assert str(error).isprintable()
    finally:
        stop.set()
        writer.join()


@pytest.mark.parametrize("becomes", ["pipe", "link", "gone", "folder"])
@pytest.mark.parametrize("kind", ["panel", "mesh"])
def test_a_file_that_becomes_something_else_once_it_was_found_is_refused(kind, becomes, stranger, monkeypatch):
    name = "mesh.obj" if kind == "mesh" else "knot.json"
    really = reading._beside

    def beside(*arguments):
        path = really(*arguments)
        path.unlink()
        match becomes:
            case "pipe":
                os.mkfifo(path)
            case "link":
                path.symlink_to(stranger.parent / "secret" / name)
            case "folder":
                path.mkdir()
        return path

    monkeypatch.setattr(reading, "_beside", beside)
    with soon(), pytest.raises(DesignError, match="cannot be read") as refusal:
        read_text(design_naming(kind, name), "outer.json", stranger)
    assert str(refusal.value).isprintable()


@pytest.mark.parametrize(
    "what", ["a pipe", "a device without end", "a folder", "a ring of links", "nothing", "too much"]
)
def test_what_is_no_plain_file_is_refused_and_not_waited_for(what, tmp_path, capsys):
    path = tmp_path / "odd.json"
    match what:
        case "a pipe":
            os.mkfifo(path)
        case "a device without end":
            path.symlink_to("/dev/zero")
        case "a folder":
            path.mkdir()
        case "a ring of links":
            path.symlink_to(path.name)
        case "too much":
            with path.open("wb") as stream:
                stream.truncate(2**33)  # 8 GiB of zeros that take no room on the disk
    for words in (["facts", str(path)], ["check", str(path), "--for", "casting"], ["trim", str(path), "-o", "x"]):
        with soon():
            assert command.main(words) == 2
        one_line(capsys)
    with soon(), pytest.raises(DesignError) as refusal:
        read_profile(str(path))
    assert str(refusal.value).isprintable() and "odd.json" in str(refusal.value)
    for kind in ("panel", "mesh"):
        with soon(), pytest.raises(DesignError):
            read_text(design_naming(kind, path.name), "outer.json", tmp_path)


GRID = '{"interlace": 1, "layout": {"grid": [2, 3], "cell": %s}}'
ODD_TEXTS: dict[str, str | bytes] = {
    **{number[:12]: GRID % number for number in (
        "NaN", "Infinity", "-Infinity", "1e400", "-1e400", "1e-400", "1" + "0" * 5000, "-" + "9" * 400, "0x10", "01",
        "1.", "+1", "1_0", "true", '"10"', "null", "[]", "[[[[]]]]", "{}",
    )},
    "a key twice": GRID % '10, "cell": 10',
    "a key twice, once escaped": GRID % '10, "\\u0063ell": 10',
    "a byte order mark": b"\xef\xbb\xbf" + (GRID % "10").encode(),
    "UTF-16": (GRID % "10").encode("utf-16"),
    "UTF-32": (GRID % "10").encode("utf-32"),
    "no UTF-8": b"\xff" + (GRID % "10").encode(),
    "a surrogate as bytes": (GRID % '"\ud800"').encode("utf-8", "surrogatepass"),
    "a lone surrogate": GRID % '"\\ud800"',
    "a key of a lone surrogate": GRID % '10, "\\udfff": 1',
    "a null character": GRID % '"\\u0000"',
    "a plain null character": GRID % "10\0",
    "a name with a null character": design_naming("mesh", "a\0.obj"),
    "a name of a lone surrogate": '{"interlace": 1, "layout": {"mesh": {"file": "\\ud800.obj"}}}',
    "a terminal's controls": GRID % '10, "\\u001b[2J\\u202e\\n": 1',
    "deep lists": GRID % ("[" * 3000 + "]" * 3000),
    "deep objects": '{"a":' * 900 + "1" + "}" * 900,
    "a second value": GRID % "10" + "{}",
    "no object": "[1, 2]",
    "the end missing": (GRID % "10")[:-1],
    "nothing": "",
}  # fmt: skip


@pytest.mark.parametrize("name", ODD_TEXTS)
def test_odd_texts_are_refused_in_one_printable_line(name, tmp_path):
    data = ODD_TEXTS[name]
    with no_hang(), pytest.raises(DesignError) as refusal:
        read_text(data, "odd.json", tmp_path)
    line = str(refusal.value)
    assert line.startswith("odd.json: ") and line.isprintable() and len(line) < 1000
    assert refusal.value.problem and refusal.value.remedy
    (tmp_path / "limits.json").write_bytes(data if isinstance(data, bytes) else data.encode("utf-8", "surrogatepass"))
    with no_hang(), pytest.raises(DesignError) as refusal:
        read_profile(str(tmp_path / "limits.json"))
    assert str(refusal.value).isprintable() and len(str(refusal.value)) < 1000


RUNS_CODE = {"eval", "exec", "compile", "__import__", "breakpoint", "input"}
MODULES = {"pickle", "marshal", "shelve", "subprocess", "ctypes", "code", "runpy", "socket", "urllib", "http"}
ASKS_THE_SYSTEM = "memory.py ctypes"
"""How much memory Windows has free."""


def test_the_core_has_nothing_that_could_run_what_it_reads_or_reach_beyond_files():
    """No reader can be made to run code where no module of the core has the means to; nor to fetch anything."""
    found = []
    for path in sorted(Path(knotgeom.__file__).parent.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            match node:
                case ast.Call(func=ast.Name(id=name)) if name in RUNS_CODE:
                    found.append(f"{path.name}:{node.lineno} {name}")
                case ast.Attribute(value=ast.Name(id="os"), attr="system" | "popen" | "execv" | "startfile"):
                    found.append(f"{path.name}:{node.lineno} os.{node.attr}")
                case ast.Attribute(value=ast.Name(id="np"), attr="load" | "fromfile" | "genfromtxt" | "memmap"):
                    found.append(f"{path.name}:{node.lineno} np.{node.attr}")
                case ast.Import(names=names):
                    found += [f"{path.name} {n.name}" for n in names if n.name.partition(".")[0] in MODULES]
                case ast.ImportFrom(module=str(module), level=0) if module.partition(".")[0] in MODULES:
                    found.append(f"{path.name} {module}")
                case ast.Call(func=ast.Attribute(attr="import_module"), args=[ast.Constant()]):
                    pass  # a module that may be missing, by a name that stands in the code
                case ast.Call(func=ast.Attribute(attr="import_module")):
                    found.append(f"{path.name}:{node.lineno} import_module")
    assert found == [ASKS_THE_SYSTEM]


@pytest.fixture
def stranger(tmp_path) -> Path:
    """A stranger's folder beside one with secrets."""
    folder, secret = tmp_path / "stranger", tmp_path / "secret"
    folder.mkdir()
    secret.mkdir()
    for place in (folder, secret):
        (place / "knot.json").write_text(DESIGN)
        (place / "mesh.obj").write_text(MESH)
    (folder / "below").mkdir()
    (folder / "below" / "knot.json").write_text(DESIGN)
    (folder / "below" / "mesh.obj").write_text((folder / "mesh.obj").read_text())
    (folder / "out.json").symlink_to(secret / "knot.json")
    (folder / "out.obj").symlink_to(secret / "mesh.obj")
    (folder / "away").symlink_to(secret)
    (folder / "in.json").symlink_to("knot.json")
    (folder / "in.obj").symlink_to("below/mesh.obj")
    (folder / "ring.json").symlink_to("ring.json")
    (folder / "ring.obj").symlink_to("ring.obj")
    return folder


@pytest.mark.parametrize("kind", ["panel", "mesh"])
def test_a_design_reaches_files_in_its_folder_and_below_only(kind, stranger):
    ending = "obj" if kind == "mesh" else "json"
    own = "mesh" if kind == "mesh" else "knot"
    outer = stranger / "outer.interlace.json"
    for name in (f"{own}.{ending}", f"below/{own}.{ending}", f"below/../{own}.{ending}", f"in.{ending}"):
        outer.write_text(design_naming(kind, name))
        read_file(outer)
    for name in (
        f"../secret/{own}.{ending}",
        str(stranger.parent / "secret" / f"{own}.{ending}"),
        f"below/../../secret/{own}.{ending}",
        f"out.{ending}",
        f"away/{own}.{ending}",
        f"ring.{ending}",
        f"~/{own}.{ending}",
        f"file:///{own}.{ending}",
        "/dev/zero",
        "/proc/self/environ",
        ".",
        "below",
        "\0",
        "x" * 5000,
        "../" * 400 + "etc/passwd",
    ):
        outer.write_text(design_naming(kind, name))
        with pytest.raises(DesignError) as refusal:
            read_file(outer)
        assert "outer.interlace.json" in str(refusal.value) and "\n" not in str(refusal.value)


def panel_of(names: list[str], wide: float = 20.0) -> str:
    pieces = [{"file": name, "at": [wide * k, 0]} for k, name in enumerate(names)]
    return json.dumps({"interlace": 1, "layout": {"panel": {"pieces": pieces, "joins": "all"}}})


def test_panels_that_name_each_other_are_refused_and_never_read_twice(tmp_path, monkeypatch):
    """Ten files on each of eight levels, each naming all ten of the next: 10 ** 8 readings without a memory."""
    levels, count = 7, 10
    for level in range(levels):
        names = [f"{level + 1}-{k}.json" for k in range(count)]
        for k in range(count):
            (tmp_path / f"{level}-{k}.json").write_text(panel_of(names))
    for k in range(count):
        (tmp_path / f"{levels}-{k}.json").write_text(DESIGN)
    opened = []
    really = reading._bytes
    monkeypatch.setattr(reading, "_bytes", lambda path, **how: opened.append(path) or really(path, **how))
    with pytest.raises(DesignError):
        read_file(tmp_path / "0-0.json")
    assert len(opened) == len(set(opened)) <= levels * count + 1

    (tmp_path / "a.json").write_text(panel_of(["b.json"]))
    (tmp_path / "b.json").write_text(panel_of(["a.json"]))
    with pytest.raises(DesignError, match="itself"):
        read_file(tmp_path / "a.json")


def test_a_panel_of_the_largest_knots_is_refused_before_they_are_laid_out(tmp_path):
    (tmp_path / "large.json").write_text('{"interlace": 1, "layout": {"grid": [500, 500], "cell": 10}}')
    (tmp_path / "panel.json").write_text(panel_of(["large.json"] * 150, 5000.0))
    before = resource.getrusage(resource.RUSAGE_SELF)
    with pytest.raises(DesignError, match="cells"):  # 150 * 250,000 of them
        read_file(tmp_path / "panel.json")
    after = resource.getrusage(resource.RUSAGE_SELF)
    assert after.ru_maxrss - before.ru_maxrss < 512 * 1024  # KiB on Linux


def test_a_thousand_pieces_are_a_panel(tmp_path):
    (tmp_path / "one.json").write_text('{"interlace": 1, "layout": {"grid": [1, 1], "cell": 10}}')
    pieces = [
        {"file": "one.json", "at": [10 * (k % 40), 10 * (k // 40)], "turn": 90, "mirror": True} for k in range(1000)
    ]
    text = json.dumps({"interlace": 1, "layout": {"panel": {"pieces": pieces, "joins": "all"}}})
    with no_hang():
        assert len(read_text(text, "panel.json", tmp_path).layout.pieces) == 1000


def test_a_piece_of_cells_left_out_cannot_be_set_many_times(tmp_path):
    """One cell of 250 x 250 is there; 300 of them fit in one another, and each costs its 62,500."""
    without = [[c, r] for c in range(250) for r in range(250) if (c, r) != (0, 0)]
    (tmp_path / "sparse.json").write_text(
        json.dumps({"interlace": 1, "layout": {"grid": [250, 250], "cell": 10, "without": without}})
    )
    pieces = [{"file": "sparse.json", "at": [10 * (k % 32), 10 * (k // 32)]} for k in range(300)]
    text = json.dumps({"interlace": 1, "layout": {"panel": {"pieces": pieces, "joins": "all"}}})
    with no_hang(), pytest.raises(DesignError, match="cells, those left out included"):
        read_text(text, "panel.json", tmp_path)
