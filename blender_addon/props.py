"""What the sidebar shows: the design on the object as Blender properties.

None of these holds a value of its own. Each reads the design's text and writes it back, lengths in the scene's units,
so that the panel, the text and what undo brings back cannot disagree.
"""

import math
from dataclasses import replace

import bpy
from bpy.app.translations import pgettext_rpt as rpt_
from bpy.props import BoolProperty, EnumProperty, FloatProperty, IntProperty, PointerProperty, StringProperty

from . import core, jobs, kinds, live, rebuild, setting_out, store, units

D = core.design


def look(design, path):
    """The value at a path such as ``strand.width``."""
    for key in path.split("."):
        design = getattr(design, key)
    return design


def put(design, path, value):
    """The design with another value at a path."""
    key, _, rest = path.partition(".")
    return replace(design, **{key: put(getattr(design, key), rest, value) if rest else value})


def _value(knot, read, otherwise):
    design = store.design_of(knot.id_data)
    return otherwise if design is None else read(design)


def _change(knot, edit):
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
        lambda knot: _value(knot, read, 0.0),
        lambda knot, value: _change(knot, lambda design: put(design, path, value)),
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
        lambda knot: _value(knot, read, fallback),
        lambda knot, value: _change(knot, lambda design: put(design, path, value)),
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
        get=lambda knot: _value(knot, lambda design: look(design, path) is not None, False),
        set=lambda knot, value: _change(knot, edit(value)),
    )


def choice(path, kind, name, description, items):
    """One of an enumeration of the core; ``items`` gives (member, label, description)."""
    assert {member for member, *_ in items} == set(kind), path
    return kinds.choice(
        name,
        description,
        items,
        lambda knot: _value(knot, lambda design: look(design, path), None),
        lambda knot, value: _change(knot, lambda design: put(design, path, value)),
    )


def flag(path, name, description):
    """A yes or no kept at ``path``."""
    return BoolProperty(
        name=name,
        description=description,
        options=set(),
        get=lambda knot: _value(knot, lambda design: look(design, path), False),
        set=lambda knot, value: _change(knot, lambda design: put(design, path, bool(value))),
    )


# --- layouts of every kind -------------------------------------------------------------------------------------------


def _laid(design, key, otherwise):
    """A value of the layout; ``otherwise`` where it is of a kind without it."""
    return getattr(design.layout, key, otherwise)


def _set_out(**values):
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


def _count(axis, name, description, least=1):
    return IntProperty(
        name=name,
        description=description,
        min=least,
        max=400,
        soft_max=24,
        translation_context="Relief Knots",
        options=set(),
        get=lambda knot: _value(knot, lambda design: _laid(design, axis, least), least),
        set=lambda knot, value: _change(knot, _set_out(**{axis: value})),
    )


def _layout_length(name, description, read, write, most=0.1):
    """A length of the layout: ``read(layout)`` gives mm or None, ``write(layout, mm)`` the layout with another."""

    def get(knot):
        return _value(knot, lambda design: read(design.layout) or 0.0, 0.0) * units.units_per_mm(knot)

    def put_in(knot, value):
        mm = units.to_mm(value, knot)

        def edited(design):
            return _on(design, write(design.layout, mm)) if read(design.layout) is not None else design

        _change(knot, edited)

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
        get=get,
        set=put_in,
    )


def _layout_measure(key, name, description, most=0.1):
    return _layout_length(
        name,
        description,
        lambda layout: getattr(layout, key, None),
        lambda layout, mm: replace(layout, **{key: mm}),
        most,
    )


def _write_inner(layout, mm):
    """A wheel, whose inner radius is 0, has no inner edge to cross."""
    return replace(layout, inner=mm, inner_edge=layout.inner_edge if mm else D.Rim.WALLED)


def _read_dome(layout):
    return (layout.surface.rise if layout.surface else 0.0) if isinstance(layout, D.Ring) else None


def _read_diameter(layout):
    return layout.surface.diameter if isinstance(getattr(layout, "surface", None), D.Sphere) else None


def _rim(key, name, description):
    members = [D.Rim.WALLED, D.Rim.CROSSED]
    return EnumProperty(
        name=name,
        description=description,
        items=[
            ("WALLED", "Walled", "Strands turn back there"),
            ("CROSSED", "Crossed", "Strands cross there and loop outside, which gives odd numbers of leads"),
        ],
        options=set(),
        get=lambda knot: _value(knot, lambda design: members.index(_laid(design, key, D.Rim.WALLED)), 0),
        set=lambda knot, value: _change(knot, _set_out(**{key: members[value]})),
    )


