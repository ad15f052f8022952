"""Settings of the layout, of whichever kind it is; what a kind has not got reads as a plain value and stays unset."""

import math
from dataclasses import replace

from bpy.props import EnumProperty, IntProperty

from . import core, kinds, setting_out
from .design_props import change, value_of

D = core.design


def laid(design, key, otherwise):
    """A value of the layout; ``otherwise`` where it is of a kind without it."""
    return getattr(design.layout, key, otherwise)


def set_out(**values):
    """The edit that sets values of the layout and keeps what still has its place; kinds without them stay."""

    def edited(design):
        layout = design.layout
        if isinstance(layout, D.Grid) and set(values) <= {"columns", "rows"}:
            return core.editing.resize_grid(design, **{"columns": layout.columns, "rows": layout.rows, **values})
        if not all(hasattr(layout, key) for key in values):
            return design
        return _on(design, replace(layout, **values))

    return edited


def _on(design, layout):
    """The design on another layout, which must be one."""
    if not isinstance(layout, D.Grid):
        core.layout_check.check_shape(layout)
    return core.editing.set_layout(design, layout)


def count(axis, name, description, least=1):
    """A number of cells, sectors or repeats."""
    return IntProperty(
        name=name,
        description=description,
        min=least,
        max=400,
        soft_max=24,
        translation_context="Relief Knots",
        options=set(),
        get=lambda knot: value_of(knot, lambda design: laid(design, axis, least), least),
        set=lambda knot, value: change(knot, set_out(**{axis: value})),
    )


def length(name, description, read, write, most=0.1):
    """A length of the layout: ``read(layout)`` gives mm or None, ``write(layout, mm)`` the layout with another."""

    def edit(mm):
        def edited(design):
            return _on(design, write(design.layout, mm)) if read(design.layout) is not None else design

        return edited

    return kinds.length(
        name,
        description,
        lambda knot: value_of(knot, lambda design: read(design.layout) or 0.0, 0.0),
        lambda knot, mm: change(knot, edit(mm)),
        most,
    )


def measure(key, name, description, most=0.1):
    """A length that layouts keep under a key."""
    return length(
        name,
        description,
        lambda layout: getattr(layout, key, None),
        lambda layout, mm: replace(layout, **{key: mm}),
        most,
    )


def write_inner(layout, mm):
    """A wheel, whose inner radius is 0, has no inner edge to cross."""
    return replace(layout, inner=mm, inner_edge=layout.inner_edge if mm else D.Rim.WALLED)


def read_dome(layout):
    """How high a ring is domed, mm; None for other layouts."""
    return (layout.surface.rise if layout.surface else 0.0) if isinstance(layout, D.Ring) else None


def read_diameter(layout):
    """Of the sphere that a strip lies on, mm; None for other layouts."""
    return layout.surface.diameter if isinstance(getattr(layout, "surface", None), D.Sphere) else None


RIMS = [
    ("WALLED", "Walled", "Strands turn back there"),
    ("CROSSED", "Crossed", "Strands cross there and loop outside, which gives odd numbers of leads"),
]


def rim(key, name, description):
    """What strands do at a rim."""
    members = [D.Rim[key] for key, *_ in RIMS]
    return EnumProperty(
        name=name,
        description=description,
        items=RIMS,
        options=set(),
        get=lambda knot: value_of(knot, lambda design: members.index(laid(design, key, D.Rim.WALLED)), 0),
        set=lambda knot, value: change(knot, set_out(**{key: members[value]})),
    )


KINDS = [
    ("GRID", "Grid", "Equal cells in columns and rows"),
    ("RING", "Ring", "Cells about a middle: a ring, or a wheel with an inner radius of 0"),
    ("STRIP", "Strip", "A grid that repeats along its length, its ends joined: trims, bangles, beads"),
    ("BORDER", "Border", "A frame about a rectangle or a regular polygon"),
    ("MESH", "Mesh Object", "The polygons of a mesh: every edge is a place where strands can cross"),
]


def write_kind(value):
    """The edit that sets the knot out on the kind of that number."""
    kind = KINDS[value][0]

    def edited(design):
        layout = setting_out.converted(design.layout, kind)
        return design if layout is design.layout else _on(design, layout)

    return edited


SURFACES = [
    ("FLAT", "Flat", "The strip lies flat and tiles end to end"),
    ("CYLINDER", "Cylinder", "The strip is bent round until its ends meet: a bangle, a finger ring"),
    ("SPHERE", "Sphere", "The strip runs round the equator of a sphere: a bead"),
    ("TURNED", "Turned Form", "The strip runs round a turned form such as a vase, its profile kept in the design"),
]


def read_surface(design):
    """The number of the surface that a strip lies on."""
    surface = laid(design, "surface", None)
    known = [type(None), D.Cylinder, D.Sphere, D.Turned]
    return known.index(type(surface)) if type(surface) in known else 0


def write_surface(value):
    """The edit that lays a strip on the surface of that number, about as large as the strip is."""

    def edited(design):
        strip = design.layout
        if not isinstance(strip, D.Strip) or value == read_surface(design):
            return design
        around = strip.columns * strip.repeats * strip.cell_width / math.pi
        high = strip.rows * strip.cell_height
        round_about = float(f"{max(around, high):.4g}")
        profile = tuple((float(f"{part * around / 2:.4g}"), float(f"{up * high:.4g}")) for part, up in _VASE)
        surface = [None, D.Cylinder(), D.Sphere(round_about), D.Turned(profile)][value]
        return _on(design, replace(strip, surface=surface))

    return edited


_VASE = ((0.8, 0.0), (1.05, 0.35), (1.0, 0.6), (0.75, 1.0))
"""The profile a turned form begins with: its radius as part of the cylinder's, its height as part of the strip's."""


def inside(axis, name, description, least):
    """A number of cells, or of sides, of the opening of a border."""

    def edited(value):
        def edit(design):
            border = design.layout
            if not isinstance(border, D.Border):
                return design
            cells = list(border.inside)
            cells[axis] = value
            return _on(design, replace(border, inside=tuple(cells)))

        return edit

    return IntProperty(
        name=name,
        description=description,
        min=least,
        max=200,
        soft_max=24,
        translation_context="Relief Knots",
        options=set(),
        get=lambda knot: value_of(knot, lambda design: laid(design, "inside", (least, least))[axis], least),
        set=lambda knot, value: change(knot, edited(value)),
    )


def write_polygon(value):
    """The edit that makes a border frame a polygon, or a rectangle again."""

    def edited(design):
        border = design.layout
        if not isinstance(border, D.Border) or border.polygon == bool(value):
            return design
        inside = (border.inside[0], 6) if value else (border.inside[0], border.inside[0])
        return _on(design, replace(border, polygon=bool(value), inside=inside))

    return edited
