"""Draw the manual's pictures of what the core makes: a relief and what a cutter leaves of it, two pieces, a trim kit.

    python manual/made_pictures.py [NAME ...]          # needs numpy, manifold3d and Pillow; about two minutes

Pictures with the sidebar come from the window: see pictures.py.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

ROOT = Path(__file__).resolve().parents[1]
TARGET = ROOT / "manual" / "docs" / "pictures"
sys.path.insert(0, str(ROOT))

from knotgeom.carving import cutters, reach, relief  # noqa: E402
from knotgeom.carving.options import Carving, Moulding  # noqa: E402
from knotgeom.design import Cylinder, Design, Grid, Heights, Make, Making, Section, Strand, Strip  # noqa: E402
from knotgeom.mesh import Floats  # noqa: E402
from knotgeom.printing import folder, materials, preview, profiles, remedies  # noqa: E402
from knotgeom.printing.options import Bail, Finger, Frame, Outline, Plate, Printing  # noqa: E402
from knotgeom.printing.piece import Piece, make_piece  # noqa: E402
from knotgeom.reading import read_file  # noqa: E402
from knotgeom.trims import preview as kit_preview  # noqa: E402
from knotgeom.trims.build import make_kit  # noqa: E402

BOARD = ROOT / "blender_addon" / "presets" / "board" / "three-circuits.interlace.json"
FRAMED = Carving(depth=5.5, margin=6.0, frame=Moulding.OGEE, frame_width=8.0, resolution=0.25)
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
DOOR = ROOT / "demo_scenes" / "designs" / "door_frame.interlace.json"

RELIEF_WIDE, PIECE_WIDE, KIT_WIDE = 520, 640, 800
"""Pixels across."""


def carved() -> relief.Relief:
    """A board of the collection in a frame, its relief 5.5 mm deep."""
    return relief.carve(replace(read_file(BOARD), make=Make(FRAMED)))


def shrunk(pixels: np.ndarray) -> Image.Image:
    """A picture of a relief, drawn three times as large, at the size that it is shown at."""
    picture = Image.fromarray(pixels)
    high = round(picture.height * RELIEF_WIDE / picture.width)
    return picture.resize((RELIEF_WIDE, high), Image.Resampling.LANCZOS).quantize(48)


def carving_relief() -> Image.Image:
    """The relief under raking light."""
    return shrunk(relief.preview(carved(), 3 * RELIEF_WIDE))


def carving_uncut() -> Image.Image:
    """What a round cutter of 6 mm leaves of it."""
    left = reach.reach(carved().field, cutters.Cutter(diameter=6.0))
    return shrunk(reach.picture(left, 3 * RELIEF_WIDE))


def shown_piece(piece: Piece, design: Design) -> Image.Image:
    """A piece with what was measured on it, as ``knotgeom print`` shows it."""
    asked = design.make.print
    profile = profiles.named(None, asked.process)
    found = folder.report(piece, remedies.check_piece(piece, profile, materials.material(asked.material)), asked)
    picture = preview.preview(piece, found, pixels=PIECE_WIDE, material=asked.material)
    return Image.fromarray(picture).quantize(40, dither=Image.Dither.NONE)


def pendant_piece() -> Image.Image:
    """A pendant on a disc, with frame and bail."""
    return shown_piece(make_piece(PENDANT), PENDANT)


def finger_ring() -> Image.Image:
    """A finger ring."""
    ring = make_piece(RING)
    shown = tuple(replace(one, vertices=tilted(one.vertices)) for one in ring.finished)
    return shown_piece(replace(ring, finished=shown), RING)


def tilted(points: Floats) -> Floats:
    """A ring lying on its side, leaning back, so that its inside shows too."""
    lean = np.radians(38.0)
    turn = np.array([[1, 0, 0], [0, np.cos(lean), -np.sin(lean)], [0, np.sin(lean), np.cos(lean)]])
    out: Floats = points @ turn.T
    return out


def trim_kit() -> Image.Image:
    """A kit, as ``knotgeom trim`` shows it."""
    picture = kit_preview.preview([make_kit(read_file(DOOR))], None, pixels=KIT_WIDE, title="door frame")
    return picture.convert("RGB").quantize(64, dither=Image.Dither.NONE)


PICTURES: dict[str, Callable[[], Image.Image]] = {
    "carving-relief": carving_relief,
    "carving-uncut": carving_uncut,
    "pendant-piece": pendant_piece,
    "finger-ring": finger_ring,
    "trim-kit": trim_kit,
}


def main(names: list[str]) -> None:
    """Draw those that are named, or all."""
    for name in names or PICTURES:
        PICTURES[name]().save(TARGET / f"{name}.png", optimize=True)


if __name__ == "__main__":
    main(sys.argv[1:])
