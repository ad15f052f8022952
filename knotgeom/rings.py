"""Rings: where the points of a strand's section lie at every lane sample.

Sections stand upright and square to the strand in plan, and their outlines are linear in a few lengths. So a block of
rings is the product of two small tables: factors that differ from ring to ring, and rows that differ from point to
point round the section. Nothing else of that size is made on the way.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from .course import Courses, Lift
from .design import Sizes, Strand
from .lanes import Lanes
from .mesh import Bools, Floats, Ints
from .sections import kinks, outlines, whole_outline

BLOCK = 2048
"""Rings that are placed at once: few enough for a processor's own memory, and for a product that takes one thread."""

STRAIGHT = 1e-14
"""1/mm: a surface that bends less is taken to bend so much, which is far less than a picometre on any strand."""

LEVEL, STEEPEST = 1e-8, 0.5
"""Tilts of a surface ahead whose squares are nothing beside 1, and those that are taken for steeper ones."""

Some = Ints | slice
"""Indices, ascending."""


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """Rings of one kind: across and up of their points are the sums of rows, each times a factor of the ring.

    Attributes
    ----------
    table : (2 + 2 p + q, K, 3) float64
        Rows for x and y of the strand's middle, ``p`` rows across for x and again for y, ``q`` rows up for z.
    rows_across : int
        ``p``.
    factors : callable
        For lane samples (n,), the ``p`` and the ``q`` factors, each (n,) or one number.
    """

    table: Floats
    rows_across: int
    factors: Callable[[Some], tuple[list[Floats | float], list[Floats | float]]]


def _table(across: list[Floats], up: list[Floats]) -> Floats:
    """The table of an outline of these rows, (K,) each."""
    p = len(across)
    table = np.zeros((2 + 2 * p + len(up), len(up[0]), 3))
    table[0, :, 0] = table[1, :, 1] = 1.0
    table[2 : 2 + p, :, 0] = table[2 + p : 2 + 2 * p, :, 1] = across
    table[2 + 2 * p :, :, 2] = up
    return table


def in_a_row(index: Ints) -> Some:
    """Ascending indices, as a slice where they follow one another: that takes no copy."""
    first, last = int(index[0]), int(index[-1])
    return slice(first, last + 1) if last - first == len(index) - 1 else index


def _summed(factors: list[Floats | float], rows: Floats) -> Floats:
    """Sums of rows, (q, K), each times a factor of n rings, (n, K); (1, K) where all factors are numbers."""
    table = np.empty((len(rows), max(np.size(factor) for factor in factors)))
    for row, factor in enumerate(factors):
        table[row] = factor
    total: Floats = table.T @ rows
    return total


def place_rings(out: Floats, rows: Ints, courses: Courses, lanes: Lanes, at: Ints, outline: Outline) -> None:
    """Write the rings at lane samples ``at`` into ``rows`` of ``out``, (rings, K, 3); both ascend."""
    p, table = outline.rows_across, outline.table.reshape(len(outline.table), -1)
    for some in range(0, len(at), BLOCK):
        count = min(BLOCK, len(at) - some)
        here, to = in_a_row(at[some : some + count]), in_a_row(rows[some : some + count])
        samples = lanes.sample[here]
        # along a lane samples follow one another, and from lane to lane no step leads further ahead
        sample = in_a_row(samples) if isinstance(here, slice) else samples
        across, up = outline.factors(here)
        if courses.lift is not None:
            aside = _summed(across, outline.table[2 : 2 + p, :, 0])
            height = _summed(up, outline.table[2 + 2 * p :, :, 2])
            if isinstance(to, slice):
                on_surface(courses, courses.lift, sample, aside, height, out[to])
            else:
                out[to] = on_surface(courses, courses.lift, sample, aside, height)
            continue
        factors = np.empty((len(table), count))
        factors[:2] = courses.point[sample].T
        left = courses.lateral[sample].T
        for row, factor in enumerate(across, 2):
            np.multiply(left[0], factor, out=factors[row])
            np.multiply(left[1], factor, out=factors[row + p])
        for row, factor in enumerate(up, 2 + 2 * p):
            factors[row] = factor
        if isinstance(to, slice):
            np.matmul(factors.T, table, out=out[to].reshape(count, -1))
        else:
            out[to] = (factors.T @ table).reshape(count, -1, 3)


@lru_cache(maxsize=64)
def _whole_table(strand: Strand, size: Sizes, standing: bool) -> Floats:
    """The rows of whole strand's rings; kept."""
    across, up = whole_outline(strand, size)
    ones = np.ones_like(up)
    if not standing:
        return _table([across], [ones, up])
    free = 1.0 - _lower(across)
    return _table([across], [ones, free * up, free])


