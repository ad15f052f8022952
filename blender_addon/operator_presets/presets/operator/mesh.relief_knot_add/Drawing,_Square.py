"""Drawing, Square: settings for Add > Mesh > Relief Knot."""

import bpy

op = bpy.context.active_operator

op.purpose = "DRAWING"
op.columns = 5
op.rows = 5
op.cell = 0.012
op.measure = "AUTO"
