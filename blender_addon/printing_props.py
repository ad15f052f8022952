"""Settings of the finished piece: the design's ``make.print`` as Blender properties, lengths in the scene's units."""

import math
from dataclasses import replace

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, PointerProperty, StringProperty

from . import kinds, piece_object, rebuild, store

O = piece_object.options  # noqa: E741 - as short as the core's design is in ``props``


def _find(design, path):
    """The value at a path below ``make.print``; None where a part on the way is left out."""
    found = design.make.print
    for key in path.split("."):
        if key == "circumference" and found is not None and found.diameter is not None:
            return math.pi * found.diameter
        found = None if found is None else getattr(found, key)
    return found


def _put(design, path, value):
    """The design with another value at a path below ``make.print``; as it is where the part is left out."""
    part, _, key = path.rpartition(".")
    asked = design.make.print
    if part:
        inner = getattr(asked, part)
        if inner is None:
            return design
        if key == "circumference":
            inner = replace(inner, diameter=None)
        asked = replace(asked, **{part: replace(inner, **{key: value})})
    else:
        asked = replace(asked, **{key: value})
    return replace(design, make=replace(design.make, print=asked))


def _value(look, path, otherwise):
    design = store.design_of(look.id_data)
    found = None if design is None else _find(design, path)
    return otherwise if found is None else found


def _set(look, path, value):
    if look.id_data.mode == "OBJECT":
        rebuild.change_making(look.id_data, lambda design: _put(design, path, value))


def _length(path, name, description, otherwise=0.0, least=0.0, most=500.0, soft=0.02):
    """A length kept at ``path`` in mm."""
    return kinds.length(
        name,
        description,
        lambda look: _value(look, path, otherwise),
        lambda look, value: _set(look, path, float(f"{min(max(value, least), most):.6g}")),
        soft,
    )


def _own_length(path, name, description, most=500.0):
    """A length kept at ``path`` in mm that may be left to its default, which is shown as 0."""
    return kinds.length(
        name,
        description,
        lambda look: _value(look, path, 0.0),
        lambda look, value: _set(look, path, float(f"{min(value, most):.6g}") if value > 1e-6 else None),
        0.02,
    )


def _number(path, name, description, otherwise, least, most):
    """A number without a length's unit, kept at ``path``."""
    return FloatProperty(
        name=name,
        description=description,
        min=least,
        max=most,
        precision=3,
        options=set(),
        get=lambda look: _value(look, path, otherwise),
        set=lambda look, value: _set(look, path, float(f"{value:.6g}")),
    )


def _switch(path, name, description, start):
    """Whether a part, or a value, is set at all; switched on it is ``start(design)``."""

    def write(look, value):
        def edit(design):
            if value == (_find(design, path) is not None):
                return design
            return _put(design, path, start(design) if value else None)

        if look.id_data.mode == "OBJECT":
            rebuild.change_making(look.id_data, edit)

    return BoolProperty(
        name=name,
        description=description,
        options=set(),
        get=lambda look: _value(look, path, None) is not None,
        set=write,
    )


def _choice(path, name, description, items):
    """One of an enumeration of the core."""
    return kinds.choice(
        name,
        description,
        items,
        lambda look: _value(look, path, None),
        lambda look, value: _set(look, path, value),
    )


_OUTLINES = [
    (O.Outline.KNOT, "Follows the Knot", "The knot's own outline"),
    (O.Outline.DISC, "Disc", "A circle round the knot"),
    (O.Outline.OVAL, "Oval", "An ellipse round the knot"),
    (O.Outline.RECTANGLE, "Rectangle", "A rectangle round the knot"),
    (O.Outline.SHIELD, "Shield", "A shield round the knot"),
]

_PLACES = [None, O.Place.TOP, O.Place.BOTTOM]

MATERIALS = [
    ("sterling silver", "Sterling Silver"),
    ("fine silver", "Fine Silver"),
    ("fine gold", "Fine Gold"),
    ("yellow gold 18 ct", "18 ct Yellow Gold"),
    ("red gold 18 ct", "18 ct Red Gold"),
    ("white gold 18 ct", "18 ct White Gold"),
    ("green gold 18 ct", "18 ct Green Gold"),
    ("copper", "Copper"),
    ("bronze", "Bronze"),
    ("brass", "Brass"),
    ("pewter", "Pewter"),
    ("nylon PA12, powder bed", "Nylon PA12"),
    ("PLA", "PLA"),
    ("cured resin", "Cured Resin"),
    ("casting wax", "Casting Wax"),
]
"""The core's name of each material, and its label."""

