"""A page for teaching: the design in six stages, as a hand would draw it."""

from __future__ import annotations

from ..counting import Counted
from ..drawing import Drawn
from ..layout import CROSSING
from ..mesh import Floats
from .pages import fitted, foot, page_box
from .paper import (
    AMBER,
    BLACK,
    GREY,
    PALE,
    PAPERS,
    RED,
    WHITE,
    Box,
    Item,
    Page,
    Pen,
    Shape,
    Words,
    column,
    disc,
    fitting,
    thinned,
)
from .pattern import break_lines, edge_lines, field_segments, joined
from .rails import LEFT, RIGHT
from .visible import Line, Visible

GRID = Pen(0.12, PALE)
RIM = Pen(0.25, GREY)
WALL = Pen(0.6, RED, butt=True)
THIN = Pen(0.3, BLACK)
DARK = (0.36, 0.33, 0.30)


def stages_page(counted: Counted, drawn: Drawn, visible: Visible, whole: Box, paper: str, title: str) -> Page:
    """Layout, breaks, strands, divided, woven, finished: a panel each with a line on what to do."""
    layout, courses = counted.layout, drawn.courses
    grid = Shape("grid", GRID, tuple(Line(edge, False) for edge in edge_lines(layout)))
    rim_lines = tuple(Line(part, False) for part in joined(field_segments(layout)))
    rim = Shape("grid", RIM, rim_lines)
    sites = edge_lines(layout)[~layout.boundary, 1]
    radius = 0.07 * counted.size.pitch
    dots = _dots(sites, radius)
    crossed = _dots(edge_lines(layout)[layout.state == CROSSING, 1], radius)
    walls = Shape("breaks", WALL, tuple(break_lines(layout)))
    centres = tuple(
        Line(courses.point[a:b, :2], True)
        for a, b in zip(courses.start[:-1].tolist(), courses.start[1:].tolist(), strict=True)
    )
    strands = Shape("strands", THIN, thinned(centres))
    rails = visible.rails
    both: list[Line] = []
    for lane in range(len(rails.lanes.circuit)):
        for rail in (4 * lane + RIGHT, 4 * lane + LEFT):
            ranges = rails.ranges(rail)
            both += [Line(rails.loop(rail), True)] if ranges is None else []
            both += [Line(rails.stretch(rail, a, b), False) for a, b in ranges or ()]
    bands = Shape("edges", Pen(0.2, BLACK), thinned(both))
    woven: list[Item] = [Shape("edges", Pen(0.28, BLACK), thinned(visible.edges))]
    if visible.incised:
        woven.append(Shape("incised", Pen(0.15, BLACK), thinned(visible.incised)))
    ground = Shape("ground", Pen(0.0, fill=DARK), rim_lines)
    pieces: list[Item] = [
        Shape(
            "pieces",
            Pen(0.0, fill=_tint(counted, piece.circuit)),
            thinned((Line(piece.outline, True), *(Line(hole, True) for hole in piece.holes))),
        )
        for piece in visible.pieces
    ]
    count = len(break_lines(layout))
    divided = bool(rails.lanes.paired.any())
    if not count:
        broken = "This design has none: every dot stays a crossing."
    else:
        broken = (
            f"Draw {'the wall' if count == 1 else f'the {count} walls'}. At a wall strands turn back and do not cross."
        )
    panels: list[tuple[str, str, list[Item]]] = [
        ("Layout", "Rule the grid and its border. Every dot inside can become a crossing.", [grid, rim, dots]),
        ("Breaks", broken, [grid, rim, crossed, *([walls] if count else [])]),
        (
            "Strands",
            "Run through the dots on the slant, from one to the next; turn back at the border and at walls.",
            [grid, rim, *([walls] if count else []), strands],
        ),
        (
            "Divided" if divided else "Width",
            "Give the strands their width. Chosen strands run as two halves."
            if divided
            else "Nothing is divided here. Give the strands their width: two edges, equally far from the middle.",
            [rim, bands],
        ),
        (
            "Woven",
            "Follow each strand over one, under the next, and rub out what lies beneath."
            if not counted.weaving.exceptions
            else "Follow each strand over and under; the page of strands tells where two of a kind come together.",
            [rim, *woven],
        ),
        ("Finished", "Lower the ground between the strands, and ease the edges.", [ground, *pieces, *woven]),
    ]
    size = PAPERS[paper]
    if whole.width > 1.25 * whole.height:  # broad designs: two panels beside one another; others: three
        columns, rows = 2, 3
    elif whole.height > 1.6 * whole.width:
        columns, rows = 3, 2
    else:
        columns, rows = 2, 3
    if whole.width > 3 * whole.height:
        columns, rows = 1, 6
    box = page_box(size)
    heading = f"{title}: stages"
    large = fitting(heading, 6, box.width, bold=True)
    items: list[Item] = [Words("title", heading, box.left, box.top - 6, large, bold=True)]
    top = box.top - 11
    gap = 6.0
    wide, high = (box.width - gap * (columns - 1)) / columns, (top - box.bottom) / rows
    for number, (name, words, drawing) in enumerate(panels):
        left = box.left + number % columns * (wide + gap)
        upper = top - number // columns * high
        items.append(Words("words", f"{number + 1}  {name}", left, upper - 5, 4, bold=True))
        text, end = column("words", words, left, upper - 6, wide, 2.7)
        items += text
        items += fitted(drawing, whole, Box(left, upper - high + 5, left + wide, end - 3))
    items += foot(size, "Stages", f"{title}: drawn to fit, not at true scale")
    return Page(*size, tuple(items))


def _dots(places: Floats, radius: float) -> Shape:
    return Shape("sites", Pen(0.0, fill=BLACK), tuple(disc(x, y, radius, 12) for x, y in places.tolist()))


def _tint(counted: Counted, circuit: int) -> tuple[float, float, float]:
    """A circuit's own colour, lightened so that lines still show; else one of three papers."""
    own = counted.colours.get(circuit)
    if own is None:
        return (WHITE, (0.93, 0.90, 0.84), AMBER, (0.86, 0.89, 0.90))[circuit % 4]
    red, green, blue = (int(own[k : k + 2], 16) / 255 for k in (1, 3, 5))
    return 0.45 + 0.55 * red, 0.45 + 0.55 * green, 0.45 + 0.55 * blue
