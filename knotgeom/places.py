"""Where the sites and strands of a design are, for a pointer: in plan, or in space on a curved surface.

Points are mm in layout coordinates. Grids are answered from their proportions, since they may be large and are drawn
on most; any other layout from its setting-out.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from .design import Border, Breaks, Cylinder, Design, FreeMesh, Grid, Layouts, Panel, Pass, Site, Strip, Way
from .layout import Layout, lay_out, pass_index
from .layout.cover import covers
from .layout.ring import rolled
from .mesh import Bools, Floats
from .resolve import is_square, resolved, square_border

Point = tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """A layout without breaks, as a pointer sees it.

    Attributes
    ----------
    layout : Layout
    edge : dict of Site to int
        The sites that strands can cross at, or a break stand; of a strip those of its first repeat.
    middle : (E, 3) float64
        mm, where they are seen: on a cylinder, bent round.
    heading : (E, 2, 3) float64
    """

    layout: Layout
    edge: dict[Site, int]
    middle: Floats
    heading: Floats


@functools.lru_cache(maxsize=8)
def frame(options: Layouts) -> Frame:
    """How a layout is seen."""
    whole = resolved(Design(options)).layout
    layout = lay_out(whole, Breaks())
    crossable = crossable_edges(layout)
    wide = 2 * options.columns if isinstance(options, Strip) else None
    edge = {
        Site(x, y): number
        for number, (x, y) in enumerate(layout.site.tolist())
        if crossable[number] and (wide is None or x < wide)
    }
    middle, heading = layout.middle, layout.heading
    if isinstance(options, Strip) and isinstance(options.surface, Cylinder):
        radius = layout.period / (2 * math.pi)
        step = 1e-4 * layout.period
        bent = rolled(middle, layout.period, radius)
        ahead = [rolled(middle + step * heading[:, k], layout.period, radius) - bent for k in (0, 1)]
        heading = np.stack(ahead, 1) / step
        middle = bent
    return Frame(layout, edge, middle, heading)


def crossable_edges(layout: Layout) -> Bools:
    """Edges of a layout without breaks where strands cross."""
    found: Bools = layout.state == 0
    return found


def about_how_many(options: Layouts) -> int:
    """About how many crossings a layout has, without setting out what is large."""
    grid = plain_grid(options)
    if grid is not None:
        return max(2 * grid.columns * grid.rows - grid.columns - grid.rows, 1)
    match options:
        case Strip():
            return 2 * options.columns * options.repeats * options.rows
        case FreeMesh():
            return sum(map(len, options.faces)) // 2
    return max(len(frame(options).edge), 1)


def plain_grid(options: Layouts) -> Grid | None:
    """The grid that a layout is, panels aside; None for any other."""
    if isinstance(options, Grid):
        return options
    return square_border(options) if isinstance(options, Border) and is_square(options) else None


def position(design: Design, site: Site) -> tuple[float, float]:
    """Where a site lies in plan, mm."""
    grid = plain_grid(design.layout)
    if grid is not None:
        return site.x * grid.cell_width / 2, site.y * grid.cell_height / 2
    x, y, _ = site_in_space(design, site)
    return x, y


def site_in_space(design: Design, site: Site) -> tuple[float, float, float]:
    """Where a site lies, mm."""
    seen = frame(design.layout)
    x, y, z = seen.middle[seen.edge[site]].tolist()
    return x, y, z


def has_cell(grid: Grid, column: int, row: int) -> bool:
    """Whether the layout has this cell."""
    return 0 <= column < grid.columns and 0 <= row < grid.rows and (column, row) not in grid.without


def is_crossable(options: Layouts, site: Site) -> bool:
    """Whether two strands can meet at ``site``: a cell on either side of it, or a boundary that strands cross."""
    grid = plain_grid(options)
    if grid is None:
        return site in frame(options).edge
    x, y = site
    if (x + y) % 2 == 0:
        return False
    beside = ((x // 2, y // 2 - 1), (x // 2, y // 2)) if x % 2 else ((x // 2 - 1, y // 2), (x // 2, y // 2))
    return all(has_cell(grid, *cell) for cell in beside)


def takes_break(options: Layouts, site: Site, along: bool) -> bool:
    """Whether a break can stand at ``site``; on a boundary only one along it."""
    if not is_crossable(options, site):
        return False
    if plain_grid(options) is not None or isinstance(options, Panel):
        return True
    seen = frame(options)
    return along or not bool(seen.layout.boundary[seen.edge[site]])


def sites(options: Layouts) -> Iterator[Site]:
    """Every site where strands can cross or a break can stand, row by row from the bottom."""
    grid = plain_grid(options)
    if grid is None:
        yield from sorted(frame(options).edge, key=lambda site: (site.y, site.x))
        return
    for y in range(1, 2 * grid.rows):
        for x in range(1 + y % 2, 2 * grid.columns, 2):
            if is_crossable(grid, Site(x, y)):
                yield Site(x, y)


def nearest_cell(design: Design, point: Point) -> tuple[int, int] | None:
    """The cell, there or left out, that holds ``point``; None off the grid, or on any other layout."""
    grid = design.layout
    if not isinstance(grid, Grid):
        return None
    column, row = math.floor(point[0] / grid.cell_width), math.floor(point[1] / grid.cell_height)
    return (column, row) if 0 <= column < grid.columns and 0 <= row < grid.rows else None


def nearest_site(design: Design, point: Point) -> Site | None:
    """The site nearest to ``point``; None where none lies within a cell's longer side of it."""
    near = list(_sites_about(design, point))
    if not near:
        return None
    return min(near, key=lambda pair: (pair[1], pair[0].y, pair[0].x))[0]


