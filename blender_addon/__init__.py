"""Relief Knots for Blender: knotwork as woven relief. See README.md of the project."""

from . import (
    circuit_colours,
    draw_tool,
    handlers,
    help,
    jobs,
    live,
    ops_add,
    ops_edit,
    ops_files,
    ops_mend,
    ops_presets,
    overlay,
    props,
    tracing,
    translations,
    ui,
    ui_presets,
)

MODULES = (
    jobs,
    live,
    props,
    ops_presets,
    ops_add,
    ops_edit,
    ops_mend,
    ops_files,
    ui,
    help,
    ui_presets,
    translations,
    circuit_colours,
    tracing,
    overlay,
    draw_tool,
    handlers,
)


def register():
    """Make this part known to Blender."""
    for module in MODULES:
        module.register()


def unregister():
    """Take back what register did."""
    for module in reversed(MODULES):
        module.unregister()
