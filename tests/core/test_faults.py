"""Whatever happens while a command writes, nothing that a user had is lost, and nothing half-written is left.

Every verb that writes is run into a full disk, stopped while it writes, cut off as by a power failure, pointed at
folders that may not be written to, and given names that are not plain ASCII.
"""

from __future__ import annotations

import errno
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from knotgeom import command

pytestmark = pytest.mark.skipif(os.name != "posix", reason="limits, links and permissions as POSIX has them")

ROOT = Path(__file__).parents[2]
WOVEN = '{"interlace": 1, "layout": {"grid": [2, 3], "cell": 10}, "divide": {"passes": [[1, 2, "rising"]]}%s}'
DESIGN = WOVEN % ', "heights": {"way": "fused"}'
BOARD = '{"interlace": 1, "layout": {"grid": [2, 2], "cell": 10}, "heights": {"way": "carved"}}'

STRIP = json.dumps({
    "interlace": 1, "layout": {"strip": {"cells": [2, 2], "cell": 10}}, "strand": {"width": 4.2, "thickness": 2.4},
    "heights": {"way": "fused", "step": 2},
    "make": {"trim": {
        "triangles": 200, "levels": [100], "pieces": ["straight"], "textures": {"size": 64, "padding": 1},
    }},
})  # fmt: skip

VERBS: dict[str, tuple[str, list[str], str]] = {
    "mesh": (DESIGN, ["--replace"], "knot.stl"),
    "mesh as PLY": (DESIGN, ["--replace"], "knot.ply"),
    "mesh as OBJ": (DESIGN, ["--replace"], "knot.obj"),
    "picture": (DESIGN, ["--pixels", "64", "--replace"], "knot.png"),
    "sheet": (DESIGN, ["--replace"], "knot.pdf"),
    "sheet as SVG": (DESIGN, ["--replace"], "knot.svg"),
    "mend": (DESIGN, ["--replace"], "mended.json"),
    "circuits": (BOARD, ["--replace"], "one.json"),
    "new": ("", ["--replace"], "new.json"),
    "carve": (BOARD, ["--resolution", "1", "--replace"], "board"),
    "print": (BOARD.replace("carved", "fused"), ["--replace"], "piece"),
    "trim": (STRIP, ["--obj", "--replace"], "kit"),
}
"""For each verb: the design, its options, and what it writes: a file, or a folder where the name has no ending."""
FOLDERS = ("carve", "print", "trim")
QUICK = [name for name in VERBS if name not in FOLDERS]


def words(name: str, design: Path, output: Path) -> list[str]:
    """A command line."""
    content, options, _ = VERBS[name]
    return [name.split(maxsplit=1)[0], *([str(design)] if content else []), *options, "-o", str(output)]


class Desk:
    """A folder with a design and what a verb has written before, a user's own file among it."""

    def __init__(self, folder: Path, name: str, before: dict[str, bytes]) -> None:
        content, _, output = VERBS[name]
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.name = folder, name
        self.design, self.output = folder / "design.interlace.json", folder / output
        self.design.write_text(content)
        if self.output.suffix:
            self.output.write_bytes(b"what was there before")
        else:
            self.output.mkdir()
            for file in before:
                (self.output / file).write_bytes(b"what was there before")
            (self.output / "my own notes.txt").write_bytes(b"keep me")
        self.before = self.read()

    def read(self) -> dict[str, bytes]:
        """Every file of the folder by its name."""
        return {
            str(path.relative_to(self.folder)): path.read_bytes() for path in self.folder.rglob("*") if path.is_file()
        }

    def run(self) -> int:
        return command.main(words(self.name, self.design, self.output))


def made_by(name: str, folder: Path) -> dict[str, bytes]:
    """What a verb writes when nothing goes wrong, by file name; a lone file has the name ''."""
    desk = folder / "good"
    desk.mkdir()
    design, output = desk / "design.interlace.json", desk / VERBS[name][2]
    design.write_text(VERBS[name][0])
    assert command.main(words(name, design, output)) == 0
    if output.is_file():
        return {"": output.read_bytes()}
    return {path.name: path.read_bytes() for path in output.iterdir()}


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> Callable[[str], dict[str, bytes]]:
    """What each verb writes, made once."""
    kept: dict[str, dict[str, bytes]] = {}

    def give(name: str) -> dict[str, bytes]:
        if name not in kept:
            kept[name] = made_by(name, tmp_path_factory.mktemp("good"))
        return kept[name]

    return give


