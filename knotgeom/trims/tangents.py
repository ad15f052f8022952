"""Tangents of a piece by the rules that renderers decode normal maps by.

The rules are those of M. S. Mikkelsen, Simulation of wrinkled surfaces revisited (2008), known as MikkTSpace: corners
with the same place, normal and uv whose triangles hang together across edges, with one orientation of uv, share a
tangent; it is the sum of their triangles' directions of growing u, each brought into the plane square to the normal
and weighted by the corner's angle seen in that plane. At seams the neighbour counts too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..mesh import Bools, Floats, Ints
from .kit import Port, TrimMesh
from .splitting import same, split, turned

UPRIGHT = 0.1
"""Of the texels that a level face has: about 6 degrees past upright."""


def set_tangents(mesh: TrimMesh, ports: Sequence[Port] = (), canonical: Mapping[str, Floats] | None = None) -> TrimMesh:
    """The mesh with its tangents; vertices at which the orientation of uv turns over are split.

    Parameters
    ----------
    ports : sequence of Port
        Those that ``mesh.seam`` belongs to.
    canonical : mapping of profile to (k, 4) float64, optional
        Tangents of a seam's vertices as the run goes along +x, see :func:`seam_tangents`. All vertices that stand at
        one of them get that tangent.
    """
    flat, turned_over = _orientation(mesh)
    if turned_over.any() and not turned_over.all():
        # a face without extent on the sheet has no orientation: it goes with what is usual
        mesh = split(mesh, np.where(flat, turned_over.mean() > 0.5, turned_over).astype(np.int64))
    weld = same(mesh.positions, mesh.normals, mesh.uv)
    tangents = _tangents(mesh, weld)
    for port, seam in zip(ports, mesh.seam) if canonical is not None else ():
        assert canonical is not None
        if port.profile not in canonical or not len(seam):
            continue
        turn = port.heading if port.ahead else port.heading + 180.0
        given = turned(canonical[port.profile], turn)
        place = same(mesh.positions, mesh.normals)
        order = np.argsort(place[seam], kind="stable")
        at = np.searchsorted(place[seam], place, sorter=order).clip(0, len(seam) - 1)
        there = place[seam][order[at]] == place
        tangents[there] = given[order[at[there]]]
    return replace(mesh, tangents=tangents)


def seam_tangents(straight: TrimMesh) -> Floats:
    """Tangents of the vertices where one straight piece meets the next, (k, 4), in the order of its seams.

    Both neighbours count: the piece is taken round so that its end meets its beginning.
    """
    behind, ahead = straight.seam
    weld = same(straight.positions, straight.normals, straight.uv)
    place = same(straight.positions, straight.normals)
    # all that stands at a vertex of the one end is one with what stands at the other
    for one, other in zip(behind, ahead):
        weld[place == place[other]] = weld[one]
        weld[place == place[one]] = weld[one]
    return np.asarray(_tangents(straight, weld)[behind])


def _orientation(mesh: TrimMesh) -> tuple[Bools, Bools]:
    """Of each triangle whether it has no direction of its own, and whether its uv run clockwise, (t,) each.

    A triangle that is but a line on the sheet has none. Nor has one that overhangs by less than ``UPRIGHT``: it goes
    with what it hangs on, since no texel is its own, and splitting vertices for it would gain nothing.
    """
    a, b, c = (mesh.uv[k].astype(float) for k in mesh.triangles.T)
    area = _cross(b - a, c - a)
    # uv are float32: what rounding alone makes of a line is no area
    size = np.maximum(np.abs(b - a).max(1), np.abs(c - a).max(1))
    flat: Bools = np.abs(area) <= 4 * np.finfo(np.float32).eps * size * np.abs(np.stack([a, b, c])).max((0, 2))
    p, q, r = (mesh.positions[k] for k in mesh.triangles.T)
    real = np.linalg.norm(np.cross(q - p, r - p), axis=1)
    share = np.divide(area, real, out=np.zeros_like(area), where=real > 0)
    flat |= (share < 0) & (share > -UPRIGHT * np.abs(share).max(initial=0.0))
    return flat, np.asarray((area < 0) & ~flat)


def _tangents(mesh: TrimMesh, weld: Ints) -> Floats:
    """Tangents and signs, (v, 4), of a mesh whose vertices of one number in ``weld`` are one."""
    corner = mesh.triangles
    p = mesh.positions[corner]
    st = mesh.uv[corner].astype(float)
    n = mesh.normals[corner]
    flat, over = _orientation(mesh)
    one, two = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    along = (st[:, 2, 1] - st[:, 0, 1])[:, None] * one - (st[:, 1, 1] - st[:, 0, 1])[:, None] * two
    along *= np.where(over, -1.0, 1.0)[:, None]
    along[flat] = 0.0
    along = _unit(along)[:, None]
    ahead, back = np.roll(p, -1, axis=1) - p, np.roll(p, 1, axis=1) - p
    sides = [_unit(_beside(side, n)) for side in (ahead, back)]
    angle = np.arccos(np.clip(np.einsum("ijk,ijk->ij", *sides), -1.0, 1.0))
    share = angle[..., None] * _unit(_beside(np.broadcast_to(along, n.shape), n))
    group = _groups(mesh, weld, over)
    total = np.zeros((group.max(initial=-1) + 1, 3))
    for k in range(3):
        total[:, k] = np.bincount(group.ravel(), share[..., k].ravel(), minlength=len(total))
    # one tangent a vertex: of the fans that meet there the one with the most to say
    size = np.linalg.norm(total, axis=1)
    best = np.lexsort((group.ravel(), size[group.ravel()]))
    of = np.full(len(mesh.positions), -1)
    of[corner.ravel()[best]] = group.ravel()[best]
    out = np.zeros((len(mesh.positions), 4))
    out[of >= 0, :3] = total[of[of >= 0]]
    sign = np.ones(len(mesh.positions))
    sign[corner[over].ravel()] = -1.0
    bare = np.linalg.norm(out[:, :3], axis=1) < 1e-12
    # nothing of it is seen on the sheet: as nearly along the run as the normal allows
    for axis in ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0)):
        way = np.asarray(axis) - mesh.normals[bare] * (mesh.normals[bare] @ np.asarray(axis))[:, None]
        out[bare, :3] = way
        bare &= np.linalg.norm(out[:, :3], axis=1) < 0.1
    out[:, :3] = _unit(out[:, :3])
    out[:, 3] = sign
    return out


def _groups(mesh: TrimMesh, weld: Ints, over: Bools) -> Ints:
    """The fan of each corner, (t, 3): corners at one vertex whose triangles hang together across its edges."""
    corner = weld[mesh.triangles]
    count = len(corner)
    number = np.arange(3 * count).reshape(count, 3)
    # the two sides at each corner: towards the next corner and towards the one before
    sides = [(corner, np.roll(corner, -1, axis=1)), (corner, np.roll(corner, 1, axis=1))]
    here = np.concatenate([a.ravel() for a, _ in sides])
    there = np.concatenate([b.ravel() for _, b in sides])
    which = np.concatenate([number.ravel(), number.ravel()])
    way = np.repeat(over, 3)[which]
    order = np.lexsort((which, way, there, here))
    here, there, which, way = here[order], there[order], which[order], way[order]
    joined = (here[1:] == here[:-1]) & (there[1:] == there[:-1]) & (way[1:] == way[:-1])
    a, b = which[:-1][joined], which[1:][joined]
    label = number.ravel().copy()
    while len(a):
        low = np.minimum(label[a], label[b])
        np.minimum.at(label, a, low)
        np.minimum.at(label, b, low)
        label = label[label]
        apart = label[a] != label[b]
        if not apart.any():
            break
    return np.unique(label, return_inverse=True)[1].reshape(count, 3)


def _beside(vectors: Floats, normals: Floats) -> Floats:
    """Vectors brought into the planes square to normals, (t, 3, 3)."""
    return np.asarray(vectors - np.einsum("ijk,ijk->ij", vectors, normals)[..., None] * normals)


def _unit(vectors: Floats) -> Floats:
    size = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.asarray(np.divide(vectors, size, out=np.zeros_like(vectors), where=size > 1e-30))


def _cross(a: Floats, b: Floats) -> Floats:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
