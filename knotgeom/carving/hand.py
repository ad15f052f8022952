"""Hand tools on a relief: which chisel or gouge enters which ground, which gouge fits which bend, and the grain.

A gouge is an arc: the width across its edge and the radius that its sweep gives it. All that is compared here is that
arc with the strands' edges in plan and with the ground in section. How a cut is taken is the carver's own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..design import Section
from ..errors import DesignError
from ..made import Made, no_mesh
from ..mesh import Bools, Floats
from .field import HeightField
from .gouges import OWNED, Gouge, check_gouges, fit_bend, gouge_radius, hollow_depth
from .options import Ground
from .panel import Panel
from .regions import distance, greatest, regions, totals

Progress = Callable[[float, str], None]

COVER = 0.9
"""Share of a pocket's ground that a tool must reach to be offered for it first; common practice, no source."""
STEEP_DEG = 70.0
"""Walls steeper than this are looked at for the grain; common practice, no source."""
ACROSS_DEG = 30.0
"""A wall runs across the grain if it faces along it within this angle; common practice, no source."""
LEAST_WALL = 0.4
"""mm; lower walls do not count."""
PLACES = 12
MIDDLE = 2
"""Cells by which the middle of the floor may lie off that of the strands' edges, whose walls are not equally high."""
LEAST_TURN = math.radians(20)
FLATTEST = 100.0
"""mm; edges of greater radius are cut with a flat chisel; common practice, no source."""
WIDEST = 20.0
"""mm; ground wider than this is wide enough for anything on the list."""
HAND_PITCH = 0.2
"""mm; ground is measured no finer than this."""


@dataclass(frozen=True, slots=True)
class StartingValue:
    """A measure to start hand work from; ``low`` to ``high`` in ``unit``. Common practice, no source."""

    what: str
    low: float
    high: float
    unit: str


# All of these: common practice, no source.
STARTING_VALUES = (
    StartingValue("width of a strand", 10.0, 14.0, "mm"),  # common practice, no source
    StartingValue("ground between strands", 4.0, math.inf, "mm"),  # common practice, no source
    StartingValue("depth of the relief", 0.4, 0.6, "of the strand's width"),  # common practice, no source
    StartingValue("step of an over-strand", 0.35, 0.5, "of the depth"),  # common practice, no source
    StartingValue("draft of the walls", 5.0, 10.0, "degrees"),  # common practice, no source
    StartingValue("depth of a dividing line, cut as a V", 1.0, 1.5, "mm"),  # common practice, no source
)


@dataclass(frozen=True, slots=True)
class NarrowPlace:
    """Ground between two strands where they come nearest.

    ``width`` is what the design leaves between the strands' edges in plan, ``floor`` how wide the lowered ground is
    there, walls taken off; mm. ``gouge`` is the widest of the list that enters at the floor.
    """

    x: float
    y: float
    width: float
    floor: float
    gouge: Gouge | None


@dataclass(frozen=True, slots=True)
class Pocket:
    """A connected piece of lowered ground.

    Attributes
    ----------
    x, y : float
        Where it is widest, mm.
    area : float
        mm2 of floor.
    depth : float
        Of the floor there below the board's face, mm.
    widest : float
        Width of the widest tool that stands on the floor anywhere, mm: diameter of the largest circle within, never
        too much, and less than a pixel too little.
    enters : Gouge or None
        The widest tool of the list that enters.
    gouge : Gouge or None
        The one that suits best: that covers most of the floor, then leaves the least ridge, then is widest.
    covered : float
        Share of the floor that it reaches; corners are left for a narrower tool.
    misfit : float
        Depth of the hollow that its edge leaves in flat ground, mm; 0 where nothing enters.
    """

    x: float
    y: float
    area: float
    depth: float
    widest: float
    enters: Gouge | None
    gouge: Gouge | None
    covered: float
    misfit: float


