"""Heights: how far every strand rises and dips, with separation kept at every crossing and slopes as low as can be.

1. :mod:`.stretches` says what is to be kept: at each corner of the patch in which two bands overlap, the separation.
2. :mod:`.slopes` gives the least steepest slope that can be kept, exactly, and the crossings that need it.
3. Among the heights that keep it, :mod:`.climbing` finds the ones with the least climbing. ``carved`` takes instead the
   highest heights that the slope allows, so that crests reach the board's face.
4. The polyline of heights is smoothed by convolution with a triangle (the cubic B-spline's way), as wide as the room
   beside each place allows: the finished curve has continuous curvature, and, up to the slow change of that width, no
   slope that the polyline has not. Places are set a little inside the patch and the separation is asked a little
   larger, so that the smoothed curve still keeps it at the corners; what is really kept is measured on the finished
   curve, and the asked separation corrected until it is right.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .climbing import Climb
from .course import Courses
from .design import Making, Sizes
from .divide import StrandMap
from .footprints import Footprints, Ruler
from .lanes import Lanes
from .mesh import Floats, Ints
from .profile import Profile, find_places, lane_heights, next_in_lane, read_heights
from .slopes import Constraints, Tightest, highest, least_slope
from .stretches import Lines, Stretches, find_stretches, slope_constraints
from .weave import Weaving

ROUNDING = 0.34
"""Half width of the smoothing beside a room between two patches, as a share of that room."""
INSET = 0.45
"""How far inside its patch a place is set, as a share of the smoothing. With these two the finished slope is 2 % over
the least; with an inset of 0 it would be 11 %, with 1 none, at more depth."""
SLACK = 1.05
"""Slope allowed over the least one, so that the least climbing has some play."""
ATTEMPTS = 5
PATCH = 5
"""Separation is measured on so many places either way over each patch."""
WIDENING = 0.15
"""How fast the smoothing's half width may change along a strand; the slope grows by at most a third of it."""


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
            climb = Climb(lines, stretches, weaving, cap, None if span is None else span / 2)
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
