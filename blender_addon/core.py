"""The one place that imports the geometry core.

Packaged, the core lies inside the add-on (``build_extension.py`` copies it there), because an extension may not put
modules under top-level names. In a checkout it stands beside the add-on.
"""

from importlib import import_module
from importlib.util import find_spec

_ROOT = f"{__package__}.knotgeom" if find_spec(".knotgeom", __package__) else "knotgeom"


def _module(name):
    return import_module(f"{_ROOT}.{name}")


carving_cutters = _module("carving.cutters")
carving_facets = _module("carving.facets")
carving_field = _module("carving.field")
carving_files = _module("carving.files")
carving_gouges = _module("carving.gouges")
carving_options = _module("carving.options")
carving_panel = _module("carving.panel")
carving_preview = _module("carving.preview")
carving_reach = _module("carving.reach")
carving_relief = _module("carving.relief")
carving_tool_report = _module("carving.tool_report")
carving_woods = _module("carving.woods")
course = _module("course")
cycles = _module("cycles")
design = _module("design")
divide = _module("divide")
dividing = _module("dividing")
editing = _module("editing")
errors = _module("errors")
files = _module("files")
files_stl = _module("files.stl")
findings = _module("findings")
free_layout = _module("layout.free")
grid_layout = _module("layout.grid")
lanes = _module("lanes")
layout = _module("layout")
layout_check = _module("layout.check")
made = _module("made")
merging = _module("merging")
mesh = _module("mesh")
panel = _module("panel")
picture = _module("picture")
places = _module("places")
png16 = _module("files.png16")
printing_allowances = _module("printing.allowances")
printing_bodies = _module("printing.bodies")
printing_checks = _module("printing.checks")
printing_fillet = _module("printing.fillet")
printing_knot = _module("printing.knot")
printing_materials = _module("printing.materials")
printing_options = _module("printing.options")
printing_piece = _module("printing.piece")
printing_preview = _module("printing.preview")
printing_profiles = _module("printing.profiles")
reading = _module("reading")
remedies = _module("remedies")
resolve = _module("resolve")
ring_layout = _module("layout.ring")
sheets = _module("sheets")
sizing = _module("sizing")
solid = _module("solid")
starters = _module("starters")
styles = _module("styles")
symmetry = _module("symmetry")
threemf = _module("files.threemf")
trace = _module("trace")
trims_kit = _module("trims.kit")
trims_laying = _module("trims.laying")
trims_options = _module("trims.options")
