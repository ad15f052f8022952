"""The nearest of many points, found through a tree of boxes.

J. L. Bentley, Multidimensional binary search trees used for associative searching, 1975: points are parted at the
middle of the longest side of their box, and theirs again, until few are left. All points that are asked about go down
the tree together, each into the boxes that come nearer than the best that it has found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints

LEAF = 8
"""Points in a box that is parted no more."""
MANY = 1 << 18
"""Pairs of a point and a box looked at together at most, but for a single point's."""
ASKED = 4096
"""Points that go down the tree together."""


@dataclass(frozen=True, slots=True, eq=False)
class Tree:
    """Points in boxes.

    Attributes
    ----------
    points : (2**levels * LEAF, 3) float64
        Box by box; the last of them more than once, so that all boxes are full.
    number : (2**levels * LEAF,) int64
        Which point each was.
    low, high : levels + 1 arrays (2**level, 3) float64
        The boxes, from the whole to the smallest.
    """

    points: Floats
    number: Ints
    low: tuple[Floats, ...]
    high: tuple[Floats, ...]

    def nearest(self, asked: Floats) -> Ints:
        """Which of the points is nearest to each of (n, 3); of several as near the first."""
        found = np.empty(len(asked), np.int64)
        for begin in range(0, len(asked), ASKED):
            found[begin : begin + ASKED] = self._nearest(asked[begin : begin + ASKED])
        return found

    def _nearest(self, asked: Floats) -> Ints:
        every = np.arange(len(asked))
        box = np.zeros(len(asked), np.int64)
        for level in range(1, len(self.low)):  # down to the nearer of each two boxes
            off = [self._off(asked, 2 * box + k, level) for k in (0, 1)]
            box = 2 * box + (off[1] < off[0])
        best = self._in_boxes(asked, every, box)[0]
        who, box = every, np.zeros(len(asked), np.int64)
        for level in range(1, len(self.low)):
            who, box = np.repeat(who, 2), np.stack([2 * box, 2 * box + 1], 1).ravel()
            near = self._off(asked[who], box, level) <= best[who]
            who, box = who[near], box[near]
            if len(who) > MANY and len(asked) > 1:
                middle = len(asked) // 2
                return np.concatenate([self._nearest(asked[:middle]), self._nearest(asked[middle:])])
        return self._in_boxes(asked, who, box)[1]

    def _off(self, asked: Floats, box: Ints, level: int) -> Floats:
        """Square of the distance of points from boxes."""
        off = np.maximum(np.maximum(self.low[level][box] - asked, asked - self.high[level][box]), 0.0)
        return np.asarray((off**2).sum(1))

    def _in_boxes(self, asked: Floats, who: Ints, box: Ints) -> tuple[Floats, Ints]:
        """The least square of a distance to what the smallest boxes hold, and the first that has it, by who asks.

        ``who`` rises and leaves nobody out.
        """
        entry = box[:, None] * LEAF + np.arange(LEAF)
        away = ((self.points[entry] - asked[who][:, None]) ** 2).sum(2)
        begin = np.searchsorted(who, np.arange(len(asked)))
        least = np.minimum.reduceat(away.min(1), begin)
        number = np.where(away == least[who][:, None], self.number[entry], len(self.number))
        return least, np.minimum.reduceat(number.min(1), begin)


def tree(points: Floats) -> Tree:
    """Points (n, 3), at least one, in boxes."""
    levels = max(0, int(np.ceil(np.log2(len(points) / LEAF))))
    number = np.minimum(np.arange(LEAF << levels), len(points) - 1)
    low, high = [], []
    for level in range(levels + 1):
        number = number.reshape(1 << level, -1)
        boxes = points[number]
        low.append(boxes.min(1))
        high.append(boxes.max(1))
        if level < levels:
            side = (high[-1] - low[-1]).argmax(1)
            order = np.argsort(np.take_along_axis(boxes, side[:, None, None], 2)[:, :, 0], axis=1, kind="stable")
            number = np.take_along_axis(number, order, 1)
    number = number.ravel()
    return Tree(points[number], number, tuple(low), tuple(high))