_KINDS = [
    ("GRID", "Grid", "Equal cells in columns and rows"),
    ("RING", "Ring", "Cells about a middle: a ring, or a wheel with an inner radius of 0"),
    ("STRIP", "Strip", "A grid that repeats along its length, its ends joined: trims, bangles, beads"),
    ("BORDER", "Border", "A frame about a rectangle or a regular polygon"),
    ("MESH", "Mesh Object", "The polygons of a mesh: every edge is a place where strands can cross"),
]


def _write_kind(value):
    kind = _KINDS[value][0]

    def edited(design):
        layout = setting_out.converted(design.layout, kind)
        return design if layout is design.layout else _on(design, layout)

    return edited


_SURFACES = [
    ("FLAT", "Flat", "The strip lies flat and tiles end to end"),
    ("CYLINDER", "Cylinder", "The strip is bent round until its ends meet: a bangle, a finger ring"),
    ("SPHERE", "Sphere", "The strip runs round the equator of a sphere: a bead"),
    ("TURNED", "Turned Form", "The strip runs round a turned form such as a vase, its profile kept in the design"),
]


def _read_surface(design):
    surface = _laid(design, "surface", None)
    kinds = [type(None), D.Cylinder, D.Sphere, D.Turned]
    return kinds.index(type(surface)) if type(surface) in kinds else 0


def _write_surface(value):
    def edited(design):
        strip = design.layout
        if not isinstance(strip, D.Strip) or value == _read_surface(design):
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


def _inside(axis, name, description, least):
    def edited(value):
        def edit(design):
            border = design.layout
            if not isinstance(border, D.Border):
                return design
            inside = list(border.inside)
            inside[axis] = value
            return _on(design, replace(border, inside=tuple(inside)))

        return edit

    return IntProperty(
        name=name,
        description=description,
        min=least,
        max=200,
        soft_max=24,
        translation_context="Relief Knots",
        options=set(),
        get=lambda knot: _value(knot, lambda design: _laid(design, "inside", (least, least))[axis], least),
        set=lambda knot, value: _change(knot, edited(value)),
    )


def _write_polygon(value):
    def edited(design):
        border = design.layout
        if not isinstance(border, D.Border) or border.polygon == bool(value):
            return design
        inside = (border.inside[0], 6) if value else (border.inside[0], border.inside[0])
        return _on(design, replace(border, polygon=bool(value), inside=inside))

    return edited


_SECTIONS = [
    (D.Section.FLAT, "Flat", "A flat band with eased edges"),
    (D.Section.HALF_ROUND, "Half-round", "Flat below, round above"),
    (D.Section.PEAKED, "Peaked", "Two slopes that meet along the middle"),
    (D.Section.MEDIAN_INCISED, "Median-incised", "A flat band with a groove along its middle"),
]
_SECTION_ITEMS = [(m.name, label, about, "", number) for number, (m, label, about) in enumerate(_SECTIONS)]
_OUTLINE_ITEM = ("OUTLINE", "Own Outline", "The outline kept in the design", "", len(_SECTIONS))


def _section_items(knot, _context):
    has_own = _value(knot, lambda design: isinstance(design.strand.section, tuple), False)
    return _WITH_OUTLINE if has_own else _SECTION_ITEMS


_WITH_OUTLINE = [*_SECTION_ITEMS, _OUTLINE_ITEM]  # kept here: Blender holds no reference to the items it is given


def _read_section(design):
    section = design.strand.section
    return len(_SECTIONS) if isinstance(section, tuple) else [m for m, *_ in _SECTIONS].index(section)


def _write_section(value):
    return lambda design: put(design, "strand.section", _SECTIONS[value][0]) if value < len(_SECTIONS) else design


METALS = [
    ("STERLING", "Sterling Silver", 10.36, "from fine silver and copper by the rule for alloys"),
    ("SILVER", "Fine Silver", 10.49, "from tables of precious metals"),
    ("GOLD_18_YELLOW", "18 ct Yellow Gold", 15.58, "from tables of precious metals"),
    ("GOLD_18_RED", "18 ct Red Gold", 15.18, "from tables of precious metals"),
    ("GOLD_18_WHITE", "18 ct White Gold", 14.64, "from tables of precious metals"),
    ("GOLD", "Fine Gold", 19.32, "from tables of precious metals"),
    ("COPPER", "Copper", 8.96, "from tables of precious metals"),
    ("BRASS", "Brass 60/40", 8.52, "from general tables of metals"),
]
"""Key, name, density in g/cm\u00b3 and where that is from."""


