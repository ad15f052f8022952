"""Nets as meshes: corners become vertices, twice at hard edges, with their normals from the exact surface."""

from __future__ import annotations

import numpy as np

from ..mesh import Bools, Floats, Ints
from .kit import TrimMesh
from .net import Choice, Net, sides
from .options import Trimming
from .patches import Patches
from .seams import Seams, port_ends, run_ahead, runs_forward, seam_end, turned
from .shading import along_run, normals_for


def end_corners(net: Net, run: int, ring: int) -> Ints:
    """Corners of a run at a ring, row after row by rails, forks' corners aside."""
    own = np.flatnonzero((net.run == run) & (net.ring == ring) & (net.side < 0) & (net.patch // 4 == run))
    return own[np.lexsort((net.rail[own], net.patch[own]))]


def mesh_of(
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
        rows = end_corners(net, run, int(choices[run].rings[0 if end == 0 else -1]))
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
            for place in sorted({0, last, *choice.dense}):
                kept = choice.at(place)[row]
                rows = here[net.ring[here] == choice.rings[place]]
                if np.array_equal(kept, chain):
                    normals[rows], split[rows] = normal[place], edge
                else:
                    at = rings[place : place + 1]
                    one, one_edge = normals_for(run.points[at], along[at], kept, options.hard)
                    normals[rows], split[rows] = one[0], one_edge
            plain = np.setdiff1d(np.arange(1, last), list(choice.dense))
            inner = here[np.isin(net.ring[here], choice.rings[plain])]
            normals[inner] = normal[plain].reshape(-1, 2, 3)
            split[inner] = np.tile(edge, len(plain))
        for end in (0, 1):
            if seams is None or (number, end) not in ends:
                continue
            port, key = ends[number, end]
            at_port = patches.ports[port]
            rows = end_corners(net, number, int(choice.rings[0 if end == 0 else -1]))
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
        rows = end_corners(net, run, int(choices[run].rings[0 if end == 0 else -1]))
        _, first = np.unique(net.point[rows], return_index=True)
        rows = rows[np.sort(first)]
        ring = points[net.point[rows]]
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
