"""What is measured on a finished mesh besides walls and gaps: contents, bodies, hollows, overhangs, lines, hanging.

A closed mesh is a sum of tetrahedra from any one point to its triangles (a, b, c), counted negative where they look the
other way: volume is the sum of a . (b x c) / 6, and its first moment that of a . (b x c) (a + b + c) / 24, which over
the volume is the centre of mass (the divergence theorem; B. Mirtich, Journal of Graphics Tools 1, 1996, from memory). A
wall of a hollow looks inward, so its volume comes out below 0 and is taken off by itself. A piece hangs so that its
centre of mass lies straight below what holds it, so how far it turns is the direction from the one to the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..cycles import connected_labels
from ..mesh import Floats, Ints
from .surface import Surface, folds
from .touching import Measure, Point


@dataclass(frozen=True, slots=True)
class Shell:
    """One closed piece of surface.

    ``volume`` is what it encloses, mm3, below 0 for the wall of a hollow; ``centre`` is the centre of mass of that.
    """

    volume: float
    area: float
    centre: Point


def shells(on: Surface) -> tuple[list[Shell], Ints]:
    """The closed pieces of a surface, and which of them each triangle is part of, (t,)."""
    triangles = on.triangles
    label = connected_labels(len(on.vertices), triangles.ravel(), np.roll(triangles, -1, axis=1).ravel())
    _, shell = np.unique(label[triangles[:, 0]], return_inverse=True)
    shell = np.asarray(shell).ravel()
    origin = on.corners.reshape(-1, 3).mean(0)
    a, b, c = (on.corners[:, k] - origin for k in range(3))
    six = np.einsum("tk,tk->t", a, np.cross(b, c))
    volume = np.bincount(shell, six) / 6
    area = np.bincount(shell, on.area)
    moment = np.stack([np.bincount(shell, six * (a + b + c)[:, k]) / 24 for k in range(3)], 1)
    result = []
    for k in range(len(volume)):
        middle = origin + moment[k] / volume[k] if abs(volume[k]) > 0 else origin
        result.append(Shell(float(volume[k]), float(area[k]), (float(middle[0]), float(middle[1]), float(middle[2]))))
    return result, shell


def balance(found: list[Shell]) -> tuple[float, Point]:
    """Volume in mm3 of all bodies less their hollows, and the centre of mass."""
    volume = sum(shell.volume for shell in found)
    moment = [sum(shell.volume * shell.centre[k] for shell in found) for k in range(3)]
    share = volume if volume else 1.0
    return volume, (moment[0] / share, moment[1] / share, moment[2] / share)


def overhang(on: Surface, degrees: float, up: Point = (0.0, 0.0, 1.0)) -> tuple[float, Point | None]:
    """Area in mm2 that looks down and lies at less than so many degrees to the level, and the middle of it.

    What rests on the plate, the lowest level of all, is left out.

    Parameters
    ----------
    degrees : float
        Least angle between a face and the level at which it needs no support.
    up : (float, float, float)
        Direction in which the piece is built.
    """
    way = np.asarray(up, float)
    way = way / np.linalg.norm(way)
    height = on.corners @ way
    bottom = float(height.min())
    thick = float(height.max()) - bottom
    down = -(on.normal @ way)
    held = height.max(1) <= bottom + 1e-3 * thick
    over = (down > math.cos(math.radians(degrees)) + 1e-9) & ~held
    area = float(on.area[over].sum())
    if area <= 0:
        return 0.0, None
    x, y, z = (float(v) for v in (on.corners[over].mean(1) * on.area[over, None]).sum(0) / area)
    return area, (x, y, z)


BOTTOM = math.radians(40.0), math.radians(140.0)
"""Between how far its flanks are open an incised line counts as one."""
LIKE = 1.6
"""The two flanks of an incised line are about as long as one another: within so many times."""
SHALLOWEST = 0.05
"""A groove that is not as deep as this is none, mm."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Incised lines: their least width and depth, mm; infinite where there are none. ``length`` is all of them."""

    width: Measure
    depth: Measure
    length: float


def incised(on: Surface, deepest: float) -> Lines:
    """Width and depth of V-shaped grooves no deeper than ``deepest``, across both flanks from edge to edge.

    A tenth of the length may be narrower than the width told, and a tenth shallower than the depth: where strands meet
    the ends of grooves are cut to slivers.
    """
    bent = folds(on, math.pi - BOTTOM[1])
    opening = math.pi + bent.turn
    edges = np.flatnonzero((bent.turn < 0) & (opening > BOTTOM[0]) & (opening < BOTTOM[1]))
    ends, faces, far = bent.ends[edges], bent.faces[edges], bent.far[edges]
    start, along = on.vertices[ends[:, 0]], on.vertices[ends[:, 1]] - on.vertices[ends[:, 0]]
    length = np.linalg.norm(along, axis=1)
    along = along / np.maximum(length, 1e-12)[:, None]
    flank = on.vertices[far] - start[:, None]
    flank -= np.einsum("esk,ek->es", flank, along)[:, :, None] * along[:, None]
    long = np.linalg.norm(flank, axis=2)
    out = on.normal[faces].sum(1)
    out /= np.maximum(np.linalg.norm(out, axis=1), 1e-12)[:, None]
    depth = np.einsum("esk,ek->es", flank, out).min(1)
    width = np.linalg.norm(flank[:, 0] - flank[:, 1], axis=1)
    good = (long.max(1) < LIKE * long.min(1)) & (depth < deepest) & (depth > SHALLOWEST)
    if not good.any():
        nothing = Measure(math.inf, 0.0)
        return Lines(nothing, nothing, 0.0)
    middle = start[good] + (along * (length / 2)[:, None])[good]
    return Lines(
        _tenth(width[good], length[good], middle), _tenth(depth[good], length[good], middle), float(length[good].sum())
    )


def _tenth(value: Floats, weight: Floats, place: Floats) -> Measure:
    """The value that a tenth of the weight lies below."""
    order = np.argsort(value, kind="stable")
    share = np.cumsum(weight[order]) / weight.sum()
    k = int(order[min(int(np.searchsorted(share, 0.1)), len(order) - 1)])
    middle = int(order[min(int(np.searchsorted(share, 0.5)), len(order) - 1)])
    x, y, z = (float(v) for v in place[k])
    return Measure(float(value[k]), float(abs(value[middle] - value[k])), (x, y, z))


@dataclass(frozen=True, slots=True)
class Hanging:
    """How a piece hangs, degrees off upright: ``turned`` seen from the front, ``tilted`` top to the front, both.

    ``below`` is how far its centre of mass lies below what it hangs by while it stands upright, mm.
    """

    turned: float
    tilted: float
    off: float
    below: float


def hanging(at: Point, centre: Point) -> Hanging:
    """How a piece that stands upright along y hangs from a place, given its centre of mass."""
    side, down, front = centre[0] - at[0], at[1] - centre[1], centre[2] - at[2]
    return Hanging(
        math.degrees(math.atan2(side, down)),
        math.degrees(math.atan2(front, down)),
        math.degrees(math.atan2(math.hypot(side, front), down)),
        down,
    )
