"""Densities of named materials, each with where it comes from.

Alloys without a density of their own in a table follow the alloy rule ``1000 / rho = sum(parts / rho_i)`` (parts per
thousand by mass: the volumes of the metals add up), as given with a precious-metal specific-gravity table and its
worked 14 carat example of 13.33.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from ..errors import DesignError

TABLE = "a published precious-metal specific-gravity table, quoted at second hand"


@dataclass(frozen=True, slots=True)
class Material:
    """A material by name.

    Attributes
    ----------
    name : str
    density_g_cm3 : float
    source : str
        Where the density comes from.
    """

    name: str
    density_g_cm3: float
    source: str


ELEMENTS: Mapping[str, float] = {"gold": 19.32, "silver": 10.49, "copper": 8.96}
"""Densities of the pure metals, g/cm3, from that table; a handbook of 2006 gives 19.32, 10.5 and 8.94."""


def alloy_density(parts: Mapping[str, float]) -> float:
    """Density in g/cm3 of an alloy of ``parts`` per thousand by mass, by the alloy rule.

    >>> round(alloy_density({"silver": 925, "copper": 75}), 2)
    10.36
    """
    if not math.isclose(sum(parts.values()), 1000.0):
        raise ValueError(f"the parts add up to {sum(parts.values()):g}, not to 1000")
    return 1000.0 / sum(share / ELEMENTS[metal] for metal, share in parts.items())


def _table() -> dict[str, Material]:
    rule = f"alloy rule on {TABLE}"
    rows = (
        ("sterling silver", round(alloy_density({"silver": 925, "copper": 75}), 2), f"{rule} (Ag 925, Cu 75)"),
        ("fine silver", ELEMENTS["silver"], TABLE),
        ("fine gold", ELEMENTS["gold"], TABLE),
        ("yellow gold 18 ct", 15.58, TABLE),
        ("red gold 18 ct", 15.18, TABLE),
        ("white gold 18 ct", 14.64, TABLE),
        ("green gold 18 ct", 15.90, TABLE),
        ("copper", ELEMENTS["copper"], TABLE),
        ("bronze", 8.8, "general metals tables (phosphor bronze 8.78 to 8.92), quoted at second hand"),
        ("brass", 8.52, "general metals tables (60/40), quoted at second hand"),
        ("pewter", 7.3, "close to tin, 7.29 in general metals tables, from memory"),
        ("nylon PA12, powder bed", 0.94, "from memory (0.93 to 0.95 laser-sintered)"),
        ("PLA", 1.24, "a general page (1.24 to 1.26 solid), quoted at second hand"),
        ("cured resin", 1.18, "common practice, no source (data sheets differ: 1.1 to 1.2)"),
        ("casting wax", 0.95, "common practice, no source"),
    )
    return {name: Material(name, density, source) for name, density, source in rows}


MATERIALS: Mapping[str, Material] = _table()
"""The materials by name."""


def material(name: str) -> Material:
    """The material of that name.

    Raises
    ------
    DesignError
        If there is none; it names those that there are.
    """
    try:
        return MATERIALS[name]
    except KeyError:
        raise DesignError(
            f'there is no material "{name}"', f"give one of: {', '.join(MATERIALS)}", "material"
        ) from None


def mass(volume_mm3: float, of: Material) -> float:
    """Mass in g of so many mm3.

    >>> mass(1000.0, MATERIALS["fine gold"])
    19.32
    """
    return volume_mm3 * of.density_g_cm3 / 1000.0
