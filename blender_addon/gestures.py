"""What strokes of the pointer mean. A :class:`Stroke` knows the design and the pointer, and nothing of Blender.

A stroke begins where the pointer is pressed, follows it, and says at any time what it would do; nothing is done to a
design before :meth:`Stroke.result` is asked. So a stroke that is given up leaves nothing to put back.
"""

import enum
import math
from dataclasses import dataclass

from . import core, setting_out

editing, symmetry = core.editing, core.symmetry
Line, Site, Way = editing.Line, core.design.Site, core.design.Way

FREE = 0.8
"""How far the pointer must go before a press becomes a drag, in half cells."""


class Job(enum.Enum):
    """What a stroke works on."""

    BREAK = "break"
    DIVIDE = "divide"
    CIRCUIT = "circuit"
    OVER = "over"
    COLOUR = "colour"
    WIDTH = "width"
    CELL = "cell"


WHOLE = {Job.CIRCUIT, Job.COLOUR, Job.WIDTH}
"""Jobs that work on whole circuits."""


@dataclass(frozen=True)
class Manner:
    """How strokes work: which way breaks run (None: as drawn), what repeats where, what circuits are given."""

    line: Line | None = None
    symmetries: frozenset = frozenset()
    colour: str = "#803010"
    width: float = 1.0
    order: int = 2  # how many times round, where the symmetries say round


def order_for(layout, order):
    """How many times round a layout a stroke is repeated where ``order`` is wished for.

    The nearest that the layout allows, the lower of two; None where it does not go round.
    """
    return min(symmetry.orders(layout), key=lambda each: (abs(each - order), each), default=None)


