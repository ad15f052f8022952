"""Shapes seen from the front: the knot's silhouette, and outlines round it. Plan sections of manifold3d, mm."""

from __future__ import annotations

import math

import numpy as np

from ..mesh import Floats
from .bodies import Section, segments
from .options import Outline

STRAIGHT = 0.5
"""Length of a shield's upright sides, in half widths; below them arcs about the opposite ends meet in the point."""


def points_of(section: Section) -> Floats:
    """All corners of a section, (n, 2)."""
    return np.concatenate([np.asarray(part, float) for part in section.to_polygons()])


def filled(section: Section) -> Section:
    """The section without its holes."""
    from manifold3d import CrossSection, FillRule

    outer = [part for part in (np.asarray(p, float) for p in section.to_polygons()) if _area(part) > 0]
    whole: Section = CrossSection(outer, FillRule.Positive)
    return whole


def grown(section: Section, by: float, tolerance: float = 0.02) -> Section:
    """The section with its outline moved outward by so many mm, round at corners; below 0 inward."""
    from manifold3d import JoinType

    return section.offset(by, JoinType.Round, 2.0, segments(max(abs(by), 1e-3), tolerance)) if by else section


def outline(shape: Outline, knot: Section, margin: float, tolerance: float = 0.02) -> Section:
    """The outline of that shape that reaches ``margin`` mm beyond the knot's silhouette, holes filled.

    The knot's own outline is bridged where it runs into notches narrower than twice the bridging radius of 1 mm, which
    could be neither cast nor polished.
    """
    from manifold3d import CrossSection

    if shape is Outline.KNOT:
        bridge = 1.0
        return grown(filled(grown(filled(knot), margin + bridge, tolerance)), -bridge, tolerance)
    hull = points_of(knot.hull())
    low, high = hull.min(0), hull.max(0)
    middle, half = (low + high) / 2, (high - low) / 2
    local = hull - middle
    if shape is Outline.RECTANGLE:
        plain = CrossSection([_box(middle, half)])
    elif shape is Outline.SHIELD:
        plain = _shield(hull, middle)
    else:
        if shape is Outline.DISC:
            axes = np.full(2, float(np.hypot(*local.T).max()))
        else:
            axes = half * float(np.sqrt(((local / half) ** 2).sum(1)).max())
        axes = axes + margin
        sides = segments(float(axes.max()), tolerance)
        turn = 2 * np.pi * np.arange(sides) / sides
        round_about: Section = CrossSection([middle + axes * np.stack([np.cos(turn), np.sin(turn)], 1)])
        return round_about
    return grown(plain, margin, tolerance)


def _box(middle: Floats, half: Floats) -> Floats:
    return np.asarray(middle + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]), float)


def _shield(hull: Floats, middle: Floats) -> Section:
    """The least shield whose top lies on the hull's highest point and that holds all of the hull."""
    from manifold3d import CrossSection

    x, top = hull[:, 0] - middle[0], float(hull[:, 1].max())

    def holds(half: float) -> bool:
        y = hull[:, 1] - (top - STRAIGHT * half)
        below = (np.abs(x) + half) ** 2 + np.minimum(y, 0.0) ** 2 <= (2 * half) ** 2
        return bool(((np.abs(x) <= half) & below).all())

    least, most = 0.0, 4 * float(np.ptp(hull, axis=0).max())
    for _ in range(50):
        tried = (least + most) / 2
        least, most = (least, tried) if holds(tried) else (tried, most)
    arc = np.linspace(0.0, math.pi / 3, 24)
    right = np.stack([-most + 2 * most * np.cos(arc), -2 * most * np.sin(arc)], 1)
    left = right[::-1][1:] * [-1.0, 1.0]
    corners = np.array([[-most, STRAIGHT * most], [most, STRAIGHT * most]])
    outer = np.concatenate([corners, right, left])[::-1]
    shield: Section = CrossSection([outer + [middle[0], top - STRAIGHT * most]])
    return shield


def _area(polygon: Floats) -> float:
    x, y = polygon.T
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2)


def strip(x_low: float, x_high: float, y_low: float, y_high: float) -> Section:
    """A rectangle."""
    from manifold3d import CrossSection

    corners = [(x_low, y_low), (x_high, y_low), (x_high, y_high), (x_low, y_high)]
    rectangle: Section = CrossSection([np.array(corners, float)])
    return rectangle


def highest(section: Section, x_low: float, x_high: float) -> float | None:
    """The highest y of a section within a strip of x; None where there is nothing of it."""
    low, high = float(section.bounds()[1]) - 1, float(section.bounds()[3]) + 1
    part = section ^ strip(x_low, x_high, low, high)
    return None if part.is_empty() else float(part.bounds()[3])


def seat(section: Section, x_low: float, x_high: float, area: float) -> float | None:
    """The highest y above which a strip of x holds so many mm2 of a section; None where it never does."""
    low, high = float(section.bounds()[1]) - 1, float(section.bounds()[3]) + 1
    part = section ^ strip(x_low, x_high, low, high)
    if part.area() < area:
        return None
    for _ in range(40):
        tried = (low + high) / 2
        enough = (part ^ strip(x_low, x_high, tried, float(section.bounds()[3]) + 1)).area() >= area
        low, high = (tried, high) if enough else (low, tried)
    return low
