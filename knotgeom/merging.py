"""Breaks that join circuits or part them, until there are as many as are wanted.

At a crossing of two circuits a break of either kind makes one circuit of them. At a crossing of a circuit with itself
one kind parts it in two and the other leaves it one, since the break joins the four ends of strand either along the
circuit's direction or against it. A break therefore changes the number of circuits by one at most, and as many breaks
as there are circuits too many are the fewest that can do; under a symmetry, where breaks come together with their
images, more may be needed. The search takes the sets of breaks in the order of the fewest that can come of them, so
the first set found has the fewest there are.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from .design import FREE, Design, Site, Strip
from .editing import Line, break_at, set_breaks, sites
from .errors import DesignError
from .layout import ACROSS, ALONG, CROSSING, edge_of_site, lay_out
from .places import takes_break
from .resolve import resolved
from .symmetry import Symmetry, allows, break_images, motions
from .trace import trace

Progress = Callable[[float, str], None]

EFFORT = 700_000
"""Steps of strand that a search follows before it gives up: a second or two."""
WIDEST = 400
"""Images of breaks tried from one set on, those that lie best first."""


@dataclass(frozen=True, slots=True)
class BreakRemedy:
    """Breaks to add.

    Attributes
    ----------
    lines : tuple of (Site, Line)
        The breaks, images and all, row by row.
    count : int
        The circuits that there are with them.
    tight : int
        Places where a strand then turns back three times or more between two crossings, where it may lack room.
    design : Design
        With the breaks put in.
    dropped : tuple of str
        Entries of the design that had to go with them.
    """

    lines: tuple[tuple[Site, Line], ...]
    count: int
    tight: int
    design: Design
    dropped: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The change in words."""
        told = (f"{line.value} {f'edge {x}' if y == FREE else f'[{x}, {y}]'}" for (x, y), line in self.lines)
        return ("break " if len(self.lines) == 1 else "breaks ") + ", ".join(told)


@dataclass(frozen=True, slots=True)
class BreakSearch:
    """What a search for breaks has found: ``before`` is the number of circuits without them.

    ``complete`` says that the remedies have the fewest breaks that there are, and where there are none, that none exist
    that keep the symmetry. Otherwise the search stopped at its limit of effort. ``nearest`` is what came nearest to the
    wanted number where nothing came to it, if anything came nearer than the design does.
    """

    before: int
    wanted: int
    remedies: tuple[BreakRemedy, ...]
    complete: bool
    nearest: BreakRemedy | None = None


def find_breaks(
    design: Design,
    wanted: int = 1,
    symmetries: Iterable[Symmetry] = (),
    order: int | None = None,
    *,
    most: int = 6,
    effort: int = EFFORT,
    progress: Progress | None = None,
) -> BreakSearch:
    """The fewest breaks after which the design has ``wanted`` circuits.

    Breaks that stand already stay. Of sets of as many breaks those come first that leave strands room to turn, lie far
    apart and near the middle.

    Parameters
    ----------
    wanted : int
    symmetries : iterable of Symmetry
        Every break comes with its images under these.
    order : int, optional
        How many times round, for ``Symmetry.ROUND``.
    most : int
        Remedies at most.
    effort : int
        Steps of strand followed at most.
    progress : callable, optional
        Called with a share and a stage; may raise to stop the work.

    Raises
    ------
    DesignError
        The layout has not got the symmetry, or no number of circuits is below 1.
    """
    symmetries = tuple(symmetries)
    for symmetry in symmetries:
        if not allows(design.layout, symmetry, order):
            raise DesignError(f'the layout has no symmetry "{symmetry.value}"', "choose another symmetry", "layout")
    if wanted < 1:
        raise DesignError(f"a knot of {wanted} circuits is none", "ask for at least 1", "circuits")
    trail = _Trail(design)
    before = trail.count({})
    if before == wanted:
        return BreakSearch(before, wanted, (), True)
    groups = _groups(design, symmetries, order, trail)
    found, nearest, complete = _search(trail, groups, before, wanted, 4 * most, effort, progress)
    if not found:
        return BreakSearch(before, wanted, (), complete, _remedy(design, nearest) if nearest else None)
    remedies = [_remedy(design, chosen) for chosen in found]
    remedies.sort(key=lambda remedy: remedy.tight)  # stable: as found otherwise
    return BreakSearch(before, wanted, tuple(remedies[:most]), complete)


# ------------------------------------------------------------------------------------------ sets of breaks


@dataclass(frozen=True, slots=True)
class _Group:
    """A break with its images: their lines, and the states of the edges that they come to."""

    lines: tuple[tuple[Site, Line], ...]
    states: tuple[tuple[int, int], ...]
    away: float
    edges: frozenset[int]

    @property
    def size(self) -> int:
        return len(self.lines)


