"""What the sidebar shows of a carving: the key ``make.carve`` of the design on the object, and how its relief is shown.

As in ``props``, no setting holds a value of its own: each reads the design's text and writes it back.
"""

import re
from dataclasses import replace

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, PointerProperty, StringProperty

from . import core, design_props, kinds, relief_looks, relief_object, store, units

O = core.carving_options  # noqa: E741 - a module, as in ``props``
CutterKind = core.carving_cutters.CutterKind

FALLBACK_BOARD = (300.0, 200.0, 20.0)
"""mm, for a board that is to be set where none could be fitted to the knot."""


def _read(settings, read, otherwise):
    design = store.design_of(settings.id_data)
    return otherwise if design is None else read(design)


def _write(settings, edit):
    obj = settings.id_data
    if obj.mode == "OBJECT":
        relief_object.change(obj, edit)


def _facts(settings):
    return relief_object.report_of(relief_object.relief_of(settings.id_data))


def _length(read, write, name, description, most=0.02):
    """A length: ``read(settings, design)`` gives mm, ``write(design, mm)`` the design with it."""
    return kinds.length(
        name,
        description,
        lambda s: _read(s, lambda d: read(s, d), 0.0),
        lambda s, value: _write(s, lambda d: write(d, value)),
        most,
    )


def _plain(path, name, description, most=0.02):
    """A length that is kept at ``path`` and never left open."""
    return _length(
        lambda _s, d: design_props.look(d, path),
        lambda d, value: design_props.put(d, path, value),
        name,
        description,
        most,
    )


def _open(path, otherwise, name, description, most=0.02):
    """A length at ``path`` that the design may leave open; ``otherwise(settings, design)`` gives what then holds."""

    def read(settings, design):
        found = design_props.look(design, path)
        return otherwise(settings, design) if found is None else found

    return _length(read, lambda d, value: design_props.put(d, path, value or None), name, description, most)


def _angle(read, write, name, description, least, most):
    return kinds.angle(
        name,
        description,
        lambda s: _read(s, read, 0.0),
        lambda s, value: _write(s, lambda d: write(d, value)),
        least,
        most,
    )


def _choice(read, write, kind, name, description, items):
    assert {member for member, *_ in items} == set(kind), name
    return kinds.choice(
        name,
        description,
        items,
        lambda s: _read(s, read, None),
        lambda s, value: _write(s, lambda d: write(d, value)),
    )


def _kept_choice(path, kind, name, description, items):
    return _choice(
        lambda d: design_props.look(d, path),
        lambda d, value: design_props.put(d, path, value),
        kind,
        name,
        description,
        items,
    )


# --- the board --------------------------------------------------------------------------------------------------------


def _depth(settings, _design):
    """The depth that holds where the design leaves it open, mm."""
    design = store.design_of(settings.id_data)
    return _facts(settings).get("depth_mm") or core.carving_panel.DEEP * core.sizing.sizes(design).width


def _side(axis):
    def read(settings, design):
        board = design.make.carve.board
        return (_facts(settings).get("board_mm", FALLBACK_BOARD) if board is None else board)[axis]

    def write(design, value):
        board = list(design.make.carve.board or fitted_board(design))
        board[axis] = value
        return design_props.put(design, "make.carve.board", tuple(board))

    return read, write


def fitted_board(design):
    """The board that fits a design's knot, mm."""
    try:
        panel = core.carving_panel.plan_panel(design_props.put(design, "make.carve.board", None))
    except store.DesignError:
        return FALLBACK_BOARD
    return panel.length, panel.width, panel.thickness


def _write_fit(design, fits):
    if fits == (design.make.carve.board is None):
        return design
    return design_props.put(design, "make.carve.board", None if fits else fitted_board(design))


GROUNDS = [
    (O.Ground.FLAT, "Flat", "The board between the strands is lowered to the full depth and left smooth"),
    (O.Ground.PUNCHED, "Punched", "Lowered, and struck with a round punch in rows"),
    (O.Ground.STIPPLED, "Stippled", "Lowered, and pricked all over with a point"),
    (O.Ground.LEFT, "Left Standing", "Left at the board's face; a line is cut along the strands"),
]
FRAMES = [
    (O.Moulding.NONE, "None", "No frame moulding"),
    (O.Moulding.FLAT, "Flat", "A flat frame at the board's face"),
    (O.Moulding.BEAD, "Bead", "A half-round between two sunk lines"),
    (O.Moulding.OGEE, "Ogee", "A round above that runs into a hollow below"),
    (O.Moulding.COVE, "Cove", "A hollow"),
]
WOODS = [
    (O.Wood.LIME, "Lime", "American lime or basswood"),
    (O.Wood.WALNUT, "Walnut", "Black walnut"),
    (O.Wood.CHERRY, "Cherry", "Black cherry"),
    (O.Wood.MAPLE, "Maple", "Sugar maple"),
    (O.Wood.OAK, "Oak", "White oak"),
    (O.Wood.MAHOGANY, "Mahogany", "Honduran mahogany"),
    (O.Wood.PINE, "Pine", "Eastern white pine"),
]
CUTTERS = [
    (CutterKind.BALL, "Ball-nose", "A cutter with a round end as wide as itself"),
    (CutterKind.FLAT, "Flat", "A cutter with a flat end"),
    (CutterKind.V, "V", "A pointed cutter, its sides at an angle to each other"),
    (CutterKind.TAPERED, "Tapered Ball", "A small ball at the end of a cone"),
]

