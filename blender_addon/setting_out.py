"""Layouts of every kind as the add-on needs them: how large, where in space, and one turned into another.

Nothing of Blender. Lengths are mm in layout coordinates.
"""

import functools
import math
from dataclasses import dataclass, replace

import numpy as np

from . import core

D = core.design
Line = core.editing.Line

KINDS = {
    "GRID": D.Grid,
    "RING": D.Ring,
    "STRIP": D.Strip,
    "BORDER": D.Border,
    "MESH": D.FreeMesh,
}
"""Kinds of layout that the sidebar sets; panels come in as the grids that they make."""


def kind_of(layout):
    """The key of KINDS that a layout has; a panel counts as the grid that it makes."""
    return next((key for key, kind in KINDS.items() if isinstance(layout, kind)), "GRID")


# --- how it lies in space --------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Seen:
    """A layout without breaks as it lies in space, a strip on a cylinder bent round.

    Attributes
    ----------
    frame : places.Frame
    edges : dict of Site to list of int
        Every edge that a site stands for: on a strip one for each repeat.
    middle, up, forth, across : (E, 3) float64
        Where each edge's strands cross, the surface's normal, and unit directions along the edge and across it.
    plane : bool
        Whether all of it lies in the plane z = 0.
    """

    frame: object
    edges: dict
    middle: np.ndarray
    up: np.ndarray
    forth: np.ndarray
    across: np.ndarray
    plane: bool


def wound(layout):
    """Radius of the cylinder that a strip is bent round, None for any other layout."""
    if isinstance(layout, D.Strip) and isinstance(layout.surface, D.Cylinder):
        return layout.columns * layout.repeats * layout.cell_width / (2 * math.pi)
    return None


def bent(layout, points):
    """Points as they were set out, (n, 2) or (n, 3), where they lie in space: (n, 3)."""
    points = np.asarray(points, float)
    if points.shape[1] == 2:
        points = np.column_stack([points, np.zeros(len(points))])
    radius = wound(layout)
    return points if radius is None else core.ring_layout.rolled(points, 2 * math.pi * radius, radius)


@functools.lru_cache(maxsize=8)
def seen(options):
    """The :class:`Seen` of a layout."""
    frame = core.places.frame(options)
    layout = frame.layout
    numbers = core.layout.edge_of_site(layout)
    wide = 2 * options.columns if isinstance(options, D.Strip) else 0
    repeats = options.repeats if isinstance(options, D.Strip) else 1
    edges = {site: [numbers[site.x + k * wide, site.y] for k in range(repeats)] for site in frame.edge}
    middle, up, forth = frame.middle, layout.up, layout.forth
    radius = wound(options)
    if radius is not None:
        up = middle * np.array([1.0, 0.0, 1.0]) / radius
        step = 1e-4 * radius
        ahead = bent(options, layout.middle + step * layout.forth) - middle
        forth = ahead / np.linalg.norm(ahead, axis=1)[:, None]
    return Seen(frame, edges, middle, up, forth, np.cross(up, forth), radius is None and layout.surface is None)


def is_plane(options):
    """Whether a layout lies in the plane z = 0, without setting out what is large."""
    if core.places.plain_grid(options) is not None or isinstance(options, D.Panel):
        return True
    return seen(options).plane


def place(design, site):
    """Where a site lies: two numbers in the plane, three on a curved surface.

    The site may lie in any repeat of a strip. One that the layout has no more is taken to lie in its middle.
    """
    options = design.layout
    grid = core.places.plain_grid(options)
    if grid is not None:
        return site.x * grid.cell_width / 2, site.y * grid.cell_height / 2
    found, turn = seen(options), 0
    if isinstance(options, D.Strip):
        turn, x = divmod(site.x, 2 * options.columns)
        site = D.Site(x, site.y)
    edges = found.edges.get(site)
    dims = 2 if found.plane else 3
    if edges is None or turn >= len(edges):
        return tuple((sum(bounds(design)) / 2)[:dims].tolist())
    return tuple(found.middle[edges[turn], :dims].tolist())


