"""Sheets of paper: tiles that overlap, crop marks, a check line on every page, and a first page that explains."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import DesignError
from .paper import (
    BLACK,
    GREY,
    PAPERS,
    RED,
    Box,
    Inset,
    Item,
    Page,
    Pen,
    Shape,
    Words,
    column,
    disc,
    fitting,
    line,
    moved,
    rectangle,
    width_of,
)
from .visible import Line

MARGIN = 8.0
"""Left free at the paper's edges, where many printers cannot print; mm, common practice, no source."""
FOOT = 13.0
"""Height of the strip with the check line, mm."""
CHECK = 100.0
"""Length of the check line, mm."""
ROOM = 3.0
"""Kept free round the pattern, mm."""
LEAST_TILE = 40.0
"""Least length of new pattern that a page must bring, mm."""
MOST_PAGES = 400
MARKS = Pen(0.12, BLACK)


@dataclass(frozen=True, slots=True)
class Tiling:
    """How a pattern is spread over pages.

    Attributes
    ----------
    paper : (float, float)
        Width and height of the paper as it is turned, mm.
    window : Box
        Where pattern is printed on each page, in the page's middle.
    columns, rows : int
    step : (float, float)
        From one page's pattern to the next one's, mm.
    origin : (float, float)
        The pattern's place at the lower left corner of the window of the page of column 0, row 0 (the lowest).
    overlap : float
    whole : Box
        The pattern's own extent.
    """

    paper: tuple[float, float]
    window: Box
    columns: int
    rows: int
    step: tuple[float, float]
    origin: tuple[float, float]
    overlap: float
    whole: Box

    def name(self, column: int, row: int) -> str:
        """A letter for the row from the top, a number for the column from the left."""
        letters, number = "", self.rows - 1 - row
        while True:
            letters = chr(65 + number % 26) + letters
            number = number // 26 - 1
            if number < 0:
                return f"{letters}{column + 1}"

    def cuts(self, axis: int) -> list[float]:
        """Where pages are cut and joined along x (0) or y (1), outer sides included, in the pattern's coordinates."""
        count = (self.columns, self.rows)[axis]
        inner = [self.origin[axis] + k * self.step[axis] + self.overlap / 2 for k in range(1, count)]
        return [self.whole[axis], *inner, self.whole[axis + 2]]


def page_box(paper: tuple[float, float]) -> Box:
    """Where a page can be printed on, above its foot."""
    return Box(MARGIN, MARGIN + FOOT, paper[0] - MARGIN, paper[1] - MARGIN)


def tile(whole: Box, paper: str, overlap: float) -> Tiling:
    """Spread a pattern over the fewest pages, upright or turned.

    Raises
    ------
    DesignError
        The overlap leaves no room, or there would be too many pages.
    """
    upright = PAPERS[paper]
    best: Tiling | None = None
    for size in (upright, upright[::-1]):
        window = page_box(size)
        wide, high = window.width, window.height
        least = min(wide, high) - LEAST_TILE
        if not 0 <= overlap <= least:
            raise DesignError(
                f"an overlap of {overlap:g} mm on {paper}", f"give 0 to {math.floor(least):d} mm", "--overlap"
            )
        need = whole.width + 2 * ROOM, whole.height + 2 * ROOM
        count = [
            1 if length <= side else math.ceil((length - overlap) / (side - overlap) - 1e-9)
            for length, side in zip(need, (wide, high), strict=True)
        ]
        # even shares of the pattern, each with half the overlap all round
        shares = [length / number for length, number in zip(need, count, strict=True)]
        sides = [share + (overlap if number > 1 else 0.0) for share, number in zip(shares, count, strict=True)]
        left, low = (window.left + (wide - sides[0]) / 2, window.bottom + (high - sides[1]) / 2)
        image = Box(left, low, left + sides[0], low + sides[1])
        origin = (
            whole.left - ROOM - (sides[0] - shares[0]) / 2,
            whole.bottom - ROOM - (sides[1] - shares[1]) / 2,
        )
        if best is None or count[0] * count[1] < best.columns * best.rows:
            best = Tiling(size, image, count[0], count[1], (shares[0], shares[1]), origin, overlap, whole)
    assert best is not None
    pages = best.columns * best.rows
    if pages > MOST_PAGES:
        larger = (
            "give larger paper or an SVG, which is one sheet" if paper != "A3" else "give an SVG, which is one sheet"
        )
        raise DesignError(
            f"the pattern would take {pages:,} pages of {paper}, more than {MOST_PAGES}", larger, "--paper"
        )
    return best


