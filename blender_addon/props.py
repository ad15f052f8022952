"""What the sidebar shows: the design on the object as Blender properties.

None of these holds a value of its own. Each reads the design's text and writes it back, lengths in the scene's units,
so that the panel, the text and what undo brings back cannot disagree.
"""

import math
from dataclasses import replace

import bpy
from bpy.app.translations import pgettext_rpt as rpt_
from bpy.props import BoolProperty, EnumProperty, FloatProperty, IntProperty, PointerProperty, StringProperty

from . import core, jobs, live, rebuild, store, units

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
        get=lambda knot: _value(knot, read, 0.0) * units.units_per_mm(knot),
        set=lambda knot, value: _change(knot, lambda design: put(design, path, units.to_mm(value, knot))),
    )


def size(key):
    """Reads one of the core's completed sizes."""
    return lambda design: getattr(core.sizing.sizes(design), key)


def angle(path, name, description, fallback, least=1.0, most=89.0):
    """An angle kept at ``path`` in degrees."""

    def read(design):
        found = look(design, path)
        return fallback if found is None else found

    return FloatProperty(
        name=name,
        description=f"{description} (degrees)",
        subtype="ANGLE",
        min=math.radians(least),
        max=math.radians(most),
        step=100,
        precision=1,
        options=set(),
        get=lambda knot: math.radians(_value(knot, read, fallback)),
        set=lambda knot, value: _change(knot, lambda design: put(design, path, float(f"{math.degrees(value):.6g}"))),
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
    members = [member for member, *_ in items]
    assert set(members) == set(kind), path

    def read(design):
        found = look(design, path)
        return members.index(found) if found in members else 0

    return EnumProperty(
        name=name,
        description=description,
        items=[(member.name, label, about, "", number) for number, (member, label, about) in enumerate(items)],
        options=set(),
        get=lambda knot: _value(knot, read, 0),
        set=lambda knot, value: _change(knot, lambda design: put(design, path, members[value])),
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


def _count(axis, name, description):
    def edit(value):
        def edited(design):
            grid = design.layout
            shape = {"columns": grid.columns, "rows": grid.rows} | {axis: value}
            return core.editing.resize_grid(design, **shape)

        return edited

    return IntProperty(
        name=name,
        description=description,
        min=1,
        max=400,
        soft_max=24,
        translation_context="Relief Knots",
        options=set(),
        get=lambda knot: _value(knot, lambda design: getattr(design.layout, axis), 1),
        set=lambda knot, value: _change(knot, edit(value)),
    )


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
    columns: _count("columns", "Columns", "Number of cells across; what no longer fits a smaller layout is named below")
    rows: _count("rows", "Rows", "Number of cells up; what no longer fits a smaller layout is named below")
    cell_width: length("layout.cell_width", "Cell Width", "Width of one cell of the layout", most=0.05)
    cell_height: length("layout.cell_height", "Cell Height", "Height of one cell of the layout", most=0.05)

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
