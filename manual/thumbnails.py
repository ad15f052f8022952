"""Draw the pictures of the starting points anew, those whose design has changed or all.

    python manual/thumbnails.py [--all]

Each picture is a square of 256 pixels beside its design. ``collection.json`` keeps the SHA-256 of the design that a
picture was drawn from, so that a test can tell a stale one.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from pathlib import Path

import numpy as np
from PIL import Image

from knotgeom import made, picture, reading

FOLDER = Path(__file__).resolve().parents[1] / "blender_addon" / "presets"
PIXELS = 256
COLOURS = 96
"""Of the palette: enough for a dozen shades of strand, and a third of the size."""


def draw(path: Path) -> np.ndarray:
    """The picture of the design file at ``path``, (256, 256, 3) uint8, ground all round it."""
    mesh = made.make(reading.read_file(path)).mesh
    shown = picture.picture(mesh, PIXELS, margin=0.05)
    square = np.empty((PIXELS, PIXELS, 3), np.uint8)
    square[:] = np.median(np.concatenate([shown[0], shown[-1]]), axis=0)
    top, left = (PIXELS - shown.shape[0]) // 2, (PIXELS - shown.shape[1]) // 2
    square[top : top + shown.shape[0], left : left + shown.shape[1]] = shown
    return square


def main() -> None:
    """Draw what is stale."""
    parser = argparse.ArgumentParser(description="Draw the pictures of the starting points.")
    parser.add_argument("--all", action="store_true", help="draw those that are up to date too")
    everything = parser.parse_args().all
    entries = json.loads((FOLDER / "collection.json").read_text(encoding="utf-8"))
    for entry in entries:
        design = FOLDER / f"{entry['id']}.interlace.json"
        digest = hashlib.sha256(design.read_bytes()).hexdigest()
        target = FOLDER / f"{entry['id']}.png"
        if everything or entry["picture_of"] != digest or not target.exists():
            Image.fromarray(draw(design)).quantize(COLOURS).save(target, optimize=True)
            entry["picture_of"] = digest
            print(target.relative_to(FOLDER))
    lines = ",\n".join("  " + json.dumps(entry) for entry in entries)
    (FOLDER / "collection.json").write_text(f"[\n{lines}\n]\n", encoding="utf-8")


if __name__ == "__main__":
    main()
