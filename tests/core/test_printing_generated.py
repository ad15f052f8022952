"""Generated pieces are what their maps say: as many bodies, holes and links, and no triangle passes through another.

Every expectation is worked out here from the map alone: bodies and holes by counting its nodes and edges (Euler
characteristic), linking numbers from its planar diagram code. They are held against the finished meshes.
"""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import combinations

import manifold3d
import networkx
import numpy as np
import pytest

from knotgeom.design import (
    Breaks,
    Design,
    Divide,
    Grid,
    Heights,
    Making,
    Rim,
    Ring,
    Section,
    Site,
    Strand,
    Turn,
    Turns,
    Weave,
)
from knotgeom.errors import DesignError
from knotgeom.made import Made, facts
from knotgeom.printing.bodies import solid_of
from knotgeom.printing.materials import material
from knotgeom.printing.options import Bail, BailKind, Eye, Frame, Mark, Outline, Plate, Printing
from knotgeom.printing.piece import Piece, make_piece
from knotgeom.printing.profiles import SHIPPED
from knotgeom.printing.remedies import check_piece
from knotgeom.sections import outlines
from knotgeom.sizing import sizes
from tests.core.exact import crossing_pairs
from tests.core.measures import linking_number
from tests.core.pdcodes import linking_matrix
from tests.core.strategies import drawn

QUICK, ALL = 30, 200
OUTLINES = list(Outline)


def generated(seed: int) -> tuple[Design, Printing]:
    """A design and what is to be made of it: every third one of free strands, every fifth one a ring of cells."""
    rng = random.Random(seed)
    free = seed % 3 == 0
    share = rng.choice([0.0, 0.0, 0.15, 0.3])
    some = 0 if free else rng.choice([0, 0, 2, 4])
    design = drawn(rng, rng.randint(2, 4), rng.randint(2, 4), some, share, wishes=rng.choice([0, 3]))
    if seed % 5 == 1:
        inner = rng.uniform(6.0, 10.0)
        edge = rng.choice(list(Rim))
        layout = Ring(rng.randint(5, 9), rng.randint(1, 2), inner, inner + rng.uniform(8.0, 14.0), outer_edge=edge)
        design = Design(layout, weave=Weave(design.weave.hand))
    else:
        cell = rng.uniform(7.0, 12.0)
        grid = design.layout
        assert isinstance(grid, Grid)
        design = replace(design, layout=replace(grid, cell_width=cell, cell_height=cell * rng.choice([0.8, 1.0, 1.2])))
    pitch = sizes(design).pitch
    width = pitch * rng.choice([0.35, 0.45, 0.55])
    divide = design.divide
    if not divide.passes and rng.random() < 0.4:
        divide = Divide(all=True)
    gap = width * (rng.choice([0.2, 0.3]) if free else rng.choice([0.0, 0.15, 0.3]))
    section = rng.choice(list(Section))
    strand = Strand(width, width * rng.choice([0.35, 0.5]), section, turns=Turns(*rng.choices(list(Turn), k=3)))
    heights = (
        Heights(Making.FREE, clearance=0.08 * width) if free else Heights(Making.FUSED, step=0.3 * strand.thickness)
    )
    fillet = 0.25 * (seed % 2)
    if free:
        return replace(design, divide=replace(divide, gap=gap), strand=strand, heights=heights), Printing(fillet=fillet)
    shape = rng.choice(OUTLINES)
    fitted = rng.choice(
        [
            Printing(),
            Printing(bail=Bail()),
            Printing(plate=Plate(shape)),
            # along scallops a tube would enclose openings between itself and the plate
            Printing(plate=Plate(rng.choice(OUTLINES[1:])), bail=Bail(rng.choice(list(BailKind)), 3.0, 0.9)),
            Printing(plate=Plate(shape), frame=Frame(shape), eye=Eye()),
        ]
    )
    design = replace(design, divide=replace(divide, gap=gap), strand=strand, heights=heights)
    return design, replace(fitted, fillet=fillet, size=rng.choice([None, 30.0]))


