"""Board, Square Panel: settings for Add > Mesh > Relief Knot."""

import bpy

op = bpy.context.active_operator

op.purpose = "BOARD"
op.columns = 6
op.rows = 6
op.cell = 0.03
op.measure = "AUTO"
