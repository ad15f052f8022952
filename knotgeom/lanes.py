"""Lanes: the paths that strand really takes, whole or as halves, drawn from the centre lines.

A circuit that is nowhere divided is one lane; a circuit divided anywhere is two, left (0) and right (1), each running
the whole way round: where the strand is whole both lie on its centre line and are the same piece of strand. So every
lane is closed, forks or not, and whatever is worked out along strands is worked out along closed lines.

A pair of halves keeps the strand's width: at a fork each half begins as half of the whole strand, and the gap between
them opens from nothing while their outer edges run straight on. Forks therefore show no notch and no bulge.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from .course import NONE_OWN, Courses
from .design import Sizes
from .divide import Run, StrandMap, circuit_of_visit, previous_visits
from .mesh import Bools, Floats, Ints
from .trace import Circuits

OPENING = 1.2
"""Length over which halves reach their spacing, in strand widths, where there is room."""


@dataclass(frozen=True, slots=True, eq=False)
class Lanes:
    """Lanes as samples, those of one lane being the samples of its circuit.

    Attributes
    ----------
    start : (K + 1,) int64
        Where each lane begins among the lane samples.
    circuit, side : (K,) int64
        Side 0 is left or the only one, 1 right.
    paired : (K,) bool
        Whether the lane is one of two.
    sample : (m,) int64
        The course sample under each lane sample.
    offset, width : (m,) float64
        Signed distance to the left of the centre line, and width, as a half where the strand is divided; mm.
    opened : (m,) float64
        How far a half has come from half of the whole strand (0) to a strand of its own (1).
    whole : (m,) bool
        Whether the stretch from this sample to the next is whole strand.
    along : (m,) float64
        Length along the lane; mm.
    length : (K,) float64
    lane_of : (C, 2) int64
        The lanes of each circuit.
    fork_sample : (F,) int64
        The course sample at which each fork's halves part.
    breadth : (K,) float64
        Width of the whole strand of each lane, both halves included, mm.
    """

    start: Ints
    circuit: Ints
    side: Ints
    paired: Bools
    sample: Ints
    offset: Floats
    width: Floats
    opened: Floats
    whole: Bools
    along: Floats
    length: Floats
    lane_of: Ints
    fork_sample: Ints
    breadth: Floats


def smooth_step(x: Floats) -> Floats:
    """0 to 1 with level tangents and curvature at both ends."""
    x = np.clip(x, 0.0, 1.0)
    rising: Floats = x * x * x * (10.0 + x * (6.0 * x - 15.0))
    return rising


def parting(x: Floats) -> Floats:
    """0 to 1 as :func:`smooth_step`, but beginning with a slope of 1, so that a crotch is no slit without a width."""
    x = np.clip(x, 0.0, 1.0)
    opened: Floats = smooth_step(x) + x * (1.0 - x) ** 4
    return opened


def lay_lanes(
    circuits: Circuits,
    strand_map: StrandMap,
    courses: Courses,
    size: Sizes,
    own: Mapping[int, Sizes] = NONE_OWN,
) -> Lanes:
    """Lay the lanes of all circuits and place the forks; ``own`` has the sizes of circuits with their own width."""
    owner = circuit_of_visit(circuits)
    split = np.zeros(circuits.count, bool)
    split[owner[strand_map.divided]] = True
    if strand_map.loops_divided:
        split[:] = True
    number = 1 + split
    lane_circuit = np.repeat(np.arange(circuits.count), number)
    first = np.cumsum(number) - number
    side = np.arange(len(lane_circuit)) - first[lane_circuit]
    lane_of = np.stack([first, first + split], 1)

    forks = place_forks(circuits, strand_map, courses, size, own)
    counts = np.diff(courses.start)
    gap, whole = _opened(forks, circuits, strand_map, courses, split, size, own)

    start = np.concatenate([[0], np.cumsum(counts[lane_circuit])])
    within = np.arange(start[-1]) - np.repeat(start[:-1], counts[lane_circuit])
    sample = within + np.repeat(courses.start[lane_circuit], counts[lane_circuit])
    paired = split[lane_circuit]
    lane = np.repeat(np.arange(len(lane_circuit)), counts[lane_circuit])
    opened = gap[sample]
    sign = np.where(paired, 1.0 - 2.0 * side, 0.0)[lane]
    breadth = np.array([own.get(circuit, size).width for circuit in lane_circuit.tolist()])
    apart = np.array([own.get(circuit, size).gap for circuit in lane_circuit.tolist()])[lane] * opened
    offset = sign * (breadth[lane] + apart) / 4
    width = np.where(paired[lane], (breadth[lane] - apart) / 2, breadth[lane])
    run_whole = whole[sample]

    after = np.arange(1, len(sample) + 1)
    after[start[1:] - 1] = start[:-1]
    shift = np.where(run_whole, 0.0, offset)[:, None]
    step = courses.point[sample[after]] + shift * courses.lateral[sample[after]]
    step -= courses.point[sample] + shift * courses.lateral[sample]
    step = courses.near(step)
    run = np.concatenate([[0.0], np.cumsum(np.sqrt(np.einsum("nd,nd->n", step, step)))])
    return Lanes(
        start=start,
        circuit=lane_circuit,
        side=side,
        paired=paired,
        sample=sample,
        offset=offset,
        width=width,
        opened=opened,
        whole=run_whole,
        along=run[:-1] - np.repeat(run[start[:-1]], counts[lane_circuit]),
        length=run[start[1:]] - run[start[:-1]],
        lane_of=lane_of,
        fork_sample=forks,
        breadth=breadth,
    )


def run_bounds(circuits: Circuits, courses: Courses, visit: Ints) -> tuple[Floats, Floats]:
    """Where the run of each visit begins and ends along its circuit; the beginning may be negative."""
    owner = circuit_of_visit(circuits)[visit]
    end = courses.visit_along[visit]
    begin = courses.visit_along[previous_visits(circuits)[visit]]
    begin = np.where(begin >= end - 1e-9, begin - courses.length[owner], begin)
    return begin, end


def place_forks(
    circuits: Circuits,
    strand_map: StrandMap,
    courses: Courses,
    size: Sizes,
    own: Mapping[int, Sizes] = NONE_OWN,
) -> Ints:
    """The course sample at which each fork stands, (F,).

    One fork stands at the middle of its run, slid to where the strand is straightest; the two forks of a rejoined run
    stand a third of it from either end, or further in where the crossing's own room would swallow them.
    """
    owner = circuit_of_visit(circuits)
    begin, end = run_bounds(circuits, courses, strand_map.fork_visit)
    place = np.zeros(strand_map.forks, np.int64)
    for fork, visit in enumerate(strand_map.fork_visit.tolist()):
        circuit = int(owner[visit])
        span = slice(int(courses.start[circuit]), int(courses.start[circuit + 1]))
        along, around = courses.along[span], float(courses.length[circuit])
        width, length = own.get(circuit, size).width, float(end[fork] - begin[fork])
        # the samples of this run only
        first = int(np.searchsorted(along, np.mod(begin[fork], around), side="right"))
        last = int(np.searchsorted(along, np.mod(end[fork], around), side="left"))
        run = (first + np.arange((last - first) % len(along) or len(along))) % len(along)
        where = np.mod(along[run] - begin[fork], around)  # from the crossing before
        if strand_map.run[visit] == Run.REJOINED:
            reach = max(length / 3, width / 2 + 0.45 * (length / 2 - width / 2))
            # at least one ring of whole strand stays between the two forks, however few samples there are
            reach = min(reach, 0.47 * length, length / 2 - 1.5 * length / len(run))
            target = length - reach if strand_map.fork_opens[fork] else reach
            bending = 0.0
        else:
            target, bending = length / 2, 0.35
        spoiled = np.zeros(len(run), bool)
        for tip in np.flatnonzero(courses.pointed[span][run]):
            spoiled |= np.abs(where - where[tip]) < 0.75 * width
        cost = np.abs(where - target) / length + bending * np.abs(courses.curvature[span][run]) * width + 10.0 * spoiled
        cost[(where < 0.02 * length) | (where > 0.98 * length)] += 100.0
        place[fork] = run[cost.argmin()] + span.start
    return place


def _opened(
    forks: Ints,
    circuits: Circuits,
    strand_map: StrandMap,
    courses: Courses,
    split: Bools,
    size: Sizes,
    own: Mapping[int, Sizes],
) -> tuple[Floats, Bools]:
    """How much of the gap is open at each sample of the centre lines, and whether the strand runs whole from there.

    From each fork the gap opens towards its halves; a circuit without forks that is ``split`` has them all round.
    """
    total = len(courses.point)
    circuit = np.repeat(np.arange(circuits.count), np.diff(courses.start))
    order = np.lexsort([np.arange(len(forks)), forks])
    fork, opens = forks[order], strand_map.fork_opens[order]
    owner = circuit[fork]
    first, last = (np.searchsorted(owner, np.arange(circuits.count), side=side) for side in ("left", "right"))
    forked = last > first
    gap = np.where((split & ~forked)[circuit], 1.0, 0.0)
    whole = gap == 0.0
    if not len(fork):
        return gap, whole

    # the fork before each sample, round its circuit, and the fork after that one
    before = np.searchsorted(fork, np.arange(total), side="right") - 1
    before = np.where(before < first[circuit], last[circuit] - 1, before)
    close = np.where(np.arange(len(fork)) + 1 == last[owner], first[owner], np.arange(len(fork)) + 1)
    length = courses.length[owner]
    begin, end = run_bounds(circuits, courses, strand_map.fork_visit[order])
    crossing = np.where(opens, end, begin)  # where the run ends on the side of the halves
    at = courses.along[fork]
    stretch = np.mod(at[close] - at, length)
    stretch = np.where(stretch == 0, length, stretch)
    # spacing is reached at the nearest crossing at the latest
    widest = OPENING * np.array([own.get(number, size).width for number in range(circuits.count)])[owner]
    opening = np.minimum(widest, np.maximum(np.mod(crossing - at, length), 1e-6))
    closing = np.minimum(widest, np.maximum(np.mod(at[close] - crossing[close], length), 1e-6))

    halves = np.flatnonzero(forked[circuit] & opens[before])
    k = before[halves]
    from_a = np.mod(courses.along[halves] - at[k], length[k])
    gap[halves] = np.minimum(parting(from_a / opening[k]), parting((stretch[k] - from_a) / closing[k]))
    whole[halves] = False
    return gap, whole
