"""Pattern sheets: a design's visible line work at true scale on paper or for a cutter, and pages for teaching."""

from __future__ import annotations

from .paper import PAPERS
from .pattern import Wanted
from .sheet import KINDS, Sheet, refuse_options, title_of, write_sheet

__all__ = ["KINDS", "PAPERS", "Sheet", "Wanted", "refuse_options", "title_of", "write_sheet"]
