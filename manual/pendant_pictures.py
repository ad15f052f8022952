"""Draw the pictures of the manual's page on pendants anew: two pieces as ``knotgeom print`` shows them.

python manual/pendant_pictures.py          # needs numpy, manifold3d and Pillow; about half a minute
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TARGET = ROOT / "manual" / "docs" / "pictures"
PIXELS = 640
COLOURS = 40

sys.path.insert(0, str(ROOT))

from PIL import Image  # noqa: E402

from knotgeom.design import Cylinder, Design, Grid, Heights, Make, Making, Section, Strand, Strip  # noqa: E402
from knotgeom.mesh import Floats  # noqa: E402
from knotgeom.printing import checks, folder, materials, preview, profiles  # noqa: E402
from knotgeom.printing.options import Bail, Finger, Frame, Outline, Plate, Printing  # noqa: E402
from knotgeom.printing.piece import Piece, make_piece  # noqa: E402

PENDANT = Design(
    Grid(3, 3, 8.0, 8.0),
    strand=Strand(3.4, 1.8, Section.HALF_ROUND),
    heights=Heights(Making.FUSED, step=0.7),
    make=Make(print=Printing(size=32.0, plate=Plate(Outline.DISC), frame=Frame(Outline.DISC, 2.0), bail=Bail())),
)
RING = Design(
    Strip(1, 2, 4.9, 3.6, 12, surface=Cylinder()),
    strand=Strand(1.6, 1.1),
    heights=Heights(Making.FUSED, step=0.5),
    make=Make(print=Printing(ring=Finger(circumference=54.0), material="yellow gold 18 ct")),
)


def tilted(points: Floats) -> Floats:
    """A ring lying on its side, leaning back, so that its inside shows too."""
    import numpy as np

    lean = np.radians(38.0)
    turn = np.array([[1, 0, 0], [0, np.cos(lean), -np.sin(lean)], [0, np.sin(lean), np.cos(lean)]])
    out: Floats = points @ turn.T
    return out


def draw(name: str, piece: Piece, design: Design) -> None:
    """One picture, kept small."""
    asked = design.make.print
    profile = profiles.named(None, asked.process)
    found = folder.report(piece, checks.check_piece(piece, profile, materials.material(asked.material)), asked)
    picture = preview.preview(piece, found, pixels=PIXELS, material=asked.material)
    Image.fromarray(picture).quantize(COLOURS, dither=Image.Dither.NONE).save(TARGET / f"{name}.png", optimize=True)


def main() -> None:
    """Both."""
    draw("pendant-piece", make_piece(PENDANT), PENDANT)
    ring = make_piece(RING)
    shown = tuple(replace(one, vertices=tilted(one.vertices)) for one in ring.finished)
    draw("finger-ring", replace(ring, finished=shown), RING)


if __name__ == "__main__":
    main()
