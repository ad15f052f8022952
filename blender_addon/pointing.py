"""Where the pointer lies on a knot: on its plane, or on the curved surface that it is set out on."""

import numpy as np
from bpy_extras import view3d_utils
from mathutils import Vector

from . import setting_out, store, units


def point_under(context, obj, mouse):
    """Where the pointer, in pixels of the view's region, lies on the knot's plane or curved surface."""
    region, view = context.region, context.region_data
    if region is None or view is None or region.type != "WINDOW":
        return None
    origin = view3d_utils.region_2d_to_origin_3d(region, view, mouse)
    direction = view3d_utils.region_2d_to_vector_3d(region, view, mouse)
    return meet(obj, origin, direction)


def meet(obj, origin, direction):
    """Where a ray of the world meets the knot's plane or curved surface, mm; None where it never does."""
    design = store.parse(obj.relief_knot.text)[0]
    if design is None or setting_out.is_plane(design.layout):
        return meet_plane(obj, origin, direction)
    inverse = obj.matrix_world.inverted_safe()
    scale = units.units_per_mm(obj.relief_knot)
    start = np.array(inverse @ Vector(origin)) / scale
    return meet_surface(design.layout, start, np.array(inverse.to_3x3() @ Vector(direction)))


def meet_surface(options, start, along):
    """Where a ray first meets a curved layout, by the planes that touch it at its sites: mm, or None.

    Parameters
    ----------
    start, along : (3,) float64
        Of the ray, in layout coordinates.
    """
    found = setting_out.seen(options)
    along = along / max(float(np.linalg.norm(along)), 1e-30)
    facing = -(found.up @ along)
    offset = found.middle - start
    ahead = offset @ along
    beside = np.linalg.norm(offset - ahead[:, None] * along, axis=1)
    reach = found.frame.layout.reach
    near = np.flatnonzero((facing > 1e-3) & (beside < 1.25 * reach))
    if not len(near):
        return None
    first = ahead[near].min()
    near = near[ahead[near] < first + 2 * reach[near]]  # what lies behind is hidden
    edge = near[beside[near].argmin()]
    hit = start + along * ((offset[edge] @ found.up[edge]) / -facing[edge])
    return tuple(float(part) for part in hit)


def meet_plane(obj, origin, direction):
    """Where a ray of the world meets the plane of the knot, mm in plan; None where it never does."""
    inverse = obj.matrix_world.inverted_safe()
    start = inverse @ Vector(origin)
    along = inverse.to_3x3() @ Vector(direction)
    if abs(along.z) < 1e-6 * along.length or not along.length:
        return None
    hit = start - along * (start.z / along.z)
    scale = units.units_per_mm(obj.relief_knot)
    return hit.x / scale, hit.y / scale
