"""A reference picture under the layout, to trace over."""

import bpy
from bpy.props import FloatProperty, StringProperty
from bpy_extras.io_utils import ImportHelper

from . import core, ops_edit, setting_out, store, units


def lay_under(context, obj, image, opacity):
    """Lay a picture under a knot, fitted to its layout.

    Returns
    -------
    bpy.types.Object
        An image Empty, the knot's child: it moves with the knot and can be moved on its own.
    """
    design, scale = store.design_of(obj), units.units_per_mm(obj.relief_knot)
    size = core.sizing.sizes(design)
    low, upper = (corner * scale for corner in setting_out.bounds(design))
    wide, high = (upper - low)[:2].tolist()
    empty = bpy.data.objects.new(f"{obj.name} Reference", None)
    empty.empty_display_type = "IMAGE"
    empty.data = image
    across, up = (max(1, part) for part in image.size)
    empty.empty_display_size = min(wide / across, high / up) * max(across, up)
    empty.empty_image_side = "FRONT"
    empty.use_empty_image_alpha = True
    empty.color[3] = opacity
    for collection in obj.users_collection or (context.collection,):
        collection.objects.link(empty)
    empty.parent = obj
    middle = ((low + upper) / 2).tolist()
    empty.location = (*middle[:2], float(low[2]) - (size.separation + size.thickness) * scale)
    return empty


class MESH_OT_relief_knot_reference(ops_edit.KnotOperator, bpy.types.Operator, ImportHelper):
    bl_idname = "mesh.relief_knot_reference"
    bl_label = "Lay Picture Under"
    bl_description = "Lay a picture under the knot's layout, fitted to it, to trace over"

    filter_glob: StringProperty(
        name="Kinds of File",
        description="Which files are listed",
        default="*.png;*.jpg;*.jpeg;*.tif;*.tiff;*.webp;*.bmp;*.exr",
        options={"HIDDEN"},
    )
    opacity: FloatProperty(
        name="Opacity", description="How strongly the picture shows", subtype="FACTOR", min=0.0, max=1.0, default=0.5
    )

    def execute(self, context):
        try:
            image = bpy.data.images.load(self.filepath, check_existing=True)
        except RuntimeError:
            image = None
        if image is None or not all(image.size):
            self.report({"ERROR"}, f"{self.filepath}: no picture that can be read; take a PNG or JPEG file")
            return {"CANCELLED"}
        obj = context.object
        lay_under(context, obj, image, self.opacity)
        self.report({"INFO"}, f"{image.name} lies under {obj.name}; move or scale it in the view to fit")
        return {"FINISHED"}


CLASSES = (MESH_OT_relief_knot_reference,)


register, unregister = bpy.utils.register_classes_factory(CLASSES)