def is_over_layout(design: Design, point: Point) -> bool:
    """Whether ``point`` lies on a cell of the layout or within a quarter of a cell of one."""
    if not all(map(math.isfinite, point)):
        return False
    grid = plain_grid(design.layout)
    if grid is not None:
        x, y = point[0] / grid.cell_width, point[1] / grid.cell_height
        return any(
            has_cell(grid, math.floor(x + dx), math.floor(y + dy)) for dx in (-0.25, 0, 0.25) for dy in (-0.25, 0, 0.25)
        )
    seen = frame(design.layout)
    if len(point) > 2:
        away = np.linalg.norm(seen.middle - np.array(point), axis=1)
        return bool((away <= 1.25 * seen.layout.reach).any())
    whole = resolved(Design(design.layout)).layout
    reach = 0.35 * float(seen.layout.pitch.min())
    around = np.array(point) + reach * np.array([[0, 0], [-1, 0], [1, 0], [0, -1], [0, 1]])
    return bool(covers(whole, seen.layout, around).any())


def nearest_pass(
    design: Design, point: Point, among: frozenset[Pass] | None = None, heading: Way | None = None
) -> Pass | None:
    """The pass whose strand runs nearest to ``point``; None where no crossing lies that near.

    Each pass is taken as the straight piece from halfway to the site before to halfway to the site after, which is
    where its strand runs but for bends.

    Parameters
    ----------
    among : frozenset of Pass, optional
        The only passes that may be meant, such as those of one circuit.
    heading : Way, optional
        The way that a pointer moves: passes of the other way count as an eighth of a cell further off.
    """
    broken = {*design.breaks.horizontal, *design.breaks.vertical}
    edges = {*design.breaks.along, *design.breaks.across}
    best: tuple[float, int, int, str] | None = None
    found: Pass | None = None
    for site, _ in _sites_about(design, point):
        if site in broken or (edges and site.x in edges):
            continue
        for way in Way:
            if among is not None and Pass(*site, way) not in among:
                continue
            begin, end = _piece(design, site, way)
            away = _distance_to_piece(point, begin, end)
            if heading is not None and way is not heading:
                away += (abs(end[0] - begin[0]) + abs(end[1] - begin[1])) / 8
            rank = (round(away, 9), site.y, site.x, "0" if way is Way.RISING else "1")
            if best is None or rank < best:
                best, found = rank, Pass(site.x, site.y, way)
    return found


def _piece(design: Design, site: Site, way: Way) -> tuple[Point, Point]:
    """The straight piece of a pass, from halfway to the site before to halfway to the site after."""
    grid = plain_grid(design.layout)
    if grid is not None:
        at = position(design, site)
        arm_x, arm_y = grid.cell_width / 4, grid.cell_height / 4
        lift = arm_y if way is Way.RISING else -arm_y
        return (at[0] - arm_x, at[1] - lift), (at[0] + arm_x, at[1] + lift)
    seen = frame(design.layout)
    edge = seen.edge[site]
    arm = seen.heading[edge, pass_index(seen.layout, edge, way)] * seen.layout.reach[edge] / 2
    return tuple((seen.middle[edge] - arm).tolist()), tuple((seen.middle[edge] + arm).tolist())


def _sites_about(design: Design, point: Point) -> Iterator[tuple[Site, float]]:
    """Every site within a cell's longer side of ``point``, and how far it is."""
    if not all(map(math.isfinite, point)):
        return
    grid = plain_grid(design.layout)
    if grid is None:
        seen = frame(design.layout)
        size = len(point)
        numbers = np.array(list(seen.edge.values()), np.int64)
        away = np.linalg.norm(seen.middle[numbers, :size] - np.array(point), axis=1)
        near = away <= 2 * seen.layout.reach[numbers]
        names = list(seen.edge)
        yield from ((names[k], float(away[k])) for k in np.flatnonzero(near).tolist())
        return
    reach = max(grid.cell_width, grid.cell_height)
    half_x, half_y = grid.cell_width / 2, grid.cell_height / 2
    left, low = max(0.0, (point[0] - reach) / half_x), max(0.0, (point[1] - reach) / half_y)
    right = min(2.0 * grid.columns, (point[0] + reach) / half_x)
    high = min(2.0 * grid.rows, (point[1] + reach) / half_y)
    for x in range(math.ceil(left), math.floor(right) + 1):
        for y in range(math.ceil(low), math.floor(high) + 1):
            site = Site(x, y)
            if is_crossable(grid, site):
                away_from = math.dist(position(design, site), point[:2])
                if away_from <= reach:
                    yield site, away_from


def _distance_to_piece(point: Point, a: Point, b: Point) -> float:
    size = len(point)
    p, begin, end = point, a[:size], b[:size]
    run = [e - s for s, e in zip(begin, end)]
    along = sum((q - s) * r for q, s, r in zip(p, begin, run)) / max(sum(r * r for r in run), 1e-30)
    along = min(1.0, max(0.0, along))
    return math.dist(p, [s + along * r for s, r in zip(begin, run)])
