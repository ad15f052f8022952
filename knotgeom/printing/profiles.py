"""What a process can make, as limits that the user can edit: shipped ones by name, others from a JSON file.

Limits differ from machine to machine and from workshop to workshop, and want measuring there on a test piece: a guide
to design for additive manufacturing, ISO/ASTM 52910, gives none for that reason. All numbers here are starting values.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from ..errors import DesignError
from ..files.opening import read_bytes, unreadable
from ..forms import Number, printable, shown
from ..jsontext import MOST_BYTES, parsed

PRACTICE = "common practice, no source"
RANGES = "an engineering note on design for printing, quoted at second hand (a range; no standard gives one)"

KINDS = ("casting", "printing")


@dataclass(frozen=True, slots=True)
class Limit:
    """A least value, in mm or degrees, and where it comes from; None for no limit."""

    value: float | None
    source: str = PRACTICE


@dataclass(frozen=True, slots=True)
class Profile:
    """The limits of one process.

    Attributes
    ----------
    name : str
    kind : str
        ``casting`` or ``printing``.
    wall, gap : Limit
        Least wall and least opening, mm.
    groove_width, groove_depth : Limit
        Of an incised line, mm.
    step : Limit
        Between an over-strand and what it passes over, mm.
    clearance : Limit
        Between linked bodies made in one go, mm.
    overhang_deg : Limit
        Faces that look down and lie at less than this to the level need a support, degrees.
    bail_wall, eye_wall : Limit
        Least thickness of a bail's wire or wall, and of the metal round the hole of an eye, mm.
    hang_deg : Limit
        Most that a piece may lean sideways as it hangs, seen from the front, degrees.
    tip_deg : Limit
        Most that it may tip forward or back, degrees: what hangs behind a piece tips it.
    """

    name: str
    kind: str
    wall: Limit
    gap: Limit
    groove_width: Limit
    groove_depth: Limit
    step: Limit
    clearance: Limit
    bail_wall: Limit
    eye_wall: Limit
    overhang_deg: Limit
    hang_deg: Limit
    tip_deg: Limit


NONE = Limit(None, "the process needs none")
_HANG = Limit(3.0)
_TIP = Limit(8.0)

_SILVER = Profile(
    "lost-wax casting in silver",
    "casting",
    wall=Limit(0.8),
    gap=Limit(0.8),
    groove_width=Limit(0.35),
    groove_depth=Limit(0.35),
    step=Limit(0.5),
    clearance=Limit(0.5),
    bail_wall=Limit(0.8),
    eye_wall=Limit(0.8),
    overhang_deg=NONE,
    hang_deg=_HANG,
    tip_deg=_TIP,
)

SHIPPED: Mapping[str, Profile] = {
    profile.name: profile
    for profile in (
        _SILVER,
        replace(
            _SILVER,
            name="lost-wax casting in gold or bronze",
            wall=Limit(1.0),
            bail_wall=Limit(1.0),
            eye_wall=Limit(1.0),
        ),
        Profile(
            "resin print",
            "printing",
            wall=Limit(0.5, RANGES),
            gap=Limit(0.3),
            groove_width=Limit(0.3),
            groove_depth=Limit(0.2),
            step=Limit(0.3),
            clearance=Limit(0.3),
            bail_wall=Limit(0.6),
            eye_wall=Limit(0.6),
            overhang_deg=Limit(30.0),
            hang_deg=_HANG,
            tip_deg=_TIP,
        ),
        Profile(
            "powder-bed nylon",
            "printing",
            wall=Limit(0.8, RANGES),
            gap=Limit(0.5),
            groove_width=Limit(0.5),
            groove_depth=Limit(0.3),
            step=Limit(0.4),
            clearance=Limit(0.5),
            bail_wall=Limit(1.0),
            eye_wall=Limit(0.8),
            overhang_deg=NONE,
            hang_deg=_HANG,
            tip_deg=_TIP,
        ),
        Profile(
            "filament",
            "printing",
            wall=Limit(1.2, RANGES),
            gap=Limit(0.5),
            groove_width=Limit(0.8),
            groove_depth=Limit(0.4),
            step=Limit(0.4),
            clearance=Limit(0.5),
            bail_wall=Limit(1.2),
            eye_wall=Limit(1.0),
            overhang_deg=Limit(45.0),
            hang_deg=_HANG,
            tip_deg=_TIP,
        ),
    )
}
"""Starting values by the process's name."""

