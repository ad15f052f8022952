"""Working symmetrically: the places on a layout that mirrors, turns and going round bring together.

A :class:`Motion` takes the layout as a whole onto itself. Of a grid, cells that are left out are not looked at, so
some images of a place may lie off the layout: :func:`break_images` and its fellows leave those away. A panel moves as
the grid that it comes to, a square border too. Rings, strips and mitred borders go round: there a motion runs along x,
and x comes round again. A strip moves within its first repeat, which holds for all of them. Free meshes have no
symmetry here.

A mirror in the plan turns a weave that alternates into one of the other hand. So that wishes for strands to go over
can all be kept, :func:`wished_images` mirrors a weave as one turns over a piece of cloth: what is over on one side is
under on the other.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from .design import Border, Design, FreeMesh, Layouts, Pass, Ring, Site, Strip, Turned, Way
from .editing import Line, break_at
from .places import is_crossable
from .resolve import grid_of, is_square


class Symmetry(str, enum.Enum):
    """A way of repeating what is drawn."""

    LEFT_RIGHT = "left-right"  # a mirror, its line upright
    UP_DOWN = "up-down"  # a mirror, its line level
    HALF_TURN = "half turn"
    QUARTER_TURN = "quarter turn"  # all four quarters
    ROUND = "round"  # so many times round a ring, along a strip or from side to side of a border


class Motion(NamedTuple):
    """A matrix of whole numbers that moves places, as seen from the middle of a grid.

    Where a layout goes round, x is moved as it is counted, and by ``along`` half cells after that.
    """

    xx: int
    xy: int
    yx: int
    yy: int
    along: int = 0

    @property
    def swaps(self) -> bool:
        """Whether rows and columns change places."""
        return self.xx == 0

    @property
    def mirrors(self) -> bool:
        """Whether left and right of a strand change places."""
        return self.xx * self.yy - self.xy * self.yx < 0


STAY = Motion(1, 0, 0, 1)

_GENERATORS = {
    Symmetry.LEFT_RIGHT: Motion(-1, 0, 0, 1),
    Symmetry.UP_DOWN: Motion(1, 0, 0, -1),
    Symmetry.HALF_TURN: Motion(-1, 0, 0, -1),
    Symmetry.QUARTER_TURN: Motion(0, -1, 1, 0),
}


def allows(layout: Layouts, symmetry: Symmetry, order: int | None = None) -> bool:
    """Whether the layout has this symmetry.

    Quarter turns ask for as many rows as columns of a grid, of square cells. A ring turns onto itself by whole
    sectors, so an odd number of them allows neither a half turn nor the mirror with an upright line. A strip is turned
    upside down only where its two edges are alike.

    Parameters
    ----------
    order : int, optional
        How many times round, for ``Symmetry.ROUND``, one of :func:`orders`; as many as can be where left out.
    """
    return _generator(layout, symmetry, order) is not None


def orders(layout: Layouts) -> tuple[int, ...]:
    """How many times round the layout a thing can be repeated, 2 and more; nothing where it does not go round."""
    match layout:
        case Ring():
            most = layout.sectors
        case Strip():
            most = layout.columns
        case Border() if layout.polygon:
            most = layout.inside[1]
        case Border() if not is_square(layout):
            return (2, 4) if layout.inside[0] == layout.inside[1] else (2,)
        case _:
            return ()
    return tuple(order for order in range(2, most + 1) if most % order == 0)


def motions(layout: Layouts, wanted: Iterable[Symmetry], order: int | None = None) -> tuple[Motion, ...]:
    """Every motion that the wanted symmetries make together, staying put first; what the layout forbids is left out."""
    asked = [_generator(layout, symmetry, order) for symmetry in sorted(set(wanted))]
    generators = [motion for motion in asked if motion is not None]
    wide = _round_about(layout)
    found = {STAY: None}
    waiting = [STAY]
    for motion in waiting:  # grows while it is walked through
        for generator in generators:
            after = _after(generator, motion, wide)
            if after not in found:
                found[after] = None
                waiting.append(after)
    return tuple(found)


def _generator(layout: Layouts, symmetry: Symmetry, order: int | None) -> Motion | None:
    """The motion that makes a symmetry; None where the layout has not got it."""
    if symmetry is Symmetry.ROUND:
        some = orders(layout)
        order = some[-1] if order is None and some else order
        return STAY._replace(along=_round_about(layout) // order) if order in some else None
    match layout:
        case FreeMesh():
            return None
        case Ring():
            return _turned(symmetry, layout.sectors, 2 * layout.sectors, 2 * layout.sectors)
        case Strip():
            return _strip_generator(layout, symmetry)
        case Border() if layout.polygon:
            cells, corners = layout.inside
            around = cells * corners
            alike = {Symmetry.UP_DOWN: 2, Symmetry.HALF_TURN: 2, Symmetry.QUARTER_TURN: 4}.get(symmetry, 1)
            return _turned(symmetry, 2 * cells, 2 * cells + around, 2 * around) if corners % alike == 0 else None
        case Border() if not is_square(layout):
            columns, rows = layout.inside
            if symmetry is Symmetry.QUARTER_TURN and columns != rows:
                return None
            return _turned(symmetry, 2 * columns, 4 * columns + 2 * rows, 4 * (columns + rows))
        case _:
            grid = grid_of(layout)
            even = grid.columns == grid.rows and grid.cell_width == grid.cell_height
            return _GENERATORS[symmetry] if even or symmetry is not Symmetry.QUARTER_TURN else None


def _turned(symmetry: Symmetry, left_right: int, up_down: int, wide: int) -> Motion | None:
    """A motion of a ring or a frame: ``left_right`` and ``up_down`` are where its mirrors take x = 0, in half cells.

    None where the motion would put sites where the layout has none, an odd number of half cells on.
    """
    match symmetry:
        case Symmetry.LEFT_RIGHT:
            parts, along, motion = 1, left_right, _GENERATORS[Symmetry.LEFT_RIGHT]
        case Symmetry.UP_DOWN:
            parts, along, motion = 1, up_down, _GENERATORS[Symmetry.LEFT_RIGHT]
        case Symmetry.HALF_TURN:
            parts, along, motion = 2, wide // 2, STAY
        case _:
            parts, along, motion = 4, wide // 4, STAY
    return motion._replace(along=along % wide) if along % 2 == 0 and wide % parts == 0 else None


def _strip_generator(strip: Strip, symmetry: Symmetry) -> Motion | None:
    if symmetry is Symmetry.QUARTER_TURN:
        return None
    if symmetry is not Symmetry.LEFT_RIGHT and not _upside_down_alike(strip):
        return None
    return _GENERATORS[symmetry]


def _upside_down_alike(strip: Strip) -> bool:
    """Whether a strip's lower half is the mirror image of its upper one."""
    if strip.lower_edge is not strip.upper_edge:
        return False
    if not isinstance(strip.surface, Turned):
        return True
    profile = strip.surface.profile
    twice_middle = profile[0][1] + profile[-1][1]
    return all(
        abs(radius - other) <= 1e-9 * (1 + radius) and abs(height + high - twice_middle) <= 1e-9 * (1 + abs(height))
        for (radius, height), (other, high) in zip(profile, reversed(profile), strict=True)
    )


