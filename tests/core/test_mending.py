"""Remedies for a weave with exceptions, and breaks that join or part circuits, against trying everything."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pytest

from knotgeom import command, counting, editing, made, reading
from knotgeom.design import (
    FREE,
    Border,
    Breaks,
    Corners,
    Design,
    Divide,
    FreeMesh,
    Grid,
    Pass,
    Rejoin,
    Rim,
    Ring,
    Site,
    Strip,
    Way,
)
from knotgeom.dividing import DividingRemedy, find_dividings
from knotgeom.editing import Line
from knotgeom.errors import DesignError
from knotgeom.merging import find_breaks
from knotgeom.progress import Cancelled
from knotgeom.symmetry import Symmetry
from tests.core.reference import divided, step_costs, walks, woven
from tests.core.strategies import drawn
from tests.core.test_trace import nullity_mod_2

# ------------------------------------------------------------------------------------------ changes of dividing


def fewest(design: Design) -> int:
    """The fewest failing steps of all weaves, by trying every one."""
    return int(step_costs(woven(design))[1].min())


def small_designs_with_exceptions(count: int, seed: int, most: int) -> Iterator[Design]:
    rng = random.Random(seed)
    while count:
        design = drawn(rng, rng.randint(2, 3), rng.randint(2, 3), rng.randint(1, 4), rng.choice([0.0, 0.2]))
        design = replace(design, divide=replace(design.divide, rejoin=Rejoin.NONE))
        reference = woven(design)
        if reference.forks and len(reference.crossings) <= most and fewest(design):
            count -= 1
            yield design


def with_passes(design: Design, passes: set[tuple[int, int, Way]]) -> Design:
    return replace(design, divide=Divide(passes=tuple(Pass(*at) for at in sorted(passes))))


def passes_beside_forks(design: Design) -> set[tuple[int, int, Way]]:
    """Both passes on either side of every fork: where one is divided and the next along the strand is not."""
    circuits = walks(design)
    halves = divided(design, circuits)
    found = set()
    for walk in circuits:
        names = [(visit.x, visit.y, visit.way) for visit in walk]
        for one, next_one in zip(names, [*names[1:], *names[:1]], strict=True):
            if (one in halves) != (next_one in halves):
                found |= {one, next_one}
    return found


def test_changes_of_one_pass_are_the_best_there_are_and_all_leave_what_they_say() -> None:
    helped = 0
    for design in small_designs_with_exceptions(14, 5, 12):
        before = fewest(design)
        search = find_dividings(design)
        assert search.exceptions == before and search.remedies
        for remedy in search.remedies:
            assert remedy.exceptions < before
            if len((again := woven(remedy.design)).crossings) <= 15:
                assert int(step_costs(again)[1].min()) == remedy.exceptions
        halves = divided(design, walks(design))
        one_pass = [with_passes(design, halves ^ {at}) for at in passes_beside_forks(design)]
        least = min(map(fewest, one_pass))
        singles = [remedy.exceptions for remedy in search.remedies if remedy.size == 1]
        assert min(singles, default=before) == min(least, before)
        helped += bool(singles)
    assert helped > 5


def test_remedies_grow_only_to_leave_less_and_say_what_they_change() -> None:
    rng = random.Random(3)
    seen = 0
    for _ in range(6):
        design = drawn(rng, 4, 4, 6, 0.15)
        search = find_dividings(design)
        for smaller, larger in zip(search.remedies, search.remedies[1:]):
            assert (
                smaller.size < larger.size
                and smaller.exceptions > larger.exceptions
                or ((smaller.size, smaller.exceptions) == (larger.size, larger.exceptions))
            )
        for remedy in search.remedies:
            assert counting.count(remedy.design).weaving.exceptions == remedy.exceptions
            changed = {*remedy.divided, *remedy.whole}
            if remedy.rejoin is None:
                assert len(changed) == remedy.size
                assert all(editing.is_divided(remedy.design, at) for at in remedy.divided)
                assert not any(editing.is_divided(remedy.design, at) for at in remedy.whole)
                assert not any(
                    editing.is_divided(design, at) != editing.is_divided(remedy.design, at)
                    for at in editing.circuit_numbers(design)
                    if at not in changed
                )
            seen += 1
    assert seen > 5


@pytest.mark.parametrize(
    "layout",
    [
        Ring(12, 2, 20.0, 32.0),
        Strip(4, 2, 10.0, 10.0, 3),
        Border((3, 3), 2, 8.0, corners=Corners.MITRED),
        Border((2, 2), 2, 8.0),
    ],
    ids=lambda layout: type(layout).__name__,
)
def test_every_layout_has_its_remedies(layout) -> None:
    places = [at for at in sorted(editing.circuit_numbers(Design(layout))) if at.x < 8]
    rng = random.Random(7)
    for _ in range(40):
        design = Design(layout, divide=Divide(passes=tuple(rng.sample(places, 3))))
        before = counting.count(design).weaving.exceptions
        if before:
            break
    search = find_dividings(design)
    assert search.exceptions == before > 0
    assert min(remedy.exceptions for remedy in search.remedies) < before
    for remedy in search.remedies:
        assert counting.count(remedy.design).weaving.exceptions == remedy.exceptions


def test_a_weave_without_exceptions_needs_no_remedy_and_searching_can_be_stopped() -> None:
    assert find_dividings(Design(Grid(3, 3, 10.0, 10.0))).remedies == ()
    design = next(small_designs_with_exceptions(1, 5, 12))
    shares = []

    def stop(share: float, _stage: str) -> None:
        shares.append(share)
        if len(shares) == 3:
            raise Cancelled

    with pytest.raises(Cancelled):
        find_dividings(design, progress=stop)
    assert find_dividings(design, trials=2).tried == 2


# ------------------------------------------------------------------------------------------ breaks


def circuits_of(design: Design) -> int:
    """Circuits counted without the tool: by walking a grid, by linear algebra on a ring."""
    return len(walks(design)) if isinstance(design.layout, Grid) else ring_circuits(design.layout, design.breaks)


def ring_circuits(ring: Ring, breaks: Breaks) -> int:
    """Nullity over GF(2) of the Laplacian of the ring's graph, breaks along contracted, breaks across deleted.

    C. Godsil and G. Royle, Algebraic Graph Theory, 2001, ch. 17. A cycle that is contracted whole leaves a loop of
    strand within; those at walled edges lie outside the ring, and are none.
    """
    points = [(x, y) for y in range(0, 2 * ring.rows + 1, 2) for x in range(0, 2 * ring.sectors, 2)]
    head = {point: point for point in points}

    def find(point: tuple[int, int]) -> tuple[int, int]:
        while head[point] != point:
            point = head[point]
        return point

    kept, loops = [], 0
    for x, y in product(range(2 * ring.sectors), range(2 * ring.rows + 1)):
        if (x + y) % 2 == 0:
            continue
        round_about = x % 2 == 1
        ends = [(x - 1, y), ((x + 1) % (2 * ring.sectors), y)] if round_about else [(x, y - 1), (x, y + 1)]
        walled = (y == 0 and ring.inner_edge is Rim.WALLED) or (y == 2 * ring.rows and ring.outer_edge is Rim.WALLED)
        along = (x, y) in (breaks.horizontal if round_about else breaks.vertical)
        across = (x, y) in (breaks.vertical if round_about else breaks.horizontal)
        if walled or along:
            one, other = map(find, ends)
            loops += one == other
            head[one] = other
        elif not across:
            kept.append(ends)
    number = {point: place for place, point in enumerate(sorted({find(point) for point in points}))}
    laplacian = np.zeros((len(number), len(number)), np.int64)
    for ends in kept:
        u, v = (number[find(end)] for end in ends)
        laplacian[u, u] += 1
        laplacian[v, v] += 1
        laplacian[u, v] -= 1
        laplacian[v, u] -= 1
    walls = (ring.inner_edge is Rim.WALLED) + (ring.outer_edge is Rim.WALLED)
    return nullity_mod_2(laplacian) + loops - walls


Lines = frozenset[tuple[Site, Line]]


def with_lines(design: Design, lines: Lines) -> Design:
    horizontal = tuple(site for site, line in lines if line is Line.HORIZONTAL)
    vertical = tuple(site for site, line in lines if line is Line.VERTICAL)
    breaks = Breaks((*design.breaks.horizontal, *horizontal), (*design.breaks.vertical, *vertical))
    return replace(design, breaks=breaks)


def every_set(design: Design, size: int, moved: Callable[[Site, Line], tuple[Site, Line]]) -> Iterator[Lines]:
    """Every set of so many further breaks that a motion takes onto itself."""
    taken = {*design.breaks.horizontal, *design.breaks.vertical}
    rim = {0, 2 * design.layout.rows}
    places = [site for site in editing.sites(design.layout) if site not in taken]
    for some in combinations(places, size):
        kinds = [(Line.HORIZONTAL,) if site.y in rim else (Line.HORIZONTAL, Line.VERTICAL) for site in some]
        for lines in product(*kinds):
            chosen = frozenset(zip(some, lines, strict=True))
            if {moved(*entry) for entry in chosen} == chosen:
                yield chosen


def stay(site: Site, line: Line) -> tuple[Site, Line]:
    return site, line


OTHER = {Line.HORIZONTAL: Line.VERTICAL, Line.VERTICAL: Line.HORIZONTAL}
SMALL = Grid(2, 2, 10.0, 10.0)
OBLONG = Grid(2, 4, 10.0, 10.0)
SQUARE = Grid(3, 3, 10.0, 10.0)
RING = Ring(4, 1, 20.0, 32.0)
CROSSED = Ring(6, 1, 20.0, 32.0, outer_edge=Rim.CROSSED)
CASES = [
    (Design(SMALL), (), None, stay),
    (Design(SMALL), (Symmetry.HALF_TURN,), None, lambda s, k: (Site(4 - s.x, 4 - s.y), k)),
    (Design(SQUARE), (), None, stay),
    (Design(SQUARE), (Symmetry.LEFT_RIGHT,), None, lambda s, k: (Site(6 - s.x, s.y), k)),
    (Design(SQUARE), (Symmetry.QUARTER_TURN,), None, lambda s, k: (Site(6 - s.y, s.x), OTHER[k])),
    (Design(OBLONG), (Symmetry.HALF_TURN,), None, lambda s, k: (Site(4 - s.x, 8 - s.y), k)),
    (Design(SQUARE, Breaks(horizontal=(Site(3, 2),))), (), None, stay),
    (
        Design(SQUARE, Breaks(horizontal=(Site(1, 2),))),
        (Symmetry.LEFT_RIGHT,),
        None,
        lambda s, k: (Site(6 - s.x, s.y), k),
    ),
    (Design(RING), (), None, stay),
    (Design(RING), (Symmetry.ROUND,), 2, lambda s, k: (Site((s.x + 4) % 8, s.y), k)),
    (Design(RING), (Symmetry.UP_DOWN,), None, lambda s, k: (Site(-s.x % 8, s.y), k)),
    (Design(CROSSED), (), None, stay),
    (Design(CROSSED), (Symmetry.ROUND,), 3, lambda s, k: (Site((s.x + 4) % 12, s.y), k)),
]


@pytest.mark.parametrize("wanted", [1, 2, 3, 4])
@pytest.mark.parametrize(("design", "symmetries", "order", "moved"), CASES)
def test_breaks_are_the_fewest_that_bring_the_circuits_to_a_number(design, symmetries, order, moved, wanted) -> None:
    search = find_breaks(design, wanted, symmetries, order)
    assert search.before == circuits_of(design)
    assert search.complete
    if search.before == wanted:
        assert search.remedies == ()
        return
    sizes = {len(remedy.lines) for remedy in search.remedies}
    assert len(sizes) < 2
    for remedy in search.remedies:
        lines = frozenset(remedy.lines)
        assert {moved(*entry) for entry in lines} == lines
        assert circuits_of(with_lines(design, lines)) == circuits_of(remedy.design) == remedy.count == wanted
    for size in range(min(sizes, default=4)):
        assert not any(circuits_of(with_lines(design, some)) == wanted for some in every_set(design, size, moved))


def test_without_symmetry_one_break_for_every_circuit_too_many_will_do() -> None:
    for columns, rows in [(4, 4), (6, 6), (6, 9), (8, 8)]:
        design = Design(Grid(columns, rows, 10.0, 10.0))
        search = find_breaks(design)
        assert search.complete and len(search.remedies[0].lines) == search.before - 1
        assert all(len(walks(remedy.design)) == 1 for remedy in search.remedies)


def test_a_break_of_a_strip_stands_in_every_repeat() -> None:
    design = Design(Strip(4, 2, 10.0, 10.0, 3))
    whole = Ring(12, 2, 20.0, 32.0)  # the same crossings, bent round

    def unrolled(lines: Lines) -> int:
        repeated = frozenset((Site(site.x + 8 * k, site.y), line) for site, line in lines for k in range(3))
        return circuits_of(with_lines(Design(whole), repeated))

    search = find_breaks(design)
    assert search.before == unrolled(frozenset()) == 4 and search.complete and search.remedies
    for remedy in search.remedies:
        assert len(remedy.lines) == 3
        assert unrolled(frozenset(remedy.lines)) == made.facts(remedy.design)["circuits"] == remedy.count == 1
    assert not any(unrolled(some) == 1 for size in (1, 2) for some in every_set(design, size, stay))


def test_where_nothing_symmetrical_does_what_comes_nearest_is_said() -> None:
    search = find_breaks(Design(Grid(4, 4, 10.0, 10.0)), 1, (Symmetry.QUARTER_TURN,))
    assert search.remedies == ()
    assert search.nearest is not None and 1 < len(walks(search.nearest.design)) == search.nearest.count < 4


def test_what_cannot_be_asked_for_is_refused() -> None:
    with pytest.raises(DesignError, match="quarter turn"):
        find_breaks(Design(Grid(3, 4, 10.0, 10.0)), 1, (Symmetry.QUARTER_TURN,))
    with pytest.raises(DesignError, match="at least 1"):
        find_breaks(Design(Grid(3, 3, 10.0, 10.0)), 0)

    def stop(_share: float, _stage: str) -> None:
        raise Cancelled

    with pytest.raises(Cancelled):
        find_breaks(Design(Grid(3, 3, 10.0, 10.0)), progress=stop)


# ------------------------------------------------------------------------------------------ the command line


@pytest.fixture
def file(tmp_path):
    design = next(small_designs_with_exceptions(1, 5, 12))
    path = tmp_path / "knot.interlace.json"
    path.write_text(reading.write_text(design))
    return path


def told(capsys, *arguments: object) -> dict:
    assert command.main([str(argument) for argument in arguments]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return json.loads(out)


def refused(capsys, *arguments: object) -> str:
    assert command.main([str(argument) for argument in arguments]) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1
    return err


def test_mend_lists_remedies_and_writes_the_one_that_is_taken(file, capsys) -> None:
    listed = told(capsys, "mend", file)
    before = fewest(reading.read_file(str(file)))
    assert listed["exceptions"] == before and [r["number"] for r in listed["remedies"]][:1] == [1]
    kept = file.read_bytes()
    number = len(listed["remedies"])
    out = file.parent / "mended.interlace.json"
    assert told(capsys, "mend", file, "--take", number, "-o", out)["taken"] == number
    facts = made.facts(reading.read_file(str(out)))
    assert facts["exceptions"] == listed["remedies"][-1]["exceptions"] < before
    assert file.read_bytes() == kept
    assert "is there already" in refused(capsys, "mend", file, "-o", out)
    assert "is the design itself" in refused(capsys, "mend", file, "-o", file, "--replace")
    assert "no remedy has number 999" in refused(capsys, "mend", file, "--take", 999, "-o", out, "--replace")
    assert "--take goes with -o" in refused(capsys, "mend", file, "--take", 1)


def test_circuits_lists_breaks_and_writes_the_first_where_none_is_named(tmp_path, capsys) -> None:
    file, out = tmp_path / "ring.interlace.json", tmp_path / "one.interlace.json"
    file.write_text(reading.write_text(Design(Ring(9, 2, 20.0, 32.0, outer_edge=Rim.CROSSED))))
    assert told(capsys, "circuits", file)["circuits"] == 1
    listed = told(capsys, "circuits", file, "--count", 4, "--symmetry", "round:3", "-o", out)
    assert listed["wanted"] == 4 and listed["times_round"] == 3 and listed["complete"] and listed["taken"] == 1
    written = reading.read_file(str(out))
    assert ring_circuits(written.layout, written.breaks) == 4
    drawn_breaks = listed["remedies"][0]["breaks"]
    assert {tuple(site) for site in drawn_breaks.get("horizontal", [])} == set(written.breaks.horizontal)
    assert {tuple(site) for site in drawn_breaks.get("vertical", [])} == set(written.breaks.vertical)
    assert "half turn" in refused(capsys, "circuits", file, "--symmetry", "half-turn")
    assert "round:N" in refused(capsys, "circuits", file, "--symmetry", "spiral")
    assert "whole number" in refused(capsys, "circuits", file, "--count", 0)


@pytest.mark.parametrize("wanted", [1, 2])
def test_a_mesh_of_squares_needs_as_few_breaks_as_the_grid_that_it_is(wanted: int) -> None:
    grid = Grid(4, 4, 10.0, 10.0)
    corners = tuple((10.0 * x, 10.0 * y, 0.0) for y in range(5) for x in range(5))
    faces = tuple((k, k + 1, k + 6, k + 5) for y in range(4) for k in range(5 * y, 5 * y + 4))
    on_grid, on_mesh = (find_breaks(Design(layout), wanted) for layout in (grid, FreeMesh(corners, faces)))
    assert on_grid.before == on_mesh.before == 4 and on_mesh.complete
    assert {len(r.lines) for r in on_mesh.remedies} == {len(r.lines) for r in on_grid.remedies} == {4 - wanted}
    for remedy in on_mesh.remedies:
        assert {line for _, line in remedy.lines} <= {Line.ALONG, Line.ACROSS}
        assert made.facts(remedy.design)["circuits"] == wanted


def test_a_search_for_breaks_cut_short_says_so_and_what_it_found_holds() -> None:
    design = Design(Grid(9, 9, 10.0, 10.0))
    search = find_breaks(design, effort=1)
    assert search.before == 9 and not search.complete
    for remedy in (*search.remedies, *filter(None, [search.nearest])):
        assert remedy.count == len(walks(remedy.design)) < 9


def test_without_trials_nothing_is_tried() -> None:
    design = drawn(random.Random(3), 5, 5, 4, 0.2, 3)
    search = find_dividings(design, trials=0)
    assert search.exceptions == made.facts(design)["exceptions"] > 0
    assert (search.remedies, search.tried) == ((), 0)


def test_a_change_of_dividing_is_told_pass_by_pass_and_long_ones_by_their_first_three() -> None:
    ends = Pass(4, FREE, Way.RISING), Pass(5, FREE, Way.FALLING)
    row = tuple(Pass(1 + 2 * k, 2, Way.RISING) for k in range(6))
    design = Design(SMALL)

    def told(divided: tuple[Pass, ...], whole: tuple[Pass, ...], rejoin: Rejoin | None) -> str:
        return DividingRemedy(divided, whole, rejoin, 1, 0, 0, 0, design).words

    assert told(ends, (), None) == "divide edge 4, pass 1, edge 5, pass 0"
    assert told((), row[:4], None) == "make one strand [1, 2] rising, [3, 2] rising, [5, 2] rising, [7, 2] rising"
    assert told((), row, Rejoin.NONE) == (
        'make one strand [1, 2] rising, [3, 2] rising, [5, 2] rising and 3 more; rejoin: "none"'
    )