@dataclass(frozen=True, slots=True)
class Bend:
    """Bends of strand edges that are alike, in plan.

    Attributes
    ----------
    radius : float
        Of the edge, mm.
    chord : float
        From end to end, mm, at most the diameter.
    hollow : bool
        Whether the edge is hollow seen from the strand, that is the inside of the bend.
    count : int
        How many there are.
    x, y : float
        Where the first is, mm.
    gouge : Gouge or None
        The widest that fits within :data:`.gouges.FIT`; if none does, the one that strays least.
    misfit : float
        Greatest distance between its edge, laid end to end, and the bend, mm.
    cuts : int
        How often it is set side by side along one bend.
    """

    radius: float
    chord: float
    hollow: bool
    count: int
    x: float
    y: float
    gouge: Gouge | None
    misfit: float
    cuts: int


@dataclass(frozen=True, slots=True)
class GrainWall:
    """A steep wall that runs across the grain: its deepest point, extent across the grain, height; mm and degrees."""

    x: float
    y: float
    length: float
    height: float
    steepest_deg: float


@dataclass(frozen=True, slots=True)
class GrainWalls:
    """All steep walls across the grain: how many, their length together in mm, the longest ones."""

    count: int
    length: float
    worst: tuple[GrainWall, ...]


def bends(made: Made, gouges: Sequence[Gouge] = OWNED) -> tuple[Bend, ...]:
    """Every kind of bend of the strands' edges, tightest first, each with the gouge that fits it best.

    An edge runs half a width beside its centre line, so where that has curvature k the edge at s to the left has
    k / (1 - s k). A bend is a stretch that turns one way by 20 degrees or more; its radius is that of the part
    with at least half its greatest curvature, length over angle. Bends alike within 0.1 mm of radius and 0.5 mm of
    chord are one kind. Sharp corners of pointed turns are cut with a chisel and are not listed; edges that lie under
    another strand are.
    """
    check_gouges(gouges)
    if made.drawn is None:
        raise no_mesh(made)
    courses, lanes = made.drawn.courses, made.drawn.lanes
    rows: dict[tuple[float, float, bool], list[tuple[float, float, float, float]]] = {}
    for lane in range(len(lanes.circuit)):
        own = slice(int(lanes.start[lane]), int(lanes.start[lane + 1]))
        sample = lanes.sample[own]
        curve = courses.curvature[sample]
        point = courses.point[sample]
        step = np.linalg.norm(np.roll(point, -1, 0) - point, axis=1)
        step = (step + np.roll(step, 1)) / 2
        for edge in (-1.0, 1.0):
            beside = lanes.offset[own] + edge * lanes.width[own] / 2
            stretch = 1 - beside * curve
            bent = np.where(stretch > 1e-3, curve / np.maximum(stretch, 1e-3), 0.0)
            if lanes.paired[lane] and (lanes.side[lane] == 0) == (edge < 0):
                bent = np.where(lanes.whole[own], 0.0, bent)  # no edge between halves that have not parted
            along = step * np.maximum(stretch, 0.0)
            for run in _runs(np.where(np.abs(bent) > 1 / FLATTEST, np.sign(bent), 0.0)):
                turn = float(np.abs(bent[run] * along[run]).sum())
                if turn < LEAST_TURN:
                    continue
                tight = run[np.abs(bent[run]) >= np.abs(bent[run]).max() / 2]
                radius = float(along[tight].sum() / np.abs(bent[tight] * along[tight]).sum())
                chord = 2 * radius * math.sin(min(turn, math.pi) / 2)
                middle = run[len(run) // 2]
                x, y = point[middle] + beside[middle] * courses.lateral[sample[middle]]
                hollow = bool(bent[middle] * edge > 0)
                key = (round(radius, 1), round(2 * chord) / 2, hollow)
                rows.setdefault(key, []).append((radius, chord, float(x), float(y)))
    found = []
    for (_, _, hollow), alike in rows.items():
        radius, chord = (float(np.mean([row[k] for row in alike])) for k in (0, 1))
        gouge, misfit = fit_bend(radius, chord, gouges)
        arc = 2 * radius * math.asin(min(chord / 2 / radius, 1.0))
        cuts = 0
        if gouge is not None:
            cuts = max(1, math.ceil(arc / (2 * radius * math.asin(min(gouge.width / 2 / radius, 1.0))) - 0.05))
        found.append(Bend(radius, chord, hollow, len(alike), alike[0][2], alike[0][3], gouge, misfit, cuts))
    return tuple(sorted(found, key=lambda bend: (bend.radius, bend.chord)))


def _runs(sign: Floats) -> list[NDArray[np.int64]]:
    """Stretches of one sign other than 0 round a closed lane, as indices in order."""
    count = len(sign)
    change = np.flatnonzero(sign != np.roll(sign, 1))
    if not len(change):
        return [np.arange(count)] if count and sign[0] else []
    ends = np.append(change[1:], change[0] + count)
    pairs = zip(change.tolist(), ends.tolist(), strict=True)
    return [np.arange(begin, end) % count for begin, end in pairs if sign[begin]]


def ground_level(field: HeightField) -> float:
    """Height up to which a place counts as lowered ground where nothing else is known: a twelfth of the depth, mm.

    That is less than strands that dip stand over their ground.
    """
    low, high = float(field.z.min()), float(field.z.max())
    return low + (high - low) / 12


def panel_ground_level(panel: Panel) -> float:
    """The same for a panel: marks of texture belong to the ground; where it is left standing, nothing is lowered."""
    if panel.carving.ground is Ground.LEFT:
        return -math.inf
    return -panel.depth + panel.texture_depth + panel.depth / 20


def _floor(field: HeightField, level: float | None) -> tuple[HeightField, Bools]:
    """The map thinned for measuring ground, and where it is ground; the level is taken on the whole map."""
    stride = max(1, math.floor(HAND_PITCH / field.pitch + 1e-9))
    half = stride // 2
    thin = HeightField(
        np.ascontiguousarray(field.z[half::stride, half::stride]), field.pitch * stride, field.left, field.top
    )
    if not float(field.z.max()) - float(field.z.min()) > 1e-6:
        return thin, np.zeros(thin.z.shape, bool)
    return thin, thin.z <= (ground_level(field) if level is None else level)


def pockets(
    field: HeightField,
    gouges: Sequence[Gouge] = OWNED,
    progress: Progress | None = None,
    level: float | None = None,
) -> tuple[Pocket, ...]:
    """Every pocket of lowered ground, narrowest first, with the tools of a list that enter it.

    A tool enters where a circle of its width has room; what it covers is what such circles cover. Pockets smaller
    than 1 mm2 are left out. Places are true to :data:`HAND_PITCH`, or the map's pitch where that is coarser. Ground
    is what lies no higher than ``level``, :func:`ground_level` where left out.
    """
    check_gouges(gouges)
    thin, ground = _floor(field, level)
    cell = thin.pitch**2
    labels, count = regions(ground)
    if not count:
        return ()
    most = math.ceil(WIDEST / 2 / thin.pitch)
    room = distance(ground, most)
    far, at = greatest(labels, count, room)
    area = totals(labels, count) * cell
    widest = (2 * far - 1) * thin.pitch
    covers: dict[float, Floats] = {}
    widths = sorted({gouge.width for gouge in gouges})
    for k, width in enumerate(widths):
        if progress:
            progress(k / len(widths), "trying gouges in the ground")
        radius = (width / thin.pitch + 1) / 2
        if radius > far.max():
            covers[width] = np.zeros(count)
            continue
        core = room >= min(radius, most) - 1e-6
        near = distance(~core, math.ceil(radius) + 1) < radius  # cells that a circle round the core covers
        covers[width] = totals(labels, count, near & ground) * cell / area
    found = []
    for k in np.flatnonzero(area >= 1.0).tolist():
        row, column = divmod(int(at[k]), thin.z.shape[1])
        x, y = _place(thin, row, column)
        inside = [gouge for gouge in gouges if covers[gouge.width][k] > 0]
        enters = max(inside, key=lambda gouge: (gouge.width, -gouge.sweep), default=None)
        best = min(inside, key=lambda gouge: _suits(gouge, float(covers[gouge.width][k])), default=None)
        found.append(
            Pocket(
                x,
                y,
                float(area[k]),
                -float(thin.z[row, column]),
                float(widest[k]),
                enters,
                best,
                float(covers[best.width][k]) if best else 0.0,
                hollow_depth(gouge_radius(best), best.width) if best else 0.0,
            )
        )
    return tuple(sorted(found, key=lambda pocket: pocket.widest))


def _suits(gouge: Gouge, covered: float) -> tuple[float, float, float]:
    """Least for the tool that suits a pocket best."""
    ridge = hollow_depth(gouge_radius(gouge), gouge.width)
    return (-min(round(covered, 1), COVER), round(ridge, 1), -gouge.width)


def narrow_places(
    made: Made,
    field: HeightField,
    gouges: Sequence[Gouge] = OWNED,
    most: int = PLACES,
    level: float | None = None,
) -> tuple[NarrowPlace, ...]:
    """The narrowest ground between strands, narrowest first, at most ``most`` places.

    The width in plan comes from the design's own approaches of strands, the floor from the map: twice how far ground
    in the middle between them lies from its walls.
    """
    check_gouges(gouges)
    if made.drawn is None:
        raise no_mesh(made)
    gaps = made.drawn.gaps
    thin, ground = _floor(field, level)
    room = distance(ground, math.ceil(WIDEST / 2 / thin.pitch))
    found = []
    for k in np.argsort(gaps.apart, kind="stable").tolist():
        x, y = gaps.point[k].tolist()
        column, row = (x - thin.left) / thin.pitch - 0.5, (thin.top - y) / thin.pitch - 0.5
        rows = slice(max(0, round(row) - MIDDLE), max(0, round(row) + MIDDLE + 1))
        columns = slice(max(0, round(column) - MIDDLE), max(0, round(column) + MIDDLE + 1))
        near = room[rows, columns]
        floor = min(max(0.0, (2 * float(near.max()) - 1) * thin.pitch), max(float(gaps.apart[k]), 0.0))
        enters = max((g for g in gouges if g.width <= floor), key=lambda g: (g.width, -g.sweep), default=None)
        found.append(NarrowPlace(x, y, float(gaps.apart[k]), floor, enters))
        if len(found) == most:
            break
    return tuple(found)


def walls_across_grain(
    field: HeightField, grain_deg: float = 0.0, steep_deg: float = STEEP_DEG, within_deg: float = ACROSS_DEG
) -> GrainWalls:
    """Steep walls that run across the grain, where fibres are cut through and short pieces break out.

    Parameters
    ----------
    grain_deg : float
        Direction of the grain, degrees anticlockwise from x.
    steep_deg : float
        Least steepness, degrees from level.
    within_deg : float
        How far from the grain's direction a wall may face.
    """
    if not math.isfinite(grain_deg):
        raise DesignError(f"a grain of {grain_deg} degrees", "give a finite angle", "grain_deg")
    if not 0 < steep_deg < 90:
        raise DesignError(f"walls steeper than {steep_deg:.4g} degrees", "give above 0 and below 90", "steep_deg")
    z = field.z
    steepest = np.zeros(z.shape, np.float32)
    flagged = np.zeros(z.shape, bool)
    grain = (math.cos(math.radians(grain_deg)), math.sin(math.radians(grain_deg)))
    least, share = math.tan(math.radians(steep_deg)), math.cos(math.radians(within_deg))
    for first in range(0, len(z), 256):  # bands, so that the differences take little memory
        low, high = max(0, first - 1), min(len(z), first + 257)
        band = z[low:high]
        across = _steepest(band, 1) / field.pitch
        up = -_steepest(band, 0) / field.pitch  # rows go down the board
        slope = np.hypot(across, up)
        own = slice(first - low, first - low + min(256, len(z) - first))
        steepest[first : first + 256] = slope[own]
        faces = np.abs(across * grain[0] + up * grain[1])
        flagged[first : first + 256] = ((slope >= least) & (faces >= share * slope))[own]
    labels, count = regions(flagged)
    if not count:
        return GrainWalls(0, 0.0, ())
    rows, columns = np.nonzero(labels)
    name = labels[rows, columns] - 1
    x, y = field.left + (columns + 0.5) * field.pitch, field.top - (rows + 0.5) * field.pitch
    side = y * grain[0] - x * grain[1]
    height = z[rows, columns]
    low_side, low_height = np.full(count, np.inf), np.full(count, np.inf)
    high_side, high_height = np.full(count, -np.inf), np.full(count, -np.inf)
    steep = np.zeros(count)
    np.minimum.at(low_side, name, side)
    np.maximum.at(high_side, name, side)
    np.minimum.at(low_height, name, height)
    np.maximum.at(high_height, name, height)
    np.maximum.at(steep, name, steepest[rows, columns])
    tall, long = high_height - low_height, high_side - low_side + field.pitch
    at = greatest(labels, count, -z)[1]
    keep = np.flatnonzero((tall >= LEAST_WALL) & (long >= 1.0))
    keep = keep[np.lexsort((keep, -np.round(tall[keep] * long[keep], 3)))]
    worst = []
    for k in keep[:PLACES].tolist():
        px, py = _place(field, *divmod(int(at[k]), z.shape[1]))
        worst.append(GrainWall(px, py, float(long[k]), float(tall[k]), math.degrees(math.atan(steep[k]))))
    return GrainWalls(len(keep), float(long[keep].sum()), tuple(worst))


def _steepest(z: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
    """The greater of the differences to the two neighbours along an axis, signed, mm."""
    step = np.diff(z, axis=axis)
    nothing = np.zeros_like(np.take(z, [0], axis))
    before, after = np.concatenate([nothing, step], axis), np.concatenate([step, nothing], axis)
    return np.where(np.abs(before) > np.abs(after), before, after)


def compare_with_practice(panel: Panel) -> list[dict[str, object]]:
    """Each of :data:`STARTING_VALUES` beside what a panel has; ``within`` is None where the panel has none."""
    counted, drawn = panel.made.counted, panel.made.drawn
    gaps = drawn.gaps.apart if drawn is not None else np.zeros(0)
    divided = bool(counted.strand_map.divided.any()) or counted.strand_map.loops_divided
    incised = panel.made.design.strand.section is Section.MEDIAN_INCISED or (divided and counted.size.gap == 0)
    has = (
        counted.size.width,
        float(gaps.min()) if len(gaps) else None,
        panel.depth / counted.size.width,
        panel.step / panel.depth,
        panel.carving.draft_deg,
        counted.size.groove_depth if incised else None,
    )
    rows: list[dict[str, object]] = []
    for start, value in zip(STARTING_VALUES, has, strict=True):
        within = None if value is None else bool(start.low - 1e-9 <= value <= start.high + 1e-9)
        rows.append(
            {
                "what": start.what,
                "from": start.low,
                "to": start.high if math.isfinite(start.high) else None,
                "unit": start.unit,
                "here": None if value is None else round(value, 3),
                "within": within,
                "source": "common practice, no source",
            }
        )
    return rows


def _place(field: HeightField, row: int, column: int) -> tuple[float, float]:
    return field.left + (column + 0.5) * field.pitch, field.top - (row + 0.5) * field.pitch
