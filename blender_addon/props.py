"""What the sidebar shows of a knot: the design on the object as Blender properties, and the values kept beside it."""

from dataclasses import replace

import bpy
from bpy.app.translations import pgettext_rpt as rpt_
from bpy.props import BoolProperty, EnumProperty, PointerProperty, StringProperty

from . import core, jobs, layout_props, live, rebuild, setting_out, store
from .design_props import angle, change, choice, flag, length, limit, put, size, value_of

D = core.design

_SECTIONS = [
    (D.Section.FLAT, "Flat", "A flat band with eased edges"),
    (D.Section.HALF_ROUND, "Half-round", "Flat below, round above"),
    (D.Section.PEAKED, "Peaked", "Two slopes that meet along the middle"),
    (D.Section.MEDIAN_INCISED, "Median-incised", "A flat band with a groove along its middle"),
]
_SECTION_ITEMS = [(m.name, label, about, "", number) for number, (m, label, about) in enumerate(_SECTIONS)]
_OUTLINE_ITEM = ("OUTLINE", "Own Outline", "The outline kept in the design", "", len(_SECTIONS))


def _section_items(knot, _context):
    has_own = value_of(knot, lambda design: isinstance(design.strand.section, tuple), False)
    return _WITH_OUTLINE if has_own else _SECTION_ITEMS


_WITH_OUTLINE = [*_SECTION_ITEMS, _OUTLINE_ITEM]  # kept here: Blender holds no reference to the items it is given


def _read_section(design):
    section = design.strand.section
    return len(_SECTIONS) if isinstance(section, tuple) else [m for m, *_ in _SECTIONS].index(section)


def _write_section(value):
    return lambda design: put(design, "strand.section", _SECTIONS[value][0]) if value < len(_SECTIONS) else design


def _turn(key, name, description, strands):
    """How strands turn at one kind of place; ``strands`` begins the words for what they do."""
    return choice(
        f"strand.turns.{key}",
        D.Turn,
        name,
        description,
        [
            (D.Turn.ROUND, "Round", f"{strands} in a curve"),
            (D.Turn.POINTED, "Pointed", f"{strands} in a mitre"),
        ],
    )


METALS = [
    ("STERLING", "Sterling Silver", "sterling silver", "from fine silver and copper by the rule for alloys"),
    ("SILVER", "Fine Silver", "fine silver", "from tables of precious metals"),
    ("GOLD_18_YELLOW", "18 ct Yellow Gold", "yellow gold 18 ct", "from tables of precious metals"),
    ("GOLD_18_RED", "18 ct Red Gold", "red gold 18 ct", "from tables of precious metals"),
    ("GOLD_18_WHITE", "18 ct White Gold", "white gold 18 ct", "from tables of precious metals"),
    ("GOLD", "Fine Gold", "fine gold", "from tables of precious metals"),
    ("COPPER", "Copper", "copper", "from tables of precious metals"),
    ("BRASS", "Brass 60/40", "brass", "from general tables of metals"),
]
"""Key, name, the core's name of it, and where its density is from."""