def metal_name(knot):
    """The name of the metal whose mass is shown, as within a sentence of the interface's language."""
    name = next(name for key, name, *_ in METALS if key == knot.metal)
    known = rpt_(name)
    return name.lower() if known == name else known


def mass(knot, report):
    """Grams of the knot in its metal, at most; None for carved knots, whose board is not drawn, and without a mesh.

    Parameters
    ----------
    report : dict
        As :func:`store.report_of` gives it.
    """
    volume = report["volume_mm3"]
    if volume is None or knot.way == "CARVED":
        return None
    return volume / 1000 * next(density for key, _, density, _ in METALS if key == knot.metal)


class ReliefKnotSettings(bpy.types.PropertyGroup):
    """The knot on an object: its design's text, what was said of it, and the sidebar's view of it."""

    # --- kept values ------------------------------------------------------------------------------------------------
    text: StringProperty(name="Design", description="The whole design, as its file says it", options=set())
    made: StringProperty(name="Last Made", description="The last design a mesh could be made of", options=set())
    error: StringProperty(name="Error", description="Why the design could not be made", options=set())
    note: StringProperty(name="Note", description="What had to go with the last change", options=set())
    report: StringProperty(name="Report", description="Facts and findings of the knot", options=set())
    measure: EnumProperty(
        name="Measure",
        description="How millimetres become Blender units",
        items=[
            ("SCENE", "Scene Units", "A millimetre is a thousandth of a metre at the scene's unit scale"),
            ("UNIT", "1 Unit = 1 mm", "A millimetre is one Blender unit, whatever the scene's scale"),
        ],
        options=set(),
        update=lambda knot, _context: rebuild.follow(knot.id_data),
    )
    metal: EnumProperty(
        name="Mass In",
        description="The metal whose mass is shown, in grams; its density is in g/cm\u00b3",
        items=[(key, name, f"{density:g} g/cm\u00b3, {source}") for key, name, density, source in METALS],
        options=set(),
    )
    live: BoolProperty(
        name="Live",
        description="Redraw the knot at every change; otherwise it waits for the Update button",
        default=True,
        options=set(),
        update=lambda knot, _context: rebuild.follow(knot.id_data),
    )

    # --- layout -----------------------------------------------------------------------------------------------------
    kind: EnumProperty(
        name="Kind",
        description="The kind of layout; what has no place on another kind is named below",
        items=_KINDS,
        options=set(),
        get=lambda knot: _value(
            knot, lambda design: [key for key, *_ in _KINDS].index(setting_out.kind_of(design.layout)), 0
        ),
        set=lambda knot, value: _change(knot, _write_kind(value)),
    )
    columns: _count("columns", "Columns", "Number of cells across; what no longer fits a smaller layout is named below")
    rows: _count("rows", "Rows", "Number of cells up; what no longer fits a smaller layout is named below")
    cell_width: _layout_measure("cell_width", "Cell Width", "Width of one cell of the layout", 0.05)
    cell_height: _layout_measure("cell_height", "Cell Height", "Height of one cell of the layout", 0.05)
    sectors: _count("sectors", "Sectors", "Number of cells round the ring", least=2)
    inner: _layout_length(
        "Inner Radius",
        "From the middle to the ring's inner edge; 0 makes a wheel",
        lambda layout: getattr(layout, "inner", None),
        _write_inner,
    )
    outer: _layout_measure("outer", "Outer Radius", "From the middle to the ring's outer edge")
    inner_edge: _rim("inner_edge", "Inner Edge", "What strands do at the ring's inner edge")
    outer_edge: _rim("outer_edge", "Outer Edge", "What strands do at the ring's outer edge")
    dome: _layout_length(
        "Dome Rise",
        "How high the middle stands above the outer edge, as on a shield boss; 0 is flat",
        _read_dome,
        lambda layout, mm: replace(layout, surface=D.Dome(mm) if mm else None),
        0.05,
    )
    repeats: _count("repeats", "Repeats", "How many times the strip's cells follow one another, always whole")
    lower_edge: _rim("lower_edge", "Lower Edge", "What strands do at the strip's lower edge")
    upper_edge: _rim("upper_edge", "Upper Edge", "What strands do at the strip's upper edge")
    surface: EnumProperty(
        name="Surface",
        description="What the strip lies on",
        items=_SURFACES,
        options=set(),
        get=lambda knot: _value(knot, _read_surface, 0),
        set=lambda knot, value: _change(knot, _write_surface(value)),
    )
    diameter: _layout_length(
        "Diameter",
        "Diameter of the sphere",
        _read_diameter,
        lambda layout, mm: replace(layout, surface=D.Sphere(mm)),
    )
    polygon: BoolProperty(
        name="Polygon Frame",
        description="Frame a regular polygon in place of a rectangle",
        options=set(),
        get=lambda knot: _value(knot, lambda design: _laid(design, "polygon", False), False),
        set=lambda knot, value: _change(knot, _write_polygon(value)),
    )
    inside_columns: _inside(0, "Cells Inside", "Number of cells along the opening, or along each side of a polygon", 1)
    inside_rows: _inside(1, "Rows Inside", "Number of cells up the opening", 1)
    sides: _inside(1, "Sides", "Number of sides of the polygon", 3)
    deep: _count("deep", "Depth in Cells", "How many cells wide the frame is")
    border_cell: _layout_measure("cell", "Cell", "Side of the cells along the opening", 0.05)
    frame_corners: EnumProperty(
        name="Corners",
        description="How the cells of the frame meet at its corners",
        items=[
            ("SQUARE", "Square", "A block of square cells fills each corner"),
            ("MITRED", "Mitred", "Cells spread towards the outer corner"),
        ],
        options=set(),
        get=lambda knot: _value(
            knot, lambda design: int(_laid(design, "corners", D.Corners.SQUARE) is D.Corners.MITRED), 0
        ),
        set=lambda knot, value: _change(knot, _set_out(corners=[D.Corners.SQUARE, D.Corners.MITRED][value])),
    )
    boundary: _rim("boundary", "Boundary", "What strands do at the mesh's boundary")
    layout_object: PointerProperty(
        name="Layout Object",
        description="The mesh object on whose polygons the knot is set out, and which it follows",
        type=bpy.types.Object,
        poll=lambda knot, obj: obj.type == "MESH" and not obj.relief_knot.text,
        update=lambda knot, _context: on_layout_object(knot),
    )

    # --- dividing ---------------------------------------------------------------------------------------------------
    divide_all: flag("divide.all", "Divide All", "Run every strand as two halves, loops without a crossing too")
    rejoin: choice(
        "divide.rejoin",
        D.Rejoin,
        "Rejoin",
        "Where the two halves of a strand run as one again",
        [
            (D.Rejoin.NONE, "Nowhere", "Halves run on as halves"),
            (D.Rejoin.BENDS, "At Bends", "One strand again wherever it turns at a break or the boundary"),
            (D.Rejoin.STEPS, "On Every Step", "One strand again between every two crossings"),
        ],
    )
    gap: length("divide.gap", "Gap", "Open background between two halves; 0 is an incised line", size("gap"), 0.005)

    # --- weave ------------------------------------------------------------------------------------------------------
    hand: choice(
        "weave.hand",
        D.Hand,
        "Hand",
        "Which of a weave and its mirror image is taken",
        [
            (D.Hand.RIGHT, "Right", "Rising strands go over on horizontal lines of the layout"),
            (D.Hand.LEFT, "Left", "The opposite: every over becomes an under"),
        ],
    )

    # --- strand -----------------------------------------------------------------------------------------------------
    width: length("strand.width", "Width", "Width of the strand, over both halves where divided", size("width"), 0.02)
    thickness: length("strand.thickness", "Thickness", "Thickness of the strand", size("thickness"), 0.01)
    section: EnumProperty(
        name="Section",
        description="The shape of the strand cut across",
        items=_section_items,
        options=set(),
        get=lambda knot: _value(knot, _read_section, 0),
        set=lambda knot, value: _change(knot, _write_section(value)),
    )
    groove_depth: length(
        "strand.groove.depth", "Groove Depth", "Depth of the incised line", size("groove_depth"), 0.005
    )
    groove_angle: angle(
        "strand.groove.angle_deg", "Groove Angle", "Angle between the walls of the incised line", 75.0, 1.0, 179.0
    )
    turn_corners: choice(
        "strand.turns.corners",
        D.Turn,
        "At Corners",
        "How strands turn at the corners of the layout",
        [
            (D.Turn.ROUND, "Round", "Strands turn the corners of the layout in a curve"),
            (D.Turn.POINTED, "Pointed", "Strands turn the corners of the layout in a mitre"),
        ],
    )
    turn_borders: choice(
        "strand.turns.borders",
        D.Turn,
        "At Borders",
        "How strands turn along the borders of the layout",
        [
            (D.Turn.ROUND, "Round", "Strands turn back from the border in a curve"),
            (D.Turn.POINTED, "Pointed", "Strands turn back from the border in a mitre"),
        ],
    )
    turn_breaks: choice(
        "strand.turns.breaks",
        D.Turn,
        "At Breaks",
        "How strands turn back from a break",
        [
            (D.Turn.ROUND, "Round", "Strands turn back from a break in a curve"),
            (D.Turn.POINTED, "Pointed", "Strands turn back from a break in a mitre"),
        ],
    )

    # --- heights ----------------------------------------------------------------------------------------------------
    way: choice(
        "heights.way",
        D.Making,
        "Way of Making",
        "What the knot is made as, which sets how far apart strands are kept where they cross",
        [
            (D.Making.FREE, "Free", "Strands never touch: linked prints, renders"),
            (D.Making.FUSED, "Fused", "Strands overlap and are one piece: pendants"),
            (D.Making.CARVED, "Carved", "Everything below the strands is solid: reliefs"),
        ],
    )
    clearance: length("heights.clearance", "Clearance", "Least distance between free strands", size("clearance"), 0.002)
    step: length("heights.step", "Step", "Visible step where one strand crosses another", size("step"), 0.005)
    has_slope_limit: limit(
        "heights.slope_limit_deg", "Limit Slope", "Let no strand climb more steeply than this", lambda design: 45.0
    )
    slope_limit: angle("heights.slope_limit_deg", "Steepest Slope", "No strand climbs more steeply than this", 45.0)
    has_depth_limit: limit(
        "heights.depth_limit",
        "Limit Depth",
        "Keep the whole weave within this depth",
        lambda design: float(f"{core.sizing.sizes(design).thickness + core.sizing.sizes(design).separation:.4g}"),
    )
    depth_limit: length(
        "heights.depth_limit",
        "Greatest Depth",
        "The whole weave keeps within this depth",
        lambda design: design.heights.depth_limit or 0.0,
        0.02,
    )