def whole_rings(strand: Strand, size: Sizes, z: Floats, floor: Floats | None) -> Outline:
    """Rings of whole strand as wide as ``size`` says; those that are ``carved`` stand on the floor, (m,)."""

    def factors(at: Some) -> tuple[list[Floats | float], list[Floats | float]]:
        return [1.0], [z[at], 1.0] if floor is None else [floor[at], 1.0, z[at] - floor[at]]

    return Outline(_whole_table(strand, size, floor is not None), 1, factors)


def half_rings(
    strand: Strand, size: Sizes, lanes: Lanes, at: Ints, z: Floats, floor: Floats | None, *, right: bool
) -> Outline:
    """Rings of the left or the right halves at lane samples ``at`` of strands as wide as ``size`` says.

    They are half of the whole strand's outline where they begin and pass over into a section of their own.
    """
    width = lanes.width[at]
    widths = float(width.min(initial=np.inf)), float(width.max(initial=-np.inf))
    table, rows_across, knots = _half_table(strand, size, widths, floor is not None, right)

    def factors(at: Some) -> tuple[list[Floats | float], list[Floats | float]]:
        own = lanes.opened[at]
        begun = 1.0 - own
        wider = [own * np.maximum(lanes.width[at] - knot, 0.0) for knot in knots]
        across, up = [begun, own * lanes.offset[at], own, *wider], [begun, own, *wider]
        if floor is None:
            return across, [z[at], *up]
        low = floor[at]
        rise = z[at] - low
        return across, [low, *up, rise * begun, rise * own]

    return Outline(table, rows_across, factors)


