"""The step along every edge of an overlap: where the strand that crosses over lacks it, the one below gives way.

The heights of a weave keep the step at the corners of an overlap, and along its middle only where there is no room to
climb. A carver sees the whole edge. So places all along both edges of the upper strand are looked at, and the lower
strand is let down under them, rising again no steeper than a set slope.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..counting import Counted
from ..drawing import Drawn
from ..lanes import Lanes
from ..mesh import Floats, Ints
from .strips import band_cubics

BETWEEN = 4
"""Places looked at from one sample of the upper strand to the next."""
PASSES = 8
NEAR = 1e-4
"""mm of step that may be lacking."""


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Places on the edges of upper strands that lie on lower strands.

    Attributes
    ----------
    crossing : (n,) int64
        The woven crossing.
    over, under : (n, 2) int64
        The lane samples before and after.
    over_share, under_share : (n,) float64
        How far from the one to the other.
    point : (n, 2) float64
        In plan, mm.
    outward : (n, 2) float64
        The way out from the upper strand there, a unit vector.
    """

    crossing: Ints
    over: Ints
    under: Ints
    over_share: Floats
    under_share: Floats
    point: Floats
    outward: Floats

    def heights(self, lanes: Lanes, z: Floats) -> tuple[Floats, Floats]:
        """Mid-planes of the upper and of the lower strand, each (n,)."""
        cubic = band_cubics(lanes, z)
        found = []
        for sample, t in ((self.over[:, 0], self.over_share), (self.under[:, 0], self.under_share)):
            c = cubic[sample].T
            found.append(np.asarray(c[0] + t * (c[1] + t * (c[2] + t * c[3]))))
        return found[0], found[1]


NO_EDGES = Edges(
    crossing=np.zeros(0, np.int64),
    over=np.zeros((0, 2), np.int64),
    under=np.zeros((0, 2), np.int64),
    over_share=np.zeros(0),
    under_share=np.zeros(0),
    point=np.zeros((0, 2)),
    outward=np.zeros((0, 2)),
)


def following(lanes: Lanes) -> Ints:
    """The next sample along each lane, (m,)."""
    after = np.arange(1, len(lanes.sample) + 1)
    after[lanes.start[1:] - 1] = lanes.start[:-1]
    return after


def overlap_edges(counted: Counted, drawn: Drawn) -> Edges:
    """Look along the edges of every overlap."""
    courses, lanes, footprints = drawn.courses, drawn.lanes, drawn.footprints
    after = following(lanes)
    over_pass = counted.weaving.pass_one_over.astype(int)
    found = [NO_EDGES]
    share = (np.arange(BETWEEN) / BETWEEN)[:, None]
    for crossing in range(len(footprints.lane)):
        picked = []
        for strand in (int(over_pass[crossing]), 1 - int(over_pass[crossing])):
            lane = int(footprints.lane[crossing, strand])
            corner = footprints.corner[crossing, :, strand]
            circuit = int(lanes.circuit[lane])
            length = float(courses.length[circuit])
            low, high = float(corner.min()), float(corner.max())
            spare = 0.1 * (high - low)
            along = courses.along[courses.start[circuit] : courses.start[circuit + 1]]
            begin = int(np.searchsorted(along, (low - spare) % length, side="right")) - 1
            number = int(np.searchsorted(along, (high + spare) % length)) - begin
            ids = lanes.start[lane] + (begin + np.arange(number % len(along) + 1)) % len(along)
            shared = bool(footprints.shared[crossing, strand])
            offset = np.zeros(len(ids)) if shared else lanes.offset[ids]
            width = np.full(len(ids), lanes.breadth[lane]) if shared else lanes.width[ids]
            picked.append((ids, offset, width))
        (ids, offset, width), (under, under_offset, under_width) = picked
        lateral, base = courses.lateral[lanes.sample[ids]], courses.point[lanes.sample[ids]]
        u_lateral, u_base = courses.lateral[lanes.sample[under]], courses.point[lanes.sample[under]]
        line = u_base + under_offset[:, None] * u_lateral
        for side in (1.0, -1.0):
            edge = base + (offset + side * width / 2)[:, None] * lateral
            place = (edge[None, :-1] * (1 - share[:, :, None]) + edge[None, 1:] * share[:, :, None]).reshape(-1, 2)
            out = side * np.tile(lateral[:-1], (BETWEEN, 1))
            run = np.diff(line, axis=0)
            to = place[:, None] - line[None, :-1]
            part = np.clip((to * run).sum(2) / np.maximum((run * run).sum(1), 1e-18), 0, 1)
            far = np.linalg.norm(to - part[:, :, None] * run, axis=2)
            near = far.argmin(1)
            rows = np.arange(len(place))
            # sideways from the lower strand's middle, by its own lateral, so that pointed turns count rightly
            on = far[rows, near] <= under_width[near] / 2
            kept = np.flatnonzero(on)
            first = np.tile(ids[:-1], BETWEEN)[kept]
            found.append(
                Edges(
                    crossing=np.full(len(kept), crossing),
                    over=np.stack([first, after[first]], 1),
                    under=np.stack([under[near[kept]], after[under[near[kept]]]], 1),
                    over_share=np.repeat(share[:, 0], len(ids) - 1)[kept],
                    under_share=part[kept, near[kept]],
                    point=place[kept],
                    outward=out[kept] / np.maximum(np.linalg.norm(out[kept], axis=1, keepdims=True), 1e-12),
                )
            )
    return Edges(
        crossing=np.concatenate([edges.crossing for edges in found]),
        over=np.concatenate([edges.over for edges in found]),
        under=np.concatenate([edges.under for edges in found]),
        over_share=np.concatenate([edges.over_share for edges in found]),
        under_share=np.concatenate([edges.under_share for edges in found]),
        point=np.concatenate([edges.point for edges in found]),
        outward=np.concatenate([edges.outward for edges in found]),
    )


