"""Verbs for a design itself: its facts, mesh, picture and pattern sheet, and a new one to start from."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING

from ..errors import DesignError
from ..forms import printable
from .output import refuse_output, written
from .talk import read, say, shown_progress, within
from .values import SHEET_MARKS

if TYPE_CHECKING:
    from ..made import Made


def facts(options: argparse.Namespace) -> None:
    """Print counts, measures and findings."""
    design = read(options.file)
    from .. import made

    with within(options.file):
        facts = made.facts(design, pd=options.pd)
    say(json.dumps(facts, indent=2, allow_nan=False))


def mesh(options: argparse.Namespace) -> None:
    """Write the strands as a mesh."""
    from .. import files

    files.ending_of(options.output)
    from .. import made

    result = _made(options)
    with within(options.file):
        mesh = made.solid(result)
    with written(options.output, replace=options.replace) as spare:
        files.write_mesh(spare, mesh)
    sides = mesh.vertices.max(axis=0) - mesh.vertices.min(axis=0)
    count = 2 * len(mesh.quads) + len(mesh.triangles)
    size = " x ".join(f"{side:.1f}" for side in sides)
    say(f"{printable(options.output, 400)}: {size} mm, {count:,} triangles")


def picture(options: argparse.Namespace) -> None:
    """Draw the knot from above."""
    if not options.output.lower().endswith(".png"):
        raise DesignError("the name of a picture ends in .png", "give such a name", file=options.output)
    result = _made(options)
    from .. import picture

    assert result.mesh is not None  # _made refuses a design without
    pixels = picture.picture(result.mesh, pixels=options.pixels, colours=result.counted.colours)
    with written(options.output, replace=options.replace) as spare:
        picture.write_png(spare, pixels)
    say(f"{printable(options.output, 400)}: {pixels.shape[1]} x {pixels.shape[0]} pixels")


def sheet(options: argparse.Namespace) -> None:
    """Draw a pattern sheet."""
    from .. import sheets

    wanted = sheets.Wanted(**{name: getattr(options, name) for name in SHEET_MARKS})
    sheet = sheets.Sheet(tuple(options.pages.split(",")), options.paper, options.overlap, wanted)
    sheets.refuse_options(sheet, options.output)
    design = read(options.file)
    refuse_output(options.output, source=options.file, replace=options.replace)
    from .. import made

    title = options.title if options.title is not None else sheets.title_of(options.file)
    with within(options.file), shown_progress() as progress:
        result = made.make(design, prove=0, progress=progress)
        with written(options.output, replace=options.replace) as spare:
            done = sheets.write_sheet(str(spare), result, sheet, title, progress)
    say(f"{printable(options.output, 400)}: {done}")


def new(options: argparse.Namespace) -> None:
    """Write a design to start from."""
    if options.field is None and (options.margin is not None or options.strand is not None):
        given = "--margin" if options.margin is not None else "--strand"
        raise DesignError(f"{given} goes with --field", "add --field WIDTHxHEIGHT in mm")
    if options.output is not None:
        refuse_output(options.output, source=None, replace=options.replace)
    from .. import starters
    from ..reading import write_text

    purpose = starters.Purpose(options.purpose)
    if options.field is None:
        design = starters.STARTERS[purpose]
    else:
        try:
            design = starters.start(purpose, options.field, options.margin or 0.0, options.strand)
        except DesignError as error:
            option = {"field": "--field", "margin": "--margin", "strand": "--strand"}.get(error.place, error.place)
            raise DesignError(error.problem, error.remedy, option) from None
    text = write_text(design)
    if options.output is None:
        say(text.rstrip("\n"))
    else:
        with written(options.output, replace=options.replace) as spare:
            spare.write_bytes(text.encode("utf-8"))


def _made(options: argparse.Namespace) -> Made:
    """A design file made, with a mesh, after making sure that what comes of it can be written."""
    design = read(options.file)
    refuse_output(options.output, source=options.file, replace=options.replace)
    from .. import made

    with within(options.file), shown_progress() as progress:
        result = made.make(design, progress=progress)
        if result.mesh is None:
            raise made.no_mesh(result)
    return result
