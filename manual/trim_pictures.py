"""Draw the picture of the manual's page on trims anew: a kit as ``knotgeom trim`` shows it.

python manual/trim_pictures.py          # needs numpy and Pillow; about a minute
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TARGET = ROOT / "manual" / "docs" / "pictures"
DESIGN = ROOT / "demo_scenes" / "designs" / "door_frame.interlace.json"
PIXELS = 800
COLOURS = 64

sys.path.insert(0, str(ROOT))

from PIL import Image  # noqa: E402

from knotgeom.reading import read_file  # noqa: E402
from knotgeom.trims.build import make_kit  # noqa: E402
from knotgeom.trims.preview import preview  # noqa: E402


def main() -> None:
    """The one picture."""
    picture = preview([make_kit(read_file(DESIGN))], None, pixels=PIXELS, title="door frame")
    small = picture.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    small.save(TARGET / "trim-kit.png", optimize=True)


if __name__ == "__main__":
    main()
