"""Depths to cut to: at every crossing and along chosen lines, read off the height map itself.

All depths are below the board's face, positive downwards, in mm. What is measured is wood that is there to be seen: an
under-strand is measured where it goes under, beside the foot of the over-strand's wall, not inside the wood.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import DesignError
from ..footprints import Bands, edge_points
from ..made import Made, no_mesh
from ..mesh import Bools, Floats, Ints
from .field import HeightField
from .pockets import ground_level

BESIDE = 0.35
"""How far beyond the overlap an under-strand is looked for, as a share of the strand's width."""
SAMPLES = 24
ACROSS = np.array([-0.5, -0.25, 0.0, 0.25, 0.5])
"""Places across a strand of which the highest is its top, as shares of half its width from its middle."""


@dataclass(frozen=True, slots=True)
class CrossingDepth:
    """Depths at one woven crossing.

    Attributes
    ----------
    number : int
        From 1, row by row from the top left of the board.
    x, y : float
        mm.
    over_circuit, under_circuit : int
    over : float
        Of the over-strand's top in the middle of the overlap, mm.
    under : float
        Of the under-strand's middle line where it goes under, the deeper of the two sides, mm.
    step : float
        By how much the over-strand stands above it, mm.
    ground : float
        Of the deepest place within one strand pitch, mm.
    """

    number: int
    x: float
    y: float
    over_circuit: int
    under_circuit: int
    over: float
    under: float
    step: float
    ground: float


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line over the board in layout coordinates, mm, with the letter that names its section."""

    x0: float
    y0: float
    x1: float
    y1: float
    name: str = "A"

    @property
    def length(self) -> float:
        """Length in mm."""
        return math.hypot(self.x1 - self.x0, self.y1 - self.y0)


@dataclass(frozen=True, slots=True)
class StrandOnLine:
    """Where a line crosses the middle of a strand.

    ``along`` is mm from the line's beginning; ``depth`` that of the strand's top there; ``hidden`` says that this
    strand lies under another at that place, so that the top is the other's.
    """

    along: float
    x: float
    y: float
    circuit: int
    depth: float
    hidden: bool


@dataclass(frozen=True, slots=True)
class GroundOnLine:
    """A stretch of lowered ground along a line: from, to, and its greatest depth; mm."""

    start: float
    end: float
    depth: float


@dataclass(frozen=True, slots=True, eq=False)
class SectionAlong:
    """The board cut along a line.

    Attributes
    ----------
    line : Line
    along, z : (n,) float64
        mm from the line's beginning, and height below the board's face, negative downwards. Only places on the board.
    strands : tuple of StrandOnLine
        In order along the line.
    ground : tuple of GroundOnLine
    """

    line: Line
    along: Floats
    z: Floats
    strands: tuple[StrandOnLine, ...]
    ground: tuple[GroundOnLine, ...]


def heights_at(field: HeightField, x: Floats, y: Floats) -> Floats:
    """Heights of the map at places, mm, straight between the four nearest pixels; the nearest one's beyond the rim."""
    rows, columns = field.z.shape
    c = np.clip((np.asarray(x) - field.left) / field.pitch - 0.5, 0, columns - 1)
    r = np.clip((field.top - np.asarray(y)) / field.pitch - 0.5, 0, rows - 1)
    c0, r0 = np.floor(c).astype(np.int64), np.floor(r).astype(np.int64)
    c1, r1 = np.minimum(c0 + 1, columns - 1), np.minimum(r0 + 1, rows - 1)
    u, v = c - c0, r - r0
    z = field.z
    upper = z[r0, c0] * (1 - u) + z[r0, c1] * u
    lower = z[r1, c0] * (1 - u) + z[r1, c1] * u
    height: Floats = upper * (1 - v) + lower * v
    return height


