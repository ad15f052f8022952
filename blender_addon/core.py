"""The one place that imports the geometry core.

Packaged, the core lies inside the add-on (``build_extension.py`` copies it there), because an extension may not put
modules under top-level names. In a checkout it stands beside the add-on.
"""

from importlib import import_module
from importlib.util import find_spec

_ROOT = f"{__package__}.knotgeom" if find_spec(".knotgeom", __package__) else "knotgeom"


def _module(name):
    return import_module(f"{_ROOT}.{name}")


design = _module("design")
editing = _module("editing")
errors = _module("errors")
files = _module("files")
made = _module("made")
mesh = _module("mesh")
reading = _module("reading")
starters = _module("starters")
