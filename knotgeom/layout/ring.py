"""Rings, wheels, strips and mitred borders: cells in rows that go round, the last joined to the first.

All have sites (x, y) in half cells, x round and y across. A ring and a mitred border are seen with x anticlockwise and
y outward, a strip with x to the right and y up; so a ring's sites are a left-handed frame, a strip's a right-handed
one.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..design import Border, Breaks, Dome, Rim, Ring, Sphere, Strip, Turned
from ..mesh import Floats
from .assemble import set_out
from .grid import broken
from .halfedge import Layout
from .surfaces import Ball, Surface, lathe

Place = Callable[[Floats, Floats], Floats]
"""Points in mm, (n, 3), of places (x, y) in half cells."""


def ring_layout(ring: Ring, breaks: Breaks) -> Layout:
    """Set out a ring, or a wheel about a hub where its inner radius is 0."""
    depth = (ring.outer - ring.inner) / (2 * ring.rows)

    def place(x: Floats, y: Floats) -> Floats:
        angle, radius = x * (np.pi / ring.sectors), ring.inner + y * depth
        return np.stack([radius * np.cos(angle), radius * np.sin(angle), np.zeros(len(x))], 1)

    surface = dome(ring.outer, ring.surface)
    return _round(
        ring.sectors, ring.rows, place, breaks, ring.inner_edge, ring.outer_edge, False, surface, hub=ring.inner == 0
    )


def strip_layout(strip: Strip, breaks: Breaks) -> Layout:
    """Set out a strip, all its repeats; ``breaks`` are those of all of them.

    A flat strip and one on a cylinder are set out in the plane, where x comes round after the strip's length.
    """
    columns = strip.columns * strip.repeats
    wide, high = strip.cell_width / 2, strip.cell_height / 2
    period = 2 * columns * wide
    surface: Surface | None = None
    if isinstance(strip.surface, Sphere | Turned):
        if isinstance(strip.surface, Sphere):
            surface = Ball(strip.surface.diameter / 2)
        else:
            surface = lathe(np.array(strip.surface.profile))
        rows = _rows(strip, surface)

        def place(x: Floats, y: Floats) -> Floats:
            radius, height = rows[y.astype(np.int64)].T
            angle = x * (np.pi / columns)
            return np.stack([radius * np.sin(angle), height, radius * np.cos(angle)], 1)

        period = 0.0
    else:

        def place(x: Floats, y: Floats) -> Floats:
            return np.stack([x * wide, y * high, np.zeros(len(x))], 1)

    return _round(columns, strip.rows, place, breaks, strip.lower_edge, strip.upper_edge, True, surface, period=period)


def _rows(strip: Strip, surface: Surface) -> Floats:
    """Radius and height at every half row of a strip on a turned surface, (2 * rows + 1, 2)."""
    y = np.arange(2 * strip.rows + 1)
    if isinstance(surface, Ball):
        angle = (y - strip.rows) * strip.cell_height / 2 / surface.radius
        return np.stack([surface.radius * np.cos(angle), surface.radius * np.sin(angle)], 1)
    assert isinstance(strip.surface, Turned)
    form = lathe(np.array(strip.surface.profile))
    return np.stack(form.place(y / (2 * strip.rows) * form.along[-1]), 1)


def border_layout(border: Border, breaks: Breaks) -> Layout:
    """Set out a mitred border: the opening and the outer edge are alike in shape, with rows between them."""
    if border.polygon:
        along, corners = border.inside
        radius = along * border.cell / (2 * np.sin(np.pi / corners))
        turn = 2 * np.pi * np.arange(corners) / corners - np.pi / 2 - np.pi / corners
        inner = radius * np.stack([np.cos(turn), np.sin(turn)], 1)
        sides = [along] * corners
        out = border.deep * border.cell / np.cos(np.pi / corners)
        outer = inner + out * np.stack([np.cos(turn), np.sin(turn)], 1)
        outer, inner = outer - outer.min(0), inner - outer.min(0)
    else:
        columns, rows = border.inside
        size, deep = np.array([columns, rows]) * border.cell, border.deep * border.cell
        signs = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
        inner = signs * size + deep
        outer = signs * (size + 2 * deep)
        sides = [columns, rows, columns, rows]
    count = sum(sides)
    start = np.concatenate([[0], np.cumsum(sides)])

    def place(x: Floats, y: Floats) -> Floats:
        at = (x / 2) % count
        side = np.searchsorted(start, at, side="right") - 1
        share = ((at - start[side]) / np.array(sides)[side])[:, None]
        after = (side + 1) % len(sides)
        low = inner[side] * (1 - share) + inner[after] * share
        high = outer[side] * (1 - share) + outer[after] * share
        out = (y / (2 * border.deep))[:, None]
        return np.column_stack([low * (1 - out) + high * out, np.zeros(len(x))])

    return _round(count, border.deep, place, breaks, Rim.WALLED, Rim.WALLED, False, None)


def dome(span: float, surface: Dome | None) -> Surface | None:
    """The part of a sphere that rises over a plane layout reaching ``span`` mm from (0, 0)."""
    if surface is None:
        return None
    radius = (span**2 + surface.rise**2) / (2 * surface.rise)
    return Ball(radius, (0.0, 0.0, surface.rise - radius))


def _round(
    columns: int,
    rows: int,
    place: Place,
    breaks: Breaks,
    low: Rim,
    high: Rim,
    right_handed: bool,
    surface: Surface | None,
    *,
    period: float = 0.0,
    hub: bool = False,
) -> Layout:
    """Cells in ``rows`` going round in ``columns``. Half-edge ``2e`` points along x or along y.

    On a ring the faces run the other way about in (x, y), since its frame is left-handed.
    """
    wide, tall = 2 * columns, 2 * rows + 1
    x, y = (a.ravel() for a in np.meshgrid(np.arange(wide), np.arange(tall)))
    is_site = (x + y) % 2 == 1
    if hub:  # the inmost circle is a point
        is_site &= y > 0
    site = np.stack([x[is_site], y[is_site]], 1)
    edge_at = np.full(wide * tall, -1)
    edge_at[site[:, 1] * wide + site[:, 0]] = np.arange(len(site))
    odd = site[:, 0] % 2 == 1

    cx, cy = (2 * a.ravel() + 1 for a in np.meshgrid(np.arange(columns), np.arange(rows)))
    at = np.stack([cx, (cx + 1) % wide, cx, cx - 1], 1) + wide * np.stack([cy - 1, cy, cy + 1, cy], 1)
    half = 2 * edge_at[at] + np.array([0, 0, 1, 1])
    if not right_handed:  # left of x forth is y back: go round the other way, along the other half-edges
        half = (half ^ 1)[:, ::-1]
    there = edge_at[at] >= 0 if right_handed else (edge_at[at] >= 0)[:, ::-1]
    start = np.concatenate([[0], np.cumsum(there.sum(1))])

    ahead = np.where(odd[:, None], [[1, 0]], [[0, 1]])
    tail = np.zeros((2 * len(site), 3))
    tail[0::2] = place(*(site - ahead).astype(float).T)
    tail[1::2] = place(*(site + ahead).astype(float).T)
    middle = place(*site.astype(float).T)
    crossed = (low is Rim.CROSSED) & (site[:, 1] == 0) | (high is Rim.CROSSED) & (site[:, 1] == 2 * rows)
    return set_out(
        half[there],
        start,
        tail,
        site,
        crossed=crossed,
        breaks=broken(breaks, edge_at, wide, len(site)),
        rising=(odd == right_handed).astype(np.int64),
        right=int(right_handed),
        middle=middle,
        surface=surface,
        period=period,
    )


def rolled(vertices: Floats, period: float, radius: float) -> Floats:
    """Points of a strip bent round a cylinder about the y axis: x runs round, z outward from ``radius``, all mm."""
    far = radius + vertices[:, 2]
    half = np.tan(vertices[:, 0] * (np.pi / period))  # of half the angle: cheaper than sine and cosine
    share = 2.0 / (1.0 + half * half)
    bent = np.empty_like(vertices)
    bent[:, 0], bent[:, 1], bent[:, 2] = far * half * share, vertices[:, 1], far * (share - 1.0)
    return bent
