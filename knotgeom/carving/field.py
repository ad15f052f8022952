"""The relief as a height field: one height for every place of the board, so nothing can be undercut.

Heights are measured from the board's face: 0 there, negative below. They come from the strands' sections themselves,
not from a mesh of them, at the middle of every pixel.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import DesignError
from ..mesh import Floats
from ..progress import Progress
from .filling import Grid, fill
from .memory import free_memory
from .moulding import easing, section
from .options import Ground, Moulding
from .panel import Panel
from .strips import Strips, strand_strips
from .texture import marks
from .upper_side import Walls

F32 = NDArray[np.float32]

BYTES_A_CELL = 9
"""Memory that a height field takes while it is worked out, for each of its cells, at most."""
FINE = 4096
"""Entries of the table across the border."""


@dataclass(frozen=True, slots=True, eq=False)
class HeightField:
    """Heights of the board's surface at the middles of square pixels.

    The middle of pixel ``[row, column]`` lies at ``x = left + (column + 0.5) * pitch``,
    ``y = top - (row + 0.5) * pitch``; row 0 is the top one.

    Attributes
    ----------
    z : (rows, columns) float32
        mm; the board's face at 0, down negative.
    pitch : float
        mm per pixel.
    left, top : float
        x of the map's left edge and y of its top edge in layout coordinates, mm.
    """

    z: F32
    pitch: float
    left: float
    top: float

    def place(self, row: int, column: int) -> tuple[float, float]:
        """The middle of a pixel, mm."""
        return self.left + (column + 0.5) * self.pitch, self.top - (row + 0.5) * self.pitch


def panel_field(panel: Panel, pitch: float, progress: Progress | None = None) -> HeightField:
    """The height field of a panel that is planned already; pixels at the board's edge may reach over it.

    Raises
    ------
    DesignError
        The map needs more memory than there is.
    """
    grid = pixel_grid(panel, pitch)
    refuse_too_large(grid.rows * grid.columns, BYTES_A_CELL)
    return HeightField(heights(surface_of(panel), grid, progress), pitch, panel.left, panel.top)


def pixel_grid(panel: Panel, pitch: float) -> Grid:
    """The middles of square pixels that cover the board."""
    columns, rows = (max(1, math.ceil(side / pitch - 1e-6)) for side in (panel.length, panel.width))
    return Grid(panel.left + pitch / 2, panel.top - pitch / 2, pitch, pitch, columns, rows)


def refuse_too_large(cells: int, bytes_a_cell: float, place: str = "make.carve.resolution") -> None:
    """Refuse, before any work, a field that the machine's memory does not hold.

    Raises
    ------
    DesignError
        With how much is needed and how much there is.
    """
    needed, free = cells * bytes_a_cell + 2e8, free_memory()
    if free is not None and needed > free:
        finer = math.sqrt(needed / free)
        raise DesignError(
            f"{cells:,} heights need {needed / 1e9:.1f} GB of memory, the machine has {free / 1e9:.1f} GB free",
            f"give a resolution at least {finer:.2f} times as coarse, or a smaller board",
            place,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """The exact surface of a panel, ready to be measured over any grid.

    ``beside`` describes the ground along the strands where it is left standing, upside down.
    """

    panel: Panel
    strands: Strips
    beside: Strips | None


def surface_of(panel: Panel) -> Surface:
    """Prepare the surface of a panel."""
    assert panel.made.drawn is not None
    drawn, strand, size = panel.made.drawn, panel.made.design.strand, panel.made.counted.size
    strands = strand_strips(drawn, panel.z, strand, size, panel.walls)
    if panel.carving.ground is not Ground.LEFT:
        return Surface(panel, strands, None)
    dip = -float(panel.z.min()) - panel.edge + panel.line
    beside = strand_strips(drawn, panel.z, strand, size, Walls(panel.lean, dip, panel.line))
    return Surface(panel, strands, Strips(beside.corner, -beside.cubic, -beside.table))


def heights(surface: Surface, grid: Grid, progress: Progress | None = None) -> F32:
    """The surface at the samples of a grid, (rows, columns) float32; past the board's edge it goes on level."""
    out = np.full((grid.rows, grid.columns), -np.inf, np.float32)
    lines: F32 | None = None
    share = 1.0 if surface.beside is None else 0.5

    def show(done: float) -> None:
        if progress is not None:
            progress(done, "measuring heights")

    if surface.beside is not None:
        lines = np.full((grid.rows, grid.columns), -np.inf, np.float32)
        fill(surface.beside, grid, lines, None, lambda done: show(share * done))
    fill(surface.strands, grid, out, finisher(surface.panel, lines), lambda done: show(1 - share + share * done))
    return out


def finisher(panel: Panel, lines: F32 | None) -> Callable[[Grid, F32, slice], None]:
    """What puts ground and border to rows that hold the strands."""
    carving = panel.carving
    wall = panel.lean * panel.depth
    standing = carving.ground is Ground.LEFT
    inner = max(panel.border + wall, carving.easing) + 1e-6
    across = np.linspace(0.0, inner, FINE)
    floor, roof = _border(panel, across)

    def finish(part: Grid, z: F32, rows: slice) -> None:
        x, y = part.x, part.y
        if standing:
            assert lines is not None
            np.maximum(z, np.minimum(-lines[rows], 0.0), out=z)
        elif panel.texture_depth > 0:
            ground = marks(carving.ground, x, y, panel.texture_size, panel.texture_depth)
            ground += np.float32(panel.texture_depth - panel.depth)
            np.maximum(z, ground, out=z)
        else:
            np.maximum(z, np.float32(-panel.depth), out=z)
        np.minimum(z, np.float32(0.0), out=z)  # what rounding leaves over the face
        dx = np.minimum(x - panel.left, panel.left + panel.length - x)
        dy = np.minimum(y - panel.bottom, panel.top - y)
        near_x, near_y = np.flatnonzero(dx < inner), np.flatnonzero(dy < inner)
        far_y = np.flatnonzero(dy >= inner)
        for rows_at, columns_at in ((near_y, np.arange(len(x))), (far_y, near_x)):
            if not len(rows_at) or not len(columns_at):
                continue
            distance = np.minimum(dy[rows_at, None], dx[None, columns_at])
            at = np.clip(distance * ((FINE - 1) / inner) + 0.5, 0, FINE - 1).astype(np.int32)
            block = np.ix_(rows_at, columns_at)
            low = z[block]
            np.maximum(low, floor.take(at), out=low)
            np.minimum(low, roof.take(at), out=low)
            z[block] = low

    return finish


def _border(panel: Panel, across: Floats) -> tuple[F32, F32]:
    """What the surface stands at least and at most, by the distance from the board's edge."""
    carving = panel.carving
    floor: Floats = np.full(len(across), -np.inf)
    roof: Floats = np.zeros(len(across))
    if panel.border > 0:
        shape: Floats = np.zeros(len(across))
        if carving.frame is not Moulding.NONE:
            shape = section(carving.frame, across - carving.margin, panel.frame_width, panel.depth)
        foot = float(shape[across <= panel.border][-1])
        beyond = np.maximum(across - panel.border, 0.0)
        within = across <= panel.border
        floor = np.where(within, shape, foot - beyond / max(panel.lean, 1e-9))
        if carving.ground is Ground.LEFT:
            floor = np.where(within, shape, -np.inf)
            roof = np.where(within, shape, np.minimum(foot + beyond / max(panel.lean, 1e-9), 0.0))
        else:
            roof = np.where(within, shape, 0.0)
    return floor.astype(np.float32), np.minimum(roof, easing(across, carving.easing)).astype(np.float32)
