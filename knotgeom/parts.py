"""Strands that are woven with none of each other, and yet come too near or lie upon each other.

Openings are faces of the map of crossings, and each connected part of a weave has a map of its own. What lies between
two parts, or beside a loop without a crossing, is a face of neither; so it is looked for in plan: samples of one part
near samples of another, found by sorting them into square bins as wide as they may be near.

Where strands cross at a shallow angle, as they may on a free mesh, and are led on to a wall close by, they may cross
once more where the map has no crossing. That is looked for in the same way.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import numpy as np

from .course import Courses
from .cycles import connected_labels
from .divide import StrandMap, circuit_of_visit
from .findings import EVEN, Change, Finding, down, place_in_mm, run_name
from .layout import Layout
from .mesh import Bools, Floats, Ints
from .trace import Circuits

_STEP = 0.2
"""Distance between the samples that are compared, in widths of the narrowest strand."""
_CHUNK = 1 << 20  # pairs at a time
SHALLOW = 0.75
"""Sine of the angle of crossing below which strands are looked at for meeting beside it; some 49 degrees."""


def parts_of(circuits: Circuits) -> Ints:
    """The connected part that each circuit belongs to, (C,): circuits that cross are of one part."""
    owner = circuit_of_visit(circuits)
    order = np.argsort(circuits.visit_edge, kind="stable")  # the two visits of a crossing side by side
    return connected_labels(circuits.count, owner[order[0::2]], owner[order[1::2]])


def near_pairs(points: Floats, reach: float, asked: Bools | None = None) -> Iterator[tuple[Ints, Ints]]:
    """Pairs of points in the same or in neighbouring bins of a grid with cells ``reach`` wide.

    Each pair comes both ways round, or, where some are ``asked`` for, with one of those first.
    """
    bins = np.floor((points - points.min(0)) / reach).astype(np.int64) + 1
    stride = np.append(1, np.cumprod(bins.max(0)[:-1] + 2))
    key = bins @ stride
    order = np.argsort(key, kind="stable")
    keys = key[order]
    rows = np.arange(len(keys)) if asked is None else np.flatnonzero(asked[order])
    wanted = (keys[rows] + (np.array(list(product((-1, 0, 1), repeat=points.shape[1]))) @ stride)[:, None]).ravel()
    rows = np.tile(rows, 3 ** points.shape[1])
    first = np.searchsorted(keys, wanted, "left")
    count = np.searchsorted(keys, wanted, "right") - first
    full = count > 0
    rows, first, count = rows[full], first[full], count[full]
    ends = np.cumsum(count)
    begin = 0
    while begin < len(rows):
        base = int(ends[begin - 1]) if begin else 0
        stop = max(begin + 1, int(np.searchsorted(ends, base + _CHUNK, "right")))
        number = count[begin:stop]
        one = np.repeat(rows[begin:stop], number)
        other = np.arange(len(one)) - np.repeat(np.cumsum(number) - number - first[begin:stop], number)
        yield order[one], order[other]
        begin = stop


def crowded_parts(
    layout: Layout, circuits: Circuits, courses: Courses, widths: Floats, before: Ints
) -> tuple[list[Finding], float]:
    """Where two parts of a weave come nearer than even ground allows, and the least background between any two, mm.

    Parameters
    ----------
    widths : (C,) float64
        Width of each circuit, mm.
    before : (V,) int64
        The visit before each along its circuit.

    Returns
    -------
    findings : list of Finding
        One for each two parts, the nearest place of both.
    least : float
        Infinite where the parts are farther apart than is looked for, or there is one only.
    """
    part = parts_of(circuits)
    if not len(part) or part.max() == 0:
        return [], np.inf
    owner = np.repeat(np.arange(circuits.count), np.diff(courses.start))
    pitch = float(np.median(layout.pitch))
    spacing = courses.length.sum() / len(owner)
    every = max(1, int(_STEP * widths.min() / spacing))
    pick = np.arange(0, len(owner), every)
    half = 0.75 * spacing * every  # to the samples on either side
    point, home = courses.point[pick], owner[pick]
    after = np.arange(1, len(owner) + 1)
    after[courses.start[1:] - 1] = courses.start[:-1]
    ahead = courses.near(courses.point[after] - courses.point)[pick]
    ahead /= np.maximum(np.linalg.norm(ahead, axis=1, keepdims=True), 1e-12)
    reach = float(widths.max()) + (1 - EVEN) * max(pitch - float(widths.min()), 0.0)
    seen, name = seen_twice(courses, point, reach)
    nearest: dict[tuple[int, int], tuple[float, int, int]] = {}
    for one, other in near_pairs(seen, reach):
        i, j = name[one], name[other]
        fit = part[home[i]] < part[home[j]]
        i, j = i[fit], j[fit]
        away = courses.near(point[i] - point[j])
        along = np.einsum("nd,nd->n", away, ahead[j])
        away = away - np.clip(along, -half, half)[:, None] * ahead[j]
        apart = np.linalg.norm(away, axis=1) - (widths[home[i]] + widths[home[j]]) / 2
        pair = part[home[i]] * (part.max() + 1) + part[home[j]]
        order = np.lexsort((apart, pair))
        for k in order[np.unique(pair[order], return_index=True)[1]].tolist():
            both = (int(part[home[i[k]]]), int(part[home[j[k]]]))
            nearest[both] = min(nearest.get(both, (np.inf, 0, 0)), (float(apart[k]), int(i[k]), int(j[k])))
    found = []
    for apart_mm, a, b in sorted(nearest.values()):
        width = float(widths[[home[a], home[b]]].mean())
        background = pitch - width
        if apart_mm >= (1 - EVEN) * background - 1e-9:
            continue
        names = [
            where_on(layout, circuits, courses, int(home[s]), float(courses.along[pick[s]]), before) for s in (a, b)
        ]
        found.append(
            Finding(
                "ground",
                " and ".join(names),
                round(apart_mm, 4),
                f"strands that do not cross are {apart_mm:.2f} mm apart, and {background:.2f} mm in the plain plait"
                if apart_mm > 0
                else f"strands that do not cross lie {-apart_mm:.2f} mm upon one another",
                place_in_mm(point[a]),
                (Change("strand.width", down(0.9 * width)), Change("breaks", None)),
            )
        )
    return found, min((value[0] for value in nearest.values()), default=np.inf)


def seen_twice(courses: Courses, point: Floats, reach: float) -> tuple[Floats, Ints]:
    """Places, those just after a strip's seam once more just beyond its end, and the row of each."""
    seen, name = point.copy(), np.arange(len(point))
    if courses.period:
        seen[:, 0] %= courses.period
        again = np.flatnonzero(seen[:, 0] < 2 * reach)
        seen = np.vstack([seen, seen[again] + [courses.period, 0.0]])
        name = np.append(name, again)
    return seen, name


