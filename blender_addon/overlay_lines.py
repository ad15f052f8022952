"""What the overlays show, as arrays: pieces of line and places in layout coordinates, mm. Nothing of Blender.

Lines come as arrays of pieces, so that any number of them is one batch to draw: (n, 2, 2) in the plane and (n, 2, 3)
on a curved surface, and places likewise.
"""

import functools
from dataclasses import dataclass, field

import numpy as np

from . import core, setting_out

D, editing = core.design, core.editing
Line = editing.Line

SHADES = (
    (0.00, 0.45, 0.70),
    (0.90, 0.62, 0.00),
    (0.80, 0.47, 0.65),
    (0.00, 0.62, 0.45),
    (0.34, 0.71, 0.91),
    (0.84, 0.37, 0.00),
    (0.94, 0.89, 0.26),
)
"""Shades that remain apart where red and green, or blue and yellow, look alike, after M. Okabe and K. Ito (2008)."""

DASHES = ((), (6.0, 3.0), (2.0, 2.0), (8.0, 2.0, 2.0, 2.0))
"""Lengths on and off, in tenths of a cell. Seven shades by four dashes: 28 circuits, none alike."""

RAMP = (
    (0.13, 0.16, 0.42),
    (0.21, 0.36, 0.55),
    (0.28, 0.53, 0.56),
    (0.45, 0.69, 0.47),
    (0.76, 0.81, 0.36),
    (0.98, 0.93, 0.55),
)
"""Low to high, each lighter than the one before."""

NO_LINES = np.zeros((0, 2, 2))


@dataclass(frozen=True, eq=False)
class Plan:
    """Where the strands of a design run.

    Attributes
    ----------
    circuits : tuple of (n, 2) or (n, 3) float64
        Centre lines, closed: the first point follows the last, but for the lap.
    pieces : dict of Pass to (m, 2) or (m, 3) float64
        The strand through each crossing, from halfway before to halfway after.
    circuit_of : dict of Pass to int
    between : dict of frozenset of Site to list of tuple
        The middles of the runs between two crossings.
    forks : (F, 2) or (F, 3) float64
    laps : tuple of float
        How much further in x each circuit of a flat strip ends than it began, mm.
    period : float
        Length of a flat strip, after which x comes round; 0 elsewhere.
    """

    circuits: tuple
    pieces: dict = field(repr=False)
    circuit_of: dict = field(repr=False)
    between: dict = field(repr=False)
    forks: np.ndarray
    laps: tuple = ()
    period: float = 0.0

    def outline(self, number, dash=(), unit=1.0):
        """A circuit as pieces of line, dashed if wished."""
        points = self.circuits[number]
        if not self.period:
            return dashed(points, dash, unit)
        ahead = points[:1] + [self.laps[number], 0.0]
        return self.laid(dashed(np.concatenate([points, ahead]), dash, unit, closed=False))

    def laid(self, pieces):
        """Pieces of line of a flat strip brought back on to it from further rounds."""
        if not self.period:
            return pieces
        pieces = pieces.copy()
        pieces[..., 0] -= self.period * np.floor(pieces[..., 0].mean(1) / self.period)[:, None]
        return pieces


@functools.lru_cache(maxsize=6)
def plan(design):
    """The :class:`Plan` of a design, without its heights.

    Raises
    ------
    DesignError
        If the design is impossible.
    """
    core.reading.check(design)
    options = design.layout
    dims = 2 if setting_out.is_plane(options) else 3
    design = core.resolve.resolved(design)
    size = core.sizing.sizes(design)
    layout = core.layout.lay_out(design.layout, design.breaks)
    circuits = core.trace.trace(layout)
    spacing = layout.step / 12
    own = core.styles.own_sizes(design, layout, circuits)
    courses = core.course.plan_courses(design, layout, circuits, size, spacing, own)
    strands = core.divide.divide_strands(layout, circuits, design.divide)
    forks = np.zeros((0, dims))
    in_space = setting_out.bent(options, courses.point)[:, :dims]
    flat = courses.period if dims == 2 else 0.0
    if strands.forks:
        forks = in_space[core.lanes.lay_lanes(circuits, strands, courses, size, own).fork_sample]
        if flat:
            forks = forks % [flat, np.inf]
    lines, pieces, circuit_of, between = [], {}, {}, {}
    for number in range(circuits.count):
        first, last = courses.start[number : number + 2]
        point, along = in_space[first:last], courses.along[first:last]
        lap = float(courses.lap[number]) if flat else 0.0
        lines.append(point)
        visits = slice(*circuits.visit_start[number : number + 2])
        passes = [
            core.layout.pass_of(layout, edge, index)
            for edge, index in zip(
                circuits.visit_edge[visits].tolist(), circuits.visit_pass[visits].tolist(), strict=True
            )
        ]
        at, length = courses.visit_along[visits], float(courses.length[number])
        for k, here in enumerate(passes):
            before, after = at[k - 1], at[(k + 1) % len(at)]
            start = at[k] - _ahead(before, at[k], length) / 2
            end = at[k] + _ahead(at[k], after, length) / 2
            pieces[here] = _stretch(point, along, length, start, end, lap)
            circuit_of[here] = number
            middle = _stretch(point, along, length, start, start + 1e-9, lap)[0]
            if flat:
                middle[0] %= flat
            between.setdefault(frozenset({passes[k - 1].site, here.site}), []).append(tuple(middle))
    laps = tuple(courses.lap.tolist()) if flat else ()
    return Plan(tuple(lines), pieces, circuit_of, between, forks, laps, flat)


