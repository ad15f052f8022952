"""Heights: how far every strand rises and dips, with separation kept at every crossing and slopes as low as can be.

1. At every crossing two bands overlap in a four-cornered patch. At each corner, a place on the upper strand must lie
   the separation above a place on the lower one; with crests that arch and dips that sag, that holds for the whole
   patch. (Patches are not square: beside a border bend a strand lies over its neighbour a long way on one side.)
2. :mod:`knotgeom.slopes` gives the least steepest slope that can be kept, exactly, and the crossings that need it.
3. Among the heights that keep it, the ones with the least climbing (the sum of rise squared over run, which a taut
   string minimises) are found by the alternating direction method of multipliers (S. Boyd, N. Parikh, E. Chu, B.
   Peleato and J. Eckstein, 2011): every corner has copies of its two places, parted in closed form. The linear step is
   a tridiagonal system along each closed lane, solved on all lanes at once by cyclic reduction. ``carved`` takes
   instead the highest heights that the slope allows, so that crests reach the board's face.
4. The polyline of heights is smoothed by convolution with a triangle (the cubic B-spline's way), as wide as the room
   beside each place allows: the finished curve has continuous curvature, and, up to the slow change of that width, no
   slope that the polyline has not. Places are set a little inside the patch and the separation is asked a little
   larger, so that the smoothed curve still keeps it at the corners; what is really kept is measured on the finished
   curve, and the asked separation corrected until it is right.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .course import Courses
from .design import Making, Sizes
from .divide import StrandMap
from .footprints import Footprints, Ruler, lane_place
from .lanes import Lanes
from .mesh import Floats, Ints
from .profile import Profile, find_places, lane_heights, next_in_lane, read_heights
from .slopes import Constraints, Tightest, highest, least_slope
from .weave import Weaving

ROUNDING = 0.34
"""Half width of the smoothing beside a room between two patches, as a share of that room."""
INSET = 0.45
"""How far inside its patch a place is set, as a share of the smoothing. With these two the finished slope is 2 % over
the least; with an inset of 0 it would be 11 %, with 1 none, at more depth."""
SLACK = 1.05
"""Slope allowed over the least one, so that the least climbing has some play."""
RELAX = 1.7
"""Over-relaxation of the alternating direction method: usual values are 1.5 to 1.8 (Boyd et al., section 3.4.3)."""
ATTEMPTS = 5
PATCH = 5
"""Separation is measured on so many places either way over each patch."""
WIDENING = 0.15
"""How fast the smoothing's half width may change along a strand; the slope grows by at most a third of it."""


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


@dataclass(frozen=True, slots=True, eq=False)
class Relief:
    """The heights of a weave.

    Attributes
    ----------
    profile : Profile
    z : (m,) float64
        Height of the mid-plane at every lane sample, mm.
    steepest : float
        Steepest slope of the finished curves, as rise over run.
    steepest_sample : int
        The lane sample where it is.
    tightest : Tightest
        The least steepest slope that any heights could have, and what needs it.
    stretches : Stretches
    constraints : Constraints
    separation : (N,) float64
        What is really kept over the whole of each overlap, mm.
    """

    profile: Profile
    z: Floats
    steepest: float
    steepest_sample: int
    tightest: Tightest
    stretches: Stretches
    constraints: Constraints
    separation: Floats


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


class _Ring:
    """Solves tridiagonal systems (diagonal, minus ``beside`` to either side) on all closed lines at once."""

    def __init__(self, lines: Lines, diagonal: Floats, beside: Floats) -> None:
        left, right = lines.before, lines.following
        a, c, d = -beside[left], -beside, diagonal
        self.steps: list[tuple[Floats, Floats, Ints, Ints]] = []
        while float((np.maximum(np.abs(a), np.abs(c)) / d).max(initial=0.0)) > 1e-7:
            alpha, gamma = -a / d[left], -c / d[right]
            self.steps.append((alpha, gamma, left, right))
            d, a, c = d + alpha * c[left] + gamma * a[right], alpha * a[left], gamma * c[right]
            left, right = left[left], right[right]
        self.diagonal = d

    def solve(self, rhs: Floats) -> Floats:
        for alpha, gamma, left, right in self.steps:
            rhs = rhs + alpha * rhs.take(left) + gamma * rhs.take(right)  # faster than by brackets
        return rhs / self.diagonal