def cross_shallowly(layout: Layout, strand_map: StrandMap) -> bool:
    """Whether strands cross at a shallow angle anywhere."""
    ways = layout.heading[np.unique(strand_map.crossing_edge)]
    sine = np.linalg.norm(np.cross(ways[:, 0], ways[:, 1]), axis=1)
    return bool(sine.min(initial=1.0) <= SHALLOW)


def on_runs(circuits: Circuits, courses: Courses, wanted: Bools | Ints, *, loops: bool) -> Bools:
    """Whether each sample lies on a run of which the visit that it leads to is ``wanted``, (V,); (n,).

    ``loops`` is what holds for those without a crossing.
    """
    home = np.repeat(np.arange(circuits.count), np.diff(courses.start))
    owner, apart = circuit_of_visit(circuits), courses.length.max(initial=0.0) + 1.0
    order = np.lexsort((courses.visit_along, owner))
    first, last = (np.searchsorted(owner[order], home, side) for side in ("left", "right"))
    key = (courses.visit_along + apart * owner)[order]
    leads = np.searchsorted(key, courses.along + apart * home - 1e-9)
    leads = np.where(leads < last, leads, first)
    found: Bools = np.append(wanted[order], loops).astype(bool)[np.where(first < last, leads, len(order))]
    return found


