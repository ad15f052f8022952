"""Follow the strand: every closed strand by itself, its crossings numbered in order, over and under marked."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..counting import Counted
from ..drawing import Drawn
from ..mesh import Floats
from .pages import foot, page_box
from .paper import (
    AMBER,
    BLACK,
    GREY,
    PAPERS,
    RED,
    WHITE,
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
    moved,
    thinned,
)
from .rails import MIDDLE
from .visible import Line, Visible

LEAST_DISC, GREATEST_DISC = 1.7, 3.2
"""Radius of a numbered disc on paper, mm, that can be read and that is never exceeded; common practice, no source."""
MOST_NAMED = 8


@dataclass(frozen=True, slots=True)
class Passage:
    """A strand's passing of one woven crossing."""

    crossing: int
    along: float
    over: bool
    dip: float
    """Where, along the circuit, an under strand's middle is covered from."""


def passages(counted: Counted, drawn: Drawn, visible: Visible) -> list[list[Passage]]:
    """The passages of every lane, in order along it."""
    lanes, footprints, hidden = drawn.lanes, drawn.footprints, visible.hidden
    found: list[list[Passage]] = [[] for _ in range(len(lanes.circuit))]
    for crossing in range(len(footprints.lane)):
        for index in (0, 1):
            lane = int(footprints.lane[crossing, index])
            circuit = int(lanes.circuit[lane])
            along = float(footprints.centre[crossing, index])
            over = bool(counted.weaving.pass_one_over[crossing]) == (index == 1)
            length = float(drawn.courses.length[circuit])
            dip = along if over else float(hidden.begin[crossing, 2])
            own = lanes.lane_of[circuit].tolist() if footprints.shared[crossing, index] else [lane]
            for k in own:
                found[k].append(Passage(crossing, along % length, over, dip))
    return [_begun(each, float(drawn.courses.length[lanes.circuit[lane]])) for lane, each in enumerate(found)]


def _begun(passed: list[Passage], length: float) -> list[Passage]:
    """Passages in order, numbered from the end of the longest stretch without one: there is room for the arrow."""
    passed = sorted(passed, key=lambda passage: passage.along)
    if len(passed) < 2:
        return passed
    stretch = [(passed[k].along - passed[k - 1].along) % length for k in range(len(passed))]
    first = max(range(len(passed)), key=lambda k: (round(stretch[k], 6), -k))
    return passed[first:] + passed[:first]


def disc_radius(passed: list[Passage], length: float, half: float, breadth: float) -> float:
    """The radius, in mm of the design, at which a lane's discs do not lie on one another."""
    radius = max(0.46 * half, 0.26 * breadth)
    for one, two in zip(passed, passed[1:], strict=False):
        apart = ((two.along if two.over else two.dip) - (one.along if one.over else one.dip)) % length
        # an under strand's disc stands 0.75 of its radius before the dip
        shift = 0.75 * (int(not two.over) - int(not one.over))
        radius = min(radius, apart / (2.0 + shift + 0.1))
    return radius


def told(passed: list[Passage]) -> str:
    """The order of over and under in words."""
    if not passed:
        return "Meets no other strand."
    count = len(passed)
    if count == 1:
        return f"Passes one crossing, {'over' if passed[0].over else 'under'}."
    first = "over" if passed[0].over else "under"
    then = "under" if passed[0].over else "over"
    same = [k for k in range(count) if passed[k].over == passed[(k + 1) % count].over]
    begin = f"{count} crossings. Begin {first} at 1, then {then} at 2"
    if not same:
        return f"{begin}, and so on in turn."
    pairs = [f"{k + 1} and {(k + 1) % count + 1} are both {'over' if passed[k].over else 'under'}" for k in same]
    more = f"; {len(pairs) - MOST_NAMED} more such pairs" if len(pairs) > MOST_NAMED else ""
    if passed[0].over == passed[1].over:
        begin = f"{count} crossings. Begin {first} at 1"
    return f"{begin}, and so on in turn, but {', '.join(pairs[:MOST_NAMED])}{more}."