def _round_about(layout: Layouts) -> int:
    """After how many half cells x comes round again; 0 where it does not."""
    match layout:
        case Ring():
            return 2 * layout.sectors
        case Strip():
            return 2 * layout.columns
        case Border() if layout.polygon:
            return 2 * layout.inside[0] * layout.inside[1]
        case Border() if not is_square(layout):
            return 4 * sum(layout.inside)
        case _:
            return 0


def _after(second: Motion, first: Motion, wide: int) -> Motion:
    along = second.xx * first.along + second.along
    return Motion(
        second.xx * first.xx + second.xy * first.yx,
        second.xx * first.xy + second.xy * first.yy,
        second.yx * first.xx + second.yy * first.yx,
        second.yx * first.xy + second.yy * first.yy,
        along % wide if wide else 0,
    )


def move_site(layout: Layouts, motion: Motion, site: Site) -> Site:
    """Where a motion takes a site."""
    if motion == STAY:
        return site
    wide = _round_about(layout)
    if wide:
        rows = _rows(layout)
        return Site((motion.xx * site.x + motion.along) % wide, motion.yy * (site.y - rows) + rows)
    grid = _middle(layout)
    x, y = site.x - grid[0], site.y - grid[1]
    return Site(
        motion.xx * x + motion.xy * y + grid[0],
        motion.yx * x + motion.yy * y + grid[1],
    )


