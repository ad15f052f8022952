"""Numbers of a few designs that every Python, NumPy and machine must give.

They are kept beside this script in ``values.json``, which ``python tests/known/values.py`` writes; tests of the core
and of the add-on, in the Python of Blender, compare what they make with them. What is written anew has to be looked
at: it is a change of what users get.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from knotgeom.design import (
    Border,
    Breaks,
    Corners,
    Cylinder,
    Design,
    Divide,
    Dome,
    FreeMesh,
    Grid,
    Heights,
    Making,
    Pass,
    Rejoin,
    Ring,
    Section,
    Site,
    Strand,
    Strip,
    Way,
)
from knotgeom.made import make

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


def values_of(design: Design) -> dict[str, Any]:
    """Counts, the weave, and about thirty places of the mesh, mm."""
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
    found["vertices"], found["quads"] = len(vertices), len(done.mesh.quads)
    rows = np.linspace(0, len(vertices) - 1, 30).astype(int)
    found["rows"], found["places"] = rows.tolist(), np.round(vertices[rows], 9).tolist()
    found["mean"] = np.round(vertices.mean(0), 9).tolist()
    return found


def differences(name: str) -> list[str]:
    """What a design gives other than what is kept."""
    kept, now = json.loads(KEPT.read_text(encoding="utf-8"))[name], values_of(DESIGNS[name])
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
    everything = {name: values_of(design) for name, design in DESIGNS.items()}
    lines = [f"  {json.dumps(name)}: {json.dumps(values)}" for name, values in everything.items()]
    KEPT.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