# --- how large -------------------------------------------------------------------------------------------------------


def cell(design):
    """The smaller side of a cell, mm."""
    return core.sizing.cell_and_pitch(design.layout)[0]


def unit(design):
    """A length by which marks are drawn: on grids the smaller side of a cell, elsewhere that of an ordinary one."""
    if core.places.plain_grid(design.layout) is not None:
        return cell(design)
    return math.sqrt(2.0) * core.places.frame(design.layout).layout.step


def bounds(design):
    """The corners of the box about a layout: two (3,) arrays."""
    options = design.layout
    grid = core.places.plain_grid(options)
    if grid is not None:
        return np.zeros(3), np.array([grid.columns * grid.cell_width, grid.rows * grid.cell_height, 0.0])
    if isinstance(options, D.Strip) and options.surface is None:
        long = options.columns * options.repeats * options.cell_width
        return np.zeros(3), np.array([long, options.rows * options.cell_height, 0.0])
    found = seen(options)
    points = found.frame.layout.points
    if found.frame.layout.surface is not None:
        points = found.frame.layout.surface.project(points)[0]
    points = np.concatenate([bent(options, points), found.middle])
    return points.min(0), points.max(0)


def size_words(design, depth=None):
    """Outer measures such as "30 x 20 mm"; ``depth`` is that of the strands in a plane."""
    low, high = bounds(design)
    across = (high - low).tolist()
    parts = [f"{part:.4g}" for part in (across[:2] if is_plane(design.layout) else across)]
    if depth is not None and len(parts) == 2:
        parts.append(f"{depth:.3g}")
    return " x ".join(parts) + " mm"


# --- breaks ----------------------------------------------------------------------------------------------------------


def runs_along(site, line):
    """Whether a break's wall runs along its edge."""
    if site.y == D.FREE:
        return line in (Line.ALONG, Line.HORIZONTAL)
    return (line is Line.HORIZONTAL) == (site.x % 2 == 1)


def line_at(site, along):
    """The break at a site whose wall runs along its edge, or across it."""
    if site.y == D.FREE:
        return Line.ALONG if along else Line.ACROSS
    return Line.HORIZONTAL if (site.x % 2 == 1) is along else Line.VERTICAL


def line_named(site, line):
    """A break asked for as horizontal or vertical, as its layout has it: on a free mesh along or across the edge."""
    if site.y != D.FREE or line is None:
        return line
    return {Line.HORIZONTAL: Line.ALONG, Line.VERTICAL: Line.ACROSS}.get(line, line)


def other_line(line):
    """The break at right angles."""
    return {
        Line.HORIZONTAL: Line.VERTICAL,
        Line.VERTICAL: Line.HORIZONTAL,
        Line.ALONG: Line.ACROSS,
        Line.ACROSS: Line.ALONG,
    }[line]


def lines_for(design, site):
    """The breaks that can stand at a site, in the order in which clicks go through them."""
    free = site.y == D.FREE
    both = (Line.ALONG, Line.ACROSS) if free else (Line.HORIZONTAL, Line.VERTICAL)
    level = (Line.HORIZONTAL, Line.ALONG)
    return [line for line in both if core.places.takes_break(design.layout, site, line in level)]


# --- from one kind to another ----------------------------------------------------------------------------------------


def counts(layout):
    """About how many cells a layout has one way and the other, and their width and height."""
    match layout:
        case D.Grid() | D.Strip():
            return layout.columns, layout.rows, layout.cell_width, layout.cell_height
        case D.Ring():
            deep = (layout.outer - layout.inner) / layout.rows
            wide = math.pi * (layout.outer + layout.inner) / layout.sectors
            return layout.sectors, layout.rows, wide, deep
        case D.Border():
            return *layout.inside, layout.cell, layout.cell
    side = math.sqrt(2.0) * core.places.frame(layout).layout.step
    return 6, 4, side, side


def _short(value):
    return float(f"{value:.3g}")


