"""Layouts and entries that programs make and that are none: each is refused by its place and what would be right."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest

from knotgeom.design import (
    FREE,
    Breaks,
    CircuitStyle,
    Design,
    Divide,
    FreeMesh,
    Grid,
    Joins,
    Panel,
    Pass,
    Piece,
    Rim,
    Ring,
    Site,
    Sphere,
    Strand,
    Strip,
    Turned,
    Way,
    Weave,
)
from knotgeom.errors import DesignError
from knotgeom.layout import lay_out
from knotgeom.made import make
from knotgeom.reading import check, loaded, read_file, read_text

RING = Ring(6, 2, 20.0, 40.0)
CROSSED = replace(RING, outer_edge=Rim.CROSSED)
GRID = Grid(3, 3, 10.0, 10.0)
PAIR = FreeMesh(tuple((10.0 * x, 10.0 * y, 0.0) for y in (0, 1) for x in (0, 1, 2)), ((0, 1, 4, 3), (1, 2, 5, 4)))
"""Two squares: edge 1 lies between them, the six others are on the boundary."""
RISING = Way.RISING


def band(faces: int, *, twisted: bool) -> FreeMesh:
    """Squares in a ring, closed after half a turn or without one."""
    angle = [2 * math.pi * k / faces for k in range(faces)]
    half = [a / 2 if twisted else math.pi / 2 for a in angle]
    rims = [
        tuple(
            ((30 + s * 8 * math.cos(h)) * math.cos(a), (30 + s * 8 * math.cos(h)) * math.sin(a), s * 8 * math.sin(h))
            for a, h in zip(angle, half, strict=True)
        )
        for s in (-1, 1)
    ]
    squares = [(k, k + 1, faces + k + 1, faces + k) for k in range(faces - 1)]
    last = (faces - 1, faces, 0, 2 * faces - 1) if twisted else (faces - 1, 0, faces, 2 * faces - 1)
    return FreeMesh((*rims[0], *rims[1]), (*squares, last))


SHAPES = [
    (replace(RING, inner=40.0), "layout.ring.inner", "not under the outer"),
    (Ring(2, 1, 0.0, 20.0), "layout.ring.sectors", "wheel of 2 sectors"),
    (Ring(6, 1, 0.0, 20.0, inner_edge=Rim.CROSSED), "layout.ring.inner_edge", "no inner edge"),
    (Strip(1, 2, 10.0, 10.0), "layout.strip", "joined to itself"),
    (Strip(6, 9, 10.0, 10.0, surface=Sphere(60.0)), "layout.strip.cell", "round the poles of a sphere of 60 mm"),
    (
        Strip(6, 2, 10.0, 10.0, surface=Turned(((20.0, 0.0), (20.0, 1e-7), (25.0, 30.0)))),
        r"layout.strip.surface.*\[1\]",
        "two points of the profile are one",
    ),
    (FreeMesh(((0.0, 0.0, 0.0),), ()), "layout.mesh", "vertices and faces"),
    (band(5, twisted=True), "layout.mesh.faces", "one side only"),
    (replace(PAIR, faces=(PAIR.faces[0], PAIR.faces[1][::-1])), "layout.mesh.faces", "turn faces"),
    (replace(PAIR, faces=(PAIR.faces[0], (1, 2, 6, 4))), r"layout.mesh.faces\[1\]", "names vertex 6"),
    (replace(PAIR, faces=(PAIR.faces[0], (1, 2, 5, 1))), r"layout.mesh.faces\[1\]", "3 different corners of 4"),
    (replace(PAIR, faces=(*PAIR.faces, (1, 4, 0))), "layout.mesh.faces", "more than two faces"),
    (
        FreeMesh(((0.0, 0.0, 0.0), (10.0, 0.0, 0.0), (10.0, 0.0, 0.0), (0.0, 10.0, 0.0)), ((0, 1, 2, 3),)),
        r"layout.mesh.vertices\[2\]",
        "no length",
    ),
]

ENTRIES = [
    (Design(RING, Breaks(along=(3,))), "breaks.along", "this layout's sites are [x, y]"),
    (Design(RING, Breaks((Site(3, 2),), (Site(3, 2),))), "breaks.vertical[0]", "is also"),
    (Design(RING, weave=Weave(prefer=(Pass(3, FREE, RISING),))), "weave.prefer[0]", "an edge's name"),
    (Design(RING, Breaks((Site(3, 0),))), "breaks.horizontal[0]", "boundary of the layout"),
    (Design(RING, Breaks((Site(12, 1),))), "breaks.horizontal[0]", "off the layout"),
    (Design(RING, Breaks((Site(3, 1),))), "breaks.horizontal[0]", "x + y even"),
    (Design(CROSSED, Breaks((), (Site(3, 4),))), "breaks.vertical[0]", "a break across it is none"),
    (
        Design(RING, Breaks((Site(3, 2),)), weave=Weave(prefer=(Pass(3, 2, RISING),))),
        "weave.prefer[0]",
        '[3, 2, "rising"] goes through a break',
    ),
    (Design(PAIR, Breaks((Site(3, 2),))), "breaks.horizontal[0]", "belong to layouts in cells"),
    (Design(PAIR, Breaks(along=(2,))), "breaks.along[0]", "edge 2 lies on the boundary"),
    (
        Design(replace(PAIR, boundary=Rim.CROSSED), Breaks(across=(2,))),
        "breaks.across[0]",
        "edge 2 lies on the boundary",
    ),
    (Design(PAIR, Breaks(along=(1,), across=(1,))), "breaks.across[0]", "edge 1 is also breaks.along[0]"),
    (Design(PAIR, Breaks(along=(7,))), "breaks.along[0]", "edge 7 is none of the mesh"),
    (Design(PAIR, weave=Weave(prefer=(Pass(3, 2, RISING),))), "weave.prefer[0]", "belongs to layouts in cells"),
    (Design(PAIR, divide=Divide(circuits=(Pass(2, FREE, RISING),))), "divide.circuits[0]", "no strands cross"),
    (
        Design(PAIR, Breaks(along=(1,)), Divide(passes=(Pass(1, FREE, RISING),))),
        "divide.passes[0]",
        "[1, 1] goes through a break",
    ),
    (Design(GRID, Breaks(along=(1,))), "breaks.along", "belong to free meshes"),
    (Design(GRID, weave=Weave(prefer=(Pass(1, FREE, RISING),))), "weave.prefer[0]", "a pass of a free mesh, edge 1"),
    (
        Design(GRID, strand=Strand(width=4.0, circuits=(CircuitStyle(Pass(3, 2, RISING), width=9.0),))),
        "strand.circuits[0].width",
        "leaves no background",
    ),
    (
        Design(
            GRID,
            divide=Divide(all=True, gap=2.0),
            strand=Strand(width=4.0, circuits=(CircuitStyle(Pass(3, 2, RISING), width=1.5),)),
        ),
        "divide.gap",
        "leaves nothing of a circuit 1.5 mm wide",
    ),
]


@pytest.mark.parametrize(("layout", "place", "told"), SHAPES)
def test_a_shape_that_is_none_is_refused_by_its_place(layout, place: str, told: str) -> None:
    with pytest.raises(DesignError) as refused:
        check(Design(layout))
    assert re.fullmatch(place, refused.value.place) and told in str(refused.value)


@pytest.mark.parametrize(("design", "place", "told"), ENTRIES)
def test_an_entry_that_has_no_place_on_its_layout_is_refused_by_its_place(design, place: str, told: str) -> None:
    with pytest.raises(DesignError) as refused:
        check(design)
    assert refused.value.place.startswith(place) and told in str(refused.value)


def test_what_is_refused_is_sound_but_for_that_one_thing() -> None:
    for design in (Design(RING), Design(CROSSED), Design(PAIR), Design(GRID), Design(band(5, twisted=False))):
        check(design)
    layout = lay_out(band(5, twisted=False), Breaks())
    assert layout.boundary.sum() == 10 and len(layout.site) == 15  # two rims of five edges, five edges across


def test_two_walls_of_one_corner_of_a_moebius_band_are_not_enough_to_make_it_two_sided() -> None:
    # one square turned over leaves it one-sided; a band without the twist is two-sided once its square is turned back
    twisted, plain = band(5, twisted=True), band(5, twisted=False)
    for mesh, told in ((twisted, "one side only"), (plain, "turn faces")):
        over = replace(mesh, faces=(*mesh.faces[:2], mesh.faces[2][::-1], *mesh.faces[3:]))
        with pytest.raises(DesignError, match=told):
            check(Design(over))


# ------------------------------------------------------------------------------------------------ from design files


@pytest.mark.parametrize(
    ("layout", "place", "told"),
    [
        ('{"border": {"rows": 2, "cell": 9}}', "layout.border", "either inside or sides"),
        (
            '{"border": {"rows": 2, "cell": 9, "inside": [4, 4], "sides": [3, 5]}}',
            "layout.border",
            "either inside or sides",
        ),
        (
            '{"border": {"rows": 2, "cell": 9, "sides": [3, 5], "corners": "square"}}',
            "layout.border.corners",
            "no square corners",
        ),
        ('{"mesh": {"vertices": [[0, 0, 0]], "faces": 3}}', "layout.mesh.faces", "found 3"),
        ('{"mesh": {"vertices": [[0, 0, 0]], "faces": [[0, 1]]}}', "layout.mesh.faces[0]", "2 different corners"),
        ('{"mesh": {"file": "a.obj"}}', "layout.mesh.file", "where it lies is not known"),
        ('{"panel": {"pieces": [{"file": "a.json"}], "joins": "all"}}', "layout.panel", "where it lies is not known"),
    ],
)
def test_a_layout_of_a_file_that_is_none_is_refused_by_its_place(layout: str, place: str, told: str) -> None:
    with pytest.raises(DesignError) as refused:
        read_text(f'{{"interlace": 1, "layout": {layout}}}')
    assert refused.value.place.startswith(place) and told in str(refused.value)


def test_files_beside_a_design_that_no_panel_takes_are_refused_by_their_name(tmp_path) -> None:
    square = '{"interlace": 1, "layout": {"mesh": {"vertices": [[0,0,0],[9,0,0],[0,9,0]], "faces": [[0,1,2]]}}}'
    (tmp_path / "mesh.json").write_text(square)
    (tmp_path / "plain.json").write_text('{"interlace": 1, "layout": {"grid": [2, 2], "cell": 9}}')
    panel = '{"interlace": 1, "layout": {"panel": {"pieces": [{"file": "%s"}], "joins": "all"}}}'
    (tmp_path / "of_mesh.json").write_text(panel % "mesh.json")
    with pytest.raises(DesignError, match="is set out on a mesh") as refused:
        read_file(tmp_path / "of_mesh.json")
    assert refused.value.place == "layout.panel.pieces[0].file" and "mesh.json" in str(refused.value)
    (tmp_path / "nowhere.json").write_text('{"interlace": 1, "layout": {"mesh": {"file": "gone.obj"}}}')
    with pytest.raises(DesignError, match="gone.obj"):
        read_file(tmp_path / "nowhere.json")
    # panels within panels, each of one piece: one too many
    name = "plain.json"
    for depth in range(12):
        (tmp_path / f"{depth}.json").write_text(panel % name)
        name = f"{depth}.json"
    assert read_file(tmp_path / "3.json").layout
    with pytest.raises(DesignError, match="nested too deeply"):
        read_file(tmp_path / name)


def test_pieces_that_a_program_has_read_already_are_not_read_again(tmp_path) -> None:
    piece = Design(GRID)
    held = Design(Panel((Piece("none.json", (0.0, 0.0), 0, False, piece),), Joins.ALL))
    assert loaded(held, tmp_path) == held


def test_a_ring_of_few_long_sectors_is_refused_and_as_many_as_it_says_do():
    """A chord over a sixth of a circle dips 8 mm at 60 mm from the middle, to where the next row's strands turn."""
    ring = Ring(6, 2, 60.0, 80.0, Rim.CROSSED)
    with pytest.raises(DesignError, match=r"layout\.ring\.sectors: strands have 0\.0477 mm of room at ") as refused:
        make(Design(ring))
    sectors = int(re.search(r"about (\d+) sectors", refused.value.remedy)[1])
    assert make(Design(replace(ring, sectors=sectors))).findings == ()


def test_a_mesh_with_a_sliver_is_refused_by_where_it_is():
    sliver = FreeMesh(
        ((0.0, 0.0, 0.0), (20.0, 0.0, 0.0), (10.0, 0.01, 0.0), (10.0, 20.0, 0.0)), ((0, 1, 2), (0, 2, 3), (2, 1, 3))
    )
    with pytest.raises(DesignError, match="of room at .*move the corners"):
        make(Design(sliver))
