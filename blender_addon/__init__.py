"""Relief Knots for Blender: knotwork as woven relief. See README.md of the project."""

from . import handlers, jobs, live, ops_add, ops_edit, ops_files, ops_mend, ops_pick, props, ui

MODULES = (jobs, live, props, ops_add, ops_edit, ops_mend, ops_pick, ops_files, ui, handlers)


def register():
    """Make this part known to Blender."""
    for module in MODULES:
        module.register()


def unregister():
    """Take back what register did."""
    for module in reversed(MODULES):
        module.unregister()
