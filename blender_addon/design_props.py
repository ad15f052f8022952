"""Settings of the design on an object: makers of properties that read its text and write it back.

None of these holds a value of its own, so that the panel, the text and what undo brings back cannot disagree.
"""

from dataclasses import replace

from bpy.props import BoolProperty

from . import core, kinds, rebuild, store


def look(design, path):
    """The value at a path such as ``strand.width``."""
    for key in path.split("."):
        design = getattr(design, key)
    return design


def put(design, path, value):
    """The design with another value at a path."""
    key, _, rest = path.partition(".")
    return replace(design, **{key: put(getattr(design, key), rest, value) if rest else value})


def value_of(knot, read, otherwise):
    """What ``read(design)`` gives of the knot's design, ``otherwise`` where it has none."""
    design = store.design_of(knot.id_data)
    return otherwise if design is None else read(design)


def change(knot, edit):
    """Edit the knot's design as a slider does, in Object Mode."""
    obj = knot.id_data
    if obj.mode == "OBJECT":
        rebuild.change(obj, edit, dragged=True)


def length(path, name, description, effective=None, most=0.02):
    """A length kept at ``path`` in mm; ``effective`` gives what holds where the design leaves it open."""

    def read(design):
        return effective(design) if effective else look(design, path)

    return kinds.length(
        name,
        description,
        lambda knot: value_of(knot, read, 0.0),
        lambda knot, value: change(knot, lambda design: put(design, path, value)),
        most,
    )


def size(key):
    """Reads one of the core's completed sizes."""
    return lambda design: getattr(core.sizing.sizes(design), key)


def angle(path, name, description, fallback, least=1.0, most=89.0):
    """An angle kept at ``path`` in degrees."""

    def read(design):
        found = look(design, path)
        return fallback if found is None else found

    return kinds.angle(
        name,
        description,
        lambda knot: value_of(knot, read, fallback),
        lambda knot, value: change(knot, lambda design: put(design, path, value)),
        least,
        most,
    )


def limit(path, name, description, start):
    """Whether a limit is kept at all; switched on, it starts at ``start(design)``."""

    def edit(value):
        def edited(design):
            if value == (look(design, path) is not None):
                return design
            return put(design, path, start(design) if value else None)

        return edited

    return BoolProperty(
        name=name,
        description=description,
        options=set(),
        get=lambda knot: value_of(knot, lambda design: look(design, path) is not None, False),
        set=lambda knot, value: change(knot, edit(value)),
    )


def choice(path, kind, name, description, items):
    """One of an enumeration of the core; ``items`` gives (member, label, description)."""
    assert {member for member, *_ in items} == set(kind), path
    return kinds.choice(
        name,
        description,
        items,
        lambda knot: value_of(knot, lambda design: look(design, path), None),
        lambda knot, value: change(knot, lambda design: put(design, path, value)),
    )


def flag(path, name, description):
    """A yes or no kept at ``path``."""
    return BoolProperty(
        name=name,
        description=description,
        options=set(),
        get=lambda knot: value_of(knot, lambda design: look(design, path), False),
        set=lambda knot, value: change(knot, lambda design: put(design, path, bool(value))),
    )
