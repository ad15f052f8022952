"""Panels: pieces read from files, joined where they touch, against grids set out by hand."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from knotgeom.design import (
    Breaks,
    CircuitStyle,
    Design,
    Divide,
    Grid,
    Joins,
    Panel,
    Pass,
    Piece,
    Rejoin,
    Ring,
    Site,
    Strand,
    Way,
    Weave,
)
from knotgeom.errors import DesignError
from knotgeom.made import facts
from knotgeom.panel import four, merged_circuits, panelled, row
from knotgeom.reading import read_file, write_text
from knotgeom.resolve import resolved
from tests.core.reference import made, tool_over, woven
from tests.core.strategies import drawn

KNOT = Design(
    Grid(4, 4, 10.0, 10.0, ((3, 3),)),
    Breaks((Site(3, 4), Site(5, 4)), (Site(4, 3),)),
    Divide((Pass(1, 2, Way.RISING),), (Pass(3, 2, Way.FALLING),), False, Rejoin.NONE, 0.8),
)
PLAIN = Design(Grid(3, 2, 10.0, 10.0))


def saved(folder: Path, name: str, design: Design | dict[str, object]) -> Path:
    path = folder / name
    path.write_text(write_text(design) if isinstance(design, Design) else json.dumps(design))
    return path


def panel_file(folder: Path, pieces: list[dict[str, object]], joins: object = "all", name: str = "panel") -> Path:
    layout = {"panel": {"pieces": pieces, "joins": joins}}
    return saved(folder, f"{name}.interlace.json", {"interlace": 1, "layout": layout})


def beside(design: Design, other: Design, at: tuple[float, float], joins: object = Joins.ALL) -> Design:
    return Design(Panel((Piece("a", (0.0, 0.0), 0, False, design), Piece("b", at, 0, False, other)), joins))


def circuit_sets(grid: Grid, breaks: Breaks) -> list[frozenset[Pass]]:
    """Circuits of a grid walked step by step, for comparison: from site to site along the diagonals.

    A strand leaves a site towards (dx, dy), both 1 or -1; at the next site, a half cell on both ways, it goes straight
    on at a crossing, comes back reversed in y from a horizontal break or wall, reversed in x from a vertical one.
    """
    cells = {(c, r) for c in range(grid.columns) for r in range(grid.rows)} - set(grid.without)

    def there(x: int, y: int) -> bool:
        beside = ((x // 2, y // 2 - 1), (x // 2, y // 2)) if x % 2 else ((x // 2 - 1, y // 2), (x // 2, y // 2))
        return all(cell in cells for cell in beside)

    def kind(x: int, y: int) -> str:
        if (x, y) in breaks.horizontal or (not there(x, y) and x % 2):
            return "-"
        if (x, y) in breaks.vertical or not there(x, y):
            return "|"
        return "x"

    def steps(x: int, y: int, dx: int, dy: int) -> Iterator[tuple[int, int, int, int]]:
        first = x, y, dx, dy
        while True:
            yield x, y, dx, dy
            x, y = x + dx, y + dy
            dx, dy = {"x": (dx, dy), "-": (dx, -dy), "|": (-dx, dy)}[kind(x, y)]
            if (x, y, dx, dy) == first:
                return

    found: list[frozenset[Pass]] = []
    seen: set[Pass] = set()
    for c, r in sorted(cells):
        for x, y in ((2 * c + 1, 2 * r), (2 * c + 1, 2 * r + 2), (2 * c, 2 * r + 1), (2 * c + 2, 2 * r + 1)):
            for way, (dx, dy) in ((Way.RISING, (1, 1)), (Way.FALLING, (1, -1))):
                if kind(x, y) == "x" and Pass(x, y, way) not in seen:
                    circuit = frozenset(
                        Pass(a, b, Way.RISING if da == db else Way.FALLING)
                        for a, b, da, db in steps(x, y, dx, dy)
                        if kind(a, b) == "x"
                    )
                    seen |= circuit
                    found.append(circuit)
    return found


# ------------------------------------------------------------------------------------------------------ refused


@pytest.mark.parametrize(
    ("pieces", "joins", "place", "words"),
    [
        ([{"file": "a", "at": [0, 0]}, {"file": "a", "at": [20, 0]}], "all", "pieces[1].at", "lies upon piece 0"),
        ([{"file": "a"}, {"file": "a", "at": [35, 0]}], "all", "pieces[1].at", "lies between cells"),
        ([{"file": "a"}, {"file": "wide", "at": [30, 0]}], "all", "pieces[1]", "the first piece 10 x 10"),
        ([{"file": "a"}, {"file": "ring", "at": [30, 0]}], "all", "pieces[1].file", "set out on a ring"),
        ([{"file": "a"}, {"file": "a", "at": [30, 0]}], [[6, 1], [4, 1]], "joins[1]", "touch at [4, 1]"),
        ([{"file": "a"}, {"file": "a", "at": [50, 0]}], [[6, 1]], "joins[0]", "touch at [6, 1]"),
        ([{"file": "a"}, {"file": "a", "at": [900000, 900000]}], "all", "pieces", "cells"),
        ([{"file": "none"}], "all", "pieces[0].file", "no file"),
        ([{"file": "../outside"}], "all", "pieces[0].file", "outside the folder"),
        ([{"file": "a\0b"}], "all", "pieces[0].file", "found the text"),
        ([{"file": "n" * 300}], "all", "pieces[0].file", "names no file"),
        ([{"file": "panel"}], "all", "pieces[0].file", "itself"),
        ([{"file": "bad"}], "all", "pieces[0].file", "layout.grid"),
        ([], "all", "pieces", ""),
    ],
)
def test_pieces_that_do_not_fit_are_refused_in_one_line(
    tmp_path: Path, pieces: list[dict[str, object]], joins: object, place: str, words: str
) -> None:
    folder = tmp_path / "panels"
    folder.mkdir()
    saved(tmp_path, "outside.interlace.json", PLAIN)
    saved(folder, "a.interlace.json", PLAIN)
    saved(folder, "wide.interlace.json", Design(Grid(3, 2, 12.0, 10.0)))
    saved(folder, "ring.interlace.json", Design(Ring(12, 2, 20.0, 32.0)))
    saved(folder, "bad.interlace.json", {"interlace": 1, "layout": {"grid": [0, 4], "cell": 10}})
    named = [{**piece, "file": f"{piece['file']}.interlace.json"} for piece in pieces]
    with pytest.raises(DesignError) as refused:
        facts(read_file(panel_file(folder, named, joins)))
    assert refused.value.place == f"layout.panel.{place}"
    assert words in refused.value.problem
    assert "\n" not in str(refused.value)


def test_panels_that_have_each_other_for_pieces_are_refused(tmp_path: Path) -> None:
    first = panel_file(tmp_path, [{"file": "b.interlace.json"}], name="a")
    panel_file(tmp_path, [{"file": "a.interlace.json"}], name="b")
    with pytest.raises(DesignError, match="itself for a piece"):
        read_file(first)


# -------------------------------------------------------------------------------------------------------- joined


def test_joining_at_all_sites_gives_the_wider_plait(tmp_path: Path) -> None:
    saved(tmp_path, "a.interlace.json", PLAIN)
    pieces: list[dict[str, object]] = [{"file": "a.interlace.json"}, {"file": "a.interlace.json", "at": [30, 0]}]
    joined = facts(read_file(panel_file(tmp_path, pieces)))
    by_hand = facts(Design(Grid(6, 2, 10.0, 10.0)))
    assert {k: v for k, v in joined.items() if k != "merged"} == by_hand


def test_joins_in_the_middle_and_by_name_leave_the_rest_apart() -> None:
    for rows, sites in ((3, [(6, 3)]), (4, [(6, 3), (6, 5)])):
        piece = Design(Grid(3, rows, 10.0, 10.0))
        middle = resolved(beside(piece, piece, (30.0, 0.0), Joins.MIDDLE))
        named = resolved(beside(piece, piece, (30.0, 0.0), tuple(Site(*site) for site in sites)))
        assert middle == named
        # a vertical break keeps strands apart wherever they are not joined
        assert set(middle.breaks.vertical) == {(6, y) for y in range(1, 2 * rows, 2)} - set(sites)


def test_breaks_dividing_and_wishes_stay_where_they_were() -> None:
    wished = replace(KNOT, weave=Weave(prefer=(Pass(5, 2, Way.FALLING),)))
    joined = resolved(beside(wished, PLAIN, (40.0, 0.0), (Site(8, 1),)))
    assert set(joined.breaks.horizontal) == set(KNOT.breaks.horizontal)
    assert set(joined.breaks.vertical) == {*KNOT.breaks.vertical, Site(8, 3)}
    assert Pass(3, 2, Way.FALLING) in joined.divide.passes or Pass(1, 2, Way.RISING) in joined.divide.circuits
    assert joined.divide.gap == 0.8
    assert joined.weave.prefer == wished.weave.prefer
    # what was divided is divided, and nothing of the plain piece but what runs on through the join
    before = next(c for c in circuit_sets(KNOT.layout, KNOT.breaks) if Pass(1, 2, Way.RISING) in c)
    now = circuit_sets(joined.layout, joined.breaks)
    chosen = set(joined.divide.passes) | {at for c in now for at in c if c & set(joined.divide.circuits)}
    assert before | {Pass(3, 2, Way.FALLING)} <= chosen


def test_two_designs_join_to_a_weave_without_exceptions_where_nothing_is_divided() -> None:
    rng = random.Random(5)
    for _ in range(12):
        left, right = (replace(drawn(rng, 3, 3, 3, 0.3, 0), divide=Divide(), weave=Weave()) for _ in "ab")
        wide = left.layout.columns * left.layout.cell_width
        joined = resolved(beside(left, right, (wide, 0.0)))
        layout, _, strand_map, weaving = made(joined)
        over = tool_over(layout, strand_map, weaving.pass_one_over)
        assert (strand_map.forks, weaving.exceptions) == (0, 0)
        for a, b in woven(joined).pieces:  # over and under in turn, by the reference's own walk
            assert (over[a.node] == a.upper_when_true) != (over[b.node] == b.upper_when_true)


def test_merged_names_the_circuits_that_ran_together() -> None:
    rng = random.Random(8)
    several = 0
    for _ in range(20):
        pieces = [replace(drawn(rng, 3, 3, 3, 0.3, 0), divide=Divide(), weave=Weave()) for _ in "ab"]
        wide = pieces[0].layout.columns * pieces[0].layout.cell_width
        turn, mirror = rng.choice([0, 180]), rng.random() < 0.5
        panel = Panel(
            (Piece("a", (0.0, 0.0), 0, False, pieces[0]), Piece("b", (wide, 0.0), turn, mirror, pieces[1])),
            rng.choice([Joins.ALL, Joins.MIDDLE]),
        )
        design = Design(panel)
        merged = merged_circuits(design, resolved)
        whole = resolved(design)
        after = circuit_sets(whole.layout, whole.breaks)
        apart = [circuit_sets(piece.layout, piece.breaks) for piece in pieces]
        # passes of each piece where they come to lie, by hand: mirrored, and turned half round
        sizes: list[list[int]] = []

        def placed(
            index: int, at: Pass, turn: int = turn, mirror: bool = mirror, pieces: list[Design] = pieces
        ) -> Pass:
            if index == 0:
                return at
            flip_x, flip_y = mirror != (turn == 180), turn == 180
            x = 2 * pieces[1].layout.columns - at.x if flip_x else at.x
            y = 2 * pieces[1].layout.rows - at.y if flip_y else at.y
            other = {Way.RISING: Way.FALLING, Way.FALLING: Way.RISING}[at.way]
            return Pass(x + 2 * pieces[0].layout.columns, y, other if flip_x != flip_y else at.way)

        for circuit in after:
            # a new crossing may also part a circuit, so that it is found in two
            parts = [i for i in (0, 1) for own in apart[i] if any(placed(i, at) in circuit for at in own)]
            if len(parts) > 1:
                sizes.append(parts)
        assert sorted(sorted(piece for piece, _ in parts) for parts in merged) == sorted(sizes)
        several += len(sizes)
    assert several >= 5


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_a_turned_and_mirrored_piece_is_the_grid_set_out_by_hand(turn: int, mirror: bool) -> None:
    # quarter turns anticlockwise take (x, y) to (-y, x); mirroring takes x to -x, before turning
    cos, sin = {0: (1, 0), 90: (0, 1), 180: (-1, 0), 270: (0, -1)}[turn]

    def moved(x: int, y: int) -> Site:
        x, y = (-x if mirror else x) + (4 if mirror else -4), y - 4
        return Site(cos * x - sin * y + 4, sin * x + cos * y + 4)

    flat = turn in (0, 180)
    across, up = ([moved(*s) for s in sites] for sites in (KNOT.breaks.horizontal, KNOT.breaks.vertical))
    swaps = mirror != (turn in (90, 270))

    def way(at: Pass) -> Pass:
        other = {Way.RISING: Way.FALLING, Way.FALLING: Way.RISING}[at.way]
        return Pass(*moved(*at.site), other if swaps else at.way)

    corner = moved(7, 7)
    by_hand = Design(
        Grid(4, 4, 10.0, 10.0, ((corner.x // 2, corner.y // 2),)),
        Breaks(tuple(across if flat else up), tuple(up if flat else across)),
        replace(
            KNOT.divide, circuits=tuple(map(way, KNOT.divide.circuits)), passes=tuple(map(way, KNOT.divide.passes))
        ),
    )
    panel = resolved(Design(Panel((Piece("a", (0.0, 0.0), turn, mirror, KNOT),), Joins.ALL)))
    assert panel.layout == by_hand.layout
    assert set(panel.breaks.horizontal) == set(by_hand.breaks.horizontal)
    assert set(panel.breaks.vertical) == set(by_hand.breaks.vertical)
    skip = {"exception_places", "fork_exception_places", "findings"}
    one, two = facts(panel), facts(by_hand)
    assert {k: v for k, v in one.items() if k not in skip} == {k: v for k, v in two.items() if k not in skip}
    assert one["forks"] == 2


# -------------------------------------------------------------------------------------------------- arrangements


def test_a_row_stands_side_by_side_and_every_other_one_may_be_mirrored() -> None:
    whole = resolved(Design(row("a", KNOT, 3, mirror=True)))
    assert (whole.layout.columns, whole.layout.rows) == (12, 4)
    assert set(whole.layout.without) == {(3, 3), (4, 3), (11, 3)}


def test_four_pieces_are_alike_under_half_a_turn_and_both_mirrors() -> None:
    whole = resolved(Design(four("a", PLAIN)))
    sites = {*whole.breaks.horizontal, *whole.breaks.vertical}
    assert (whole.layout.columns, whole.layout.rows) == (6, 4)
    assert sites == {(12 - x, y) for x, y in sites} == {(x, 8 - y) for x, y in sites}
    cut = resolved(Design(four("a", KNOT))).layout.without
    assert set(cut) == {(7 - c, r) for c, r in cut} == {(c, 7 - r) for c, r in cut}


def test_a_full_turn_is_the_same_after_a_quarter_turn() -> None:
    corners = ((40.0, 40.0), (0.0, 40.0), (0.0, 0.0), (40.0, 0.0))
    pieces = tuple(Piece("a", at, 90 * quarter, False, KNOT) for quarter, at in enumerate(corners))
    whole = resolved(Design(Panel(pieces, Joins.MIDDLE)))
    flat, upright = set(whole.breaks.horizontal), set(whole.breaks.vertical)
    assert (whole.layout.columns, whole.layout.rows) == (8, 8)
    assert {(16 - y, x) for x, y in flat} == upright
    assert {(16 - y, x) for x, y in upright} == flat
    cut = set(whole.layout.without)
    assert cut == {(7 - r, c) for c, r in cut}
    assert len(cut) == 4


def test_a_style_of_a_piece_goes_with_its_circuit() -> None:
    styled = replace(PLAIN, strand=Strand(circuits=(CircuitStyle(Pass(2, 1, Way.RISING), colour="#ff0000"),)))
    panel = beside(PLAIN, styled, (30.0, 0.0), ())
    whole = panelled(panel, resolved)
    assert [style.through for style in whole.strand.circuits] == [Pass(8, 1, Way.RISING)]


def test_a_circuit_that_was_divided_and_runs_on_into_one_that_was_not_stays_divided_where_it_was() -> None:
    own = next(iter(circuit_sets(PLAIN.layout, PLAIN.breaks)))
    divided = replace(PLAIN, divide=Divide(circuits=(min(own),)))
    joined = resolved(beside(divided, PLAIN, (30.0, 0.0)))
    assert joined.divide.circuits == () and set(joined.divide.passes) == own
    both = resolved(beside(divided, divided, (30.0, 0.0)))  # nothing but crossings of the join is new: all is divided
    now = circuit_sets(both.layout, both.breaks)
    assert {at for circuit in now if circuit & set(both.divide.circuits) for at in circuit} >= own


def test_a_break_of_the_panel_upon_a_divided_strand_of_a_piece_leaves_its_other_passes_divided() -> None:
    own = next(iter(circuit_sets(PLAIN.layout, PLAIN.breaks)))
    at = min(own).site
    divided = replace(PLAIN, divide=Divide(all=True))
    panel = replace(beside(divided, divided, (30.0, 0.0), ()), breaks=Breaks(horizontal=(at,)))
    whole = resolved(panel)
    assert at in whole.breaks.horizontal
    now = circuit_sets(whole.layout, whole.breaks)
    chosen = set(whole.divide.passes) | {p for circuit in now if circuit & set(whole.divide.circuits) for p in circuit}
    assert chosen == {p for circuit in now for p in circuit}
    assert all(len(parts) > 1 for parts in merged_circuits(panel, resolved))


@pytest.mark.parametrize(
    ("layout", "place", "told"),
    [
        (Panel((), Joins.ALL), "layout.panel.pieces", "no piece"),
        (Panel((Piece("a", (0.0, 0.0)),), Joins.ALL), r"pieces\[0\].file", "has not been read"),
        (
            Panel(tuple(Piece("a", (4e3 * k, 0.0), 0, False, Design(Grid(400, 400, 10.0, 10.0))) for k in (0, 1)), ()),
            r"pieces\[1\]",
            "up to here have 320,000 cells",
        ),
    ],
)
def test_panels_made_by_programs_are_refused_before_anything_is_laid_out(layout: Panel, place: str, told: str) -> None:
    with pytest.raises(DesignError, match=told) as refused:
        resolved(Design(layout))
    assert re.search(place, refused.value.place)


def test_only_knots_on_grids_are_set_in_a_row() -> None:
    with pytest.raises(DesignError, match="only knots on grids"):
        row("a", Design(Ring(4, 1, 20.0, 32.0)), 3)
