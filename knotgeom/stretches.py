"""What heights have to keep: where along the lanes strands lie over one another, and how far apart there.

At every crossing two bands overlap in a four-cornered patch. At each corner, a place on the upper strand must lie the
separation above a place on the lower one; with crests that arch and dips that sag, that holds for the whole patch.
(Patches are not square: beside a border bend a strand lies over its neighbour a long way on one side.) Between two
patches there is room to climb. :mod:`knotgeom.slopes` takes both as difference constraints.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .course import Courses
from .divide import StrandMap
from .footprints import Footprints, Ruler, lane_place
from .lanes import Lanes
from .mesh import Floats, Ints
from .profile import next_in_lane
from .slopes import Constraints
from .weave import Weaving


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """What is to be kept along the lanes, sorted by lane and place.

    A row is one strand's overlap at one crossing, or a fork. A whole strand of a divided circuit has a row on each of
    its two lanes.

    Attributes
    ----------
    lane : (r,) int64
    place : (r, 4) float64
        The overlap's four corners in order along the lane, mm; below 0 or beyond the lane's length at its ends. A fork
        has four times the same.
    node : (r, 4) int64
        The height at each: 8 a crossing (pass 0, pass 1, four each), then one a fork. Corners closer together than can
        matter share one.
    crossing : (r,) int64
        The woven crossing, or -1 at a fork.
    following : (r,) int64
        The next row along the lane.
    room : (r,) float64
        Length from this row's last place to the next one's first.
    corner_node : (N, 4, 2) int64
        The heights of both strands (pass 0, pass 1) at each corner of each crossing.
    corner_lane : (N, 2) int64
        The lanes of both strands.
    corner_place : (N, 4, 2) float64
        Where along them the corners lie, mm.
    overlap_place : (N, 4, 2) float64
        The same before any overlap was narrowed.
    eased : (N,) bool
        Crossings whose overlap was narrowed to leave room to climb.
    lacking : float
        The most room that was lacking anywhere before that, mm.
    nodes : int
        Number of heights.
    """

    lane: Ints
    place: Floats
    node: Ints
    crossing: Ints
    following: Ints
    room: Floats
    corner_node: Ints
    corner_lane: Ints
    corner_place: Floats
    overlap_place: Floats
    eased: Ints
    lacking: float
    nodes: int


def find_stretches(
    courses: Courses, lanes: Lanes, strand_map: StrandMap, footprints: Footprints, least_room: float, merge: float
) -> Stretches:
    """Put the overlaps and the forks in order along the lanes.

    Where two overlaps leave less than ``least_room`` between them, both end that much apart about their middle.
    Corners of one strand less than ``merge`` apart become one place, the outer one.
    """
    ruler = Ruler(courses)
    count = strand_map.crossings
    crossing, strand = np.repeat(np.arange(count), 2), np.tile([0, 1], count)
    lane, shared = footprints.lane.ravel(), footprints.shared.ravel()
    centre = footprints.centre.ravel()
    corner = footprints.corner.transpose(0, 2, 1).reshape(-1, 4)
    rank = np.argsort(corner, axis=1, kind="stable")
    ordered = np.take_along_axis(corner, rank, 1)
    alias = np.tile(np.arange(4), (2 * count, 1))
    alias[ordered[:, 1] - ordered[:, 0] < merge, 1] = 0
    alias[ordered[:, 3] - ordered[:, 2] < merge, 2] = 3
    node = (8 * crossing + 4 * strand)[:, None] + alias
    corner_node = np.empty_like(node)
    np.put_along_axis(corner_node, rank, node, 1)

    rows = np.concatenate([np.arange(2 * count), np.flatnonzero(shared)])  # a whole strand counts on both its lanes
    lane = np.concatenate([lane, lane[shared] + 1])
    crossing, centre, ordered, node = crossing[rows], centre[rows], ordered[rows], node[rows]

    circuit = np.searchsorted(courses.start, lanes.fork_sample, side="right") - 1
    fork_along = courses.along[lanes.fork_sample]
    fork = np.arange(len(circuit))
    for side in (0, 1):
        lane = np.concatenate([lane, lanes.lane_of[circuit, side]])
        centre = np.concatenate([centre, fork_along])
        ordered = np.concatenate([ordered, np.tile(fork_along[:, None], (1, 4))])
        node = np.concatenate([node, np.tile((8 * count + fork)[:, None], (1, 4))])
        crossing = np.concatenate([crossing, np.full(len(fork), -1)])

    length = lanes.length[lane]
    middle = lane_place(lanes, courses, ruler, lane, centre)
    shift = lane_place(lanes, courses, ruler, np.tile(lane[:, None], (1, 4)), ordered) - middle[:, None]
    half = length[:, None] / 2
    place = middle[:, None] + np.mod(shift + half, length[:, None]) - half
    place = np.maximum.accumulate(place, axis=1)

    order = np.lexsort([middle, lane])
    lane, middle, place, node, crossing = lane[order], middle[order], place[order], node[order], crossing[order]
    following = next_in_lane(lane)
    before = np.empty_like(following)
    before[following] = np.arange(len(following))
    wrap = np.where(following <= np.arange(len(lane)), lanes.length[lane], 0.0)

    # A fork's halves part smoothly a fifth of the way to their first crossing; there, not at the fork itself, the two
    # lanes stop being one. The shorter of the two decides, so that the lanes agree up to the fork.
    at_fork = np.flatnonzero(crossing < 0)
    number = node[at_fork, 0] - 8 * count
    opens = strand_map.fork_opens[number]
    ahead = np.where(
        opens,
        place[following[at_fork], 0] + wrap[at_fork] - middle[at_fork],
        middle[at_fork] - place[before[at_fork], 3] + wrap[before[at_fork]],
    )
    shortest = np.full(strand_map.forks, np.inf)
    np.minimum.at(shortest, number, ahead)
    place[at_fork] += (np.where(opens, 0.2, -0.2) * np.maximum(shortest[number], 0.0))[:, None]

    room = place[following, 0] + wrap - place[:, 3]
    eased = np.zeros(count, bool)
    lacking = float(np.maximum(least_room - room, 0.0).max(initial=0.0))
    unnarrowed = place.copy()
    for row in np.flatnonzero(room < least_room).tolist():
        other = int(following[row])
        spot = (place[row, 3] + place[other, 0] + wrap[row]) / 2
        if crossing[row] >= 0:
            place[row] = np.minimum(place[row], max(spot - least_room / 2, middle[row]))
            eased[crossing[row]] = True
        if crossing[other] >= 0:
            place[other] = np.maximum(place[other], min(spot + least_room / 2 - wrap[row], middle[other]))
            eased[crossing[other]] = True
    room = np.maximum(place[following, 0] + wrap - place[:, 3], 1e-6)
    sorted_row = np.empty(len(order), np.int64)
    sorted_row[order] = np.arange(len(order))
    corner_place, overlap_place = np.empty((2 * count, 4)), np.empty((2 * count, 4))
    for corners, places in ((corner_place, place), (overlap_place, unnarrowed)):
        np.put_along_axis(corners, rank, places[sorted_row[: 2 * count]], 1)
    return Stretches(
        lane,
        place,
        node,
        crossing,
        following,
        room,
        corner_node.reshape(count, 2, 4).transpose(0, 2, 1),
        footprints.lane,
        corner_place.reshape(count, 2, 4).transpose(0, 2, 1),
        overlap_place.reshape(count, 2, 4).transpose(0, 2, 1),
        eased,
        lacking,
        8 * count + strand_map.forks,
    )


class Lines:
    """Places in order along all lanes as closed lines.

    Attributes
    ----------
    lane, place, node : (p,)
    run : (p,) float64
        Length to the next place.
    following, before : (p,) int64
    beside : (p,) float64
        The room between patches that a place stands beside; infinite for one inside a patch.
    """

    def __init__(self, stretches: Stretches, lanes: Lanes, inset: float) -> None:
        s = stretches
        before = np.empty_like(s.following)
        before[s.following] = np.arange(len(before))
        crossing = s.crossing >= 0
        ahead, behind = s.room, s.room[before]
        place = s.place.copy()
        inner = place[:, 2] - place[:, 1]
        into_low = np.where(crossing, np.minimum(inset * behind, 0.35 * inner), 0.0)
        into_high = np.where(crossing, np.minimum(inset * ahead, 0.35 * inner), 0.0)
        place[:, :2] += np.maximum(into_low, 0.0)[:, None]
        place[:, 2:] -= np.maximum(into_high, 0.0)[:, None]
        first = np.ones(s.node.shape, bool)  # where corners share a height the outer place stands for both
        first[:, 1] = s.node[:, 1] != s.node[:, 0]
        first[:, 2] = s.node[:, 2] != s.node[:, 3]
        first[~crossing, 1:] = False
        beside = np.full(place.shape, np.inf)
        beside[:, 0], beside[:, 3] = behind, ahead
        beside[~crossing, 0] = 0.5 * np.minimum(ahead, behind)[~crossing]  # its smoothing ends where the halves part
        self.lane = np.repeat(s.lane, 4).reshape(-1, 4)[first]
        self.place, self.node, self.beside = place[first], s.node[first], beside[first]
        self.following = next_in_lane(self.lane)
        self.before = np.empty_like(self.following)
        self.before[self.following] = np.arange(len(self.before))
        wrap = np.where(self.following <= np.arange(len(self.lane)), lanes.length[self.lane], 0.0)
        self.run = np.maximum(self.place[self.following] + wrap - self.place, 1e-6)
        self.start = np.searchsorted(self.lane, np.arange(len(lanes.circuit) + 1))


def slope_constraints(
    lines: Lines, stretches: Stretches, weaving: Weaving, separation: Floats, depth: float | None = None
) -> Constraints:
    """The difference constraints that any heights must keep; ``depth`` bounds the range of mid-planes."""
    a, b = lines.node, lines.node[lines.following]
    over, under = over_and_under(stretches, weaving)
    tail, head = [a, b, over.ravel()], [b, a, under.ravel()]
    run = [lines.run, lines.run, np.zeros(over.size)]
    drop = [np.zeros(2 * len(a)), np.repeat(separation, 4)]
    nodes = stretches.nodes
    if depth is not None:
        every, ground = np.arange(nodes), np.full(nodes, nodes)
        tail, head = [*tail, ground, every], [*head, every, ground]
        run, drop = [*run, np.zeros(2 * nodes)], [*drop, np.full(2 * nodes, -depth / 2)]
        nodes += 1
    return Constraints(nodes, *(np.concatenate(column) for column in (tail, head, run, drop)))


def over_and_under(stretches: Stretches, weaving: Weaving) -> tuple[Ints, Ints]:
    """The heights of the upper and of the lower strand at each crossing's corners, each (N, 4)."""
    one_over = weaving.pass_one_over[:, None]
    first, second = stretches.corner_node[:, :, 0], stretches.corner_node[:, :, 1]
    return np.where(one_over, second, first), np.where(one_over, first, second)