class _Climb:
    """The least-climbing heights for given separations; keeps its state, so that a small change costs few rounds."""

    def __init__(self, lines: Lines, stretches: Stretches, weaving: Weaving, cap: float, bound: float | None) -> None:
        self.lines, self.cap, self.bound = lines, cap, bound
        nodes = stretches.nodes
        rows = np.arange(len(lines.node))
        slot = np.zeros((nodes, 2), np.int64)  # the one or two rows that hold each height
        slot[lines.node[::-1], 0] = rows[::-1]
        slot[lines.node, 1] = rows
        self.slot = slot
        over, under = over_and_under(stretches, weaving)
        self.count = over.size
        fork = np.arange(8 * len(weaving.pass_one_over), nodes)
        self.group = slot[np.concatenate([over.ravel(), under.ravel(), fork])]  # rows whose copies move together
        times = 1.0
        if np.array_equal(self.group[:, 0], self.group[:, 1]):  # nothing is divided: one row that counts twice
            self.group, times = np.ascontiguousarray(self.group[:, :1]), 2.0
        self.stiff = 1.0 / lines.run
        copies = times * np.bincount(self.group.ravel(), minlength=len(rows))
        self.rho_copy = 0.7 * np.sqrt(self.stiff * self.stiff[lines.before])
        self.rho_copy = np.minimum(self.rho_copy, 4 * np.minimum(self.stiff, self.stiff[lines.before]))
        self.weight = times * self.rho_copy[self.group]
        both = 2 * self.stiff
        self.ring = _Ring(lines, both + both[lines.before] + copies * self.rho_copy + 1e-6, both)
        self.z: Floats = np.zeros(len(rows))
        self.copy: Floats = np.zeros((len(self.group), 1))
        self.dual: Floats = np.zeros(self.group.shape)
        self.step: Floats = np.zeros(len(rows))
        self.step_dual: Floats = np.zeros(len(rows))
        self.rounds = 0

    def begin(self, separation: Floats) -> None:
        half = np.repeat(separation, 4) / 2
        self.copy[: self.count] = half[:, None]
        self.copy[self.count : 2 * self.count] = -half[:, None]

    def settle(self, separation: Floats, most: int, tolerance: float) -> Floats:
        """Run until heights move by less than ``tolerance`` a round, at most ``most`` rounds."""
        lines, count = self.lines, self.count
        asked = np.repeat(separation, 4)
        reach = self.cap * lines.run
        share = self.weight / self.weight.sum(1, keepdims=True)
        total = self.weight.sum(1)
        give = total[count : 2 * count] / (total[:count] + total[count : 2 * count])
        flat_group = self.group.ravel()
        for number in range(1, most + 1):
            push = self.stiff * (self.step - self.step_dual)
            rhs = push.take(lines.before) - push
            rhs += np.bincount(flat_group, (self.weight * (self.copy - self.dual)).ravel(), minlength=len(rhs))
            z = self.ring.solve(rhs)
            rise = RELAX * (z.take(lines.following) - z) + (1 - RELAX) * self.step + self.step_dual
            self.step = np.minimum(np.maximum(rise, -reach), reach)
            self.step_dual = rise - self.step
            raw = RELAX * z.take(self.group) + (1 - RELAX) * self.copy + self.dual
            level = share[:, 0] * raw[:, 0]
            if raw.shape[1] > 1:
                level += share[:, 1] * raw[:, 1]
            short = np.maximum(asked - (level[:count] - level[count : 2 * count]), 0.0)
            level[:count] += give * short
            level[count : 2 * count] -= (1 - give) * short
            if self.bound is not None:
                level = np.clip(level, -self.bound, self.bound)
            self.copy = level[:, None]
            self.dual = raw - self.copy
            settled = number % 5 == 0 and float(np.abs(z - self.z).max(initial=0.0)) < tolerance
            self.z = z
            self.rounds += 1
            if settled:
                break
        height: Floats = self.z[self.slot].mean(1)
        return height


def smoothing_widths(lines: Lines, share: float) -> Floats:
    """Half width of the smoothing at each place: as wide as the rooms allow, changing slowly along the strand."""
    ceiling = np.minimum(share * lines.beside, share * 12.0 * np.median(lines.run))
    rows = np.arange(len(lines.node))
    slow = Constraints(
        len(rows),
        np.concatenate([rows, lines.following]),
        np.concatenate([lines.following, rows]),
        np.concatenate([lines.run, lines.run]),
        np.zeros(2 * len(rows)),
    )
    return highest(slow, WIDENING, ceiling)


