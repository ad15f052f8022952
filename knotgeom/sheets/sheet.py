"""From a design to its pattern sheet: a PDF of several pages, or an SVG of one."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from ..design import Making, Section
from ..drawing import Drawn, draw, sample_spacing
from ..errors import DesignError
from ..files import whole as files
from ..made import Made, no_mesh
from .follow import follow_pages, passages
from .pages import CAUTIONS, cover, tile, tiles
from .paper import (
    GREY,
    PAPERS,
    Box,
    Document,
    Inset,
    Item,
    Page,
    Pen,
    Shape,
    Words,
    column,
    extent,
    fitting,
    line,
    moved,
)
from .pattern import (
    ARROW,
    CUT,
    FIELD,
    GRID,
    HEAD,
    INCISED,
    WASTE,
    Wanted,
    crossing_depths,
    depth_figures,
    edge_pen,
    field_segments,
    pattern,
)
from .pdf import pdf
from .stages import stages_page
from .svg import svg
from .visible import Line, Visible, visible

KINDS = ("pattern", "mirrored", "stages", "follow")
"""Kinds of pages."""
ENDINGS = (".pdf", ".svg")
TRUE = 0.02
"""How far in mm a drawn line may keep from the curve that it stands for."""
CLOSEST = 4.0
"""How many times as close samples are laid at most to keep to that."""

Progress = Callable[[float, str], None]


@dataclass(frozen=True, slots=True)
class Sheet:
    """What is wanted of a pattern sheet.

    Attributes
    ----------
    pages : tuple of str
        Among ``pattern``, ``mirrored``, ``stages``, ``follow``.
    paper : str
        ``A4``, ``A3`` or ``Letter``.
    overlap : float
        How far neighbouring pages overlap, mm.
    wanted : Wanted
    """

    pages: tuple[str, ...] = ("pattern",)
    paper: str = "A4"
    overlap: float = 10.0
    wanted: Wanted = Wanted()


def refuse_options(sheet: Sheet, path: str) -> None:
    """Refuse what cannot be, before any work.

    Raises
    ------
    DesignError
        An unknown kind of page or paper, an ending that is neither, several pages in one SVG, a bad overlap.
    """
    ending = os.path.splitext(path)[1].lower()
    if ending not in ENDINGS:
        raise DesignError("the name of a sheet ends in .pdf or .svg", "give such a name", file=path)
    for kind in sheet.pages:
        if kind not in KINDS:
            raise DesignError(f'no pages are called "{kind}"', f"give some of {', '.join(KINDS)}", "--pages")
    if not sheet.pages or len(set(sheet.pages)) < len(sheet.pages):
        raise DesignError("each kind of page is given once", f"give some of {', '.join(KINDS)}", "--pages")
    if sheet.paper not in PAPERS:
        raise DesignError(f'no paper is called "{sheet.paper}"', f"give one of {', '.join(PAPERS)}", "--paper")
    if ending == ".svg" and len(sheet.pages) > 1:
        raise DesignError("an SVG holds one page", "give one kind of page, or the name of a .pdf", "--pages")
    if not (math.isfinite(sheet.overlap) and sheet.overlap >= 0):
        raise DesignError(f"an overlap of {sheet.overlap} mm", "give 0 or more", "--overlap")
    tile(Box(0.0, 0.0, 1.0, 1.0), sheet.paper, sheet.overlap)


def title_of(path: str) -> str:
    """A title from a file's name."""
    name = os.path.basename(path)
    for ending in (".json", ".interlace"):
        name = name.removesuffix(ending)
    words = " ".join(name.replace("_", " ").replace("-", " ").split()) or "Pattern"
    return words[0].upper() + words[1:]


def write_sheet(path: str, made: Made, sheet: Sheet, title: str, progress: Progress | None = None) -> str:
    """Write a pattern sheet; the ending says what kind of file.

    Returns
    -------
    str
        What was written, in a few words.

    Raises
    ------
    DesignError
        The options do not fit, or no clean line can be drawn of the design.
    OSError
        The file cannot be written.
    """
    refuse_options(sheet, path)
    report = progress or (lambda _share, _stage: None)
    scene = _Scene.of(made, title, report)
    report(0.9, "drawing the pages")
    if path.lower().endswith(".svg"):
        page = single_page(scene, sheet)
        files.write(path, svg(page, title))
        return f"{page.width:.1f} x {page.height:.1f} mm"
    pages = document(scene, sheet)
    files.write(path, pdf(pages))
    count = len(pages.pages)
    return f"{count} page{'s' if count > 1 else ''} of {sheet.paper}"


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """All that the pages draw from."""

    made: Made
    drawn: Drawn
    visible: Visible
    whole: Box
    title: str

    @classmethod
    def of(cls, made: Made, title: str, report: Progress) -> _Scene:
        """Draw a design closely enough for paper and find what is seen of it."""
        counted, drawn = made.counted, made.drawn
        if drawn is None:
            raise no_mesh(made)
        closer = closeness(sample_spacing(counted), counted.narrowest.width)
        if closer > 1.0:
            report(0.5, "drawing closely")
            drawn = draw(counted, closer=closer)
        report(0.8, "finding what is seen")
        seen = visible(counted, drawn)
        if seen.doubtful:
            if made.findings:
                first = made.findings[0]
                raise DesignError(f"no clean line can be drawn, for the {first.kind} at {first.place}", first.remedy)
            raise DesignError("no clean line can be drawn: strands lie on one another", "give narrower strands")
        edges = extent(seen.edges)
        field = field_segments(counted.layout).reshape(-1, 2)
        low = np.minimum(field.min(0), edges[:2]).tolist()
        high = np.maximum(field.max(0), edges[2:]).tolist()
        return cls(made, drawn, seen, Box(low[0], low[1], high[0], high[1]), title)


