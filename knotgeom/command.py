"""The command line: ``knotgeom VERB FILE``.

Whatever goes wrong ends in one line on standard error and a status: 2 for a design or an option that cannot be, 130
when stopped by the user, 1 for a fault of the program itself. What a verb needs is imported when it runs, so that
refusals are quick.
"""

from __future__ import annotations

import argparse
import contextlib
import errno
import json
import os
import re
import signal
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, NoReturn

from .errors import DesignError
from .forms import printable

if TYPE_CHECKING:
    from .design import Design
    from .made import Made

REFUSED, FAULT, STOPPED, CLOSED = 2, 1, 128 + signal.SIGINT, 141
"""Exit statuses; CLOSED is that of a program whose reader went away."""

MESH_ENDINGS = (".stl", ".ply", ".obj")
PURPOSES = ("board", "pendant", "trim", "drawing")
SHEET_PAGES = ("pattern", "mirrored", "stages", "follow")
SHEET_PAPERS = ("A4", "A3", "Letter")
SHEET_MARKS = ("depths", "waste", "arrows", "grid", "outlines")
LEAST_PIXELS, MOST_PIXELS = 16, 20_000
_FIELD = re.compile(r"([0-9.]+)[xX×]([0-9.]+)")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status.

    Parameters
    ----------
    arguments : sequence of str, optional
        Those of the process where left out.
    """
    with warnings.catch_warnings(), _ended_by_signals():
        warnings.simplefilter("ignore")  # a library's warning is not for the user of a command
        try:
            try:
                options = _parser().parse_args(arguments)
                options.run(options)
            except SystemExit as ended:  # after --help and --version, and on a polite request to end
                status = ended.code
            else:
                status = 0
            _flush()
        except DesignError as error:
            return _refuse(str(error), REFUSED)
        except BrokenPipeError:
            _forget_output()
            return CLOSED
        except OSError as error:
            _forget_output()
            return _refuse(_os_words(error), REFUSED)
        except KeyboardInterrupt:
            return _refuse("stopped", STOPPED)
        except MemoryError:
            return _refuse("there is not enough memory for this design; give a smaller one", REFUSED)
        except Exception as error:  # the promise of one line holds for our own faults too
            words = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
            return _refuse(f"a fault of the program, not of the design ({words}); please report it", FAULT)
    return int(status or 0)


# -------------------------------------------------------------------------------------------------------- the verbs


def _facts(options: argparse.Namespace) -> None:
    design = _read(options.file)
    from . import made

    facts = made.facts(design, pd=options.pd)
    _print(json.dumps(facts, indent=2, allow_nan=False))


def _mesh(options: argparse.Namespace) -> None:
    from . import files

    files.ending_of(options.output)
    from . import made

    result = _made(options)
    try:
        mesh = made.solid(result)
    except DesignError as error:
        raise error.within(printable(options.file, 400)) from None
    files.write_mesh(options.output, mesh)
    sides = mesh.vertices.max(axis=0) - mesh.vertices.min(axis=0)
    count = 2 * len(mesh.quads) + len(mesh.triangles)
    size = " x ".join(f"{side:.1f}" for side in sides)
    _print(f"{printable(options.output, 400)}: {size} mm, {count:,} triangles")


def _picture(options: argparse.Namespace) -> None:
    if not options.output.lower().endswith(".png"):
        raise DesignError("the name of a picture ends in .png", "give such a name", file=options.output)
    result = _made(options)
    from . import picture
    from .files import whole

    assert result.mesh is not None  # _made refuses a design without
    pixels = picture.picture(result.mesh, pixels=options.pixels, colours=result.counted.colours)
    with whole.replacing(options.output) as spare:
        picture.write_png(spare, pixels)
    _print(f"{printable(options.output, 400)}: {pixels.shape[1]} x {pixels.shape[0]} pixels")


def _carve(options: argparse.Namespace) -> None:
    design = _read(options.file)
    from .carving import files, relief, tool_report, woods

    carving = design.make.carve
    if options.resolution is not None:
        import dataclasses

        carving = dataclasses.replace(carving, resolution=options.resolution)
    files.refuse_folder(options.output, options.replace)
    try:
        with _progress() as progress:
            done = files.carve_to(design, options.output, carving, replace=options.replace, progress=progress)
    except DesignError as error:
        raise error if error.file else error.within(printable(options.file, 400)) from None
    facts = relief.report(done)
    panel = done.panel
    _print(
        f"{printable(options.output, 400)}: board {panel.length:g} x {panel.width:g} x {panel.thickness:g} mm, "
        f"deepest cut "
        f"{facts['deepest_cut_mm']:.2f} mm, thinnest board left {facts['thinnest_board_left_mm']:.2f} mm"
    )
    for name in files.NAMES:
        _print(f"  {name}")
    for finding in panel.findings:
        _print(f"{finding.kind} at {finding.place}: {finding.remedy}")
    with open(os.path.join(options.output, files.REPORT), encoding="utf-8") as stream:
        for line in tool_report.tool_lines(json.load(stream)["tools"]):
            _print(line)
    _print("Cautions:")
    for line in woods.CAUTIONS:
        _print(f"  {line}")


def _sheet(options: argparse.Namespace) -> None:
    from . import sheets

    wanted = sheets.Wanted(**{name: getattr(options, name) for name in SHEET_MARKS})
    sheet = sheets.Sheet(tuple(options.pages.split(",")), options.paper, options.overlap, wanted)
    sheets.refuse_options(sheet, options.output)
    design = _read(options.file)
    from .files import whole

    if os.path.lexists(options.output):
        if os.path.exists(options.output) and os.path.samefile(options.file, options.output):
            raise DesignError("is the design itself", "give another name", file=options.output)
        if not options.replace:
            raise DesignError("is there already", "give another name, or --replace", file=options.output)
    whole.refuse_unwritable(options.output)
    from . import made

    title = options.title if options.title is not None else sheets.title_of(options.file)
    try:
        with _progress() as progress:
            result = made.make(design, prove=0, progress=progress)
            done = sheets.write_sheet(options.output, result, sheet, title, progress)
    except DesignError as error:
        raise error if error.file else error.within(printable(options.file, 400)) from None
    _print(f"{printable(options.output, 400)}: {done}")


def _check(options: argparse.Namespace) -> None:
    from .printing import checks, materials, profiles

    limits = profiles.named(options.profile, options.kind)
    design = _read(options.file)
    name = options.material if options.material is not None else design.make.print.material
    of = materials.material(name)
    try:
        with _progress() as progress:
            checked = checks.check_design(design, limits, of, progress=progress)
    except DesignError as error:
        raise error if error.file else error.within(printable(options.file, 400)) from None
    _print(checks.text(checked))


def _print_solid(options: argparse.Namespace) -> None:
    from .printing import folder

    folder.refuse_existing(options.output, replace=options.replace)
    from .printing import checks, materials
    from .printing.piece import make_piece
    from .printing.process import limits_for

    design = _read(options.file)
    wanted = design.make.print
    limits = limits_for(wanted, options.profile)
    try:
        with _progress() as progress:
            piece = make_piece(design, progress=progress, limits=limits)
            checked = checks.check_piece(piece, limits, materials.material(wanted.material))
    except DesignError as error:
        raise error if error.file else error.within(printable(options.file, 400)) from None
    title = _title(options.file).replace("_", " ")
    found = folder.write_piece(options.output, piece, checked, wanted, title=title, replace=options.replace)
    size = " x ".join(f"{side:.1f}" for side in found["finished"]["size_mm"])
    bodies = found["bodies"]
    words = "pass" if checked.passed else f"{len(checked.findings)} to mend"
    _print(
        f"{printable(options.output, 400)}: {size} mm finished, {bodies} {'body' if bodies == 1 else 'bodies'}, "
        f"{found['mass_g']:.2f} g {wanted.material}; {limits.name}: {words}"
    )
    if piece.hang is not None:
        tips = round(piece.hang.tilted, 1) + 0.0  # no minus zero
        _print(f"  hangs {abs(piece.hang.turned):.1f} degrees sideways and tips {tips:.1f} forward")
    elif wanted.ring is None:
        _print("  has nothing to hang by; make.print.bail or make.print.eye would give it that")
    for finding in checked.findings:
        _print(f"  {finding.kind} at {finding.place}: {finding.remedy}")
    _print("  the cautions in report.json are part of it")


def _trim(options: argparse.Namespace) -> None:
    from .trims import folder

    folder.refuse_existing(options.output, obj=options.obj, replace=options.replace)
    paths = {_title(path): path for path in options.files}
    if len(paths) < len(options.files):
        raise DesignError("two designs of one name", "give each file a name of its own", file=options.files[-1])
    designs = {name: _read(path) for name, path in paths.items()}
    from .trims import report
    from .trims.making import trim_to, with_triangles

    if options.triangles is not None:
        designs = {name: with_triangles(design, options.triangles) for name, design in designs.items()}
    try:
        with _progress() as progress:
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
    _print(
        f"{printable(options.output, 400)}: {len(kit.pieces)} pieces on a sheet of {sheet.width} x {sheet.height} "
        f"texels, {1000 * sheet.per_mm:.0f} to the metre"
    )
    for line in (*report.lines(kit), *kit.notes, *(f"to mend: {found}" for found in kit.findings)):
        _print(f"  {line}")


def _title(path: str) -> str:
    return os.path.basename(path).removesuffix(".json").removesuffix(".interlace")


def _new(options: argparse.Namespace) -> None:
    if options.field is None and (options.margin is not None or options.strand is not None):
        given = "--margin" if options.margin is not None else "--strand"
        raise DesignError(f"{given} goes with --field", "add --field WIDTHxHEIGHT in mm")
    if options.output is not None and not options.replace and os.path.lexists(options.output):
        raise DesignError("is there already", "give another name, or --replace", file=options.output)
    from . import starters
    from .files import whole
    from .reading import write_text

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
        _print(text.rstrip("\n"))
    else:
        whole.write(options.output, [text.encode("utf-8")])


def _mend(options: argparse.Namespace) -> None:
    design = _to_remedy(options)
    from . import dividing, mending

    with _within(options.file), _progress() as progress:
        search = dividing.find_dividings(design, trials=options.trials, progress=progress)
    _take(options, search.remedies, mending.told_dividings(search))


def _circuits(options: argparse.Namespace) -> None:
    design = _to_remedy(options)
    from . import mending, merging
    from .reading import check

    symmetries, order = options.symmetry
    with _within(options.file), _progress() as progress:
        check(design)
        search = merging.find_breaks(design, options.count, symmetries, order, progress=progress)
    _take(options, search.remedies, mending.told_breaks(search, symmetries, order))


def _to_remedy(options: argparse.Namespace) -> Design:
    """The design to find remedies for, after making sure that a remedy taken can be written."""
    if options.output is None and (options.take is not None or options.replace):
        given = "--take" if options.take is not None else "--replace"
        raise DesignError(f"{given} goes with -o", "add -o and a name for the changed design")
    design = _read(options.file)
    if options.output is not None:
        from . import mending

        mending.refuse_output(options.file, options.output, options.replace)
    return design


def _take(options: argparse.Namespace, remedies: Any, told: dict[str, Any]) -> None:
    """Write the design with the remedy that is asked for, and print all of them as one JSON object."""
    if options.output is not None:
        from . import mending

        number = options.take or 1
        with _within(options.file):
            design = mending.taken(remedies, number)
        mending.write_design(design, options.file, options.output)
        told = {**told, "taken": number}
    _print(json.dumps(told, indent=2, allow_nan=False))


@contextlib.contextmanager
def _within(path: str) -> Iterator[None]:
    """Tell which file a refusal is about."""
    try:
        yield
    except DesignError as error:
        raise error if error.file else error.within(printable(path, 400)) from None


def _read(path: str) -> Design:
    from .reading import read_file

    return read_file(path)


def _made(options: argparse.Namespace) -> Made:
    """A design file made, with a mesh, after making sure that what comes of it can be written."""
    design = _read(options.file)
    from .files import whole

    if os.path.exists(options.output) and os.path.samefile(options.file, options.output):
        raise DesignError("is the design itself", "give another name", file=options.output)
    whole.refuse_unwritable(options.output)
    from . import made

    with _progress() as progress:
        result = made.make(design, progress=progress)
    if result.mesh is None:
        raise made.no_mesh(result).within(printable(options.file, 400))
    return result


# ---------------------------------------------------------------------------------------------------------- options


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one line instead of listing all options."""

    def error(self, message: str) -> NoReturn:
        raise DesignError(printable(message, 200), f"see {self.prog} --help")

    def print_help(self, file: Any = None) -> None:
        # argparse itself passes over what goes wrong in writing.
        _print(self.format_help().rstrip("\n"))


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="knotgeom",
        description="Interlace designs: their counts, meshes and pictures. Lengths are mm.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, help="show the version and end")
    verbs = parser.add_subparsers(metavar="VERB", required=True, parser_class=_Parser)

    facts = _verb(verbs, "facts", _facts, "print counts and sizes of a design as one JSON object")
    facts.add_argument("file", metavar="FILE", help="design file")
    facts.add_argument("--pd", action="store_true", help="add the planar diagram code of a weave without forks")

    mesh = _verb(verbs, "mesh", _mesh, "write the woven strands as a mesh in mm")
    mesh.add_argument("file", metavar="FILE", help="design file")
    mesh.add_argument("-o", "--output", metavar="X", required=True, help=f"name ending in {', '.join(MESH_ENDINGS)}")

    picture = _verb(verbs, "picture", _picture, "draw a shaded picture seen from above")
    picture.add_argument("file", metavar="FILE", help="design file")
    picture.add_argument("-o", "--output", metavar="X", required=True, help="name ending in .png")
    picture.add_argument("--pixels", metavar="N", type=_pixels, default=1200, help="length of the longer side")

    carve = _verb(verbs, "carve", _carve, "carve the knot on a board: relief, height map, picture and report")
    carve.add_argument("file", metavar="FILE", help="design file; its key make.carve describes the board")
    carve.add_argument("-o", "--output", metavar="DIR", required=True, help="folder for the files")
    carve.add_argument("--resolution", metavar="MM", type=_resolution, help="mm per sample, 0.05 to 1")
    carve.add_argument("--replace", action="store_true", help="write over files that are there already")

    check = _verb(verbs, "check", _check, "measure and judge the finished piece, print one JSON object")
    check.add_argument("file", metavar="FILE", help="design file")
    check.add_argument("--for", dest="kind", choices=("printing", "casting"), required=True, help="kind of process")
    check.add_argument("--profile", metavar="P", help="a process by name, or a JSON file of limits of your own")
    check.add_argument("--material", metavar="M", help="material for the mass (default: the design's)")

    solid = _verb(
        verbs, "print", _print_solid, "write the finished piece for printing and casting, checked and weighed"
    )
    solid.add_argument("file", metavar="FILE", help="design file")
    solid.add_argument("-o", "--output", metavar="DIR", required=True, help="folder for the solid, picture and report")
    solid.add_argument("--profile", metavar="NAME", help="limits to check by: a shipped process or a .json file")
    solid.add_argument("--replace", action="store_true", help="write over files that are there already")

    trim = _verb(verbs, "trim", _trim, "make a kit of trim pieces for games: GLB with levels of detail, maps, picture")
    trim.add_argument(
        "files", metavar="FILE", nargs="+", help="design files of flat strips; several share one sheet of textures"
    )
    trim.add_argument("-o", "--output", metavar="DIR", required=True, help="folder for the files")
    trim.add_argument(
        "--triangles", metavar="N", type=_count, help="budget of the straight piece (default: the design's)"
    )
    trim.add_argument("--obj", action="store_true", help="write the pieces as OBJ too")
    trim.add_argument("--no-maps", dest="maps", action="store_false", help="leave out the baked maps")
    trim.add_argument("--replace", action="store_true", help="write over files that are there already")

    sheet = _verb(verbs, "sheet", _sheet, "draw a pattern sheet: line work at true scale on paper or for a cutter")
    sheet.add_argument("file", metavar="FILE", help="design file")
    sheet.add_argument("-o", "--output", metavar="X", required=True, help="name ending in .pdf or .svg")
    sheet.add_argument(
        "--pages",
        metavar="LIST",
        default="pattern",
        help=f"kinds of pages with commas between, of {', '.join(SHEET_PAGES)}; an SVG holds one (default: pattern)",
    )
    sheet.add_argument("--paper", choices=SHEET_PAPERS, default="A4", help="paper of a PDF (default: A4)")
    sheet.add_argument(
        "--overlap", metavar="MM", type=_length, default=10.0, help="how far pages overlap (default: 10)"
    )
    sheet.add_argument("--depths", action="store_true", help="write how deep both strands lie at every crossing")
    sheet.add_argument("--waste", action="store_true", help="hatch the ground between strands")
    sheet.add_argument("--arrows", action="store_true", help="mark where a strand dips under")
    sheet.add_argument("--grid", action="store_true", help="show the layout's grid and breaks")
    sheet.add_argument(
        "--outlines", action="store_true", help="add closed outlines of visible pieces (always in an SVG)"
    )
    sheet.add_argument("--title", metavar="TEXT", help="title (default: from the file's name)")
    sheet.add_argument("--replace", action="store_true", help="write over a file that is there already")

    mend = _verb(
        verbs, "mend", _mend, "find changes of dividing that lessen the weave's exceptions, as one JSON object"
    )
    mend.add_argument("file", metavar="FILE", help="design file")
    mend.add_argument("--trials", metavar="N", type=_count, default=60, help="changes tried at most (default: 60)")
    _remedy_options(mend)

    circuits = _verb(verbs, "circuits", _circuits, "find the fewest breaks that join or part circuits, as JSON")
    circuits.add_argument("file", metavar="FILE", help="design file")
    circuits.add_argument("--count", metavar="N", type=_count, default=1, help="circuits wanted (default: 1)")
    circuits.add_argument(
        "--symmetry",
        metavar="LIST",
        type=_symmetries,
        default=((), None),
        help="symmetries that the breaks keep, with commas between: left-right, up-down, half-turn, quarter-turn, "
        "round (every sector) or round:N (N times round)",
    )
    _remedy_options(circuits)

    new = _verb(verbs, "new", _new, "write a design to start from")
    new.add_argument("--for", dest="purpose", choices=PURPOSES, default="board", help="purpose (default: board)")
    new.add_argument("--field", metavar="WxH", type=_field, help="propose a grid for a field of this size in mm")
    new.add_argument("--margin", metavar="MM", type=_length, help="left free round the field's edge (default: 0)")
    new.add_argument("--strand", metavar="MM", type=_length, help="wanted strand width (default: the purpose's)")
    new.add_argument("-o", "--output", metavar="X", help="design file to write; standard output where left out")
    new.add_argument("--replace", action="store_true", help="write over a file that is there already")
    return parser


