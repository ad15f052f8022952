"""Valid designs on small grids, for every test that generates its own.

All of them obey the design file's rules: at least one cell is left, breaks and passes lie on sites between two cells,
no site is in both lists, no pass lies on a break, the strand is narrower than the pitch and its halves have a width.
"""

from __future__ import annotations

import math
import random
from itertools import product

import numpy as np
from hypothesis import strategies as st
from scipy.spatial import Delaunay

from knotgeom.design import (
    Breaks,
    Design,
    Divide,
    FreeMesh,
    Grid,
    Groove,
    Hand,
    Heights,
    Making,
    Pass,
    Rejoin,
    Rim,
    Section,
    Site,
    Strand,
    Turn,
    Turns,
    Way,
    Weave,
)


def cells_of(grid: Grid) -> set[tuple[int, int]]:
    """The cells that a grid has."""
    return set(product(range(grid.columns), range(grid.rows))) - set(grid.without)


def cells_beside(site: tuple[int, int]) -> tuple[tuple[int, int], tuple[int, int]]:
    """The two cells, present or not, between which a site lies."""
    x, y = site
    if x % 2:
        return ((x - 1) // 2, y // 2 - 1), ((x - 1) // 2, y // 2)
    return (x // 2 - 1, (y - 1) // 2), (x // 2, (y - 1) // 2)


def inner_sites(grid: Grid) -> list[Site]:
    """Every site between two cells of the grid."""
    cells = cells_of(grid)
    places = product(range(2 * grid.columns + 1), range(2 * grid.rows + 1))
    return [Site(x, y) for x, y in places if (x + y) % 2 and cells.issuperset(cells_beside((x, y)))]


@st.composite
def grids(draw: st.DrawFn, most: int = 4, *, least: int = 1, square: bool = False) -> Grid:
    """A grid of up to ``most`` x ``most`` cells, some of them left out."""
    columns, rows = draw(st.integers(least, most)), draw(st.integers(least, most))
    cells = list(product(range(columns), range(rows)))
    without = draw(st.lists(st.sampled_from(cells), unique=True, max_size=max(0, min(len(cells) // 3, len(cells) - 1))))
    width = draw(st.sampled_from([4.0, 10.0, 24.0]))
    height = width if square else width * draw(st.sampled_from([0.8, 1.0, 1.25]))
    return Grid(columns, rows, width, height, tuple(without))


@st.composite
def breaks_on(draw: st.DrawFn, sites: list[Site]) -> Breaks:
    """Breaks on some of the sites, horizontal and vertical ones; few to many."""
    kinds = draw(st.sampled_from(["", "hv", "xxxxhv", "xxhv", "xhv"]))
    choice = [draw(st.sampled_from(kinds)) if kinds else "x" for _ in sites]
    horizontal, vertical = (
        tuple(site for site, kind in zip(sites, choice, strict=True) if kind == wanted) for wanted in "hv"
    )
    return Breaks(horizontal, vertical)


def passes_on(sites: list[Site], most: int) -> st.SearchStrategy[tuple[Pass, ...]]:
    """Up to ``most`` different passes through the sites."""
    every = [Pass(site.x, site.y, way) for site in sites for way in Way]
    if not every:
        return st.just(())
    return st.lists(st.sampled_from(every), unique=True, max_size=most).map(tuple)


@st.composite
def dividings(draw: st.DrawFn, crossed: list[Site], *, passes: bool = True, rejoined: bool = True) -> Divide:
    """What is divided: some circuits, some passes, or everything; rejoined or not."""
    rejoin = draw(st.sampled_from(Rejoin)) if rejoined else Rejoin.NONE
    if draw(st.integers(0, 5)) == 0:
        return Divide(all=True, rejoin=rejoin)
    circuits = draw(passes_on(crossed, 2))
    return Divide(circuits, draw(passes_on(crossed, 6)) if passes else (), rejoin=rejoin)


def custom_sections() -> st.SearchStrategy[tuple[tuple[float, float], ...]]:
    """Outlines of a section from its points, anticlockwise and convex."""
    return st.sampled_from(
        [
            ((0.0, 0.0), (2.0, 0.0), (1.5, 1.0), (0.5, 1.0)),
            ((-1.0, 0.0), (1.0, 0.0), (1.0, 0.4), (0.0, 1.0), (-1.0, 0.4)),
        ]
    )


@st.composite
def designs(
    draw: st.DrawFn,
    most: int = 4,
    *,
    least: int = 1,
    square: bool = False,
    divided: bool = True,
    passes: bool = True,
    rejoined: bool = True,
    sized: bool = False,
) -> Design:
    """A valid design.

    Parameters
    ----------
    draw : hypothesis draw function
    most, least : int
        Limits of columns and of rows.
    square : bool
        Square cells only.
    divided, passes, rejoined : bool
        Whether anything is divided; whether single passes are (else whole circuits, so no forks without rejoining);
        whether halves are rejoined.
    sized : bool
        Whether widths, sections, turns and heights are drawn as well; else they are left to their defaults.
    """
    grid = draw(grids(most, least=least, square=square))
    sites = inner_sites(grid)
    breaks = draw(breaks_on(sites))
    crossed = [site for site in sites if site not in breaks.horizontal and site not in breaks.vertical]
    divide = draw(dividings(crossed, passes=passes, rejoined=rejoined)) if divided else Divide()
    weave = Weave(draw(st.sampled_from(Hand)), draw(passes_on(crossed, 3)))
    if not sized:
        return Design(grid, breaks, divide, weave)

    pitch = grid.cell_width * grid.cell_height / math.hypot(grid.cell_width, grid.cell_height)
    width = pitch * draw(st.sampled_from([0.3, 0.5, 0.6]))
    way = draw(st.sampled_from(Making))
    clearance = draw(st.sampled_from([0.05, 0.1])) * width
    # halves that are to be free of each other need their clearance between them
    gap = width * draw(st.sampled_from([0.1, 0.2, 0.4] if way is Making.FREE else [0.0, 0.1, 0.2, 0.4]))
    turns = Turns(*(draw(st.sampled_from(Turn)) for _ in range(3)))
    strand = Strand(
        width=width,
        thickness=width * draw(st.sampled_from([0.15, 0.3])),
        section=draw(st.sampled_from(Section) | custom_sections()),
        groove=Groove(),
        turns=turns,
    )
    divide = Divide(divide.circuits, divide.passes, divide.all, divide.rejoin, gap)
    return Design(grid, breaks, divide, weave, strand, Heights(way, clearance))


def drawn(rng: random.Random, columns: int, rows: int, divided: int, breaks: float, wishes: int = 3) -> Design:
    """A design with exactly ``divided`` divided passes (fewer where there are fewer) and about that share of breaks.

    For tests that must count how many of their designs had forks, which a hypothesis run does not fix.
    """
    cells = list(product(range(columns), range(rows)))
    grid = Grid(columns, rows, 10.0, 10.0, tuple(rng.sample(cells, rng.randint(0, len(cells) // 5))))
    sites = inner_sites(grid)
    kind = {site: rng.choice("hv") if rng.random() < breaks else "x" for site in sites}
    passes = [Pass(site.x, site.y, way) for site in sites if kind[site] == "x" for way in Way]
    return Design(
        grid,
        Breaks(tuple(s for s in sites if kind[s] == "h"), tuple(s for s in sites if kind[s] == "v")),
        Divide(passes=tuple(rng.sample(passes, min(divided, len(passes)))), rejoin=rng.choice(list(Rejoin))),
        Weave(rng.choice(list(Hand)), tuple(rng.sample(passes, min(wishes, len(passes))))),
    )


# ------------------------------------------------------------------------------------------------ free meshes


def random_faces(rng: random.Random, points: int, merged: int, holes: int) -> tuple[np.ndarray, list[list[int]]]:
    """Faces in the plane: a triangulation of random points, some neighbours merged, some faces taken away.

    Every face is a simple polygon that runs anticlockwise; faces touch along edges, nowhere at a corner only; the whole
    hangs together. What is taken away may leave holes.
    """
    place = np.array([[rng.random(), rng.random()] for _ in range(points)]) * 100.0
    faces = []
    for a, b, c in Delaunay(place).simplices.tolist():
        (ax, ay), (bx, by), (cx, cy) = place[[a, b, c]]
        faces.append([a, b, c] if (bx - ax) * (cy - ay) > (by - ay) * (cx - ax) else [a, c, b])
    for _ in range(merged):
        owner = {pair: number for number, face in enumerate(faces) for pair in sides(face)}
        between = [pair for pair in owner if pair[::-1] in owner]
        if not between:
            break
        a, b = rng.choice(between)
        one, other = faces[owner[a, b]], faces[owner[b, a]]
        first, second = one.index(b), other.index(a)
        walk = one[first:] + one[:first] + (other[second:] + other[:second])[1:-1]  # b ... a, then on to b
        if len(set(walk)) == len(walk):
            faces = [face for face in faces if face is not one and face is not other] + [walk]
    for _ in range(holes):
        left = list(faces)
        left.remove(rng.choice(faces))
        if left and whole_round_vertices(left):
            faces = left
    return place, faces


def sides(face: list[int]) -> list[tuple[int, int]]:
    """The edges of a face in order."""
    return list(zip(face, [*face[1:], face[0]], strict=True))


def whole_round_vertices(faces: list[list[int]]) -> bool:
    """Whether the faces hang together along edges, and do so round every vertex too."""

    def together(group: list[list[int]], vertex: int | None) -> bool:
        reached, todo = {0}, [0]
        edges = [{frozenset(s) for s in sides(face) if vertex is None or vertex in s} for face in group]
        while todo:
            at = todo.pop()
            for other in range(len(group)):
                if other not in reached and edges[at] & edges[other]:
                    reached.add(other)
                    todo.append(other)
        return len(reached) == len(group)

    return together(faces, None) and all(
        together([face for face in faces if vertex in face], vertex) for vertex in {v for face in faces for v in face}
    )


def plane_mesh(place: np.ndarray, faces: list[list[int]], boundary: Rim) -> FreeMesh:
    """A free mesh in the plane, without the vertices that no face uses."""
    used = sorted({v for face in faces for v in face})
    number = {v: k for k, v in enumerate(used)}
    vertices = tuple((float(place[v, 0]), float(place[v, 1]), 0.0) for v in used)
    return FreeMesh(vertices, tuple(tuple(number[v] for v in face) for face in faces), boundary)
