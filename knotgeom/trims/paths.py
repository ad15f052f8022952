"""What a trim is laid along: a path, and the frame that a run is carried along it by.

The path is the middle line of the run. The frame that carries a run along a path out of one plane turns no more than it
must (W. Wang, B. Jüttler, D. Zheng and Y. Liu, Computation of rotation minimizing frames, 2008: double reflection).
Lengths are mm, angles degrees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..errors import DesignError
from ..mesh import Bools, Floats

CORNER = 20.0
"""A path that turns by more at one of its points has a corner there."""
CUSP = 150.0
"""A path that turns by more turns back upon itself."""


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """What a trim is laid along.

    ``points`` is (n, 3), no two neighbours alike; ``up`` (n, 3) is where the relief looks at each, of unit length and
    square to the path as nearly as its corners allow.
    """

    points: Floats
    up: Floats
    closed: bool


def path_of(points: Floats, closed: bool, up: Floats | None = None) -> Path:
    """A path from points, (n, 3) mm.

    Parameters
    ----------
    up : (n, 3) or (3,) float64, optional
        Where the relief looks; by default square to the plane of a flat path (up, or towards -y where it stands
        upright), and carried on with the least turning along any other.

    Raises
    ------
    DesignError
        It has no length, or turns back upon itself; the message names the point.
    """
    points = np.asarray(points, float)
    if points.ndim != 2 or points.shape[1:] != (3,) or not np.isfinite(points).all():
        raise DesignError("the path's points are no places", "give a list of x, y, z", "path")
    ahead = np.roll(points, -1, axis=0) - points
    apart = np.linalg.norm(ahead, axis=1)
    span = float(np.ptp(points, axis=0).max()) if len(points) else 0.0
    keep: Bools = np.asarray(apart > 1e-9 * max(span, 1e-9))
    if not closed and len(keep):
        keep[-1] = True
    number = np.flatnonzero(keep)  # points are named as they were given
    points = points[keep]
    if len(points) < (3 if closed else 2):
        raise DesignError("the path has no length", "give at least two places apart, three for a closed one", "path")
    ways = directions(points, closed)
    turn = turns(ways, closed)
    worst = int(np.argmax(turn))
    if turn[worst] > CUSP:
        raise DesignError(
            f"the path turns back by {turn[worst]:.0f} degrees at its point {number[worst]}",
            f"round it, or turn by at most {CUSP:g} degrees",
            f"path point {number[worst]}",
        )
    if up is None:
        chosen = _carried(points, ways, closed)
    else:
        chosen = np.broadcast_to(np.asarray(up, float), (len(keep), 3))[keep]
    tangent = tangents(ways, closed)
    square = chosen - np.einsum("ij,ij->i", chosen, tangent)[:, None] * tangent
    size = np.linalg.norm(square, axis=1)
    if (size < 1e-3).any():
        raise DesignError(
            f"the relief would look along the path at its point {number[size.argmin()]}",
            "turn the path or give it another up",
            "path",
        )
    return Path(points, square / size[:, None], closed)


def directions(points: Floats, closed: bool) -> Floats:
    """The unit direction of every stretch between neighbours, (n, 3) or (n - 1, 3)."""
    ahead = np.roll(points, -1, axis=0) - points
    ahead = ahead if closed else ahead[:-1]
    return np.asarray(ahead / np.linalg.norm(ahead, axis=1)[:, None])


def turns(ways: Floats, closed: bool) -> Floats:
    """By how much the path turns at each of its points, degrees; 0 at the ends of an open one."""
    before = np.roll(ways, 1, axis=0)
    sine = np.linalg.norm(np.cross(before, ways), axis=1)
    turn = np.degrees(np.arctan2(sine, np.einsum("ij,ij->i", before, ways)))
    if closed:
        return np.asarray(turn)
    return np.concatenate([[0.0], turn[1:], [0.0]])


def tangents(ways: Floats, closed: bool) -> Floats:
    """The direction at every point: the middle of those on both sides."""
    between = ways + np.roll(ways, 1, axis=0)
    total = between if closed else np.concatenate([ways[:1], between[1:], ways[-1:]])
    return np.asarray(total / np.linalg.norm(total, axis=1)[:, None])


def _carried(points: Floats, ways: Floats, closed: bool) -> Floats:
    """Where the relief looks, for a path that says nothing of it."""
    middle = points - points.mean(0)
    _, size, axes = np.linalg.svd(middle, full_matrices=False)
    tangent = tangents(ways, closed)
    if size[1] < 1e-6 * size[0]:  # a straight path: as nearly up as it allows, or towards -y
        up = np.array([0.0, 0.0, 1.0]) if abs(tangent[0, 2]) < 0.9 else np.array([0.0, -1.0, 0.0])
        return np.tile(up, (len(points), 1))
    normal = _towards_viewer(axes[2])
    if size[2] < 1e-3 * size[1]:
        return np.tile(normal, (len(points), 1))
    start = normal - (normal @ tangent[0]) * tangent[0]
    if np.linalg.norm(start) < 1e-3:
        start = np.cross(tangent[0], [1.0, 0.0, 0.0] if abs(tangent[0, 0]) < 0.9 else [0.0, 1.0, 0.0])
    ups = [start / np.linalg.norm(start)]
    for k in range(1, len(points)):
        ups.append(_reflected(points[k - 1], points[k], tangent[k - 1], tangent[k], ups[-1]))
    out = np.array(ups)
    if closed:  # what is left over when it comes round is shared out evenly along the path
        last = _reflected(points[-1], points[0], tangent[-1], tangent[0], out[-1])
        off = math.atan2(float(np.cross(last, out[0]) @ tangent[0]), float(last @ out[0]))
        length = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
        share = np.concatenate([[0.0], np.cumsum(length)[:-1]]) / length.sum() * off
        out = out * np.cos(share)[:, None] + np.cross(tangent, out) * np.sin(share)[:, None]
    return out


def _towards_viewer(normal: Floats) -> Floats:
    """A plane's normal, or the opposite one: up, towards -y where the plane stands upright, +x where it is x = 0."""
    x, y, z = np.where(np.abs(normal) > 1e-6, normal, 0.0)
    lies = abs(z) >= max(abs(x), abs(y))
    told = z if lies else -y if y else x
    return normal if told > 0 else -normal


