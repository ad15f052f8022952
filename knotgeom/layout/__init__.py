"""Setting-out: where strands can run, as an oriented polygon mesh whose edges are the sites.

Each shape has a maker in a module of its own; :func:`lay_out` chooses among them, and nothing after it asks which.
"""

from __future__ import annotations

from ..design import Border, Breaks, Grid, Layouts, Panel, Pass, Ring, Strip, Way
from .free import free_layout
from .grid import grid_layout
from .halfedge import ACROSS, ALONG, CROSSING, Layout
from .ring import border_layout, ring_layout, strip_layout

__all__ = ["ACROSS", "ALONG", "CROSSING", "Layout", "edge_of_site", "lay_out", "pass_index", "pass_of"]


def lay_out(layout: Layouts, breaks: Breaks) -> Layout:
    """Set out any layout but a panel, which :func:`knotgeom.resolve.resolved` makes a grid of first.

    Square borders are resolved to grids too.
    """
    assert not isinstance(layout, Panel), "resolve the design first"
    match layout:
        case Grid():
            return grid_layout(layout, breaks)
        case Ring():
            return ring_layout(layout, breaks)
        case Strip():
            return strip_layout(layout, breaks)
        case Border():
            return border_layout(layout, breaks)
        case _:
            return free_layout(layout, breaks)


def edge_of_site(layout: Layout) -> dict[tuple[int, int], int]:
    """Edge number of every site of the layout."""
    return {(x, y): edge for edge, (x, y) in enumerate(layout.site.tolist())}


def pass_index(layout: Layout, edge: int, way: Way) -> int:
    """Whether a pass is pass 0 or pass 1 of its edge."""
    return int(layout.rising[edge]) if way is Way.RISING else 1 - int(layout.rising[edge])


def pass_of(layout: Layout, edge: int, index: int) -> Pass:
    """The designer's name of a pass: the inverse of :func:`pass_index`."""
    x, y = layout.site[edge].tolist()
    return Pass(x, y, Way.RISING if index == layout.rising[edge] else Way.FALLING)
