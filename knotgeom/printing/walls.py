"""Least wall and least gap of a solid, measured on its surface."""

from __future__ import annotations

from dataclasses import dataclass

from ..mesh import Mesh


@dataclass(frozen=True, slots=True)
class Measure:
    """A length measured on a mesh.

    Attributes
    ----------
    value : float
        In mm; infinite where the mesh has no such place.
    error : float
        How far the true value may lie from it, mm, either way.
    at : (float, float, float) or None
        The middle of the stretch measured, mm.
    ends : two points or None
        Where the stretch begins and ends on the surface.
    """

    value: float
    error: float
    at: tuple[float, float, float] | None = None
    ends: tuple[tuple[float, float, float], tuple[float, float, float]] | None = None


def least_wall(mesh: Mesh, *, spacing: float | None = None) -> Measure:
    """The thinnest place of the material."""
    raise NotImplementedError


def least_gap(mesh: Mesh, *, spacing: float | None = None) -> Measure:
    """The narrowest open place between two faces of the surface."""
    raise NotImplementedError