def assert_nothing_lost(desk: Desk, new: dict[str, bytes]) -> None:
    """Every file is what it was or what it was to become, whole; others only where they were not cleared up."""
    after = desk.read()
    for file, content in desk.before.items():
        written = new.get("" if desk.output.suffix and file == desk.output.name else Path(file).name)
        assert after[file] == content or (written is not None and after[file] == written), file
    more = {file for file in after.keys() - desk.before.keys() if ".part-" not in file}
    assert not more, more


def one_line(capsys) -> str:
    out, err = capsys.readouterr()
    assert err.startswith("knotgeom: ") and err.count("\n") == 1 and err[:-1].isprintable(), err
    return err


# ------------------------------------------------------------------------------------------------- while it is written


@contextmanager
def full_disk(most: int) -> Iterator[None]:
    """No file may grow beyond ``most`` bytes, as where a disk is full."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("name", VERBS)
def test_a_full_disk_loses_nothing_and_ends_in_one_line(name, good, tmp_path, capsys):
    desk = Desk(tmp_path / "desk", name, good(name))
    capsys.readouterr()
    with full_disk(40):
        status = desk.run()
    assert status == command.REFUSED
    assert "cannot be written" in one_line(capsys)
    assert desk.read() == desk.before


def failing_at(monkeypatch, number: int, error: BaseException) -> None:
    """Let the numbered taking of a new file's place fail."""
    really, count = os.replace, [0]

    def replace(*arguments, **options):
        count[0] += 1
        if count[0] == number:
            raise error
        return really(*arguments, **options)

    monkeypatch.setattr(os, "replace", replace)


@pytest.mark.parametrize(
    ("error", "status"),
    [(KeyboardInterrupt(), 130), (OSError(errno.EIO, "Input/output error", "x"), 2)],
    ids=["stopped by hand", "a failing disk"],
)
@pytest.mark.parametrize(("name", "number"), [*((name, 1) for name in QUICK), *((name, 3) for name in FOLDERS)])
def test_a_write_that_is_broken_off_leaves_what_was_there(
    name, number, error, status, good, tmp_path, capsys, monkeypatch
):
    desk = Desk(tmp_path / "desk", name, good(name))
    capsys.readouterr()
    failing_at(monkeypatch, number, error)
    assert desk.run() == status
    one_line(capsys)
    assert desk.read() == desk.before


@pytest.mark.parametrize("name", FOLDERS)
def test_a_disk_that_fails_for_good_leaves_every_old_file_somewhere(name, good, tmp_path, capsys, monkeypatch):
    """From the third file on nothing can be renamed any more, so what was done cannot be put back either."""
    desk = Desk(tmp_path / "desk", name, good(name))
    capsys.readouterr()
    really, count = os.replace, [0]

    def replace(*arguments):
        count[0] += 1
        if count[0] >= 3:
            raise OSError(errno.EIO, "Input/output error", "x")
        return really(*arguments)

    monkeypatch.setattr(os, "replace", replace)
    assert desk.run() == command.REFUSED
    one_line(capsys)
    after = desk.read()
    for file, content in desk.before.items():
        kept = [after[other] for other in after if other.endswith(f"{Path(file).name}.before")]
        assert after[file] == content or content in kept, file


CUT_OFF = """
import os, sys
from knotgeom import command
really, left = os.{call}, [{count}]
def failing(*a, **k):  # as where the power fails
    left[0] -= 1
    return really(*a, **k) if left[0] else os._exit(9)
os.{call} = failing
sys.exit(command.main(sys.argv[1:]))
"""


