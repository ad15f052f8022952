"""The pattern: a design's visible line work with what is wanted beside it, in layout coordinates at true size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..counting import Counted
from ..design import Making
from ..drawing import Drawn
from ..footprints import Footprints
from ..layout import ACROSS, CROSSING, Layout
from ..mesh import Floats, Ints
from .paper import BLACK, GREY, PALE, RED, WHITE, Item, Pen, Shape, Words, thinned, width_of
from .rails import LEFT, RIGHT, TRUNK
from .visible import Line, Visible

EDGE = Pen(0.35)
INCISED = Pen(0.2)
CUT = Pen(0.1, RED)
WASTE = Pen(0.13, GREY)
FIELD = Pen(0.18, GREY, dash=(3.0, 1.0, 0.5, 1.0))
GRID = Pen(0.12, PALE)
ARROW = Pen(0.3, RED)
HEAD = Pen(0.0, RED, fill=RED)

GREATEST_HEAD = 3.2
"""Length of an arrow's head, mm, at most."""
HATCH = 2.0
"""Distance between hatching lines, mm, at most; a sixth of the plain plait's pitch where that is less."""
LEAST_FIGURE, GREATEST_FIGURE = 0.8, 2.4
"""Sizes in mm between which depth figures are written; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a pattern shows beside the strands' edges."""

    depths: bool = False
    waste: bool = False
    arrows: bool = False
    grid: bool = False
    outlines: bool = False


# ---------------------------------------------------------------------------- the layout: all that is asked of it


def edge_lines(layout: Layout) -> Floats:
    """Each edge of the layout as its beginning, its site and its end, (E, 3, 2), mm."""
    ends = layout.points[layout.origin.reshape(-1, 2), :2]
    return np.stack([ends[:, 0], ends.mean(1), ends[:, 1]], 1)


def break_lines(layout: Layout) -> list[Line]:
    """The breaks as short walls."""
    lines = edge_lines(layout)
    wall = lines[:, 2] - lines[:, 0]
    length = np.hypot(wall[:, 0], wall[:, 1])
    # a wall across an edge is as long as the edges that cross its direction: the others of the two cells beside it
    square = np.stack([-wall[:, 1], wall[:, 0]], 1)
    upright = np.abs(wall[:, 1]) > np.abs(wall[:, 0])
    other = np.array([np.median(length[upright == side]) if (upright == side).any() else 0.0 for side in (True, False)])
    square *= (np.where(upright, other[1], other[0]) / np.maximum(length, 1e-12))[:, None]
    run = np.where((layout.state == ACROSS)[:, None], square, wall)
    broken = np.flatnonzero((layout.state != CROSSING) & ~layout.boundary)
    return [Line(np.stack([lines[e, 1] - 0.4 * run[e], lines[e, 1] + 0.4 * run[e]]), False) for e in broken.tolist()]


def field_segments(layout: Layout) -> Floats:
    """The boundary as directed segments with the field on their left, (n, 2, 2)."""
    lines = edge_lines(layout)
    half = np.flatnonzero(layout.outside) ^ 1
    own = lines[half >> 1]
    own = np.where((half & 1 == 1)[:, None, None], own[:, ::-1], own)
    return np.concatenate([own[:, :2], own[:, 1:]])


# --------------------------------------------------------------------------------------------------------- ground


def band_segments(visible: Visible) -> Floats:
    """The outlines of all strands, covered parts too, as directed segments with strand on their left, (n, 2, 2)."""
    rails = visible.rails
    segments = []
    for lane in range(len(rails.lanes.circuit)):
        for kind in (RIGHT, LEFT):
            rail = 4 * lane + kind
            ranges = rails.ranges(rail)
            if ranges is None:
                loop = rails.loop(rail)
                runs = [np.vstack([loop, loop[:1]])]
            else:
                runs = [rails.stretch(rail, a, b) for a, b in ranges]
            for run in runs:
                run = run if kind == RIGHT else run[::-1]
                segments.append(np.stack([run[:-1], run[1:]], 1))
    return np.concatenate(segments) if segments else np.zeros((0, 2, 2))