PROFILES = [
    ("lost-wax casting in silver", "Silver, Lost Wax"),
    ("lost-wax casting in gold or bronze", "Gold or Bronze, Lost Wax"),
    ("resin print", "Resin Print"),
    ("powder-bed nylon", "Powder-Bed Nylon"),
    ("filament", "Filament"),
]
"""The core's name of each process, and its label."""


def _items(pairs):
    return [
        (name.upper().replace(" ", "_").replace(",", ""), label, "", "", k) for k, (name, label) in enumerate(pairs)
    ]


def _read_profile(look):
    design = store.design_of(look.id_data)
    kind = "casting" if design is None else design.make.print.process
    shipped = piece_object.profiles.SHIPPED
    name = look.process_name
    if name not in shipped or shipped[name].kind != kind:
        name = piece_object.profiles.USUAL[kind]
    return [key for key, _ in PROFILES].index(name)


def _write_profile(look, value):
    look.process_name = PROFILES[value][0]
    _set(look, "process", piece_object.profiles.SHIPPED[look.process_name].kind)


def _read_material(look):
    return [key for key, _ in MATERIALS].index(_value(look, "material", "sterling silver"))


def _span(design):
    """A size to begin with: the knot's own, a little larger, in whole mm."""
    grid = design.layout
    wide = getattr(grid, "columns", 0) * getattr(grid, "cell_width", 0.0)
    high = getattr(grid, "rows", 0) * getattr(grid, "cell_height", 0.0)
    return float(round(max(wide, high))) or 30.0