def density(material):
    """Of a material by the core's name of it, g/cm\u00b3."""
    return core.printing_materials.material(material).density_g_cm3


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
    return volume / 1000 * next(density(material) for key, _, material, _ in METALS if key == knot.metal)


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
        items=[(key, name, f"{density(material):g} g/cm\u00b3, {source}") for key, name, material, source in METALS],
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
        items=layout_props.KINDS,
        options=set(),
        get=lambda knot: value_of(
            knot, lambda design: [key for key, *_ in layout_props.KINDS].index(setting_out.kind_of(design.layout)), 0
        ),
        set=lambda knot, value: change(knot, layout_props.write_kind(value)),
    )
    columns: layout_props.count(
        "columns", "Columns", "Number of cells across; what no longer fits a smaller layout is named below"
    )
    rows: layout_props.count("rows", "Rows", "Number of cells up; what no longer fits a smaller layout is named below")
    cell_width: layout_props.measure("cell_width", "Cell Width", "Width of one cell of the layout", 0.05)
    cell_height: layout_props.measure("cell_height", "Cell Height", "Height of one cell of the layout", 0.05)
    sectors: layout_props.count("sectors", "Sectors", "Number of cells round the ring", least=2)
    inner: layout_props.length(
        "Inner Radius",
        "From the middle to the ring's inner edge; 0 makes a wheel",
        lambda layout: getattr(layout, "inner", None),
        layout_props.write_inner,
    )
    outer: layout_props.measure("outer", "Outer Radius", "From the middle to the ring's outer edge")
    inner_edge: layout_props.rim("inner_edge", "Inner Edge", "What strands do at the ring's inner edge")
    outer_edge: layout_props.rim("outer_edge", "Outer Edge", "What strands do at the ring's outer edge")
    dome: layout_props.length(
        "Dome Rise",
        "How high the middle stands above the outer edge, as on a shield boss; 0 is flat",
        layout_props.read_dome,
        lambda layout, mm: replace(layout, surface=D.Dome(mm) if mm else None),
        0.05,
    )
    repeats: layout_props.count(
        "repeats", "Repeats", "How many times the strip's cells follow one another, always whole"
    )
    lower_edge: layout_props.rim("lower_edge", "Lower Edge", "What strands do at the strip's lower edge")
    upper_edge: layout_props.rim("upper_edge", "Upper Edge", "What strands do at the strip's upper edge")
    surface: EnumProperty(
        name="Surface",
        description="What the strip lies on",
        items=layout_props.SURFACES,
        options=set(),
        get=lambda knot: value_of(knot, layout_props.read_surface, 0),
        set=lambda knot, value: change(knot, layout_props.write_surface(value)),
    )
    diameter: layout_props.length(
        "Diameter",
        "Diameter of the sphere",
        layout_props.read_diameter,
        lambda layout, mm: replace(layout, surface=D.Sphere(mm)),
    )
    polygon: BoolProperty(
        name="Polygon Frame",
        description="Frame a regular polygon in place of a rectangle",
        options=set(),
        get=lambda knot: value_of(knot, lambda design: layout_props.laid(design, "polygon", False), False),
        set=lambda knot, value: change(knot, layout_props.write_polygon(value)),
    )
    inside_columns: layout_props.inside(
        0, "Cells Inside", "Number of cells along the opening, or along each side of a polygon", 1
    )
    inside_rows: layout_props.inside(1, "Rows Inside", "Number of cells up the opening", 1)
    sides: layout_props.inside(1, "Sides", "Number of sides of the polygon", 3)
    deep: layout_props.count("deep", "Depth in Cells", "How many cells wide the frame is")
    border_cell: layout_props.measure("cell", "Cell", "Side of the cells along the opening", 0.05)
    frame_corners: EnumProperty(
        name="Corners",
        description="How the cells of the frame meet at its corners",
        items=[
            ("SQUARE", "Square", "A block of square cells fills each corner"),
            ("MITRED", "Mitred", "Cells spread towards the outer corner"),
        ],
        options=set(),
        get=lambda knot: value_of(
            knot, lambda design: int(layout_props.laid(design, "corners", D.Corners.SQUARE) is D.Corners.MITRED), 0
        ),
        set=lambda knot, value: change(knot, layout_props.set_out(corners=[D.Corners.SQUARE, D.Corners.MITRED][value])),
    )
    boundary: layout_props.rim("boundary", "Boundary", "What strands do at the mesh's boundary")
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
        get=lambda knot: value_of(knot, _read_section, 0),
        set=lambda knot, value: change(knot, _write_section(value)),
    )
    groove_depth: length(
        "strand.groove.depth", "Groove Depth", "Depth of the incised line", size("groove_depth"), 0.005
    )
    groove_angle: angle(
        "strand.groove.angle_deg", "Groove Angle", "Angle between the walls of the incised line", 75.0, 1.0, 179.0
    )
    turn_corners: _turn(
        "corners",
        "At Corners",
        "How strands turn at the corners of the layout",
        "Strands turn the corners of the layout",
    )
    turn_borders: _turn(
        "borders", "At Borders", "How strands turn along the borders of the layout", "Strands turn back from the border"
    )
    turn_breaks: _turn("breaks", "At Breaks", "How strands turn back from a break", "Strands turn back from a break")

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
