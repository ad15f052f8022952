"""Between plain arrays and manifold3d's solids. Lengths are mm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

import numpy as np

from ..errors import DesignError
from ..mesh import Floats, Ints, Mesh, compact, spanned_volumes

if TYPE_CHECKING:
    from manifold3d import JoinType

Vector = Sequence[float] | Floats


class Arrays(Protocol):
    """What is taken of a ``manifold3d.Mesh64``."""

    @property
    def vert_properties(self) -> Floats: ...
    @property
    def tri_verts(self) -> Ints: ...
    @property
    def merge_from_vert(self) -> Ints: ...
    @property
    def merge_to_vert(self) -> Ints: ...


class Solid(Protocol):
    """What is asked of a ``manifold3d.Manifold``; type checkers do not find that package's own types."""

    def __add__(self, other: Solid, /) -> Solid: ...
    def __sub__(self, other: Solid, /) -> Solid: ...
    def __xor__(self, other: Solid, /) -> Solid: ...
    def translate(self, by: Vector, /) -> Solid: ...
    def rotate(self, degrees: Vector, /) -> Solid: ...
    def transform(self, matrix: Floats, /) -> Solid: ...
    def simplify(self, tolerance: float, /) -> Solid: ...
    def trim_by_plane(self, normal: Vector, offset: float, /) -> Solid: ...
    def decompose(self) -> list[Solid]: ...
    def project(self) -> Section: ...
    def slice(self, height: float, /) -> Section: ...
    def to_mesh64(self) -> Arrays: ...
    def bounding_box(self) -> tuple[float, float, float, float, float, float]: ...
    def min_gap(self, other: Solid, most: float, /) -> float: ...
    def volume(self) -> float: ...
    def genus(self) -> int: ...
    def is_empty(self) -> bool: ...


class Section(Protocol):
    """What is asked of a ``manifold3d.CrossSection``: a shape in plan."""

    def __add__(self, other: Section, /) -> Section: ...
    def __sub__(self, other: Section, /) -> Section: ...
    def __xor__(self, other: Section, /) -> Section: ...
    def translate(self, by: Vector, /) -> Section: ...
    def scale(self, by: Vector, /) -> Section: ...
    def mirror(self, normal: Vector, /) -> Section: ...
    def offset(self, by: float, join: JoinType, miter: float, segments: int, /) -> Section: ...
    def hull(self) -> Section: ...
    def extrude(self, height: float, /) -> Solid: ...
    def to_polygons(self) -> list[Floats]: ...
    def bounds(self) -> tuple[float, float, float, float]: ...
    def area(self) -> float: ...
    def is_empty(self) -> bool: ...


def solid_of(vertices: Floats, triangles: Ints) -> Solid:
    """The solid inside a closed mesh.

    Raises
    ------
    DesignError
        The mesh is closed by no solid.
    """
    from manifold3d import Error, Manifold, Mesh64

    made = Manifold(Mesh64(np.ascontiguousarray(vertices, np.float64), np.ascontiguousarray(triangles, np.uint64)))
    if made.status() != Error.NoError or made.is_empty():
        raise DesignError(f"the mesh is no solid ({made.status()})", "change the width or the thickness a little")
    sound: Solid = made
    return sound


def arrays_of(solid: Solid) -> tuple[Floats, Ints]:
    """Vertices (n, 3) and triangles (t, 3) of a solid, vertices joined."""
    mesh = solid.to_mesh64()
    triangles = np.asarray(mesh.tri_verts, np.int64)
    if len(mesh.merge_from_vert):
        joined = np.arange(len(mesh.vert_properties))
        joined[np.asarray(mesh.merge_from_vert, np.int64)] = np.asarray(mesh.merge_to_vert, np.int64)
        triangles = joined[triangles]
    vertices = np.asarray(mesh.vert_properties, np.float64)[:, :3]
    used, numbered = compact(triangles, len(vertices))
    return vertices[used], numbered


def mesh_of(vertices: Floats, triangles: Ints, strand: int = 0) -> Mesh:
    """Plain triangles as a mesh, laid out by plan; all faces belong to the circuit ``strand``."""
    return Mesh(
        vertices=vertices,
        quads=np.zeros((0, 4), np.int32),
        triangles=triangles.astype(np.int32),
        quad_uv=np.zeros((0, 4, 2), np.float32),
        triangle_uv=np.ascontiguousarray(vertices[triangles][:, :, :2], np.float32),
        quad_strand=np.zeros(0, np.int32),
        triangle_strand=np.full(len(triangles), strand, np.int32),
    )


def joined(meshes: tuple[Mesh, ...]) -> Mesh:
    """Several meshes of triangles as one; body ``k`` has the circuit number ``k``."""
    first = np.cumsum([0, *(len(mesh.vertices) for mesh in meshes)])
    triangles = np.concatenate([mesh.triangles + start for mesh, start in zip(meshes, first)])
    vertices = np.concatenate([mesh.vertices for mesh in meshes])
    mesh = mesh_of(vertices, triangles)
    mesh.triangle_strand[:] = np.repeat(np.arange(len(meshes)), [len(one.triangles) for one in meshes])
    return mesh


def contents(vertices: Floats, triangles: Ints) -> tuple[float, Floats]:
    """Volume in mm3 and centre of mass (3,) of what a closed mesh encloses, by the divergence theorem."""
    origin = vertices.mean(0)
    spanned = spanned_volumes(vertices - origin, triangles)
    volume = float(spanned.sum())
    quarter = (vertices - origin)[triangles].sum(1) / 4  # where each tetrahedron has its centre
    return volume, origin + (quarter * spanned[:, None]).sum(0) / volume


def segments(radius: float, tolerance: float) -> int:
    """Sides of a polygon whose middles lie within ``tolerance`` of a circle, a multiple of four."""
    share = min(max(tolerance / max(radius, 1e-9), 1e-6), 0.3)
    return max(16, 4 * math.ceil(math.pi / math.acos(1 - share) / 4))


def cylinder(radius: float, length: float, at: Floats, axis: str, tolerance: float) -> Solid:
    """A cylinder about a centre, its polygon circumscribed so that a bore is never too narrow."""
    from manifold3d import Manifold

    sides = segments(radius, tolerance)
    wide = radius / math.cos(math.pi / sides)
    rod: Solid = Manifold.cylinder(length, wide, wide, sides, True)
    if axis == "x":
        rod = rod.rotate((0.0, 90.0, 0.0))
    return rod.translate(tuple(float(v) for v in at))


def ring(radius: float, wire: float, at: Floats, tolerance: float) -> Solid:
    """A ring of round wire about the x axis: ``radius`` to the middle of the wire, ``wire`` its thickness."""
    from manifold3d import CrossSection, Manifold

    section = CrossSection.circle(wire / 2, segments(wire / 2, tolerance)).translate((radius, 0.0))
    turned: Solid = Manifold.revolve(section, segments(radius + wire / 2, tolerance))
    return turned.rotate((0.0, 90.0, 0.0)).translate(tuple(float(v) for v in at))


def slab(section: Section, low: float, high: float) -> Solid:
    """A plan section from one height to another."""
    return section.extrude(high - low).translate((0.0, 0.0, low))
