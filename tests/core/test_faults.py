"""Whatever happens while a command writes, nothing that a user had is lost, and nothing half-written is left.

Every verb that writes is run into a full disk, stopped while it writes, cut off as by a power failure, pointed at
folders that may not be written to, and given names that are not plain ASCII. Design files of strangers reach no file
outside their own folder.
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
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from knotgeom import command
from knotgeom.errors import DesignError
from knotgeom.reading import read_file, read_text

pytestmark = pytest.mark.skipif(os.name != "posix", reason="limits, links and permissions as POSIX has them")

ROOT = Path(__file__).parents[2]
WOVEN = '{"interlace": 1, "layout": {"grid": [2, 3], "cell": 10}, "divide": {"passes": [[1, 2, "rising"]]}%s}'
DESIGN = WOVEN % ', "heights": {"way": "fused"}'
BOARD = '{"interlace": 1, "layout": {"grid": [2, 2], "cell": 10}, "heights": {"way": "carved"}}'

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
}
"""For each verb: the design, its options, and what it writes: a file, or a folder where the name has no ending."""
QUICK = [name for name in VERBS if name not in ("carve", "print")]


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


def assert_nothing_lost(desk: Desk, new: dict[str, bytes], *, crumbs: bool = False) -> None:
    """Every file is what it was or what it was to become, whole; and there are no others."""
    after = desk.read()
    for file, content in desk.before.items():
        written = new.get("" if desk.output.suffix and file == desk.output.name else Path(file).name)
        assert after[file] == content or (written is not None and after[file] == written), file
    more = {file for file in after.keys() - desk.before.keys() if ".part-" not in file or not crumbs}
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
@pytest.mark.parametrize(("name", "number"), [*((name, 1) for name in QUICK), ("carve", 3), ("print", 3)])
def test_a_write_that_is_broken_off_leaves_the_old_or_the_new(
    name, number, error, status, good, tmp_path, capsys, monkeypatch
):
    desk = Desk(tmp_path / "desk", name, good(name))
    capsys.readouterr()
    failing_at(monkeypatch, number, error)
    assert desk.run() == status
    one_line(capsys)
    monkeypatch.undo()
    assert_nothing_lost(desk, good(name))
    if number == 1:
        assert desk.read() == desk.before


CUT_OFF = """
import os, sys
from knotgeom import command
os.{call} = lambda *a, **k: os._exit(9)  # as where the power fails
sys.exit(command.main(sys.argv[1:]))
"""


@pytest.mark.parametrize("call", ["replace", "fsync"])
@pytest.mark.parametrize("name", ["mesh", "sheet", "new", "carve"])
def test_a_process_cut_off_while_it_writes_leaves_the_old_file(name, call, good, tmp_path):
    desk = Desk(tmp_path / "desk", name, good(name))
    done = subprocess.run(
        [sys.executable, "-c", CUT_OFF.format(call=call), *words(name, desk.design, desk.output)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 9, done.stderr
    assert_nothing_lost(desk, {}, crumbs=True)  # nobody is left to sweep its .part file up


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


@pytest.mark.parametrize("name", ["mesh", "picture", "sheet", "sheet as SVG", "mend", "new", "carve", "print"])
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


# ------------------------------------------------------------------------------------------ designs that come from afar


def test_a_design_that_changes_while_it_is_read_is_the_old_or_the_new_or_refused(tmp_path):
    path = tmp_path / "changing.json"
    long = json.dumps({"interlace": 1, "layout": {"grid": [40, 40], "cell": 10}, "breaks": {"horizontal": [
        [x, y] for x in range(1, 79, 2) for y in range(2, 79, 2)]}})  # fmt: skip
    short = json.dumps({"interlace": 1, "layout": {"grid": [2, 3], "cell": 10}})
    known = [read_text(long), read_text(short)]
    stop = threading.Event()

    def rewrite() -> None:
        while not stop.is_set():
            for text in (long, short):
                path.write_text(text)  # in place, not whole or not at all

    path.write_text(short)
    writer = threading.Thread(target=rewrite)
    writer.start()
    seen = {0: 0, 1: 0, -1: 0}
    try:
        for _ in range(150):
            try:
                seen[known.index(read_file(path))] += 1
            except DesignError as error:
                assert str(error).isprintable()
                seen[-1] += 1
    finally:
        stop.set()
        writer.join()
    assert sum(seen.values()) == 150


def design_naming(kind: str, name: str) -> str:
    if kind == "mesh":
        return json.dumps({"interlace": 1, "layout": {"mesh": {"file": name}}})
    return json.dumps({"interlace": 1, "layout": {"panel": {"pieces": [{"file": name}], "joins": "all"}}})


@pytest.fixture
def stranger(tmp_path) -> Path:
    """A stranger's folder beside one with secrets."""
    folder, secret = tmp_path / "stranger", tmp_path / "secret"
    folder.mkdir()
    secret.mkdir()
    for place in (folder, secret):
        (place / "knot.json").write_text(DESIGN)
        (place / "mesh.obj").write_text("v 0 0 0\nv 10 0 0\nv 10 10 0\nv 0 10 0\nf 1 2 3\nf 1 3 4\n")
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
    from knotgeom import reading

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
