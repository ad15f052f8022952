"""Trim, Narrow: settings for Add > Mesh > Relief Knot."""

import bpy

op = bpy.context.active_operator

op.purpose = "TRIM"
op.columns = 12
op.rows = 2
op.cell = 0.0
op.measure = "AUTO"