def honeycomb(side):
    """Seven regular hexagons, one about the other, as a free mesh to begin with; ``side`` in mm."""
    turns = [(k + 0.5) * math.pi / 3 for k in range(6)]
    far = math.sqrt(3.0)
    middles = [(0.0, 0.0), *((far * math.cos(turn), far * math.sin(turn)) for turn in turns)]
    number, faces = {}, []
    for x, y in middles:
        face = []
        for k in range(6):
            corner = round(x + math.cos(k * math.pi / 3), 6), round(y + math.sin(k * math.pi / 3), 6)
            face.append(number.setdefault(corner, len(number)))
        faces.append(tuple(face))
    points = tuple((_short(side * x), _short(side * y), 0.0) for x, y in number)
    return D.FreeMesh(points, tuple(faces))


def converted(layout, kind):
    """A layout of another kind with cells about as large, and as many of them as suits it."""
    if kind_of(layout) == kind and not isinstance(layout, D.Panel):
        return layout
    if isinstance(layout, D.Panel):
        layout = core.resolve.grid_of(layout)
        if kind == "GRID":
            return layout
    columns, rows, wide, high = counts(layout)
    wide, high = _short(wide), _short(high)
    if kind == "GRID":
        return D.Grid(columns, rows, wide, high)
    if kind == "STRIP":
        return D.Strip(columns, rows, wide, high, repeats=3)
    if kind == "BORDER":
        return D.Border((max(columns, 2), max(rows, 2)), 2, _short(min(wide, high)))
    if kind == "RING":
        deep = min(rows, 2)
        # cells at the inner edge keep three quarters of their width, so that the strand still fits
        sectors = max(columns, 8, math.ceil(4 * math.pi * high * deep / wide))
        middle = sectors * wide / (2 * math.pi)
        return D.Ring(sectors, deep, _short(middle - deep * high / 2), _short(middle + deep * high / 2))
    return honeycomb(_short(min(wide, high)))


def moved_over(design, mesh):
    """A design on a free mesh taken over to a changed one: edges are known again by where their middles lie.

    Returns
    -------
    Changed
    """
    before = design.layout
    same = isinstance(before, D.FreeMesh) and before.faces == mesh.faces
    if same or not isinstance(before, D.FreeMesh):
        return core.editing.set_layout(design, mesh)
    there = {}
    for (a, b), number in core.free_layout.edges_of(mesh).items():
        there.setdefault(_middle(mesh, a, b), number)
    goes = {
        number: there[_middle(before, a, b)]
        for (a, b), number in core.free_layout.edges_of(before).items()
        if _middle(before, a, b) in there
    }
    gone = []

    def passes(key, entries):
        kept = [replace_pass(at, goes) for at in entries]
        gone.extend(f"{key} [{at.x}, {int(at.way is D.Way.RISING)}]" for at, new in zip(entries, kept) if new is None)
        return tuple(new for new in kept if new is not None)

    divide, strand = design.divide, design.strand
    kept_styles = [style for style in strand.circuits if style.through.x in goes]
    styles = tuple(replace(style, through=replace_pass(style.through, goes)) for style in kept_styles)
    carried = replace(
        design,
        layout=mesh,
        breaks=D.Breaks(
            along=tuple(goes[edge] for edge in design.breaks.along if edge in goes),
            across=tuple(goes[edge] for edge in design.breaks.across if edge in goes),
        ),
        divide=replace(
            divide, circuits=passes("divide.circuits", divide.circuits), passes=passes("divide.passes", divide.passes)
        ),
        weave=replace(design.weave, prefer=passes("weave.prefer", design.weave.prefer)),
        strand=replace(strand, circuits=styles),
    )
    changed = core.editing.set_layout(carried, mesh)
    return core.editing.Changed(changed.design, (*gone, *changed.dropped))


def replace_pass(at, goes):
    """A pass of a free mesh on its edge's new number; None where the edge is gone."""
    return D.Pass(goes[at.x], at.y, at.way) if at.x in goes else None


def _middle(mesh, a, b):
    p, q = mesh.vertices[a], mesh.vertices[b]
    return tuple(round((u + v) / 2, 4) for u, v in zip(p, q, strict=True))
