"""The demonstration designs: what they are, for whom, and how their files came about.

``python demo_scenes/demos.py`` writes them anew as design files beside this script.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from knotgeom.carving.options import Carving, Ground, Moulding, Wood
from knotgeom.design import (
    Border,
    Breaks,
    Cylinder,
    Design,
    Divide,
    Dome,
    Grid,
    Heights,
    Make,
    Making,
    Pass,
    Rejoin,
    Rim,
    Ring,
    Section,
    Site,
    Strand,
    Strip,
    Way,
)
from knotgeom.panel import four
from knotgeom.printing.options import Bail, BailKind, Eye, Frame, Mark, Outline, Plate, Printing
from knotgeom.reading import write_text
from knotgeom.trims.options import Part, Textures, Trimming

FOLDER = Path(__file__).resolve().parent / "designs"


@dataclass(frozen=True)
class Demo:
    """A design with the story of its use."""

    name: str
    title: str
    person: str
    design: Design

    @property
    def path(self) -> Path:
        """Its design file."""
        return FOLDER / f"{self.name}.interlace.json"


def mirrored(grid: Grid, sites: Iterable[tuple[int, int]]) -> tuple[Site, ...]:
    """The sites and their mirror images, left to right and top to bottom."""
    width, height = 2 * grid.columns, 2 * grid.rows
    return tuple(
        sorted(
            {Site(a, b) for x, y in sites for a in (x, width - x) for b in (y, height - y)}, key=lambda s: (s.y, s.x)
        )
    )


def breaks(grid: Grid, horizontal: Iterable[tuple[int, int]] = (), vertical: Iterable[tuple[int, int]] = ()) -> Breaks:
    """Breaks the same mirrored both ways, from those of one quarter."""
    return Breaks(mirrored(grid, horizontal), mirrored(grid, vertical))


def four_fold(grid: Grid, horizontal: Iterable[tuple[int, int]]) -> Breaks:
    """Breaks the same mirrored both ways and along the diagonal of a square layout, from the horizontal ones."""
    horizontal = list(horizontal)
    return breaks(grid, horizontal, [(y, x) for x, y in horizontal])


def block(first: int, last: int) -> tuple[tuple[int, int], ...]:
    """The cells of a square block."""
    return tuple((column, row) for row in range(first, last + 1) for column in range(first, last + 1))


def _chest_panel() -> Design:
    grid = Grid(8, 5, 24.0, 24.0)
    return Design(
        grid,
        breaks(grid, [(4, 5)], [(1, 2), (6, 3)]),
        strand=Strand(width=10.0, thickness=6.0),
        heights=Heights(way=Making.CARVED, step=2.4),
    )


def _mirror_frame() -> Design:
    grid = Grid(8, 8, 22.0, 22.0, block(2, 5))
    return Design(
        grid,
        four_fold(grid, [(2, 7), (3, 8)]),
        strand=Strand(width=9.2, thickness=5.5, section=Section.MEDIAN_INCISED),
        heights=Heights(way=Making.CARVED, step=2.2),
    )


def _hearth_tile() -> Design:
    grid = Grid(6, 6, 30.0, 30.0)
    return Design(
        grid,
        four_fold(grid, [(1, 6), (2, 5)]),
        Divide(all=True, gap=3.2),
        strand=Strand(width=12.4, thickness=7.0),
        heights=Heights(way=Making.CARVED, step=2.2),
    )


def _cross_pendant() -> Design:
    grid = Grid(5, 5, 6.0, 6.0, ((0, 0), (4, 0), (0, 4), (4, 4)))
    return Design(
        grid,
        four_fold(grid, [(2, 3)]),
        strand=Strand(width=2.5, thickness=1.6, section=Section.HALF_ROUND),
        heights=Heights(way=Making.FUSED, step=0.6),
    )


def _belt_mount() -> Design:
    grid = Grid(6, 6, 8.0, 8.0)
    return Design(
        grid,
        four_fold(grid, [(1, 6), (4, 1), (6, 3)]),
        Divide(all=True, rejoin=Rejoin.BENDS, gap=0.75),
        strand=Strand(width=2.88, thickness=1.3, section=Section.HALF_ROUND),
        heights=Heights(way=Making.FUSED, step=0.45),
    )


def _linked_charm() -> Design:
    grid = Grid(5, 5, 8.0, 8.0)
    return Design(
        grid,
        four_fold(grid, [(2, 5)]),
        strand=Strand(width=3.2, thickness=1.1, section=Section.HALF_ROUND),
        heights=Heights(way=Making.FREE, clearance=0.35),
    )


def _door_trim() -> Design:
    grid = Grid(12, 3, 60.0, 60.0)
    return Design(
        grid,
        breaks(grid, vertical=[(6, 3), (12, 3)]),
        strand=Strand(width=25.0, thickness=14.0, section=Section.MEDIAN_INCISED),
        heights=Heights(way=Making.FUSED, step=5.0),
    )


def _painted_boss() -> Design:
    grid = Grid(6, 6, 50.0, 50.0)
    return Design(
        grid,
        four_fold(grid, [(3, 6)]),
        Divide(circuits=(Pass(1, 4, Way.FALLING), Pass(1, 6, Way.FALLING)), gap=5.0),
        strand=Strand(width=20.0, thickness=9.0),
        heights=Heights(way=Making.FUSED, step=3.2),
    )


DEMOS: tuple[Demo, ...] = (
    Demo("chest_panel", "Oak panel for a chest, four rings tied in", "woodcarver", _chest_panel()),
    Demo("mirror_frame", "Walnut frame of a mirror, incised strands", "woodcarver", _mirror_frame()),
    Demo("hearth_tile", "Sandstone hearth tile, fully divided", "woodcarver", _hearth_tile()),
    Demo("cross_pendant", "Silver pendant, corners left out", "jeweller", _cross_pendant()),
    Demo("belt_mount", "Bronze belt mount, rejoined at its bends", "jeweller", _belt_mount()),
    Demo("linked_charm", "Linked charm printed in one go, strands free", "jeweller", _linked_charm()),
    Demo("door_trim", "Trim strip on a door frame", "game artist", _door_trim()),
    Demo("painted_boss", "Painted boss, its border divided", "game artist", _painted_boss()),
)
"""All demonstrations, in the order of the contact sheet."""


def _carved_panel() -> Design:
    carving = Carving(
        board=(248.0, 176.0, 20.0),
        depth=8.0,
        ground=Ground.PUNCHED,
        margin=8.0,
        frame=Moulding.OGEE,
        frame_width=12.0,
        easing=1.5,
        wood=Wood.OAK,
        resolution=0.2,
    )
    return replace(_chest_panel(), make=Make(carve=carving))


def _medal_pendant() -> Design:
    grid = Grid(4, 4, 6.0, 6.0)
    piece = Printing(
        size=38.0,
        mass_g=14.0,
        shrinkage=1.5,
        finishing=0.1,
        plate=Plate(Outline.DISC, thickness=1.0, margin=0.0),
        frame=Frame(Outline.DISC, width=1.8),
        bail=Bail(BailKind.LOOP),
        mark=Mark(6.0, 3.0),
    )
    return Design(
        grid,
        strand=Strand(width=2.6, thickness=1.8, section=Section.HALF_ROUND),
        heights=Heights(way=Making.FUSED, step=0.62),
        make=Make(print=piece),
    )


def _shield_pendant() -> Design:
    grid = Grid(3, 3, 8.0, 8.0)
    piece = Printing(
        size=42.0,
        material="bronze",
        plate=Plate(Outline.SHIELD, thickness=1.4, margin=0.0),
        frame=Frame(Outline.SHIELD, width=1.6, overlap=-1.0),
        eye=Eye(),
    )
    return Design(
        grid,
        strand=Strand(width=3.2, thickness=1.9, section=Section.HALF_ROUND),
        heights=Heights(way=Making.FUSED, step=0.7),
        make=Make(print=piece),
    )


def _hanging_charm() -> Design:
    piece = Printing(size=46.0, process="printing", material="nylon PA12, powder bed", bail=Bail(bore=4.5, wall=1.4))
    charm = _linked_charm()
    return replace(charm, strand=replace(charm.strand, thickness=1.6), make=Make(print=piece))


def _ring_pendant() -> Design:
    return Design(
        Ring(9, 2, 9.0, 18.0, Rim.CROSSED, Rim.CROSSED),
        strand=Strand(width=2.1, thickness=1.4, section=Section.HALF_ROUND),
        heights=Heights(way=Making.FUSED, step=0.5),
    )


def _bangle() -> Design:
    return Design(
        Strip(4, 3, 8.0, 7.0, 6, surface=Cylinder()),
        Breaks(vertical=(Site(4, 3),)),
        strand=Strand(width=3.3, thickness=1.5, section=Section.HALF_ROUND),
        heights=Heights(way=Making.FUSED, step=0.5),
    )


def _panel_quarter() -> Design:
    grid = Grid(4, 4, 24.0, 24.0)
    return Design(
        grid,
        Breaks(horizontal=(Site(2, 3),), vertical=(Site(3, 2),)),
        strand=Strand(width=9.0, thickness=6.0),
        heights=Heights(way=Making.CARVED, step=2.2),
    )


def _four_panel() -> Design:
    panel = four("panel_quarter.interlace.json", _panel_quarter())
    return Design(panel)


def _shield_boss() -> Design:
    return Design(
        Ring(16, 3, 24.0, 60.0, surface=Dome(16.0)),
        Breaks(horizontal=tuple(Site(x, 2) for x in range(1, 32, 8))),
        strand=Strand(width=4.6, thickness=3.0),
        heights=Heights(way=Making.FUSED, step=1.0),
    )


def _plaque_border() -> Design:
    return Design(
        Border((8, 4), 2, 16.0),
        strand=Strand(width=7.0, thickness=4.0),
        heights=Heights(way=Making.CARVED, step=1.6),
    )


SHAPED: tuple[Demo, ...] = (
    Demo("ring_pendant", "Ring pendant, its strands looping outside both edges", "jeweller", _ring_pendant()),
    Demo("bangle", "Bangle, six repeats round the wrist", "jeweller", _bangle()),
    Demo("panel_quarter", "Quarter of a panel, broken off its corner", "woodcarver", _panel_quarter()),
    Demo("four_panel", "Carved panel of four joined knots", "woodcarver", _four_panel()),
    Demo("shield_boss", "Shield boss on a dome", "game artist", _shield_boss()),
    Demo("plaque_border", "Border round a plaque", "woodcarver", _plaque_border()),
)
"""Demonstrations of layouts other than grids."""

CARVED: tuple[Demo, ...] = (
    Demo("carved_panel", "The chest's panel on its board, framed, its ground punched", "woodcarver", _carved_panel()),
)
"""Demonstrations of what is made of a design, beside those of the contact sheet."""

PRINTED: tuple[Demo, ...] = (
    Demo("medal_pendant", "Silver medal of 14 g in a round frame, for casting", "jeweller", _medal_pendant()),
    Demo("shield_pendant", "Bronze shield with an eye for a jump ring", "jeweller", _shield_pendant()),
    Demo("hanging_charm", "The linked charm with its bail, printed in one go", "jeweller", _hanging_charm()),
)
"""Finished pieces for printing and casting."""


def _door_frame() -> Design:
    kit = Trimming(triangles=4000, lengths=(1000.0,), hull=True)
    return Design(
        Strip(4, 3, 40.0, 40.0),
        Breaks(vertical=(Site(4, 3),)),
        strand=Strand(width=17.0, thickness=11.0, section=Section.MEDIAN_INCISED),
        heights=Heights(way=Making.FUSED, step=3.8),
        make=Make(trim=kit),
    )


def _belt_strip() -> Design:
    kit = Trimming(triangles=3000, repeats=2, textures=Textures(size=1024))
    return Design(
        Strip(4, 2, 9.0, 9.0),
        divide=Divide(all=True, gap=0.9),
        strand=Strand(width=3.6, thickness=2.0, section=Section.HALF_ROUND),
        heights=Heights(way=Making.FUSED, step=0.6),
        make=Make(trim=kit),
    )


def _column_band() -> Design:
    kit = Trimming(triangles=2500, pieces=(Part.STRAIGHT, Part.CAP))
    return Design(
        Strip(4, 4, 45.0, 45.0),
        Breaks(horizontal=(Site(3, 4), Site(5, 4))),
        strand=Strand(width=19.0, thickness=12.0),
        heights=Heights(way=Making.FUSED, step=4.0),
        make=Make(trim=kit),
    )


TRIMMED: tuple[Demo, ...] = (
    Demo("door_frame", "Trim kit for a door frame, with corners and a metre of it", "game artist", _door_frame()),
    Demo("belt_strip", "Trim kit of a belt, its strands divided", "game artist", _belt_strip()),
    Demo("column_band", "Trim kit of a band to array round a column", "game artist", _column_band()),
)
"""Kits of trim pieces for games."""


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for demo in (*DEMOS, *SHAPED, *CARVED, *PRINTED, *TRIMMED):
        demo.path.write_text(write_text(demo.design), encoding="utf-8")
