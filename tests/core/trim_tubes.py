"""Kits of strands whose shape is known in closed form: half tubes and roofs, straight or woven, along any path."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from knotgeom.design import Design, Make, Strand, Strip
from knotgeom.trims.finishing import finished
from knotgeom.trims.kit import Kit, Level, Piece, Port, TrimMesh
from knotgeom.trims.options import Part, Textures, Trimming

PERIOD, HEIGHT, RADIUS = 16.0, 16.0, 1.6
WAVE, RISE = 3.0, 0.8
BEHIND, AHEAD = Port((0.0, 0.0), 180.0, False), Port((PERIOD, 0.0), 0.0, True)

Path = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]
"""Places (n, 2) and headings (n,) in radians at lengths (n,) along the run."""


def straight_path(s):
    return np.stack([s, 0 * s], 1), 0 * s


def corner_path(s):
    """A repeat straight on, a quarter turn to the left whose outer half is a repeat long too, a repeat straight on."""
    radius = 3 * HEIGHT / 4
    turn = np.clip((s - PERIOD) / radius, 0, np.pi / 2)
    places = np.stack([PERIOD + radius * np.sin(turn), radius * (1 - np.cos(turn))], 1)
    places[:, 0] += np.minimum(s - PERIOD, 0)
    places[:, 1] += np.maximum(s - PERIOD - radius * np.pi / 2, 0)
    return places, turn


def woven(strand, s):
    """Two strands that cross twice a repeat, each over once: aside, and up. At ports nothing turns or crosses."""
    way = (1.0, -1.0)[strand]
    wave = 2 * np.pi * s / PERIOD + 0.7
    return way * WAVE * np.cos(wave), RISE + way * RISE * np.sin(wave)


def half_round(places):
    """A half circle of ``RADIUS``, aside and up, at places from 0 to 1."""
    return -RADIUS * np.cos(np.pi * places), RADIUS * np.sin(np.pi * places)


def tube(path: Path, lead, lengths, rails, section=half_round, strands=2, ends=2) -> TrimMesh:
    """Strands along a path with normals by differences far finer than the mesh; ``ends`` as in a kit's seams."""
    across = np.linspace(0, 1, rails)
    u, v = (one.ravel() for one in np.meshgrid(lengths, across, indexing="ij"))
    positions, normals, triangles, seams = [], [], [], [[], []]
    for strand in range(strands):

        def at(u, v, strand=strand):
            def middle(s):
                places, heading = path(s)
                aside, up = lead(strand, s)
                return places + aside[:, None] * np.stack([-np.sin(heading), np.cos(heading)], 1), up

            here, up = middle(u)
            ahead, back = middle(u + 1e-5)[0], middle(u - 1e-5)[0]
            way = (ahead - back) / np.linalg.norm(ahead - back, axis=1, keepdims=True)
            aside, high = section(v)
            return np.column_stack([here + aside[:, None] * np.stack([-way[:, 1], way[:, 0]], 1), up + high])

        inner = np.clip(v, 1e-4, 1 - 1e-4)
        along = at(u + 1e-4, inner) - at(u - 1e-4, inner)
        aside = at(u, np.minimum(v + 1e-4, 1)) - at(u, np.maximum(v - 1e-4, 0))
        normal = np.cross(along, aside)
        first = len(u) * strand
        index = first + np.arange(len(u)).reshape(len(lengths), rails)
        a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
        triangles += [np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)]
        positions.append(at(u, v))
        normals.append(normal / np.linalg.norm(normal, axis=1, keepdims=True))
        seams[0].append(index[0])
        seams[1].append(index[-1])
    count = strands * len(u)
    return TrimMesh(
        positions=np.concatenate(positions),
        normals=np.concatenate(normals),
        triangles=np.concatenate(triangles).astype(np.int32),
        strand=np.repeat(np.arange(strands), len(u)).astype(np.int32),
        along=np.tile(u, strands),
        across=np.tile(v, strands),
        seam=tuple(np.concatenate(one).astype(np.int32) for one in seams)[:ends],
        patch=np.zeros(strands * 2 * (len(lengths) - 1) * (rails - 1), np.int32),
        uv=np.zeros((count, 2), np.float32),
        light_uv=np.zeros((count, 2), np.float32),
        tangents=np.zeros((count, 4)),
    )


def piece(name, part, ports, make, levels=((17, 9, 0.05), (9, 5, 0.3)), fine=(161, 49), **more) -> Piece:
    mesh = make(*fine)
    low, high = mesh.positions.min(0), mesh.positions.max(0)
    coarse = tuple(Level(make(rings, rails), off, off) for rings, rails, off in levels)
    return Piece(name, part, ports, (low[0], low[1], high[0], high[1]), mesh, coarse, **more)


def kit_of(pieces, *, low=0.0, **textures) -> Kit:
    design = Design(Strip(4, 4, 4.0, 4.0), strand=Strand(width=2 * RADIUS))
    design = replace(design, make=Make(trim=Trimming(textures=Textures(**{"size": 256, "padding": 8, **textures}))))
    done, sheet = finished(pieces, design.make.trim.textures, PERIOD, HEIGHT)
    high = max(float(one.fine.positions[:, 2].max()) for one in done)
    return Kit(design, done, sheet, PERIOD, HEIGHT, low, high)


def straight(lead=woven, **more) -> Piece:
    def make(rings, rails):
        return tube(straight_path, lead, np.linspace(0, PERIOD, rings), rails, **more)

    return piece("straight", Part.STRAIGHT, (BEHIND, AHEAD), make, repeats=1)


def woven_kit(**textures) -> Kit:
    """A straight piece, a corner and an end of two woven half tubes."""
    length = 2 * PERIOD + 3 * HEIGHT / 4 * np.pi / 2
    end = corner_path(np.array([length]))[0][0]
    ports = (BEHIND, Port((float(end[0]), float(end[1])), 90.0, True))

    def lead(strand, s):
        """Woven as ever in the arms; the turn holds the strands as they stand at its ends."""
        return woven(strand, np.where(s < PERIOD, s, np.maximum(s - (length - 2 * PERIOD), PERIOD)))

    corner = piece(
        "corner-inner-090",
        Part.INNER,
        ports,
        lambda rings, rails: tube(corner_path, lead, np.linspace(0, length, 3 * rings - 2), rails),
        turn=90.0,
    )
    cap = piece(
        "cap-ahead",
        Part.CAP,
        (BEHIND,),
        lambda rings, rails: tube(straight_path, woven, np.linspace(0, 10.0, rings), rails, ends=1),
    )
    return kit_of([straight(), corner, cap], **textures)
