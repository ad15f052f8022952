"""Geometry of interlace: from a design to its weave, its heights and its mesh. Lengths are mm."""

__version__ = "0.1.0"
