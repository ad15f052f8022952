"""Kinds of settings that hold no value of their own: each reads what is kept elsewhere and writes it back.

``read(settings)`` and ``write(settings, value)`` speak the core's language, mm and degrees and its enumerations; what
the sidebar shows is made of that here. The settings lie on an object with a knot, whose measure counts.
"""

import math

from bpy.props import EnumProperty, FloatProperty

from . import units


def length(name, description, read, write, most=0.02):
    """A length, mm."""
    return FloatProperty(
        name=name,
        description=f"{description} (a length, kept in mm)",
        subtype="DISTANCE",
        unit="LENGTH",
        min=0.0,
        soft_max=most,
        step=0.1,
        precision=5,
        options=set(),
        get=lambda settings: read(settings) * units.units_per_mm(settings.id_data.relief_knot),
        set=lambda settings, value: write(settings, units.to_mm(value, settings.id_data.relief_knot)),
    )


def angle(name, description, read, write, least, most):
    """An angle, degrees."""
    return FloatProperty(
        name=name,
        description=f"{description} (degrees)",
        subtype="ANGLE",
        min=math.radians(least),
        max=math.radians(most),
        step=100,
        precision=1,
        options=set(),
        get=lambda settings: math.radians(read(settings)),
        set=lambda settings, value: write(settings, float(f"{math.degrees(value):.6g}")),
    )


def choice(name, description, items, read, write):
    """One of an enumeration of the core; ``items`` gives (member, label, description)."""
    members = [member for member, *_ in items]

    def index(settings):
        found = read(settings)
        return members.index(found) if found in members else 0

    return EnumProperty(
        name=name,
        description=description,
        items=[(member.name, label, about, "", number) for number, (member, label, about) in enumerate(items)],
        options=set(),
        get=index,
        set=lambda settings, value: write(settings, members[value]),
    )
