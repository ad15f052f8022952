"""The command says what is asked for and nothing else; what cannot be ends in one line and status 2."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
import trimesh
from PIL import Image

from knotgeom import command, files, made, raster, reading, starters
from knotgeom.mesh import Mesh

ROOT = Path(__file__).parents[2]
SAMPLE = """
{
  "interlace": 1,
  "layout": {"grid": [4, 4], "cell": 10.0, "without": [[3, 3]]},
  "breaks": {"horizontal": [[3, 4], [5, 4]], "vertical": [[4, 3]]},
  "divide": {"circuits": [[1, 2, "rising"]], "passes": [[3, 2, "falling"]], "all": false,
             "rejoin": "none", "gap": 0.8},
  "weave": {"hand": "right", "prefer": [[1, 2, "rising"]]},
  "strand": {"width": 4.0, "thickness": 1.6, "section": "flat",
             "turns": {"corners": "pointed", "borders": "round", "breaks": "round"}},
  "heights": {"way": "fused", "step": 0.5, "slope_limit_deg": 45}
}
"""
FEW_SECTORS = b'{"interlace": 1, "layout": {"ring": {"sectors": 6, "rows": 2, "inner": 60, "outer": 80}}}'
PLAIN = '{"interlace": 1, "layout": {"grid": [2, 3], "cell": 10}, "heights": {"way": "fused"}}'


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """An empty folder to run in, with two designs."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample.interlace.json").write_text(SAMPLE)
    (tmp_path / "plain.interlace.json").write_text(PLAIN)
    return tmp_path