# --- tools ------------------------------------------------------------------------------------------------------------


def first_cutter(design):
    """The cutter that the sidebar shows: the design's first one, or the one to begin with."""
    cutters = design.make.carve.tools.cutters
    return cutters[0] if cutters else core.carving_cutters.Cutter()


def with_cutter(design, cutter):
    """A design with another first cutter; the others stay."""
    others = (design.make.carve.tools.cutters or ())[1:]
    return design_props.put(design, "make.carve.tools.cutters", (cutter, *others))


def _cutter_length(key, name, description):
    return _length(
        lambda _s, d: getattr(first_cutter(d), key),
        lambda d, value: with_cutter(d, replace(first_cutter(d), **{key: value})),
        name,
        description,
        0.02,
    )


def _with_kind(design, kind):
    """A design with a first cutter of another kind, its other measures such as that kind can have."""
    cutter = replace(first_cutter(design), kind=kind)
    if kind is CutterKind.TAPERED:
        cutter = replace(cutter, angle_deg=5.0, tip=cutter.tip or cutter.diameter / 6)
    elif kind is CutterKind.V:
        cutter = replace(cutter, angle_deg=60.0, tip=0.0)
    return with_cutter(design, cutter)


GOUGE = re.compile(r"#?(\d+)/(\d+(?:\.\d+)?)")


def gouges_text(design):
    """The gouges owned as the usual names, sweep over width in mm."""
    return ", ".join(gouge.name for gouge in design.make.carve.tools.gouges)


def with_gouges(design, text):
    """A design with the gouges of a text such as ``3/6, 5/10``.

    Raises
    ------
    DesignError
        An entry is no sweep over width.
    """
    found = []
    for k, word in enumerate(part for part in re.split(r"[,;\s]+", text) if part):
        match = GOUGE.fullmatch(word)
        if match is None:
            raise store.DesignError(
                f'no gouge is called "{word}"',
                "give sweep over width in mm, such as 5/10",
                f"make.carve.tools.gouges[{k}]",
            )
        kept = next((g for g in design.make.carve.tools.gouges if g.name == word.lstrip("#")), None)
        found.append(kept or core.carving_gouges.Gouge(int(match[1]), float(match[2])))
    core.carving_gouges.check_gouges(found, "make.carve.tools.gouges")
    return design_props.put(design, "make.carve.tools.gouges", tuple(found))


