"""Pieces as meshes: the exact surface as sampled, and levels of detail of it that keep a tolerance.

A level keeps some rings and some rails (:mod:`.budget`), stitches them (:mod:`.net`), sets its points off the surface
so that it is nowhere farther off than need be (:mod:`.fitting`), and takes its normals from the exact surface
(:mod:`.shading`). What stands at ports is the kit's (:mod:`.seams`).

**Hidden undersides** are left out unless asked for. Hidden is a column of faces that looks down along the whole run:
nothing straight above sees it. Upright walls stay, since a camera sees them aslant, and so do tops that pass under
another strand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..errors import DesignError
from ..mesh import Bools, Floats, Ints
from .budget import Survey, choose, open_ends, screen_tolerance, survey, tolerance_for
from .choosing import Chains, looped
from .deviation import deviation_of
from .fitting import Freedom, fit, free, sample, turn_diagonals
from .kit import TrimMesh
from .net import Choice, Net, build_net, sides
from .options import Trimming
from .patches import Patches
from .seams import (
    GRID,
    SeamEnd,
    Seams,
    Section,
    into_port,
    out_of_port,
    port_ends,
    run_ahead,
    runs_forward,
    seam_end,
    seam_normals,
    turned,
)
from .shading import along_run, normals_for

__all__ = [
    "choose_seams",
    "deviation",
    "fine_mesh",
    "level_mesh",
    "screen_tolerance",
    "tolerance_for",
]

BETWEEN = 7
"""Rings that a fit looks at between two kept ones."""


def choose_seams(straights: Sequence[Patches], tolerance: float, options: Trimming | None = None) -> Seams:
    """What stands at the ports of a level: found on the straight pieces, one of each profile, with ends joined."""
    options = options or Trimming()
    ends: dict[tuple[str, int], SeamEnd] = {}
    sections: list[Section] = []
    for straight in straights:
        known = Seams(tolerance, {}, tuple(sections))
        piece = survey(straight, options, known)
        choices = choose(piece, tolerance)
        for group in piece.groups:
            first = group.runs[0]
            if not group.flipped[0]:
                section = Section(group.section.figure, group.section.shown, choices[first].chains)
                if not any(section.figure is one.figure for one in sections):
                    sections.append(section)
        ends |= _fitted_ends(piece, choices, options)
    return Seams(tolerance, ends, tuple(sections))


def _fitted_ends(piece: Survey, choices: tuple[Choice, ...], options: Trimming) -> dict[tuple[str, int], SeamEnd]:
    """The ends of a straight piece's strands after it is fitted with both its ports as one seam."""
    patches = piece.patches
    choices = _same_ends(patches, choices)
    net, points = _fitted(piece, choices, _joined(patches, choices, build_net(patches, choices)))
    found: dict[tuple[str, int], SeamEnd] = {}
    ends = port_ends(patches)
    for port, key, run, end in ends:
        if end == 0:
            continue
        at = patches.ports[port]
        on = [other for _, other_key, other, other_end in ends if other_key == key and other_end == 0]
        if len(on) != 1:
            raise DesignError(
                f"the strand at place {key} of the seam does not go on through {patches.name}",
                "give a straight piece whose strands run on from port to port",
                patches.name,
            )
        chains = choices[run].at(len(choices[run].rings) - 1)
        rows = _end_corners(net, run, int(choices[run].rings[-1]))
        places = into_port(at, points[net.point[rows]])
        places = np.round(places / GRID) * GRID
        places[:, 0] = 0.0
        normals, split = seam_normals(patches.runs[run], patches.runs[on[0]], run_ahead(at), chains, options.hard)
        found[at.profile, key] = SeamEnd(
            runs_forward(at, end), chains, places, np.concatenate(normals), np.concatenate(split)
        )
    return found


def _same_ends(patches: Patches, choices: tuple[Choice, ...]) -> tuple[Choice, ...]:
    """Where a strand goes on from one port as another run with other rails, the rails it arrives with."""
    ends = port_ends(patches)
    arriving = {key: choices[run].chains for _, key, run, end in ends if end == 1}
    result = list(choices)
    for _, key, run, end in ends:
        if end == 0 and key in arriving:
            old = result[run]
            result[run] = Choice(old.rings, old.chains, arriving[key], old.last)
    return tuple(result)


