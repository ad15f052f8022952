"""Rings, wheels and strips: the counts of Turk's heads, knots by name, and what turning a design does."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
import snappy  # noqa: F401 - gives Spherogram's links their exteriors
import spherogram
from scipy.spatial import cKDTree

from knotgeom.counting import count
from knotgeom.design import (
    Breaks,
    Cylinder,
    Design,
    Divide,
    FreeMesh,
    Grid,
    Hand,
    Rim,
    Ring,
    Site,
    Strand,
    Strip,
    Weave,
)
from knotgeom.made import make
from knotgeom.weave import planar_diagram
from tests.core.curves import seen_from_above
from tests.core.pdcodes import Code, components, face_corners, fox_determinant, jones, mirrored
from tests.core.test_knotinfo import numbers, polynomial_in_t, table


def code_of(design: Design) -> Code:
    counted = count(design)
    return planar_diagram(counted.strand_map, counted.weaving)


def ring(leads: int, bights: int) -> Ring:
    """A ring plait: every row is two leads, every crossed edge one more."""
    crossed = leads % 2
    return Ring(bights, (leads - crossed) // 2, 10.0, 20.0, outer_edge=Rim.CROSSED if crossed else Rim.WALLED)


def strip(leads: int, bights: int) -> Strip:
    crossed = leads % 2
    edge = Rim.CROSSED if crossed else Rim.WALLED
    return Strip(bights, (leads - crossed) // 2, 10.0, 10.0, upper_edge=edge)


# ---------------------------------------------------------------------------------------------- counts


@pytest.mark.parametrize("shape", [ring, strip])
def test_a_plait_of_p_leads_and_q_bights_is_gcd_p_q_strands_with_q_times_p_less_1_crossings(shape) -> None:
    """The law of the common divisor for Turk's heads.

    C. W. Ashley, The Ashley Book of Knots, 1944; J. C. Turner and P. van de Griend, History and Science of Knots, 1996.
    """
    for leads, bights in product(range(2, 10), range(2, 13)):
        design = Design(shape(leads, bights))
        counted = count(design)
        code = code_of(design)
        assert counted.circuits.count == len(set(components(code).values())) == math.gcd(leads, bights), (leads, bights)
        assert len(code) == bights * (leads - 1)
        assert not counted.weaving.failing.any()
        # a diagram in the plane (Euler): faces = crossings + 2
        assert len(set(face_corners(code).values())) == len(code) + 2


def test_edges_crossed_inside_outside_or_both_each_give_one_lead() -> None:
    for rows, bights, inner, outer in product((1, 2, 3), (2, 3, 4, 5, 6), Rim, Rim):
        leads = 2 * rows + (inner is Rim.CROSSED) + (outer is Rim.CROSSED)
        for layout in (
            Ring(bights, rows, 10.0, 20.0, inner, outer),
            Strip(bights, rows, 10.0, 8.0, 1, inner, outer),
            Strip(1, rows, 10.0, 8.0, bights, inner, outer, Cylinder()),
        ):
            done = count(Design(layout))
            assert (done.circuits.count, done.strand_map.crossings) == (math.gcd(leads, bights), bights * (leads - 1))


def test_a_wheel_is_a_plait_of_two_leads_to_a_row() -> None:
    # the hub stands for a walled inner edge: drawing a wall together to a point changes nothing
    for rows, bights in product((1, 2, 3, 4), range(3, 9)):
        done = count(Design(Ring(bights, rows, 0.0, 20.0)))
        assert (done.circuits.count, done.strand_map.crossings) == (math.gcd(2 * rows, bights), bights * (2 * rows - 1))


# ---------------------------------------------------------------------------------------------- names


def same_exterior(one: spherogram.Link, other: spherogram.Link) -> bool:
    return bool(one.exterior().is_isometric_to(other.exterior()))


@pytest.mark.parametrize("shape", [ring, strip])
@pytest.mark.parametrize(("bights", "name"), [(2, "4_1"), (3, "L6a4"), (4, "8_18"), (5, "10_123")])
def test_three_leads_are_the_knots_and_links_of_their_names(shape, bights: int, name: str) -> None:
    # trade.md: closures of the braid (s1 s2^-1)^q
    code = code_of(Design(shape(3, bights)))
    link = spherogram.Link(code)
    assert link.is_alternating()
    rows = {key: row for key, row in table(name[0] == "L", 10).items() if key.split("{")[0] == name}
    assert rows
    row = next(iter(rows.values()))
    assert fox_determinant(code) == int(row["determinant"])
    if name[0] == "L":
        named = spherogram.Link(numbers(row["pd_notation_vector"]))
        assert len(link.link_components) == 3
    else:
        named = spherogram.Link(numbers(row["pd_notation"]))
        polynomial = polynomial_in_t(row["jones_polynomial"])
        assert jones(code) in (polynomial, mirrored(polynomial))
    assert same_exterior(link, named)


def test_a_triangle_with_a_crossed_rim_is_the_trefoil() -> None:
    triangle = FreeMesh(((0.0, 0.0, 0.0), (20.0, 0.0, 0.0), (10.0, 17.0, 0.0)), ((0, 1, 2),), Rim.CROSSED)
    found = []
    for hand in Hand:
        code = code_of(Design(triangle, weave=Weave(hand)))
        assert len(code) == 3
        found.append(jones(code))
    polynomial = polynomial_in_t(table(False, 3)["3_1"]["jones_polynomial"])
    # one hand is KnotInfo's trefoil, the other its mirror image: it is chiral
    assert sorted(map(sorted, found)) == sorted(map(sorted, (polynomial, mirrored(polynomial))))
    assert polynomial in found and mirrored(polynomial) in found


@pytest.mark.parametrize(
    "layout",
    [Ring(5, 2, 12.0, 30.0), Ring(7, 1, 12.0, 24.0, outer_edge=Rim.CROSSED), Ring(6, 2, 0.0, 30.0)],
    ids=["4 by 5", "3 by 7", "wheel"],
)
def test_the_finished_centre_lines_of_a_ring_are_the_diagram_of_its_code(layout: Ring) -> None:
    """Read off the curves in space, so that courses and heights stand for the same link as the map."""
    design = Design(layout, strand=Strand(1.5, 0.3))
    done = make(design, fine=False)
    seen, written = seen_from_above(list(done.circuits)), code_of(design)
    assert len(seen) == len(written)
    assert corners_of_faces(seen) == corners_of_faces(written)
    assert spherogram.Link(seen).writhe() == spherogram.Link(written).writhe()  # and of the same hand
    assert fox_determinant(seen) == fox_determinant(written)
    assert spherogram.Link(seen).is_alternating()


def corners_of_faces(code: Code) -> list[int]:
    """How many corners the faces have."""
    face = face_corners(code)
    names = list(face.values())
    return sorted(names.count(name) for name in set(names))


# ---------------------------------------------------------------------------------------------- symmetry


def same_points(one: np.ndarray, other: np.ndarray, heights: float) -> bool:
    """Whether two clouds of points are one: the same plan, and heights within the solver's play."""
    if len(one) != len(other):
        return False
    scale = np.array([1.0, 1.0, 1e-6 / heights])
    far, fellow = cKDTree(other * scale).query(one * scale)
    return bool((far <= 2e-6).all()) and len(set(fellow.tolist())) == len(one)


