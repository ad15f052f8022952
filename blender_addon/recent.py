"""What is kept for the user between sessions: a folder of own designs, and which design files were last opened.

Everything here forgives: a folder that cannot be written to, a list that was cut short, files that have gone.
"""

import os

import bpy

from . import core, texts

MOST = 10
"""Files remembered."""

LIST = "recent.json"


def folder(create=False):
    """The user's own folder, which upgrading the add-on leaves alone; it exists only if ``create``."""
    try:
        return bpy.utils.extension_path_user(__package__, create=create)
    except ValueError:  # not installed as an extension: run from a checkout
        return bpy.utils.user_resource("CONFIG", path="relief_knots", create=create) or os.path.join(
            bpy.utils.user_resource("CONFIG"), "relief_knots"
        )


def designs(create=False):
    """The folder with the user's own starting points."""
    place = os.path.join(folder(create), "designs")
    if create:
        os.makedirs(place, exist_ok=True)
    return place


def remembered():
    """Paths of the list, latest first, whether or not the files are still there."""
    try:
        return texts.paths(core.files_opening.read_bytes(os.path.join(folder(), LIST), texts.LARGEST), MOST)
    except OSError:
        return []


def files():
    """Those of the remembered files that are there to be opened."""
    return [path for path in remembered() if os.path.isfile(path)]


def note(path):
    """Put a file at the head of the list. Gives whether the list could be kept."""
    path = os.path.abspath(path)
    listed = [path, *(other for other in remembered() if other != path)][:MOST]
    return _keep(listed)


def forget():
    """Empty the list."""
    return _keep([])


def _keep(paths):
    try:
        core.files.whole.write(os.path.join(folder(create=True), LIST), [texts.list_of(paths)])
    except OSError:
        return False
    return True
