"""All starting points as assets in a folder of the user's, with pictures and catalogs."""

import contextlib
import os
import uuid

import bpy
import numpy as np
from bpy.app.translations import pgettext_rpt as rpt_

from . import core, props, starts, store, texts

LIBRARY, CATALOGS = "relief_knots.blend", "blender_assets.cats.txt"
_FAMILY = uuid.UUID("6d0c5f0e-3c5b-4f2a-9a35-2f4d1c1d7b60")


def catalog(use):
    """The catalog of one use: the same in every library, so that libraries written later do not double it."""
    return str(uuid.uuid5(_FAMILY, use))


def write(context, folder):
    """Write the asset library into ``folder`` and give the number of assets; what is in the file now stays as it is.

    A catalog file that is there already keeps its own lines.
    """
    if not folder or not os.path.isdir(folder):
        raise OSError(rpt_("there is no such folder"))
    wanted, made, manager = starts.listed(), [], context.window_manager
    manager.progress_begin(0, max(len(wanted), 1))
    try:
        for number, start in enumerate(wanted):
            manager.progress_update(number)
            with contextlib.suppress(store.DesignError):
                made.append(_asset(context, start))
        bpy.data.libraries.write(os.path.join(folder, LIBRARY), set(made), fake_user=True, compress=True)
    finally:
        manager.progress_end()
        meshes = [obj.data for obj in made]
        for obj in made:
            bpy.data.objects.remove(obj)
        for mesh in meshes:
            bpy.data.meshes.remove(mesh)
    add_catalogs(folder, [(use, label) for use, label, _about in starts.USES])
    return len(made)


def _asset(context, start):
    design = core.reading.read_file(start.path)
    obj = bpy.data.objects.new(start.name, bpy.data.meshes.new(start.name))
    obj.relief_knot.measure = "SCENE"
    props.from_design(obj, design)
    obj.asset_mark()
    obj.asset_data.catalog_id = catalog(start.use)
    obj.asset_data.description = starts.about(start)
    obj.asset_data.tags.new("interlace")
    if os.path.exists(start.picture):
        image = bpy.data.images.load(start.picture)
        try:
            pixels = np.empty(len(image.pixels), np.float32)
            image.pixels.foreach_get(pixels)
            preview = obj.preview_ensure()
            preview.image_size = image.size
            preview.image_pixels_float.foreach_set(pixels)
        finally:
            bpy.data.images.remove(image)
    return obj


def add_catalogs(folder, uses):
    """Add catalogs, (use, label) each, to those of a folder, which keep their lines."""
    path = os.path.join(folder, CATALOGS)
    try:
        with open(path, "rb") as file:
            data = file.read()
    except FileNotFoundError:
        data = b""
    wanted = [(catalog(use), f"Relief Knots/{label}", f"Relief Knots-{label}") for use, label in uses]
    core.files.whole.write(path, [texts.with_catalogs(data, wanted)])
