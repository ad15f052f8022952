"""A united body made the finished piece: crumbs and slivers taken out, creases filled; and the model made of it.

After each step the body must still be a solid in single precision, of the same Euler number, none of whose triangles
cross; otherwise the step is taken more gently, or not at all, which the report then says.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from ..clean import clean, is_sound, separated, shell_volumes
from ..errors import DesignError
from ..mesh import Floats, Ints, Mesh, compact
from ..selfcut import crossing_pairs
from .allowances import finished_from
from .bodies import Solid, arrays_of, mesh_of, solid_of
from .fillet import Faired, filled
from .knot import Knot
from .options import Printing
from .roundness import Rounded

SHORT, LOW = 0.03, 0.008
"""Edges and heights of triangles below these are taken out before creases are filled, mm after scaling."""
HAIR = 0.002
"""How far corners that meet at one place are drawn apart, mm."""


@dataclass(frozen=True, slots=True, eq=False)
class Finished:
    """A body with its creases filled, what became of them, and the same body before."""

    vertices: Floats
    triangles: Ints
    creases: Rounded
    bare: tuple[Floats, Ints]


def finish(solid: Solid, wanted: Printing, knot: Knot, scale: float) -> Finished:
    """Small faces taken out, creases filled, and made sure that it is a solid still."""
    crumb = 1e-3 * (knot.width * scale) ** 2 * knot.thickness * scale
    fillet = 0.0 if knot.free else wanted.fillet
    kept: Finished | None = None
    for bare, last in _tidied(solid, min(0.002, wanted.tolerance / 10), crumb):
        # what is not to be filled is looked at as it will be, once
        if fillet and not last and len(crossing_pairs(*bare)):
            continue
        done = filled(*bare, fillet)
        if _euler(done.vertices, done.triangles) != _euler(*bare):
            # a fillet has closed or torn something: leave the creases as they are, which the report then says
            return finish(solid, replace(wanted, fillet=0.0), knot, scale)
        sound, clear = _rounded(done, min(0.003, wanted.tolerance / 15))
        if sound is not None and (clear or kept is None):
            kept = Finished(*sound, done.became, bare)
        if clear:
            break
        if sound is not None and done.became.usual is not None:
            # a fillet passes through something: smaller ones, or none, which the report then says
            smaller = wanted.fillet / 2 if wanted.fillet > 0.1 else 0.0
            return finish(solid, replace(wanted, fillet=smaller), knot, scale)
    if kept is None:
        raise DesignError(
            "the piece is no sound solid in single precision",
            "change the width, the thickness or make.print.fillet a little",
        )
    return kept


def _rounded(done: Faired, tolerance: float) -> tuple[tuple[Floats, Ints] | None, bool]:
    """The body in single precision, as files keep it, or None if it is not sound; and whether no triangles cross."""
    sound: tuple[Floats, Ints] | None = None
    for place, faces in _ways(done, tolerance):
        rounded = place.astype(np.float32).astype(float), faces
        if is_sound(*rounded, 0.0):
            sound = rounded if sound is None else sound
            seen = done.clear and np.array_equal(rounded[0], done.vertices)
            if seen or not len(crossing_pairs(*rounded)):
                return rounded, True
    return sound, False


def _ways(done: Faired, tolerance: float) -> Iterator[tuple[Floats, Ints]]:
    """Meshes of the same body, the one to be taken first; what comes with fillets has been tidied already."""
    kept = solid_of(done.vertices, done.triangles)
    yield arrays_of(kept.simplify(tolerance)) if done.became.usual is None else (done.vertices, done.triangles)
    yield arrays_of(kept)
    # corners that stand at one place, as where halves without a gap part, drawn apart by a hair
    yield separated(done.vertices, done.triangles, np.zeros(len(done.triangles), np.int64), HAIR)[:2]


def _euler(vertices: Floats, triangles: Ints) -> int:
    """Euler's number of a closed mesh that uses all its vertices: another where holes or bodies are."""
    return len(vertices) - len(triangles) // 2


def _tidied(solid: Solid, tolerance: float, crumb: float) -> Iterator[tuple[tuple[Floats, Ints], bool]]:
    """Small faces taken out, ever fewer, as triangles may then cross in grooves; and whether that is the last way."""
    for coarse, share in ((1.0, 1.0), (1.0, 0.1), (0.1, 0.1), (0.0, 0.01)):
        vertices, triangles = arrays_of(solid.simplify(coarse * tolerance) if coarse else solid)
        alike = np.zeros(len(triangles), np.int64)
        vertices, triangles, _ = clean(vertices, triangles, alike, share * SHORT, share * LOW)
        yield _bodies_kept(vertices, triangles, crumb), not coarse


def _bodies_kept(vertices: Floats, triangles: Ints, crumb: float) -> tuple[Floats, Ints]:
    """Without crumbs that a Boolean leaves."""
    kept = triangles[np.abs(shell_volumes(vertices, triangles)) > crumb]
    used, numbered = compact(kept, len(vertices))
    return vertices[used], numbered


def model_of(finished: Mesh, finishing: float, grow: float) -> Mesh:
    """A finished body with the allowances put on."""
    faces = finished.triangles.astype(np.int64)
    if finishing:
        vertices = finished_from(finished.vertices, faces, finishing, grow)
        solid_of(vertices, faces)
    else:
        vertices = (finished.vertices * grow).astype(np.float32).astype(float)
    return mesh_of(vertices, finished.triangles, int(finished.triangle_strand[0]))
