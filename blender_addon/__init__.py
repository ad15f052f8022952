"""Relief Knots for Blender: knotwork as woven relief. See README.md of the project."""

from . import (
    carving_props,
    circuit_colours,
    draw_settings,
    draw_tool,
    handlers,
    help,
    jobs,
    live,
    ops_add,
    ops_carve,
    ops_edit,
    ops_files,
    ops_join,
    ops_layout,
    ops_mend,
    ops_presets,
    ops_print,
    ops_remedies,
    ops_trim,
    overlay,
    printing_props,
    props,
    relief_looks,
    relief_object,
    tracing,
    translations,
    trim_props,
    ui,
    ui_carving,
    ui_presets,
    ui_printing,
    ui_trim,
)

MODULES = (
    jobs,
    live,
    props,
    ops_presets,
    ops_add,
    ops_edit,
    ops_mend,
    ops_remedies,
    ops_files,
    ops_layout,
    ops_join,
    relief_looks,
    carving_props,
    relief_object,
    ops_carve,
    ui,
    ui_carving,
    printing_props,
    ops_print,
    ui_printing,
    trim_props,
    ops_trim,
    ui_trim,
    help,
    ui_presets,
    translations,
    circuit_colours,
    tracing,
    overlay,
    draw_settings,
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
