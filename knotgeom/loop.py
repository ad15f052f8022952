"""Flat strips taken round: their ends meet, and what is straight or plane on the flat stays so.

A strip is swept and united where it closes, and laid flat again afterwards. Bent round a cylinder, triangles would lie
flat on it where their corners do, not where they did, and in coming back some would cross. So the strip is laid as a
picture seen from one point: round a square pyramid, a quarter of the strip on each side, its heights being the
distances from the apex. A central projection takes lines to lines and planes to planes (J. Poncelet, 1822); on the
edges of the pyramid both sides agree, and faces that pass over an edge are split there.
"""

from __future__ import annotations

import numpy as np

from .mesh import Floats, Ints

SIDES = 4
BEGIN = 0.0137
"""Where the middle of the first side lies, in lengths of the strip: no place that a layout has by itself."""


def looped(points: Floats, period: float, reach: float) -> Floats:
    """Places of a flat strip round the pyramid, (n, 3); ``reach`` mm from its axis at height 0, and none higher."""
    at = points[:, 0] / period
    at -= BEGIN
    at *= SIDES
    at += 0.5
    side = np.floor(at)
    share = 2.0 * (at - side) - 1.0
    near = reach / (reach - points[:, 2])
    far = reach * near
    cosine, sine = _quarters(side - SIDES * np.floor(side / SIDES))
    bent = np.empty_like(points)
    bent[:, 0] = (cosine * share + sine) * far
    bent[:, 1] = points[:, 1] * near
    bent[:, 2] = (cosine - sine * share) * far
    return bent


def unlooped(points: Floats, period: float, reach: float) -> Floats:
    """The inverse of :func:`looped`, x from 0 up to ``period``."""
    x, z = points[:, 0], points[:, 2]
    level = np.abs(x) > np.abs(z)
    side = np.where(level, np.where(x > 0, 1, 3), np.where(z > 0, 0, 2))
    cosine, sine = _quarters(side)
    far = cosine * z + sine * x
    share = (cosine * x - sine * z) / far
    along = ((side + (share + 1.0) / 2 - 0.5) / SIDES + BEGIN) * period
    flat: Floats = np.stack([along % period, points[:, 1] * reach / far, reach - reach * reach / far], 1)
    return flat


def rounded(flat: Floats, period: float) -> Floats:
    """Places on the flat in single precision, x in steps as coarse as those are at the end of the strip, (n, 3).

    So the strip may be cut at any such step, and what lies beyond the cut stays in single precision.
    """
    places = flat.astype(np.float32).astype(float)
    step = step_of(period)
    places[:, 0] = np.round(flat[:, 0] / step) * step
    return places


def step_of(period: float) -> float:
    """The steps of x in :func:`rounded`, mm."""
    return float(np.spacing(np.float32(period)))


def lowered(points: Floats, level: float, by: float, reach: float) -> Floats:
    """Places round the pyramid, those at or below a level of the flat let down by so many mm, (n, 3)."""
    side = side_at(level, reach)
    below = np.maximum(np.abs(points[:, 0]), np.abs(points[:, 2])) <= side * (1 + 1e-12)
    return np.asarray(points * np.where(below, side_at(level - by, reach) / side, 1.0)[:, None])


def side_at(level: float, reach: float) -> float:
    """How far from its axis the pyramid's sides lie that have a level of the flat, mm."""
    return reach / (1.0 - level / reach)


def _quarters(turns: Floats | Ints) -> tuple[Floats | Ints, Floats | Ints]:
    """Cosine and sine of 0 to 3 quarter turns; to the bit."""
    return np.abs(turns - 2) - 1, 1 - np.abs(turns - 1)


def split_at_edges(vertices: Floats, faces: Ints, period: float, reach: float) -> tuple[Floats, Ints, Ints]:
    """Split triangles round the pyramid that pass over one of its edges, so that every face is plane on the flat too.

    Returns
    -------
    vertices : (m, 3) float64
        The given ones come first.
    faces : (t, 3) int64
    source : (t,) int64
        The given face that each is part of.
    """
    source = np.arange(len(faces))
    flat = unlooped(vertices, period, reach)
    for edge in range(SIDES):
        off = flat[:, 0] - (BEGIN + (edge + 0.5) / SIDES) * period
        off -= period * np.round(off / period)
        corner = off[faces]
        beyond = corner >= 0
        over = np.flatnonzero((beyond.any(1) & ~beyond.all(1)) & (np.ptp(corner, axis=1) < period / 2))
        if not len(over):
            continue
        # the corner that lies alone on its side comes first
        alone = np.where(beyond[over].sum(1) == 1, beyond[over].argmax(1), beyond[over].argmin(1))
        turned = np.take_along_axis(faces[over], (alone[:, None] + np.arange(3)) % 3, 1)
        sides = np.stack([turned[:, [0, 1]], turned[:, [0, 2]]], 1)  # the two sides that are split
        ends, number = np.unique(np.sort(sides.reshape(-1, 2), axis=1), axis=0, return_inverse=True)
        share = (off[ends[:, 0]] / (off[ends[:, 0]] - off[ends[:, 1]]))[:, None]
        a, b = flat[ends[:, 0]], flat[ends[:, 1]].copy()
        b[:, 0] = a[:, 0] + off[ends[:, 1]] - off[ends[:, 0]]
        new = a + share * (b - a)
        p, q = (len(vertices) + number.reshape(-1, 2)).T
        one, two, three = turned.T
        faces = np.concatenate(
            [
                np.delete(faces, over, 0),
                np.stack([one, p, q], 1),
                np.stack([p, two, three], 1),
                np.stack([p, three, q], 1),
            ]
        )
        source = np.concatenate([np.delete(source, over), *[source[over]] * 3])
        vertices = np.concatenate([vertices, looped(new, period, reach)])
        flat = np.concatenate([flat, new])
    return vertices, faces, source
