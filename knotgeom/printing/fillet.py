"""Creases filled: along every crease the room between it and a ball that rolls along it is united with the piece.

So fillets meet one another as bodies do, whatever creases do there, and nothing is filled that a ball would reach but
in corners of three creases and more. How round former creases have become is measured on the mesh, not assumed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..clean import clean
from ..cycles import connected_labels
from ..mesh import Floats, Ints
from .bodies import Solid, arrays_of, solid_of
from .creases import SHARP, Balls, Edges, Places, balls, chains, edges_of, places, sides
from .rims import Rounded, rounded
from .tubes import tubes
from .untangle import untangled

FAR = 4.0
"""How far along the surface a ball may touch, in radii."""
COARSE, SHORT, LOW = 0.002, 0.02, 0.004
"""What is taken out afterwards, mm: corners that lie in line, and edges and heights of triangles below these."""
CRUMB, HOLLOW = 0.02, 1.0
"""Bodies and shut hollows of less than this are no part of the piece, mm3."""
MEASURED = 150
"""How many places are measured on the finished mesh at most."""
NEEDLE = 0.005
"""Edges beside triangles lower than this are not counted as sharp: which way those face means nothing, mm."""


@dataclass(frozen=True, slots=True, eq=False)
class Faired:
    """The mesh and what was achieved; ``clear`` where it has been seen that no two triangles cross."""

    vertices: Floats
    triangles: Ints
    creases: Rounded
    edges: Rounded
    clear: bool


def faired(vertices: Floats, triangles: Ints, fillet: float, rounding: float, most: float) -> Faired:
    """Round the sharp edges of a closed mesh and fill its creases.

    Parameters
    ----------
    fillet, rounding : float
        Wanted radii in creases and on edges, mm; 0 leaves them sharp.
    most : float
        How far from a sharp edge its rounding may begin, mm: less than half of the thinnest wall.
    """
    if rounding > 0:
        vertices, triangles, edges = rounded(vertices, triangles, rounding, most)
    else:
        edges = bare(vertices, triangles, hollow=False)
    clear = False
    if fillet > 0:
        vertices, triangles, creases, clear = filled(vertices, triangles, fillet)
    else:
        creases = bare(vertices, triangles, hollow=True)
    return Faired(vertices, triangles, creases, edges, clear)


def bare(vertices: Floats, triangles: Ints, *, hollow: bool) -> Rounded:
    """Creases, or sharp edges, that are left as they are."""
    left = _left(vertices, triangles, hollow=hollow)
    return Rounded(left, None, None, left)


def filled(vertices: Floats, triangles: Ints, radius: float) -> tuple[Floats, Ints, Rounded, bool]:
    """Fill the creases of a closed mesh with fillets of a radius, or of what fits between the surfaces.

    Returns
    -------
    vertices, triangles
        Closed, of as many bodies and holes as before, in single precision.
    Rounded
        What became of the creases.
    bool
        Whether it has been seen that no two triangles cross.
    """
    edges = edges_of(vertices, triangles)
    length = float(edges.length[edges.turn > SHARP].sum())
    creases = chains(edges)
    if not creases:
        return vertices, triangles, Rounded(length, None, None, length), False
    found = places(vertices, edges, creases, radius)
    one, other = sides(vertices, triangles, edges, found, FAR * radius)
    lying = balls(one, other, radius, FAR * radius)
    made = tubes(vertices, triangles, edges, creases, found, one, other, lying)
    united = _united(solid_of(vertices, triangles), [solid_of(*tube) for tube in made], _shape(vertices, triangles))
    vertices, triangles = _whole(united.simplify(COARSE))
    vertices, triangles, _ = clean(vertices, triangles, np.zeros(len(triangles), np.int64), SHORT, LOW)
    vertices, clear = untangled(vertices, triangles)
    radii, weight = _measured(vertices, triangles, found, lying), _weights(edges, found)
    order = np.argsort(radii)
    share = np.cumsum(weight[order]) / max(float(weight.sum()), 1e-12)
    usual, least = (float(radii[order][min(int(np.searchsorted(share, s)), len(order) - 1)]) for s in (0.5, 0.1))
    return vertices, triangles, Rounded(length, usual, least, _left(vertices, triangles, hollow=True)), clear


def _whole(solid: Solid) -> tuple[Floats, Ints]:
    """The mesh of a solid without crumbs and the hollows that fillets have shut in."""
    vertices, triangles = arrays_of(solid)
    label = connected_labels(len(vertices), triangles.ravel(), np.roll(triangles, -1, axis=1).ravel())
    part = label[triangles[:, 0]]
    a, b, c = (vertices[corner] for corner in triangles.T)
    volume = np.bincount(part, np.einsum("ij,ij->i", a, np.cross(b, c)) / 6)
    kept = triangles[(volume[part] > CRUMB) | (volume[part] < -HOLLOW)]
    used, numbered = np.unique(kept, return_inverse=True)
    return vertices[used], np.asarray(numbered).reshape(-1, 3)


def _shape(vertices: Floats, triangles: Ints) -> tuple[int, int]:
    """Bodies and Euler's number."""
    label = connected_labels(len(vertices), triangles.ravel(), np.roll(triangles, -1, axis=1).ravel())
    used = np.zeros(len(vertices), bool)
    used[triangles] = True
    return len(np.unique(label[used])), int(used.sum()) - len(triangles) // 2


def _united(body: Solid, parts: list[Solid], shape: tuple[int, int]) -> Solid:
    """A piece and what fills its creases, but nothing that opens or closes a hole."""
    from manifold3d import Manifold, OpType

    if not parts:
        return body
    whole: Solid = Manifold.batch_boolean([body, *parts], OpType.Add)
    if _shape(*_whole(whole)) == shape:
        return whole
    if len(parts) == 1:
        return body
    half = len(parts) // 2
    return _united(_united(body, parts[:half], shape), parts[half:], shape)


def _left(vertices: Floats, triangles: Ints, *, hollow: bool) -> float:
    """The length of creases, or of sharp edges, that a closed mesh has, mm."""
    edges = edges_of(vertices, triangles)
    low = _heights(vertices[triangles])
    sharp = edges.turn > SHARP if hollow else edges.turn < -SHARP
    return float(edges.length[sharp & (low[edges.half // 3].min(1) > NEEDLE)].sum())


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