def hatching(inside: Floats, outside: Floats, spacing: float) -> list[Line]:
    """Lines rising at 45 degrees over all that lies within ``inside`` but not within ``outside``.

    Parameters
    ----------
    inside, outside : (n, 2, 2) float64
        Closed outlines as directed segments; within is where they wind round a point.
    """
    segments = np.concatenate([inside, outside])
    turn = np.array([[1.0, -1.0], [1.0, 1.0]]) / np.sqrt(2.0)  # to along and across the hatching
    placed = segments @ turn
    low, high = placed[:, :, 1].min(1), placed[:, :, 1].max(1)
    first, last = (np.ceil(edge / spacing - 0.5).astype(np.int64) for edge in (low, high))
    number = last - first
    which = np.repeat(np.arange(len(segments)), number)
    row = first[which] + np.arange(len(which)) - np.repeat(np.cumsum(number) - number, number)
    across = (row + 0.5) * spacing
    a, b = placed[which, 0], placed[which, 1]
    along = a[:, 0] + (across - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])
    winding = np.where(b[:, 1] > a[:, 1], 1, -1)
    order = np.lexsort([along, row])
    row, along, winding, which = row[order], along[order], winding[order], which[order]
    field = np.cumsum(np.where(which < len(inside), winding, 0))
    strand = np.cumsum(np.where(which >= len(inside), winding, 0))
    open_ = np.flatnonzero((field[:-1] != 0) & (strand[:-1] == 0) & (row[1:] == row[:-1]))
    open_ = open_[along[open_ + 1] - along[open_] > 0.15]
    ends = np.stack(
        [np.stack([along[k], (row[k] + 0.5) * spacing], 1) for k in (open_, open_ + 1)], 1
    )  # the row of both is the same
    ends[:, 1, 1] = ends[:, 0, 1]
    return [Line(pair, False) for pair in ends @ turn.T]


# ------------------------------------------------------------------------------------------------ arrows and depths


def arrows(visible: Visible, footprints: Footprints) -> list[Item]:
    """An arrow on each visible end of strand where it dips under another, pointing beneath it.

    It keeps clear of the next crossing, where figures may stand, and of an arrow that comes the other way.
    """
    rails, hidden = visible.rails, visible.hidden
    length = rails.length
    centres: list[list[float]] = [[] for _ in range(len(length))]
    dips: list[set[int]] = [set() for _ in range(len(length))]
    for crossing, (lanes, along) in enumerate(zip(footprints.lane.tolist(), footprints.centre.tolist(), strict=True)):
        under = int(hidden.rail[crossing, 2]) >> 2
        for lane, s in zip(lanes, along, strict=True):
            if lane == under:
                dips[lane].add(len(centres[lane]))
            centres[lane].append(s % length[lane])
    shafts, heads = [], []
    for crossing in range(len(hidden.rail)):
        rail = int(hidden.rail[crossing, 2])
        lane = rail >> 2
        shared = rail & 3 == TRUNK
        width = float(rails.lanes.breadth[lane]) if shared else _width_at(visible, rail, hidden.begin[crossing, 2])
        head = min(0.34 * width, GREATEST_HEAD)
        others = np.array(centres[lane])
        for dip, ahead in ((float(hidden.begin[crossing, 2]), 1.0), (float(hidden.end[crossing, 2]), -1.0)):
            away = np.mod(ahead * (dip - others), length[lane])
            near = int(away.argmin())
            free = float(away[near]) - (0.5 * float(away[near]) if near in dips[lane] else 0.3 * width) - 0.12 * width
            long = min(0.75 * width, 2.2 * GREATEST_HEAD, free)
            if long < 1.2 * head:
                continue
            tip_at, tail_at = dip - ahead * 0.12 * width, dip - ahead * (0.12 * width + long)
            tail, tip = rails.at(np.array([rail, rail]), np.array([tail_at, tip_at]))
            run = (tip - tail) / max(float(np.hypot(*(tip - tail))), 1e-9)
            aside = np.array([-run[1], run[0]])
            back = tip - head * run
            shafts.append(Line(np.stack([tail, back]), False))
            heads.append(Line(np.stack([tip, back + 0.44 * head * aside, back - 0.44 * head * aside]), True))
    thin = Pen(min(0.3, 0.06 * float(rails.lanes.width.min(initial=5.0))), RED)
    return [Shape("arrows", thin, tuple(shafts)), Shape("arrows", HEAD, tuple(heads))] if shafts else []


def _width_at(visible: Visible, rail: int, s: float) -> float:
    low, _, _, _ = visible.rails.find(np.array([rail >> 2]), np.array([s]))
    return float(visible.rails.lanes.width[low[0]])


@dataclass(frozen=True, slots=True)
class Depth:
    """How deep the tops of both strands lie at a crossing, mm below the board's face or the highest top."""

    x: float
    y: float
    over: float
    under: float
    room: float


def crossing_depths(counted: Counted, drawn: Drawn) -> list[Depth]:
    """Depths at every woven crossing."""
    lanes, footprints = drawn.lanes, drawn.footprints
    if not len(footprints.lane):
        return []
    z = np.stack(
        [_lane_value(drawn, footprints.lane[:, p], footprints.centre[:, p], drawn.relief.z) for p in (0, 1)], 1
    )
    width = np.stack(
        [_lane_value(drawn, footprints.lane[:, p], footprints.centre[:, p], lanes.width) for p in (0, 1)], 1
    )
    width = np.where(footprints.shared, lanes.breadth[footprints.lane], width)
    half = counted.size.thickness / 2
    face = 0.0 if counted.design.heights.way is Making.CARVED else float(drawn.relief.z.max()) + half
    row, over = np.arange(len(z)), counted.weaving.pass_one_over.astype(int)
    depth = np.maximum(face - half - z, 0.0)
    return [
        Depth(*values)
        for values in zip(
            footprints.point[:, 0].tolist(),
            footprints.point[:, 1].tolist(),
            depth[row, over].tolist(),
            depth[row, 1 - over].tolist(),
            width.min(1).tolist(),
            strict=True,
        )
    ]


