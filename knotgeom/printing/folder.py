"""The files of a piece: solid.3mf, solid.stl, preview.png and report.json in one folder, all of them or none.

Each is written beside the folder and read back there; only then do all get their names. What stood there before comes
back if that goes wrong.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..files import stl, together
from ..files.threemf import Body, write_threemf
from ..mesh import Floats, Ints, all_triangles
from .bodies import contents, joined
from .options import Printing
from .piece import Piece
from .preview import as_png, preview, thumbnail
from .roundness import Rounded

if TYPE_CHECKING:
    from .checks import Checked

FILES = ("solid.3mf", "solid.stl", "preview.png", "report.json")

CAUTIONS = (
    "Small parts: keep the piece and its parts from children under three; what fits wholly into the test cylinder for "
    "small parts (31.7 mm wide; 16 CFR 1501, EN 71-1) can choke, and cords and chains can strangle.",
    "Skin: alloys with nickel can cause allergies; EN 1811 is the test for the release of nickel, and limits for what "
    "is worn on the skin (in the EU: REACH, annex XVII, entry 27) hold for the finished piece.",
    "Resin and powder: wear gloves and eye protection with uncured resin, keep it and its wash off the skin, cure it "
    "fully before it is worn; keep fine powder out of the air you breathe and away from sparks; follow the safety data "
    "sheet of the material.",
    "Casting, burn-out, pickling and soldering are work for trained people with the right extraction and protection.",
    "Numbers marked as common practice are starting values: measure your own process on a test piece.",
    "Local rules on safety, hallmarks and what may be sold decide.",
)


def report(piece: Piece, checked: Checked, options: Printing) -> dict[str, Any]:
    """What is to be known of a piece, ready for JSON; lengths are mm.

    The keys without a group are those of the model as it is written; ``finished`` has those of the finished piece, and
    walls, gaps, mass and findings are measured on that.
    """
    low, high = _bounds([body.vertices for body in piece.bodies])
    done_low, done_high = _bounds([body.vertices for body in piece.finished])
    volume = sum(contents(body.vertices, body.triangles)[0] for body in piece.bodies)
    done = sum(contents(body.vertices, body.triangles)[0] for body in piece.finished)
    size = piece.knot.made.counted.size
    return {
        "bodies": len(piece.bodies) if piece.knot.free else checked.bodies,
        "bodies_expected": piece.expected,
        "volume_mm3": _r(volume),
        "size_mm": [_r(v) for v in high - low],
        "triangles": sum(len(body.triangles) for body in piece.bodies),
        "finished": {"volume_mm3": _r(done), "size_mm": [_r(v) for v in done_high - done_low]},
        "least_wall_mm": _finite(checked.wall.value),
        "least_wall_error_mm": _finite(checked.wall.error),
        "least_gap_mm": _finite(min(checked.gap.value, checked.clearance.value)),
        "least_gap_error_mm": _finite(checked.gap.error),
        "mass_g": _r(piece.mass_g),
        "material": {
            "name": checked.material.name,
            "density_g_cm3": checked.material.density_g_cm3,
            "source": checked.material.source,
        },
        "process": checked.profile.name,
        "result": "pass" if checked.passed else "fail",
        "findings": [
            {"kind": one.kind, "place": one.place, "value": one.value, "remedy": one.remedy} for one in checked.findings
        ],
        "strand": {
            "thickness_mm": _r(piece.thickness),
            "width_mm": _r(size.width * piece.scale),
            "step_mm": None if piece.knot.free else _r(size.step * piece.scale * piece.thicker),
        },
        "allowances": {
            "plan_scale": round(piece.scale, 6),
            "shrinkage_percent": options.shrinkage,
            "model_scale": round(piece.model_scale, 6),
            "finishing_mm_a_face": options.finishing,
            "reasons": list(piece.notes),
        },
        "creases": {"wanted_mm": options.fillet, **_rounded(piece.creases)},
        "rims": {"wanted_mm": options.rounding, **_rounded(piece.edges)},
        "hang": None
        if piece.hang is None
        else {
            "turned_deg": _r(piece.hang.turned),
            "tilted_deg": _r(piece.hang.tilted),
            "centre_of_mass_below_mm": _r(piece.hang.below),
        },
        "mark": None
        if piece.mark is None
        else dict(zip(("left", "bottom", "width", "height"), (_r(v) for v in piece.mark))),
        "cautions": list(CAUTIONS),
    }


def write_piece(
    folder: str | os.PathLike[str],
    piece: Piece,
    checked: Checked,
    options: Printing,
    *,
    title: str = "",
    replace: bool = False,
    pixels: int = 1400,
) -> dict[str, Any]:
    """Write the four files of a piece, all or none, and return the report.

    Parameters
    ----------
    folder : path-like
        Made if it is not there; its parent must be.
    title : str
        For the 3MF's metadata.
    replace : bool
        Whether files of these names that are there already may be replaced.

    Raises
    ------
    DesignError
        A file is there already and ``replace`` is false.
    OSError
        The files cannot be written, or do not read back; what stood there before is untouched.
    """
    refuse_existing(folder, replace=replace)
    with together.together(folder, FILES) as spare:
        found = report(piece, checked, options)
        picture = preview(piece, found, pixels=pixels, material=options.material)
        free = len(piece.bodies) > 1
        names = [f"strand {k + 1}" if free else "solid" for k in range(len(piece.bodies))]
        write_threemf(
            spare / FILES[0],
            [Body(mesh, name) for mesh, name in zip(piece.bodies, names)],
            title=title,
            thumbnail=thumbnail(picture),
            metadata={"Application": "knotgeom", "Description": " ".join(piece.notes)},
        )
        (spare / FILES[1]).write_bytes(b"".join(stl.encode(joined(piece.bodies))))
        (spare / FILES[2]).write_bytes(as_png(picture))
        (spare / FILES[3]).write_text(json.dumps(found, indent=2, allow_nan=False) + "\n", encoding="utf-8")
        _read_back(spare, piece, found)
    return found


def refuse_existing(folder: str | os.PathLike[str], *, replace: bool) -> None:
    """Refuse a folder that holds such files already, or that is none, before any long work.

    Raises
    ------
    DesignError
    """
    together.refuse_existing(folder, FILES, replace=replace)


def _read_back(folder: Path, piece: Piece, found: Mapping[str, Any]) -> None:
    """Make sure that the STL and the report hold the bodies; the 3MF was read back as it was written."""
    data = (folder / FILES[1]).read_bytes()
    count = sum(len(all_triangles(body)) for body in piece.bodies)
    rows = np.frombuffer(data, stl.TRIANGLE, offset=84)
    corners = rows["corners"].astype(float).reshape(-1, 3)
    flat = np.arange(len(corners)).reshape(-1, 3)
    same = (
        len(data) == 84 + 50 * count == 84 + 50 * int.from_bytes(data[80:84], "little")
        and math.isclose(contents(corners, flat)[0], found["volume_mm3"], rel_tol=1e-4)
        and json.loads((folder / FILES[3]).read_text(encoding="utf-8")) == found
    )
    if not same:
        raise OSError("the files of the piece do not read back as they were written")


def _bounds(parts: Sequence[Floats | Ints]) -> tuple[Floats, Floats]:
    return np.min([part.min(0) for part in parts], axis=0), np.max([part.max(0) for part in parts], axis=0)


def _rounded(what: Rounded) -> dict[str, float | None]:
    return {
        "length_mm": _r(what.length),
        "usual_radius_mm": None if what.usual is None else _r(what.usual),
        "nine_tenths_at_least_mm": None if what.least is None else _r(what.least),
        "left_sharp_mm": _r(what.left),
    }


def _r(value: float) -> float:
    return round(float(value), 4)


def _finite(value: float) -> float | None:
    return _r(value) if math.isfinite(value) else None