@pytest.mark.parametrize(
    "layout", [Ring(8, 2, 30.0, 60.0), Ring(6, 3, 0.0, 60.0), Ring(8, 2, 30.0, 60.0, Rim.CROSSED, Rim.CROSSED)]
)
def test_a_ring_with_its_breaks_turned_is_the_mesh_turned(layout: Ring) -> None:
    breaks = Breaks((Site(3, 2), Site(4, 1)), (Site(10, 3),))
    wide = 2 * layout.sectors
    for turn in (1, 3):
        kinds = (breaks.horizontal, breaks.vertical)
        moved = Breaks(*(tuple(Site((x + 2 * turn) % wide, y) for x, y in kind) for kind in kinds))
        plain, turned = (
            make(Design(layout, b, Divide(all=True, gap=1.0), strand=Strand(3.0, 0.4)), fine=False)
            for b in (breaks, moved)
        )
        assert plain.mesh is not None and turned.mesh is not None
        angle = 2 * np.pi * turn / layout.sectors
        rotation = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
        assert same_points(plain.mesh.vertices @ rotation.T, turned.mesh.vertices, 0.012)
        assert not same_points(plain.mesh.vertices, turned.mesh.vertices, 0.012)


def test_a_grid_mirrored_and_woven_with_the_other_hand_is_the_mesh_mirrored() -> None:
    grid = Grid(4, 3, 10.0, 9.0, ((3, 2),))
    image = Grid(4, 3, 10.0, 9.0, ((0, 2),))
    breaks = Breaks((Site(3, 2), Site(2, 3)), (Site(4, 1),))
    moved = Breaks(*(tuple(Site(8 - x, y) for x, y in kind) for kind in (breaks.horizontal, breaks.vertical)))
    for divide in (Divide(), Divide(all=True, gap=0.8)):
        plain = make(Design(grid, breaks, divide, strand=Strand(3.0, 0.5)), fine=False)
        mirror = make(Design(image, moved, divide, Weave(Hand.LEFT), Strand(3.0, 0.5)), fine=False)
        assert plain.mesh is not None and mirror.mesh is not None
        assert same_points(plain.mesh.vertices * [-1, 1, 1] + [40.0, 0, 0], mirror.mesh.vertices, 1e-3)