def _groups(design: Design, symmetries: Iterable[Symmetry], order: int | None, trail: _Trail) -> list[_Group]:
    layout = design.layout
    through = motions(layout, symmetries, order)
    groups: dict[frozenset[tuple[Site, Line]], _Group] = {}
    middle = trail.layout.middle.mean(0)
    for site in sites(layout):
        if break_at(design, site) is not None or trail.broken(site):
            continue
        for line in (Line.ALONG, Line.ACROSS) if site.y == FREE else (Line.HORIZONTAL, Line.VERTICAL):
            if not takes_break(layout, site, line in (Line.ALONG, Line.HORIZONTAL)):
                continue
            images = break_images(layout, through, {site: line})
            lines = {(at, kind) for at, kind in images.items() if kind is not None}
            if any(break_at(design, at) is not None or trail.broken(at) for at, _ in lines):
                continue
            states = tuple(pair for at, kind in lines for pair in trail.states(at, kind))
            place = trail.layout.middle[[edge for edge, _ in states]]
            away = float(np.linalg.norm(place - middle, axis=1).max())
            key = frozenset(lines)
            told = tuple(sorted(lines, key=lambda entry: (entry[0].y, entry[0].x)))
            groups.setdefault(key, _Group(told, states, away, frozenset(edge for edge, _ in states)))
    return sorted(groups.values(), key=lambda group: (group.size, round(group.away, 6), group.lines))