def foot(paper: tuple[float, float], left: str, right: str) -> list[Item]:
    """The strip at a page's bottom: the check line, and what the page is."""
    y = MARGIN + 3.4
    x = MARGIN
    ticks = [line((x, y), (x + CHECK, y))]
    ticks += [line((x + k, y), (x + k, y + (3.0 if k % 50 == 0 else 1.6))) for k in range(0, int(CHECK) + 1, 10)]
    items: list[Item] = [
        Shape("check line", Pen(0.2, BLACK, butt=True), tuple(ticks)),
        Words("check line", "check line: 100 mm. Print at 100 %, without fitting to the page.", x, MARGIN, 2.3),
    ]
    end = paper[0] - MARGIN
    items.append(Words("page", left, end, y + 0.4, 3.4, "end", bold=True))
    items.append(Words("page", right, end, MARGIN, fitting(right, 2.3, end - MARGIN - 72), "end", ink=GREY))
    return items


def tiles(tiling: Tiling, drawing: str, title: str, mirrored: bool = False) -> list[Page]:
    """The pages of a pattern, from the upper left to the lower right."""
    pages = []
    window = tiling.window
    columns, rows = tiling.columns, tiling.rows
    for row in reversed(range(rows)):
        for col in range(columns):
            at = tiling.origin[0] + col * tiling.step[0], tiling.origin[1] + row * tiling.step[1]
            shift = window.left - at[0], window.bottom - at[1]
            items: list[Item | Inset] = [Inset(drawing, shift, window)]
            items += crop_marks(tiling, shift)
            name = tiling.name(col, row)
            label = "Mirrored pattern" if mirrored else "Pattern"
            label += f" {name}" if columns * rows > 1 else ""
            place = "the whole pattern" if columns * rows == 1 else f"column {col + 1} of {columns}"
            if columns * rows > 1:
                place += f", row {rows - row} of {rows}, overlap {tiling.overlap:g} mm"
            items += foot(tiling.paper, label, f"{title}: {place}")
            items += _neighbours(tiling, col, row)
            pages.append(Page(*tiling.paper, tuple(items)))
    return pages


def _neighbours(tiling: Tiling, col: int, row: int) -> list[Item]:
    """Which page comes next, in the margin on each side."""
    box, size = tiling.window, 2.4
    middle_x, middle_y = (box.left + box.right) / 2, (box.bottom + box.top) / 2
    items: list[Item] = []
    if row + 1 < tiling.rows:
        items.append(
            Words("page", f"joins {tiling.name(col, row + 1)}", middle_x, box.top + 2, size, "middle", ink=GREY)
        )
    if row > 0:
        items.append(
            Words("page", f"joins {tiling.name(col, row - 1)}", middle_x, box.bottom - 3.0, size, "middle", ink=GREY)
        )
    if col > 0:
        items.append(Words("page", tiling.name(col - 1, row), box.left - 1, middle_y, size, "end", ink=GREY))
    if col + 1 < tiling.columns:
        items.append(Words("page", tiling.name(col + 1, row), box.right + 1, middle_y, size, ink=GREY))
    return items


def crop_marks(tiling: Tiling, shift: tuple[float, float]) -> list[Item]:
    """A cross with a ring wherever two cuts meet: laid one upon the other, they bring two pages together."""
    box = tiling.window
    xs, ys = ([cut + shift[axis] for cut in tiling.cuts(axis)] for axis in (0, 1))
    lines: list[Line] = []
    for x in xs:
        for y in ys:
            if box.left - 0.01 <= x <= box.right + 0.01 and box.bottom - 0.01 <= y <= box.top + 0.01:
                lines += [line((x - 4, y), (x + 4, y)), line((x, y - 4), (x, y + 4)), disc(x, y, 1.2)]
    # the joining cuts also run in from the sides of the window
    for x in xs[1:-1]:
        if box.left <= x <= box.right:
            lines += [line((x, box.top), (x, box.top - 6)), line((x, box.bottom), (x, box.bottom + 6))]
    for y in ys[1:-1]:
        if box.bottom <= y <= box.top:
            lines += [line((box.left, y), (box.left + 6, y)), line((box.right, y), (box.right - 6, y))]
    return [Shape("crop marks", MARKS, tuple(lines))]


CAUTIONS = (
    "Cautions. Knives, gouges and chisels cut: clamp the work, keep both hands behind the edge, cut away from "
    "yourself, keep edges sharp. Wear eye protection. Dust of wood, board and stone harms the lungs: catch it where it "
    "arises and wear a mask. Laser cutters: know the material first (some plastics give off poisonous gas), draw off "
    "the fumes, never leave a cut alone. Children work under supervision. The instructions of the maker of the "
    "machine, your workplace's rules and the law where you are go before this sheet."
)
PRINTING = "Print at 100 %. Measure the check line: 100 mm on every page, or the printer has scaled it."
JOINING = (
    f"{PRINTING} Cut a page along the line through the ringed crosses on the side where it joins the next, lay it over "
    "the next so that cross lies on cross, and tape it down. Pages overlap by {overlap:g} mm."
)


