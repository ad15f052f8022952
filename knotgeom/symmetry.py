"""Working symmetrically: the places on a grid that a mirror, a half turn or quarter turns bring together.

A :class:`Motion` takes the grid as a whole onto itself; cells that are left out are not looked at, so some images of a
place may lie off the layout: :func:`images` and its fellows leave those away.

A mirror in the plan turns a weave that alternates into one of the other hand. So that wishes for strands to go over
can all be kept, :func:`wished_images` mirrors a weave as one turns over a piece of cloth: what is over on one side is
under on the other.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from .design import Design, Grid, Pass, Site, Way
from .editing import Line, break_at, is_crossable


class Symmetry(str, enum.Enum):
    """A way of repeating what is drawn."""

    LEFT_RIGHT = "left-right"  # a mirror, its line upright
    UP_DOWN = "up-down"  # a mirror, its line level
    HALF_TURN = "half turn"
    QUARTER_TURN = "quarter turn"  # all four quarters


class Motion(NamedTuple):
    """A matrix of whole numbers that moves places, as seen from the middle of the grid."""

    xx: int
    xy: int
    yx: int
    yy: int

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


def allows(grid: Grid, symmetry: Symmetry) -> bool:
    """Whether the grid has this symmetry; quarter turns ask for as many rows as columns, of square cells."""
    if symmetry is not Symmetry.QUARTER_TURN:
        return True
    return grid.columns == grid.rows and grid.cell_width == grid.cell_height


def motions(grid: Grid, wanted: Iterable[Symmetry]) -> tuple[Motion, ...]:
    """Every motion that the wanted symmetries make together, staying put first; what the grid forbids is left out."""
    generators = [_GENERATORS[symmetry] for symmetry in sorted(set(wanted)) if allows(grid, symmetry)]
    found = [STAY]
    for motion in found:  # grows while it is walked through
        for generator in generators:
            after = _after(generator, motion)
            if after not in found:
                found.append(after)
    return tuple(found)


def _after(second: Motion, first: Motion) -> Motion:
    return Motion(
        second.xx * first.xx + second.xy * first.yx,
        second.xx * first.xy + second.xy * first.yy,
        second.yx * first.xx + second.yy * first.yx,
        second.yx * first.xy + second.yy * first.yy,
    )


def move_site(grid: Grid, motion: Motion, site: Site) -> Site:
    """Where a motion takes a site."""
    x, y = site.x - grid.columns, site.y - grid.rows
    return Site(
        motion.xx * x + motion.xy * y + grid.columns,
        motion.yx * x + motion.yy * y + grid.rows,
    )


def move_line(motion: Motion, line: Line) -> Line:
    """Which way a break runs after a motion."""
    if not motion.swaps:
        return line
    return Line.VERTICAL if line is Line.HORIZONTAL else Line.HORIZONTAL


def move_pass(grid: Grid, motion: Motion, at: Pass) -> Pass:
    """Where a motion takes a pass."""
    return Pass(*move_site(grid, motion, at.site), _other(at.way) if motion.mirrors != motion.swaps else at.way)


def _other(way: Way) -> Way:
    return Way.FALLING if way is Way.RISING else Way.RISING


def break_images(grid: Grid, through: tuple[Motion, ...], lines: Mapping[Site, Line | None]) -> dict[Site, Line | None]:
    """Breaks to set or clear with all their images; where two images meet, what was drawn there itself counts."""
    images: dict[Site, Line | None] = {}
    for motion in reversed(through):
        for site, line in lines.items():
            moved = move_site(grid, motion, site)
            if is_crossable(grid, moved):
                images[moved] = None if line is None else move_line(motion, line)
    return images


def cell_images(
    grid: Grid, through: tuple[Motion, ...], cells: Iterable[tuple[int, int]]
) -> tuple[tuple[int, int], ...]:
    """Cells, as column and row, with all their images, each once."""
    middles = [Site(2 * column + 1, 2 * row + 1) for column, row in cells]
    moved = (move_site(grid, motion, middle) for motion in through for middle in middles)
    return tuple(dict.fromkeys((x // 2, y // 2) for x, y in moved))


def pass_images(design: Design, through: tuple[Motion, ...], passes: Iterable[Pass]) -> tuple[Pass, ...]:
    """Passes with all their images at crossings, each once."""
    moved = (move_pass(_grid(design), motion, at) for motion in through for at in passes)
    return tuple(dict.fromkeys(at for at in moved if _is_crossing(design, at)))


def wished_images(design: Design, through: tuple[Motion, ...], passes: Iterable[Pass]) -> tuple[Pass, ...]:
    """Passes wished over with all their images: under a mirror the other strand, as an alternating weave asks."""
    found: dict[Site, Pass] = {}
    for motion in through:
        for at in passes:
            moved = move_pass(_grid(design), motion, at)
            if motion.mirrors:
                moved = Pass(*moved.site, _other(moved.way))
            if _is_crossing(design, moved):
                found.setdefault(moved.site, moved)
    return tuple(found.values())


def _is_crossing(design: Design, at: Pass) -> bool:
    return is_crossable(design.layout, at.site) and break_at(design, at.site) is None


def _grid(design: Design) -> Grid:
    assert isinstance(design.layout, Grid)
    return design.layout