class Stroke:
    """One stroke, from press to release.

    Parameters
    ----------
    design : Design
        The design at the press.
    job : Job
    point : tuple of float
        Where the pointer was pressed, mm: in plan, or in space on a curved layout.
    other : bool
        Whether the other variant is asked for: breaks across the stroke, a click cycling the other way, a colour
        taken off.
    manner : Manner

    Attributes
    ----------
    lines : dict of Site to Line or None
        Breaks that the stroke would set or clear, images included.
    passes : tuple of Pass
        Passes that it would change, images included.
    cells : tuple of (column, row)
        Cells that it would leave out or put back, images included.
    """

    def __init__(self, design, job, point, other=False, manner=Manner()):  # noqa: B008 - it is frozen
        self.design, self.job, self.other, self.manner = design, job, other, manner
        self.grid = core.places.plain_grid(design.layout)
        self.motions = symmetry.motions(design.layout, manner.symmetries, order_for(design.layout, manner.order))
        self.start = self.last = point
        self.lines, self.passes, self.cells = {}, (), ()
        self._path = []  # points of the wall drawn, in half cells
        self._walls = {}  # on layouts without half cells: the walls drawn
        self._own = []  # passes or cells under the pointer so far
        self.site = self.at = self.cell = None
        if not all(map(math.isfinite, point)):
            return
        if job is Job.CELL:
            self.cell = editing.nearest_cell(design, point)  # where a cell is left out too: it can be put back
            if self.cell is not None:
                self.clears = self.cell in design.layout.without
                self._own = [self.cell]
                self._show_cells()
            return
        if not editing.is_over_layout(design, point):
            return
        if job is Job.BREAK:
            self.site = editing.nearest_site(design, point)
            if self.site is not None:
                self.clears = editing.break_at(design, self.site) is not None
                self._show_lines()
            return
        self.at = editing.nearest_pass(design, point)
        if self.at is not None:
            self.circuit = editing.same_circuit(design, self.at)
            self._own = [self.at]
            self._show_passes()

    @property
    def begun(self):
        """Whether anything lay under the press."""
        return any(under is not None for under in (self.site, self.at, self.cell))

    @property
    def dragged(self):
        """Whether the pointer has gone far enough to be drawing a run."""
        return bool(self._path) or bool(self._walls) or len(self._own) > 1

    def move(self, point):
        """Follow the pointer. Gives whether the stroke would now do something else than before."""
        if not self.begun or not all(map(math.isfinite, point)):
            return False
        before = dict(self.lines), self.passes, self.cells
        unit = setting_out.unit(self.design) / 4
        low, high = (corner.tolist() for corner in setting_out.bounds(self.design))
        far = 2.0 * max(b - a for a, b in zip(low, high, strict=True))
        point = tuple(min(max(value, a - far), a + 2 * far) for value, a in zip(point, low, strict=False))
        steps = max(1, math.ceil(math.dist(self.last, point) / unit))
        start = self.last
        for step in range(1, steps + 1):
            share = step / steps
            here = tuple(a + (b - a) * share for a, b in zip(start, point, strict=True))
            if self.job is Job.BREAK:
                (self._set_walls if self.grid is None else self._draw_wall)(here)
            elif self.job is Job.DIVIDE:
                self._run_along(here)
            elif self.job is Job.CELL:
                self._run_over(here)
            self.last = here
        if self.job is Job.BREAK:
            self._show_lines()
        elif self.job is Job.CELL:
            self._show_cells()
        else:
            self._show_passes()
        return before != (self.lines, self.passes, self.cells)

    # --- breaks ------------------------------------------------------------------------------------------------------

    def _half_cells(self, point):
        return 2 * point[0] / self.grid.cell_width, 2 * point[1] / self.grid.cell_height

    def _draw_wall(self, point):
        """Walls run from corner to corner of the cells, or from middle to middle; the first site says which."""
        x, y = self._half_cells(point)
        if not self._path:
            x0, y0 = self._half_cells(self.start)
            gone = (x - x0, y - y0)
            axis = int(abs(gone[1]) > abs(gone[0]))
            if abs(gone[axis]) < FREE:
                return
            towards = 1 if gone[axis] > 0 else -1
            ends = [list(self.site), list(self.site)]
            ends[0][axis] -= towards
            ends[1][axis] += towards
            self._path = [tuple(end) for end in ends]
        at = self._path[-1]
        gap = (x - at[0], y - at[1])
        axis = int(abs(gap[1]) > abs(gap[0]))
        if abs(gap[axis]) <= 1.0 + 1e-9:
            return
        step = list(at)
        step[axis] += 2 if gap[axis] > 0 else -2
        if len(self._path) > 2 and tuple(step) == self._path[-2]:
            self._path.pop()  # going back over the wall takes it away again
        else:
            self._path.append(tuple(step))

    def _set_walls(self, point):
        """Walls at the sites that the pointer comes near to, along their edges or across, as it goes."""
        unit = setting_out.unit(self.design)
        if not self._walls:
            if math.dist(point, self.start) < FREE * unit / 2:
                return
            self._walls[self.site] = self._line_along(self.site, self.start, point)
        site = editing.nearest_site(self.design, point)
        if site is None or site in self._walls:
            return
        found = setting_out.seen(self.design.layout)
        near = min(math.dist(point, found.middle[edge, : len(point)]) for edge in found.edges[site])
        if near < _NEAR * found.frame.layout.reach[found.edges[site][0]]:
            self._walls[site] = self._line_along(site, self.last, point)

    def _line_along(self, site, before, after):
        """The break at a site whose wall runs as the pointer went."""
        found = setting_out.seen(self.design.layout)
        edges = found.edges[site]
        edge = min(edges, key=lambda each: math.dist(after, found.middle[each, : len(after)]))
        gone = [b - a for a, b in zip(before, after, strict=True)]
        along, across = (
            abs(sum(part * axis for part, axis in zip(gone, axes[edge], strict=False)))
            for axes in (found.forth, found.across)
        )
        return setting_out.line_at(site, bool(along >= across))

    def _show_lines(self):
        drawn = {}
        if not self.dragged:
            drawn[self.site] = self._next_line()
        for site, along in self._walls.items():
            line = setting_out.line_named(site, self.manner.line)
            line = line or (setting_out.other_line(along) if self.other else along)
            if self.clears:
                drawn[site] = None
            elif line in setting_out.lines_for(self.design, site):
                drawn[site] = line
        for (xa, ya), (xb, yb) in zip(self._path, self._path[1:], strict=False):
            site = Site((xa + xb) // 2, (ya + yb) // 2)
            along = Line.HORIZONTAL if ya == yb else Line.VERTICAL
            line = self.manner.line or (setting_out.other_line(along) if self.other else along)
            drawn[site] = None if self.clears else line
        self.lines = symmetry.break_images(self.design.layout, self.motions, drawn)

    def _next_line(self):
        """What a click puts at the site: horizontal, vertical, none, in turn; or on and off where one way is chosen."""
        stands = editing.break_at(self.design, self.site)
        possible = setting_out.lines_for(self.design, self.site)
        wanted = setting_out.line_named(self.site, self.manner.line)
        if wanted in possible:
            return None if stands is wanted else wanted
        cycle = [None, *possible]
        return cycle[(cycle.index(stands) + (-1 if self.other else 1)) % len(cycle)]

    # --- strands -----------------------------------------------------------------------------------------------------

    def _run_along(self, point):
        """Passes of the circuit first touched; at a crossing the way of the pointer says which strand is meant."""
        if math.dist(point, self.start) < setting_out.unit(self.design) / 4:
            return
        if self.grid is None:
            heading = self._way_along(point)
        else:
            dx, dy = point[0] - self.last[0], point[1] - self.last[1]
            heading = (Way.RISING if dx * dy > 0 else Way.FALLING) if dx * dy else None
        at = editing.nearest_pass(self.design, point, self.circuit, heading)
        if at is not None and at not in self._own:
            self._own.append(at)

    def _way_along(self, point):
        """The strand of the nearest crossing that runs as the pointer goes."""
        site = editing.nearest_site(self.design, point)
        if site is None:
            return None
        seen = core.places.frame(self.design.layout)
        edge = seen.edge[site]
        gone = [b - a for a, b in zip(self.last, point, strict=True)]
        ahead = [abs(sum(a * b for a, b in zip(gone, way, strict=False))) for way in seen.heading[edge]]
        return core.layout.pass_of(seen.layout, edge, int(ahead[1] > ahead[0])).way

    def _show_passes(self):
        if self.job is Job.OVER:
            self.passes = symmetry.wished_images(self.design, self.motions, self._own)
        else:
            self.passes = symmetry.pass_images(self.design, self.motions, self._own)

    # --- cells -------------------------------------------------------------------------------------------------------

    def _run_over(self, point):
        """Cells of the kind first touched: those that are there, or those that are left out."""
        cell = editing.nearest_cell(self.design, point)
        if cell is not None and cell not in self._own and (cell in self.design.layout.without) == self.clears:
            self._own.append(cell)

    def _show_cells(self):
        self.cells = symmetry.cell_images(self.design.layout, self.motions, self._own)

    # --- what comes of it --------------------------------------------------------------------------------------------

    def result(self):
        """What the stroke does to the design.

        Returns
        -------
        tuple of (Changed, str) or None
            The changed design and a few words for the undo list; None where the stroke touches no design.

        Raises
        ------
        DesignError
            Where the core refuses the change.
        """
        if not self.begun:
            return None
        design = self.design
        if self.job is Job.BREAK:
            changed = editing.set_breaks(design, self.lines)
        elif self.job is Job.CELL:
            changed = editing.set_cells(design, self.cells, there=self.clears)
        elif self.job is Job.OVER:
            changed = editing.Changed(editing.set_preferences(design, self.passes, self.at not in design.weave.prefer))
        elif self.job is Job.DIVIDE:
            changed = editing.Changed(editing.set_passes(design, self.passes, self._divides()))
        elif self.job is Job.COLOUR:
            colour = None if self.other else self.manner.colour
            changed = editing.Changed(editing.colour_circuits(design, self.passes, colour))
        elif self.job is Job.WIDTH:
            width = None if self.other else self.manner.width
            changed = editing.Changed(editing.widen_circuits(design, self.passes, width))
        else:
            changed = editing.Changed(editing.set_circuits(design, self.passes, self._divides()))
        return changed, self.name()

    def _divides(self):
        if self.job is Job.CIRCUIT:
            return not all(editing.is_divided(self.design, each) for each in self.circuit)
        return not editing.is_divided(self.design, self.at)

    def name(self):
        """Words for the undo list."""
        if self.job is Job.BREAK:
            several = len(self.lines) > 1
            return ("Clear Break" if not any(self.lines.values()) else "Set Break") + ("s" if several else "")
        if self.job is Job.CELL:
            cells = "Cell" if len(self.cells) == 1 else "Cells"
            return f"Put {cells} Back" if self.clears else f"Leave {cells} Out"
        if self.job is Job.OVER:
            return "Prefer Over" if self.at not in self.design.weave.prefer else "Drop Wish for Over"
        if self.job is Job.COLOUR:
            return "Clear Circuit Colour" if self.other else "Colour Circuit"
        if self.job is Job.WIDTH:
            return "Clear Circuit Width" if self.other else "Circuit Width"
        verb = "Divide" if self._divides() else "Rejoin"
        return f"{verb} Circuit" if self.job is Job.CIRCUIT else f"{verb} Pass" + ("es" if len(self.passes) > 1 else "")

    def words(self):
        """Words for what letting go would do here."""
        if self.job is Job.BREAK:
            line = self.lines.get(self.site)
            if self.dragged:
                number = len(self.lines)
                return f"{'clear' if self.clears else 'set'} {number} break{'s' if number != 1 else ''}"
            return f"{line.value} break at {_named(self.site)}" if line else "clear the break"
        if self.job is Job.CELL:
            which = f"cell {list(self.cell)}" if len(self.cells) == 1 else f"{len(self.cells)} cells"
            return f"put {which} back" if self.clears else f"leave {which} out"
        free = self.at.y == core.design.FREE
        what = f"the strand at {_named(self.at)}" if free else f"the {self.at.way.value} strand at {_named(self.at)}"
        if self.job is Job.OVER:
            return ("wish over " if self.at not in self.design.weave.prefer else "no longer wish over ") + what
        if self.job is Job.COLOUR:
            return "take the colour off the circuit" if self.other else "colour the circuit"
        if self.job is Job.WIDTH:
            return "the strand's width for the circuit" if self.other else f"{self.manner.width:g} mm for the circuit"
        verb = "divide" if self._divides() else "make one"
        if self.job is Job.CIRCUIT:
            return f"{verb} the whole circuit of {what}"
        return f"{verb} {what}" if len(self.passes) == 1 else f"{verb} strands at {len(self.passes)} crossings"


_NEAR = 0.28
"""How near to a site the pointer must come to draw a wall there, in steps of strand."""


def _named(site):
    """A site, or the place of a pass, as the design file names it."""
    return f"edge {site.x}" if site.y == core.design.FREE else f"[{site.x}, {site.y}]"