def _ahead(a, b, length):
    """How far it is from ``a`` on to ``b`` along a closed line."""
    return (b - a) % length or length


def _stretch(point, along, length, start, end, lap=0.0):
    """The points of a closed line from ``start`` to ``end`` along it; each round lies ``lap`` further in x."""
    s = np.concatenate([along - length, along, along + length, [2 * length]])
    inside = np.flatnonzero((s > start + 1e-9) & (s < end - 1e-9))
    wanted = np.concatenate([[start], s[inside], [end]])
    ahead = np.zeros(point.shape[1])
    ahead[0] = lap
    rounds = np.concatenate([point - ahead, point, point + ahead, point[:1] + 2 * ahead])
    return np.column_stack([np.interp(wanted, s, column) for column in rounds.T])


def chain(points, closed=False):
    """A line through points as its pieces."""
    following = np.roll(points, -1, axis=0)
    pieces = np.stack([points, following], 1)
    return pieces if closed else pieces[:-1]


def dashed(points, dash, unit, closed=True):
    """A line through points, dashed.

    Parameters
    ----------
    dash : sequence of float
        Lengths on and off in turn, in tenths of ``unit``; none for a line without gaps. On closed lines they are
        stretched to fit a whole number of times.
    """
    pieces = chain(points, closed)
    if not dash:
        return pieces
    run = np.linalg.norm(pieces[:, 1] - pieces[:, 0], axis=1)
    s = np.concatenate([[0.0], np.cumsum(run)])
    corner = np.concatenate([pieces[:, 0], pieces[-1:, 1]])
    period = sum(dash) * unit / 10
    count = max(1, round(s[-1] / period))
    marks = np.cumsum(np.tile(dash, count)) / (sum(dash) * count) * s[-1]
    cuts = np.unique(np.concatenate([s, marks[:-1]]))
    middle = (cuts[1:] + cuts[:-1]) / 2
    on = np.searchsorted(marks, middle) % 2 == 0
    place = np.column_stack([np.interp(cuts, s, column) for column in corner.T])
    return chain(place)[on]


def cell_marks(design, cells, part=0.84):
    """The outline of each cell, ``part`` of its size."""
    grid = design.layout
    unit = np.array([grid.cell_width, grid.cell_height])
    middle = (np.reshape(np.asarray(cells, float), (-1, 1, 1, 2)) + 0.5) * unit
    square = chain(part / 2 * unit * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]), closed=True)
    return (middle + square).reshape(-1, 2, 2)


def wish_marks(design, unmet=()):
    """A pair of short rails beside each strand that is wished over, like those of a bridge.

    Parameters
    ----------
    unmet : sequence of Pass
        Wishes that the weave could not keep.

    Returns
    -------
    tuple of (n, 2, 2) arrays
        Rails of the wishes kept, and dashed ones of the others.
    """
    drawn, cell = plan(design), setting_out.unit(design)
    apart, reach = 0.62 * core.sizing.sizes(design).width, 0.3 * cell
    kept, dropped = [], []
    for wish in design.weave.prefer:
        if wish not in drawn.pieces:
            continue
        line = drawn.pieces[wish]
        nearest = np.linalg.norm(line - np.array(setting_out.place(design, wish.site)), axis=1).argmin()
        way = line[min(nearest + 1, len(line) - 1)] - line[max(nearest - 1, 0)]
        way = way / max(float(np.linalg.norm(way)), 1e-12)
        left = np.array([-way[1], way[0]]) if len(way) == 2 else np.cross(_up(design, wish.site), way)
        for side in (-apart, apart):
            middle = line[nearest] + side * left
            rail = np.array([middle - reach * way, middle + reach * way])
            if wish in unmet:
                dropped.append(dashed(rail, (0.8, 0.8), cell, closed=False))
            else:
                kept.append(chain(rail))
    return tuple(drawn.laid(np.concatenate(each)) if each else NO_LINES for each in (kept, dropped))


def _up(design, site):
    found = setting_out.seen(design.layout)
    return found.up[found.edges[site][0]]