def _lane_value(drawn: Drawn, lane: Ints, s: Floats, value: Floats) -> Floats:
    courses, lanes = drawn.courses, drawn.lanes
    result = np.empty(len(lane))
    for own in np.unique(lane).tolist():
        mine = lane == own
        circuit = int(lanes.circuit[own])
        along = courses.along[courses.start[circuit] : courses.start[circuit + 1]]
        values = value[lanes.start[own] : lanes.start[own + 1]]
        result[mine] = np.interp(
            np.mod(s[mine], courses.length[circuit]), along, values, period=courses.length[circuit]
        )
    return result


def depth_figures(depths: list[Depth]) -> tuple[list[Item], int]:
    """Both depths at each crossing, written like a fraction, and how many crossings have no room for them."""
    items: list[Item] = []
    bars, plates = [], []
    corners = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    without = 0
    for depth in depths:
        upper, lower = f"{depth.over:.1f}", f"{depth.under:.1f}"
        size = min(0.3 * depth.room, 0.72 * depth.room / max(width_of(text, 1.0) for text in (upper, lower)))
        size = min(size, GREATEST_FIGURE)
        if size < LEAST_FIGURE:
            without += 1
            continue
        reach = 0.5 * max(width_of(text, size) for text in (upper, lower))
        plates.append(Line(corners * np.array([reach + 0.15 * size, 1.15 * size]) + np.array([depth.x, depth.y]), True))
        items.append(Words("depths", upper, depth.x, depth.y + 0.24 * size, size, "middle"))
        items.append(Words("depths", lower, depth.x, depth.y - 0.96 * size, size, "middle"))
        bars.append(Line(np.array([[depth.x - reach, depth.y], [depth.x + reach, depth.y]]), False))
    if bars:
        # figures stand clear of lines that run down the strand
        items.insert(0, Shape("depths", Pen(0.0, fill=WHITE), tuple(plates)))
        items.append(Shape("depths", Pen(0.1, BLACK), tuple(bars)))
    return items, without


# -------------------------------------------------------------------------------------------------------- together


def pattern(counted: Counted, drawn: Drawn, visible: Visible, wanted: Wanted) -> list[Item]:
    """The pattern's items in layout coordinates, from the lowest to the uppermost."""
    items: list[Item] = []
    layout = counted.layout
    if wanted.grid:
        items.append(Shape("grid", GRID, tuple(Line(edge, False) for edge in edge_lines(layout))))
        walls = break_lines(layout)
        if walls:
            items.append(Shape("breaks", Pen(0.35, PALE), tuple(walls)))
    if wanted.waste:
        field = field_segments(layout)
        spacing = min(HATCH, counted.size.pitch / 6)
        items.append(Shape("waste", WASTE, tuple(hatching(field, band_segments(visible), spacing))))
        items.append(Shape("field", FIELD, tuple(Line(part, False) for part in joined(field))))
    if wanted.outlines:
        for piece in visible.pieces:
            lines = (Line(piece.outline, True), *(Line(hole, True) for hole in piece.holes))
            items.append(Shape("outlines", CUT, thinned(lines), whole=True))
    items.append(Shape("edges", edge_pen(counted), thinned(visible.edges)))
    if visible.incised:
        items.append(Shape("incised", INCISED, thinned(visible.incised)))
    if wanted.arrows:
        items += arrows(visible, drawn.footprints)
    if wanted.depths:
        items += depth_figures(crossing_depths(counted, drawn))[0]
    return items


def edge_pen(counted: Counted) -> Pen:
    """The edges' pen: thinner for small work."""
    return Pen(float(np.clip(0.04 * counted.narrowest.width, 0.15, EDGE.width)))


def joined(segments: Floats) -> list[Floats]:
    """Directed segments joined end to beginning into polylines."""
    ahead = {tuple(segment[0].round(6).tolist()): k for k, segment in enumerate(segments)}
    used: set[int] = set()
    lines = []
    for k in range(len(segments)):
        if k in used:
            continue
        line = [segments[k, 0]]
        at: int | None = k
        while at is not None and at not in used:
            used.add(at)
            line.append(segments[at, 1])
            at = ahead.get(tuple(segments[at, 1].round(6).tolist()))
        lines.append(np.array(line))
    return lines