def crossed_again(
    layout: Layout,
    circuits: Circuits,
    strand_map: StrandMap,
    courses: Courses,
    width: float,
    before: Ints,
    *,
    regular: bool = False,
) -> list[Finding]:
    """Where the strands as drawn cross and the map has no crossing; one finding for each two circuits.

    It is looked for along turned runs and loops without a crossing, and everywhere if strands cross at a shallow angle.
    Steps of the centre lines are held against each other seen flat, on a curved surface in the plane that touches it,
    apart from those that meet at a crossing of the map. On ``regular`` layouts, of cells alike, bends keep to their
    cells, and only shallow angles are looked at.
    """
    shallow = cross_shallowly(layout, strand_map)
    if regular and not shallow:
        return []
    number = np.diff(courses.start)
    home, count = np.repeat(np.arange(circuits.count), number), len(courses.point)
    after = np.arange(1, count + 1)
    after[courses.start[1:] - 1] = courses.start[:-1]
    step = courses.near(courses.point[after] - courses.point)
    site = np.full(count, -1)
    span = np.arange(circuits.count) * (courses.length.max() + 1.0)
    site[np.searchsorted(courses.along + span[home], courses.visit_along + span[circuit_of_visit(circuits)])] = (
        circuits.visit_edge
    )
    asked = np.ones(count, bool)
    if not shallow:
        asked = on_runs(circuits, courses, courses.run_bent, loops=True)
        if not asked.any():
            return []
    middle, reach = courses.point + step / 2, float(np.linalg.norm(step, axis=1).max(initial=0.0))
    seen, name = seen_twice(courses, middle, reach)
    worst: dict[tuple[int, int], tuple[int, Floats]] = {}
    for one, other in near_pairs(seen, reach, asked[name]):
        i, j = name[one], name[other]
        fit = (i != j) & (after[i] != j) & (after[j] != i)
        for a in (site, site[after]):
            for b in (site, site[after]):
                fit &= (a[i] < 0) | (a[i] != b[j])
        i, j = i[fit], j[fit]
        u, v, away = step[i], step[j], courses.near(middle[j] - middle[i])
        up = None if courses.lift is None else courses.lift.up[i]
        turn, there, here = _turn(u, v, up), _turn(away, v, up), _turn(away, u, up)  # met at there / turn along one
        parallel = np.abs(turn) < 1e-9 * np.linalg.norm(u, axis=1) * np.linalg.norm(v, axis=1)
        crossed = np.flatnonzero((2 * np.maximum(np.abs(there), np.abs(here)) < np.abs(turn)) & ~parallel)
        for k, a, b in zip(crossed.tolist(), home[i[crossed]].tolist(), home[j[crossed]].tolist(), strict=True):
            met = middle[i[k]] + there[k] / turn[k] * u[k]
            worst.setdefault((min(a, b), max(a, b)), (int(i[k]), met))
    found = []
    for _, (at, met) in sorted(worst.items(), key=lambda item: item[0]):
        away = np.linalg.norm(courses.near(courses.point[site >= 0] - met), axis=1)
        found.append(
            Finding(
                "ground",
                where_on(layout, circuits, courses, int(home[at]), float(courses.along[at]), before),
                round(float(away.min()), 4) if len(away) else None,
                f"the strands as drawn cross once more, {away.min():.2f} mm from any crossing of the layout"
                if len(away)
                else "the strands as drawn cross, and the layout has no crossing",
                place_in_mm(met),
                (Change("strand.width", down(0.8 * width)),),
            )
        )
    return found


def _turn(a: Floats, b: Floats, up: Floats | None) -> Floats:
    """The cross product of directions, (n,), seen from above."""
    if up is None:
        flat: Floats = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
        return flat
    turned: Floats = np.einsum("nd,nd->n", np.cross(a, b), up)
    return turned


def where_on(layout: Layout, circuits: Circuits, courses: Courses, circuit: int, along: float, before: Ints) -> str:
    """The run of strand at a length along a circuit, in the designer's terms."""
    first, last = int(circuits.visit_start[circuit]), int(circuits.visit_start[circuit + 1])
    if first == last:
        return "a loop without a crossing"
    places = courses.visit_along[first:last]
    later = np.flatnonzero(places >= along - 1e-9)
    visit = first + int(later[places[later].argmin()] if len(later) else places.argmin())
    return run_name(layout, circuits, visit, before)