USUAL: Mapping[str, str] = {"casting": "lost-wax casting in silver", "printing": "resin print"}
"""The profile that stands for each kind where none is named."""

LIMITS = tuple(field.name for field in fields(Profile) if field.name not in ("name", "kind"))
_NUMBER = Number("mm or degrees", least=0, most=1000)


def profile(name: str) -> Profile:
    """The shipped profile of that name.

    Raises
    ------
    DesignError
        If there is none; it names those that there are.
    """
    try:
        return SHIPPED[name]
    except KeyError:
        raise DesignError(
            f'there is no process "{printable(name)}"',
            f"give one of: {', '.join(SHIPPED)}; or the name of a file ending in .json",
            "profile",
        ) from None


def as_json(limits: Profile) -> dict[str, Any]:
    """A profile as its file holds it."""
    return {
        "name": limits.name,
        "kind": limits.kind,
        **{key: {"value": getattr(limits, key).value, "source": getattr(limits, key).source} for key in LIMITS},
    }


def from_json(found: object) -> Profile:
    """A profile from what its file holds.

    ``like`` names a shipped profile from which all keys that are left out are taken. A limit is a number, null for
    none, or an object of ``value`` and ``source``.

    Raises
    ------
    DesignError
        A key or a value that is none, by its place.
    """
    if not isinstance(found, dict):
        raise DesignError(f"found {shown(found)}", "give an object of limits")
    known = ("name", "kind", "like", *LIMITS)
    for key in getattr(found, "repeated", ()):
        raise DesignError(f'the key "{printable(key)}" stands here more than once', "keep one of them")
    for key in found:
        if key not in known:
            raise DesignError(f'there is no key "{printable(str(key))}"', f"give one of: {', '.join(known)}")
    for key in ("name", "like", "kind"):
        if key in found and not isinstance(found[key], str):
            raise DesignError(f"found {shown(found[key])}", "give a text", key)
    kind = found.get("kind", "casting")
    if kind not in KINDS:
        raise DesignError(f"found {shown(kind)}", f"give one of: {', '.join(KINDS)}", "kind")
    base = profile(found.get("like", USUAL[kind]))
    given = {key: _limit(found[key], key) for key in LIMITS if key in found}
    return replace(base, name=found.get("name", base.name), kind=found.get("kind", base.kind), **given)


def _limit(found: object, key: str) -> Limit:
    source = "the user's own"
    place = key
    if isinstance(found, dict):
        for inner in getattr(found, "repeated", ()):
            raise DesignError(f'the key "{printable(inner)}" stands here more than once', "keep one of them", key)
        for inner in found:
            if inner not in ("value", "source"):
                raise DesignError(f'there is no key "{printable(str(inner))}"', "give value and source", key)
        if "value" not in found:
            raise DesignError("has no value", "give value, and its source", key)
        if "source" in found:
            if not isinstance(found["source"], str):
                raise DesignError(f"found {shown(found['source'])}", "give a text", f"{key}.source")
            source = found["source"]
        found, place = found["value"], f"{key}.value"
    return Limit(None if found is None else _NUMBER.read(found, place), source)


def read_profile(path: str) -> Profile:
    """A profile from a JSON file.

    Raises
    ------
    DesignError
        If it cannot be read, with the file and the place in it.
    """
    name = printable(path, 400)
    try:
        data = read_bytes(path, MOST_BYTES)
    except (OSError, ValueError) as error:  # ValueError: a null character in the path
        raise unreadable(error, name, "a file of limits") from None
    try:
        return from_json(parsed(data, "a file of limits", 2, "kind and like"))
    except DesignError as error:
        raise error.within(name) from None


def named(name: str | None, kind: str) -> Profile:
    """The profile of a name or a file ending in ``.json``; the usual one of its kind where none is given.

    Raises
    ------
    DesignError
        If there is none, or it is for the other kind of process.
    """
    if name is None:
        return SHIPPED[USUAL[kind]]
    found = read_profile(name) if name.lower().endswith(".json") else profile(name)
    if found.kind != kind:
        raise DesignError(
            f'"{printable(found.name)}" is for {found.kind}',
            f"ask for {found.kind}, or give a process for {kind}",
            "profile",
        )
    return found
