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
    FREE,
    Border,
    Breaks,
    CircuitStyle,
    Corners,
    Cylinder,
    Design,
    Divide,
    Dome,
    FreeMesh,
    Grid,
    Groove,
    Hand,
    Heights,
    Joins,
    Layouts,
    Making,
    Panel,
    Pass,
    Piece,
    Rejoin,
    Rim,
    Ring,
    Section,
    Site,
    Sphere,
    Strand,
    Strip,
    Turn,
    Turned,
    Turns,
    Way,
    Weave,
)
from knotgeom.resolve import resolved
from knotgeom.sizing import sizes


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


# ------------------------------------------------------------------------------------------------ every kind of layout

LAYOUTS = (
    "grid",
    "ring",
    "wheel",
    "dome",
    "strip",
    "cylinder",
    "sphere",
    "turned",
    "square border",
    "mitred border",
    "polygon border",
    "mesh",
    "panel",
)
"""Kinds of layout that `whole_designs` draws."""


@st.composite
def layouts(draw: st.DrawFn, kind: str) -> Layouts:
    """A small layout of one of `LAYOUTS`, with up to about thirty crossings."""
    rims = st.sampled_from(Rim)
    rows = draw(st.integers(1, 2))
    match kind:
        case "grid":
            return draw(grids(4))
        case "ring":
            inner = draw(st.sampled_from([12.0, 25.0, 60.0]))
            return Ring(draw(st.integers(2, 8)), rows, inner, inner + 10.0 * rows, draw(rims), draw(rims))
        case "wheel":
            return Ring(draw(st.integers(3, 7)), rows, 0.0, draw(st.sampled_from([15.0, 30.0])), outer_edge=draw(rims))
        case "dome":
            return Ring(
                7, rows, 25.0, 25.0 + 12.0 * rows, draw(rims), draw(rims), Dome(draw(st.sampled_from([3.0, 10.0])))
            )
        case "strip" | "cylinder":
            around = None if kind == "strip" else Cylinder()
            columns, repeats = draw(st.integers(1, 3)), draw(st.integers(2, 4))
            return Strip(
                columns, rows, 10.0, draw(st.sampled_from([8.0, 12.0])), repeats, draw(rims), draw(rims), around
            )
        case "sphere":
            return Strip(2, rows, 10.0, 10.0, 4, draw(rims), draw(rims), Sphere(draw(st.sampled_from([32.0, 60.0]))))
        case "turned":
            profile = ((16.0, 0.0), (20.0, 12.0), (16.0, 26.0))
            return Strip(draw(st.integers(1, 2)), 2, 10.0, 10.0, 5, surface=Turned(profile))
        case "square border":
            return Border((draw(st.integers(1, 3)), draw(st.integers(1, 2))), 1, 10.0)
        case "mitred border":
            return Border((draw(st.integers(1, 3)), draw(st.integers(1, 3))), rows, 10.0, corners=Corners.MITRED)
        case "polygon border":
            return Border((draw(st.integers(1, 2)), draw(st.integers(3, 8))), rows, 10.0, True, Corners.MITRED)
        case "mesh":
            rng = random.Random(draw(st.integers(0, 10_000)))
            place, faces = random_faces(rng, rng.randint(4, 9), rng.randint(0, 3), rng.randint(0, 2))
            return plane_mesh(place, faces, draw(rims))
        case _:
            grid = Grid(draw(st.integers(1, 3)), draw(st.integers(1, 2)), 10.0, 10.0)
            other = Grid(draw(st.integers(1, 2)), grid.rows, 10.0, 10.0)
            pieces = (
                Piece("left", design=Design(grid)),
                Piece("right", (10.0 * grid.columns, 0.0), mirror=draw(st.booleans()), design=Design(other)),
            )
            return Panel(pieces, draw(st.sampled_from(Joins)))


def crossable(layout: Layouts) -> list[Site]:
    """Sites where strands may cross and a break may lie, as the design file names them."""
    match layout:
        case Ring() | Strip() | Border(corners=Corners.MITRED):
            if isinstance(layout, Border):
                round_about = layout.inside[0] * layout.inside[1] if layout.polygon else 2 * sum(layout.inside)
                wide, tall = 2 * round_about, 2 * layout.deep
            else:
                wide = 2 * (layout.sectors if isinstance(layout, Ring) else layout.columns)
                tall = 2 * layout.rows
            return [Site(x, y) for x, y in product(range(wide), range(1, tall)) if (x + y) % 2]
        case FreeMesh():
            faces: dict[frozenset[int], int] = {}
            for face in layout.faces:
                for side in sides(list(face)):
                    faces[frozenset(side)] = faces.get(frozenset(side), 0) + 1
            return [Site(edge, FREE) for edge, count in enumerate(faces.values()) if count == 2]
        case _:
            grid = resolved(Design(layout)).layout
            assert isinstance(grid, Grid)
            return inner_sites(grid)


@st.composite
def whole_designs(draw: st.DrawFn, kind: str | None = None) -> Design:
    """A design on any layout, with breaks, dividing, wishes, circuits' own widths, any section and way of making.

    Most can be made. Some are refused for what does not fit together, which the reader of designs must say.
    """
    layout = draw(layouts(kind or draw(st.sampled_from(LAYOUTS))))
    sites = crossable(layout)
    breaks = draw(breaks_on(sites))
    crossed = [site for site in sites if site not in breaks.horizontal and site not in breaks.vertical]
    if isinstance(layout, FreeMesh):
        breaks = Breaks(along=tuple(s.x for s in breaks.horizontal), across=tuple(s.x for s in breaks.vertical))
    divide = draw(st.just(Divide()) | dividings(crossed))
    wishes = draw(passes_on(crossed, 3))
    pitch = sizes(Design(layout)).pitch
    way = draw(st.sampled_from(Making))
    width = pitch * draw(st.sampled_from([0.25, 0.35, 0.5, 0.65]))
    thickness = width * draw(st.sampled_from([0.12, 0.25, 0.5]))
    gap = draw(st.none() | st.sampled_from([0.0, 0.1, 0.25, 0.4]).map(lambda share: share * width))
    own = draw(passes_on(crossed, 1)) if draw(st.integers(0, 3)) == 0 else ()
    styles = tuple(CircuitStyle(at, width * draw(st.sampled_from([0.7, 1.2])), "#a05030") for at in own)
    strand = Strand(
        draw(st.sampled_from([None, width])),
        draw(st.sampled_from([None, thickness])),
        draw(st.sampled_from(Section) | custom_sections()),
        Groove(),
        Turns(*(draw(st.sampled_from(Turn)) for _ in range(3))),
        styles,
    )
    heights = Heights(
        way,
        draw(st.sampled_from([0.03, 0.1])) * width,
        draw(st.none() | st.just(0.4 * thickness)),
        draw(st.sampled_from([None, None, 30.0, 45.0])),
        draw(st.sampled_from([None, None, 2.5 * thickness])),
    )
    divide = Divide(divide.circuits, divide.passes, divide.all, divide.rejoin, gap)
    return Design(layout, breaks, divide, Weave(draw(st.sampled_from(Hand)), wishes), strand, heights)
