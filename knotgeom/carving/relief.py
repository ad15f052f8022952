"""A relief and everything made of it: height map, solid board, picture and report, all of one panel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..design import Design
from ..mesh import Floats, Mesh, volume
from ..progress import Progress
from .facets import Facets, board_mesh, square_side, triangulate, upright
from .field import HeightField, Surface, heights, pixel_grid, refuse_too_large, surface_of
from .filling import Grid
from .options import Carving, Ground
from .panel import Panel, plan_panel
from .preview import shaded
from .woods import CAUTIONS, SOURCE, density

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
U16 = NDArray[np.uint16]

BYTES_A_CELL = 220
"""Memory for each cell of the map while everything is made of it and written; measured, the 3MF file takes most."""
WHITE = 65535
PREVIEW = 1400
"""Pixels of the picture's longer side."""
TOLERANCE = 0.25
"""Of the mesh, in distances from sample to sample."""
WINDOWS, WINDOW, FINER = 36, 40, 5
"""The surface is measured against map and mesh in so many windows, so many cells wide, so many times as fine."""


@dataclass(frozen=True, slots=True)
class Deviation:
    """How far map or mesh lie from the exact surface, mm: upright, and square to the surface.

    Next to a wall the upright figure is that of the wall; what a rule or a cutter would find is the one square to it.
    """

    most: float
    mean: float
    square_most: float
    square_mean: float

    @property
    def facts(self) -> dict[str, float]:
        """As it stands in the report."""
        return {
            "max_mm": round(self.most, 5),
            "mean_mm": round(self.mean, 6),
            "square_max_mm": round(self.square_most, 5),
            "square_mean_mm": round(self.square_mean, 6),
        }


@dataclass(frozen=True, slots=True, eq=False)
class Relief:
    """A relief carved from a design.

    Attributes
    ----------
    panel : Panel
    field : HeightField
    mesh : Mesh
        The solid board, its back flat, in layout coordinates with the face at z = 0.
    tolerance : float
        How far the mesh may lie from the samples under it, square to the surface, mm.
    map_deviation, mesh_deviation : Deviation
    """

    panel: Panel
    field: HeightField
    mesh: Mesh
    tolerance: float
    map_deviation: Deviation
    mesh_deviation: Deviation


def carve(design: Design, carving: Carving | None = None, progress: Progress | None = None) -> Relief:
    """Carve a design: the height map, the solid board, and how true they are.

    Parameters
    ----------
    design : Design
        Of any way of making.
    carving : Carving, optional
        The design's own where left out.
    progress : callable, optional
        Called with a share of the work done and the name of the stage; it may raise to cancel.

    Raises
    ------
    DesignError
        What is asked for does not fit the board or the memory, or no strand can be made.
    """
    carving = design.make.carve if carving is None else carving
    report = progress or (lambda _share, _stage: None)

    def within(low: float, high: float) -> Progress:
        return lambda share, stage: report(low + (high - low) * share, stage)

    panel = plan_panel(design, carving, within(0.0, 0.15))
    pitch = carving.resolution
    grid = pixel_grid(panel, pitch)
    refuse_too_large(grid.rows * grid.columns, BYTES_A_CELL)
    surface = surface_of(panel)
    field = HeightField(heights(surface, grid, within(0.15, 0.35)), pitch, panel.left, panel.top)
    tolerance = TOLERANCE * pitch if carving.tolerance is None else carving.tolerance
    mesh, samples, facets = _solid(surface, pitch, tolerance, within(0.35, 0.8))
    report(0.8, "measuring against the exact surface")
    of_map, of_mesh = deviations(surface, field, samples, facets)
    report(1.0, "done")
    return Relief(panel, field, mesh, tolerance, of_map, of_mesh)


def panel_mesh(panel: Panel, pitch: float, tolerance: float | None = None, progress: Progress | None = None) -> Mesh:
    """The solid board of a panel alone, quick enough for a view that follows a slider.

    Parameters
    ----------
    pitch : float
        mm from sample to sample, at most.
    tolerance : float, optional
        How far the mesh may lie from the samples, square to the surface, mm; a quarter of the pitch where left out.

    Raises
    ------
    DesignError
        It needs more memory than there is.
    """
    grid = pixel_grid(panel, pitch)
    refuse_too_large(grid.rows * grid.columns, BYTES_A_CELL)
    within = TOLERANCE * pitch if tolerance is None else tolerance
    return _solid(surface_of(panel), pitch, within, progress or (lambda _share, _stage: None))[0]