def crossing_depths(made: Made, field: HeightField) -> tuple[CrossingDepth, ...]:
    """The depth table: one row for every woven crossing, in reading order.

    Raises
    ------
    DesignError
        If no strand could be made.
    """
    if made.drawn is None:
        raise no_mesh(made)
    drawn, counted = made.drawn, made.counted
    patches = drawn.footprints
    count = len(patches.point)
    if not count:
        return ()
    over = counted.weaving.pass_one_over.astype(int)
    row = np.arange(count)
    under_lane, over_lane = patches.lane[row, 1 - over], patches.lane[row, over]
    where = patches.point
    bands = Bands.of(drawn.lanes, drawn.courses)

    def crest(lane: Ints, along: Floats) -> Floats:
        """Depth of the highest of several places across a lane, (N, samples); an incised line is passed over so."""
        lane5 = np.repeat(lane[..., None], len(ACROSS), -1)
        along5 = np.repeat(along[..., None], len(ACROSS), -1)
        across = np.broadcast_to(ACROSS, lane5.shape)
        point, _ = edge_points(bands, lane5, along5, across)
        highest: Floats = heights_at(field, point[..., 0], point[..., 1]).max(-1)
        return -highest

    top = crest(over_lane[:, None], patches.centre[row, over][:, None])[:, 0]
    # along the under-strand: from where it comes out beneath the overlap a little way on, on both sides
    corner = patches.corner[row, :, 1 - over]
    reach = np.linspace(0.0, BESIDE, SAMPLES) * drawn.lanes.breadth[under_lane][:, None]
    lane = np.repeat(under_lane[:, None], SAMPLES, 1)
    deepest = np.full(count, -np.inf)
    for along in (corner.max(1)[:, None] + reach, corner.min(1)[:, None] - reach):
        deepest = np.maximum(deepest, crest(lane, along).max(1))
    ground = _deepest_near(field, where, counted.size.pitch)
    circuit = drawn.lanes.circuit
    order = np.lexsort((where[:, 0], -np.round(where[:, 1], 2)))
    return tuple(
        CrossingDepth(
            k + 1,
            float(where[i, 0]),
            float(where[i, 1]),
            int(circuit[over_lane[i]]),
            int(circuit[under_lane[i]]),
            float(top[i]),
            float(deepest[i]),
            float(deepest[i] - top[i]),
            float(ground[i]),
        )
        for k, i in enumerate(order.tolist())
    )


def _deepest_near(field: HeightField, where: Floats, radius: float) -> Floats:
    """Greatest depth within ``radius`` of each place, looked for at twelve rings of twenty-four places each."""
    ring = np.linspace(0, radius, 13)[1:, None]
    angle = np.linspace(0, 2 * math.pi, 24, endpoint=False)[None, :]
    x = where[:, 0, None, None] + ring * np.cos(angle)
    y = where[:, 1, None, None] + ring * np.sin(angle)
    lowest: Floats = heights_at(field, x, y).reshape(len(where), -1).min(1)
    return -lowest


def section_along(made: Made, field: HeightField, line: Line, level: float | None = None) -> SectionAlong:
    """Cut the relief along a line: its profile, the strands that the line crosses and the ground between.

    Ground is what lies no higher than ``level``, :func:`.pockets.ground_level` where left out.

    Raises
    ------
    DesignError
        The line has no length, or does not meet the board; or no strand could be made.
    """
    if made.drawn is None:
        raise no_mesh(made)
    ends = (line.x0, line.y0, line.x1, line.y1)
    if not all(math.isfinite(value) for value in ends) or not line.length > 0:
        raise DesignError(f"section {line.name} has no length", "give two places apart", f"section {line.name}")
    begin, end = _on_board(field, line)
    if not end > begin:
        width, height = field.z.shape[1] * field.pitch, field.z.shape[0] * field.pitch
        raise DesignError(
            f"section {line.name} misses the board",
            f"give x from {field.left:.4g} to {field.left + width:.4g} and "
            f"y from {field.top - height:.4g} to {field.top:.4g} mm",
            f"section {line.name}",
        )
    number = max(2, math.ceil((end - begin) / (field.pitch / 2)) + 1)
    along = np.linspace(begin, end, number)
    u = np.array([line.x1 - line.x0, line.y1 - line.y0]) / line.length
    z = heights_at(field, line.x0 + along * u[0], line.y0 + along * u[1])
    strands = _strands_on(made, field, line, begin, end)
    flat = float(field.z.max()) - float(field.z.min()) < 1e-6
    ground = () if flat else _stretches(along, z, z <= (ground_level(field) if level is None else level))
    return SectionAlong(line, along, z, strands, ground)


def _on_board(field: HeightField, line: Line) -> tuple[float, float]:
    """Where a line enters the board and leaves it, mm along it; the second less than the first where it misses."""
    low, high = 0.0, line.length
    right, bottom = field.left + field.z.shape[1] * field.pitch, field.top - field.z.shape[0] * field.pitch
    for a, b, least, most in ((line.x0, line.x1, field.left, right), (line.y0, line.y1, bottom, field.top)):
        rate = (b - a) / line.length
        if abs(rate) < 1e-12:
            if not least <= a <= most:
                return 0.0, -1.0
            continue
        first, last = sorted(((least - a) / rate, (most - a) / rate))
        low, high = max(low, first), min(high, last)
    return low, high