_BEND = np.linspace(0.0, 1.0, 7)
"""Where along an edge its line is drawn through: the curve through its ends and its middle."""


def edge_curves(design, edges, share=1.0):
    """The lines of edges, bent as they lie: (n, 7, 2) or (n, 7, 3); ``share`` of each about its middle."""
    options = design.layout
    found = setting_out.seen(options)
    layout = found.frame.layout
    edges = np.asarray(edges, int)
    a, b, m = layout.points[layout.origin[2 * edges]], layout.points[layout.origin[2 * edges + 1]], layout.middle[edges]
    if layout.period:
        a, b = (m + _the_short_way(end - m, layout.period) for end in (a, b))
    if layout.surface is not None and len(edges):
        a, b = layout.surface.project(a)[0], layout.surface.project(b)[0]
    t = (0.5 + share * (_BEND - 0.5))[:, None]
    curve = (
        a[:, None] * (1 - t) * (1 - 2 * t) + 4 * m[:, None] * t * (1 - t) + b[:, None] * t * (2 * t - 1)
    )  # the parabola through the three
    if setting_out.wound(options) is not None:
        curve = setting_out.bent(options, curve.reshape(-1, 3)).reshape(curve.shape)
    return curve[..., :2] if found.plane else curve


def _the_short_way(vectors, period):
    vectors = vectors.copy()
    vectors[:, 0] -= period * np.round(vectors[:, 0] / period)
    return vectors


def _curves_as_pieces(curves):
    dims = curves.shape[-1]
    return np.stack([curves[:, :-1], curves[:, 1:]], 2).reshape(-1, 2, dims)


def layout_lines(design):
    """The lines of the layout: the border of its cells, and the lines within."""
    grid = core.places.plain_grid(design.layout)
    if grid is None:
        boundary = setting_out.seen(design.layout).frame.layout.boundary
        return tuple(_curves_as_pieces(edge_curves(design, np.flatnonzero(on))) for on in (boundary, ~boundary))
    cells = np.argwhere(core.grid_layout.present_cells(grid))
    if not len(cells):
        return NO_LINES, NO_LINES
    unit = np.array([grid.cell_width, grid.cell_height])
    corner = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    edges = np.concatenate([np.stack([cells + corner[k], cells + corner[(k + 1) % 4]], 1) for k in range(4)])
    edges = np.sort(edges.reshape(-1, 2, 2), axis=1)
    edges, times = np.unique(edges.reshape(-1, 4), axis=0, return_counts=True)
    edges = edges.reshape(-1, 2, 2) * unit
    return edges[times == 1], edges[times > 1]


def site_marks(design, part=0.07):
    """A small upright cross at every site without a break, its arms ``part`` of a cell."""
    grid = core.places.plain_grid(design.layout)
    free = [site for site in editing.sites(design.layout) if editing.break_at(design, site) is None]
    if grid is None:
        found = setting_out.seen(design.layout)
        edges = [edge for site in free for edge in found.edges[site]]
        arms = part * setting_out.unit(design) * np.stack([found.forth[edges], found.across[edges]], 1)
        middle = found.middle[edges][:, None]
        crosses = np.stack([middle - arms, middle + arms], 2).reshape(-1, 2, 3)
        return crosses[..., :2] if found.plane else crosses
    at = np.array([editing.position(design, site) for site in free]).reshape(-1, 1, 1, 2)
    arm = part * min(grid.cell_width, grid.cell_height)
    cross = arm * np.array([[[-1.0, 0.0], [1.0, 0.0]], [[0.0, -1.0], [0.0, 1.0]]])
    return (at + cross).reshape(-1, 2, 2)


def walls(design, lines, part=0.72):
    """Breaks as their short walls, ``part`` of a cell long.

    Parameters
    ----------
    lines : mapping of Site to Line or None
        None leaves a wall out.
    """
    grid = core.places.plain_grid(design.layout)
    if grid is None:
        return _walls_on_edges(design, lines, part)
    reach = {
        Line.HORIZONTAL: (part * grid.cell_width / 2, 0.0),
        Line.VERTICAL: (0.0, part * grid.cell_height / 2),
    }
    found = []
    for site, line in lines.items():
        if line is not None:
            (x, y), (dx, dy) = editing.position(design, site), reach[line]
            found.append(((x - dx, y - dy), (x + dx, y + dy)))
    return np.array(found).reshape(-1, 2, 2)


def _walls_on_edges(design, lines, part):
    """Walls of any layout: along an edge they follow it, across it they reach towards the middles of the faces."""
    found = setting_out.seen(design.layout)
    along, across = [], []
    for site, line in lines.items():
        if line is not None and site in found.edges:
            (along if setting_out.runs_along(site, line) else across).extend(found.edges[site])
    middle = found.middle[across]
    reach = part * found.frame.layout.reach[across][:, None] / np.sqrt(2.0) * found.across[across]
    straight = np.stack([middle - reach, middle + reach], 1)
    straight = straight[..., :2] if found.plane else straight
    return np.concatenate([_curves_as_pieces(edge_curves(design, along, part)), straight])


