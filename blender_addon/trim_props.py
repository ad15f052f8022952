"""Settings of the trim kit: the design's ``make.trim`` as Blender properties, lengths in the scene's units."""

import math
from dataclasses import fields, replace

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, IntProperty, PointerProperty, StringProperty

from . import core, kinds, rebuild, store, trim_object

O = core.trims_options  # noqa: E741 - as short as the core's design is in ``props``


def _trim(look):
    design = store.design_of(look.id_data)
    return O.Trimming() if design is None else design.make.trim


def _read(look, path):
    found = _trim(look)
    for key in path.split("."):
        found = getattr(found, key)
    return found


def _write(look, path, value):
    if look.id_data.mode != "OBJECT":
        return

    def edit(design):
        asked = design.make.trim
        part, _, key = path.rpartition(".")
        if part:
            asked = replace(asked, **{part: replace(getattr(asked, part), **{key: value})})
        else:
            asked = replace(asked, **{key: value})
        return replace(design, make=replace(design.make, trim=asked))

    rebuild.change_making(look.id_data, edit)


def _whole(path, name, description, least, most):
    return IntProperty(
        name=name,
        description=description,
        min=least,
        max=most,
        options=set(),
        get=lambda look: _read(look, path),
        set=lambda look, value: _write(look, path, value),
    )


def _number(path, name, description, least, most, zero=None):
    """A number; ``zero`` is what 0 stands for where that is no number."""

    def read(look):
        found = _read(look, path)
        return 0.0 if found is None else found

    return FloatProperty(
        name=name,
        description=description,
        min=least,
        max=most,
        precision=2,
        options=set(),
        get=read,
        set=lambda look, value: _write(look, path, zero if zero != 0 and value == 0 else float(f"{value:.6g}")),
    )


def _flag(path, name, description):
    return BoolProperty(
        name=name,
        description=description,
        options=set(),
        get=lambda look: _read(look, path),
        set=lambda look, value: _write(look, path, value),
    )


def _list(path, name, description):
    """A few numbers, written one after another with commas between."""

    def write(look, text):
        try:
            values = tuple(dict.fromkeys(float(part) for part in text.replace(";", ",").split(",") if part.strip()))
        except ValueError:
            look.error = f"{name}: found {text!r}; write numbers with commas between"
            return
        if not all(math.isfinite(value) for value in values):
            look.error = f"{name}: found {text!r}; write numbers with commas between"
            return
        look.error = ""
        _write(look, path, values)

    return StringProperty(
        name=name,
        description=description,
        options=set(),
        get=lambda look: ", ".join(f"{value:g}" for value in _read(look, path)),
        set=write,
    )


PARTS = [
    (O.Part.STRAIGHT, "Straight", "Whole repeats of the strip"),
    (O.Part.INNER, "Inner Corners", "Corners that turn left along the run"),
    (O.Part.OUTER, "Outer Corners", "Corners that turn right along the run"),
    (O.Part.CAP, "Ends", "The pieces that begin and end a run"),
    (O.Part.TEE, "T Junction", "A run that meets another from the side"),
    (O.Part.CROSS, "Cross Junction", "Two runs that cross"),
    (O.Part.CHANGE, "Changes", "Where a divided strand begins and stops being divided"),
]


def _parts(look):
    wanted = _read(look, "pieces")
    return sum(1 << k for k, (part, *_) in enumerate(PARTS) if part in wanted)


def _put_parts(look, value):
    wanted = tuple(part for k, (part, *_) in enumerate(PARTS) if value & 1 << k)
    _write(look, "pieces", wanted or (O.Part.STRAIGHT,))


def _put_screen(look, value):
    if value != (_read(look, "screen") is not None):
        _write(look, "screen", O.Screen() if value else None)


def _screen(key, name, description, least, most):
    """A number of the levels by sight; as the core's own default where they are not set."""
    default = next(field.default for field in fields(O.Screen) if field.name == key)

    def read(look):
        screen = _read(look, "screen")
        return default if screen is None else getattr(screen, key)

    return FloatProperty(
        name=name,
        description=description,
        min=least,
        max=most,
        options=set(),
        get=read,
        set=lambda look, value: _read(look, "screen") and _write(look, f"screen.{key}", float(f"{value:.6g}")),
    )