def _strands_on(made: Made, field: HeightField, line: Line, begin: float, end: float) -> tuple[StrandOnLine, ...]:
    """Where a line crosses the middle lines of strands, whole ones once."""
    assert made.drawn is not None
    courses, lanes = made.drawn.courses, made.drawn.lanes
    u = np.array([line.x1 - line.x0, line.y1 - line.y0]) / line.length
    found = []
    for lane in range(len(lanes.circuit)):
        own = slice(int(lanes.start[lane]), int(lanes.start[lane + 1]))
        sample = lanes.sample[own]
        shift = np.where(lanes.whole[own], 0.0, lanes.offset[own])[:, None]
        point = courses.point[sample] + shift * courses.lateral[sample] - (line.x0, line.y0)
        following = np.roll(point, -1, 0)
        side, after = point @ (-u[1], u[0]), following @ (-u[1], u[0])
        for k in np.flatnonzero((side < 0) != (after < 0)).tolist():
            if lanes.paired[lane] and lanes.side[lane] == 1 and lanes.whole[own][k]:
                continue  # the other lane is the same piece of strand
            share = side[k] / (side[k] - after[k])
            place = float((point[k] + share * (following[k] - point[k])) @ u)
            if not begin <= place <= end:
                continue
            course_along = courses.along[sample[k]]
            x, y = line.x0 + place * u[0], line.y0 + place * u[1]
            out = courses.lateral[sample[k]] * lanes.width[own][k] / 2
            if lanes.whole[own][k] and lanes.paired[lane]:
                out = 2 * out  # the lane is half of the strand
            depth = -float(heights_at(field, x + ACROSS * out[0], y + ACROSS * out[1]).max())
            hidden = _is_under(made, lane, float(course_along))
            found.append(StrandOnLine(place, float(x), float(y), int(lanes.circuit[lane]), depth, hidden))
    return tuple(sorted(found, key=lambda strand: (strand.along, strand.hidden)))


def _is_under(made: Made, lane: int, along: float) -> bool:
    """Whether a lane lies under another strand at a place along its circuit's centre line."""
    assert made.drawn is not None
    patches, courses, lanes = made.drawn.footprints, made.drawn.courses, made.drawn.lanes
    if not len(patches.point):
        return False
    row = np.arange(len(patches.point))
    low = 1 - made.counted.weaving.pass_one_over.astype(int)
    mine: Ints = patches.lane[row, low]
    shared: Bools = patches.shared[row, low].astype(bool)
    same = (mine == lane) | (shared & (lanes.circuit[mine] == lanes.circuit[lane]))
    corner = patches.corner[row, :, low]
    around = float(courses.length[lanes.circuit[lane]])
    half = (corner.max(1) - corner.min(1)) / 2
    away = np.mod(along - (corner.max(1) + corner.min(1)) / 2 + around / 2, around) - around / 2
    return bool((same & (np.abs(away) <= half)).any())


def _stretches(along: Floats, z: Floats, ground: NDArray[np.bool_]) -> tuple[GroundOnLine, ...]:
    edge = np.diff(np.concatenate([[0], ground.astype(np.int8), [0]]))
    pairs = zip(np.flatnonzero(edge == 1).tolist(), np.flatnonzero(edge == -1).tolist(), strict=True)
    return tuple(
        GroundOnLine(float(along[a]), float(along[b - 1]), -float(z[a:b].min()))
        for a, b in pairs
        if along[b - 1] > along[a]
    )


def middle_lines(field: HeightField) -> tuple[Line, Line]:
    """Two lines to begin with: across the board's middle from left to right, and from top to bottom."""
    width, height = field.z.shape[1] * field.pitch, field.z.shape[0] * field.pitch
    x, y = field.left + width / 2, field.top - height / 2
    return Line(field.left, y, field.left + width, y, "A"), Line(x, field.top, x, field.top - height, "B")


def check_lines(lines: Sequence[Line]) -> None:
    """Refuse two sections of one name."""
    names = [line.name for line in lines]
    for k, name in enumerate(names):
        if name in names[:k]:
            raise DesignError(f"two sections named {name}", "give each its own letter", f"section {name}")
