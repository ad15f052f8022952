"""What cannot be printed or cast as it is asked for, said before any work or as soon as its size is known."""

from __future__ import annotations

import numpy as np

from ..design import Design, Making
from ..errors import DesignError
from ..mesh import Floats, Mesh
from .options import Place, Printing
from .profiles import Profile

SMALLEST, LARGEST = 1.0, 1000.0
"""Sides that a piece may have: below, a mesh in mm was meant in metres, above, the reverse."""


def refuse(design: Design, wanted: Printing, limits: Profile) -> None:
    """What can be refused before any work."""
    for name, part, thinnest in (
        ("bail", wanted.bail, limits.bail_wall.value),
        ("eye", wanted.eye, limits.eye_wall.value),
    ):
        if part is not None and thinnest is not None and part.wall < thinnest:
            raise DesignError(
                f"a wall of {part.wall:g} mm is thinner than {limits.name} allows",
                f"give at least {thinnest:g} mm, or a lower limit in a file of limits",
                f"make.print.{name}.wall",
            )
    if wanted.bail is not None and wanted.eye is not None and wanted.eye.place is Place.TOP:
        raise DesignError("a bail stands there already", 'give "bottom"', "make.print.eye.place")
    if design.heights.way is Making.FREE:
        for name in ("plate", "frame", "mark", "hollow"):
            if getattr(wanted, name) is not None:
                raise DesignError(
                    "free strands would no longer be free with it",
                    'leave it out, or make the strands "fused"',
                    f"make.print.{name}",
                )
    if wanted.hollow is not None and wanted.plate is not None and wanted.plate.thickness < wanted.hollow.wall:
        raise DesignError(
            f"a plate {wanted.plate.thickness:g} mm thick cannot be hollowed to a wall of {wanted.hollow.wall:g} mm",
            f"give a wall under {wanted.plate.thickness:g} mm, or a thicker plate",
            "make.print.hollow.wall",
        )


def no_size(wanted: Printing, scale: float) -> DesignError:
    """The refusal of a size in which nothing has room."""
    return DesignError(
        f"no knot is large enough to carry its plate, frame and bail in {wanted.size:g} mm; at {scale:.3g} of the "
        "design's own size there is still no room",
        "give a larger size or smaller fittings",
        "make.print.size",
    )


def refuse_size(bodies: tuple[Mesh, ...]) -> None:
    """Refuse a piece that was hardly meant in mm."""
    span = max(float(side) for side in _span(bodies))
    if not SMALLEST <= span <= LARGEST:
        raise DesignError(
            f"the piece is {span:.4g} mm across",
            f"give a make.print.size from {SMALLEST:g} to {LARGEST:,.0f} mm",
            "make.print.size",
        )


def _span(bodies: tuple[Mesh, ...]) -> Floats:
    low = np.min([body.vertices.min(0) for body in bodies], axis=0)
    high = np.max([body.vertices.max(0) for body in bodies], axis=0)
    return np.asarray(high - low)