def closeness(spacing: float, width: float) -> float:
    """How many times as close samples must lie for the tightest usual bend, of half the width in radius."""
    return float(np.clip(spacing / math.sqrt(8 * 0.5 * width * TRUE), 1.0, CLOSEST))


def document(scene: _Scene, sheet: Sheet) -> Document:
    """The pages of a PDF: contents and sizes first, then the kinds of pages in their order."""
    counted, whole = scene.made.counted, scene.whole
    pages: list[Page] = []
    drawings: dict[str, tuple[Item, ...]] = {}
    tiling = tile(whole, sheet.paper, sheet.overlap)
    flat = [kind for kind in KINDS[:2] if kind in sheet.pages]
    if flat:
        items = pattern(counted, scene.drawn, scene.visible, sheet.wanted)
        plain = pattern(counted, scene.drawn, scene.visible, Wanted(waste=sheet.wanted.waste))
        pages.append(
            cover(
                sheet.paper, scene.title, facts(scene), legend(scene, sheet.wanted), plain, tiling, notes(scene, sheet)
            )
        )
    for kind in KINDS:
        if kind not in sheet.pages:
            continue
        if kind == "pattern":
            drawings[kind] = tuple(items)
            pages += tiles(tiling, kind, scene.title)
        elif kind == "mirrored":
            drawings[kind] = tuple(moved(items, 1.0, whole.left + whole.right, 0.0, flip=True))
            pages += tiles(tiling, kind, scene.title, mirrored=True)
        elif kind == "stages":
            pages.append(stages_page(counted, scene.drawn, scene.visible, whole, sheet.paper, scene.title))
        else:
            more, shared = _follow(scene, sheet)
            pages += more
            drawings |= shared
    return Document(scene.title, tuple(pages), drawings)


def single_page(scene: _Scene, sheet: Sheet) -> Page:
    """The one page of an SVG; patterns have no paper size but their own, with a title block beneath."""
    counted, whole, kind = scene.made.counted, scene.whole, sheet.pages[0]
    if kind == "stages":
        return stages_page(counted, scene.drawn, scene.visible, whole, sheet.paper, scene.title)
    if kind == "follow":
        pages, drawings = _follow(scene, sheet)
        if len(pages) > 1:
            raise DesignError(
                f"following its strands takes {len(pages)} pages, and an SVG holds one",
                "give the name of a .pdf",
                "--pages",
            )
        return _without_insets(pages[0], drawings)
    items = pattern(counted, scene.drawn, scene.visible, Wanted(**{**_as_dict(sheet.wanted), "outlines": True}))
    side = 6.0
    width = max(whole.width + 2 * side, 120.0)
    inner = 0.84 * (width - 2 * side)  # where Helvetica is missing, another face may run wider
    block: list[Item] = [
        Words("title", scene.title, side, -7.0, fitting(scene.title, 5.0, inner, bold=True), bold=True)
    ]
    mirrored = " (mirrored for transfer)" if kind == "mirrored" else ""
    sizes = "; ".join(f"{name} {value}" for name, value in facts(scene))
    text, end = column("title", f"Pattern{mirrored}, true scale. {sizes}.", side, -8.0, inner, 2.6)
    block += text
    text, end = column("title", "\n".join([CAUTIONS, *notes(scene, sheet)]), side, end - 1.0, inner, 2.4, ink=GREY)
    block += text
    block += [
        Shape(
            "check line", Pen(0.2, butt=True), (line((side, end - 6), (side + 100, end - 6)), *_ticks(side, end - 6))
        ),
        Words("check line", "check line: 100 mm", side, end - 9.4, 2.4),
    ]
    low = -end + 9.4 + side
    height = low + whole.height + side
    middle = width / 2
    flip = kind == "mirrored"
    centre = (whole.left + whole.right) / 2
    placed = moved(items, 1.0, middle + (centre if flip else -centre), low - whole.bottom, flip)
    return Page(width, height, (*placed, *moved(block, 1.0, 0.0, low)))


def _follow(scene: _Scene, sheet: Sheet) -> tuple[list[Page], dict[str, tuple[Item, ...]]]:
    order = passages(scene.made.counted, scene.drawn, scene.visible)
    return follow_pages(scene.drawn, scene.visible, order, scene.whole, sheet.paper, scene.title)


