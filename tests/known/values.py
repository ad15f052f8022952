"""Numbers of a few designs that every Python, NumPy and machine must give.

They are kept beside this script in ``values.json``, which ``python tests/known/values.py`` writes; tests of the core
and of the add-on, in the Python of Blender, compare what they make with them. What is written anew has to be looked
at: it is a change of what users get.
"""

from __future__ import annotations

import importlib.util
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from knotgeom.carving.options import Carving
from knotgeom.carving.relief import carve
from knotgeom.design import (
    Border,
    Breaks,
    CircuitStyle,
    Corners,
    Cylinder,
    Design,
    Divide,
    Dome,
    FreeMesh,
    Grid,
    Heights,
    Joins,
    Make,
    Making,
    Panel,
    Pass,
    Piece,
    Rejoin,
    Rim,
    Ring,
    Section,
    Site,
    Sphere,
    Strand,
    Strip,
    Turn,
    Turned,
    Turns,
    Way,
)
from knotgeom.made import make
from knotgeom.printing.piece import make_piece
from knotgeom.trims.build import make_kit
from knotgeom.trims.options import Part, Textures, Trimming

KEPT = Path(__file__).parent / "values.json"
NEAR = 1e-6
"""How far apart the same place may come out, mm."""

_SCATTERED = tuple(
    Pass(x, y, way)
    for x in range(1, 20)
    for y in range(1, 16)
    for turn, way in enumerate(Way)
    if (x + y) % 2 and (7 * x * x + 3 * x * y + 5 * y + 4 * turn) % 11 < 2
)
DESIGNS = {
    "plain": Design(Grid(4, 3, 10.0, 10.0)),
    "breaks and a cell less": Design(Grid(4, 4, 10.0, 12.0, ((3, 3),)), Breaks((Site(3, 4),), (Site(4, 3),))),
    "forks": Design(
        Grid(10, 8, 10.0, 10.0), divide=Divide(passes=_SCATTERED, gap=1.2), strand=Strand(3.6, 0.4, Section.FLAT)
    ),
    "halves, rejoined": Design(Grid(5, 4, 10.0, 10.0), divide=Divide(all=True, rejoin=Rejoin.BENDS, gap=1.2)),
    "carved": Design(Grid(3, 3, 10.0, 10.0), heights=Heights(Making.CARVED)),
    "fused, half-round": Design(
        Grid(3, 3, 10.0, 10.0), strand=Strand(section=Section.HALF_ROUND), heights=Heights(Making.FUSED)
    ),
    "dome": Design(Ring(7, 2, 25.0, 50.0, surface=Dome(10.0)), strand=Strand(3.0, 0.6)),
    "cylinder": Design(Strip(3, 2, 10.0, 10.0, 3, surface=Cylinder()), strand=Strand(3.0, 0.6)),
    "mitred border": Design(Border((3, 2), 1, 10.0, corners=Corners.MITRED), strand=Strand(3.0, 0.6)),
    "mesh": Design(
        FreeMesh(
            ((0, 0, 0), (20, 0, 0), (20, 20, 0), (0, 20, 0), (10, 32, 0)), ((0, 1, 2, 3), (3, 2, 4))
        ),
        strand=Strand(2.0, 0.4),
    ),
}  # fmt: skip


FUSED = Heights(Making.FUSED)
_PLAIT = Design(Strip(4, 2, 10.0, 10.0), strand=Strand(4.2, 2.4), heights=Heights(Making.FUSED, step=2.0))
DESIGNS |= {
    "wheel on a dome": Design(Ring(8, 2, 0.0, 50.0, surface=Dome(9.0)), strand=Strand(3.0, 0.6), heights=FUSED),
    "sphere, divided": Design(
        Strip(5, 3, 10.0, 10.0, 2, upper_edge=Rim.CROSSED, surface=Sphere(60.0)),
        divide=Divide(all=True, gap=0.6),
        strand=Strand(3.6, 0.5),
    ),
    "turned form": Design(
        Strip(3, 3, 9.0, 10.0, 4, surface=Turned(((16.0, 0.0), (20.0, 14.0), (15.0, 30.0)))), strand=Strand(3.0, 0.6)
    ),
    "flat strip": _PLAIT,
    "square border": Design(Border((3, 2), 2, 10.0), divide=Divide(passes=(Pass(3, 2, Way.RISING),)), heights=FUSED),
    "panel of pieces": Design(
        Panel(
            (
                Piece("one", design=Design(Grid(3, 2, 10.0, 10.0))),
                Piece("two", (30.0, 0.0), 90, True, Design(Grid(2, 3, 10.0, 10.0), Breaks((Site(1, 2),)))),
            ),
            Joins.ALL,
        ),
        heights=Heights(Making.CARVED),
    ),
    "carved, divided": Design(
        Grid(4, 3, 12.0, 12.0), divide=Divide(all=True, rejoin=Rejoin.BENDS), heights=Heights(Making.CARVED)
    ),
    "incised, own widths": Design(
        Grid(3, 4, 10.0, 10.0),
        strand=Strand(
            section=Section.MEDIAN_INCISED,
            circuits=(CircuitStyle(Pass(1, 2, Way.RISING), 3.0),),
            turns=Turns(Turn.ROUND, Turn.POINTED, Turn.POINTED),
        ),
    ),
    "an own outline": Design(
        Grid(2, 3, 10.0, 10.0),
        strand=Strand(section=((0.0, 0.0), (4.0, 0.0), (4.0, 1.0), (3.0, 2.0), (1.5, 1.6), (0.0, 1.2))),
        heights=FUSED,
    ),
    "curved mesh": Design(
        FreeMesh(
            ((0, 0, 0), (20, 0, 2), (20, 20, 0), (0, 20, 3), (10, 32, -2), (30, 10, -4)),
            ((0, 1, 2, 3), (3, 2, 4), (1, 5, 2)),
            Rim.CROSSED,
        ),
        strand=Strand(2.0, 0.4),
    ),
}
RELIEFS = {
    "relief": Design(
        Grid(3, 2, 12.0, 12.0),
        heights=Heights(Making.CARVED),
        make=Make(carve=Carving(board=(60.0, 48.0, 12.0), depth=4.0, resolution=0.5)),
    ),
    "relief, divided": Design(
        Grid(4, 3, 14.0, 14.0),
        divide=Divide(passes=(Pass(3, 2, Way.RISING), Pass(3, 2, Way.FALLING))),
        heights=Heights(Making.CARVED),
        make=Make(carve=Carving(board=(80.0, 64.0, 15.0), depth=5.0, resolution=0.5)),
    ),
}
"""Carved on boards."""
PIECES = {
    "pendant": Design(Grid(2, 3, 6.0, 6.0), heights=FUSED),
    "free strands": Design(Grid(2, 2, 8.0, 8.0)),
}
"""Finished for printing and casting; these need manifold3d, which is no part of Blender."""
KITS = {
    "kit": replace(
        _PLAIT,
        make=Make(
            trim=Trimming(
                triangles=400,
                levels=(100.0, 40.0),
                pieces=(Part.STRAIGHT, Part.INNER, Part.CAP),
                textures=Textures(size=256, padding=4),
            )
        ),
    )
}
"""Trim kits."""
ALL = {**DESIGNS, **RELIEFS, **PIECES, **KITS}


