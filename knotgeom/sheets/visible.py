"""The visible line work of a design, seen from straight above: edges, incised lines and closed outlines of its pieces.

All of it lies along rails (:mod:`.rails`): what hides them is in :mod:`.hidden`, how pieces are walked round in
:mod:`.outlines`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..counting import Counted
from ..design import Section
from ..drawing import Drawn
from ..mesh import Floats
from .hidden import Hidden, Seen, hidden_stretches, seen_stretches
from .outlines import Piece, outlines
from .rails import LEFT, MIDDLE, RIGHT, TOUCH, TRUNK, Rails


class Line(NamedTuple):
    """A drawn line: its points (n, 2), mm, and whether it closes."""

    points: Floats
    closed: bool


@dataclass(frozen=True, slots=True, eq=False)
class Visible:
    """The visible line work of a design.

    Attributes
    ----------
    edges : tuple of Line
        Visible edges of strands, each once.
    incised : tuple of Line
        Visible lines cut into a strand: between halves without a gap, and down a median-incised strand.
    pieces : tuple of Piece
    cores : tuple of tuple of Line
        Of each lane, the visible parts of its middle; along whole strand of a divided circuit, of its half of that.
    doubtful : int
        Corners of pieces that could not be closed as they should, since strands lie on one another there.
    rails : Rails
    hidden : Hidden
    """

    edges: tuple[Line, ...]
    incised: tuple[Line, ...]
    pieces: tuple[Piece, ...]
    cores: tuple[tuple[Line, ...], ...]
    doubtful: int
    rails: Rails
    hidden: Hidden


def visible(counted: Counted, drawn: Drawn) -> Visible:
    """The visible line work of a design.

    Raises
    ------
    DesignError
        The layout is curved.
    """
    lanes = drawn.lanes
    rails = Rails(drawn.courses, lanes)
    hidden = hidden_stretches(rails, drawn.footprints, counted.weaving.pass_one_over)
    covers: list[list[tuple[float, float, int]]] = [[] for _ in range(4 * len(lanes.circuit))]
    for crossing, (names, begins, ends) in enumerate(
        zip(hidden.rail.tolist(), hidden.begin.tolist(), hidden.end.tolist(), strict=True)
    ):
        for rail, begin, end in zip(names, begins, ends, strict=True):
            covers[rail].append((begin, end, crossing))

    seen: list[list[Seen]] = []
    loops: list[bool] = []
    for rail in range(len(covers)):
        stretches, loop = seen_stretches(rail, rails, covers[rail])
        seen.append(stretches)
        loops.append(loop)

    edges, incised = [], []
    groove = counted.design.strand.section is Section.MEDIAN_INCISED
    for lane, (circuit, paired, side) in enumerate(
        zip(lanes.circuit.tolist(), lanes.paired.tolist(), lanes.side.tolist(), strict=True)
    ):
        shut = paired and counted.own.get(circuit, counted.size).gap <= TOUCH
        for kind in (RIGHT, LEFT):
            inner = paired and kind == (RIGHT if side == 0 else LEFT)
            if not (shut and inner):
                edges += _lines(rails, 4 * lane + kind, seen, loops)
        if groove:
            for kind in (MIDDLE, TRUNK):
                incised += _lines(rails, 4 * lane + kind, seen, loops)
        if shut and side == 0:
            incised += _either(rails, 4 * lane + RIGHT, 4 * int(lanes.lane_of[circuit, 1]) + LEFT, seen, loops)

    cores = tuple(_core(rails, lane, covers_of) for lane, covers_of in enumerate(_middles(rails, hidden, covers)))
    pieces, doubtful = outlines(rails, hidden, seen, loops)
    return Visible(tuple(edges), tuple(incised), tuple(pieces), cores, doubtful, rails, hidden)


def _middles(
    rails: Rails, hidden: Hidden, covers: list[list[tuple[float, float, int]]]
) -> list[list[tuple[float, float, int]]]:
    """What covers the middle of each lane, all the way round."""
    lanes = rails.lanes
    middles = [list(covers[4 * lane + MIDDLE]) for lane in range(len(lanes.circuit))]
    for crossing in np.flatnonzero(hidden.rail[:, 2] & 3 == TRUNK).tolist():
        circuit = lanes.circuit[hidden.rail[crossing, 2] >> 2]
        for lane, share in zip(lanes.lane_of[circuit].tolist(), (0.75, 0.25), strict=True):
            begin, end = (
                float(edge[crossing, RIGHT] + share * (edge[crossing, LEFT] - edge[crossing, RIGHT]))
                for edge in (hidden.begin, hidden.end)
            )
            middles[lane].append((begin, end, crossing))
    return middles


def _core(rails: Rails, lane: int, covers: list[tuple[float, float, int]]) -> tuple[Line, ...]:
    rail = 4 * lane + MIDDLE
    stretches, loop = seen_stretches(rail, rails, covers, all_round=True)
    if loop:
        return (Line(rails.loop(rail), True),)
    return tuple(Line(rails.stretch(rail, part.begin, part.end), False) for part in stretches)


def _lines(rails: Rails, rail: int, seen: list[list[Seen]], loops: list[bool]) -> list[Line]:
    if loops[rail]:
        return [Line(rails.loop(rail), True)]
    return [Line(rails.stretch(rail, part.begin, part.end), False) for part in seen[rail]]


def _either(rails: Rails, one: int, two: int, seen: list[list[Seen]], loops: list[bool]) -> list[Line]:
    """Where either of two rails that run on one another is seen."""
    if loops[one] or loops[two]:
        return [Line(rails.loop(one), True)]
    length = float(rails.length[one >> 2])
    parts = sorted(
        (part.begin + turn * length, part.end + turn * length)
        for part in (*seen[one], *seen[two])
        for turn in (-1, 0, 1)
    )
    merged: list[tuple[float, float]] = []
    for begin, end in parts:
        if merged and begin <= merged[-1][1] + TOUCH:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((begin, end))
    if any(end - begin >= length for begin, end in merged):
        return [Line(rails.loop(one), True)]
    return [Line(rails.stretch(one, a, b), False) for a, b in merged if -TOUCH <= a < length - TOUCH]