def _without_insets(page: Page, drawings: dict[str, tuple[Item, ...]]) -> Page:
    """A page with its shared drawings written out, none of which its clip cuts off."""
    items: list[Item] = []
    for item in page.items:
        items += moved(drawings[item.name], 1.0, *item.shift) if isinstance(item, Inset) else [item]
    return Page(page.width, page.height, tuple(items))


def _ticks(x: float, y: float) -> Iterable[Line]:
    return (line((x + k, y), (x + k, y + (3.0 if k % 50 == 0 else 1.6))) for k in range(0, 101, 10))


def _as_dict(wanted: Wanted) -> dict[str, bool]:
    return {name: bool(getattr(wanted, name)) for name in Wanted.__dataclass_fields__}


def facts(scene: _Scene) -> list[tuple[str, str]]:
    """Names and sizes for the title block."""
    counted = scene.made.counted
    size, strands = counted.size, counted.strand_map
    edges = extent(scene.visible.edges)
    widths = sorted({round(float(width), 2) for width in counted.widths})
    rows = [
        ("Strands reach", f"{edges.width:.1f} x {edges.height:.1f} mm"),
        ("Strand", " and ".join(f"{width:g}" for width in widths) + f" mm wide, {size.thickness:.3g} mm thick"),
    ]
    if scene.visible.rails.lanes.paired.any():
        gap = "an incised line" if size.gap == 0 else f"{size.gap:.3g} mm of ground"
        rows.append(("Halves", f"with {gap} between them"))
    section = counted.design.strand.section
    rows.append(("Section", section.value if isinstance(section, Section) else "its own outline"))
    closed = int(counted.circuits.count)
    word = "crossing" if strands.crossings == 1 else "crossings"
    counts = f"{strands.crossings} woven {word}, {closed} circuit{'s' if closed != 1 else ''}"
    rows.append(("Weave", counts + (f", {strands.forks} forks" if strands.forks else "")))
    exceptions = counted.weaving.exceptions
    if exceptions:
        rows.append(("", f"over and under fail to alternate on {exceptions} step{'s' if exceptions > 1 else ''}"))
    way = {Making.CARVED: "carved", Making.FUSED: "one piece, strands united", Making.FREE: "strands free"}
    rows.append(("Made", way[counted.design.heights.way]))
    z = scene.drawn.relief.z
    if counted.design.heights.way is Making.CARVED:
        low, high = (-float(edge) - size.thickness / 2 + 0.0 for edge in (z.max(), z.min()))
        rows.append(("Depth", f"tops of strands {max(low, 0.0):.1f} to {high:.1f} mm below the board's face"))
    else:
        depth = float(np.ptp(z)) + size.thickness
        rows.append(("Depth", f"{depth:.1f} mm from the lowest underside to the highest top"))
    return rows


def legend(scene: _Scene, wanted: Wanted) -> list[tuple[Item, str]]:
    """A sign and its meaning for every kind of line on the pattern; signs start at the origin."""
    long = line((0.0, 0.0), (12.0, 0.0))
    rows: list[tuple[Item, str]] = [(Shape("legend", edge_pen(scene.made.counted), (long,)), "edge of a strand")]
    if scene.visible.incised:
        rows.append((Shape("legend", INCISED, (long,)), "line cut into a strand"))
    if wanted.waste:
        strokes = tuple(line((k, -1.2), (k + 2.4, 1.2)) for k in range(0, 11, 2))
        rows.append((Shape("legend", WASTE, strokes), "ground between strands, to be lowered or cut away"))
        rows.append((Shape("legend", FIELD, (long,)), "border of the layout"))
    if wanted.grid:
        rows.append((Shape("legend", Pen(0.2, GRID.ink), (long,)), "grid of the layout, breaks heavier"))
    if wanted.arrows:
        head = line((12.0, 0.0), (9.5, 1.1), (9.5, -1.1), closed=True)
        sign = Shape("legend", Pen(ARROW.width, HEAD.ink, fill=HEAD.fill), (long, head))
        rows.append((sign, "the strand dips under here"))
    if wanted.depths:
        reference = "the board's face" if scene.made.design.heights.way is Making.CARVED else "the highest top"
        rows.append(
            (
                Words("legend", "0.4 / 2.1", 0.0, -1.0, 3.0),
                f"mm below {reference}: top of the upper strand, of the lower",
            )
        )
    if wanted.outlines:
        rows.append((Shape("legend", CUT, (long,)), "closed outline of a visible piece, for a knife or a laser"))
    return rows


def notes(scene: _Scene, sheet: Sheet) -> list[str]:
    """What a reader should know of this sheet in particular."""
    result = []
    if sheet.wanted.depths:
        left_out = depth_figures(crossing_depths(scene.made.counted, scene.drawn))[1]
        if left_out:
            result.append(
                f"Depth figures are left out at {left_out} crossings where strands are too narrow to hold them."
            )
    if scene.made.findings:
        count = len(scene.made.findings)
        things = "one thing is" if count == 1 else f"{count} things are"
        result.append(f"In this design {things} still to be mended; knotgeom facts lists what, where and how.")
    return result