def _end_corners(net: Net, run: int, ring: int) -> Ints:
    """Corners of a run at a ring, row after row by rails, forks' corners aside."""
    own = np.flatnonzero((net.run == run) & (net.ring == ring) & (net.side < 0) & (net.patch // 4 == run))
    return own[np.lexsort((net.rail[own], net.patch[own]))]


def _joined(patches: Patches, choices: tuple[Choice, ...], net: Net) -> Freedom:
    """Points of the two ports of a straight piece as one, kept to the seam's plane."""
    unknown = np.arange(len(net.points))
    plane = np.zeros((len(net.points), 3))
    ends = port_ends(patches)
    for port, key, run, end in ends:
        rows = net.point[_end_corners(net, run, int(choices[run].rings[0 if end == 0 else -1]))]
        way = np.radians(run_ahead(patches.ports[port]))
        plane[rows] = np.round([np.cos(way), np.sin(way), 0.0], 15)
        if end == 0:
            other = next(o for _, other_key, o, other_end in ends if other_key == key and other_end == 1)
            unknown[rows] = net.point[_end_corners(net, other, int(choices[other].rings[-1]))]
    return Freedom(unknown, plane, np.zeros(len(net.points), bool))


def _fitted(piece: Survey, choices: tuple[Choice, ...], freedom: Freedom) -> tuple[Net, Floats]:
    """The net with its diagonals laid and its points set off the surface."""
    return _fit_net(piece, build_net(piece.patches, choices), choices, freedom)


def _fit_net(piece: Survey, net: Net, choices: tuple[Choice, ...], freedom: Freedom) -> tuple[Net, Floats]:
    samples = sample(piece.patches, piece.shown, _sampled(piece, choices), net)
    net = replace(net, triangles=turn_diagonals(net, net.points, samples))
    samples = sample(piece.patches, piece.shown, _sampled(piece, choices), net)
    return net, fit(net, samples, freedom)


def _sampled(piece: Survey, choices: tuple[Choice, ...]) -> tuple[Ints, ...]:
    """Rings of every run that a fit looks at: kept ones and up to ``BETWEEN`` between two of them."""
    rings = []
    for run, choice in zip(piece.patches.runs, choices, strict=True):
        count = len(looped(run)[0])
        share = np.linspace(0, 1, BETWEEN + 2)[:-1]
        between = choice.rings[:-1, None] + np.diff(choice.rings)[:, None] * share
        near = np.unique(np.concatenate([np.round(between).astype(np.int64).ravel(), choice.rings]))
        rings.append(near[near < count])
    return tuple(rings)


def fine_mesh(patches: Patches, options: Trimming | None = None, straights: Sequence[Patches] = ()) -> TrimMesh:
    """The exact surface with all its rings and shown rails.

    ``straights`` give the normals at ports, so that they are the same in all pieces.
    """
    options = options or Trimming()
    _check(patches)
    piece = survey(patches, options)
    choices = _all_of(patches, piece.shown)
    seams = _exact_seams(straights, options) if straights else None
    net = build_net(patches, choices)
    return _shaded(patches, choices, net, net.points, options, seams)


def _all_of(patches: Patches, shown: tuple[Chains, ...]) -> tuple[Choice, ...]:
    return tuple(
        Choice(np.arange(len(looped(run)[0])), chains) for run, chains in zip(patches.runs, shown, strict=True)
    )


def _exact_seams(straights: Sequence[Patches], options: Trimming) -> Seams:
    """Seams with every shown rail on the exact surface."""
    ends: dict[tuple[str, int], SeamEnd] = {}
    for straight in straights:
        shown = survey(straight, options).shown
        every = port_ends(straight)
        for port, key, run, end in every:
            if end == 0:
                continue
            at = straight.ports[port]
            on = next(other for _, k, other, e in every if k == key and e == 0)
            normals, split = seam_normals(
                straight.runs[run], straight.runs[on], run_ahead(at), shown[run], options.hard
            )
            rails = np.concatenate(shown[run]) % straight.runs[run].points.shape[1]
            ends[at.profile, key] = SeamEnd(
                runs_forward(at, end),
                shown[run],
                into_port(at, straight.runs[run].points[-1, rails]),
                np.concatenate(normals),
                np.concatenate(split),
            )
    return Seams(0.0, ends, ())


def level_mesh(
    patches: Patches, tolerance: float, options: Trimming | None = None, seams: Seams | None = None
) -> TrimMesh:
    """A level that is no more than about the tolerance off the exact surface; at ports as ``seams`` say.

    Without ``seams`` ports stand on the exact surface, with rails of the piece's own choice.
    """
    return make_level(patches, tolerance, options, seams)[0]


def make_level(
    patches: Patches, tolerance: float, options: Trimming | None = None, seams: Seams | None = None
) -> tuple[TrimMesh, float]:
    """A level and its deviation, mm: see :func:`level_mesh` and :func:`deviation`."""
    options = options or Trimming()
    _check(patches)
    piece = survey(patches, options, seams)
    choices = choose(piece, tolerance, seams)
    net = build_net(patches, choices)
    points, fixed = net.points.copy(), np.zeros(len(net.points), bool)
    for port, key, run, end in port_ends(patches):
        rows = net.point[_end_corners(net, run, int(choices[run].rings[0 if end == 0 else -1]))]
        fixed[rows] = True
        if seams is not None:
            corners = patches.runs[run].points.shape[1]
            at = patches.ports[port]
            points[rows] = out_of_port(at, seam_end(seams, at, key, end, corners).places)
    every = free(len(points))
    net, points = _fit_net(piece, replace(net, points=points), choices, Freedom(every.unknown, every.plane, fixed))
    off = deviation_of(patches, piece.shown, net, build_net(patches, _all_of(patches, piece.shown)), points)
    return _shaded(patches, choices, net, points, options, seams), off


def deviation(patches: Patches, tolerance: float, options: Trimming | None = None, seams: Seams | None = None) -> float:
    """Greatest distance, mm, between the level made so and the exact surface that is shown, both ways."""
    return make_level(patches, tolerance, options, seams)[1]


def _check(patches: Patches) -> None:
    if open_ends(patches):
        raise ValueError(f"{patches.name}: {open_ends(patches)} runs end at neither a port nor a fork")


def _shaded(
    patches: Patches,
    choices: tuple[Choice, ...],
    net: Net,
    points: Floats,
    options: Trimming,
    seams: Seams | None,
) -> TrimMesh:
    """Corners as vertices, twice at hard edges, with their normals from the exact surface."""
    normals, split = _corner_normals(patches, choices, net, options, seams)
    side = sides(net)
    code = net.triangles * 2 + np.where(split[net.triangles], side, 0)
    used, index = np.unique(code.ravel(), return_inverse=True)
    corner, way = used // 2, used % 2
    way = np.where(net.side[corner] >= 0, net.side[corner], way)
    triangles = index.reshape(-1, 3)
    seam: list[list[Ints]] = [[] for _ in patches.ports]
    of_code = np.full(2 * len(net.point), -1)
    of_code[used] = np.arange(len(used))
    for port, key, run, end in port_ends(patches):
        rows = _end_corners(net, run, int(choices[run].rings[0 if end == 0 else -1]))
        both = of_code[np.stack([2 * rows, 2 * rows + 1], 1)]
        forward = runs_forward(patches.ports[port], end)
        if not (forward if seams is None else seams.ends[patches.ports[port].profile, key].forward == forward):
            rows_at = [both[np.isin(net.patch[rows], patch)][::-1, ::-1] for patch in np.unique(net.patch[rows])]
            both = np.concatenate(rows_at)
        seam[port].append(both[both >= 0])
    strand = np.array([run.strand for run in patches.runs])
    _, patch = np.unique(net.triangle_patch, return_inverse=True)
    mesh = TrimMesh(
        positions=points[net.point[corner]],
        normals=normals[corner, way],
        triangles=triangles.astype(np.int32),
        strand=strand[net.run[corner]].astype(np.int32),
        along=net.along[corner],
        across=net.across[corner],
        seam=tuple(np.concatenate(rows).astype(np.int32) if rows else np.zeros(0, np.int32) for rows in seam),
        patch=patch.astype(np.int32),
        uv=np.zeros((len(used), 2), np.float32),
        light_uv=np.zeros((len(used), 2), np.float32),
        tangents=np.zeros((len(used), 4)),
    )
    return _capped(patches, choices, net, points, mesh) if options.capped else mesh


def _corner_normals(
    patches: Patches, choices: tuple[Choice, ...], net: Net, options: Trimming, seams: Seams | None
) -> tuple[Floats, Bools]:
    """Normals of all corners from the column before and after, (c, 2, 3), and which are hard edges, (c,)."""
    normals = np.zeros((len(net.point), 2, 3))
    split = np.zeros(len(net.point), bool)
    ends = {(run, end): (port, key) for port, key, run, end in port_ends(patches)}
    for number, (run, choice) in enumerate(zip(patches.runs, choices, strict=True)):
        count, corners = run.points.shape[:2]
        along = along_run(run)
        own = np.flatnonzero(net.patch // 4 == number)
        own = own[net.patch[own] < 4 * len(patches.runs)]
        last = len(choice.rings) - 1
        for row, chain in enumerate(choice.chains):
            here = own[net.patch[own] == 4 * number + row]
            rings = choice.rings % count
            normal, edge = normals_for(run.points[rings], along[rings], chain, options.hard)
            for place in (0, last):
                kept = choice.at(place)[row]
                rows = here[net.ring[here] == choice.rings[place]]
                if np.array_equal(kept, chain):
                    normals[rows], split[rows] = normal[place], edge
                else:
                    at = rings[place : place + 1]
                    one, one_edge = normals_for(run.points[at], along[at], kept, options.hard)
                    normals[rows], split[rows] = one[0], one_edge
            inner = here[(net.ring[here] != choice.rings[0]) & (net.ring[here] != choice.rings[last])]
            normals[inner] = normal[1:-1].reshape(-1, 2, 3)
            split[inner] = np.tile(edge, len(rings) - 2)
        for end in (0, 1):
            if seams is None or (number, end) not in ends:
                continue
            port, key = ends[number, end]
            at_port = patches.ports[port]
            rows = _end_corners(net, number, int(choice.rings[0 if end == 0 else -1]))
            found = seam_end(seams, at_port, key, end, corners)
            normals[rows], split[rows] = turned(found.normals, run_ahead(at_port)), found.split
    _fork_normals(patches, net, normals, split)
    return normals, split


def _fork_normals(patches: Patches, net: Net, normals: Floats, split: Bools) -> None:
    """Corners of forks take the normals of the runs that meet there."""
    table = {}
    forks = net.patch >= 4 * len(patches.runs)
    sizes = np.array([run.points.shape[1] for run in patches.runs])
    for row in np.flatnonzero(~forks & np.isin(net.point, net.point[forks])):
        table[net.run[row], net.ring[row], net.rail[row] % sizes[net.run[row]]] = row
    for row in np.flatnonzero(forks):
        like = table[net.run[row], net.ring[row], net.rail[row] % sizes[net.run[row]]]
        normals[row], split[row] = normals[like], split[like]


def _capped(patches: Patches, choices: tuple[Choice, ...], net: Net, points: Floats, mesh: TrimMesh) -> TrimMesh:
    """Strands closed at their ports by a flat face each, which has its own vertices and normals out of the piece."""
    places, ways, faces, strands, alongs, acrosses, patch = [], [], [], [], [], [], []
    count, unrolled = len(mesh.positions), int(mesh.patch.max()) + 1
    for port, _, run, end in port_ends(patches):
        rows = _end_corners(net, run, int(choices[run].rings[0 if end == 0 else -1]))
        _, first = np.unique(net.point[rows], return_index=True)
        rows = rows[np.sort(first)]
        ring = points[net.point[rows]]
        if len(ring) < 3:
            continue
        middle = len(ring) // 2
        at = np.arange(len(ring))
        one = _zip(at[: middle + 1], at[:middle:-1])
        heading = np.radians(patches.ports[port].heading)
        out = np.round([np.cos(heading), np.sin(heading), 0.0], 15)
        face = np.array(one).reshape(-1, 3)
        if end == 0:
            face = face[:, ::-1]
        places.append(ring)
        ways.append(np.broadcast_to(out, ring.shape))
        faces.append(face + count)
        strands.append(np.full(len(ring), patches.runs[run].strand))
        across = ring[:, :2] @ np.array([-out[1], out[0]])
        alongs.append(ring[:, 2])
        acrosses.append(across)
        patch.append(np.full(len(face), unrolled))
        count, unrolled = count + len(ring), unrolled + 1
    if not places:
        return mesh
    more = sum(len(ring) for ring in places)
    return TrimMesh(
        positions=np.concatenate([mesh.positions, *places]),
        normals=np.concatenate([mesh.normals, *ways]),
        triangles=np.concatenate([mesh.triangles, *faces]).astype(np.int32),
        strand=np.concatenate([mesh.strand, *strands]).astype(np.int32),
        along=np.concatenate([mesh.along, *alongs]),
        across=np.concatenate([mesh.across, *acrosses]),
        seam=mesh.seam,
        patch=np.concatenate([mesh.patch, *patch]).astype(np.int32),
        uv=np.zeros((len(mesh.uv) + more, 2), np.float32),
        light_uv=np.zeros((len(mesh.uv) + more, 2), np.float32),
        tangents=np.zeros((len(mesh.uv) + more, 4)),
    )


def _zip(up: Ints, down: Ints) -> list[tuple[int, int, int]]:
    """Triangles of a polygon between its two halves, both from the same end; anticlockwise as the polygon is."""
    faces, a, b = [], 0, 0
    while a < len(up) - 1 or b < len(down) - 1:
        if a < len(up) - 1 and (b >= len(down) - 1 or a <= b):
            faces.append((int(up[a]), int(up[a + 1]), int(down[b])))
            a += 1
        else:
            faces.append((int(up[a]), int(down[b + 1]), int(down[b])))
            b += 1
    return faces
