"""Triangles of a closed mesh that pass through each other, led apart in the few places where they do.

Vertices of crossing triangles are moved towards the middle of their neighbours, by 0.6 of the way (umbrella smoothing;
G. Taubin 1995, from memory): that unfolds slivers turned over by rounding, and moves nothing else. All is done in
single precision, since a mesh that is sound in double may cross itself once a file has rounded it; and after each round
only what lies near a place that moved is looked at again.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..mesh import Bools, Floats, Ints
from ..selfcut import crossing_pairs

ROUNDS = 40
WIDER = 12
"""From this round on all corners of triangles that cross are moved, and later what lies round about."""
NEAR = 0.3
"""What is this near to a place moved, mm, is looked at again."""
CELL = 1.0
"""Places are gathered in cells of this size, mm."""

Mended = Callable[[Bools, int], Floats]
"""New places of all vertices, given which of them are to change and how many rounds there have been."""


def untangled(vertices: Floats, triangles: Ints) -> tuple[Floats, bool]:
    """The vertices of crossing triangles moved to between their neighbours until no triangles cross.

    Parameters
    ----------
    vertices : (n, 3) float64
        What comes back is in single precision, as files keep it.
    triangles : (t, 3) int64

    Returns
    -------
    vertices : (n, 3) float64
        What still crosses after forty rounds is left.
    clear : bool
        Whether nothing crosses.
    """
    place = vertices.astype(np.float32).astype(float)

    def smoothed(moved: Bools, _turn: int) -> Floats:
        some = triangles[moved[triangles].any(1)]
        start, end = some.ravel(), np.roll(some, -1, axis=1).ravel()
        count = len(place)
        total = np.bincount(start, minlength=count) + np.bincount(end, minlength=count)
        for axis in range(3):
            mean = np.bincount(start, place[end, axis], count) + np.bincount(end, place[start, axis], count)
            place[moved, axis] += 0.6 * (mean[moved] / total[moved] - place[moved, axis])
        place[:] = place.astype(np.float32)
        return place

    return led_apart(place, triangles, smoothed)


def led_apart(place: Floats, triangles: Ints, mended: Mended) -> tuple[Floats, bool]:
    """Vertices changed by ``mended`` where their triangles cross, round by round; and whether none do in the end.

    All triangles are looked at once, afterwards those that have moved.
    """
    pairs = crossing_pairs(place, triangles)
    for _ in range(3):
        if not len(pairs):
            break
        number = np.flatnonzero(_beside(place, triangles, pairs))
        near = triangles[number]
        started = place.copy()
        for turn in range(ROUNDS):
            moved = np.zeros(len(place), bool)
            moved[triangles[pairs] if turn >= WIDER else _close(place, triangles[pairs])] = True
            for _ in range(turn // WIDER):  # where that is not enough, what is round about as well
                moved[near[moved[near].any(1)]] = True
            before = place.copy()
            place = mended(moved, turn)
            moved |= (place != before).any(1)
            pairs = number[crossing_pairs(place, near, np.asarray(moved[near].any(1), bool))]
            if not len(pairs):
                break
        moved = (place != started).any(1)
        among = np.asarray(moved[triangles].any(1), bool)
        among[pairs] = True
        pairs = crossing_pairs(place, triangles, among)
    return place, not len(pairs)


def _close(place: Floats, pairs: Ints) -> Ints:
    """Of the corners (p, 2, 3) of triangles that cross those that lie near the smaller of the two.

    The far corners of a large face have no part in it, and would draw all of the face along.
    """
    corner = place[pairs]
    longest = np.linalg.norm(corner - np.roll(corner, 1, axis=2), axis=3).max(2)
    rows = np.arange(len(pairs))
    small = longest.argmin(1)
    middle = corner[rows, small].mean(1)
    away = np.linalg.norm(corner - middle[:, None, None], axis=3)
    return np.asarray(pairs[away <= (longest[rows, small] + NEAR)[:, None, None]])


def _beside(vertices: Floats, triangles: Ints, pairs: Ints) -> Bools:
    """Triangles near a crossing one."""
    faces = np.unique(pairs)
    low, high = vertices[triangles].min(1), vertices[triangles].max(1)
    _, cell = np.unique(np.floor(low[faces] / CELL), axis=0, return_inverse=True)
    cell = np.asarray(cell).reshape(-1)
    near = np.zeros(len(triangles), bool)
    for k in range(int(cell.max()) + 1):
        mine = faces[cell == k]
        near |= ((low < high[mine].max(0) + NEAR) & (high > low[mine].min(0) - NEAR)).all(1)
    return near
