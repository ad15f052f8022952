"""Verbs that make things: reliefs on boards, pieces to print and cast, trim kits; and the check of a piece."""

from __future__ import annotations

import argparse
import json
import os

from ..errors import DesignError
from ..forms import printable
from .talk import read, say, shown_progress, title, within


def carve(options: argparse.Namespace) -> None:
    """Carve the knot on a board and write the files."""
    design = read(options.file)
    from ..carving import files, relief, tool_report, woods

    carving = design.make.carve
    if options.resolution is not None:
        import dataclasses

        carving = dataclasses.replace(carving, resolution=options.resolution)
    files.refuse_folder(options.output, options.replace)
    with within(options.file), shown_progress() as progress:
        done = files.carve_to(design, options.output, carving, replace=options.replace, progress=progress)
    facts = relief.report(done)
    panel = done.panel
    say(
        f"{printable(options.output, 400)}: board {panel.length:g} x {panel.width:g} x {panel.thickness:g} mm, "
        f"deepest cut "
        f"{facts['deepest_cut_mm']:.2f} mm, thinnest board left {facts['thinnest_board_left_mm']:.2f} mm"
    )
    for name in files.NAMES:
        say(f"  {name}")
    for finding in panel.findings:
        say(f"{finding.kind} at {finding.place}: {finding.remedy}")
    with open(os.path.join(options.output, files.REPORT), encoding="utf-8") as stream:
        for line in tool_report.tool_lines(json.load(stream)["tools"]):
            say(line)
    say("Cautions:")
    for line in woods.CAUTIONS:
        say(f"  {line}")


def check(options: argparse.Namespace) -> None:
    """Measure and judge the finished piece."""
    from ..printing import checks, materials, profiles, remedies

    limits = profiles.named(options.profile, options.kind)
    design = read(options.file)
    name = options.material if options.material is not None else design.make.print.material
    of = materials.material(name)
    with within(options.file), shown_progress() as progress:
        checked = remedies.check_design(design, limits, of, progress=progress)
    say(checks.text(checked))


def print_solid(options: argparse.Namespace) -> None:
    """Make the finished piece and write its files."""
    from ..printing import folder

    folder.refuse_existing(options.output, replace=options.replace)
    from ..printing import materials, remedies
    from ..printing.piece import make_piece
    from ..printing.process import limits_for

    design = read(options.file)
    wanted = design.make.print
    limits = limits_for(wanted, options.profile)
    with within(options.file), shown_progress() as progress:
        piece = make_piece(design, progress=progress, limits=limits)
        checked = remedies.check_piece(piece, limits, materials.material(wanted.material))
    name = title(options.file).replace("_", " ")
    found = folder.write_piece(options.output, piece, checked, wanted, title=name, replace=options.replace)
    size = " x ".join(f"{side:.1f}" for side in found["finished"]["size_mm"])
    bodies = found["bodies"]
    words = "pass" if checked.passed else f"{len(checked.findings)} to mend"
    say(
        f"{printable(options.output, 400)}: {size} mm finished, {bodies} {'body' if bodies == 1 else 'bodies'}, "
        f"{found['mass_g']:.2f} g {wanted.material}; {limits.name}: {words}"
    )
    if piece.hang is not None:
        tips = round(piece.hang.tilted, 1) + 0.0  # no minus zero
        say(f"  hangs {abs(piece.hang.turned):.1f} degrees sideways and tips {tips:.1f} forward")
    elif wanted.ring is None:
        say("  has nothing to hang by; make.print.bail or make.print.eye would give it that")
    for finding in checked.findings:
        say(f"  {finding.kind} at {finding.place}: {finding.remedy}")
    say("  the cautions in report.json are part of it")


def trim(options: argparse.Namespace) -> None:
    """Make a kit of trim pieces and write its files."""
    from ..trims import folder

    folder.refuse_existing(options.output, obj=options.obj, replace=options.replace)
    paths = {title(path): path for path in options.files}
    if len(paths) < len(options.files):
        raise DesignError("two designs of one name", "give each file a name of its own", file=options.files[-1])
    designs = {name: read(path) for name, path in paths.items()}
    from ..trims import report
    from ..trims.making import trim_to, with_triangles

    if options.triangles is not None:
        designs = {name: with_triangles(design, options.triangles) for name, design in designs.items()}
    try:
        with shown_progress() as progress:
            kit, _ = trim_to(
                designs,
                options.output,
                maps=options.maps,
                obj=options.obj,
                replace_files=options.replace,
                title=", ".join(designs).replace("_", " "),
                progress=progress,
            )
    except DesignError as error:
        if error.file and error.file not in paths:
            raise
        raise error.within(printable(paths.get(error.file, options.files[0]), 400)) from None
    sheet = kit.sheet
    say(
        f"{printable(options.output, 400)}: {len(kit.pieces)} pieces on a sheet of {sheet.width} x {sheet.height} "
        f"texels, {1000 * sheet.per_mm:.0f} to the metre"
    )
    for line in (*report.lines(kit), *kit.notes, *(f"to mend: {found}" for found in kit.findings)):
        say(f"  {line}")
