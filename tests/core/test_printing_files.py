"""The files of a piece: written without Pillow, whole or not at all, never over another unasked."""

from __future__ import annotations

import errno
import io
import json
import os
import struct
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from knotgeom import command
from knotgeom.design import Design, Grid, Heights, Make, Making, Section, Strand
from knotgeom.errors import DesignError
from knotgeom.files import whole
from knotgeom.printing import folder, lettering, preview
from knotgeom.printing.materials import MATERIALS, material
from knotgeom.printing.options import Bail, Extent, Eye, Frame, Hollow, Mark, Plate, Printing
from knotgeom.printing.piece import make_piece
from knotgeom.printing.process import limits_for
from knotgeom.printing.remedies import check_piece
from knotgeom.reading import read_text, write_text

ROOT = Path(__file__).resolve().parents[2]
KNOT = Design(
    Grid(2, 2, 9.0, 9.0),
    strand=Strand(3.4, 1.8, Section.HALF_ROUND),
    heights=Heights(Making.FUSED, step=0.7),
)


def design_with(options: Printing) -> Design:
    return replace(KNOT, make=Make(print=options))


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """A design file, and its piece written by the command."""
    base = tmp_path_factory.mktemp("small")
    (base / "small.interlace.json").write_text(
        write_text(design_with(Printing(fillet=0, bail=Bail()))), encoding="utf-8"
    )
    assert command.main(["print", str(base / "small.interlace.json"), "-o", str(base / "out")]) == 0
    return base


def held(where: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in where.iterdir()}


def test_the_same_files_come_where_there_is_no_pillow(small):
    script = (
        "import sys; sys.modules['PIL'] = None; from knotgeom import command; "
        "sys.exit(command.main(['print', 'small.interlace.json', '-o', 'bare']))"
    )
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=small, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert held(small / "bare") == held(small / "out")


def test_the_preview_shows_the_piece_three_times_over_a_bar_true_to_its_scale(small):
    picture = np.asarray(Image.open(small / "out" / "preview.png").convert("RGB")).astype(int)
    report = json.loads((small / "out" / "report.json").read_text())
    paper = np.abs(picture - preview.PAPER).max(2) < 12
    row = int(len(picture) - 0.045 * picture.shape[1])
    ink = np.flatnonzero(np.abs(picture[row] - preview.INK).max(1) < 20)
    bar = ink[: int(np.flatnonzero(np.diff(ink) > 1)[0]) + 1]
    pixels_per_mm = (len(bar) - 1) / preview.BAR
    views = np.flatnonzero(~paper[: int(0.8 * len(picture))].all(0))
    runs = np.split(views, np.flatnonzero(np.diff(views) > 8) + 1)
    width, height, depth = report["finished"]["size_mm"]
    assert [len(run) / pixels_per_mm for run in runs] == pytest.approx([width, depth, width], abs=0.25)
    tall = np.flatnonzero(~paper[:, runs[0]].all(1))
    assert (np.split(tall, np.flatnonzero(np.diff(tall) > 4) + 1)[0].size) / pixels_per_mm == pytest.approx(
        height, abs=0.25
    )
    thumb = Image.open(io.BytesIO(preview.thumbnail(picture.astype(np.uint8))))
    assert thumb.format == "PNG" and max(thumb.size) <= 320


def test_every_word_of_a_preview_can_be_written():
    words = " ".join(MATERIALS) + " front side back mm g body bodies 0123456789."
    assert not [
        letter
        for letter in words
        if letter != " " and not lettering._RUNS.get(letter, lettering._RUNS.get(letter.lower()))
    ]
    sheet = np.full((60, 400, 3), 255, np.uint8)
    lettering.write(sheet, "8 g", 200.0, 40.0, 24.0, (0, 0, 0), 0.5)
    dark = np.flatnonzero((sheet < 128).any(2).any(0))
    assert dark[0] + dark[-1] == pytest.approx(400, abs=4)  # in the middle
    assert np.ptp(dark) == pytest.approx(lettering.width("8 g", 24.0), abs=4)


# ------------------------------------------------------------------------------------------------- what can go wrong


@pytest.mark.parametrize("where", ["write_threemf", "_read_back"])
def test_a_disk_that_fills_up_leaves_what_was_there(small, monkeypatch, capsys, where):
    before, beside = held(small / "out"), sorted(os.listdir(small))
    design = str(small / "small.interlace.json")

    def full(*_args, **_more):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(folder, where, full)
    assert command.main(["print", design, "-o", str(small / "out"), "--replace"]) == 2
    assert "no space left on device" in capsys.readouterr().err
    assert held(small / "out") == before
    assert command.main(["print", design, "-o", str(small / "new")]) == 2
    assert sorted(os.listdir(small)) == beside  # nothing half made beside it


@pytest.mark.parametrize("change", ["a triangle is missing", "a corner has moved", "a number has changed"])
def test_files_that_do_not_read_back_as_they_were_written_are_not_kept(small, monkeypatch, capsys, change):
    before, read_back = held(small / "out"), folder._read_back

    def spoilt(spare, piece, found):
        model, said = spare / folder.FILES[1], spare / folder.FILES[3]
        data = bytearray(model.read_bytes())
        if change == "a triangle is missing":
            del data[-50:]
        elif change == "a corner has moved":
            data[84 + 12 : 84 + 24] = struct.pack("<3f", 40.0, 40.0, 40.0)
        else:
            said.write_text(said.read_text().replace('"bodies": 1', '"bodies": 2'))
        model.write_bytes(data)
        read_back(spare, piece, found)

    monkeypatch.setattr(folder, "_read_back", spoilt)
    design = str(small / "small.interlace.json")
    assert command.main(["print", design, "-o", str(small / "out"), "--replace"]) == 2
    assert "do not read back as they were written" in capsys.readouterr().err
    assert held(small / "out") == before


