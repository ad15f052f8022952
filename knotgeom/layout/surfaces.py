"""Surfaces that strands lie on: where a point beside one belongs on it, and which way is up there.

A strand is drawn near a surface and brought back to it along the normal, so every surface answers one question: the
place nearest to a point, and the normal there. Of a ball that is the ray from its centre. A turned form has it in the
half plane through its axis, where it is the nearest place of the profile: the nearest of places laid out densely, then
one step of Newton's method along it. A triangle mesh is rounded first, as its corners' normals say, so that strands do
not show its edges.

Beyond its rim a surface goes on smoothly, since strands loop outside a crossed boundary.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from ..mesh import Floats, Ints
from .nearest import Tree

_CHUNK = 1 << 22  # distances worked out at a time


class Surface(Protocol):
    """What a layout that is not plane lies on."""

    def project(self, points: Floats) -> tuple[Floats, Floats]:
        """The nearest places on the surface and the unit normals there, both (n, 3), for points near it, (n, 3)."""


def unit(vectors: Floats) -> Floats:
    """Vectors of length 1 along the last axis; what is too short for a direction stays short."""
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    scaled: Floats = vectors / np.maximum(length, 1e-12)
    return scaled


@dataclass(frozen=True, slots=True)
class Ball:
    """A sphere of ``radius`` mm round ``centre``."""

    radius: float
    centre: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def project(self, points: Floats) -> tuple[Floats, Floats]:
        up = unit(points - np.array(self.centre))
        return np.array(self.centre) + self.radius * up, up


@dataclass(frozen=True, slots=True, eq=False)
class Lathe:
    """A turned form about the y axis: ``radius`` and ``height`` at places along its profile, mm, (k,) each.

    The profile is a natural cubic spline through given points, laid out densely; beyond its ends it runs straight on.
    Its outside is where the radius grows.
    """

    radius: Floats
    height: Floats
    along: Floats

    def project(self, points: Floats) -> tuple[Floats, Floats]:
        far = np.hypot(points[:, 0], points[:, 2])
        safe = np.maximum(far, 1e-9)
        around = np.stack([points[:, 0] / safe, points[:, 2] / safe], 1)
        foot, normal = self._nearest(np.stack([far, points[:, 1]], 1))
        place = np.stack([foot[:, 0] * around[:, 0], foot[:, 1], foot[:, 0] * around[:, 1]], 1)
        up = np.stack([normal[:, 0] * around[:, 0], normal[:, 1], normal[:, 0] * around[:, 1]], 1)
        return place, up

    def _nearest(self, at: Floats) -> tuple[Floats, Floats]:
        """Nearest places of the profile to points (radius, height), and its outward normals there."""
        line = np.stack([self.radius, self.height], 1)
        way = np.gradient(line, self.along, axis=0)
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        best = np.empty(len(at), np.int64)
        rows = max(1, _CHUNK // len(line))
        for begin in range(0, len(at), rows):
            away = at[begin : begin + rows, None] - line[None]
            best[begin : begin + rows] = (away**2).sum(2).argmin(1)
        # one Newton step along the profile from its nearest laid out place, with the tangent turning between places
        ahead = np.einsum("ij,ij->i", at - line[best], way[best])
        last = len(line) - 1
        other = np.clip(np.where(ahead >= 0, best + 1, best - 1), 0, last)
        gap = np.where(other == best, 1.0, np.abs(self.along[other] - self.along[best]))
        share = np.where(other == best, 0.0, np.clip(np.abs(ahead) / gap, 0.0, 1.0))
        tangent = unit(way[best] * (1 - share)[:, None] + way[other] * share[:, None])
        mean = unit(way[best] + tangent)
        foot = line[best] + ahead[:, None] * mean
        normal = np.stack([tangent[:, 1], -tangent[:, 0]], 1)
        return foot, normal

    def place(self, along: Floats) -> tuple[Floats, Floats]:
        """Radius and height at lengths along the profile."""
        return np.interp(along, self.along, self.radius), np.interp(along, self.along, self.height)


def lathe(profile: Floats, pieces: int = 64) -> Lathe:
    """The turned form whose profile runs through points (radius, height), (k, 2), as smoothly as they allow.

    A natural cubic spline over the chord length (C. de Boor, A Practical Guide to Splines, 1978, ch. 4).
    """
    chord = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(profile, axis=0), axis=1))])
    count = len(profile)
    gap = np.diff(chord)
    system = np.eye(count)
    value = np.zeros((count, 2))
    for i in range(1, count - 1):
        system[i, i - 1 : i + 2] = gap[i - 1], 2 * (gap[i - 1] + gap[i]), gap[i]
        value[i] = 6 * ((profile[i + 1] - profile[i]) / gap[i] - (profile[i] - profile[i - 1]) / gap[i - 1])
    bend = np.linalg.solve(system, value)
    t = np.unique(np.concatenate([np.linspace(a, b, pieces + 1) for a, b in zip(chord[:-1], chord[1:])]))
    k = np.clip(np.searchsorted(chord, t, side="right") - 1, 0, count - 2)
    u, v, h = (t - chord[k])[:, None], (chord[k + 1] - t)[:, None], gap[k][:, None]
    line = (
        bend[k] * v**3 / (6 * h)
        + bend[k + 1] * u**3 / (6 * h)
        + (profile[k] / h - bend[k] * h / 6) * v
        + (profile[k + 1] / h - bend[k + 1] * h / 6) * u
    )
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    return Lathe(line[:, 0], line[:, 1], along)


@dataclass(frozen=True, slots=True, eq=False)
class Facets:
    """A triangle mesh rounded between its vertices (Phong tessellation: T. Boubekeur and M. Alexa, 2008).

    Attributes
    ----------
    points, normals : (V, 3) float64
    triangles : (T, 3) int64
    beside : (T, m) int64
        The triangles that share a vertex with each, filled up with itself; round vertices of very many triangles those
        that share an edge.
    middles : Tree
        The middles of triangles.
    """

    points: Floats
    normals: Floats
    triangles: Ints
    beside: Ints
    middles: Tree

    def project(self, points: Floats) -> tuple[Floats, Floats]:
        foot, up = np.empty_like(points), np.empty_like(points)
        rows = max(1, _CHUNK // (12 * self.beside.shape[1]))
        middle = self.middles.nearest(points)
        for begin in range(0, len(points), rows):
            part = points[begin : begin + rows]
            first = middle[begin : begin + rows]
            for _ in range(2):  # the nearest middle is not always of the nearest triangle: look round once more
                near = self.beside[first]
                share, away = _nearest_on(part, self.points[self.triangles[near]])
                best = away.argmin(1)
                row = np.arange(len(part))
                first = near[row, best]
            weight = share[row, best]
            corners = self.triangles[first]
            corner, normal = self.points[corners], self.normals[corners]
            flat = np.einsum("nk,nkd->nd", weight, corner)
            drop = np.einsum("nkd,nkd->nk", flat[:, None] - corner, normal)
            rounded = flat - np.einsum("nk,nk,nkd->nd", weight, drop, normal)
            way = unit(np.einsum("nk,nkd->nd", weight, normal))
            foot[begin : begin + rows] = part - np.einsum("nd,nd->n", part - rounded, way)[:, None] * way
            up[begin : begin + rows] = way
        return foot, up


def _nearest_on(points: Floats, corners: Floats) -> tuple[Floats, Floats]:
    """Barycentric place on triangles (n, m, 3, 3) nearest to points (n, 3), and the square of the distance.

    The three regions of the plane are taken in turn: inside, and the three edges (C. Ericson, Real-Time Collision
    Detection, 2005, ch. 5.1.5).
    """
    a, b, c = corners[:, :, 0], corners[:, :, 1], corners[:, :, 2]
    p = points[:, None]
    ab, ac, ap = b - a, c - a, p - a
    d00, d01, d11 = (ab * ab).sum(2), (ab * ac).sum(2), (ac * ac).sum(2)
    d20, d21 = (ap * ab).sum(2), (ap * ac).sum(2)
    size = np.maximum(d00 * d11 - d01**2, 1e-30)
    v, w = (d11 * d20 - d01 * d21) / size, (d00 * d21 - d01 * d20) / size
    inside = np.stack([1 - v - w, v, w], 2)
    within = np.asarray((inside >= 0).all(2))
    best = np.where(within[..., None], inside, np.nan)
    gap = np.where(within, ((p - _mix(inside, corners)) ** 2).sum(2), np.inf)
    for i, j in ((0, 1), (1, 2), (2, 0)):
        along = corners[:, :, j] - corners[:, :, i]
        t = np.clip(((p - corners[:, :, i]) * along).sum(2) / np.maximum((along**2).sum(2), 1e-30), 0.0, 1.0)
        share = np.zeros(inside.shape)
        share[..., i], share[..., j] = 1 - t, t
        far = ((p - _mix(share, corners)) ** 2).sum(2)
        nearer = np.asarray(far < gap)
        best = np.where(nearer[..., None], share, best)
        gap = np.where(nearer, far, gap)
    return best, gap


def _mix(share: Floats, corners: Floats) -> Floats:
    mixed: Floats = np.einsum("nmk,nmkd->nmd", share, corners)
    return mixed