def cover(
    paper: str,
    title: str,
    facts: Sequence[tuple[str, str]],
    legend: Sequence[tuple[Item, str]],
    overview: Sequence[Item],
    tiling: Tiling,
    notes: Sequence[str],
) -> Page:
    """The first page: the design at a glance with its pages marked, its sizes, what the lines mean, and cautions."""
    size = PAPERS[paper]
    box = page_box(size)
    scale = size[0] / 210.0  # type grows with the paper
    large = fitting(title, 8 * scale, box.width, bold=True)
    items: list[Item] = [Words("title", title, box.left, box.top - 8 * scale, large, bold=True)]
    under = "Pattern sheet: the pages that follow are at true scale, this one is an overview. All lengths in mm."
    items.append(Words("title", under, box.left, box.top - 14 * scale, 3.4 * scale, ink=GREY))
    text = 3.0 * scale

    below: list[Item] = []
    y = box.bottom + 2
    block, end = column("notes", CAUTIONS, box.left + 3, 0, box.width - 6, text * 0.93)
    high = -end + 3
    frame = Box(box.left, y, box.right, y + high)
    below.append(Shape("notes", Pen(0.3, RED), (rectangle(frame),)))
    below += moved(block, 1.0, 0.0, frame.top - 0.5)
    y = frame.top + 2
    joining = JOINING.replace("{overlap:g}", f"{tiling.overlap:g}") if tiling.columns * tiling.rows > 1 else PRINTING
    words = "\n".join([joining, *notes])
    block, end = column("notes", words, box.left, 0, box.width, text * 0.93)
    below += moved(block, 1.0, 0.0, y - end)
    y += -end + 3

    left = box.left
    half = box.width / 2
    table: list[Item] = []
    at = 0.0
    for name, value in facts:
        at -= text * 1.5
        table.append(Words("facts", name, left, at, text, ink=GREY))
        block, end = column("facts", value, left + 0.38 * half, at + text * 1.38, 0.6 * half, text)
        table += block
        at = min(at, end)
    key = 0.0
    for sign, words in legend:
        block, end = column("legend", words, left + half + 18 * scale, key - 0.12 * text, half - 18 * scale, text)
        middle = key - text * 1.1
        table += moved([sign], 1.0, left + half, middle)
        table += block
        key = min(end, key - text * 1.5) - 0.4
    depth = -min(at, key)
    below += moved(table, 1.0, 0.0, y + depth)
    y += depth + 6

    area = Box(box.left, y, box.right, box.top - 19 * scale)
    items += fitted(overview, tiling.whole, area, tiling, most=2.5)
    items += below
    items += foot(size, "Contents and sizes", title)
    return Page(*size, tuple(items))


def fitted(
    items: Sequence[Item], whole: Box, area: Box, tiling: Tiling | None = None, most: float = math.inf
) -> list[Item]:
    """Items scaled into an area, in its middle, ``most`` times at most; the pages of a tiling drawn over them."""
    boxes: list[tuple[str, Box]] = []
    if tiling is not None and tiling.columns * tiling.rows > 1:
        xs, ys = tiling.cuts(0), tiling.cuts(1)
        boxes = [
            (tiling.name(c, r), Box(xs[c], ys[r], xs[c + 1], ys[r + 1]))
            for c in range(tiling.columns)
            for r in range(tiling.rows)
        ]
    scale = min(area.width / whole.width, area.height / whole.height, most)
    dx = (area.left + area.right - scale * (whole.left + whole.right)) / 2
    dy = (area.bottom + area.top - scale * (whole.bottom + whole.top)) / 2
    result = moved(items, scale, dx, dy)
    for name, box in boxes:
        frame = Box(box.left * scale + dx, box.bottom * scale + dy, box.right * scale + dx, box.top * scale + dy)
        size = min(9.0, 0.3 * min(frame.width, frame.height))
        result.append(Shape("pages", Pen(0.3, RED, dash=(2.0, 1.2)), (rectangle(frame),)))
        label = width_of(name, size, True) / 2 + 0.2 * size
        x, y = (frame.left + frame.right) / 2, (frame.bottom + frame.top) / 2
        plate = rectangle(Box(x - label, y - 0.6 * size, x + label, y + 0.6 * size))
        result.append(Shape("pages", Pen(0.2, RED, fill=(1.0, 1.0, 1.0)), (plate,)))
        result.append(Words("pages", name, x, y - 0.36 * size, size, "middle", bold=True, ink=RED))
    return result
