"""Panels: finished knots set side by side, turned and mirrored, and joined where they touch."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from .design import (
    Breaks,
    Design,
    Divide,
    Grid,
    Heights,
    Joins,
    Panel,
    Pass,
    Piece,
    Site,
    Strand,
    Way,
    Weave,
)
from .errors import DesignError
from .layout.check import MOST_CELLS
from .naming import circuits_by_pass, first_styles


@dataclass(frozen=True, slots=True)
class Placing:
    """Where a piece's half cells come to lie in its panel."""

    columns: int
    rows: int
    turn: int
    mirror: bool
    shift: tuple[int, int]  # of its lower left corner, in half cells

    def place(self, x: int, y: int) -> tuple[int, int]:
        """A place of the piece in half cells as a place of the panel."""
        wide, high = 2 * self.columns, 2 * self.rows
        if self.mirror:
            x = wide - x
        for _ in range(self.turn // 90):
            x, y, wide, high = high - y, x, high, wide
        return x + self.shift[0], y + self.shift[1]

    def site(self, site: Site) -> Site:
        """A site of the piece as a site of the panel."""
        return Site(*self.place(*site))

    def way(self, at: Pass) -> Pass:
        """A pass of the piece as a pass of the panel."""
        turned = self.mirror != (self.turn in (90, 270))
        other = Way.FALLING if at.way is Way.RISING else Way.RISING
        return Pass(*self.site(at.site), other if turned else at.way)


_MOST_BOXES = 8 * MOST_CELLS
"""Cells of all pieces, those left out included, that are looked at."""


@dataclass(frozen=True, slots=True)
class Laid:
    """A panel laid out.

    Attributes
    ----------
    grid : Grid
    pieces : tuple of Design
        Each on a grid of its own.
    placings : tuple of Placing
    seams : tuple of (int, int, tuple of Site)
        Two pieces that touch, and the sites where they do.
    """

    grid: Grid
    pieces: tuple[Design, ...]
    placings: tuple[Placing, ...]
    seams: tuple[tuple[int, int, tuple[Site, ...]], ...]


def laid(panel: Panel, resolve: Callable[[Design], Design]) -> Laid:
    """Set the pieces of a panel side by side and find where they touch.

    Raises
    ------
    DesignError
        A piece is no grid, its cells are not the others', it lies between cells, or upon another piece.
    """
    if not panel.pieces:
        raise DesignError("the panel has no piece", "give at least one", "layout.panel.pieces")
    designs = []
    known: dict[int, Design] = {}  # a piece that stands in several places is laid out once
    cells, boxes = 0, 0
    for index, piece in enumerate(panel.pieces):
        place = f"layout.panel.pieces[{index}]"
        if piece.design is None:
            raise DesignError(f'"{piece.file}" has not been read', "read the panel from its file", f"{place}.file")
        if id(piece.design) not in known:
            known[id(piece.design)] = resolve(piece.design)
        whole = known[id(piece.design)]
        if not isinstance(whole.layout, Grid):
            raise DesignError(
                f'"{piece.file}" is set out on a {type(whole.layout).__name__.lower()}',
                "give pieces set out on grids, square borders or panels of them",
                f"{place}.file",
            )
        box = whole.layout.columns * whole.layout.rows
        boxes, cells = boxes + box, cells + box - len(set(whole.layout.without))
        if cells > MOST_CELLS or boxes > _MOST_BOXES:  # before anything of that size is made
            raise DesignError(
                f"its pieces up to here have {max(cells, boxes):,} cells, those left out included",
                f"give pieces of at most {MOST_CELLS:,} cells in all",
                place,
            )
        designs.append(whole)
    first = designs[0].layout
    assert isinstance(first, Grid)
    wide, high = _cell(first, panel.pieces[0].turn)
    corners, placings = [], []
    for index, (piece, whole) in enumerate(zip(panel.pieces, designs)):
        assert isinstance(whole.layout, Grid)
        grid, place = whole.layout, f"layout.panel.pieces[{index}]"
        cell = _cell(grid, piece.turn)
        if abs(cell[0] - wide) > 1e-9 * wide or abs(cell[1] - high) > 1e-9 * high:
            raise DesignError(
                f'the cells of "{piece.file}" as it lies are {cell[0]:g} x {cell[1]:g} mm, those of the first piece '
                f"{wide:g} x {high:g}",
                "give pieces whose cells agree",
                place,
            )
        column, row = piece.at[0] / wide, piece.at[1] / high
        if abs(column - round(column)) > 1e-6 or abs(row - round(row)) > 1e-6:
            raise DesignError(
                f"[{piece.at[0]:g}, {piece.at[1]:g}] lies between cells of {wide:g} x {high:g} mm",
                f"give [{round(column) * wide:g}, {round(row) * high:g}]",
                f"{place}.at",
            )
        corners.append((round(column), round(row)))
    low = min(column for column, _ in corners), min(row for _, row in corners)
    owner: dict[tuple[int, int], int] = {}
    for index, (piece, whole, (column, row)) in enumerate(zip(panel.pieces, designs, corners)):
        own = whole.layout
        assert isinstance(own, Grid)
        shift = 2 * (column - low[0]), 2 * (row - low[1])
        placing = Placing(own.columns, own.rows, piece.turn, piece.mirror, shift)
        placings.append(placing)
        left_out = set(own.without)
        for cell_at in ((c, r) for r in range(own.rows) for c in range(own.columns) if (c, r) not in left_out):
            x, y = placing.place(2 * cell_at[0] + 1, 2 * cell_at[1] + 1)
            there = x // 2, y // 2
            if there in owner:
                raise DesignError(
                    f'"{piece.file}" lies upon piece {owner[there]} at cell [{there[0]}, {there[1]}] of the panel',
                    "move one of the two",
                    f"layout.panel.pieces[{index}].at",
                )
            owner[there] = index
    columns, rows = 1 + max(c for c, _ in owner), 1 + max(r for _, r in owner)
    if columns * rows > MOST_CELLS:
        raise DesignError(
            f"the panel spreads over {columns:,} x {rows:,} cells", "set the pieces nearer", "layout.panel.pieces"
        )
    seams: dict[tuple[int, int], list[Site]] = {}
    for (column, row), mine in owner.items():
        for dx, dy in ((1, 0), (0, 1)):
            other = owner.get((column + dx, row + dy))
            if other is not None and other != mine:
                pair = min(mine, other), max(mine, other)
                seams.setdefault(pair, []).append(Site(2 * column + 1 + dx, 2 * row + 1 + dy))
    without = tuple((c, r) for r in range(rows) for c in range(columns) if (c, r) not in owner)
    return Laid(
        Grid(columns, rows, wide, high, without),
        tuple(designs),
        tuple(placings),
        tuple((*pair, tuple(sorted(sites, key=lambda s: (s.y, s.x)))) for pair, sites in sorted(seams.items())),
    )


def _cell(grid: Grid, turn: int) -> tuple[float, float]:
    sides = grid.cell_width, grid.cell_height
    return sides[::-1] if turn in (90, 270) else sides


def joined_sites(panel: Panel, seams: tuple[tuple[int, int, tuple[Site, ...]], ...]) -> frozenset[Site]:
    """Where the pieces are joined.

    Raises
    ------
    DesignError
        A named site is none where two pieces touch.
    """
    touching = {site for _, _, sites in seams for site in sites}
    if panel.joins is Joins.ALL:
        return frozenset(touching)
    if panel.joins is Joins.MIDDLE:
        return frozenset(site for _, _, sites in seams for run in _runs(sites) for site in _middle(run))
    for index, site in enumerate(panel.joins):
        if site not in touching:
            near = min(touching, key=lambda s: (abs(s.x - site[0]) + abs(s.y - site[1]), s), default=None)
            remedy = "set the pieces side by side" if near is None else f"the nearest such site is [{near.x}, {near.y}]"
            raise DesignError(f"no two pieces touch at [{site[0]}, {site[1]}]", remedy, f"layout.panel.joins[{index}]")
    return frozenset(Site(*site) for site in panel.joins)


def _runs(sites: tuple[Site, ...]) -> Iterator[list[Site]]:
    """A seam's sites in straight pieces without a gap."""
    for upright in (True, False):
        lines: dict[int, list[Site]] = {}
        for site in sites:
            if (site.x % 2 == 0) is upright:
                lines.setdefault(site.x if upright else site.y, []).append(site)
        for line in lines.values():
            line.sort()
            run = [line[0]]
            for site in line[1:]:
                if site.x + site.y - run[-1].x - run[-1].y > 2:
                    yield run
                    run = []
                run.append(site)
            yield run


def _middle(run: list[Site]) -> list[Site]:
    """The middle site, or the two on either side of the middle."""
    half = len(run) // 2
    return [run[half]] if len(run) % 2 else [run[half - 1], run[half]]


def panelled(design: Design, resolve: Callable[[Design], Design]) -> Design:
    """A panel as one design on a grid, its pieces' breaks, dividing, wishes and styles kept.

    Where two pieces touch and are not joined, a break along the seam keeps them apart.

    What the panel itself leaves at its defaults, strand, heights, gap and hand, is taken from its first piece. A
    circuit that was divided in one piece and joins one that was not stays divided where it was.
    """
    panel = design.layout
    assert isinstance(panel, Panel)
    out = laid(panel, resolve)
    joined = joined_sites(panel, out.seams)
    grid = out.grid

    horizontal, vertical = list(design.breaks.horizontal), list(design.breaks.vertical)
    for site in sorted({site for _, _, sites in out.seams for site in sites} - joined):
        (horizontal if site.x % 2 else vertical).append(site)
    divided: list[list[Pass]] = []  # circuits of pieces, whole
    passes, prefer = list(design.divide.passes), list(design.weave.prefer)
    styles = list(design.strand.circuits)
    for whole, placing in zip(out.pieces, out.placings):
        turned = placing.turn in (90, 270)
        (vertical if turned else horizontal).extend(map(placing.site, whole.breaks.horizontal))
        (horizontal if turned else vertical).extend(map(placing.site, whole.breaks.vertical))
        passes.extend(map(placing.way, whole.divide.passes))
        prefer.extend(map(placing.way, whole.weave.prefer))
        styles.extend(replace(style, through=placing.way(style.through)) for style in whole.strand.circuits)
        numbers = circuits_by_pass(whole.layout, whole.breaks)[1]
        named = {numbers[at] for at in whole.divide.circuits}
        members: dict[int, list[Pass]] = {}
        for at, number in numbers.items():
            if number in named or whole.divide.all:
                members.setdefault(number, []).append(placing.way(at))
        divided.extend(members.values())

    breaks = Breaks(tuple(horizontal), tuple(vertical))
    first = out.pieces[0]
    strand = design.strand if replace(design.strand, circuits=()) != Strand() else first.strand
    divide, weave = design.divide, design.weave
    number_of = circuits_by_pass(grid, breaks)[1]
    circuits = list(divide.circuits)
    size: dict[int, int] = {}
    for circuit in number_of.values():
        size[circuit] = size.get(circuit, 0) + 1
    covered: dict[int, list[Pass]] = {}
    for members_of in divided:
        for at in members_of:
            if at in number_of:  # else the panel has a break there
                covered.setdefault(number_of[at], []).append(at)
    for circuit, ways in covered.items():
        new = size[circuit] - len(ways)  # passes at joins, and those of circuits that were not divided
        at_joins = sum(1 for at, c in number_of.items() if c == circuit and at.site in joined)
        if new <= at_joins:
            circuits.append(ways[0])
        else:
            passes.extend(ways)
    named_already = {number_of[at] for at in circuits}
    return replace(
        design,
        layout=grid,
        breaks=breaks,
        divide=Divide(
            circuits=tuple(circuits),
            passes=tuple(dict.fromkeys(at for at in passes if number_of.get(at) not in named_already)),
            all=divide.all,
            rejoin=divide.rejoin if divide.rejoin is not Divide().rejoin else first.divide.rejoin,
            gap=divide.gap if divide.gap is not None else first.divide.gap,
        ),
        weave=Weave(weave.hand if weave.hand is not Weave().hand else first.weave.hand, tuple(prefer)),
        strand=replace(strand, circuits=first_styles(styles, number_of)),
        heights=design.heights if design.heights != Heights() else first.heights,
    )


def merged_circuits(design: Design, resolve: Callable[[Design], Design]) -> list[list[list[int]]]:
    """Circuits of a panel in which circuits of its pieces have merged: each as a list of [piece, circuit]."""
    panel = design.layout
    assert isinstance(panel, Panel)
    out = laid(panel, resolve)
    whole_panel = panelled(design, resolve)
    number = circuits_by_pass(whole_panel.layout, whole_panel.breaks)[1]
    into: dict[int, set[tuple[int, int]]] = {}
    for index, (whole, placing) in enumerate(zip(out.pieces, out.placings)):
        for at, circuit in circuits_by_pass(whole.layout, whole.breaks)[1].items():
            if placing.way(at) in number:  # else the panel has a break there
                into.setdefault(number[placing.way(at)], set()).add((index, circuit))
    return [[list(part) for part in sorted(parts)] for _, parts in sorted(into.items()) if len(parts) > 1]


# ----------------------------------------------------------------------------------------------------- arrangements


def row(file: str, design: Design, count: int, mirror: bool = False) -> Panel:
    """The same piece ``count`` times side by side, every other one mirrored if wished, joined at the middle."""
    wide, _ = _extent(design)
    pieces = tuple(Piece(file, (index * wide, 0.0), 0, mirror and index % 2 == 1, design) for index in range(count))
    return Panel(pieces, Joins.MIDDLE)


def four(file: str, design: Design) -> Panel:
    """Four of the same piece in two rows, mirrored in x (each beside the next) and turned half round above."""
    wide, high = _extent(design)
    return Panel(
        (
            Piece(file, (0.0, 0.0), 0, False, design),
            Piece(file, (wide, 0.0), 0, True, design),
            Piece(file, (0.0, high), 180, True, design),
            Piece(file, (wide, high), 180, False, design),
        ),
        Joins.MIDDLE,
    )


def _extent(design: Design) -> tuple[float, float]:
    grid = design.layout
    if not isinstance(grid, Grid):
        raise DesignError("only knots on grids are set side by side here", "place the pieces one by one", "layout")
    return grid.columns * grid.cell_width, grid.rows * grid.cell_height