def give_way(lanes: Lanes, edges: Edges, z: Floats, separation: float, slope: float) -> Floats:
    """Let lower strands down until every edge over them stands ``separation`` above, mid-plane over mid-plane.

    Parameters
    ----------
    z : (m,) float64
        Mid-planes at the lane samples, mm.
    slope : float
        Rise over run with which a strand comes up again; at least the steepest that it has.

    Returns
    -------
    (m,) float64
    """
    z = z.copy()
    if not len(edges.crossing):
        return z
    for _ in range(PASSES):
        over, under = edges.heights(lanes, z)
        cap = over - separation
        short = under - cap > NEAR
        if not short.any():
            break
        for end in (0, 1):
            np.minimum.at(z, edges.under[short, end], cap[short])
        z = _no_steeper(lanes, z, slope)
        z = _as_one(lanes, z)
    return z


def least_step(lanes: Lanes, edges: Edges, z: Floats) -> Floats:
    """How far the upper strand's mid-plane lies over the lower one's at every place looked at, (n,) mm."""
    over, under = edges.heights(lanes, z)
    return np.asarray(over - under)


def _no_steeper(lanes: Lanes, z: Floats, slope: float) -> Floats:
    """Lower whatever stands steeper than ``slope`` over something else along its lane."""
    z = z.copy()
    for a, b, length in zip(lanes.start[:-1].tolist(), lanes.start[1:].tolist(), lanes.length.tolist(), strict=True):
        place = np.concatenate([lanes.along[a:b], lanes.along[a:b] + length])
        for turn in (1, -1):
            twice = np.tile(z[a:b], 2)[::turn]
            rise = turn * slope * place[::turn]
            lowest = np.minimum.accumulate(twice - rise) + rise
            z[a:b] = np.minimum(lowest[::turn][: b - a], lowest[::turn][b - a :])
    return z


def _as_one(lanes: Lanes, z: Floats) -> Floats:
    """Both lanes of a divided circuit at one height where the strand is whole."""
    z = z.copy()
    for left, right in lanes.lane_of[lanes.lane_of[:, 0] != lanes.lane_of[:, 1]].tolist():
        one = slice(int(lanes.start[left]), int(lanes.start[left + 1]))
        other = slice(int(lanes.start[right]), int(lanes.start[right + 1]))
        whole = lanes.whole[one] | np.roll(lanes.whole[one], 1)
        low = np.minimum(z[one], z[other])
        z[one] = np.where(whole, low, z[one])
        z[other] = np.where(whole, low, z[other])
    return z