def _remedy_options(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--take", metavar="N", type=_count, help="remedy to write, by its number (default: 1)")
    verb.add_argument("-o", "--output", metavar="X", help="design file to write the design to, with the remedy taken")
    verb.add_argument("--replace", action="store_true", help="write over a file that is there already")


def _verb(
    verbs: argparse._SubParsersAction[_Parser], name: str, run: Callable[[argparse.Namespace], None], about: str
) -> argparse.ArgumentParser:
    verb = verbs.add_parser(name, help=about, description=about[0].upper() + about[1:] + ".", allow_abbrev=False)
    verb.set_defaults(run=run)
    return verb


class _Version(argparse.Action):
    """Prints the version, which takes reading it from the package."""

    def __init__(self, option_strings: Sequence[str], dest: str, **rest: Any) -> None:
        super().__init__(option_strings, dest, nargs=0, default=argparse.SUPPRESS, **rest)

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from . import __version__

        _print(f"knotgeom {__version__}")
        _flush()
        parser.exit()


def _pixels(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,9}", text) or not LEAST_PIXELS <= int(text) <= MOST_PIXELS:
        raise argparse.ArgumentTypeError(
            f'found "{printable(text)}", give a whole number from {LEAST_PIXELS} to {MOST_PIXELS:,}'
        )
    return int(text)


def _count(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,6}", text) or int(text) < 1:
        raise argparse.ArgumentTypeError(f'found "{printable(text)}", give a whole number from 1 to 999,999')
    return int(text)


def _symmetries(text: str) -> Any:
    from .mending import chosen_symmetries

    try:
        return chosen_symmetries(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(
            f'found "{printable(str(error))}", give left-right, up-down, half-turn, quarter-turn, round or round:N'
        ) from None


def _length(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0 <= value < float("inf"):
        raise argparse.ArgumentTypeError(f'found "{printable(text)}", give a length in mm')
    return value


def _resolution(text: str) -> float:
    value = _length(text)
    if not 0.05 <= value <= 1:
        raise argparse.ArgumentTypeError(f'found "{printable(text)}", give 0.05 to 1 mm')
    return value


def _field(text: str) -> tuple[float, float]:
    found = _FIELD.fullmatch(text)
    if not found or any(side.count(".") > 1 or side == "." for side in found.groups()):
        raise argparse.ArgumentTypeError(f'found "{printable(text)}", give WIDTHxHEIGHT in mm such as 280x180')
    return float(found[1]), float(found[2])


# --------------------------------------------------------------------------------------------- talking to the user


def _refuse(line: str, status: int) -> int:
    with contextlib.suppress(OSError, ValueError, AttributeError):  # nobody may be listening there either
        print(f"knotgeom: {printable(' '.join(line.split()), 2000)}", file=sys.stderr, flush=True)
    return status


def _os_words(error: OSError) -> str:
    """A line for what the operating system refused."""
    what = (error.strerror or str(error) or type(error).__name__).strip()
    remedies = {
        errno.ENOENT: "give the name of a folder that exists",
        errno.EISDIR: "give the name of a file",
        errno.ENOTDIR: "give the name of a folder that exists",
        errno.EACCES: "give a place that you may write to",
        errno.EPERM: "give a place that you may write to",
        errno.EROFS: "give a place that can be written to",
        errno.ENOSPC: "make room there, or give another place",
        errno.ENAMETOOLONG: "give a shorter name",
    }
    remedy = remedies.get(error.errno or 0, "give another place to write to")
    place = os.fsdecode(error.filename) if isinstance(error.filename, str | bytes) else "standard output"
    return str(DesignError(f"cannot be written ({what[:1].lower()}{what[1:]})", remedy, file=printable(place, 400)))


def _print(text: str) -> None:
    if sys.stdout is None:
        raise OSError(errno.EBADF, "Closed")
    print(text)


def _flush() -> None:
    if sys.stdout is not None:
        sys.stdout.flush()


def _forget_output() -> None:
    """Keep Python from trying once more, at its end, to write what could not be written."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@contextlib.contextmanager
def _progress() -> Iterator[Callable[[float, str], None] | None]:
    """How far long work has got, in one line that is wiped out at its end; none unless a person watches."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield None
        return

    def show(fraction: float, stage: str) -> None:
        print(f"\r\x1b[K{fraction:4.0%} {stage}", end="", file=sys.stderr, flush=True)

    try:
        yield show
    finally:
        print("\r\x1b[K", end="", file=sys.stderr, flush=True)


@contextlib.contextmanager
def _ended_by_signals() -> Iterator[None]:
    """Let a polite request to end run its course through the code, so that half-written files are cleared away."""

    def end(number: int, _: object) -> NoReturn:
        raise SystemExit(128 + number)

    try:
        before = signal.signal(signal.SIGTERM, end)
    except ValueError:  # not the main thread, where no signal arrives
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
