"""Board, Long Rail: settings for Add > Mesh > Relief Knot."""

import bpy

op = bpy.context.active_operator

op.purpose = "BOARD"
op.columns = 12
op.rows = 3
op.cell = 0.02
op.measure = "AUTO"
