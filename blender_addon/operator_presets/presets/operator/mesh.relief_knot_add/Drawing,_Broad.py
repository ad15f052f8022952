"""Drawing, Broad: settings for Add > Mesh > Relief Knot."""

import bpy

op = bpy.context.active_operator

op.purpose = "DRAWING"
op.columns = 10
op.rows = 6
op.cell = 0.01
op.measure = "AUTO"