class ReliefKnotCarving(bpy.types.PropertyGroup):
    """The sidebar's view of a knot's carving, and what tools were found to make of it."""

    checked: StringProperty(name="Tool Report", description="What tools make of the relief", options=set())
    checked_of: StringProperty(name="Checked", description="The design that tools were tried on", options=set())

    fits: BoolProperty(
        name="Fit Board to Knot",
        description="Take a board just large enough for the knot, its margin and its frame",
        options=set(),
        get=lambda s: _read(s, lambda d: d.make.carve.board is None, True),
        set=lambda s, value: _write(s, lambda d: _write_fit(d, value)),
    )
    board_length: _length(*_side(0), "Board Length", "Length of the board, along the columns of the layout", 1.0)
    board_width: _length(*_side(1), "Board Width", "Width of the board, along the rows of the layout", 1.0)
    board_thickness: _length(*_side(2), "Board Thickness", "Thickness of the board before it is carved", 0.1)
    depth: _open("make.carve.depth", _depth, "Relief Depth", "Depth of the ground below the face of the board", 0.03)
    draft: _angle(
        lambda d: d.make.carve.draft_deg,
        lambda d, value: design_props.put(d, "make.carve.draft_deg", value),
        "Draft Angle",
        "How far walls lean from upright, outward to their foot; common practice 5 to 10, no source",
        0.0,
        60.0,
    )
    ground: _kept_choice(
        "make.carve.ground", O.Ground, "Ground", "What becomes of the board between the strands", GROUNDS
    )
    texture_size: _open(
        "make.carve.texture_size",
        lambda _s, d: max(
            (0.28 if d.make.carve.ground is O.Ground.PUNCHED else 0.14) * core.sizing.sizes(d).width, 0.6
        ),
        "Mark Distance",
        "Distance between the marks of a textured ground",
    )
    texture_depth: _open(
        "make.carve.texture_depth",
        lambda s, d: min(
            0.22 * units.to_mm(s.texture_size, s.id_data.relief_knot), 0.15 * (d.make.carve.depth or _depth(s, d))
        ),
        "Mark Depth",
        "Depth of the marks of a textured ground",
        0.005,
    )
    margin: _plain("make.carve.margin", "Margin", "Board left standing at its face all round", 0.05)
    frame: _kept_choice("make.carve.frame", O.Moulding, "Frame", "The frame moulding round the ground", FRAMES)
    frame_width: _open(
        "make.carve.frame_width",
        lambda _s, d: core.sizing.sizes(d).width,
        "Frame Width",
        "Width of the frame moulding",
        0.05,
    )
    easing: _plain("make.carve.easing", "Eased Edges", "Radius of the rounded upper edges of the board", 0.01)
    wood: _kept_choice("make.carve.wood", O.Wood, "Wood", "The wood, for the look and the mass of the board", WOODS)
    resolution: _plain(
        "make.carve.resolution", "Resolution", "Distance from sample to sample in the files, 0.05 to 1 mm", 0.001
    )
    grain: _angle(
        lambda d: d.make.carve.tools.grain_deg,
        lambda d, value: design_props.put(d, "make.carve.tools.grain_deg", value),
        "Grain",
        "Direction of the grain, anticlockwise from the length of the board",
        -180.0,
        180.0,
    )

    cutter: _choice(
        lambda d: first_cutter(d).kind, _with_kind, CutterKind, "Cutter", "Shape of the cutter that is tried", CUTTERS
    )
    cutter_width: _cutter_length("diameter", "Cutter Width", "Greatest width of the cutter")
    cutter_tip: _cutter_length("tip", "Tip", "The ball at the end of a tapered cutter, the flat at that of a V")
    cutter_angle: _angle(
        lambda d: first_cutter(d).angle_deg,
        lambda d, value: with_cutter(d, replace(first_cutter(d), angle_deg=value)),
        "Cutter Angle",
        "Between the sides of a V; of one side to the axis of a tapered cutter",
        0.5,
        179.0,
    )
    share: FloatProperty(
        name="Uncut Share",
        description="Share of the lowered area that the largest cutter that is looked for may leave, 0 to 1",
        subtype="FACTOR",
        min=0.0,
        max=0.99,
        options=set(),
        get=lambda s: _read(s, lambda d: d.make.carve.tools.share, 0.05),
        set=lambda s, value: _write(s, lambda d: design_props.put(d, "make.carve.tools.share", float(f"{value:.6g}"))),
    )
    tolerance: _plain(
        "make.carve.tools.tolerance", "Left Over", "Wood left up to this height does not count as uncut", 0.002
    )
    scallop: _plain("make.carve.tools.scallop", "Scallop", "Height of the ridges wanted between passes", 0.001)
    gouges: StringProperty(
        name="Gouges",
        description="Gouges and chisels owned: sweep over width in mm, such as 5/10, with commas between",
        options=set(),
        get=lambda s: _read(s, gouges_text, ""),
        set=lambda s, value: _write(s, lambda d: with_gouges(d, value)),
    )


def _is_knot(_self, obj):
    return store.is_knot(obj)


def _other_view(look, _context):
    relief_looks.redress(look.id_data)


def _other_section(look, _context):
    if relief_object.is_relief(look.id_data):
        relief_object.follow_one(look.id_data)


VIEWS = [
    ("WOOD", "Wood", "The relief in its wood, the grain along the board"),
    ("DEPTH", "Depth", "Coloured by depth below the face of the board, with a legend in mm"),
    ("UNCUT", "Uncut", "What the cutter that was tried leaves, with a legend in mm"),
]


class ReliefKnotRelief(bpy.types.PropertyGroup):
    """On the relief's object: which knot it is of, and how it is shown."""

    source: PointerProperty(
        name="Knot", description="The knot that this relief is carved from", type=bpy.types.Object, poll=_is_knot
    )
    report: StringProperty(name="Report", description="Facts of the relief", options=set())
    error: StringProperty(name="Error", description="Why the relief could not be made", options=set())
    view: EnumProperty(
        name="Show", description="How the relief is shown", items=VIEWS, options=set(), update=_other_view
    )
    has_section: BoolProperty(
        name="Section Plane",
        description="Leave off the front of the board, so that the relief is seen cut through; files have it whole",
        options=set(),
        update=_other_section,
    )
    section: FloatProperty(
        name="Section At",
        description="Where the board is cut, as a share of its width from the front, 0 to 1",
        subtype="FACTOR",
        min=0.0,
        max=0.95,
        default=0.5,
        options=set(),
        update=_other_section,
    )


OPEN = {
    "depth": "make.carve.depth",
    "texture_size": "make.carve.texture_size",
    "texture_depth": "make.carve.texture_depth",
    "frame_width": "make.carve.frame_width",
}
"""Settings that a design may leave open, and where."""


def checked(obj):
    """What tools were found to make of a knot's relief, and whether that was of the design as it stands."""
    carving = obj.relief_knot_carving
    if not carving.checked:
        return {}, False
    return core.jsontext.kept(carving.checked), carving.checked_of == obj.relief_knot.text


CLASSES = (ReliefKnotCarving, ReliefKnotRelief)


def register():
    """Make this part known to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.Object.relief_knot_carving = PointerProperty(type=ReliefKnotCarving, options=set())
    bpy.types.Object.relief_knot_relief = PointerProperty(type=ReliefKnotRelief, options=set())


def unregister():
    """Take back what register did."""
    del bpy.types.Object.relief_knot_relief
    del bpy.types.Object.relief_knot_carving
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
