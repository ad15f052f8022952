"""Creases filled and sharp edges rounded by a ball that rolls along them.

Along every crease the room between it and the ball is united with the piece. So fillets meet one another as bodies do,
whatever creases do there, and nothing is filled that a ball would reach but in corners of three creases and more. A
sharp edge is a crease seen from within the material: what lies between it and the ball there is cut away.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..clean import clean, shell_volumes
from ..cycles import connected_labels
from ..mesh import Floats, Ints, compact
from .bodies import Solid, arrays_of, solid_of
from .creases import balls, chains, places, sides
from .edges import edges_of
from .roundness import Rounded, became, left
from .tubes import tubes
from .untangle import untangled

FAR = 4.0
"""How far along the surface a ball may touch, in radii."""
COARSE, SHORT, LOW = 0.002, 0.02, 0.004
"""What is taken out afterwards, mm: corners that lie in line, and edges and heights of triangles below these."""
CRUMB, HOLLOW = 0.02, 1.0
"""Bodies and shut hollows of less than this are no part of the piece, mm3."""


@dataclass(frozen=True, slots=True, eq=False)
class Faired:
    """The mesh and what became of its creases or sharp edges; ``clear``: it was seen that no two triangles cross."""

    vertices: Floats
    triangles: Ints
    became: Rounded
    clear: bool


def filled(vertices: Floats, triangles: Ints, radius: float) -> Faired:
    """Fill the creases of a closed mesh with fillets of a radius, mm, or of what fits between the surfaces.

    The mesh stays closed, of as many bodies and holes as before, and is in single precision then. With a radius of 0
    creases are left as they are.
    """
    return _rolled(vertices, triangles, radius, within=False)


def rounded(vertices: Floats, triangles: Ints, radius: float) -> Faired:
    """Round the sharp edges of a closed mesh with a radius, mm, or with what fits: see :func:`filled`."""
    return _rolled(vertices, triangles, radius, within=True)


def _rolled(vertices: Floats, triangles: Ints, radius: float, *, within: bool) -> Faired:
    seen = triangles[:, ::-1] if within else triangles
    edges = edges_of(vertices, seen)
    creases = chains(edges) if radius > 0 else []
    if not creases:
        length = left(vertices, seen, edges)
        return Faired(vertices, triangles, Rounded(length, None, None, length), False)
    found = places(vertices, edges, creases, radius)
    one, other = sides(vertices, seen, edges, found, FAR * radius)
    lying = balls(one, other, radius, FAR * radius)
    made = tubes(vertices, seen, edges, creases, found, one, other, lying)
    parts = [solid_of(*tube) for tube in made]
    changed = _changed(solid_of(vertices, triangles), parts, _shape(vertices, triangles), cut=within)
    vertices, triangles = _whole(changed.simplify(COARSE))
    vertices, triangles, _ = clean(vertices, triangles, np.zeros(len(triangles), np.int64), SHORT, LOW)
    vertices, clear = untangled(vertices, triangles)
    seen = triangles[:, ::-1] if within else triangles
    return Faired(vertices, triangles, became(vertices, seen, edges, found, lying), clear)


def _whole(solid: Solid) -> tuple[Floats, Ints]:
    """The mesh of a solid without crumbs and the hollows that fillets have shut in."""
    vertices, triangles = arrays_of(solid)
    volume = shell_volumes(vertices, triangles)
    kept = triangles[(volume > CRUMB) | (volume < -HOLLOW)]
    used, numbered = compact(kept, len(vertices))
    return vertices[used], numbered


def _shape(vertices: Floats, triangles: Ints) -> tuple[int, int]:
    """Bodies and Euler's number."""
    label = connected_labels(len(vertices), triangles.ravel(), np.roll(triangles, -1, axis=1).ravel())
    used = np.zeros(len(vertices), bool)
    used[triangles] = True
    return len(np.unique(label[used])), int(used.sum()) - len(triangles) // 2


def _changed(body: Solid, parts: list[Solid], shape: tuple[int, int], *, cut: bool) -> Solid:
    """A piece united with parts, or with them cut away, but for those that open or close a hole."""
    from manifold3d import Manifold, OpType

    whole: Solid = Manifold.batch_boolean([body, *parts], OpType.Subtract if cut else OpType.Add)
    if _shape(*_whole(whole)) == shape:
        return whole
    if len(parts) < 2:
        return body
    half = len(parts) // 2
    return _changed(_changed(body, parts[:half], shape, cut=cut), parts[half:], shape, cut=cut)
