"""Trim, Broad: settings for Add > Mesh > Relief Knot."""

import bpy

op = bpy.context.active_operator

op.purpose = "TRIM"
op.columns = 16
op.rows = 3
op.cell = 0.0
op.measure = "AUTO"
