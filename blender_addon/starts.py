"""Starting points: a collection of designs with pictures, and the user's own beside it."""

import contextlib
import functools
import json
import os
from dataclasses import dataclass
from pathlib import Path

import bpy
import bpy.utils.previews
import numpy as np
from bpy.app.translations import pgettext_rpt as rpt_

from . import core, ops_files, recent, setting_out, store

SHIPPED = Path(__file__).resolve().parent / "presets"

OWN = "own"

USES = [
    ("pendant", "Pendants", "Small pieces to print or cast"),
    ("board", "Carved Boards", "Panels to carve in wood"),
    ("trim", "Trims", "Strips and bands for models"),
    ("drawing", "Drawings", "Knots to look at and to draw from"),
    (OWN, "My Own", "Designs that you saved as starting points"),
]

PIXELS = 256


@dataclass(frozen=True)
class Start:
    """A design to start from: its key (use and file name), name, a line about it, and its files."""

    key: str
    name: str
    about: str
    path: str
    picture: str

    @property
    def use(self):
        """One of USES."""
        return self.key.partition("/")[0]


@functools.lru_cache(maxsize=1)
def shipped():
    """The collection that comes with the add-on."""
    entries = json.loads((SHIPPED / "collection.json").read_text(encoding="utf-8"))
    return tuple(
        Start(
            entry["id"],
            entry["name"],
            entry["about"],
            str(SHIPPED / f"{entry['id']}{ops_files.EXTENSION}"),
            str(SHIPPED / f"{entry['id']}.png"),
        )
        for entry in entries
    )


def own():
    """What the user saved, by name."""
    folder = recent.designs()
    try:
        names = sorted(name for name in os.listdir(folder) if name.endswith(ops_files.EXTENSION))
    except OSError:
        return ()
    return tuple(
        Start(
            f"{OWN}/{ops_files.stem(name)}",
            ops_files.stem(name),
            rpt_("Your own design"),
            os.path.join(folder, name),
            os.path.join(folder, f"{ops_files.stem(name)}.png"),
        )
        for name in names
    )


def listed(use=None):
    """All starting points, or those of one use."""
    return [start for start in (*shipped(), *own()) if use in {None, start.use}]


def find(key):
    """The starting point of a key, None where there is none."""
    return next((start for start in listed() if start.key == key), None)


@functools.lru_cache(maxsize=128)
def measures(path, _changed):
    """Outer size and number of crossings of a design file, in words; empty where it cannot be read."""
    try:
        design = core.reading.read_file(path)
        counted = core.counting.count(design)
    except (store.DesignError, OSError):
        return ""
    crossings = int((counted.layout.state == core.layout.halfedge.CROSSING).sum())
    return f"{setting_out.size_words(design)}, " + rpt_("{} crossings").format(crossings)


def about(start):
    """A line or two about a starting point, its size among them."""
    with contextlib.suppress(OSError):
        size = measures(start.path, os.path.getmtime(start.path))
        return f"{rpt_(start.about)}. {size}" if size else rpt_(start.about)
    return rpt_(start.about)


# Pictures

_pictures = {}
"""Blender's collection of pictures under "all", while the add-on is registered."""


def open_pictures():
    """Be ready to show pictures."""
    _pictures["all"] = bpy.utils.previews.new()


def close_pictures():
    """Let go of all pictures."""
    bpy.utils.previews.remove(_pictures.pop("all"))
    _items.clear()


def icon(start):
    """Blender's number for the picture of a starting point, 0 where it has none."""
    pictures = _pictures.get("all")
    if pictures is None or not os.path.exists(start.picture):
        return 0
    name = f"{start.picture} {os.path.getmtime(start.picture)}"
    if name not in pictures:
        pictures.load(name, start.picture, "IMAGE")
    return pictures[name].icon_id


_items = {}  # kept here: Blender holds no reference to the items it is given


def items(use):
    """The starting points of one use as items of an enumeration."""
    made = [
        (start.key, rpt_(start.name), about(start), icon(start), number) for number, start in enumerate(listed(use))
    ]
    if not made:
        made = [("NONE", rpt_("Nothing saved yet"), rpt_("Save a knot with Save as Starting Point"), 0, 0)]
    if _items.get(use) != made:
        _items[use] = made
    return _items[use]


def save_picture(design, path):
    """Draw a design from straight above into a square PNG, with Blender's own writer."""
    mesh = core.made.make(design, fine=False).mesh
    if mesh is None:
        return
    shown = core.picture.picture(mesh, PIXELS, margin=0.05)
    square = np.empty((PIXELS, PIXELS, 3), np.uint8)
    square[:] = shown[0, 0]
    top, left = (PIXELS - shown.shape[0]) // 2, (PIXELS - shown.shape[1]) // 2
    square[top : top + shown.shape[0], left : left + shown.shape[1]] = shown
    image = bpy.data.images.new("Relief Knot Picture", PIXELS, PIXELS)
    try:
        image.pixels.foreach_set(_rgba(square))
        image.filepath_raw = str(path)
        image.file_format = "PNG"
        image.save()
    finally:
        bpy.data.images.remove(image)


def _rgba(square):
    """Rows from the bottom up, with alpha, as Blender keeps pixels."""
    opaque = np.full((*square.shape[:2], 1), 255, np.uint8)
    return (np.concatenate([square, opaque], axis=2)[::-1].reshape(-1) / np.float32(255)).astype(np.float32)
