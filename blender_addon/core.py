"""The one place that imports the geometry core.

Packaged, the core lies inside the add-on (``build_extension.py`` copies it there), because an extension may not put
modules under top-level names. In a checkout it stands beside the add-on.
"""

from importlib import import_module
from importlib.util import find_spec

_ROOT = f"{__package__}.knotgeom" if find_spec(".knotgeom", __package__) else "knotgeom"


def _module(name):
    return import_module(f"{_ROOT}.{name}")


course = _module("course")
design = _module("design")
divide = _module("divide")
editing = _module("editing")
errors = _module("errors")
files = _module("files")
findings = _module("findings")
grid_layout = _module("layout.grid")
lanes = _module("lanes")
layout = _module("layout")
made = _module("made")
mesh = _module("mesh")
picture = _module("picture")
places = _module("places")
reading = _module("reading")
remedies = _module("remedies")
resolve = _module("resolve")
sizing = _module("sizing")
solid = _module("solid")
starters = _module("starters")
styles = _module("styles")
symmetry = _module("symmetry")
trace = _module("trace")