def _rows(layout: Layouts) -> int:
    """Rows of a layout that goes round."""
    if isinstance(layout, Border):
        return layout.deep
    assert isinstance(layout, Ring | Strip)
    return layout.rows


def _middle(layout: Layouts) -> Site:
    """The middle of a grid, in half cells."""
    grid = grid_of(layout)
    return Site(grid.columns, grid.rows)


def move_line(motion: Motion, line: Line) -> Line:
    """Which way a break runs after a motion."""
    if not motion.swaps:
        return line
    return Line.VERTICAL if line is Line.HORIZONTAL else Line.HORIZONTAL


def move_pass(layout: Layouts, motion: Motion, at: Pass) -> Pass:
    """Where a motion takes a pass."""
    return Pass(*move_site(layout, motion, at.site), _other(at.way) if motion.mirrors != motion.swaps else at.way)


def _other(way: Way) -> Way:
    return Way.FALLING if way is Way.RISING else Way.RISING


def break_images(
    layout: Layouts, through: tuple[Motion, ...], lines: Mapping[Site, Line | None]
) -> dict[Site, Line | None]:
    """Breaks to set or clear with all their images; where two images meet, what was drawn there itself counts."""
    images: dict[Site, Line | None] = {}
    for motion in reversed(through):
        for site, line in lines.items():
            moved = move_site(layout, motion, site)
            if is_crossable(layout, moved):
                images[moved] = None if line is None else move_line(motion, line)
    return images


def cell_images(
    layout: Layouts, through: tuple[Motion, ...], cells: Iterable[tuple[int, int]]
) -> tuple[tuple[int, int], ...]:
    """Cells, as column and row, with all their images, each once."""
    middles = [Site(2 * column + 1, 2 * row + 1) for column, row in cells]
    moved = (move_site(layout, motion, middle) for motion in through for middle in middles)
    return tuple(dict.fromkeys((x // 2, y // 2) for x, y in moved))


def pass_images(design: Design, through: tuple[Motion, ...], passes: Iterable[Pass]) -> tuple[Pass, ...]:
    """Passes with all their images at crossings, each once."""
    moved = (move_pass(design.layout, motion, at) for motion in through for at in passes)
    return tuple(dict.fromkeys(at for at in moved if _is_crossing(design, at)))


def wished_images(design: Design, through: tuple[Motion, ...], passes: Iterable[Pass]) -> tuple[Pass, ...]:
    """Passes wished over with all their images: under a mirror the other strand, as an alternating weave asks."""
    found: dict[Site, Pass] = {}
    for motion in through:
        for at in passes:
            moved = move_pass(design.layout, motion, at)
            if motion.mirrors:
                moved = Pass(*moved.site, _other(moved.way))
            if _is_crossing(design, moved):
                found.setdefault(moved.site, moved)
    return tuple(found.values())


def _is_crossing(design: Design, at: Pass) -> bool:
    return is_crossable(design.layout, at.site) and break_at(design, at.site) is None