def is_to_be_had(name: str) -> bool:
    """Whether what a design needs is installed here."""
    return name not in PIECES or importlib.util.find_spec("manifold3d") is not None


def values_of(name: str) -> dict[str, Any]:
    """Counts, the weave, and about thirty places of what is made, mm."""
    design = ALL[name]
    if name in RELIEFS:
        return _relief(design)
    if name in PIECES:
        return _piece(design)
    if name in KITS:
        return _kit(design)
    return _knot(design)


def _few(table: Any) -> dict[str, Any]:
    """About thirty rows of a table of places, and the mean of all."""
    rows = np.linspace(0, len(table) - 1, 30).astype(int)
    places = np.asarray(table, float)
    return {
        "rows": rows.tolist(),
        "places": np.round(places[rows], 9).tolist(),
        "mean": np.round(places.mean(0), 9).tolist(),
    }


def _knot(design: Design) -> dict[str, Any]:
    done = make(design, prove=0)
    facts = done.facts
    found: dict[str, Any] = {
        key: facts[key] for key in ("crossings", "circuits", "woven_crossings", "forks", "exceptions", "exact")
    }
    over = done.counted.weaving.pass_one_over
    found["over"] = "".join("1" if one else "0" for one in over.tolist())
    found["findings"] = [finding.kind for finding in done.findings]
    if done.mesh is None:
        return found
    vertices = done.mesh.vertices
    return {**found, "vertices": len(vertices), "quads": len(done.mesh.quads), **_few(vertices)}


def _relief(design: Design) -> dict[str, Any]:
    done = carve(design)
    z = done.field.z
    found = {"samples": list(z.shape), "findings": [finding.kind for finding in done.panel.findings]}
    return {**found, "deepest": float(done.panel.deepest), **_few(z.reshape(-1, 1))}


def _piece(design: Design) -> dict[str, Any]:
    """Its bodies and their boxes; triangles come from manifold3d, in an order of its own."""
    done = make_piece(design)
    corners = [corner for body in done.bodies for corner in (body.vertices.min(0), body.vertices.max(0))]
    return {"bodies": len(done.bodies), "places": np.round(corners, 9).tolist()}


def _kit(design: Design) -> dict[str, Any]:
    """Its pieces as they are before levels are chosen."""
    kit = make_kit(design)
    found = {"pieces": [piece.name for piece in kit.pieces], "sheet": [kit.sheet.width, kit.sheet.height]}
    fine = np.concatenate([piece.fine.positions for piece in kit.pieces])
    return {**found, "vertices": len(fine), **_few(fine)}


def differences(name: str) -> list[str]:
    """What a design gives other than what is kept."""
    kept, now = json.loads(KEPT.read_text(encoding="utf-8"))[name], values_of(name)
    found = [
        f"{key}: {now.get(key)} and not {kept[key]}"
        for key in kept
        if key not in ("places", "mean") and now.get(key) != kept[key]
    ]
    for key in ("places", "mean"):
        if key in kept and key in now:
            off = float(np.abs(np.array(now[key]) - np.array(kept[key])).max())
            if not off <= NEAR:
                found.append(f"{key}: {off:g} mm off")
    return found


if __name__ == "__main__":
    everything = {name: values_of(name) for name in ALL}
    lines = [f"  {json.dumps(name)}: {json.dumps(values)}" for name, values in everything.items()]
    KEPT.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
