"""The key ``make.trim`` of a design file as a form."""

from __future__ import annotations

from ..forms import Choice, Flag, Key, Keys, Many, Number, OneOf, Whole
from .options import Green, Part, Screen, Textures, Trimming

SCREEN = Keys(
    Screen,
    {
        "pixels": Key(Number("pixels", above=0, most=1000), "How far off a point may be seen. Default 1."),
        "distances": Key(
            Many(Number("m", above=0, most=100_000), fewest=1, most=8),
            "How near each level is seen, in m. Default 2, 5, 10, 20.",
        ),
        "height": Key(Whole(16, 100_000), "Height of the picture in pixels. Default 1080."),
        "field_of_view": Key(Number("degrees", above=0, below=180), "Of the camera, top to bottom. Default 50."),
    },
)
TEXTURES = Keys(
    Textures,
    {
        "size": Key(Whole(16, 16384), "Width of the sheet in texels. Default 2048."),
        "density": Key(
            Number("texels", above=0, most=1e7),
            "Texels to the metre, the same over the whole sheet. Default what whole repeats across the sheet give.",
        ),
        "padding": Key(Whole(0, 512), "Texels between two parts of the sheet. Default 16."),
        "bits": Key(OneOf((8, 16)), "Bits of a channel, 8 or 16. Default 8."),
        "green": Key(Choice(Green), 'Way of the green channel of normals. Default "opengl".'),
    },
)
TRIM = Keys(
    Trimming,
    {
        "triangles": Key(Whole(12, 10_000_000), "Triangles that the straight piece may have. Default 4000."),
        "levels": Key(
            Many(Number("percent", above=0, most=100), fewest=1, most=8),
            "Levels of detail, in percent of the triangles. Default 100, 50, 25, 12.",
        ),
        "screen": Key(SCREEN, "Levels by how far off they are seen, in place of shares."),
        "repeats": Key(Whole(1, 1000), "Repeats of the design in the straight piece. Default 1."),
        "lengths": Key(
            Many(Number("mm", above=0, most=1e6), most=20), "Lengths of further straight pieces in mm. Default none."
        ),
        "stretch": Key(
            Number("percent", least=0, most=50), "How far whole repeats may be stretched or pressed. Default 5."
        ),
        "corners": Key(Many(Number("degrees", least=15, most=150), most=8), "Angles that corners turn by. Default 90."),
        "pieces": Key(Many(Choice(Part), fewest=1, most=len(Part)), "The pieces of the kit. Default all."),
        "underside": Key(Flag(), "Whether faces that look down are kept. Default false."),
        "capped": Key(Flag(), "Whether strands are closed where pieces meet. Default false."),
        "card": Key(Flag(), "Whether a flat card is the last level. Default true."),
        "hull": Key(Flag(), "Whether each piece has a collision hull. Default false."),
        "hard": Key(Number("degrees", least=0, most=180), "Edges that turn by more than this are hard. Default 40."),
        "textures": Key(TEXTURES, "The sheet of textures."),
    },
)
