"""Which rings and rails of a run a level keeps: few where it is straight, many where it bends.

Between two kept rings and two kept rails lies a facet. What it will be off the exact surface once its corners are set
off by half of it (see :mod:`.fitting`) is half the range of the signed distances of all points it passes over, measured
along its own normal: half the sagitta of an arc, and of two bends that counteract each other in a saddle what is left
of them. Rows of facets are made as long as the tolerance lets them be, and then all equally good.

Directions of rails are tables of all chords between *candidates*, rings so close that a chord over one step is
``CLOSER`` times flatter than the tolerance.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ..mesh import Bools, Floats, Ints
from .patches import Run
from .shading import across_at

CLOSER = 14.0
"""So many times less than the tolerance is the sagitta between two candidates."""
WINDOW = 48
"""Longest facet in steps of candidates."""
CLEARLY = 0.85
"""More rails are a choice if they bring the section's error below this share of it."""
KINK = 0.2
"""Where rails turn by more than this (radians) from one ring to the next, the ring between is a candidate."""
GIRTHS = 3.0
"""Candidates are no farther apart than so many girths of the section."""
AT_ONCE = 1 << 14
"""Distances worked out together, few enough for the processor's cache."""
BENT = 0.82
"""A chord is at least this share of its arc, so that no facet spans a turn of more than 120 degrees."""

Chains = tuple[Ints, ...]
"""Kept rails of a run, each unbroken row of columns for itself; see :func:`.shading.chains_of`."""


@dataclass(frozen=True, slots=True, eq=False)
class Chords:
    """What facets between candidates of one run would be off.

    Attributes
    ----------
    ring : (m,) int64
        The candidates; a closed run's first again at the end, as ``n``.
    error : (w, m) float64
        Of the facets from a candidate to the one ``w + 1`` further on, mm; infinite where there is none.
    """

    ring: Ints
    error: Floats