def run(*arguments: str, **options) -> subprocess.CompletedProcess:
    """The command as a process of its own."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "always"}
    command_line = [sys.executable, "-m", "knotgeom", *arguments]
    return subprocess.run(command_line, capture_output=True, timeout=60, check=False, env=environment, **options)


def refused(capsys, *arguments: str, status: int = 2) -> str:
    """The one line of a refusal."""
    assert command.main(arguments) == status
    out, err = capsys.readouterr()
    assert out == "" and err.startswith("knotgeom: ") and err.endswith("\n") and err.count("\n") == 1
    assert err[:-1].isprintable()
    return err


# ------------------------------------------------------------------------------------------------------------- facts


def test_facts_are_one_json_object_and_nothing_else(folder):
    done = run("facts", "sample.interlace.json")
    assert (done.returncode, done.stderr) == (0, b"")
    facts = json.loads(done.stdout)
    counts = ("crossings", "circuits", "woven_crossings", "forks", "exceptions")
    assert [facts[key] for key in counts] == [19, 4, 25, 2, 2]
    assert facts.keys() >= {"fork_exceptions", "unmet", "depth_mm", "steepest_deg", "findings"}
    assert facts.keys() >= {"least_gap_mm", "median_gap_mm", "greatest_gap_mm"}


def test_the_planar_diagram_code_comes_when_asked_for(folder, capsys):
    assert command.main(["facts", "plain.interlace.json"]) == 0
    assert "pd" not in json.loads(capsys.readouterr().out)
    assert command.main(["facts", "plain.interlace.json", "--pd"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert len(facts["pd"]) == facts["crossings"] == 7


# -------------------------------------------------------------------------------------------------- mesh and picture


@pytest.mark.parametrize("ending", command.values.MESH_ENDINGS)
def test_a_mesh_is_written_in_mm(folder, capsys, ending):
    output = f"knot{ending}"
    (folder / output).write_text("an older one")
    assert "--replace" in refused(capsys, "mesh", "plain.interlace.json", "-o", output)
    assert (folder / output).read_text() == "an older one"
    assert command.main(["mesh", "plain.interlace.json", "-o", output, "--replace"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith(f"{output}: ") and "triangles" in out and err == ""
    mesh = trimesh.load_mesh(folder / output)
    mesh.merge_vertices(merge_tex=True, merge_norm=True)
    assert mesh.is_watertight and mesh.volume > 0
    assert (mesh.bounds[1, :2] <= [20, 30]).all() and (mesh.extents[:2] > [15, 25]).all()
    assert {path.name for path in folder.iterdir()} == {"plain.interlace.json", "sample.interlace.json", output}


def test_a_picture_is_written_with_the_longer_side_asked_for(folder, capsys):
    assert command.main(["picture", "plain.interlace.json", "-o", "knot.png", "--pixels", "90"]) == 0
    assert capsys.readouterr().err == ""
    with Image.open("knot.png") as image:
        assert max(image.size) == 90 == image.size[1] and len(image.getcolors(10_000)) > 50


def test_the_command_knows_endings_purposes_and_sizes_without_loading_what_uses_them():
    assert set(command.values.MESH_ENDINGS) == set(files.FORMATS)
    assert set(command.values.PURPOSES) == {purpose.value for purpose in starters.Purpose}
    assert (command.values.LEAST_PIXELS, command.values.MOST_PIXELS) == (raster.LEAST_PIXELS, raster.MOST_PIXELS)


# --------------------------------------------------------------------------------------------------------------- new


@pytest.mark.parametrize("purpose", command.values.PURPOSES)
def test_a_starter_is_written_to_standard_output_or_a_file(folder, capsys, purpose):
    starter = starters.STARTERS[starters.Purpose(purpose)]
    assert command.main(["new", "--for", purpose]) == 0
    assert reading.read_text(capsys.readouterr().out) == starter
    assert command.main(["new", "--for", purpose, "-o", "a.interlace.json"]) == 0
    assert capsys.readouterr() == ("", "")
    assert reading.read_file("a.interlace.json") == starter


def test_a_grid_is_proposed_for_a_field(capsys):
    assert command.main(["new", "--field", "280x180", "--margin", "12", "--strand", "10"]) == 0
    design = reading.read_text(capsys.readouterr().out)
    assert (design.layout.columns, design.layout.rows, design.strand.width) == (12, 7, 10)


def test_a_file_that_is_there_is_replaced_only_when_asked(folder, capsys):
    assert "--replace" in refused(capsys, "new", "-o", "plain.interlace.json")
    assert Path("plain.interlace.json").read_text() == PLAIN
    assert command.main(["new", "-o", "plain.interlace.json", "--replace"]) == 0
    assert Path("plain.interlace.json").read_text() != PLAIN


# ----------------------------------------------------------------------------------------------------------- refusals


@pytest.mark.parametrize("verb", [["facts"], ["mesh", "-o", "x.stl"], ["picture", "-o", "x.png"]])
@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (b"{", "line 1"),
        (b"\x89PNG\r\n\x1a\n\0", "not UTF-8"),
        (b"[" * 5000, "too deeply"),
        (b'{"interlace": 1, "layout": {"grid": [100000, 100000], "cell": 1}}', "layout.grid: 100,000 x 100,000"),
        (b'{"interlace": 1, "layout": {"grid": [4, 4], "cell": NaN}}', "layout.cell: found NaN"),
        (b'{"interlace": 1, "layout": {"grid": [4, 4], "cell": 10}, "strand": {"width": 9}}', "strand.width"),
        (b'{"interlace": 1, "layout": {"grid": [4, 4], "cell": 10}, "\\u001b[2J": 1}', "unknown key"),
        (FEW_SECTORS, "mm of room at"),
    ],
)
def test_a_design_that_cannot_be_is_refused_in_one_line_naming_the_file(folder, capsys, verb, content, says):
    (folder / "bad.interlace.json").write_bytes(content)
    line = refused(capsys, verb[0], "bad.interlace.json", *verb[1:])
    assert line.startswith("knotgeom: bad.interlace.json: ") and says in line
    assert not list(folder.glob("x.*"))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "VERB"),
        (["whittle", "plain.interlace.json"], "invalid choice"),
        (["facts"], "FILE"),
        (["facts", "plain.interlace.json", "other"], "other"),
        (["facts", "plain.interlace.json", "--code"], "--code"),
        (["facts", "plain.interlace.json", "--p"], "--p"),
        (["facts", "none.interlace.json"], "none.interlace.json: cannot be read (no such file"),
        (["facts", "."], "cannot be read (is a directory)"),
        (["facts", "/dev/zero"], "cannot be read (not a plain file)"),
        (["facts", "a\nb\x1b"], "cannot be read"),
        (["mesh", "plain.interlace.json"], "-o"),
        (["mesh", "plain.interlace.json", "-o"], "-o"),
        (["mesh", "plain.interlace.json", "-o", "x.3mf"], ".stl, .ply, .obj"),
        (["mesh", "plain.interlace.json", "-o", "none/x.stl"], "none: cannot be written (no such folder)"),
        (["mesh", "plain.interlace.json", "-o", "folder.stl"], "folder.stl: cannot be written (is a directory)"),
        (["mesh", "plain.interlace.json", "-o", "link.stl"], "is the design itself"),
        (["picture", "plain.interlace.json", "-o", "x.jpg"], ".png"),
        (["picture", "plain.interlace.json", "-o", "x.png", "--pixels", "0"], "16 to 20,000"),
        (["picture", "plain.interlace.json", "-o", "x.png", "--pixels", "9" * 5000], "16 to 20,000"),
        (["picture", "plain.interlace.json", "-o", "x.png", "--pixels", "many"], "16 to 20,000"),
        (["new", "--for", "door"], "door"),
        (["new", "--field", "280"], "280x180"),
        (["new", "--field", "280x1.8.0"], "280x180"),
        (["new", "--field", "0x180"], "--field"),
        (["new", "--field", "280x180", "--margin", "90"], "--margin: a margin of 90 mm leaves nothing"),
        (["new", "--field", "280x180", "--margin", "-1"], "--margin"),
        (["new", "--field", "280x180", "--strand", "nan"], "--strand"),
        (["new", "--field", "280x180", "--strand", "150"], "--strand"),
        (["new", "--strand", "10"], "--field"),
        (["new", "-o", "none/x.interlace.json"], "none: cannot be written (no such folder)"),
    ],
)
def test_wrong_options_are_refused_in_one_line(folder, capsys, arguments, says):
    (folder / "folder.stl").mkdir()
    (folder / "link.stl").symlink_to("plain.interlace.json")
    before = set(folder.iterdir())
    assert says in refused(capsys, *arguments)
    assert set(folder.iterdir()) == before and Path("plain.interlace.json").read_text() == PLAIN


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="nothing is forbidden to the superuser")
def test_what_may_not_be_read_or_written_is_refused(folder, capsys):
    (folder / "sample.interlace.json").chmod(0)
    assert "permission denied" in refused(capsys, "facts", "sample.interlace.json")
    (folder / "shut").mkdir(mode=0o500)
    assert "permission denied" in refused(capsys, "mesh", "plain.interlace.json", "-o", "shut/x.stl")


def test_a_design_that_gives_no_mesh_is_refused_with_its_first_finding(folder, capsys, monkeypatch):
    class NoMesh:
        mesh = None
        findings = (made.Finding("too tight", "crossing [3, 2]", 0.1, "give a width under 3 mm", None),)

    monkeypatch.setattr(made, "make", lambda design, progress=None: NoMesh)
    line = refused(capsys, "mesh", "plain.interlace.json", "-o", "x.stl")
    assert "too tight" in line and "crossing [3, 2]" in line and "give a width under 3 mm" in line


@pytest.mark.parametrize(
    ("fault", "status", "says"),
    [
        (ZeroDivisionError("two\nlines"), 1, "fault of the program"),
        (ZeroDivisionError(), 1, "not of the design (ZeroDivisionError)"),
        (MemoryError(), 2, "not enough memory for this design; give a smaller one"),
    ],
)
def test_a_fault_is_no_traceback_and_blamed_on_what_it_comes_from(folder, capsys, monkeypatch, fault, status, says):
    def fails(design, pd):
        raise fault

    monkeypatch.setattr(made, "facts", fails)
    assert says in refused(capsys, "facts", "plain.interlace.json", status=status)


def test_help_and_version_are_no_refusals(capsys):
    for arguments in (["--help"], ["facts", "--help"], ["--version"]):
        assert command.main(arguments) == 0
        out, err = capsys.readouterr()
        assert "knotgeom" in out and err == ""


# ------------------------------------------------------------------------------------------- the world round a process


@pytest.mark.skipif(os.name != "posix", reason="pipes and devices as POSIX has them")
@pytest.mark.parametrize("arguments", [["new"], ["--help"], ["--version"]])
def test_output_that_nobody_takes_ends_quietly_and_a_full_disk_in_one_line(arguments):
    command_line = [sys.executable, "-m", "knotgeom", *arguments]
    reader, writer = os.pipe()
    os.close(reader)
    closed = subprocess.run(command_line, stdout=writer, stderr=subprocess.PIPE, timeout=60, check=False, cwd=ROOT)
    os.close(writer)
    assert (closed.returncode, closed.stderr) == (command.CLOSED, b"")
    if Path("/dev/full").exists():
        with open("/dev/full", "wb") as full:
            done = subprocess.run(command_line, stdout=full, stderr=subprocess.PIPE, timeout=60, check=False, cwd=ROOT)
        assert done.returncode == 2 and done.stderr.count(b"\n") == 1 and b"cannot be written" in done.stderr


def test_a_process_without_standard_output_writes_files_and_refuses_to_print(folder, capsys, monkeypatch):
    """As Python finds it where the output was closed before it began: sys.stdout is None then."""
    monkeypatch.setattr(sys, "stdout", None)
    assert command.main(["new"]) == 2
    assert capsys.readouterr().err.startswith("knotgeom: standard output: cannot be written (closed)")
    assert command.main(["new", "-o", "a.interlace.json"]) == 0
    assert reading.read_file("a.interlace.json") == starters.STARTERS[starters.Purpose.BOARD]


def test_a_command_runs_in_a_thread_and_leaves_signals_alone(folder, capsys):
    before, statuses = signal.getsignal(signal.SIGTERM), []
    thread = threading.Thread(target=lambda: statuses.append(command.main(["new", "-o", "a.interlace.json"])))
    thread.start()
    thread.join()
    assert statuses == [0] and Path("a.interlace.json").exists()
    assert signal.getsignal(signal.SIGTERM) is before


def small_mesh() -> Mesh:
    none = np.zeros((0, 4), np.int32)
    triangle = np.array([[0, 1, 2]], np.int32)
    return Mesh(np.eye(3), none, triangle, np.zeros((0, 4, 2)), np.zeros((1, 3, 2)), none[:, 0], triangle[0, :1])


def test_stopping_is_one_line_and_leaves_no_file(folder, capsys, monkeypatch):
    def stop(design, progress=None):
        raise KeyboardInterrupt

    monkeypatch.setattr(made, "make", stop)
    assert refused(capsys, "mesh", "plain.interlace.json", "-o", "x.stl", status=130) == "knotgeom: stopped\n"
    assert not list(folder.glob("*x.stl*")) and not list(folder.glob(".part*"))


WAITS_WHILE_WRITING = """
import sys, time
from knotgeom import command, files, made