followers = []
"""What is told of a knot whose layout object was chosen: ``ops_layout`` adds itself."""


def on_layout_object(knot):
    """Set the knot out on the object just chosen for it."""
    for follow in followers:
        follow(knot.id_data)


OPEN_LENGTHS = {
    "width": "strand.width",
    "thickness": "strand.thickness",
    "gap": "divide.gap",
    "step": "heights.step",
    "groove_depth": "strand.groove.depth",
}
"""Properties that a design may leave open, and where: such a length then follows from others."""


def from_design(obj, design):
    """Put a design on an object and make its mesh, at a window later where that takes long.

    Returns
    -------
    bool
        Whether nothing is known against it so far.
    """
    store.write(obj, design)
    obj.relief_knot.note = ""
    if jobs.can_wait() and rebuild.expected(obj, design) > (rebuild.CLICK if obj.data.vertices else rebuild.NEW):
        obj.relief_knot.error = ""
        rebuild.own_mesh(obj)
        live.later(obj, draft=True, rest=0.0)
        return True
    return rebuild.rebuild(obj)


def to_design(obj):
    """The design that the sidebar shows, or None."""
    return store.design_of(obj)


class ReliefKnotSession(bpy.types.PropertyGroup):
    """What concerns no single knot: words about a file that was refused. Not saved."""

    notice: StringProperty(name="Notice", description="Why a file was refused", options={"SKIP_SAVE"})


CLASSES = (ReliefKnotSettings, ReliefKnotSession)


def register():
    """Make this part known to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.Object.relief_knot = PointerProperty(type=ReliefKnotSettings, options=set())
    bpy.types.Mesh.relief_knot_built = StringProperty(
        name="Relief Knot", description="Which design this mesh was made of", options={"HIDDEN"}
    )
    bpy.types.WindowManager.relief_knot = PointerProperty(type=ReliefKnotSession, options=set())


def unregister():
    """Take back what register did."""
    del bpy.types.WindowManager.relief_knot
    del bpy.types.Mesh.relief_knot_built
    del bpy.types.Object.relief_knot
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
