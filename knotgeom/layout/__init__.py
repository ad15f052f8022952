"""Setting-out: where strands can run, as an oriented polygon mesh whose edges are the sites."""

from __future__ import annotations

from .grid import grid_layout, site_point
from .halfedge import ACROSS, ALONG, CROSSING, Layout

__all__ = ["ACROSS", "ALONG", "CROSSING", "Layout", "grid_layout", "site_point"]