@lru_cache(maxsize=64)
def _half_table(
    strand: Strand, size: Sizes, widths: tuple[float, float], standing: bool, right: bool
) -> tuple[Floats, int, tuple[float, ...]]:
    """The rows of halves' rings between two widths, how many are across, and where widths go on otherwise; kept."""
    whole_x, whole_z = whole_outline(strand, size)
    corners = len(whole_x)
    mirror = (corners - np.arange(corners)) % corners
    if right:  # half of the whole outline, seen as a left half: its mirror image by index
        cut_x, cut_z = _cut(-whole_x[mirror], whole_z[mirror], size.width / 4)
        cut_x, cut_z = -cut_x[mirror], cut_z[mirror]
    else:
        cut_x, cut_z = _cut(whole_x, whole_z, size.width / 4)

    # a half's own outline is linear in its width between these
    least, most = widths
    bends = kinks(strand, size)
    knots = np.array([least, *bends[(bends > least) & (bends < most)], *([most] if most > least else [])])
    own_x, own_z = outlines(strand, size, knots)
    ones = np.ones(corners)
    if standing:
        under = _lower(whole_x)
        cut_z, cut_free = _cut_standing(cut_z, under, whole_z[corners // 2], mirror if right else np.arange(corners))
        own_x, own_z, own_free = _standing(own_x, own_z, under, right=right)

    rows = [ones, cut_z, *_hinged(knots, own_z)]
    if standing:
        rows += [cut_free, own_free]
    across = [cut_x, ones, *_hinged(knots, own_x)]
    return _table(across, rows), len(across), tuple(knots[:-1].tolist())


def _hinged(knots: Floats, value: Floats) -> list[Floats]:
    """Values at knots, (k, K), as the first one and how much steeper it goes on from each knot but the last."""
    slope = np.diff(value, axis=0) / np.diff(knots)[:, None]
    return [value[0], *np.diff(slope, axis=0, prepend=0.0)]


def _lower(across: Floats) -> Bools:
    """Which points of an outline lie below its broadest place, that place included: what ``carved`` strands stand on.

    What stands on the ground must be nowhere narrower than above it, or the relief would be undercut.
    """
    corners = len(across)
    half = corners // 2
    lower = np.zeros(corners, bool)
    left, right = across[:half], -across[:half:-1]
    lower[: 1 + int((left >= left.max() - 1e-9).argmax())] = True
    lower[corners - 1 - int((right >= right.max() - 1e-9).argmax()) :] = True
    return lower


def _cut(x: Floats, height: Floats, middle: float) -> tuple[Floats, Floats]:
    """The left half of a whole outline, cut plumb down its middle, with as many points, (K,) each.

    ``middle`` is where the half's own middles lie across, unless the side itself comes so near.
    """
    half = len(x) // 2
    left_x, left_z = x[1:half], height[1:half]
    outermost = int(half - 2 - left_x[::-1].argmax())  # below it the underside, above it the top
    upper, lower = slice(outermost, None), slice(None, outermost + 1)
    # the half's own middles, inside of all other points of its side
    over, under = (_inside(left_x[part], middle) for part in (upper, lower))
    top = np.interp(over, *_rising(np.append(left_x[upper], 0.0), np.append(left_z[upper], height[half])))
    bottom = np.interp(under, *_rising(np.append(0.0, left_x[lower]), np.append(height[0], left_z[lower])))
    wall = height[0] + np.linspace(1.0, 0.0, half - 1) * (height[half] - height[0])
    return (
        np.concatenate([[under], left_x, [over], np.zeros(half - 1)]),
        np.concatenate([[bottom], left_z, [top], wall]),
    )


def _cut_standing(up: Floats, lower: Bools, top: float, mirror: Ints) -> tuple[Floats, Floats]:
    """A half of the whole outline that stands on the floor: its heights, and by how much they follow the strand's."""
    corners = len(up)
    half = corners // 2
    share = np.zeros(corners)
    share[half + 1 :] = np.linspace(1.0, 0.0, half - 1)
    inner = np.arange(corners) > half
    share, inner = share[mirror], inner[mirror]
    free = np.where(inner, share, 1.0 - (lower & ~inner))
    return np.where(inner, share * top, free * up), free


def _standing(x: Floats, up: Floats, lower: Bools, *, right: bool) -> tuple[Floats, Floats, Floats]:
    """Halves' own outlines, (k, K), standing on the floor: across, up, and by how much they follow the strand's height.

    They stand by all that is below their broadest place, on the inner side plumb. Where halves part, the points of
    both inner sides come from one plumb line. If the lower ones were led away under the half, they would pass under
    those above them on the way.
    """
    half = len(lower) // 2
    index = np.flatnonzero(lower)
    # the inner side's points from the ground up to its broadest place: the left side of right halves, and the other way
    under = index[(index > 0) & (index < half)] if right else index[index > half][::-1]
    free = 1.0 - lower
    share = np.linspace(0.0, 1.0, len(under)) if len(under) > 1 else np.zeros(1)
    x, standing = x.copy(), free * up
    x[:, under] = x[:, under[-1:]]
    standing[:, under], free[under] = share * up[:, under[-1:]], share
    return x, standing, free


def _inside(side: Floats, wanted: float) -> float:
    """``wanted``, or nearer the middle where the outline's side itself comes so near."""
    nearest = float(side.min())
    return wanted if nearest > 1.05 * wanted else nearest / 2


def _rising(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    order = np.argsort(x, kind="stable")
    return x[order], y[order]


def on_surface(
    courses: Courses, lift: Lift, sample: Some, across: Floats, height: Floats, out: Floats | None = None
) -> Floats:
    """Places on a curved surface, (n, K, 3), by how far across the strand and how high they lie, (n, K) each.

    ``across`` may be (1, K), the same for all. What is as large as that is worked on in place.

    The surface falls away to both sides of the strand as an arc of its own bend. So a place is the same whether it is
    reached along one strand or along the one that crosses it, and what lies apart in height lies apart on the surface.
    Exact on spheres, and elsewhere to the third power of the width.
    """
    lateral, up = courses.lateral[sample], lift.up[sample]
    stretch = np.sqrt(np.einsum("nd,nd->n", lateral, lateral))  # above 1 at a mitre
    frame = np.empty((len(up), 4, 3))
    frame[:, 1], frame[:, 3] = up, courses.point[sample]
    for axis in range(3):  # column by column: rows of three numbers take NumPy long
        np.divide(lateral[:, axis], stretch, out=frame[:, 0, axis])
    for axis in range(3):  # ahead, square to both
        one, other = axis - 2, axis - 1
        frame[:, 2, axis] = frame[:, 0, one] * up[:, other] - frame[:, 0, other] * up[:, one]
    stretch = stretch[:, None]
    bow, twist = lift.bow[sample][:, None], lift.twist[sample][:, None]
    bow = np.where(np.abs(bow) < STRAIGHT, STRAIGHT, bow)
    # half of the angle by which the surface turns up to there, of whose functions the tangent of a half is the cheapest
    quarter = across * (bow * stretch / 4)
    np.tan(quarter, out=quarter)
    share = quarter * quarter
    share += 1.0
    np.divide(2.0, share, out=share)
    sine = np.multiply(quarter, share, out=quarter)
    cosine = np.subtract(share, 1.0, out=share)
    # the normal is up turned by the whole angle, and ahead by the tilt
    twist = twist * stretch
    tilt = across * twist
    most = np.abs(across).max(initial=0.0) * np.abs(twist).max(initial=0.0)
    if most > STEEPEST:
        np.clip(tilt, -STEEPEST, STEEPEST, out=tilt)
    rise = height
    if most > LEVEL:
        rise = tilt * tilt
        rise += 1.0
        np.sqrt(rise, out=rise)
        np.divide(height, rise, out=rise)
    reach = rise + 1 / bow
    reach *= sine
    reach *= 2.0
    parts = np.empty((*reach.shape, 4))
    np.multiply(reach, cosine, out=parts[..., 0])
    reach *= sine
    np.subtract(rise, reach, out=parts[..., 1])
    np.multiply(tilt, rise, out=parts[..., 2])
    parts[..., 3] = 1.0
    return np.matmul(parts, frame, out=out)
