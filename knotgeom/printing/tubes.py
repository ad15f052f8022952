"""What fills creases, as tubes: the room between a crease and the balls in it, swept along the crease. mm.

The section of a tube is an arc of chords from where the ball touches one side to where it touches the other, and back
within the material. Where a crease runs into a wall the tube goes on into it; where it ends in a face the tube ends
flush with that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..mesh import Bools, Floats, Ints, spanned_volumes
from ..selfcut import crossing_pairs
from .creases import Balls, Chain, Places, Side, along
from .edges import Edges, unit

CHORD = np.radians(22.0)
"""What a chord of an arc turns through at most, as far as the most chords go."""
FEWEST, MOST = 3, 8
SUNK = 0.02
"""How deep the rims of a tube lie in the material, mm: facets lie off the surface between two places by less."""
LEVEL = 0.005
"""Places between which a tube would run as well by less than this are left out, mm."""
STRETCH = 0.9
"""The longest stretch without a place, mm."""
ROUNDS = 6
"""How often tubes that pass through themselves are cut before what is left of those is left out."""

Tube = tuple[Floats, Ints]
"""Vertices and triangles."""


@dataclass(frozen=True, slots=True, eq=False)
class _End:
    """Where a crease ends: walls that it runs into, or the face that it ends flush with, by their directions out."""

    at: Floats
    walls: Floats
    flush: Floats | None


def tubes(
    vertices: Floats,
    triangles: Ints,
    edges: Edges,
    creases: list[Chain],
    found: Places,
    one: Side,
    other: Side,
    lying: Balls,
) -> list[Tube]:
    """Closed bodies, none of which passes through itself, that fill the creases when united with the piece."""
    start, end = lying.one - lying.centre, lying.other - lying.centre
    turn = np.arctan2(start[:, 0] * end[:, 1] - start[:, 1] * end[:, 0], np.einsum("ij,ij->i", start, end))
    turn *= lying.radius > 0
    widest = np.zeros(len(creases))
    np.maximum.at(widest, found.chain, np.abs(turn))
    chords = np.clip(np.ceil(widest / CHORD).astype(int), FEWEST, MOST)
    first = np.searchsorted(found.chain, np.arange(len(creases) + 1))
    ends = _ends(vertices, triangles, edges, creases, found, first)
    made: list[Floats] = []
    loops: list[bool] = []
    fits = lying.radius > 0
    for number in np.unique(chords).tolist():
        rows = np.flatnonzero(chords[found.chain] == number)
        rings = np.zeros((len(found.at), number + 4, 3))
        rings[rows] = _rings(found, one, other, lying, turn, rows, number)
        for k in np.flatnonzero(chords == number).tolist():
            mine = np.arange(first[k], first[k + 1])
            for run in _runs(mine, rings, found, fits, closed=creases[k].closed):
                row = rings[run.rows]
                if not run.loop:
                    row = _ended(row, found.along[run.rows[-1]], ends[2 * k + 1] if run.last else None)
                    row = _ended(row[::-1], -found.along[run.rows[0]], ends[2 * k] if run.first else None)[::-1]
                made.append(row)
                loops.append(run.loop)
    return _sound(made, loops)


def _rings(found: Places, one: Side, other: Side, lying: Balls, turn: Floats, rows: Ints, number: int) -> Floats:
    """Sections of tubes in space, (r, number + 4, 3): within the first side, the arc, within the other, the bottom."""
    centre, radius, sweep = lying.centre[rows], lying.radius[rows], turn[rows]
    reach = lying.reach[rows]
    share = np.linspace(0.0, 1.0, number + 1)
    # corners a little beyond the arc, so that the chords leave the same area
    half = np.abs(sweep) / number
    wide = radius * np.sqrt(half / np.maximum(np.sin(half), 1e-9))
    start = lying.one[rows] - centre
    angle = np.arctan2(start[:, 1], start[:, 0])[:, None] + sweep[:, None] * share
    arc = centre[:, None] + wide[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], -1)
    least = reach.min(1)
    deep = np.minimum(SUNK, 0.1 * least)[:, None]
    for k, touched, sign in ((0, lying.one[rows], 1.0), (-1, lying.other[rows], -1.0)):
        out = unit(centre - touched)
        away = sign * np.stack([out[:, 1], -out[:, 0]], -1)
        arc[:, k] = touched - deep * out + 1.5 * deep * away
    bottom = np.stack([np.zeros(len(rows)), -np.minimum(0.06, 0.3 * least)], 1)
    within = []
    for side, k, end, sign in ((one, 0, arc[:, 0], 1.0), (other, 1, arc[:, -1], -1.0)):
        arcs, middle = side.arc[rows], 0.5 * reach[:, k]
        out = unit(along(arcs, side.out[rows], middle))
        place = along(arcs, side.points[rows], middle) - np.minimum(0.05, 0.25 * least)[:, None] * out
        place *= (sign, 1.0)
        # seen from the bottom, it has to lie outside of the rim
        way, spoke = end - bottom, place - bottom
        across = sign * unit(np.stack([way[:, 1], -way[:, 0]], -1))
        short = np.einsum("ij,ij->i", spoke, across) < 0.05 * np.linalg.norm(way, axis=1)
        within.append(
            np.where(short[:, None], bottom + 0.5 * way + 0.1 * np.linalg.norm(way, axis=1)[:, None] * across, place)
        )
    flat = np.concatenate([within[0][:, None], arc, within[1][:, None], bottom[:, None]], axis=1)
    out3 = found.at[rows, None] + flat[..., :1] * found.left[rows, None] + flat[..., 1:] * found.up[rows, None]
    return np.asarray(out3)


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """Places of one tube; whether it runs round, and whether it begins and ends where the crease does."""

    rows: Ints
    loop: bool
    first: bool
    last: bool


def _runs(mine: Ints, rings: Floats, found: Places, fits: Bools, *, closed: bool) -> list[_Run]:
    """The places of a chain in tubes: broken where no ball fits and where sections would pass through one another."""
    rows = mine[fits[mine]]
    if len(rows) < 2:
        return []
    loop = closed and len(rows) == len(mine)
    rows = _sparse(rows, rings, found)
    for _ in range(4):
        folded = _folded(rows, rings, found, loop=loop)
        if len(rows) < 4 or not folded.any():
            break
        drop = np.flatnonzero(folded) + 1
        drop = np.where(drop >= len(rows) - 1, len(rows) - 2, drop)
        drop = np.unique(drop[drop > 0])
        rows = np.delete(rows, drop[np.diff(drop, prepend=-2) > 1])
    folded = _folded(rows, rings, found, loop=loop)
    if loop:
        if not folded.any():
            return [_Run(rows, True, False, False)]
        cut = int(np.flatnonzero(folded)[0]) + 1
        rows, folded = np.roll(rows, -cut), np.roll(folded, -cut)[:-1]
        parts = np.split(rows, np.flatnonzero(folded) + 1)
        return [_Run(part, False, False, False) for part in parts]
    missing = np.cumsum(~fits[mine])[rows - mine[0]]
    parts = np.split(rows, np.flatnonzero(folded | (np.diff(missing) > 0)) + 1)
    return [_Run(part, False, bool(part[0] == mine[0]), bool(part[-1] == mine[-1])) for part in parts]


def _sparse(rows: Ints, rings: Floats, found: Places) -> Ints:
    """Without places that lie in line with their neighbours."""
    for _ in range(3):
        if len(rows) < 5:
            break
        k = np.arange(1, len(rows) - 1, 2)
        before, here, after = rows[k - 1], rows[k], rows[k + 1]
        whole = np.linalg.norm(found.at[after] - found.at[before], axis=1)
        share = (np.linalg.norm(found.at[here] - found.at[before], axis=1) / np.maximum(whole, 1e-9))[:, None, None]
        off = np.linalg.norm(rings[here] - rings[before] * (1 - share) - rings[after] * share, axis=2).max(1)
        drop = (off < LEVEL) & (whole < STRETCH)
        if not drop.any():
            break
        rows = np.delete(rows, k[drop])
    return rows


def _folded(rows: Ints, rings: Floats, found: Places, *, loop: bool) -> Bools:
    """Between which places, each and the next one, some corner of the section would go back."""
    a, b = (rows, np.roll(rows, -1)) if loop else (rows[:-1], rows[1:])
    way = unit(found.along[a] + found.along[b])
    ahead = np.einsum("npi,ni->np", rings[b] - rings[a], way)
    return np.asarray(ahead.min(1) < 0.1 * np.linalg.norm(found.at[b] - found.at[a], axis=1))


def _ends(
    vertices: Floats, triangles: Ints, edges: Edges, creases: list[Chain], found: Places, first: Ints
) -> list[_End]:
    """What each chain runs into at its start and its end, two for every chain."""
    corner = triangles.ravel()
    order = np.argsort(corner, kind="stable")
    tip = np.array([vertex for chain in creases for vertex in (chain.vertices[0], chain.vertices[-1])])
    low, high = (np.searchsorted(corner[order], tip, side=side) for side in ("left", "right"))
    out = []
    for k, vertex in enumerate(tip.tolist()):
        way = found.along[first[k // 2 + 1] - 1] if k % 2 else -found.along[first[k // 2]]
        normal = edges.normal[order[low[k] : high[k]] // 3]
        against = normal @ way
        walls = normal[against < -0.12]
        flush = None
        if against.max() > 0.5 and against.min() > -0.35:
            flush, walls = unit(normal[against > 0.5].sum(0)), walls[:0]
        out.append(_End(vertices[vertex], walls, flush))
    return out


def _ended(row: Floats, way: Floats, end: _End | None) -> Floats:
    """Sections, (m, p, 3), led on at their last one along ``way`` as far as what is there asks for."""
    last = row[-1]
    width = float(np.linalg.norm(last[1] - last[-3]))
    if end is None:  # broken off, with a part that goes on another way
        return np.concatenate([row, (last + 0.2 * width * way)[None]])
    if end.flush is not None:
        ahead = ((end.at - last) @ end.flush) / float(way @ end.flush)
        ahead = np.clip(ahead, -1.5 * width, width)
        # sections that the face would cut are left out
        behind = ((row - last) @ way).max(1) < ahead.min() - 0.01
        return np.concatenate([row[behind], (last + ahead[:, None] * way)[None]]) if behind.any() else row
    if len(end.walls):
        ahead = ((end.at - last[:, None]) * end.walls).sum(2) / (end.walls @ way)
        on = np.clip(ahead.min(1) + 0.03, 0.01, width)
        if on.max() > 0.01:
            return np.concatenate([row, (last + on[:, None] * way)[None]])
    return row


def _swept(row: Floats, *, loop: bool) -> Tube:
    """Sections joined up to a closed mesh."""
    count, sides = row.shape[:2]
    grid = np.arange(count * sides).reshape(count, sides)
    here, there = (grid, np.roll(grid, -1, axis=0)) if loop else (grid[:-1], grid[1:])
    quad = np.stack([here, np.roll(here, -1, 1), np.roll(there, -1, 1), there], -1).reshape(-1, 4)
    faces = [quad[:, [0, 1, 2]], quad[:, [0, 2, 3]]]
    if not loop:
        fan = np.stack([np.full(sides - 2, sides - 1), np.arange(sides - 2), np.arange(1, sides - 1)], 1)
        faces += [fan[:, ::-1], fan + (count - 1) * sides]
    return row.reshape(-1, 3), np.concatenate(faces)


def _sound(made: list[Floats], loops: list[bool]) -> list[Tube]:
    """Tubes of sections. Those that pass through themselves are cut where they do, and lack what crosses by itself."""
    out: list[Tube] = []
    for turn in range(ROUNDS):
        whole = [k for k, row in enumerate(made) if len(row) > 1]  # a single section is no tube
        if not whole:
            break
        made, loops = [made[k] for k in whole], [loops[k] for k in whole]
        swept = [_swept(row, loop=loop) for row, loop in zip(made, loops)]
        pairs = _crossings(swept)
        out += [tube for tube, found in zip(swept, pairs) if not len(found) and _volume(tube) > 0]
        parts: list[Floats] = []
        for row, loop, found in zip(made, loops, pairs):
            if len(found):
                stretches = _stretch(found, row.shape[1], len(row) - (not loop))
                parts += _parted(np.concatenate([row, row[:1]]) if loop else row, stretches, strictly=turn > 1)
        made, loops = parts, [False] * len(parts)
    return out


def _stretch(faces: Ints, sides: int, count: int) -> Ints:
    """Between which sections faces of a tube lie, as :func:`_swept` puts them in order; caps count with the next."""
    walls = 2 * sides * count
    return np.where(faces < walls, faces % (sides * count) // sides, np.where(faces < walls + sides - 2, 0, count - 1))


def _parted(row: Floats, pairs: Ints, *, strictly: bool) -> list[Floats]:
    """The parts of a tube between what crosses: stretches that cross by themselves go, others are cut apart.

    A part may be a single section.
    """
    low, high = pairs.min(1), pairs.max(1)
    gone = np.zeros(len(row) - 1, bool)
    gone[low[low == high]] = True
    if strictly:
        gone[low[high == low + 1]] = True
    cut = np.zeros(len(row), bool)
    cut[(low[high > low] + high[high > low] + 1) // 2] = True
    parts = []
    start = 0
    for k in range(len(row) - 1):
        if gone[k]:
            parts.append(row[start : k + 1])
            start = k + 1
        elif cut[k] and k > start:
            parts.append(row[start : k + 1])
            start = k
    parts.append(row[start:])
    return parts


def _volume(tube: Tube) -> float:
    return float(spanned_volumes(tube[0], tube[1]).sum())


def _crossings(swept: list[Tube]) -> list[Ints]:
    """For each tube, the pairs of its faces that pass through each other."""
    size = np.array([len(vertices) for vertices, _ in swept])
    number = np.array([len(faces) for _, faces in swept])
    # moved apart, so that only what belongs to one tube is near
    place = np.concatenate([vertices - vertices.min(0) for vertices, _ in swept])
    wide = np.array([float(np.ptp(vertices[:, 0])) + 1.0 for vertices, _ in swept])
    place[:, 0] += np.repeat(np.cumsum(wide) - wide, size)
    faces = np.concatenate([faces + start for (_, faces), start in zip(swept, np.cumsum(size) - size)])
    first = np.cumsum(number) - number
    pairs = crossing_pairs(place, faces)
    owner = np.searchsorted(first, pairs[:, 0], side="right") - 1
    return [pairs[owner == k] - first[k] for k in range(len(swept))]