def _reflected(start: Floats, end: Floats, tangent: Floats, goal: Floats, up: Floats) -> Floats:
    """``up`` carried from one point to the next by two reflections."""
    one = end - start
    square = one @ one
    middle, way = up - 2 / square * (one @ up) * one, tangent - 2 / square * (one @ tangent) * one
    other = goal - way
    square = other @ other
    return middle if square < 1e-24 else np.asarray(middle - 2 / square * (other @ middle) * other)


class Frames:
    """Place, direction, side and up anywhere along a path, and how it bends there."""

    def __init__(self, path: Path) -> None:
        points, ways = path.points, directions(path.points, path.closed)
        length = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
        sharp: Bools = np.asarray(turns(ways, path.closed) > CORNER)
        tangent = tangents(ways, path.closed)
        count = len(ways)
        self.whole = float(length[:count].sum())
        self.closed = path.closed
        self.start = np.concatenate([[0.0], np.cumsum(length[:count])])
        after = (np.arange(count) + 1) % len(points)
        self.low, self.high = points[:count], points[after]
        # on both sides of a corner the direction is that of the stretch, and up stays square to it
        self.ahead = np.where(sharp[:count, None], ways, tangent[:count])
        self.behind = np.where(sharp[after][:, None], ways, tangent[after])
        self.up_ahead, self.up_behind = path.up[:count], path.up[after]

    def at(self, along: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Places, directions, sides (left), ups, and the bend (towards the left, towards up; 1/mm), each (n, 3 or 2).

        Beyond the ends of an open path it goes straight on.
        """
        s = np.mod(along, self.whole) if self.closed else along
        k = np.clip(np.searchsorted(self.start, s, side="right") - 1, 0, len(self.low) - 1)
        span = self.start[k + 1] - self.start[k]
        share = ((s - self.start[k]) / span)[:, None]
        place = self.low[k] + share * (self.high[k] - self.low[k])
        inside = np.clip(share, 0.0, 1.0)
        way = self.ahead[k] + inside * (self.behind[k] - self.ahead[k])
        way /= np.linalg.norm(way, axis=1)[:, None]
        up = self.up_ahead[k] + inside * (self.up_behind[k] - self.up_ahead[k])
        up -= np.einsum("ij,ij->i", up, way)[:, None] * way
        up /= np.linalg.norm(up, axis=1)[:, None]
        side = np.cross(up, way)
        bend = (self.behind[k] - self.ahead[k]) / span[:, None]
        return place, way, side, up, np.stack([np.einsum("ij,ij->i", bend, side), np.einsum("ij,ij->i", bend, up)], 1)