def breaks_of(design):
    """Every break of a design and which way it runs."""
    breaks = design.breaks
    return {
        **dict.fromkeys(breaks.horizontal, Line.HORIZONTAL),
        **dict.fromkeys(breaks.vertical, Line.VERTICAL),
        **{D.Site(edge, D.FREE): Line.ALONG for edge in breaks.along},
        **{D.Site(edge, D.FREE): Line.ACROSS for edge in breaks.across},
    }


def look_of(number):
    """Shade and dash of a circuit by its number."""
    return SHADES[number % len(SHADES)], DASHES[number % len(DASHES)]


def circuit_lines(design):
    """Every circuit's number, pieces of line, shade, and a place for its label."""
    found = []
    drawn, unit = plan(design), setting_out.unit(design)
    for number, points in enumerate(drawn.circuits):
        shade, dash = look_of(number)
        found.append((number + 1, drawn.outline(number, dash, unit), shade, tuple(points[0])))
    return found


def polygon_marks(places, radius, corners, turn=0.0, design=None):
    """A regular polygon round each place: 3 corners for forks, 4 for exceptions, many for a ring.

    Places in space lie on the layout of ``design``, and so do their polygons.
    """
    places = np.asarray(places, float)
    dims = places.shape[-1] if places.ndim == 2 and len(places) else 2
    places = np.reshape(places, (-1, 1, 1, dims))
    angle = turn + np.arange(corners) * 2 * np.pi / corners
    shape = chain(radius * np.column_stack([np.cos(angle), np.sin(angle)]), closed=True)
    if dims == 3:
        found = setting_out.seen(design.layout)
        edge = np.linalg.norm(found.middle - places.reshape(-1, 1, 3), axis=2).argmin(1)
        axes = np.stack([found.forth[edge], found.across[edge]], 1)
        return (places + np.einsum("kab,nbd->nkad", shape, axes)).reshape(-1, 2, 3)
    return (places + shape).reshape(-1, 2, 2)


def exception_places(design, facts):
    """Where over and under do not alternate, from the facts of the design as made: (n, 2) or (n, 3)."""
    drawn = plan(design)
    found, used = [], {}
    for entry in [*(facts.get("exception_places") or ()), *(facts.get("fork_exception_places") or ())]:
        sites = [D.Site(*site) for site in entry["sites"]]
        here = np.mean([setting_out.place(design, site) for site in sites], axis=0)
        runs = drawn.between.get(frozenset(sites), ()) if len(sites) == 2 else ()
        if runs:
            turn = used.get(frozenset(sites), 0)
            used[frozenset(sites)] = turn + 1
            here = runs[turn % len(runs)]
        elif len(drawn.forks):
            fork = drawn.forks[np.linalg.norm(drawn.forks - here, axis=1).argmin()]
            here = (fork + here) / 2
        found.append(here)
    return np.reshape(np.asarray(found, float), (-1, drawn.forks.shape[1]))


def finding_places(findings, design=None):
    """The findings that have a place: kinds and places, on the surface of ``design`` if it has one."""
    placed = [(finding["kind"], tuple(finding["at"])) for finding in findings if finding.get("at")]
    kinds = [kind for kind, _ in placed]
    if design is None or setting_out.is_plane(design.layout):
        return kinds, np.reshape([at[:2] for _, at in placed], (-1, 2))
    radius = setting_out.wound(design.layout)
    places = [at if len(at) == 3 or radius is None else setting_out.bent(design.layout, [at])[0] for _, at in placed]
    places = [tuple(at) if len(at) == 3 else (*at, 0.0) for at in places]
    return kinds, np.reshape(places, (-1, 3))


def height_colours(z, bands=10):
    """A colour for each height, in even bands from the lowest to the highest.

    Returns
    -------
    tuple of ((n, 4) float32, float, float)
        Colours, and the least and greatest height.
    """
    z = np.asarray(z, float)
    if not len(z):
        return np.zeros((0, 4), np.float32), 0.0, 0.0
    low, high = float(z.min()), float(z.max())
    share = (z - low) / (high - low) if high > low else np.zeros(len(z))
    share = np.minimum(np.floor(share * bands), bands - 1) / (bands - 1)
    ramp = np.array(RAMP)
    at = np.linspace(0.0, 1.0, len(ramp))
    colours = np.ones((len(z), 4), np.float32)
    for channel in range(3):
        colours[:, channel] = np.interp(share, at, ramp[:, channel])
    return colours, low, high
