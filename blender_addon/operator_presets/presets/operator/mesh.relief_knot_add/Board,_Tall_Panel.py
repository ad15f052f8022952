"""Board, Tall Panel: settings for Add > Mesh > Relief Knot."""

import bpy

op = bpy.context.active_operator

op.purpose = "BOARD"
op.columns = 5
op.rows = 9
op.cell = 0.024
op.measure = "AUTO"