def raise_strands(
    courses: Courses,
    lanes: Lanes,
    strand_map: StrandMap,
    weaving: Weaving,
    footprints: Footprints,
    size: Sizes,
    way: Making,
    depth_limit: float | None = None,
    slope_limit: float | None = None,
) -> Relief:
    """Find the heights of all strands.

    Parameters
    ----------
    depth_limit : float, optional
        Greatest depth from the lowest underside to the highest top, mm.
    slope_limit : float, optional
        Rise over run that ``carved`` strands may use to reach the board's face sooner.

    Notes
    -----
    A depth limit that cannot be kept is left aside; the finished depth tells.
    """
    count = strand_map.crossings
    least_room = 1e-4
    if way is not Making.FREE:
        # united strands may keep the full step along the middle of their overlap only, rather than climb a wall
        narrow = 0.3 if size.gap < 0.2 * size.half_width else 0.2
        least_room = narrow * size.half_width if strand_map.divided.any() else 0.08 * size.width
    stretches = find_stretches(courses, lanes, strand_map, footprints, least_room, 0.02 * size.width)
    wanted = np.full(count, size.separation)
    # a limit that has no room for one step over a crossing is one that no heights keep
    span = None if depth_limit is None else depth_limit - size.thickness
    if span is not None and span < size.separation - 1e-9:
        span = None
    exact = Lines(stretches, lanes, 0.0)
    constraints = slope_constraints(exact, stretches, weaving, wanted, span)
    tightest = least_slope(constraints)
    if not count:
        level = np.full(len(lanes.sample), -size.thickness / 2 if way is Making.CARVED else 0.0)
        nothing = Profile(np.zeros(len(lanes.circuit) + 1, np.int64), *(np.zeros(0),) * 3, lanes.length)
        return Relief(nothing, level, 0.0, 0, tightest, stretches, constraints, np.zeros(0))

    cap = min(tightest.slope, 1e4) * SLACK + 1e-6
    if way is Making.CARVED and slope_limit is not None:
        cap = max(cap, slope_limit / (1 + WIDENING / 3))
    low, _, _ = Ruler(courses).find(lanes.circuit[footprints.lane], footprints.centre)
    # carved strands dip as steeply as they may, so chasing the last part of a step inside a patch would only dig deeper
    fine = 2 if way is Making.CARVED else PATCH
    lane, place, sign = patch_places(stretches, weaving, np.abs(courses.curvature[low]), fine)
    # a tight depth limit leaves less to round with, and where the least climbing does not settle any heights must do
    tries = [(ROUNDING, True), (0.15, True), (0.05, True), (0.15, False), (0.05, False)]
    for rounding, taut in tries if way is not Making.CARVED else tries[:3]:
        lines = Lines(stretches, lanes, INSET * rounding)
        smoothing = smoothing_widths(lines, rounding)
        surplus = np.full(count, 0.27 * size.separation * rounding / ROUNDING)
        climb = None
        limiting: Ints = np.zeros(0, np.int64)
        if way is not Making.CARVED and taut:
            climb = _Climb(lines, stretches, weaving, cap, None if span is None else span / 2)
            climb.begin(wanted + surplus)
        found = None
        for attempt in range(ATTEMPTS if climb is not None else 3 * ATTEMPTS):
            if span is not None and not taut:
                height = _within(lines, stretches, weaving, np.minimum(wanted + surplus, span), cap, span)
            elif climb is not None:
                most, near = (150, 1e-3) if attempt == 0 else (60, 5e-4)
                height = climb.settle(wanted + surplus, most, near * size.separation)
                if span is not None:  # the copies keep the bound, their mean only nearly
                    height = np.clip(height, -span / 2, span / 2)
            else:
                height, limiting = _highest(lines, stretches, weaving, wanted + surplus, cap, size, limiting)
            profile = Profile(lines.start, lines.place, height[lines.node], smoothing, lanes.length)
            found = found or find_places(profile, lane, place)
            z, _ = read_heights(profile, found, slopes=False)
            kept = (sign[:, None] * (z[:, :, 1] - z[:, :, 0])).min(1)
            short = wanted - kept
            worst = float(short.max())
            if attempt >= 2 and worst < 5e-4 * size.separation:
                break
            ease = (
                0.9 if climb is not None else 0.9 / (1 + attempt)
            )  # highest heights hang together: settle them gently
            surplus = np.maximum(surplus + np.where(short > 0, 1.05 * short, ease * short), 0.0)
        if span is None or (float(np.ptp(height)) <= span + 1e-6 and worst < 0.02 * size.separation):
            break
    else:
        if way is not Making.CARVED:
            return raise_strands(courses, lanes, strand_map, weaving, footprints, size, way, slope_limit=slope_limit)
    height = _centred(height, weaving, way, size)
    profile = Profile(lines.start, lines.place, height[lines.node], smoothing, lanes.length)
    if stretches.eased.any():
        whole = replace(stretches, corner_place=stretches.overlap_place)
        lane, place, sign = patch_places(whole, weaving, np.abs(courses.curvature[low]), PATCH)
        z, _ = read_heights(profile, find_places(profile, lane, place), slopes=False)
        kept = (sign[:, None] * (z[:, :, 1] - z[:, :, 0])).min(1)
    sample_lane = np.repeat(np.arange(len(lanes.circuit)), np.diff(lanes.start))
    z, dz = lane_heights(profile, sample_lane, lanes.along)
    # between two samples the slope of a cubic may be a little steeper than at either: look at the middles too
    after = next_in_lane(sample_lane)
    step = np.where(after <= np.arange(len(after)), lanes.length[sample_lane], 0.0) + lanes.along[after] - lanes.along
    _, middle = lane_heights(profile, sample_lane, lanes.along + step / 2)
    steep = np.maximum(np.abs(dz), np.abs(middle))
    return Relief(profile, z, float(steep.max()), int(steep.argmax()), tightest, stretches, constraints, kept)


