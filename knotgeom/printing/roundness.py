"""How round former creases, or sharp edges, have become: measured on the mesh, not assumed. mm.

Sharp edges are measured on the mesh turned inside out, where they are creases.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..mesh import Floats, Ints
from .creases import Balls, Places
from .edges import SHARP, Edges, edges_of

MEASURED = 150
"""How many places are measured on the finished mesh at most."""
NEEDLE = 0.005
"""Edges beside triangles lower than this are not counted as sharp: which way those face means nothing, mm."""


@dataclass(frozen=True, slots=True)
class Rounded:
    """What became of creases (or of sharp edges): their length before, mm, and the radii that they have now, mm.

    ``usual`` is the median along them, ``least`` what nine tenths of them have at least; None where there were none.
    ``left`` is the length of edges that still turn by more than 28 degrees, mm.
    """

    length: float
    usual: float | None
    least: float | None
    left: float


def became(vertices: Floats, triangles: Ints, edges: Edges, found: Places, lying: Balls) -> Rounded:
    """What became of the creases of a mesh where balls were to lie in them.

    Parameters
    ----------
    vertices, triangles
        The mesh as it is now.
    edges, found, lying
        As they were before; see :mod:`.creases`.
    """
    radii, weight = _measured(vertices, triangles, found, lying), _weights(edges, found)
    order = np.argsort(radii)
    share = np.cumsum(weight[order]) / max(float(weight.sum()), 1e-12)
    usual, least = (float(radii[order][min(int(np.searchsorted(share, s)), len(order) - 1)]) for s in (0.5, 0.1))
    length = float(edges.length[edges.turn > SHARP].sum())
    return Rounded(length, usual, least, left(vertices, triangles))


def left(vertices: Floats, triangles: Ints, edges: Edges | None = None) -> float:
    """The length of creases that a closed mesh has, mm; its ``edges`` are found where they are not given."""
    edges = edges_of(vertices, triangles) if edges is None else edges
    low = _heights(vertices[triangles])
    return float(edges.length[(edges.turn > SHARP) & (low[edges.half // 3].min(1) > NEEDLE)].sum())


def _heights(corner: Floats) -> Floats:
    """Heights of triangles (t, 3, 3) over their longest sides."""
    side = np.linalg.norm(corner - np.roll(corner, -1, axis=1), axis=2).max(1)
    twice = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    return np.asarray(twice / np.maximum(side, 1e-30))


def _weights(edges: Edges, found: Places) -> Floats:
    """The length that each place stands for, mm, where its crease is sharp."""
    step = np.linalg.norm(np.diff(found.at, axis=0), axis=1) * (found.chain[1:] == found.chain[:-1])
    weight = (np.append(step, 0.0) + np.insert(step, 0, 0.0)) / 2
    turn = np.empty(edges.half.size)
    turn[edges.half.ravel()] = np.repeat(edges.turn, 2)
    return np.asarray(weight * (turn[found.half[:, 0]] > SHARP))


def _measured(vertices: Floats, triangles: Ints, found: Places, lying: Balls) -> Floats:
    """The radius at each place by how far from the crease the surface is now, towards the ball's middle, (n,) mm.

    Measured at some of the places, of which those between take the nearest one's.
    """
    count = len(found.at)
    seen = np.unique(np.linspace(0, count - 1, min(count, MEASURED)).astype(int))
    centre = found.at + lying.centre[:, :1] * found.left + lying.centre[:, 1:] * found.up
    start, way = found.at[seen], centre[seen] - found.at[seen]
    long = np.linalg.norm(way, axis=1)
    size = lying.radius[seen]
    fits = size > 0
    full = np.where(fits, long - size, 1.0)
    way = way / np.maximum(long, 1e-9)[:, None]
    tip = start + full[:, None] * way
    # faces whose box holds the arc's middle within what a crease left as it is would be off
    p = vertices[triangles]
    low, high = p.min(1), p.max(1)
    narrow = _heights(p) < 0.75 * lying.radius.max()  # as what fills a crease is
    order = np.flatnonzero(narrow)
    order = order[np.argsort(low[order, 0])]
    p, low, high = p[order], low[order], high[order]
    widest = float((high[:, 0] - low[:, 0]).max(initial=0.0))
    spare = np.where(fits, np.minimum(full, 0.5) + 0.02, 0.0)
    begin = np.searchsorted(low[:, 0], tip[:, 0] - spare - widest)
    stop = np.searchsorted(low[:, 0], tip[:, 0] + spare)
    reached = np.zeros(len(seen))
    for k in np.flatnonzero(fits).tolist():
        some = slice(begin[k], stop[k])
        near = (low[some, 1] < tip[k, 1] + spare[k]) & (high[some, 1] > tip[k, 1] - spare[k])
        near &= (low[some, 2] < tip[k, 2] + spare[k]) & (high[some, 2] > tip[k, 2] - spare[k])
        corner = p[some][near & (high[some, 0] > tip[k, 0] - spare[k])]
        spoke = corner - start[k]
        turned = np.cross(spoke, np.roll(spoke, -1, axis=1)) @ way[k]
        through = (turned <= 1e-15).all(1) | (turned >= -1e-15).all(1)
        normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        level = normal @ way[k]
        through &= level > 0  # looking out of the material
        if through.any():
            ahead = np.einsum("ij,ij->i", normal[through], spoke[through, 0]) / level[through]
            reached[k] = float(np.clip(ahead.max(), 0.0, None)) if ahead.max() < long[k] else 0.0
    share = np.minimum(reached / np.maximum(full, 1e-9), 1.0)
    radius = np.where(fits, size * share, 0.0)
    return np.asarray(radius[np.searchsorted(seen, np.arange(count)).clip(0, len(seen) - 1)])
