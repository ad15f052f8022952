"""Densities of woods, for the mass of a board, and the cautions that go with carving one."""

from __future__ import annotations

from .options import Wood

SOURCE = (
    "Wood Handbook, FPL-GTR-282 (USDA Forest Products Laboratory, 2021), chapter 5, specific gravity at 12 % moisture, "
    "times 1.12 for the moisture; a board may differ by a tenth"
)

SPECIFIC_GRAVITY: dict[Wood, tuple[str, float]] = {
    Wood.LIME: ("basswood (American lime)", 0.37),
    Wood.WALNUT: ("black walnut", 0.55),
    Wood.CHERRY: ("black cherry", 0.50),
    Wood.MAPLE: ("sugar maple", 0.63),
    Wood.OAK: ("white oak", 0.68),
    Wood.MAHOGANY: ("mahogany, Honduran", 0.45),
    Wood.PINE: ("eastern white pine", 0.35),
}
"""Oven-dry mass over the volume at 12 % moisture (entered from memory of the table and compared, for lime and cherry,
with a list that quotes it)."""

CAUTIONS = (
    "Wood dust harms the lungs, and some woods the skin: extract it at the source and wear a fitting mask.",
    "Keep both hands behind the cutting edge, keep edges sharp, and put tools away covered.",
    "Clamp the board so that it can neither shift nor tip; never hold it by hand against a cutter.",
    "Cutters break: wear eye protection, keep feeds and depths within the cutter maker's limits, and stay clear.",
    "These files are shapes, not toolpaths: check the toolpath in your CAM program, and run it in air or foam first.",
    "Follow the machine maker's instructions and the rules that hold where you work; they come before anything here.",
)


def density(wood: Wood) -> tuple[str, float]:
    """Name, and density in g/cm3 at 12 % moisture."""
    name, gravity = SPECIFIC_GRAVITY[wood]
    return name, gravity * 1.12