class ReliefKnotPrinting(bpy.types.PropertyGroup):
    """On a knot: what is made of it. On a piece: which knot it is of, and what was measured on it."""

    # --- kept values ---
    source: PointerProperty(name="Knot", description="The knot that this piece is of", type=bpy.types.Object)
    report: StringProperty(name="Report", description="What was measured on the piece", options=set())
    error: StringProperty(name="Error", description="Why the piece could not be made", options=set())
    process_name: StringProperty(name="Process", description="The process whose limits are kept", options=set())
    limits_file: StringProperty(
        name="Own Limits",
        description="A JSON file of your own process's limits, in place of the shipped ones",
        subtype="FILE_PATH",
        options=set(),
    )
    show_places: BoolProperty(
        name="Show Places",
        description="Mark the place of every finding on the piece with a named sphere",
        default=True,
        options=set(),
        update=lambda look, context: piece_object.show_places(context, look.id_data),
    )

    # --- the piece ---
    material: EnumProperty(
        name="Material",
        description="What the piece is made of; its density gives the mass",
        items=_items(MATERIALS),
        options=set(),
        get=_read_material,
        set=lambda look, value: _set(look, "material", MATERIALS[value][0]),
    )
    profile: EnumProperty(
        name="Process",
        description="How the piece is made, which sets the limits it is checked by; measure your own on a test piece",
        items=_items(PROFILES),
        options=set(),
        get=_read_profile,
        set=_write_profile,
    )
    has_size: _switch("size", "Set Size", "Scale the knot so that the finished piece has this size", _span)
    size: _length("size", "Size", "Greatest side of the finished piece", least=0.1, most=10_000.0, soft=0.1)
    size_of: _choice(
        "size_of",
        "Measured Over",
        "What the size is measured over",
        [
            (O.Extent.PIECE, "Whole Piece", "Plate, frame and bail included"),
            (O.Extent.KNOT, "Knot Alone", "The knot without plate, frame and bail"),
        ],
    )
    has_mass: _switch("mass_g", "Set Mass", "Solve the strands' thickness for a mass", lambda design: 8.0)
    mass_g: _number("mass_g", "Mass", "Wanted mass of the finished piece, in grams", 8.0, 0.01, 100_000.0)
    shrinkage: _number(
        "shrinkage",
        "Shrinkage",
        "What the casting loses of every length, in percent",
        0,
        0,
        25,
    )
    finishing: _length(
        "finishing", "Finishing Loss", "What filing and polishing take off every face", most=5.0, soft=0.0005
    )
    fillet: _length("fillet", "Fillet", "Radius of the fillets in creases between strands", 0.25, most=5.0, soft=0.001)
    rounding: _length("rounding", "Edge Rounding", "Radius that sharp edges are rounded to, for wear", 0.15, most=5.0)
    tolerance: _length(
        "tolerance", "Tolerance", "How far the mesh may lie off the true surface", 0.05, 0.005, 1.0, soft=0.001
    )

    # --- its parts ---
    has_plate: _switch("plate", "Backing Plate", "A plate that every strand rests on", lambda design: O.Plate())
    plate_shape: _choice("plate.shape", "Shape", "Outline of the plate", _OUTLINES)
    plate_thickness: _length("plate.thickness", "Thickness", "Thickness of the plate", 1.0, 0.05, soft=0.005)
    plate_margin: _length("plate.margin", "Margin", "How far the plate reaches beyond the knot", 0.6, most=100.0)
    has_frame: _switch("frame", "Frame", "A frame round the knot", lambda design: O.Frame())
    frame_shape: _choice("frame.shape", "Shape", "Outline of the frame", _OUTLINES)
    frame_width: _length("frame.width", "Width", "Width of the frame", 1.6, 0.05, soft=0.01)
    frame_height: _own_length("frame.height", "Height", "Height of the frame over the back; 0 for that of the knot")
    frame_overlap: _own_length(
        "frame.overlap",
        "Overlap",
        "How far the frame reaches into the outermost strands; 0 for a third of their width",
        100.0,
    )
    has_bail: _switch("bail", "Bail", "What a chain passes through, above the balance point", lambda design: O.Bail())
    bail_kind: _choice(
        "bail.kind",
        "Kind",
        "What the chain passes through",
        [
            (O.BailKind.LOOP, "Loop", "A ring of round wire, standing across"),
            (O.BailKind.TUBE, "Tube", "A length of tube on top"),
            (O.BailKind.HIDDEN, "Hidden", "A length of tube behind the piece"),
        ],
    )
    bail_bore: _length("bail.bore", "Bore", "Opening for the chain; its end must pass", 4.5, 0.05)
    bail_wall: _length("bail.wall", "Wall", "Thickness of the bail's wire or wall", 1.2, 0.05, soft=0.005)
    bail_length: _own_length("bail.length", "Length", "Length of a tube along its bore; 0 for 6 mm")
    has_eye: _switch("eye", "Jump-Ring Hole", "An eye for a jump ring", lambda design: O.Eye())
    eye_bore: _length("eye.bore", "Hole", "Hole for the jump ring", 1.5, 0.05, soft=0.005)
    eye_wall: _length("eye.wall", "Wall", "Metal round the hole", 1.0, 0.05, soft=0.005)
    eye_thickness: _own_length("eye.thickness", "Thickness", "Thickness of the eye; 0 for that of the piece")
    eye_place: EnumProperty(
        name="Place",
        description="Where the eye stands",
        items=[
            ("FREE", "Where There Is Room", "At the top, or at the bottom where a bail stands", "", 0),
            ("TOP", "Top", "Over the balance point", "", 1),
            ("BOTTOM", "Bottom", "Under the balance point, for what hangs on the piece", "", 2),
        ],
        options=set(),
        get=lambda look: _PLACES.index(_value(look, "eye.place", None)),
        set=lambda look, value: _set(look, "eye.place", _PLACES[value]),
    )
    has_mark: _switch("mark", "Maker's Mark", "A flat area on the back for a maker's mark", lambda design: O.Mark())
    mark_width: _length("mark.width", "Width", "Width of the flat area", 6.0, 0.05)
    mark_height: _length("mark.height", "Height", "Height of the flat area", 3.0, 0.05)
    mark_thickness: _length(
        "mark.thickness", "Thickness", "Thickness of the flat area where there is no plate", 0.8, 0.05, soft=0.005
    )
    has_hollow: _switch("hollow", "Hollow Back", "Hollow the back out", lambda design: O.Hollow())
    hollow_wall: _length("hollow.wall", "Wall", "What is left everywhere over the hollow", 1.0, 0.05, soft=0.005)
    has_ring: _switch(
        "ring",
        "Finger Ring",
        "Make a ring or bangle of a strip round a cylinder, its cells as wide as the size asks for",
        lambda design: O.Finger(circumference=54.0),
    )
    ring_circumference: _length(
        "ring.circumference",
        "Ring Size",
        "Inside circumference, which is the ring size by ISO 8653",
        0.0,
        5.0,
        soft=0.3,
    )
    ring_band: _length("ring.band", "Band", "Thickness of the band under the strands", 1.0, 0.05, soft=0.005)
    ring_comfort: _length(
        "ring.comfort", "Comfort", "How much the inside is rounded towards its edges", 0.25, most=5.0, soft=0.001
    )


CLASSES = (ReliefKnotPrinting,)


def register():
    """Make this part known to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.Object.relief_knot_print = PointerProperty(type=ReliefKnotPrinting, options=set())


def unregister():
    """Take back what register did."""
    piece_object.forget()
    del bpy.types.Object.relief_knot_print
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