def follow_pages(
    drawn: Drawn, visible: Visible, passed_by: list[list[Passage]], whole: Box, paper: str, title: str
) -> tuple[list[Page], dict[str, tuple[Item, ...]]]:
    """As many pages as the strands take, several to a page where their numbers can be read; and the drawing on all."""
    lanes = drawn.lanes
    size = PAPERS[paper]
    box = page_box(size)
    room = Box(box.left, box.bottom, box.right, box.top - 21)
    order = passed_by
    halves = [float(np.median(lanes.width[a:b])) for a, b in zip(lanes.start[:-1], lanes.start[1:], strict=True)]
    radii = [
        disc_radius(passed, float(drawn.courses.length[lanes.circuit[lane]]), halves[lane], float(lanes.breadth[lane]))
        for lane, passed in enumerate(order)
    ]
    need = LEAST_DISC / min(radii)
    count = len(lanes.circuit)
    gap, above = 6.0, 17.0
    columns, rows, fewest, largest = 1, 1, math.inf, 0.0
    for across, down in ((1, 1), (1, 2), (1, 3), (1, 4), (2, 1), (2, 2), (2, 3), (2, 4), (3, 3), (3, 4)):
        wide, high = (room.width - gap * (across - 1)) / across, room.height / down - above
        scale = min(wide / whole.width, high / whole.height)
        sheets = -(-count // (across * down))
        if (across, down) == (1, 1) or (scale >= need and (sheets, -scale) < (fewest, -largest)):
            columns, rows, fewest, largest = across, down, sheets, scale
    per = columns * rows
    wide, high = (room.width - gap * (columns - 1)) / columns, room.height / rows
    words = [column("words", told(passed), 0.0, 0.0, wide, 2.5) for passed in order]
    above = 7.0 + max(-end for _, end in words)
    scale = min(wide / whole.width, (high - above - 3.0) / whole.height)
    edges = tuple(moved([Shape("edges", Pen(0.18, GREY), thinned(visible.edges))], scale, 0.0, 0.0))
    pages = []
    total = -(-count // per)
    heading = f"{title}: follow the strand"
    for sheet in range(total):
        items: list[Item | Inset] = [
            Words("title", heading, box.left, box.top - 6, fitting(heading, 6, box.width, bold=True), bold=True),
            *_key(box.left, box.top - 13),
        ]
        for place, lane in enumerate(range(sheet * per, min(count, (sheet + 1) * per))):
            left = room.left + place % columns * (wide + gap)
            top = room.top - place // columns * high
            name = f"Strand {lane + 1} of {count}"
            if lanes.paired[lane]:
                name += f": {('left', 'right')[int(lanes.side[lane])]} half of circuit {int(lanes.circuit[lane]) + 1}"
            items.append(Words("words", name, left, top - 4, 3.6, bold=True))
            items += moved(words[lane][0], 1.0, left, top - 5)
            dx = left + wide / 2 - scale * (whole.left + whole.right) / 2
            dy = top - above - scale * whole.top
            items += _tinted(drawn, visible, lane, scale, dx, dy)
            items.append(Inset("strands", (dx, dy), Box(0.0, 0.0, *size)))
            items += _marks(drawn, visible, order[lane], lane, radii[lane], scale, dx, dy)
        number = "" if total == 1 else f" {sheet + 1} of {total}"
        items += foot(size, f"Follow the strand{number}", f"{title}: drawn to fit, not at true scale")
        pages.append(Page(*size, tuple(items)))
    return pages, {"strands": edges}


def _key(x: float, y: float) -> list[Item]:
    """What the marks mean."""
    items = [*_mark(x + 2, y + 0.9, 2.0, 1, True), Words("key", "passes over", x + 5.5, y, 2.8)]
    items += [
        *_mark(x + 32, y + 0.9, 2.0, 2, False),
        Words("key", "passes under, marked where it dips", x + 35.5, y, 2.8),
    ]
    shaft = Line(np.array([[x + 92, y + 0.9], [x + 97, y + 0.9]]), False)
    head = Line(np.array([[x + 99.5, y + 0.9], [x + 96.6, y + 2.1], [x + 96.6, y - 0.3]]), True)
    items += [Shape("key", Pen(0.5, RED), (shaft,)), Shape("key", Pen(0.0, fill=RED), (head,))]
    items.append(Words("key", "begin here, and go this way", x + 102, y, 2.8))
    return items


def _mark(x: float, y: float, radius: float, number: int, over: bool) -> list[Item]:
    """A numbered disc: dark for over, light for under."""
    pen = Pen(0.15, WHITE, fill=BLACK) if over else Pen(0.3, BLACK, fill=WHITE)
    text = str(number)
    size = radius * (1.35, 1.2, 0.92, 0.72)[min(len(text), 4) - 1]
    return [
        Shape("marks", pen, (disc(x, y, radius),)),
        Words("marks", text, x, y - 0.36 * size, size, "middle", bold=True, ink=WHITE if over else BLACK),
    ]


def _tinted(drawn: Drawn, visible: Visible, lane: int, scale: float, dx: float, dy: float) -> list[Item]:
    """What is seen of one strand, as a tint."""
    lanes = drawn.lanes
    start, stop = int(lanes.start[lane]), int(lanes.start[lane + 1])
    items: list[Item] = []
    if lanes.paired[lane] and lanes.whole[start:stop].any():  # pieces with forks belong to both halves
        wide = 0.8 * float(np.median(lanes.width[start:stop])) * scale
        items.append(Shape("strand", Pen(wide, AMBER, butt=True), thinned(visible.cores[lane])))
    else:
        for piece in visible.pieces:
            if piece.lane == lane:
                lines = (Line(piece.outline, True), *(Line(hole, True) for hole in piece.holes))
                items.append(Shape("strand", Pen(0.0, fill=AMBER), thinned(lines)))
    return moved(items, scale, dx, dy)


def _marks(
    drawn: Drawn,
    visible: Visible,
    passed: list[Passage],
    lane: int,
    radius: float,
    scale: float,
    dx: float,
    dy: float,
) -> list[Item]:
    """An arrow where to begin, and a number at every crossing."""
    lanes, rails = drawn.lanes, visible.rails
    shift = np.array([dx, dy])
    items: list[Item] = []

    def at(s: float) -> Floats:
        point: Floats = rails.at(np.array([4 * lane + MIDDLE]), np.array([s]))[0] * scale + shift
        return point

    length = float(drawn.courses.length[lanes.circuit[lane]])
    disc_size = min(radius * scale, GREATEST_DISC)
    own = disc_size / scale
    # the arrow ends before the first disc and begins after the last
    mark = (passed[0].along if passed[0].over else passed[0].dip - 0.75 * own) if passed else 0.0
    last = (passed[-1].along - length if passed[-1].along > mark else passed[-1].along) if passed else -length
    room = max(mark - last - 2.5 * own, 0.5 * own)
    long = min(room, 9.0 / scale)
    head = min(2.6, 0.6 * long * scale)
    tip_at = mark - 1.3 * own
    back_at = tip_at - head / scale
    tip, back = at(tip_at), at(back_at)
    run = (tip - back) / max(float(np.hypot(*(tip - back))), 1e-9)
    aside = np.array([-run[1], run[0]])
    shaft = rails.stretch(4 * lane + MIDDLE, tip_at - long, back_at) * scale + shift
    items.append(Shape("begin", Pen(0.3 * head, RED, butt=True), (Line(shaft, False),)))
    point = Line(np.stack([tip, back + 0.5 * head * aside, back - 0.5 * head * aside]), True)
    items.append(Shape("begin", Pen(0.0, fill=RED), (point,)))
    for number, passage in enumerate(passed, 1):
        x, y = at(passage.along if passage.over else passage.dip - 0.75 * own).tolist()
        items += _mark(x, y, disc_size, number, passage.over)
    return items