class ReliefKnotTrimming(bpy.types.PropertyGroup):
    """On a knot: the kit that is made of it. On a piece of a kit, or on a trim laid: of which knot it is, and what."""

    # --- kept values ---
    source: PointerProperty(name="Knot", description="The knot that this is made of", type=bpy.types.Object)
    report: StringProperty(name="Report", description="What was measured on the kit", options=set())
    error: StringProperty(name="Error", description="Why the kit could not be made", options=set())
    piece_name: StringProperty(name="Piece", description="Which piece of the kit this is", options=set())
    piece_level: IntProperty(name="Level", description="Which level of detail this is", default=-1, options=set())
    path: PointerProperty(
        name="Path",
        description="A curve, or a mesh whose selected edges form one line or loop, that the trim is laid along",
        type=bpy.types.Object,
        poll=lambda _look, obj: obj.type in {"CURVE", "MESH"},
        options=set(),
    )
    caps: BoolProperty(name="Close Ends", description="End an open path with caps", default=True, options=set())
    flip: BoolProperty(
        name="Other Side", description="Let the relief look to the other side of the path", options=set()
    )
    laid_level: IntProperty(
        name="Level", description="Level of detail that is laid, 0 being the finest", min=0, max=8, options=set()
    )

    # --- the kit ---
    pieces: EnumProperty(
        name="Pieces",
        description="The pieces of the kit",
        items=[(part.name, label, about, "", 1 << k) for k, (part, label, about) in enumerate(PARTS)],
        options={"ENUM_FLAG"},
        get=_parts,
        set=_put_parts,
    )
    triangles: _whole("triangles", "Triangles", "What the straight piece may have at its finest level", 12, 10_000_000)
    repeats: _whole("repeats", "Repeats", "Repeats of the design in the straight piece", 1, 1000)
    corners: _list("corners", "Corners", "Angles that corners turn by, in degrees, with commas between")
    lengths: _list("lengths", "Lengths", "Lengths of further straight pieces, in mm, with commas between")
    stretch: _number(
        "stretch", "Stretch", "How far whole repeats may be stretched or pressed to fit, in percent", 0, 50
    )
    levels: _list("levels", "Levels", "Share of the triangles that each level has, in percent, with commas between")
    has_screen: BoolProperty(
        name="Levels by Sight",
        description="Choose levels by how far off they are seen, not by their share of the triangles",
        options=set(),
        get=lambda look: _read(look, "screen") is not None,
        set=_put_screen,
    )
    pixels: _screen("pixels", "Pixels", "How far off a point of a level may be seen, in pixels", 0.01, 1000)
    underside: _flag("underside", "Undersides", "Keep faces that look down, which are not seen on a wall")
    capped: _flag("capped", "Closed Joints", "Close strands where pieces meet, for pieces that stand alone")
    card: _flag("card", "Flat Card", "Add a flat card with the baked relief as the last level")
    hull: _flag("hull", "Collision Hull", "Give each piece a hull to collide with")
    hard: kinds.angle(
        "Hard Edges",
        "Edges that turn by more are hard",
        lambda look: _read(look, "hard"),
        lambda look, value: _write(look, "hard", value),
        0,
        180,
    )

    # --- its sheet ---
    size: _whole("textures.size", "Width", "Width of the sheet in texels", 16, 16384)
    density: _number(
        "textures.density",
        "Density",
        "Texels to the metre over the whole sheet; 0: what whole repeats across the sheet give",
        0,
        1e7,
        zero=None,
    )
    padding: _whole("textures.padding", "Padding", "Texels between two parts of the sheet", 0, 512)
    bits: EnumProperty(
        name="Bits",
        description="Bits of a channel",
        items=[("EIGHT", "8 Bits", "", "", 0), ("SIXTEEN", "16 Bits", "", "", 1)],
        options=set(),
        get=lambda look: int(_read(look, "textures.bits") == 16),
        set=lambda look, value: _write(look, "textures.bits", 16 if value else 8),
    )
    green: kinds.choice(
        "Green",
        "Which way the green channel of normals points",
        [
            (O.Green.OPENGL, "Up (OpenGL)", "As Blender, glTF and OpenGL have it"),
            (O.Green.DIRECTX, "Down (DirectX)", "As DirectX has it"),
        ],
        lambda look: _read(look, "textures.green"),
        lambda look, value: _write(look, "textures.green", value),
    )


CLASSES = (ReliefKnotTrimming,)


def register():
    """Make this part known to Blender."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.Object.relief_knot_trim = PointerProperty(type=ReliefKnotTrimming, options=set())


def unregister():
    """Take back what register did."""
    trim_object.forget()
    del bpy.types.Object.relief_knot_trim
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
