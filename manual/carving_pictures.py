"""Make the pictures of reliefs in the manual from a design, as the command line would.

    python manual/carving_pictures.py

The picture with the sidebar comes from the window: see pictures.py.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

ROOT = Path(__file__).resolve().parents[1]
TARGET = ROOT / "manual" / "docs" / "pictures"
sys.path.insert(0, str(ROOT))

from knotgeom import reading  # noqa: E402
from knotgeom.carving import cutters, reach, relief  # noqa: E402
from knotgeom.carving.options import Carving, Moulding  # noqa: E402
from knotgeom.design import Design, Make  # noqa: E402

WIDE = 520
COLOURS = 48


def design() -> Design:
    """A board of the collection in a frame, its relief 5.5 mm deep."""
    found = reading.read_file(ROOT / "blender_addon" / "presets" / "board" / "three-circuits.interlace.json")
    carving = Carving(depth=5.5, margin=6.0, frame=Moulding.OGEE, frame_width=8.0, resolution=0.25)
    return replace(found, make=Make(carving))


def keep(name: str, pixels: np.ndarray) -> None:
    """Write a picture small."""
    picture = Image.fromarray(pixels)
    picture = picture.resize((WIDE, round(picture.height * WIDE / picture.width)), Image.Resampling.LANCZOS)
    picture.quantize(COLOURS).save(TARGET / name, optimize=True)


def main() -> None:
    """Make both."""
    carved = relief.carve(design())
    keep("carving-relief.png", relief.preview(carved, 3 * WIDE))
    keep("carving-uncut.png", reach.picture(reach.reach(carved.field, cutters.Cutter(diameter=6.0)), 3 * WIDE))


if __name__ == "__main__":
    main()
