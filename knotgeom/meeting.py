"""Free strands that run into each other, measured on the sections as they are swept.

Heights keep strands apart where they lie over each other at a crossing. Where they cross at a shallow angle, or bend
back to one another, they may lie over each other further on too. There pieces of strand, a fifth of their width long,
are held against each other with the outlines and heights that they have.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from .course import Courses
from .design import Sizes, Strand
from .divide import StrandMap
from .findings import MOST, Change, Finding, down, place_in_mm
from .lanes import Lanes
from .layout import Layout
from .mesh import Bools, Floats, Ints
from .parts import cross_shallowly, near_pairs, on_runs, seen_twice, where_on
from .profile import next_in_lane
from .sections import outlines
from .trace import Circuits

_STEP = 0.2
"""Length of the pieces that are held against each other, in widths."""
_SUNK = 0.02
"""How far strands may seem to lie within each other, in thicknesses: what the measure and the heights leave open."""
_TOUCH = 0.005
"""Strands this near each other in plan, as a share of half a width, touch."""
_PIECES = 64
"""Pieces at most into which a step between two samples is parted."""
_ALONG = 1.6
"""Places of one strand nearer than this along it, in widths, do not count as two."""


def run_into_each_other(
    layout: Layout,
    circuits: Circuits,
    strand_map: StrandMap,
    courses: Courses,
    lanes: Lanes,
    z: Floats,
    strand: Strand,
    size: Sizes,
    before: Ints,
) -> list[Finding]:
    """Where free strands as they are swept run into each other; one finding for each two circuits.

    It is looked for everywhere if strands cross at a shallow angle, else along turned runs that have both ends in
    common with another or with themselves: of an opening between them no other measure tells.

    Parameters
    ----------
    z : (m,) float64
        Height of every lane sample, mm.
    before : (V,) int64
        The visit before each along its circuit.
    """
    asked = np.ones(len(lanes.sample), bool)
    if not cross_shallowly(layout, strand_map):
        asked = _turned(circuits, courses, before)[lanes.sample]
        if not asked.any():
            return []
    # first in steps of half a width, which passes over all that lies clear
    spacing = float(lanes.length.sum()) / max(len(lanes.sample), 1)
    stride = max(1, int(float(lanes.width.min()) / 2 / max(spacing, 1e-9)))
    steps = _Strips.of(courses, lanes, z, np.ones(len(lanes.sample), bool), 1, stride)
    near = np.zeros(len(lanes.sample), bool)
    for i, j in _over_each_other(courses, steps, asked, size.thickness, 0.1 * (stride > 1)):
        near[steps.row[i]] = near[steps.row[j]] = True
    if not near.any():
        return []
    for _ in range(stride - 1):
        near[1:] |= near[:-1]
    strips = _Strips.of(courses, lanes, z, near, _PIECES)
    share, low, high = upright(strand, size, float(strips.width.min()))
    thick, worst = size.thickness, dict[tuple[int, int], tuple[float, int]]()
    for i, j in _over_each_other(courses, strips, asked, thick, 0.0):
        away = courses.near(strips.point[i] - strips.point[j])
        for place in (-1.0, -0.5, 0.0, 0.5, 1.0):  # across the one strand, as a share of half its width
            at = away + (place * strips.width[i] / 2)[:, None] * strips.lateral[i]
            on, across = strips.seen_from(j, at)
            across = across / (strips.width[j] / 2)
            over = on & (np.abs(across) <= 1 + _TOUCH)
            mine, theirs = i[over], j[over]
            top = np.minimum(
                strips.z[mine] + np.interp(place, share, high), strips.z[theirs] + np.interp(across[over], share, high)
            )
            under = np.maximum(
                strips.z[mine] + np.interp(place, share, low), strips.z[theirs] + np.interp(across[over], share, low)
            )
            for k in np.flatnonzero(top - under > _SUNK * thick).tolist():
                a, b = int(strips.circuit[mine[k]]), int(strips.circuit[theirs[k]])
                pair = (min(a, b), max(a, b))
                worst[pair] = max(worst.get(pair, (0.0, 0)), (float(top[k] - under[k]), int(mine[k])))
    return [
        Finding(
            "ground",
            where_on(layout, circuits, courses, int(strips.circuit[at]), float(strips.along[at]), before),
            round(depth, 4),
            f"strands that lie upon one another sink {depth:.4f} mm into each other",
            place_in_mm(strips.point[at]),
            (Change("strand.width", down(0.8 * size.width)),),
        )
        for _, (depth, at) in sorted(worst.items())
    ][:MOST]


@dataclass(frozen=True, slots=True, eq=False)
class _Strips:
    """The lanes as short pieces of strand, each by its middle.

    Attributes
    ----------
    row, lane, circuit : (n,) int64
        The lane sample before each piece, its lane and its circuit.
    point, lateral, ahead : (n, 2) float64
        Its middle, the mesh's way across it and the way along; (n, 3) on a curved surface.
    half, place, along : (n,) float64
        Half its length, where along its lane it lies and where along its circuit, mm.
    z, rise : (n,) float64
        Its height, and by how much it rises to either end, mm.
    width, reach, breadth : (n,) float64
        Its width, how far its edges are from its middle, and the width of the whole strand, mm.
    around : (n,) float64
        Length of its lane, mm.
    """

    row: Ints
    lane: Ints
    circuit: Ints
    point: Floats
    lateral: Floats
    ahead: Floats
    half: Floats
    place: Floats
    along: Floats
    z: Floats
    rise: Floats
    width: Floats
    reach: Floats
    breadth: Floats
    around: Floats

    @classmethod
    def of(cls, courses: Courses, lanes: Lanes, z: Floats, rows: Bools, most: int, stride: int = 1) -> _Strips:
        """The steps from some of the lane samples, ``rows``, in up to ``most`` pieces of a fifth of the width each.

        With a ``stride`` steps lead over so many samples.
        """
        lane = np.repeat(np.arange(len(lanes.circuit)), np.diff(lanes.start))
        after = next_in_lane(lane)
        if stride > 1:
            tip = courses.pointed[lanes.sample]
            rows = rows & (((np.arange(len(lane)) - lanes.start[lane]) % stride == 0) | tip | tip[after])
            pick = np.flatnonzero(rows)
            after[pick] = pick[next_in_lane(lane[pick])]
        # whole strand of a divided circuit is on its left lane
        first = np.flatnonzero(rows & ~(lanes.whole & lanes.paired[lane] & (lanes.side[lane] == 1)))
        last = after[first]

        def middle(at: Ints) -> Floats:
            aside = np.where(lanes.whole[at], 0.0, lanes.offset[at])
            placed: Floats = courses.point[lanes.sample[at]] + aside[:, None] * courses.lateral[lanes.sample[at]]
            return placed

        begin, wide = middle(first), np.where(lanes.whole[first], lanes.breadth[lane[first]], lanes.width[first])
        step = courses.near(middle(last) - begin)
        length = np.sqrt(np.einsum("nd,nd->n", step, step))
        # hairs of halves, which remedies that are tried may come to, go in steps for the whole strand
        fine = _STEP * np.maximum(wide, lanes.breadth[lane[first]] / 4)
        number = np.clip(np.ceil(length / fine), 1, most).astype(np.int64)
        part = np.repeat(np.arange(len(first)), number)
        share = (np.arange(len(part)) - np.repeat(np.cumsum(number) - number, number) + 0.5) / number[part]
        row, other = first[part], last[part]
        lateral = (1 - share[:, None]) * courses.lateral[lanes.sample[row]]
        lateral += share[:, None] * courses.lateral[lanes.sample[other]]
        length, number = length[part], number[part]
        return cls(
            row=row,
            lane=lane[row],
            circuit=lanes.circuit[lane[row]],
            point=begin[part] + share[:, None] * step[part],
            lateral=lateral,
            ahead=step[part] / np.maximum(length, 1e-12)[:, None],
            half=length / number / 2,
            place=lanes.along[row] + share * length,
            along=courses.along[lanes.sample[row]] + share * length,
            z=(1 - share) * z[row] + share * z[other],
            rise=np.abs(z[other] - z[row]) / number / 2,
            width=wide[part],
            reach=wide[part] * np.linalg.norm(lateral, axis=1) / 2,
            breadth=lanes.breadth[lane[row]],
            around=lanes.length[lane[row]],
        )

    def seen_from(self, piece: Ints, away: Floats) -> tuple[Bools, Floats]:
        """Whether places so far from the middles of pieces lie across from them, and how far across, mm."""
        lateral, ahead = self.lateral[piece], self.ahead[piece]
        skew, long = np.einsum("nd,nd->n", lateral, ahead), np.einsum("nd,nd->n", lateral, lateral)
        one, other = np.einsum("nd,nd->n", away, ahead), np.einsum("nd,nd->n", away, lateral)
        spread = np.maximum(long - skew * skew, 1e-12)
        on: Bools = np.abs(long * one - skew * other) <= 1.02 * self.half[piece] * spread
        return on, (other - skew * one) / spread


def _over_each_other(
    courses: Courses, strips: _Strips, asked: Bools, thick: float, slack: float
) -> Iterator[tuple[Ints, Ints]]:
    """Pieces that may lie over each other, nearer in height than they are thick; the first of each pair an asked one.

    ``asked``, (m,), are lane samples; ``slack`` is how far strand may lie from its piece, in widths and thicknesses.
    Pieces near each other along one strand do not count. Whether two lie over each other is found by the method of
    separating axes, with the ways along and across both.
    """
    s = strips
    half, across = s.half + slack * s.width, s.reach + slack * s.width
    reach = 2 * float((across + half).max())
    seen, name = seen_twice(courses, s.point, reach)
    wanted = asked[s.row]
    seen, name = _beside(seen, name, wanted[name], reach)
    left = s.lateral / np.maximum(np.linalg.norm(s.lateral, axis=1, keepdims=True), 1e-12)
    for one, other in near_pairs(seen, reach, wanted[name]) if len(seen) else ():
        i, j = name[one], name[other]
        fit = np.abs(s.z[i] - s.z[j]) - s.rise[i] - s.rise[j] < (1 + slack - _SUNK) * thick
        i, j = i[fit], j[fit]
        same = s.lane[i] == s.lane[j]
        far = np.where(same, np.abs(s.place[i] - s.place[j]), np.abs(s.along[i] - s.along[j]))
        far = np.minimum(far, np.where(same, s.around[i], courses.length[s.circuit[i]]) - far) + half[i] + half[j]
        least = _ALONG * np.where(same, (s.width[i] + s.width[j]) / 2, s.breadth[i])
        fit = (s.circuit[i] != s.circuit[j]) | (far > least)
        i, j = i[fit], j[fit]
        for axis, of_first in ((s.ahead, True), (left, True), (s.ahead, False), (left, False)):
            way = axis[i if of_first else j]
            away = courses.near(s.point[i] - s.point[j])
            room = sum(
                half[k] * np.abs(np.einsum("nd,nd->n", s.ahead[k], way))
                + across[k] * np.abs(np.einsum("nd,nd->n", left[k], way))
                for k in (i, j)
            )
            fit = np.abs(np.einsum("nd,nd->n", away, way)) < room
            i, j = i[fit], j[fit]
        yield i, j


def _beside(point: Floats, name: Ints, asked: Bools, reach: float) -> tuple[Floats, Ints]:
    """Of all places those in square bins ``reach`` wide that hold an asked one, or touch such a bin."""
    if asked.all() or not asked.any():
        return point[asked], name[asked]
    bins = np.floor((point - point.min(0)) / reach).astype(np.int64) + 1
    stride = np.append(1, np.cumprod(bins.max(0)[:-1] + 2))
    key = bins @ stride
    full = np.unique(key[asked])
    around = np.unique(full[:, None] + (np.array(list(np.ndindex(*[3] * point.shape[1]))) - 1) @ stride)
    kept = np.isin(key, around)
    return point[kept], name[kept]


def _turned(circuits: Circuits, courses: Courses, before: Ints) -> Bools:
    """Whether each sample lies on a turned run both ends of which another run, or itself, has too, (n,)."""
    one, other = circuits.visit_edge[before], circuits.visit_edge
    ends = np.minimum(one, other) * (int(other.max(initial=0)) + 1) + np.maximum(one, other)
    _, name, count = np.unique(ends, return_inverse=True, return_counts=True)
    wanted = courses.run_bent & ((count[name] > 1) | (one == other))
    return on_runs(circuits, courses, wanted, loops=False)


def upright(strand: Strand, size: Sizes, width: float) -> tuple[Floats, Floats, Floats]:
    """Places across a strand as shares of half its width, and how low and how high its section reaches there, mm."""
    across, up = (side[0] for side in outlines(strand, size, np.array([width])))
    share = np.linspace(-0.995, 0.995, 49)
    x, x_on, y_on = across / (width / 2), np.roll(across, -1) / (width / 2), np.roll(up, -1)
    with np.errstate(divide="ignore", invalid="ignore"):
        part = (share[:, None] - x) / (x_on - x)
    meets = (part >= 0) & (part <= 1)
    height = up + np.where(meets, part, 0.0) * (y_on - up)
    return share, np.where(meets, height, np.inf).min(1), np.where(meets, height, -np.inf).max(1)