def profile(points: Floats) -> Floats:
    """A ring as a flat figure: across to the left and up, from the middle of its underside, (K, 2)."""
    corners = len(points)
    aside = points[1 : corners // 2, :2].mean(0) - points[corners // 2 + 1 :, :2].mean(0)
    aside = aside / max(float(np.linalg.norm(aside)), 1e-12)
    flat = points - points[0]
    return np.column_stack([flat[:, :2] @ aside, flat[:, 2]])


def section_choices(figure: Floats, chain: Ints) -> tuple[tuple[float, Ints], ...]:
    """The best choices of rails for a section from three rails up to all, each clearly closer, with how close, mm.

    The greatest half range of distances from a chord is made as small as it can be for the number of rails, by going
    through all (dynamic programming). Where the section is the same seen in a mirror, so are the choices, since a
    strand may run through another piece the other way.
    """
    corners, last = len(figure), len(chain) - 1
    points = figure[chain % corners]
    error = _chord_table(points, loop=bool(chain[-1] - chain[0] == corners))
    mirrored = points[::-1] - points[[0]] if last else points
    even = np.allclose(
        np.abs(points[:, 0] - points[:, 0].mean()),
        np.abs(mirrored[:, 0] - mirrored[:, 0].mean()),
        atol=1e-6 * (np.ptp(points[:, 0]) + 1e-12),
    ) and np.allclose(points[:, 1], points[::-1, 1], atol=1e-6 * (np.ptp(points[:, 1]) + 1e-12))
    found: list[tuple[float, Ints]] = []
    if even and last >= 4:
        middle = last // 2
        half = error[: middle + 1, : middle + 1]
        spans = np.array([error[at, last - at] if 2 * at < last else 0.0 for at in range(middle + 1)])
        for count in range(1, middle + 2):
            cost, back = _least(half, count)
            for end in (int(np.maximum(cost, spans).argmin()), middle):
                if np.isfinite(cost[end]):
                    left = _walk(back, end)
                    right = last - left[::-1]
                    rails = np.concatenate([left, right[1:] if right[0] == left[-1] else right])
                    found.append((max(float(cost[end]), float(spans[end])), rails))
    else:
        for count in range(2, last + 1):
            cost, back = _least(error, count + 1)
            found.append((float(cost[last]), _walk(back, last)))
    least = 4 if chain[-1] - chain[0] == corners else 3
    found = sorted((one for one in found if len(one[1]) >= min(least, last + 1)), key=lambda one: (len(one[1]), one[0]))
    best, kept = np.inf, list[tuple[float, Ints]]()
    for cost_of, rails in found:
        if cost_of < CLEARLY * best or not kept:
            best = cost_of
            kept.append((cost_of, chain[rails]))
    return tuple(kept)


def _chord_table(points: Floats, loop: bool) -> Floats:
    """Half range of the distances of points from the chord between two of them, (s, s); chords of a loop turn < 180."""
    count = len(points)
    table = np.full((count, count), np.inf)
    for a in range(count):
        for b in range(a + 1, count):
            way = points[b] - points[a]
            length = float(np.hypot(*way))
            if length < 1e-12:
                continue
            off = (points[a : b + 1] - points[a]) @ np.array([-way[1], way[0]]) / length
            along = (points[a : b + 1] - points[a]) @ way / length
            beyond = max(float(-along.min()), float(along.max()) - length, 0.0)
            if loop and b - a > count // 2:
                continue
            table[a, b] = (off.max() - off.min()) / 2 + beyond
    return table


def _least(error: Floats, count: int) -> tuple[Floats, Ints]:
    """For chains of ``count`` points from the first: the least greatest error to each end, and where each came from."""
    total = len(error)
    cost = np.full(total, np.inf)
    cost[0] = 0.0
    back = np.full((count, total), -1)
    for step in range(1, count):
        through = np.maximum(cost[:, None], error)
        back[step] = through.argmin(0)
        cost = through.min(0)
    return cost, back


def _walk(back: Ints, end: int) -> Ints:
    chain = [end]
    for row in back[:0:-1]:
        chain.append(int(row[chain[-1]]))
    return np.array(chain[::-1])


def candidates(run: Run, chain: Ints, tolerance: float) -> Ints:
    """Rings close enough together that chords over one step are ``CLOSER`` times flatter than the tolerance, (m,)."""
    points, along = looped(run)
    count = len(points)
    if count < 4:
        return np.arange(count)
    line = points[:, chain % points.shape[1]]
    step = np.diff(line, axis=0)
    length = np.maximum(np.linalg.norm(step, axis=2), 1e-12)
    way = step / length[..., None]
    turn = np.linalg.norm(np.diff(way, axis=0), axis=2)
    bend = (turn / ((length[:-1] + length[1:]) / 2)).max(1)
    kinks = np.flatnonzero(turn.max(1) > KINK) + 1  # a corner has no length: no density of rings finds it
    bend = np.concatenate([bend[:1], np.maximum(bend[:-1], bend[1:]), bend[-1:]])
    bend = np.maximum(bend, np.maximum(np.r_[bend[1:], 0], np.r_[0, bend[:-1]]))  # so that none is stepped over
    reach = length.max(1)
    wanted = np.maximum(
        reach * np.sqrt(bend[: count - 1] * CLOSER / (8 * tolerance)),
        np.diff(along) / (GIRTHS * float(run.across[-1])),
    )
    sums = np.concatenate([[0.0], np.cumsum(wanted)])
    steps = max(int(np.ceil(sums[-1])), 3)
    near = np.searchsorted(sums, np.linspace(0, sums[-1], steps + 1))
    return np.unique(np.concatenate([[0], np.minimum(near, count - 1), kinks, [count - 1]]))


def looped(run: Run) -> tuple[Floats, Floats]:
    """Rings and their lengths along the strand, a closed run's first again at the end."""
    if not run.closed:
        return run.points, run.along
    step = np.linalg.norm(run.points[0].mean(0) - run.points[-1].mean(0))
    return np.concatenate([run.points, run.points[:1]]), np.append(run.along, run.along[-1] + step)


def measure_chords(run: Run, shown: Chains, kept: Chains, tolerance: float) -> Chords:
    """Candidates of a run for a tolerance, and what facets of the kept rails between them would be off.

    ``shown`` are all rails of each row that is kept, ``kept`` the chosen ones of them. The table is good for
    tolerances from this one to twice as much.
    """
    ring = candidates(run, np.concatenate(shown), tolerance)
    points, along = looped(run)
    points, along = points[ring], along[ring]
    count = len(ring)
    error = np.zeros((WINDOW, count))
    for chain, rails in zip(shown, kept, strict=True):
        across = across_at(run, chain)
        local = points[:, chain % points.shape[1]]
        at = np.searchsorted(chain, rails)
        error = np.maximum(error, _band_errors(local, along, across, at, 2 * tolerance, np.diff(ring) == 1))
    for steps in range(1, WINDOW + 1):
        error[steps - 1, max(count - steps, 0) :] = np.inf
    return Chords(ring, error)


def _band_errors(points: Floats, along: Floats, across: Floats, at: Ints, enough: float, beside: Bools) -> Floats:
    """Half ranges for all facets of one row of columns, the greatest of each band, (w, m).

    ``beside`` (m - 1,) says which candidates have no ring between. Lengths beyond one at which no facet is better than
    ``enough`` are not looked at.
    """
    count = len(points)
    error = np.full((WINDOW, count), np.inf)
    # every rail once for each facet beside it: the facet's column, and how far across it the rail lies
    size = np.diff(at) + 1
    begin = np.concatenate([[0], np.cumsum(size)[:-1]])
    column = np.repeat(np.arange(len(size)), size)
    rail = at[column] + np.arange(len(column)) - begin[column]
    v = (across[rail] - across[at[column]]) / np.maximum(across[at[column + 1]] - across[at[column]], 1e-12)
    grids = [np.ascontiguousarray(points[:, rail, axis]) for axis in range(3)]
    middle, kept = points.mean(1), points[:, at]
    for steps in range(1, min(WINDOW, count - 1) + 1):
        here = count - steps
        first, last = kept[:here], kept[steps:]
        span = along[steps:] - along[:here]
        window = np.arange(here)[:, None] + np.arange(steps + 1)
        u = (along[window] - along[:here, None]) / np.maximum(span, 1e-12)[:, None]
        chord = middle[steps:] - middle[:here]
        straight = np.sqrt(np.einsum("ix,ix->i", chord, chord))
        worst = np.where(straight < BENT * span, np.inf, 0.0)
        aside = first[:, 1:] - first[:, :-1] + last[:, 1:] - last[:, :-1]
        ahead = last[:, :-1] - first[:, :-1] + last[:, 1:] - first[:, 1:]
        normal = _unit_cross(aside, ahead)
        # heights along the facet's normal: of its other corners over the first, of every rail between first and last
        corners = [
            np.einsum("icx,icx->ic", corner - first[:, :-1], normal)
            for corner in (first[:, 1:], last[:, :-1], last[:, 1:])
        ]
        start = corners[0][:, column] * v
        rise = corners[1][:, column] * (1 - v) + corners[2][:, column] * v - start
        start += np.einsum("icx,icx->ic", first[:, :-1], normal)[:, column]
        high, low = np.empty(start.shape), np.empty(start.shape)
        ways = normal[:, column]
        for part in _parts(here, max(1, AT_ONCE // ((steps + 1) * len(rail)))):
            off = u[part, :, None] * -rise[part, None]
            for axis, grid in enumerate(grids):
                height = grid[window[part]]
                height *= ways[part, None, :, axis]
                off += height
            off.max(1, out=high[part])
            off.min(1, out=low[part])
        high, low = high - start, low - start
        spread = np.maximum.reduceat(high, begin, axis=1) - np.minimum.reduceat(low, begin, axis=1)
        # either diagonal leaves the twisted facet by a quarter of its twist in the middle
        half_twist = np.abs(corners[2] - corners[1] - corners[0]) / 8
        facet = spread / 2 + half_twist
        if steps == 1:
            facet[beside] = _between(first[beside], last[beside], size)
        worst = np.maximum(worst, facet.max(1))
        for edge, other in ((0, 1), (-1, -2)):
            # the rim of what is left out must not wander within the surface either
            out = _unit(first[:, edge] - first[:, other] + last[:, edge] - last[:, other])
            way = np.einsum("ix,ix->i", last[:, edge] - first[:, edge], out)
            bow = -u * way[:, None]
            for axis in range(3):
                line = points[:, at[edge], axis]
                bow += (line[window] - first[:, edge, axis][:, None]) * out[:, axis][:, None]
            worst = np.maximum(worst, np.ptp(bow, axis=1) / 2)
        error[steps - 1, :here] = worst
        if steps > 4 and worst.min() > enough:
            break
    return error


def _between(first: Floats, last: Floats, size: Ints) -> Floats:
    """What facets between neighbouring rings are off, (m, c): nothing where they are the surface's own.

    Where there are rails between, all of these lie on the facet's edges, so that no fit brings it nearer; its diagonal
    is off by a quarter of its twist, measured along whichever of its corners' normals it shows most.
    """
    a, b, c, d = first[:, :-1], first[:, 1:], last[:, 1:], last[:, :-1]
    twist = a - b + c - d
    most = np.zeros(twist.shape[:2])
    for before, corner, after in ((d, a, b), (a, b, c), (b, c, d), (c, d, a)):
        normal = _unit_cross(after - corner, before - corner)
        most = np.maximum(most, np.abs(np.einsum("mcx,mcx->mc", twist, normal)))
    return np.asarray(np.where(size > 2, most / 4, 0.0))


def _unit_cross(one: Floats, other: Floats) -> Floats:
    a, b, c = (one[..., axis] for axis in range(3))
    d, e, f = (other[..., axis] for axis in range(3))
    return _unit(np.stack([b * f - c * e, c * d - a * f, a * e - b * d], -1))


def _unit(vectors: Floats) -> Floats:
    length = np.sqrt(np.einsum("...x,...x->...", vectors, vectors))[..., None]
    short: Floats = vectors / np.where(length > 0, length, 1.0)
    return short


def _parts(count: int, size: int) -> Iterator[slice]:
    """So many rows a few at a time."""
    return (slice(first, min(first + size, count)) for first in range(0, count, size))


def choose_rings(chords: Chords, tolerance: float, even_out: bool = False) -> tuple[Ints, frozenset[int]]:
    """As few rings as keep every facet within the tolerance, (r,): indices of rings, first and last among them.

    Where neighbouring candidates do not keep it, all rings from one to the other are taken; the places of these in the
    choice are told too, since all rails must be kept there. ``even_out`` moves rings so that their worst facet is as
    good as it can be with their number.
    """
    rows = _pick(chords.error, tolerance)
    if even_out:
        low, high = 0.0, tolerance
        for _ in range(14):
            middle = (low + high) / 2
            tried = _pick(chords.error, middle)
            if len(tried) <= len(rows):
                rows, high = tried, middle
            else:
                low = middle
    rings = chords.ring[rows]
    sharp = np.flatnonzero(chords.error[np.diff(rows) - 1, rows[:-1]] > tolerance)
    if not len(sharp):
        return rings, frozenset()
    spans = [np.arange(rings[place], rings[place + 1] + 1) for place in sharp.tolist()]
    every = np.unique(np.concatenate([rings, *spans]))
    return every, frozenset(np.searchsorted(every, np.concatenate(spans)).tolist())


def _pick(error: Floats, tolerance: float) -> Ints:
    count = error.shape[1]
    fits = error <= tolerance
    reach = WINDOW - fits[::-1].argmax(0)
    reach = np.where(fits.any(0), reach, 1)
    rows, at = [0], 0
    ahead = reach.tolist()
    while at < count - 1:
        at = min(at + ahead[at], count - 1)
        rows.append(at)
    return np.array(rows)
