"""Heights along the lanes as smoothed polylines, and what a place on one reads.

Smoothing a polyline with a triangle of half width d leaves it straight but for ``bend * d * (1 - r)**3 / 6`` round each
corner, r being the distance from it over d.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .mesh import Bools, Floats, Ints

CORNERS = 4
"""Corners to either side of a place that can still be felt there."""


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """Heights along the lanes: a polyline over places, and how widely it is smoothed at each.

    Attributes
    ----------
    start : (K + 1,) int64
        Where each lane begins among the places.
    place, height, smoothing : (p,) float64
        mm along the lane, mm, mm.
    length : (K,) float64
        Length of each lane.
    """

    start: Ints
    place: Floats
    height: Floats
    smoothing: Floats
    length: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """What places along lanes take from a profile, whatever its heights; n places in all.

    Attributes
    ----------
    shape : tuple of int
        How the places are asked for.
    at : (n,) int64
        The corner behind each.
    along : (n,) float64
        How far behind.
    empty : (n,) bool
        Places on lanes without corners, which are level.
    row, node : (k,) int64
        Which place feels which corner.
    lift, tilt : (k,) float64
        How much of the corner's bend goes into the height and into the slope there.
    """

    shape: tuple[int, ...]
    at: Ints
    along: Floats
    empty: Bools
    row: Ints
    node: Ints
    lift: Floats
    tilt: Floats


def next_in_lane(lane: Ints) -> Ints:
    """The following row in each lane of a table sorted by lane, the first after the last."""
    following = np.arange(len(lane)) + 1
    if len(lane):
        last = np.flatnonzero(np.append(lane[1:] != lane[:-1], True))
        following[last] = np.concatenate([[0], last[:-1] + 1])
    return following


def _joined(p: Profile) -> tuple[Ints, Ints, Ints, Floats]:
    """The lane of each corner, the corners after and before it, and the length to the one after."""
    owner = np.repeat(np.arange(len(p.start) - 1), np.diff(p.start))
    after = next_in_lane(owner)
    before = np.empty_like(after)
    before[after] = np.arange(len(after))
    wrap = np.where(after <= np.arange(len(after)), p.length[owner], 0.0)
    return owner, after, before, np.maximum(p.place[after] + wrap - p.place, 1e-9)


def find_places(profile: Profile, lane: Ints, place: Floats) -> Reading:
    """What places along lanes (any matching shapes) take from a profile, of which some lane at least has corners."""
    p = profile
    shape, lane, place = place.shape, lane.ravel(), place.ravel()
    owner, after, before, run = _joined(p)
    spread = (p.smoothing[after] - p.smoothing) / run

    empty = np.diff(p.start)[lane] == 0
    head = np.minimum(p.start[:-1], len(p.place) - 1)
    base = np.concatenate([[0.0], np.cumsum(p.length + 1.0)])[:-1]
    key = p.place - p.place[head][owner] + base[owner]
    where = np.mod(place - p.place[head][lane], p.length[lane]) + base[lane]
    at = np.searchsorted(key, where, side="right") - 1
    at = np.where(empty, 0, np.clip(at, p.start[lane], np.maximum(p.start[lane + 1] - 1, 0)))
    along = where - key[at]
    reach, widening = np.maximum(p.smoothing[at] + spread[at] * along, 1e-9), spread[at]

    rows, nodes, lifts, tilts = [], [], [], []
    for node, distance, onward, sign in ((at, along, before, -0.5), (after[at], run[at] - along, after, 0.5)):
        row, d, widen = np.arange(len(at)), reach, widening
        for _ in range(CORNERS):  # corners behind, then ahead; what is out of reach stays so
            q = 1.0 - distance / d
            near = q > 0
            row, node, distance, d, widen, q = (a[near] for a in (row, node, distance, d, widen, q))
            square = q * q
            rows.append(row)
            nodes.append(node)
            lifts.append(d * square * q / 6)
            tilts.append(square * (sign + widen * (q / 6 + (1 - q) / 2)))
            distance = distance + (run[before[node]] if sign < 0 else run[node])
            node = onward[node]
    return Reading(shape, at, along, empty, *(np.concatenate(column) for column in (rows, nodes, lifts, tilts)))


def read_heights(profile: Profile, reading: Reading, *, slopes: bool = True) -> tuple[Floats, Floats]:
    """Height and slope of the finished curves at the places of a reading.

    The profile may differ in its heights from the one that they were found on. Without ``slopes`` the second is left
    unsmoothed, which saves its time.
    """
    p, r = profile, reading
    _, after, before, run = _joined(p)
    slope = (p.height[after] - p.height) / run
    bend = (slope - slope[before])[r.node]
    z = p.height[r.at] + slope[r.at] * r.along + np.bincount(r.row, bend * r.lift, len(r.at))
    dz = slope[r.at]
    if slopes:
        dz = dz + np.bincount(r.row, bend * r.tilt, len(r.at))
    return np.where(r.empty, 0.0, z).reshape(r.shape), np.where(r.empty, 0.0, dz).reshape(r.shape)


def lane_heights(profile: Profile, lane: Ints, place: Floats) -> tuple[Floats, Floats]:
    """Height and slope of the finished curves at places along lanes (any matching shapes)."""
    return read_heights(profile, find_places(profile, lane, place))