def _solid(surface: Surface, pitch: float, tolerance: float, report: Progress) -> tuple[Mesh, Grid, Facets]:
    """The solid board, the samples that it was made from, and its triangles over them."""
    panel = surface.panel
    samples, side = corner_grid(panel, pitch)
    at_corners = heights(surface, samples, lambda share, stage: report(0.45 * share, stage))
    allowed = upright(at_corners, samples.dx, samples.dy, tolerance)
    facets = triangulate(at_corners, side, allowed, lambda share: report(0.45 + 0.5 * share, "laying triangles"))
    level = (float(at_corners.min()) - panel.thickness) / 2
    mesh = board_mesh(facets, at_corners, samples.x, samples.y, -panel.thickness, level)
    report(1.0, "laying triangles")
    return mesh, samples, facets


def corner_grid(panel: Panel, pitch: float) -> tuple[Grid, int]:
    """Samples from edge to edge of the board, no coarser than ``pitch``, and the side of the mesh's largest squares."""
    side = square_side(math.ceil(panel.width / pitch), math.ceil(panel.length / pitch))
    columns, rows = (max(1, math.ceil(a / pitch / side - 1e-6)) * side for a in (panel.length, panel.width))
    dx, dy = panel.length / columns, panel.width / rows
    return Grid(panel.left, panel.top, dx, dy, columns + 1, rows + 1), side


def deviations(surface: Surface, field: HeightField, samples: Grid, facets: Facets) -> tuple[Deviation, Deviation]:
    """Measure map and mesh against the surface itself, in windows spread over the board."""
    rng = np.random.default_rng(11)
    found: list[list[Floats]] = [[], [], [], []]
    rows, columns = field.z.shape
    for _ in range(WINDOWS):
        tall, wide = min(WINDOW, rows - 1), min(WINDOW, columns - 1)
        if tall < 1 or wide < 1:
            break
        row, column = int(rng.integers(0, rows - tall)), int(rng.integers(0, columns - wide))
        step = field.pitch / FINER
        grid = Grid(
            field.left + (column + 0.5) * field.pitch + step / 2,
            field.top - (row + 0.5) * field.pitch - step / 2,
            step,
            step,
            wide * FINER,
            tall * FINER,
        )
        exact = heights(surface, grid)
        down, right = np.gradient(exact.astype(float), step)
        lean = 1 / np.sqrt(1 + down**2 + right**2)
        # where a wall is cut off, the steeper side counts for both
        x, y = grid.x, grid.y
        of_map = _bilinear(field.z, (x - field.left) / field.pitch - 0.5, (field.top - y) / field.pitch - 0.5)
        of_mesh = _on_halves(facets.flat, (x - samples.x0) / samples.dx, (samples.y0 - y) / samples.dy)
        for k, values in enumerate((of_map, of_mesh)):
            off = np.abs(values - exact)
            found[2 * k].append(off.ravel())
            found[2 * k + 1].append((off * lean).ravel())
    if not found[0]:
        return Deviation(0, 0, 0, 0), Deviation(0, 0, 0, 0)
    a, b, c, d = (np.concatenate(part) for part in found)
    return (
        Deviation(float(a.max()), float(a.mean()), float(b.max()), float(b.mean())),
        Deviation(float(c.max()), float(c.mean()), float(d.max()), float(d.mean())),
    )


def _cells(field: F32, across: Floats, down: Floats) -> tuple[Floats, ...]:
    """Row and column of cells, the place in them, and their four corners, at (rows,) x (columns,) places."""
    across, down = np.clip(across, 0, field.shape[1] - 1), np.clip(down, 0, field.shape[0] - 1)
    column = np.minimum(across.astype(int), field.shape[1] - 2)
    row = np.minimum(down.astype(int), field.shape[0] - 2)
    u, v = (across - column)[None, :], (down - row)[:, None]
    block = [field[np.ix_(row + i, column + j)].astype(float) for i in (0, 1) for j in (0, 1)]
    return (row, column, u, v, *block)


def _bilinear(field: F32, across: Floats, down: Floats) -> Floats:
    _, _, u, v, a, b, c, d = _cells(field, across, down)
    return np.asarray((1 - v) * ((1 - u) * a + u * b) + v * ((1 - u) * c + u * d))


def _on_halves(field: F32, across: Floats, down: Floats) -> Floats:
    """Heights on cells cut along their diagonals as the mesh cuts them."""
    row, column, u, v, a, b, c, d = _cells(field, across, down)
    even = (row[:, None] + column[None, :]) % 2 == 0
    falling = np.where(v >= u, a + v * (c - a) + u * (d - c), a + u * (b - a) + v * (d - b))
    rising = np.where(u + v <= 1, a + u * (b - a) + v * (c - a), d + (1 - u) * (c - d) + (1 - v) * (b - d))
    return np.where(even, falling, rising)


# --------------------------------------------------------------------------------------------------- what to write


def grey_step(relief: Relief) -> float:
    """The mm from one grey to the next: white is the board's face, black the deepest cut."""
    return max(relief.panel.deepest, -float(relief.field.z.min())) / WHITE


