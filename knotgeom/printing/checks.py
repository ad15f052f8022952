"""Whether bodies can be made by a process: what is measured on them, and what is to be said of it.

Everything is measured on the mesh of the finished piece, walls and gaps as they are before its creases are filled.
:mod:`.remedies` adds what would mend it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import DesignError
from ..findings import Finding
from ..mesh import Mesh, all_triangles
from .materials import Material, mass
from .measures import Hanging, Lines, Shell, balance, hanging, incised, overhang, shells
from .profiles import Profile
from .surface import Surface, surface
from .touching import Measure, Point
from .walls import measure

if TYPE_CHECKING:
    pass

LARGEST_LINE = 1.5
"""A groove deeper than this is no incised line, mm."""
NO_LINES = Lines(Measure(math.inf, 0.0), Measure(math.inf, 0.0), 0.0)


@dataclass(frozen=True, slots=True)
class PieceFinding(Finding):
    """One thing to mend on a finished piece.

    Attributes
    ----------
    spot : (x, y, z) or None
        The place on the finished piece, mm.
    limit : float or None
        What the process asks for.
    advice : str
        What to do where no change of one value does it.
    """

    spot: Point | None = None
    limit: float | None = None
    advice: str = ""

    @property
    def remedy(self) -> str:
        """What was measured and what would do, in words and numbers."""
        would = Finding.remedy.fget(self).removeprefix(f"{self.measured}; ") if self.changes else ""  # type: ignore[attr-defined]
        return "; ".join(part for part in (self.measured, would, self.advice) if part)


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """A piece measured and judged.

    Attributes
    ----------
    profile : Profile
    material : Material
    wall, gap : Measure
        Least wall, and least gap within one body, mm.
    clearance : Measure
        Least gap between two bodies, mm.
    lines : Lines
        Incised lines.
    overhang_mm2 : float
        Area that needs a support; 0 where the process needs none.
    bodies : int
    expected : int or None
        Bodies that the design's map predicts.
    trapped : tuple of Shell
        Hollows that nothing can flow out of.
    volume_mm3, area_mm2, mass_g : float
    centre : (x, y, z)
        Centre of mass.
    hang : Hanging or None
    findings : tuple of PieceFinding
    """

    profile: Profile
    material: Material
    wall: Measure
    gap: Measure
    clearance: Measure
    lines: Lines
    overhang_mm2: float
    bodies: int
    expected: int | None
    trapped: tuple[Shell, ...]
    volume_mm3: float
    area_mm2: float
    mass_g: float
    centre: Point
    hang: Hanging | None
    findings: tuple[PieceFinding, ...]

    @property
    def passed(self) -> bool:
        """Whether there is nothing to mend."""
        return not self.findings


def check_bodies(
    bodies: Iterable[Mesh],
    profile: Profile,
    material: Material,
    *,
    hang_at: Point | None = None,
    expected: int | None = None,
    up: Point = (0.0, 0.0, 1.0),
    lines: bool = True,
    unfilled: Iterable[Mesh] = (),
) -> Checked:
    """Measure a piece of one or several closed bodies and judge it; its findings carry no changes.

    Parameters
    ----------
    bodies : iterable of Mesh
        Of the finished piece, mm.
    hang_at : (x, y, z), optional
        Where the chain pulls.
    expected : int, optional
        Bodies that there ought to be.
    up : (x, y, z)
        The way in which a print is built.
    lines : bool
        Whether incised lines are looked for.
    unfilled : iterable of Mesh, optional
        The bodies before their creases were filled, for walls, gaps and lines; by default ``bodies``.
    """
    on = _together(tuple(bodies))
    found, shell = shells(on)
    solid = [one.volume > 0 for one in found]
    before = tuple(unfilled)
    narrow = _together(before) if before else on
    least = measure(narrow, body=shells(narrow)[1] if before else shell)
    volume, centre = balance(found)
    level = profile.overhang_deg.value
    over, over_at = (0.0, None) if level is None else overhang(on, level, up)
    checked = Checked(
        profile,
        material,
        least.wall,
        least.gap,
        least.clearance,
        incised(narrow, LARGEST_LINE) if lines else NO_LINES,
        over,
        sum(solid),
        expected,
        tuple(one for one in found if one.volume < 0),
        volume,
        sum(one.area for one in found),
        mass(volume, material),
        centre,
        None if hang_at is None else hanging(hang_at, centre),
        (),
    )
    return replace(checked, findings=tuple(_judged(checked, over_at)))


def _together(bodies: tuple[Mesh, ...]) -> Surface:
    first = np.cumsum([0, *(len(body.vertices) for body in bodies)])
    triangles = [all_triangles(body).astype(np.int64) + start for body, start in zip(bodies, first)]
    if not triangles or not sum(len(part) for part in triangles):
        raise DesignError("there is no body to check", "give a design that makes one")
    return surface(np.concatenate([body.vertices for body in bodies]), np.concatenate(triangles))


def _judged(c: Checked, over_at: Point | None) -> list[PieceFinding]:
    """All that does not keep to the profile, what is measured being taken at its word."""
    p = c.profile
    found: list[PieceFinding] = []

    def below(kind: str, what: str, measure: Measure, limit: float | None, advice: str = "") -> None:
        if limit is None or measure.value >= limit - 1e-6:
            return
        x, y, z = measure.at or (0.0, 0.0, 0.0)
        words = f"the {what} is {measure.value:.2f} mm and {p.name} asks for {limit:.2f} mm"
        found.append(
            PieceFinding(
                kind,
                f"x {x:.1f}, y {y:.1f}, z {z:.1f} mm",
                round(measure.value, 4),
                words,
                (round(x, 4), round(y, 4)),
                (),
                measure.at,
                limit,
                advice,
            )
        )

    below("wall", "wall", c.wall, p.wall.value, "make the strand thicker or wider there")
    below("gap", "opening", c.gap, p.gap.value, "set the strands farther apart, or close the opening")
    below("clearance", "clearance between bodies", c.clearance, p.clearance.value, "give more clearance")
    below("line", "incised line's width", c.lines.width, p.groove_width.value, "incise it wider")
    below("line", "incised line's depth", c.lines.depth, p.groove_depth.value, "incise it deeper")
    if c.overhang_mm2 > 0:
        words = f"{c.overhang_mm2:.1f} mm2 look down at less than {p.overhang_deg.value:g} degrees to the level"
        found.append(
            plain("overhang", "the underside", c.overhang_mm2, words, over_at, "support it, or build it tilted")
        )
    for hollow in c.trapped:
        words = f"a hollow of {-hollow.volume:.2f} mm3 is closed all round"
        advice = "leave it open, or bore a hole that what is trapped can flow out of"
        found.append(plain("trapped", _words(hollow.centre), round(-hollow.volume, 4), words, hollow.centre, advice))
    if c.expected is not None and c.bodies != c.expected:
        words = f"it is {c.bodies} bodies where the design's map has {c.expected}"
        advice = "set strands that must hold together deeper into one another, or add a plate or a frame"
        found.append(plain("bodies", "the whole piece", float(c.bodies), words, None, advice))
    if c.hang is not None:
        found += _hung(c, c.hang)
    return found


def _hung(c: Checked, hang: Hanging) -> list[PieceFinding]:
    """What is to be said of a piece that leans to a side, and of one that tips."""
    x, _, z = c.centre
    found = []
    most = c.profile.hang_deg.value
    if most is not None and abs(hang.turned) > most:
        words = f"it leans {abs(hang.turned):.1f} degrees sideways as it hangs and {c.profile.name} asks for {most:g}"
        advice = f"move what it hangs by above the centre of mass, x {x:.2f} mm"
        found.append(plain("hang", "where it hangs", round(abs(hang.turned), 3), words, c.centre, advice))
    most = c.profile.tip_deg.value
    if most is not None and abs(hang.tilted) > most:
        way = "forward" if hang.tilted > 0 else "back"
        words = f"it tips {abs(hang.tilted):.1f} degrees {way} as it hangs and {c.profile.name} asks for {most:g}"
        off = abs(math.tan(math.radians(hang.tilted)) * hang.below)
        lacking = off - math.tan(math.radians(most)) * max(hang.below, 0.0)
        advice = (
            f"bring the chain {lacking:.2f} mm nearer to the centre of mass, z {z:.2f} mm: by a bail's wall thinner by "
            'as much, or a bail of kind "loop" or "tube", which stands over the middle of the thickness'
        )
        found.append(plain("tilt", "where it hangs", round(abs(hang.tilted), 3), words, c.centre, advice))
    return found


def _words(spot: Point) -> str:
    return f"x {spot[0]:.1f}, y {spot[1]:.1f}, z {spot[2]:.1f} mm"


def plain(kind: str, place: str, value: float, words: str, spot: Point | None, advice: str) -> PieceFinding:
    """A finding that no change of one value mends."""
    at = None if spot is None else (round(spot[0], 4), round(spot[1], 4))
    return PieceFinding(kind, place, value, words, at, (), spot, None, advice)


def as_json(checked: Checked) -> dict[str, Any]:
    """What was measured and found, ready for JSON."""
    c = checked
    hang = (
        None
        if c.hang is None
        else {"off_deg": _r(c.hang.off), "turned_deg": _r(c.hang.turned), "tilted_deg": _r(c.hang.tilted)}
    )
    return {
        "result": "pass" if c.passed else "fail",
        "process": c.profile.name,
        "for": c.profile.kind,
        "wall_mm": _measure(c.wall),
        "gap_mm": _measure(c.gap),
        "clearance_mm": _measure(c.clearance),
        "line_width_mm": _measure(c.lines.width),
        "line_depth_mm": _measure(c.lines.depth),
        "overhang_mm2": _r(c.overhang_mm2) if c.profile.overhang_deg.value is not None else None,
        "bodies": c.bodies,
        "bodies_expected": c.expected,
        "trapped_mm3": [_r(-one.volume) for one in c.trapped],
        "volume_mm3": _r(c.volume_mm3),
        "area_mm2": _r(c.area_mm2),
        "centre_mm": [_r(v) for v in c.centre],
        "hang": hang,
        "mass_g": _r(c.mass_g),
        "material": {
            "name": c.material.name,
            "density_g_cm3": c.material.density_g_cm3,
            "source": c.material.source,
        },
        "limits": _limits(c.profile),
        "findings": [
            {
                "kind": one.kind,
                "place": one.place,
                "at": None if one.spot is None else [_r(v) for v in one.spot],
                "value": one.value,
                "limit": one.limit,
                "remedy": one.remedy,
                "changes": [{"key": change.key, "value": change.value} for change in one.changes],
            }
            for one in c.findings
        ],
    }


def _limits(profile: Profile) -> dict[str, Any]:
    from .profiles import as_json as of_profile

    return {key: value for key, value in of_profile(profile).items() if isinstance(value, dict)}


def _measure(measure: Measure) -> dict[str, Any] | None:
    if not math.isfinite(measure.value):
        return None
    return {
        "value": _r(measure.value),
        "error": _r(measure.error),
        "at": None if measure.at is None else [_r(v) for v in measure.at],
        "seen": _r(measure.seen),
    }


def _r(value: float) -> float:
    return round(value, 4)


def text(checked: Checked) -> str:
    """The report as JSON text."""
    return json.dumps(as_json(checked), indent=2, allow_nan=False)