def slow(mesh):
    yield b"half of it"
    print("writing", flush=True)
    time.sleep(60)

files.FORMATS[".stl"] = slow
sys.exit(command.main(["mesh", "plain.interlace.json", "-o", "x.stl"]))
"""


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
@pytest.mark.parametrize(
    ("number", "status", "line"), [(signal.SIGINT, 130, "knotgeom: stopped\n"), (signal.SIGTERM, 143, "")]
)
def test_a_process_ended_while_it_writes_leaves_no_file(folder, number, status, line):
    before = set(folder.iterdir())
    process = subprocess.Popen(
        [sys.executable, "-c", WAITS_WHILE_WRITING],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert process.stdout is not None and process.stdout.readline() == "writing\n"
    assert set(folder.iterdir()) > before
    process.send_signal(number)
    _, err = process.communicate(timeout=30)
    assert (process.returncode, err) == (status, line)
    assert set(folder.iterdir()) == before


def test_progress_is_shown_only_to_a_person(folder, capsys, monkeypatch):
    shown = []
    really_make = made.make

    def make(design, progress=None):
        shown.append(progress)
        if progress:
            progress(0.5, "heights")
        return really_make(design)

    monkeypatch.setattr(made, "make", make)
    assert command.main(["mesh", "plain.interlace.json", "-o", "x.stl"]) == 0
    assert shown == [None] and capsys.readouterr().err == ""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    assert command.main(["mesh", "plain.interlace.json", "-o", "x.stl", "--replace"]) == 0
    err = capsys.readouterr().err
    assert " 50% heights" in err and err.endswith("\r\x1b[K")