@pytest.mark.parametrize("name", folder.FILES)
def test_no_file_is_replaced_unasked(small, tmp_path, capsys, name):
    (tmp_path / name).write_bytes(b"the work of last week")
    design = str(small / "small.interlace.json")
    assert command.main(["print", design, "-o", str(tmp_path)]) == 2
    assert f"{name}: is there already; give another folder, or --replace" in capsys.readouterr().err
    assert held(tmp_path) == {name: b"the work of last week"}


def test_a_lone_3mf_is_not_written_over_another_unasked(small, tmp_path, capsys):
    path = tmp_path / "mine.3mf"
    path.write_bytes(b"the work of last week")
    piece = make_piece(KNOT, Printing(fillet=0))
    checked = check_piece(piece, limits_for(Printing()), material("sterling silver"))
    with pytest.raises(DesignError, match="is no folder"):
        folder.write_piece(path, piece, checked, Printing(fillet=0))
    assert path.read_bytes() == b"the work of last week"


@pytest.mark.parametrize(
    "options, line",
    [
        (Printing(bail=Bail(wall=0.7)), r"bail.wall: a wall of 0.7 mm is thinner than .* allows; give at least 0.8 mm"),
        (Printing(eye=Eye(wall=0.3)), r"eye.wall: a wall of 0.3 mm is thinner than .* allows; give at least 0.8 mm"),
        (Printing(frame=Frame(overlap=3.0)), r"frame.overlap: the frame would cut the knot: .*; give at most 2.04 mm"),
        (Printing(size=0.002), r"make.print.size: found 0.002 mm; give a size from 1 to 1,000 mm"),
        (Printing(size=3e6, size_of=Extent.KNOT), r"make.print.size: found 3e\+06 mm; give a size from 1 to 1,000 mm"),
        (Printing(mass_g=1e-4), r"make.print.mass_g: no thickness from .* gives 0.00 g"),
        (Printing(mass_g=9e4), r"make.print.mass_g: no thickness from .* gives 90000.00 g"),
        (Printing(plate=Plate(thickness=0.6), hollow=Hollow(1.0)), r"a plate 0.6 mm thick cannot be hollowed to"),
        (Printing(mark=Mark(40.0, 30.0)), r"make.print.mark: an area of 40 x 30 mm is larger than the piece"),
    ],
)  # fmt: skip
def test_bad_input_is_refused_in_one_line_with_what_would_do(small, tmp_path, capsys, options, line):
    path = tmp_path / "bad.interlace.json"
    with pytest.raises(DesignError, match=line):
        make_piece(KNOT, replace(options, fillet=0))
    try:
        path.write_text(write_text(design_with(options)), encoding="utf-8")
    except DesignError:
        return  # the form refuses it as it is written
    assert command.main(["print", str(path), "-o", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and str(path) in said and not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "text",
    [
        '"strand": {"thickness": 0}',
        '"strand": {"thickness": -1.0}',
        '"strand": {"width": 0}',
        '"make": {"print": {"bail": {"wall": 0}}}',
        '"make": {"print": {"bail": {"bore": 1e9}}}',
        '"make": {"print": {"frame": {"width": 1e-6}}}',
        '"make": {"print": {"ring": {"circumference": 0}}}',
        '"make": {"print": {"tolerance": 0}}',
        '"make": {"print": {"mass_g": 0}}',
    ],
)
def test_zero_thickness_and_sizes_of_microns_and_kilometres_are_refused_by_their_place(text):
    whole_text = '{"interlace": 1, "layout": {"grid": [2, 2], "cell": 9}, "heights": {"way": "fused"}, ' + text + "}"
    with pytest.raises(DesignError, match=r"[a-z_.]+: found \S+; give a number") as refused:
        read_text(whole_text)
    assert refused.value.place.split(".")[-1] in text


@pytest.mark.parametrize("thickness", [1e-6, 1e6])
def test_strands_of_microns_and_kilometres_make_no_piece(thickness):
    thin = replace(KNOT, strand=replace(KNOT.strand, thickness=thickness), heights=Heights(Making.FUSED))
    with pytest.raises(DesignError) as refused:
        make_piece(thin, Printing(fillet=0))
    assert refused.value.remedy and "\n" not in str(refused.value)


def test_files_are_written_by_renaming(tmp_path, monkeypatch):
    path = tmp_path / "one.stl"
    path.write_bytes(b"old")

    def full(*_args, **_more):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(whole.os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        whole.write(path, [b"new"])
    assert path.read_bytes() == b"old" and os.listdir(tmp_path) == ["one.stl"]


def test_the_command_says_what_is_to_be_mended_and_how_it_hangs(tmp_path, capsys):
    thin = replace(design_with(Printing(fillet=0, bail=Bail())), strand=replace(KNOT.strand, thickness=0.6))
    thin = replace(thin, heights=Heights(Making.FUSED, step=0.2))
    (tmp_path / "thin.interlace.json").write_text(write_text(thin), encoding="utf-8")
    assert command.main(["print", str(tmp_path / "thin.interlace.json"), "-o", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    report = json.loads((tmp_path / "out" / "report.json").read_text())
    assert report["findings"] and report["result"] == "fail"
    for finding in report["findings"]:
        assert f"{finding['kind']} at {finding['place']}: {finding['remedy']}" in said
    assert f"hangs {abs(report['hang']['turned_deg']):.1f} degrees sideways" in said and "cautions" in said
