"""Draws the tool's icon in Blender's own format for icons of triangles. Run it after a change of the drawing.

The format: ``VCO`` and a zero, four bytes for the extent, then three corners of two bytes for every triangle, then
their colours, four bytes each.
"""

from math import hypot
from pathlib import Path

STRAND = (230, 230, 230, 255)
WALL = (250, 165, 70, 255)
WIDTH = 38


def band(a, b, width, colour):
    """A straight band from ``a`` to ``b``, as two triangles."""
    (xa, ya), (xb, yb) = a, b
    run = hypot(xb - xa, yb - ya)
    dx, dy = -(yb - ya) / run * width / 2, (xb - xa) / run * width / 2
    corners = [(xa + dx, ya + dy), (xa - dx, ya - dy), (xb - dx, yb - dy), (xb + dx, yb + dy)]
    return [([corners[k] for k in order], colour) for order in ((0, 1, 2), (0, 2, 3))]


def triangles():
    """Two strands that cross, one under the other, and the wall of a break above."""
    return [
        *band((38, 26), (214, 170), WIDTH, STRAND),
        *band((38, 170), (88, 129), WIDTH, STRAND),
        *band((164, 67), (214, 26), WIDTH, STRAND),
        *band((66, 222), (186, 222), 30, WALL),
    ]


def packed():
    """The icon's bytes."""
    drawn = triangles()
    points = bytes(round(part) for corners, _ in drawn for corner in corners for part in corner)
    colours = bytes(part for _, colour in drawn for _ in range(3) for part in colour)
    return b"VCO\0" + bytes((255, 255, 0, 0)) + points + colours


if __name__ == "__main__":
    (Path(__file__).parent / "relief_knot.draw.dat").write_bytes(packed())
