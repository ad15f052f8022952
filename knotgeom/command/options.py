"""The options of every verb, and where a verb runs."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from typing import Any, NoReturn

from ..errors import DesignError
from ..forms import printable
from . import knots, making, search, values
from .talk import flush, say


class Parser(argparse.ArgumentParser):
    """Says what is wrong in one line instead of listing all options."""

    def error(self, message: str) -> NoReturn:
        raise DesignError(printable(message, 200), f"see {self.prog} --help")

    def print_help(self, file: Any = None) -> None:
        # argparse itself passes over what goes wrong in writing.
        say(self.format_help().rstrip("\n"))


def parser() -> argparse.ArgumentParser:
    """What reads the command line; of what it gives, ``run`` is the verb's function."""
    parser = Parser(
        prog="knotgeom",
        description="Interlace designs: their counts, meshes and pictures. Lengths are mm.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, help="show the version and end")
    verbs = parser.add_subparsers(metavar="VERB", required=True, parser_class=Parser)

    facts = _verb(verbs, "facts", knots.facts, "print counts and sizes of a design as one JSON object")
    facts.add_argument("file", metavar="FILE", help="design file")
    facts.add_argument("--pd", action="store_true", help="add the planar diagram code of a weave without forks")

    mesh = _verb(verbs, "mesh", knots.mesh, "write the woven strands as a mesh in mm")
    mesh.add_argument("file", metavar="FILE", help="design file")
    mesh.add_argument("-o", "--output", metavar="X", required=True, help=f"name ending in {values.ENDINGS}")
    _replace_option(mesh)

    picture = _verb(verbs, "picture", knots.picture, "draw a shaded picture seen from above")
    picture.add_argument("file", metavar="FILE", help="design file")
    picture.add_argument("-o", "--output", metavar="X", required=True, help="name ending in .png")
    picture.add_argument("--pixels", metavar="N", type=values.pixels, default=1200, help="length of the longer side")
    _replace_option(picture)

    carve = _verb(verbs, "carve", making.carve, "carve the knot on a board: relief, height map, picture and report")
    carve.add_argument("file", metavar="FILE", help="design file; its key make.carve describes the board")
    carve.add_argument("-o", "--output", metavar="DIR", required=True, help="folder for the files")
    carve.add_argument("--resolution", metavar="MM", type=values.resolution, help="mm per sample, 0.05 to 1")
    carve.add_argument("--replace", action="store_true", help="write over files that are there already")

    check = _verb(verbs, "check", making.check, "measure and judge the finished piece, print one JSON object")
    check.add_argument("file", metavar="FILE", help="design file")
    check.add_argument("--for", dest="kind", choices=("printing", "casting"), required=True, help="kind of process")
    check.add_argument("--profile", metavar="P", help="a process by name, or a JSON file of limits of your own")
    check.add_argument("--material", metavar="M", help="material for the mass (default: the design's)")

    solid = _verb(
        verbs, "print", making.print_solid, "write the finished piece for printing and casting, checked and weighed"
    )
    solid.add_argument("file", metavar="FILE", help="design file")
    solid.add_argument("-o", "--output", metavar="DIR", required=True, help="folder for the solid, picture and report")
    solid.add_argument("--profile", metavar="NAME", help="limits to check by: a shipped process or a .json file")
    solid.add_argument("--replace", action="store_true", help="write over files that are there already")

    trim = _verb(
        verbs, "trim", making.trim, "make a kit of trim pieces for games: GLB with levels of detail, maps, picture"
    )
    trim.add_argument(
        "files", metavar="FILE", nargs="+", help="design files of flat strips; several share one sheet of textures"
    )
    trim.add_argument("-o", "--output", metavar="DIR", required=True, help="folder for the files")
    trim.add_argument(
        "--triangles", metavar="N", type=values.count, help="budget of the straight piece (default: the design's)"
    )
    trim.add_argument("--obj", action="store_true", help="write the pieces as OBJ too")
    trim.add_argument("--no-maps", dest="maps", action="store_false", help="leave out the baked maps")
    trim.add_argument("--replace", action="store_true", help="write over files that are there already")

    sheet = _verb(verbs, "sheet", knots.sheet, "draw a pattern sheet: line work at true scale on paper or for a cutter")
    sheet.add_argument("file", metavar="FILE", help="design file")
    sheet.add_argument("-o", "--output", metavar="X", required=True, help="name ending in .pdf or .svg")
    sheet.add_argument(
        "--pages",
        metavar="LIST",
        default="pattern",
        help=f"kinds of pages with commas between, of {', '.join(values.SHEET_PAGES)}; an SVG holds one "
        "(default: pattern)",
    )
    sheet.add_argument("--paper", choices=values.SHEET_PAPERS, default="A4", help="paper of a PDF (default: A4)")
    sheet.add_argument(
        "--overlap", metavar="MM", type=values.length, default=10.0, help="how far pages overlap (default: 10)"
    )
    sheet.add_argument("--depths", action="store_true", help="write how deep both strands lie at every crossing")
    sheet.add_argument("--waste", action="store_true", help="hatch the ground between strands")
    sheet.add_argument("--arrows", action="store_true", help="mark where a strand dips under")
    sheet.add_argument("--grid", action="store_true", help="show the layout's grid and breaks")
    sheet.add_argument(
        "--outlines", action="store_true", help="add closed outlines of visible pieces (always in an SVG)"
    )
    sheet.add_argument("--title", metavar="TEXT", help="title (default: from the file's name)")
    _replace_option(sheet)

    mend = _verb(
        verbs, "mend", search.mend, "find changes of dividing that lessen the weave's exceptions, as one JSON object"
    )
    mend.add_argument("file", metavar="FILE", help="design file")
    mend.add_argument(
        "--trials", metavar="N", type=values.count, default=60, help="changes tried at most (default: 60)"
    )
    _remedy_options(mend)

    circuits = _verb(verbs, "circuits", search.circuits, "find the fewest breaks that join or part circuits, as JSON")
    circuits.add_argument("file", metavar="FILE", help="design file")
    circuits.add_argument("--count", metavar="N", type=values.count, default=1, help="circuits wanted (default: 1)")
    circuits.add_argument(
        "--symmetry",
        metavar="LIST",
        type=values.symmetries,
        default=((), None),
        help="symmetries that the breaks keep, with commas between: left-right, up-down, half-turn, quarter-turn, "
        "round (every sector) or round:N (N times round)",
    )
    _remedy_options(circuits)

    new = _verb(verbs, "new", knots.new, "write a design to start from")
    new.add_argument("--for", dest="purpose", choices=values.PURPOSES, default="board", help="purpose (default: board)")
    new.add_argument("--field", metavar="WxH", type=values.field, help="propose a grid for a field of this size in mm")
    new.add_argument("--margin", metavar="MM", type=values.length, help="left free round the field's edge (default: 0)")
    new.add_argument("--strand", metavar="MM", type=values.length, help="wanted strand width (default: the purpose's)")
    new.add_argument("-o", "--output", metavar="X", help="design file to write; standard output where left out")
    _replace_option(new)
    return parser


def _replace_option(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--replace", action="store_true", help="write over a file that is there already")


def _remedy_options(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--take", metavar="N", type=values.count, help="remedy to write, by its number (default: 1)")
    verb.add_argument("-o", "--output", metavar="X", help="design file to write the design to, with the remedy taken")
    _replace_option(verb)


def _verb(
    verbs: argparse._SubParsersAction[Parser], name: str, run: Callable[[argparse.Namespace], None], about: str
) -> argparse.ArgumentParser:
    verb = verbs.add_parser(name, help=about, description=about[0].upper() + about[1:] + ".", allow_abbrev=False)
    verb.set_defaults(run=run)
    return verb


class _Version(argparse.Action):
    """Prints the version, which takes reading it from the package."""

    def __init__(self, option_strings: Sequence[str], dest: str, **rest: Any) -> None:
        super().__init__(option_strings, dest, nargs=0, default=argparse.SUPPRESS, **rest)

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from .. import __version__

        say(f"knotgeom {__version__}")
        flush()
        parser.exit()