def network(made: Made) -> networkx.MultiGraph:
    """The map of united strands: its crossings and forks, the pieces of strand between them, and each lone loop."""
    strands = made.counted.strand_map
    graph = networkx.MultiGraph()
    graph.add_nodes_from(range(strands.crossings + strands.forks))

    def node(end: int) -> int:
        beyond = end - 4 * strands.crossings
        return end // 4 if beyond < 0 else strands.crossings + beyond // 3

    graph.add_edges_from((node(a), node(b)) for a, b in strands.ends.tolist())
    lone = sum(
        len(ways) == 0 for ways in np.split(made.counted.circuits.visit_edge, made.counted.circuits.visit_start[1:-1])
    )
    halves = strands.loops_divided and (made.design.heights.way is Making.FREE or made.counted.size.gap > 0)
    for number in range(lone * (2 if halves else 1)):
        graph.add_edge(("loop", number), ("loop", number))
    return graph


def holes(graph: networkx.MultiGraph) -> int:
    """Independent closed ways: edges less nodes and connected parts (Euler)."""
    return graph.number_of_edges() - graph.number_of_nodes() + networkx.number_connected_components(graph)


def centre_line(vertices: np.ndarray, triangles: np.ndarray, corners: int) -> np.ndarray:
    """The middles of a free strand's cross-sections, in order round it, from its mesh as it was swept."""
    rings = vertices.reshape(-1, corners, 3)
    graph = networkx.Graph((int(a) // corners, int(b) // corners) for a, b in triangles[:, :2].tolist())
    graph.remove_edges_from(list(networkx.selfloop_edges(graph)))
    assert all(degree == 2 for _, degree in graph.degree) and networkx.is_connected(graph)
    order = [edge[0] for edge in networkx.find_cycle(graph, 0)]
    assert len(order) == len(rings)
    return rings[order].mean(1)


def lies_within(line: np.ndarray, solid: manifold3d.Manifold) -> bool:
    """Whether small balls round points of a line lie wholly in a solid."""
    probe = manifold3d.Manifold.tetrahedron().scale((1e-3, 1e-3, 1e-3))
    whole = probe.volume()
    return all(
        (solid ^ probe.translate(tuple(map(float, point)))).volume() > 0.99 * whole
        for point in line[:: len(line) // 12]
    )


def assert_linked_as_the_map(piece: Piece, solids: list[manifold3d.Manifold]) -> None:
    """Free strands: as many as the map's closed strands, apart by the clearance, linked as its diagram says."""
    made = piece.knot.made
    code = facts(made.design, pd=True)["pd"]
    expected = sorted(abs(number) for pair, number in linking_matrix(code).items() if len(pair) == 2)
    corners = outlines(made.design.strand, made.counted.size, np.array([made.counted.size.width]))[0].shape[1]
    lines = [centre_line(v, t, corners) * piece.scale for v, t in piece.knot.bodies]
    for line, solid in zip(lines, solids, strict=True):
        assert lies_within(line, solid)
    found = [abs(linking_number(one, other)) for one, other in combinations(lines, 2)]
    assert np.array(found) == pytest.approx(np.round(found), abs=1e-6)
    found = sorted(2 * round(number) for number in found)
    assert found == [0] * (len(found) - len(expected)) + expected
    clearance = made.counted.size.clearance * piece.scale
    for one, other in combinations(solids, 2):
        assert one.min_gap(other, 2 * clearance) > 0.95 * clearance


def assert_as_the_map(piece: Piece, options: Printing) -> None:
    """Bodies, holes and links of a finished piece as its map has them, and every body free of itself."""
    made = piece.knot.made
    graph = network(made)
    solids = [solid_of(body.vertices, body.triangles) for body in piece.finished]
    for body in piece.finished:
        assert crossing_pairs(body.vertices, body.triangles) == 0
    shells = [shell for solid in solids for shell in solid.decompose()]
    parts = [shell for shell in shells if shell.volume() > 0]
    # what is shut in between strands and plate is a hollow, which the checks tell of
    assert sum(shell.volume() for shell in shells) > 0.999 * sum(part.volume() for part in parts)
    assert len(parts) == piece.expected
    if piece.knot.free:
        assert all(part.genus() == 1 for part in parts)
        assert_linked_as_the_map(piece, solids)
        return
    bores = (options.bail is not None) + (options.eye is not None)
    if options.plate is not None:
        # strands are sunk in the plate everywhere: nothing is open but the bores
        assert len(parts) == 1 and parts[0].genus() == bores
        return
    joined = networkx.number_connected_components(graph)
    assert len(parts) == joined if not bores else len(parts) <= joined
    if made.counted.size.gap > 0 and not bores:
        assert sum(part.genus() for part in parts) == holes(graph)


def made_or_refused(seed: int, *, filled: bool = True) -> Piece | None:
    design, options = generated(seed)
    if not filled:
        options = replace(options, fillet=0.0)
    try:
        piece = make_piece(design, options)
    except DesignError as error:
        assert error.problem and error.remedy and "\n" not in str(error)
        return None
    assert_as_the_map(piece, options)
    return piece


APART = Design(
    Grid(2, 1, 12.0, 12.0),
    Breaks((), (Site(2, 1),)),
    strand=Strand(3.0, 2.0),
    heights=Heights(Making.FUSED, step=0.7),
)


@pytest.mark.parametrize(
    "options, bodies",
    [
        (Printing(), 2),
        (Printing(plate=Plate()), 2),  # which follows each of them by itself
        (Printing(plate=Plate(Outline.OVAL)), 1),
        (Printing(frame=Frame(Outline.RECTANGLE)), 1),
        (Printing(mark=Mark(10.0, 3.0)), 1),  # a pad from one to the other
    ],
)
def test_parts_that_nothing_joins_are_counted_from_the_map_and_said(options, bodies):
    piece = make_piece(APART, replace(options, fillet=0.0))
    assert piece.expected == bodies
    checked = check_piece(piece, SHIPPED["lost-wax casting in silver"], material("sterling silver"))
    assert checked.bodies == bodies
    said = [one.remedy for one in checked.findings if one.kind == "bodies"]
    assert said == [] if bodies == 1 else "would fall apart; add a plate or a frame that reaches them all" in said[0]


def test_what_is_expected_does_not_follow_what_was_made(monkeypatch):
    from knotgeom.printing import piece as maker

    kept = maker.finish

    def torn(solid, *rest):
        done = kept(solid, *rest)
        more = done.vertices + [40.0, 0.0, 0.0]
        both = np.concatenate([done.triangles, done.triangles + len(more)])
        return replace(done, vertices=np.concatenate([done.vertices, more]), triangles=both)

    monkeypatch.setattr(maker, "finish", torn)
    piece = make_piece(replace(APART, breaks=Breaks()), Printing(fillet=0.0, bail=Bail()))
    checked = check_piece(piece, SHIPPED["lost-wax casting in silver"], material("sterling silver"))
    assert (piece.expected, checked.bodies) == (1, 2)
    assert "it is 2 bodies where the design's map has 1" in " ".join(one.remedy for one in checked.findings)


@pytest.mark.parametrize("first", range(0, QUICK, 6))
def test_pieces_are_what_their_maps_say(first):
    made = [made_or_refused(seed, filled=seed == first + 1) for seed in range(first, first + 6)]  # fillets take long
    assert sum(piece is not None for piece in made) >= 3


@pytest.mark.long
@pytest.mark.parametrize("seed", range(QUICK, ALL))
def test_every_generated_piece_is_what_its_map_says(seed):
    made_or_refused(seed)