def patch_places(
    stretches: Stretches, weaving: Weaving, bend: Floats, fine: int = PATCH
) -> tuple[Ints, Floats, Floats]:
    """Where to measure separation: over each patch, a grid of places that lie over one another.

    Between its corners a patch bulges where the strands bend: each side by the sagitta of the edge that bounds it, for
    a curvature of ``bend``, (N, 2), pass 0 and pass 1. ``fine`` places either way; 2 are the corners alone.

    Returns
    -------
    lane, place : (N, fine ** 2, 2)
        Of pass 0 and pass 1.
    sign : (N,)
        1 where pass 1 is over, -1 where it is under.
    """
    s = stretches
    u, v = (a.ravel() for a in np.meshgrid(np.linspace(0, 1, fine), np.linspace(0, 1, fine)))
    share = np.stack([(1 - u) * (1 - v), (1 - u) * v, u * v, u * (1 - v)], 1)  # corners in their order round the patch
    place: Floats = np.einsum("gk,nka->nga", share, s.corner_place)
    reach = np.ptp(s.corner_place, axis=1) / 2
    sagitta = bend[:, ::-1] * reach[:, ::-1] ** 2 / 2  # along one strand its patch ends at an edge of the other
    middle = s.corner_place.mean(1)[:, None, :]
    bulging = np.stack([np.abs(2 * v - 1) * 4 * u * (1 - u), np.abs(2 * u - 1) * 4 * v * (1 - v)], 1)
    place += np.sign(place - middle) * sagitta[:, None, :] * bulging
    lane = np.broadcast_to(s.corner_lane[:, None, :], place.shape)
    return lane, place, np.where(weaving.pass_one_over, 1.0, -1.0)


def _highest(
    lines: Lines, stretches: Stretches, weaving: Weaving, separation: Floats, cap: float, size: Sizes, limiting: Ints
) -> tuple[Floats, Ints]:
    """Carved heights: every place as high as the slope lets it be under the board's face.

    Where ``cap`` is too little, the slope is the least that will do, and the second result the rows that limit it;
    ``limiting`` are those of an attempt before.
    """
    constraints = slope_constraints(lines, stretches, weaving, separation)
    ceiling = np.full(stretches.nodes, -size.thickness / 2)
    if not len(limiting):
        try:
            return highest(constraints, cap, ceiling), limiting
        except ArithmeticError:
            pass
    least = least_slope(constraints, limiting)
    return highest(constraints, max(cap, least.slope * (1 + 1e-6)), ceiling), least.rows


def _within(
    lines: Lines, stretches: Stretches, weaving: Weaving, separation: Floats, cap: float, span: float
) -> Floats:
    """Heights within ``span`` about 0 that keep separations of at most that, however they climb.

    There always are some: only a separation greater than the span would ask for a drop with no length to make it in.
    """
    constraints = slope_constraints(lines, stretches, weaving, separation, span)
    slope = max(cap, least_slope(constraints).slope * (1 + 1e-6))
    height = highest(constraints, slope, np.append(np.full(stretches.nodes, span / 2), 0.0))
    return np.asarray(height[:-1] - height[-1])


def _centred(height: Floats, weaving: Weaving, way: Making, size: Sizes) -> Floats:
    """Every connected part with its middle at 0, or, carved, with its highest crest at the board's face."""
    count = len(weaving.pass_one_over)
    part = np.concatenate([np.repeat(weaving.part[:count], 8), weaving.part[count:]])
    number = int(part.max()) + 1
    top, bottom = np.full(number, -np.inf), np.full(number, np.inf)
    used = height != 0.0
    np.maximum.at(top, part[used], height[used])
    np.minimum.at(bottom, part[used], height[used])
    shift = top + size.thickness / 2 if way is Making.CARVED else (top + bottom) / 2
    return np.asarray(height - np.where(np.isfinite(shift), shift, 0.0)[part])