def greys(relief: Relief) -> U16:
    """The height map as 16-bit greys, (rows, columns) uint16."""
    step = grey_step(relief)
    out = np.empty(relief.field.z.shape, np.uint16)
    for first in range(0, len(out), 512):
        part = relief.field.z[first : first + 512] / np.float32(step) + np.float32(WHITE)
        out[first : first + 512] = np.clip(np.rint(part), 0, WHITE).astype(np.uint16)
    return out


def scale_facts(relief: Relief) -> dict[str, object]:
    """What a height map's numbers mean, as it stands in the JSON beside it."""
    field, step = relief.field, grey_step(relief)
    rows, columns = field.z.shape
    return {
        "mm_per_grey_step": step,
        "mm_per_pixel": field.pitch,
        "white_mm": 0.0,
        "black_mm": -step * WHITE,
        "bits": 16,
        "columns": columns,
        "rows": rows,
        "left_mm": field.left,
        "top_mm": field.top,
        "about": "heights over the board's face; mm = (grey - 65535) x mm_per_grey_step; the first row is the top one",
    }


def png_texts(relief: Relief) -> dict[str, str]:
    """The same for the texts of the PNG file."""
    facts = scale_facts(relief)
    return {
        "Title": "height map of a carved relief",
        "mm per grey step": f"{facts['mm_per_grey_step']:.9g}",
        "mm per pixel": f"{facts['mm_per_pixel']:.9g}",
        "white mm": "0",
        "black mm": f"{facts['black_mm']:.9g}",
        "Comment": " ".join(CAUTIONS),
    }


def preview(relief: Relief, pixels: int = PREVIEW) -> U8:
    """A picture of the relief in its wood, (h, w, 3) uint8."""
    panel = relief.panel
    longer = max(panel.length, panel.width)
    frame = 0.045 * longer
    pitch = (longer + 2 * frame) / pixels / 2
    edge = 2 * 24
    columns, rows = (2 * math.ceil((side + 2 * frame) / pitch / 2) + 2 * edge for side in (panel.length, panel.width))
    x0 = panel.left + panel.length / 2 - (columns - 1) / 2 * pitch
    y0 = panel.bottom + panel.width / 2 + (rows - 1) / 2 * pitch
    grid = Grid(x0, y0, pitch, pitch, columns, rows)
    z = heights(surface_of(panel), grid)
    x, y = grid.x, grid.y
    z[:, (x < panel.left) | (x > panel.left + panel.length)] = np.nan
    z[(y < panel.bottom) | (y > panel.top)] = np.nan
    return shaded(z, pitch, panel.thickness, panel.carving.wood, edge)


def report(relief: Relief) -> dict[str, object]:
    """Everything to know before cutting, ready for JSON."""
    panel, mesh = relief.panel, relief.mesh
    carving = panel.carving
    wood, grams = density(carving.wood)
    solid = volume(mesh)
    whole = panel.length * panel.width * panel.thickness
    size = panel.made.counted.size
    textured = panel.texture_depth > 0
    return {
        "board_mm": [panel.length, panel.width, panel.thickness],
        "board_from": "fitted to the knot" if carving.board is None else "set",
        "depth_mm": round(panel.depth, 4),
        "deepest_cut_mm": round(-float(relief.field.z.min()), 4),
        "thinnest_board_left_mm": round(panel.thickness + float(relief.field.z.min()), 4),
        "ground": carving.ground.value,
        "texture": {"size_mm": round(panel.texture_size, 4), "depth_mm": round(panel.texture_depth, 4)}
        if textured
        else None,
        "line_depth_mm": round(panel.line, 4) if carving.ground is Ground.LEFT else None,
        "draft_deg": carving.draft_deg,
        "margin_mm": carving.margin,
        "frame": {"moulding": carving.frame.value, "width_mm": round(panel.frame_width, 4)},
        "easing_mm": carving.easing,
        "strand": {
            "width_mm": round(size.width, 4),
            "section_mm": round(size.thickness, 4),
            "edge_below_crest_mm": round(panel.crown - panel.edge, 4),
        },
        "step": {"set_mm": round(panel.step, 4), "least_mm": round(panel.kept_step, 4)},
        "volume_mm3": round(solid, 1),
        "cut_away_mm3": round(whole - solid, 1),
        "mass_g": round(solid / 1000 * grams, 1),
        "wood": {"name": wood, "density_g_cm3": round(grams, 3), "source": SOURCE},
        "map": {**scale_facts(relief), "deviation": relief.map_deviation.facts},
        "mesh": {
            "triangles": len(mesh.triangles),
            "vertices": len(mesh.vertices),
            "tolerance_mm": relief.tolerance,
            "deviation": relief.mesh_deviation.facts,
        },
        "deviation_about": "from the exact surface, measured in windows spread over the board; upright, and square to "
        "the surface",
        "findings": [
            {"kind": f.kind, "place": f.place, "value": f.value, "remedy": f.remedy, "at": list(f.at) if f.at else None}
            for f in panel.findings
        ],
        "cautions": list(CAUTIONS),
    }