@pytest.mark.parametrize("call", ["replace", "fsync"])
@pytest.mark.parametrize("name", ["mesh", "sheet", "new", "carve", "trim"])
def test_a_process_cut_off_while_it_writes_leaves_the_old_file(name, call, good, tmp_path):
    desk = Desk(tmp_path / "desk", name, good(name))
    count = 3 if call == "replace" and name in FOLDERS else 1  # with some of the files in place
    done = subprocess.run(
        [sys.executable, "-c", CUT_OFF.format(call=call, count=count), *words(name, desk.design, desk.output)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 9, done.stderr
    # whole files, old or new; nobody is left to sweep its .part file up
    assert_nothing_lost(desk, good(name))


# ---------------------------------------------------------------------------------------------------- where it is put


@contextmanager
def without_rights() -> Iterator[None]:
    """Give up the superuser's rights for a while, to whom nothing is forbidden."""
    if os.geteuid() != 0:
        yield
        return
    os.setegid(65534)
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every user can reach."""
    folder = Path(tempfile.mkdtemp(prefix="knotgeom-"))
    folder.chmod(0o755)
    yield folder
    for path in folder.rglob("*"):
        if path.is_dir():
            path.chmod(0o755)
    shutil.rmtree(folder)


@pytest.mark.parametrize("name", VERBS)
def test_what_may_not_be_written_is_refused_soon_and_left_alone(name, good, open_folder, capsys):
    good(name)  # so that all that it imports has been imported, from where a user without rights may not read
    desk = Desk(open_folder / "desk", name, {"report.json": b""})
    for path in (desk.design, *desk.folder.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    desk.folder.chmod(0o555)
    capsys.readouterr()
    for target in (desk.output, desk.folder / f"another{desk.output.suffix}"):
        with without_rights():
            assert command.main(words(name, desk.design, target)) == 2
        assert "cannot be written" in one_line(capsys)
    assert desk.read() == desk.before


ODD_NAMES = ["Knoten für Jörg", "結び目 ✦", "a 'quoted' \"name\"", "-o", "$(touch x) ; & |", "é combining"]


@pytest.mark.parametrize("name", ["mesh", "picture", "sheet", "sheet as SVG", "mend", "new", *FOLDERS])
def test_names_that_are_not_plain_are_names_like_others(name, good, tmp_path, capsys):
    for odd in ODD_NAMES if name in QUICK else ODD_NAMES[:1]:
        folder = tmp_path / odd
        folder.mkdir()
        design, output = folder / f"{odd}.json", folder / f"{odd} made{Path(VERBS[name][2]).suffix}"
        design.write_text(VERBS[name][0], encoding="utf-8")
        assert command.main(words(name, design, output)) == 0, capsys.readouterr().err
        assert output.exists() and {path.name for path in folder.iterdir()} <= {design.name, output.name}
    assert not (tmp_path / "x").exists() and not Path("x").exists()


@pytest.mark.parametrize("name", ["mesh", "sheet", "mend"])
def test_names_work_in_a_locale_without_them(name, tmp_path):
    folder = tmp_path / os.fsdecode(b"Kn\xf6ten \xe7\xb5\x90")  # no UTF-8 either
    try:
        folder.mkdir()
    except OSError:
        pytest.skip("this file system keeps no such names")
    design, output = folder / "a.json", folder / VERBS[name][2]
    design.write_text(VERBS[name][0])
    done = subprocess.run(
        [sys.executable, "-m", "knotgeom", *words(name, design, output)],
        env={"PYTHONPATH": str(ROOT), "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
        capture_output=True,
        timeout=120,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert output.stat().st_size > 100


HUGE = ["1e308", "9" * 40, "1e-320", "-0.0", "inf", "nan", "1e999", "0x10", "1_0", "٣", ""]


@pytest.mark.parametrize(
    "line",
    [
        ["picture", "D", "-o", "O.png", "--pixels", "N"],
        ["carve", "D", "-o", "O", "--resolution", "N"],
        ["sheet", "D", "-o", "O.pdf", "--overlap", "N"],
        ["mend", "D", "--trials", "N"],
        ["circuits", "D", "--count", "N"],
        ["circuits", "D", "--symmetry", "round:N"],
        ["mend", "D", "-o", "O.json", "--take", "N"],
        ["new", "--field", "NxN"],
        ["new", "--field", "280x180", "--margin", "N"],
        ["new", "--field", "280x180", "--strand", "N"],
    ],
    ids=lambda line: " ".join(line[:1] + line[-2:]),
)
def test_huge_and_odd_numbers_are_refused_in_one_line_or_taken(line, tmp_path, capsys):
    design = tmp_path / "design.json"
    design.write_text(DESIGN)
    refused = 0
    for number in HUGE:
        words = [w.replace("N", number) if "N" in w else {"D": str(design)}.get(w, w) for w in line]
        words = [str(tmp_path / w) if w.startswith("O") else w for w in words]
        status = command.main(words)
        if status:
            assert status == 2, (words, capsys.readouterr().err)
            one_line(capsys)
            refused += 1
        capsys.readouterr()
    assert refused >= len(HUGE) // 2
    assert design.read_text() == DESIGN
