"""Bends of strands in plan, and which gouge of a list fits each.

A gouge is an arc: the width across its edge and the radius that its sweep gives it. How a cut is taken is the carver's
own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..made import Made, no_mesh
from ..mesh import Floats
from .gouges import OWNED, Gouge, check_gouges, fit_bend

LEAST_TURN = math.radians(20)
FLATTEST = 100.0
"""mm; edges of greater radius are cut with a flat chisel; common practice, no source."""


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
