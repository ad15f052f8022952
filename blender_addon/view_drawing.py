"""Drawing in the 3D view: lines of one width on every screen, plates with words, colours from the theme.

What is drawn there and when is in :mod:`.overlay` and :mod:`.ui_carving`.
"""

import blf
import gpu
import numpy as np
from bpy_extras import view3d_utils
from gpu_extras.batch import batch_for_shader
from mathutils import Matrix, Vector

from . import units


def theme_colours(context):
    """The colours of lines and words by what they say, from the theme of the 3D view: RGBA."""
    theme = context.preferences.themes[0]
    view = theme.view_3d
    back = tuple(view.space.gradients.high_gradient)
    text = tuple(view.space.text_hi)
    state = theme.user_interface.wcol_state
    return {
        "line": (*text, 0.9),
        "faint": (*text, 0.28),
        "border": (*text, 0.5),
        "halo": (*back, 0.75),
        # not the colour of what is active, which its outline has already
        "active": (*tuple(theme.user_interface.gizmo_secondary)[:3], 1.0),
        "exception": (*tuple(theme.user_interface.gizmo_primary)[:3], 1.0),
        "warning": (*tuple(getattr(state, "error", (0.9, 0.3, 0.25, 1.0)))[:3], 1.0),
    }


def line_batch(pieces):
    """Pieces of lines, (n, 2, 2) or (n, 2, 3), ready to be drawn; None where there are none."""
    if not len(pieces):
        return None
    points = np.asarray(pieces, np.float32)
    points = points.reshape(-1, points.shape[-1])
    if points.shape[1] == 2:
        points = np.column_stack([points, np.zeros(len(points), np.float32)])
    return batch_for_shader(gpu.shader.from_builtin("POLYLINE_UNIFORM_COLOR"), "LINES", {"pos": points})


def plane(obj):
    """From mm in plan to the world."""
    return obj.matrix_world @ Matrix.Scale(units.units_per_mm(obj.relief_knot), 4)


def draw_batch(context, batch, colour, width, halo=None):
    """Draw a batch of lines, ``width`` pixels wide at interface scale 1, within a ``halo`` of another colour."""
    if batch is None:
        return
    shader = gpu.shader.from_builtin("POLYLINE_UNIFORM_COLOR")
    scale = context.preferences.system.ui_scale
    shader.bind()
    shader.uniform_float("viewportSize", gpu.state.viewport_get()[2:])
    for shade, more in ((halo, 2.5), (colour, 0.0)):
        if shade is not None:
            shader.uniform_float("lineWidth", (width + more) * scale)
            shader.uniform_float("color", shade)
            batch.draw(shader)


def lightness(colour):
    """How light a colour is, 0 to 1, by the shares of red, green and blue of ITU-R BT.709."""
    return 0.2126 * colour[0] + 0.7152 * colour[1] + 0.0722 * colour[2]


def word_at(context, obj, at, words, back, above=False):
    """Words on a plate of the colour ``back``, over a place in plan or above it, black or white as reads better."""
    place = view3d_utils.location_3d_to_region_2d(
        context.region, context.region_data, plane(obj) @ Vector((*at, 0.0)[:3])
    )
    if place is None:
        return
    scale = context.preferences.system.ui_scale
    blf.size(0, 12 * scale)
    wide, high = blf.dimensions(0, words)
    x, y = round(place.x - wide / 2), round(place.y - high / 2 + (26 * scale if above else 0))
    pad = 4 * scale
    plate(x - pad, y - pad, x + wide + pad, y + high + pad, back)
    write(context, x, y, words, (0.0, 0.0, 0.0, 1.0) if lightness(back) > 0.45 else (1.0, 1.0, 1.0, 1.0))


def plate(left, low, right, high, colour):
    """Fill a rectangle, in pixels of the region."""
    shader = gpu.shader.from_builtin("UNIFORM_COLOR")
    corners = [(left, low, 0), (right, low, 0), (right, high, 0), (left, high, 0)]
    batch = batch_for_shader(shader, "TRIS", {"pos": corners}, indices=[(0, 1, 2), (0, 2, 3)])
    shader.bind()
    shader.uniform_float("color", colour)
    batch.draw(shader)


def write(context, x, y, words, colour):
    """Write words, in pixels of the region."""
    blf.size(0, 12 * context.preferences.system.ui_scale)
    blf.color(0, *colour)
    blf.position(0, x, y, 0)
    blf.draw(0, words)
