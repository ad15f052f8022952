"""Vertices that must stand twice: where the sheet parts, where a patch ends, where tangents turn over."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..mesh import Floats, Ints
from .kit import TrimMesh


def split(mesh: TrimMesh, group: Ints) -> TrimMesh:
    """Give every group of triangles vertices of its own.

    Parameters
    ----------
    group : (t,) int
        Triangles of one number go on sharing vertices.

    Returns
    -------
    TrimMesh
        Vertices in their old order, copies beside one another. Its seams name the first copy of each.
    """
    count = len(mesh.positions)
    names, number = np.unique(group, return_inverse=True)
    many = max(len(names), 1)
    corners = mesh.triangles.astype(np.int64) * many + number.reshape(-1, 1)
    unused = np.setdiff1d(np.arange(count), mesh.triangles)
    keys = np.union1d(corners, unused * many)
    of = keys // many
    return replace(
        mesh,
        positions=mesh.positions[of],
        normals=mesh.normals[of],
        triangles=np.searchsorted(keys, corners).astype(np.int32),
        strand=mesh.strand[of],
        along=mesh.along[of],
        across=mesh.across[of],
        seam=tuple(np.searchsorted(keys, one.astype(np.int64) * many).astype(np.int32) for one in mesh.seam),
        uv=mesh.uv[of],
        light_uv=mesh.light_uv[of],
        tangents=mesh.tangents[of],
    )


def same(*rows: Floats | Ints) -> Ints:
    """A number for each row, the same for rows that are the same to the bit in all arrays, (n,) int64."""
    # zeros of either sign are the same place
    bits = [np.ascontiguousarray(np.asarray(one, np.float32).reshape(len(one), -1) + np.float32(0.0)) for one in rows]
    both = np.ascontiguousarray(np.concatenate(bits, axis=1))
    view = both.view(np.dtype((np.void, both.dtype.itemsize * both.shape[1]))).ravel()
    return np.asarray(np.unique(view, return_inverse=True)[1], np.int64).reshape(-1)


def turned(points: Floats, degrees: float) -> Floats:
    """The first two columns turned anticlockwise about the origin; exact to the bit by quarter turns, (n, 2+)."""
    quarter = degrees / 90.0
    if quarter == round(quarter):
        cos, sin = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[round(quarter) % 4]
    else:
        cos, sin = float(np.cos(np.radians(degrees))), float(np.sin(np.radians(degrees)))
    out = np.array(points, float)
    x, y = points[:, 0], points[:, 1]
    out[:, 0], out[:, 1] = cos * x - sin * y, sin * x + cos * y
    return out
