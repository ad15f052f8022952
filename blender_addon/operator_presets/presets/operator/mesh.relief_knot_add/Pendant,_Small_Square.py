"""Pendant, Small Square: settings for Add > Mesh > Relief Knot."""

import bpy

op = bpy.context.active_operator

op.purpose = "PENDANT"
op.columns = 3
op.rows = 3
op.cell = 0.006
op.measure = "AUTO"