def _search(
    trail: _Trail,
    groups: list[_Group],
    before: int,
    wanted: int,
    most: int,
    effort: int,
    progress: Progress | None,
) -> tuple[list[tuple[_Group, ...]], tuple[_Group, ...], bool]:
    """Sets of groups with the fewest breaks that come to the wanted number; a best-first search.

    Every break changes the number by one at most, once in every repeat, so that says how many more it takes at least.
    """

    def lacks(count: int) -> int:
        return -(-abs(count - wanted) // trail.repeats)

    number = itertools.count()
    heap: list[tuple[int, int, float, int, tuple[int, ...], int]] = [(lacks(before), 0, 0.0, 0, (), before)]
    seen: set[frozenset[int]] = set()
    found: list[tuple[_Group, ...]] = []
    least: int | None = None
    cut_short = False
    nearest: tuple[int, int, tuple[int, ...]] = (abs(before - wanted), 0, ())
    while heap:
        bound, less, crowded, _, chosen, circuits = heapq.heappop(heap)
        if (least is not None and bound > least) or len(found) >= most:
            break
        if circuits == wanted:
            least = bound
            found.append(tuple(groups[index] for index in chosen))
            continue
        if progress:
            progress(min(trail.followed / effort, 1.0), "trying breaks")
        taken = frozenset[int]().union(*(groups[index].edges for index in chosen))
        walked = trail.walk({edge: state for index in chosen for edge, state in groups[index].states})
        tried = 0
        trials: Iterable[int] = range(len(groups))
        if circuits > wanted:  # crossings of two circuits first, since only they can join any
            trials = sorted(trials, key=lambda index: not trail.joins(walked, groups[index]))
        for index in trials:
            group, key = groups[index], frozenset((*chosen, index))
            if key in seen or not taken.isdisjoint(group.edges):
                continue
            if tried >= WIDEST or trail.followed > effort:
                cut_short = True
                break
            seen.add(key)
            tried += 1
            count = trail.after(walked, group)
            size = group.size - less
            nearest = min(nearest, (abs(count - wanted), size, (*chosen, index)))
            rank = size + lacks(count)
            if least is None or rank <= least:
                # of equal promise: what has come furthest, then where breaks lie apart and near the middle
                worse = crowded + (trail.crowding(taken, group) if rank == bound else 0.0)
                heapq.heappush(heap, (rank, -size, worse, next(number), (*chosen, index), count))
    return found, tuple(groups[index] for index in nearest[2]), not cut_short or least == lacks(before)


def _remedy(design: Design, chosen: tuple[_Group, ...]) -> BreakRemedy:
    lines = tuple(sorted((entry for group in chosen for entry in group.lines), key=lambda e: (e[0].y, e[0].x)))
    changed = set_breaks(design, dict(lines))
    whole = resolved(changed.design)
    layout = lay_out(whole.layout, whole.breaks)
    circuits = trace(layout)
    runs = np.diff(np.concatenate([[-1], circuits.visit_dart]))
    return BreakRemedy(lines, circuits.count, int((runs > 3).sum()), changed.design, changed.dropped)


# ------------------------------------------------------------------------------------------ following strands


_JOINED = ((2, 3, 0, 1), (1, 0, 3, 2), (3, 2, 1, 0))
"""The end that each of an edge's four ends is joined to: at a crossing, a break along it, a break across it."""


@dataclass(frozen=True, slots=True, eq=False)
class _Walk:
    """Circuits followed: of each end the circuit that it is on and when it was come to."""

    changed: Mapping[int, int]
    count: int
    circuit: list[int]
    turn: list[int]


class _Trail:
    """The strands of a design as ends joined in pairs, so that circuits with other breaks are counted quickly.

    Edge ``e`` has the ends ``4e`` to ``4e + 3``: behind on the left, ahead on the left, ahead on the right, behind on
    the right of half-edge ``2e`` (see :mod:`knotgeom.layout.halfedge`). A strand step round a corner joins the first
    end of its half-edge to the second end of the half-edge before.
    """

    def __init__(self, design: Design) -> None:
        whole = resolved(design)
        self.layout = lay_out(whole.layout, whole.breaks)
        strip = design.layout if isinstance(design.layout, Strip) else None
        self.wide, self.repeats = (2 * strip.columns, strip.repeats) if strip else (0, 1)
        self.edge = edge_of_site(self.layout)
        following = self.layout.next_half
        half = np.arange(len(following))
        far = np.empty(2 * len(half), np.int64)
        far[2 * half + 1] = 2 * following
        far[2 * following] = 2 * half + 1
        self.far: list[int] = far.tolist()
        self.state: list[int] = self.layout.state.tolist()
        self.outside: list[bool] = np.repeat(self.layout.outside, 2).tolist()
        self.pitch = float(np.median(self.layout.pitch)) if len(self.state) else 1.0
        self.has_crossed_rim = bool((self.layout.boundary & (self.layout.state == CROSSING)).any())
        self.followed = 0

    def broken(self, site: Site) -> bool:
        """Whether strands do not cross here, because of breaks of the pieces of a panel too."""
        return self.state[self.edge[site]] != CROSSING

    def states(self, site: Site, line: Line) -> list[tuple[int, int]]:
        """The edges of a break, in all repeats, and their state with it."""
        along = line is Line.ALONG if site.y == FREE else (line is Line.HORIZONTAL) == (site.x % 2 == 1)
        places = [(site.x + k * self.wide, site.y) for k in range(self.repeats)]
        return [(self.edge[at], ALONG if along else ACROSS) for at in places]

    def crowding(self, taken: frozenset[int], group: _Group) -> float:
        """How badly breaks lie: near one another first, then far from the middle."""
        middle, mine, others = self.layout.middle, sorted(group.edges), sorted(taken)
        near = 0.0
        for place, edge in enumerate(mine):
            rest = [*others, *mine[:place]]
            if rest:
                gaps = np.linalg.norm(middle[rest] - middle[edge], axis=1) / self.pitch
                near += float(np.maximum(0.0, 3.0 - gaps).sum())
        return near + 1e-3 * group.away / self.pitch

    def count(self, changed: Mapping[int, int]) -> int:
        """Number of circuits where the edges in ``changed`` have other states."""
        return self.walk(changed).count

    def walk(self, changed: Mapping[int, int]) -> _Walk:
        """Follow all circuits where the edges in ``changed`` have other states.

        Walks outside the boundary that meet no crossing are no strands, and not counted.
        """
        state, far, outside = self.state, self.far, self.outside
        circuit, turn = [-1] * len(far), [0] * len(far)
        self.followed += len(far)
        count = number = clock = 0
        for start in range(len(far)):
            if circuit[start] >= 0:
                continue
            at, strand = start, False
            while circuit[at] < 0:
                edge = at >> 2
                now = changed.get(edge, state[edge])
                strand = strand or now == CROSSING or not outside[at]
                leaves = 4 * edge + _JOINED[now][at & 3]
                circuit[at] = circuit[leaves] = number
                turn[at], turn[leaves] = clock, clock + 1
                clock += 2
                at = far[leaves]
            number += 1
            count += strand
        return _Walk(changed, count, circuit, turn)

    def joins(self, walked: _Walk, group: _Group) -> bool:
        """Whether two circuits cross at any of a group's breaks."""
        return any(walked.circuit[4 * edge] != walked.circuit[4 * edge + 1] for edge in group.edges)

    def after(self, walked: _Walk, group: _Group) -> int:
        """Number of circuits with the breaks of a group too, all at crossings.

        Only the circuits through those crossings change: what lies between is as it was.
        """
        if self.has_crossed_rim:
            return self.count({**walked.changed, **dict(group.states)})
        self.followed += 80 * len(group.states)  # about as long as following so many steps
        ends = [4 * edge + k for edge, _ in group.states for k in range(4)]
        ends.sort(key=walked.turn.__getitem__)  # circuit by circuit, entering and leaving in turn
        onward: dict[int, int] = {}
        touched = 0
        for number, run in itertools.groupby(ends, key=walked.circuit.__getitem__):
            here = list(run)
            touched += number >= 0
            for leaves, enters in zip(here[1::2], [*here[2::2], here[0]], strict=True):
                onward[leaves], onward[enters] = enters, leaves
        joined = {
            4 * edge + place: 4 * edge + other
            for edge, state in group.states
            for place, other in enumerate(_JOINED[state])
        }
        left = set(joined)
        count = 0
        while left:
            at = next(iter(left))
            count += 1
            while at in left:
                left -= {at, joined[at]}
                at = onward[joined[at]]
        return walked.count - touched + count
