"""The key ``make.print`` of a design file as a form."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ..forms import Choice, Key, Keys, Number, refuse
from .materials import MATERIALS
from .options import Bail, BailKind, Extent, Eye, Finger, Frame, Hollow, Mark, Outline, Place, Plate, Printing


@dataclass(frozen=True)
class Named:
    """One of several names; a plain text in memory."""

    names: tuple[str, ...]

    @property
    def wanted(self) -> str:
        return "one of " + ", ".join(f'"{name}"' for name in self.names)

    def read(self, value: object, place: str) -> str:
        if not isinstance(value, str) or value not in self.names:
            raise refuse(self, value, place)
        return value

    def write(self, value: Any) -> Any:
        return value

    def holds(self, value: object) -> bool:
        return value in self.names

    def schema(self) -> dict[str, Any]:
        return {"enum": list(self.names)}


_LENGTH = Number("mm", least=0.05, most=500)
_SMALL = Number("mm", least=0, most=5)

PLATE = Keys(
    Plate,
    {
        "shape": Key(Choice(Outline), 'Its outline. Default "outline", which follows the knot.'),
        "thickness": Key(_LENGTH, "Thickness in mm. Default 1."),
        "margin": Key(Number("mm", least=0, most=100), "How far it reaches beyond the knot in mm. Default 0.6."),
    },
)
FRAME = Keys(
    Frame,
    {
        "shape": Key(Choice(Outline), 'Its outline. Default "outline", which follows the knot.'),
        "width": Key(_LENGTH, "Width in mm. Default 1.6."),
        "height": Key(_LENGTH, "Height over the back in mm. Default that of the knot."),
        "overlap": Key(
            Number("mm", least=-100, most=100),
            "How far it reaches into the outermost strands in mm, below 0: stands off. Default a third of the width.",
        ),
    },
)
BAIL = Keys(
    Bail,
    {
        "kind": Key(Choice(BailKind), 'A loop of wire, a tube on top, or a tube hidden behind. Default "loop".'),
        "bore": Key(_LENGTH, "Opening for the chain in mm; its end must pass. Default 4.5."),
        "wall": Key(_LENGTH, "Thickness of its wire or wall in mm. Default 1.2."),
        "length": Key(_LENGTH, "Length of a tube in mm. Default 6."),
    },
)
EYE = Keys(
    Eye,
    {
        "bore": Key(_LENGTH, "Hole for the jump ring in mm. Default 1.5."),
        "wall": Key(_LENGTH, "Metal round the hole in mm. Default 1."),
        "thickness": Key(_LENGTH, "Thickness in mm. Default that of the strands."),
        "place": Key(Choice(Place), 'Where it stands. Default "top", or "bottom" where a bail is.'),
    },
)
MARK = Keys(
    Mark,
    {
        "width": Key(_LENGTH, "Width in mm. Default 6."),
        "height": Key(_LENGTH, "Height in mm. Default 3."),
        "thickness": Key(_LENGTH, "Thickness in mm. Default 0.8."),
    },
)
HOLLOW = Keys(Hollow, {"wall": Key(_LENGTH, "What is left everywhere in mm. Default 1.")})
RING = Keys(
    Finger,
    {
        "circumference": Key(
            Number("mm", least=5, most=500), "Inside circumference in mm, which is the ring size by ISO 8653."
        ),
        "diameter": Key(Number("mm", least=2, most=160), "Inside diameter in mm, in place of the circumference."),
        "band": Key(_LENGTH, "Thickness of the band under the strands in mm. Default 1."),
        "comfort": Key(_SMALL, "How much the inside is rounded towards its edges in mm. Default 0.25."),
    },
)

PRINT = Keys(
    Printing,
    {
        "size": Key(Number("mm", least=0.1, most=10_000), "Greatest side of the finished piece in mm."),
        "size_of": Key(Choice(Extent), 'Whether the size is that of the whole piece or of the knot. Default "piece".'),
        "mass_g": Key(Number("g", above=0, most=100_000), "Wanted mass in g, for which the thickness is solved."),
        "material": Key(Named(tuple(MATERIALS)), 'What it is made of. Default "sterling silver".'),
        "process": Key(Named(("casting", "printing")), 'Whose limits it must keep. Default "casting".'),
        "shrinkage": Key(Number("percent", least=0, most=25), "Casting shrinkage in percent of length. Default 0."),
        "finishing": Key(_SMALL, "What finishing takes off every face in mm. Default 0."),
        "fillet": Key(_SMALL, "Radius of fillets in creases in mm. Default 0.25."),
        "rounding": Key(_SMALL, "Radius of rounded edges in mm. Default 0.15."),
        "tolerance": Key(Number("mm", least=0.005, most=1), "How far the mesh may be off in mm. Default 0.05."),
        "plate": Key(PLATE, "A backing plate."),
        "frame": Key(FRAME, "A frame round the knot."),
        "bail": Key(BAIL, "What it hangs by, at its balance point."),
        "eye": Key(EYE, "An eye for a jump ring."),
        "mark": Key(MARK, "A flat area on the back for a maker's mark."),
        "hollow": Key(HOLLOW, "A hollowed back."),
        "ring": Key(RING, "A finger ring or bangle, of a strip round a cylinder."),
    },
)
