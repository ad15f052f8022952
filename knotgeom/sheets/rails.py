"""Rails: the lines along a lane, as polylines. mm.

A lane's rails are its right edge, its left edge, its middle, and the middle of whole strand.
"""

from __future__ import annotations

import numpy as np

from ..course import Courses
from ..errors import DesignError
from ..lanes import Lanes
from ..mesh import Floats, Ints

RIGHT, LEFT, MIDDLE, TRUNK = 0, 1, 2, 3
"""Rails of a lane. The right rail of a left half and the left rail of a right one are the halves' inner edges; both
halves' outer edges run on along whole strand. TRUNK is the middle of whole strand on a divided circuit."""
TOUCH = 1e-4
"""Lengths below this in mm are none."""


class Rails:
    """All rails as polylines, four to a lane, over the samples of the lane's circuit."""

    def __init__(self, courses: Courses, lanes: Lanes) -> None:
        if courses.point.shape[1] > 2 and np.ptp(courses.point[:, 2]) > TOUCH:
            raise DesignError("the layout is curved and has no flat pattern", "give a flat layout")
        if courses.period:
            raise DesignError(
                "a strip goes round and has no pattern with ends",
                "give a grid of as many columns and rows",
                "layout.strip",
            )
        self.courses, self.lanes = courses, lanes
        point, lateral = courses.point[:, :2], courses.lateral[:, :2]
        at, aside = point[lanes.sample], lateral[lanes.sample]
        half = lanes.width / 2
        self.line = np.stack(
            [
                at + (lanes.offset - half)[:, None] * aside,
                at + (lanes.offset + half)[:, None] * aside,
                at + lanes.offset[:, None] * aside,
                at,
            ]
        )
        self.along = courses.along[lanes.sample]
        self.length = courses.length[lanes.circuit]
        base = np.concatenate([[0.0], np.cumsum(self.length + 1.0)])[:-1]
        self.base = base
        self.key = self.along + np.repeat(base, np.diff(lanes.start))

    def find(self, lane: Ints, s: Floats) -> tuple[Ints, Ints, Floats, Floats]:
        """Lane samples before and after places along circuits, the share between them, and how far apart they lie."""
        start, stop = self.lanes.start[lane], self.lanes.start[lane + 1]
        length = self.length[lane]
        wrapped = np.mod(s, length)
        low = np.clip(np.searchsorted(self.key, wrapped + self.base[lane], side="right") - 1, start, stop - 1)
        last = low + 1 == stop
        high = np.where(last, start, low + 1)
        run = np.maximum(np.where(last, length, self.along[high]) - self.along[low], 1e-12)
        return low, high, np.clip((wrapped - self.along[low]) / run, 0.0, 1.0), run

    def at(self, rail: Ints, s: Floats) -> Floats:
        """Points on rails, (..., 2); ``rail`` is ``4 * lane + kind``."""
        low, high, share, _ = self.find(rail >> 2, s)
        kind = rail & 3
        point: Floats = self.line[kind, low] * (1 - share)[..., None] + self.line[kind, high] * share[..., None]
        return point

    def stretch(self, rail: int, begin: float, end: float) -> Floats:
        """The part of a rail from one place to a later one, at most once round, (n, 2)."""
        lane, kind = rail >> 2, rail & 3
        start, stop = int(self.lanes.start[lane]), int(self.lanes.start[lane + 1])
        along, length = self.along[start:stop], float(self.length[lane])
        line = self.line[kind, start:stop]
        turn = np.floor(begin / length)
        begin, end = begin - turn * length, end - turn * length
        first = int(along.searchsorted(begin + TOUCH, "right"))
        last = int(along.searchsorted(min(end, length) - TOUCH, "left"))
        parts = [self._end(line, along, length, begin), line[first:last]]
        if end > length:
            # the round's last sample may lie so near its end, and the first at 0 is one and the same place
            parts += [line[last:], line[: int(along.searchsorted(end - length - TOUCH, "left"))]]
        parts.append(self._end(line, along, length, end % length))
        return np.concatenate(parts)

    @staticmethod
    def _end(line: Floats, along: Floats, length: float, s: float) -> Floats:
        """The point of a closed line at one place, (1, 2)."""
        low = max(int(along.searchsorted(s, "right")) - 1, 0)
        high = (low + 1) % len(along)
        run = (along[high] if high else length) - along[low]
        share = min(max((s - along[low]) / max(run, 1e-12), 0.0), 1.0)
        point: Floats = line[low : low + 1] * (1 - share) + line[high : high + 1] * share
        return point

    def loop(self, rail: int) -> Floats:
        """A rail all the way round, (n, 2)."""
        lane = rail >> 2
        whole: Floats = self.line[rail & 3, self.lanes.start[lane] : self.lanes.start[lane + 1]]
        return whole

    def ranges(self, rail: int) -> list[tuple[float, float]] | None:
        """Where a rail exists, as stretches along its circuit; None for all the way round."""
        lane, kind = rail >> 2, rail & 3
        if not self.lanes.paired[lane]:
            return [] if kind == TRUNK else None
        left = self.lanes.side[lane] == 0
        if kind == (LEFT if left else RIGHT):
            return None
        start, stop = int(self.lanes.start[lane]), int(self.lanes.start[lane + 1])
        whole = self.lanes.whole[start:stop]
        there = whole & left if kind == TRUNK else ~whole
        if there.all() or not there.any():
            return None if there.all() else []
        along, length = self.along[start:stop], float(self.length[lane])
        begins = np.flatnonzero(there & ~np.roll(there, 1))
        stops = np.flatnonzero(~there & np.roll(there, 1))
        found = []
        for begin in begins.tolist():
            after = stops[stops > begin]
            end = along[after[0]] if len(after) else along[stops[0]] + length
            found.append((float(along[begin]), float(end)))
        return found
