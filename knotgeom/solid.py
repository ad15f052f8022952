"""Solids: strands that overlap united into one body, by manifold3d.

A strand may cross itself, so a swept mesh as it stands is no solid that a Boolean can take. It is cut across between
every crossing where it passes over and the next where it passes under. What passes over overlaps nothing else that
passes over (a crossing has one upper strand), and what passes under nothing else that passes under, so the cuts leave
two clean sets of solids, and one Boolean unites them.

Faces that lie flush are what Booleans do worst. So both pieces at a cut are drawn back from it by a hair, and
afterwards their caps are taken away and the two rims joined again, vertex by vertex: the cuts leave no trace.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from .clean import clean, filled, is_closed, is_high, is_sound, separated, shell_volumes, without_folds
from .course import Courses
from .cycles import connected_labels
from .design import Making, Sizes, Strand
from .divide import StrandMap
from .lanes import Lanes
from .loop import looped, lowered, rounded, side_at, split_at_edges, unlooped
from .mesh import Bools, Floats, Ints, Mesh, compact
from .pieces import Pieces, bent_columns, cut, labels
from .seam import cuts
from .sections import outlines
from .selfcut import crossing_pairs
from .stretches import Stretches
from .sweep import sweep_rings
from .weave import Weaving

HAIR = 2e-3
"""How far apart halves without a gap are beside forks, and how far carved strands are let into their ground; in strand
widths."""
TRIES = (2e-5, 0.35, -HAIR), (7e-5, 0.2, -4 * HAIR), (3e-6, 0.5, HAIR), (4e-5, -0.35, HAIR)
"""How far pieces are drawn back from a cut, in strand widths; where they are cut, in widths of a half beyond the middle
between two crossings; and, for halves without a gap, how far they are parted (below 0: overlap), in strand widths. Each
is tried in turn until the mesh is sound, the first two with plugs as well. Halves without a gap meet in the middle,
where the next one's wall stands, and are always cut away from it. Others are cut just there at first, then beside it,
for the middle may lie in the tip of a pointed turn or within another strand. Where the first two leave as many
triangles crossing, a strand folds over itself, and no other cut helps."""
TWISTED = 2e-5, 0.35, -12 * HAIR
"""The same for halves without a gap on curved surfaces, where walls that part at a fork are twisted: farther apart."""
REACH = 40.0
"""How far both sides of a cut may lie apart to be joined, in slits."""
SHORT, FLAT = 2.5e-4, 5e-5
"""Edges and heights of triangles below these are taken out, in strand widths."""
GRID = 60 * 2.0**-23
"""Edges below this share of the distance from the origin are taken out too: single precision is that coarse there."""
LEAST = 1e-6
"""Lowest triangle that is left, in strand widths."""
NUDGE = 1e-4
"""How far apart surfaces are drawn that would touch in a point or an edge, in strand widths."""


class FoldedError(ValueError):
    """A strand passes through itself beside a crossing or a bend, wherever it is cut."""


def upper_runs(
    lanes: Lanes, strand_map: StrandMap, weaving: Weaving, stretches: Stretches, shift: float = 0.0
) -> Bools:
    """Whether each lane sample's run belongs to a stretch of strand that passes over, (m,) bool.

    The strand changes sets half way between two crossings, or ``shift`` mm further. A fork belongs to its whole
    strand's side.
    """
    s = stretches
    count = strand_map.crossings
    crossing = s.crossing >= 0
    upper = np.zeros(len(s.lane), bool)
    strand = (s.node[:, 0] % 8) >= 4
    upper[crossing] = weaving.pass_one_over[s.crossing[crossing]] == strand[crossing]
    before = np.empty_like(s.following)
    before[s.following] = np.arange(len(before))
    opens = np.zeros(len(s.lane), bool)
    opens[~crossing] = strand_map.fork_opens[s.node[~crossing, 0] - 8 * count]
    # several forks may follow each other on one trunk, none of them with a crossing of its own: pass the side along
    for _ in range(3):
        upper = np.where(crossing, upper, np.where(opens, upper[before], upper[s.following]))

    lane = np.repeat(np.arange(len(lanes.circuit)), np.diff(lanes.start))
    result = np.ones(len(lane), bool)
    base = np.concatenate([[0.0], np.cumsum(lanes.length + 1.0)])[:-1]
    middle = s.place[:, 3] + s.room / 2 + shift  # where a row's stretch ends
    key = np.mod(middle, lanes.length[s.lane]) + base[s.lane]
    order = np.argsort(key, kind="stable")
    after = np.arange(1, len(lane) + 1)
    after[lanes.start[1:] - 1] = lanes.start[:-1]
    end = np.where(after == lanes.start[:-1][lane], lanes.length[lane], lanes.along[after])
    heart = (lanes.along + end) / 2 + base[lane]
    rows_in = np.bincount(s.lane, minlength=len(lanes.circuit))
    first = np.concatenate([[0], np.cumsum(rows_in)])[:-1]
    at = np.searchsorted(key[order], heart)
    wrapped = at >= first[lane] + rows_in[lane]
    at = np.where(wrapped, first[lane], at)
    some = rows_in[lane] > 0
    result[some] = upper[order[np.minimum(at[some], len(order) - 1)]]
    return result


def united(
    courses: Courses,
    lanes: Lanes,
    strand_map: StrandMap,
    weaving: Weaving,
    stretches: Stretches,
    z: Floats,
    strand: Strand,
    size: Sizes,
    way: Making,
    ground: float | None = None,
    tool: Tool | None = None,
    most: int | None = None,
) -> Mesh:
    """All strands united: one closed body for each connected part, without anything hidden inside.

    Vertices are rounded to single precision, so that files which keep no more give back the same mesh. A flat strip is
    laid flat and cut where it comes round.

    Parameters
    ----------
    tool : Tool, optional
        What unites the pieces in place of manifold3d. Of its solids that with the fewest crossing triangles is taken;
        with manifold3d none may cross.
    most : int, optional
        Of the tries, how many are made; else all.

    Raises
    ------
    ImportError
        If manifold3d is not installed, and no ``tool`` given.
    ValueError
        If no sound solid comes out. A :class:`FoldedError` where that lies in the strands themselves.
    """
    if way is Making.CARVED and ground is None:
        ground = float(z.min()) - size.thickness / 2
    outline = np.column_stack([row[0] for row in outlines(strand, size, np.array([size.width]))])
    closed = size.gap < HAIR * size.width
    # round the pyramid what is upright, level or plane on a flat strip is so as well, seen from its apex
    flat = courses.flat and tool is None
    bent = (bool(courses.period) or courses.lift is not None) and not flat
    triangulate, least = (_triangulate, LEAST) if tool is None else (tool.triangulate, LEAST / 100)
    early = (TRIES[0] if closed else (TRIES[0][0], 0.0, 0.0), TRIES[1])
    rows = [(*row, False) for row in early] + [(*row, True) for row in early * (tool is None)]
    rows += [(*TWISTED, False)] * (closed and bent) + [(*row, False) for row in TRIES[2:]]
    best: tuple[int, Mesh] | None = None
    crossed: list[int] = []  # how many triangles cross, of tries without plugs
    while rows and (most is None or most > 0):
        most = most if most is None else most - 1
        slit, share, parted, plugged = rows.pop(0)
        upper = upper_runs(lanes, strand_map, weaving, stretches, share * size.half_width)
        laid = _spaced(lanes, parted * size.width) if closed else lanes
        low: float | Floats | None = ground
        if ground is not None and bent:  # no plane can cut it off level: let what passes over stand a hair deeper
            low = ground - HAIR * size.width * upper
        swept = sweep_rings(courses, laid, z, strand, size, way, low)
        label = labels(swept, lanes, upper, parted=closed)
        column = np.arange(len(outline)) if bent else bent_columns(outline, swept, lanes)
        pieces = cut(
            swept, lanes, label, outline, column, slit * size.width, triangulate, upright=not bent, plugged=plugged,
            loop=(courses.period, courses.roll) if flat else None,
        )  # fmt: skip
        if courses.flat:
            place, faces, of = split_at_edges(pieces.vertices, pieces.faces, courses.period, courses.roll)
            pieces = Pieces(place, faces, pieces.kind[of], pieces.circuit[of], pieces.sides[of])
        level = ground if way is Making.CARVED and not bent else None
        if tool is None:
            vertices, faces, source = _boolean(pieces, level, HAIR * size.width, courses.roll if flat else 0.0)
        else:
            vertices, faces, source = tool.unite(pieces, level, HAIR * size.width)
        if not plugged:
            vertices, faces, source = _rejoined(vertices, faces, source, pieces.sides, slit * size.width)
        for _ in range(4):
            if is_closed(faces, len(vertices)):
                break
            vertices, faces, source = separated(vertices, faces, source, NUDGE * size.width)
        else:
            rows.sort(key=lambda row: row != (slit, share, parted, True))  # plugs close what could not be joined
            continue
        circuit = np.where(source >= 0, pieces.circuit[np.maximum(source, 0)], 0)
        short = max(SHORT * size.width, GRID * float(np.abs(vertices).max()))
        if courses.flat:  # rounded as it will lie
            vertices = _on_flat(courses, vertices)
        period = courses.period if courses.flat else 0.0
        vertices, faces, circuit = clean(vertices, faces, circuit, short, short * FLAT / SHORT, period=period)
        if courses.flat:
            vertices = looped(vertices, courses.period, courses.roll)
        vertices, faces, circuit = separated(vertices, faces, circuit, NUDGE * size.width)
        kept = _bodies(vertices, faces, 0.01 * size.width**2 * size.thickness)
        used, faces = compact(faces[kept], len(vertices))
        vertices, circuit = vertices[used], circuit[kept]
        if courses.flat:
            vertices = _on_flat(courses, vertices)
        if level is not None:
            vertices = _levelled(vertices, faces, short, period)
            if not is_high(vertices, faces, least * size.width):  # what became level may lie in line
                vertices, faces, circuit = clean(vertices, faces, circuit, short, short * FLAT / SHORT, period=period)
                vertices = _levelled(vertices, faces, short, period)
        whole, crossings = _mesh(vertices, faces, circuit), []
        for mesh in cuts(whole, courses.period, size.width) if courses.flat else (whole,):
            if not is_sound(mesh.vertices, mesh.triangles, least * size.width):
                continue
            crossing = len(crossing_pairs(mesh.vertices, mesh.triangles))
            if not crossing:
                return mesh
            crossings.append(crossing)
            if tool is not None and (best is None or crossing < best[0]):  # single precision may cross by its rounding
                best = crossing, mesh
        crossed += [min(crossings)] if crossings and not plugged else []
        if tool is None and len(crossed) == 2 and crossed[0] == crossed[1]:
            raise FoldedError(f"{crossed[0]} pairs of triangles cross, wherever strands are cut")
    if best is not None:
        return best[1]
    raise ValueError("the strands unite to no sound solid")


def _on_flat(courses: Courses, vertices: Floats) -> Floats:
    """Places of a flat strip taken round, laid flat and rounded."""
    return rounded(unlooped(vertices, courses.period, courses.roll), courses.period)


def _mesh(vertices: Floats, faces: Ints, circuit: Ints) -> Mesh:
    return Mesh(
        vertices=vertices,
        quads=np.zeros((0, 4), np.int32),
        triangles=faces.astype(np.int32),
        quad_uv=np.zeros((0, 4, 2), np.float32),
        triangle_uv=np.ascontiguousarray(vertices[faces][:, :, :2], np.float32),
        quad_strand=np.zeros(0, np.int32),
        triangle_strand=circuit.astype(np.int32),
    )


def _levelled(vertices: Floats, faces: Ints, near: float, period: float) -> Floats:
    """Vertices with the underside level: where short edges were taken out, a vertex of it may have come up as far."""
    low = float(vertices[:, 2].min())
    corner = vertices[faces]
    ahead, aside = corner[:, 1, :2] - corner[:, 0, :2], corner[:, 2, :2] - corner[:, 0, :2]
    if period:
        for way in (ahead, aside):
            way[:, 0] -= period * np.round(way[:, 0] / period)
    under = (corner[:, :, 2] < low + near).all(1) & (ahead[:, 0] * aside[:, 1] < ahead[:, 1] * aside[:, 0])
    level = vertices.copy()
    level[faces[under], 2] = low
    return level


def _bodies(vertices: Floats, faces: Ints, crumb: float) -> Bools:
    """Which faces belong to a body of more than a crumb; what is hidden inside another has a negative volume."""
    return shell_volumes(vertices, faces) > crumb


def _spaced(lanes: Lanes, apart: float) -> Lanes:
    """Halves without a gap set a little apart, or, below 0, made to overlap; beside a fork they are always apart.

    Walls that lie flush unite to no clean solid. Beside a fork both halves are one solid, which must not overlap
    itself.
    """
    half = ~lanes.whole | (lanes.opened > 0)
    gap = np.where(lanes.opened < 0.5, abs(apart), apart)
    return replace(lanes, width=np.where(half, lanes.width - gap, lanes.width))


@dataclass(frozen=True, slots=True)
class Tool:
    """What unites pieces where manifold3d is not at hand, such as a modelling program's own Boolean.

    It may work in single precision: a few triangles may then come out a hundred times lower than with manifold3d.

    Attributes
    ----------
    triangulate : callable
        ``triangulate(outline)`` gives the triangles, (t, 3), anticlockwise, of a simple polygon, (n, 2), anticlockwise.
    unite : callable
        ``unite(pieces, ground, hair)`` gives vertices (v, 3), faces (f, 3) of the union of all kinds of pieces, and
        for each face the number of the face in ``pieces.faces`` that it is part of, -1 for none. With a ``ground``,
        vertices at or below it are first sunk by ``hair`` times one more than their kind, and the union is cut off
        at it.
    """

    triangulate: Callable[[Floats], Ints]
    unite: Callable[[Pieces, float | None, float], tuple[Floats, Ints, Ints]]


def _triangulate(outline: Floats) -> Ints:
    from manifold3d import triangulate

    return np.asarray(triangulate([outline]), np.int64)


def _boolean(pieces: Pieces, ground: float | None, hair: float, reach: float = 0.0) -> tuple[Floats, Ints, Ints]:
    """The union of all pieces: vertices, faces, and the face of the pieces each comes from (-1: cut by the ground).

    Pieces that stand on the ground are let into it by a ``hair`` and cut off level afterwards: undersides that lie in
    one plane unite to no clean solid. With a ``reach`` they are those of a flat strip taken round.
    """
    from manifold3d import Manifold, Mesh64, OpType

    kinds = np.unique(pieces.kind).tolist()
    first = Manifold.reserve_ids(len(kinds))
    sets: list[Manifold] = []
    for kind in kinds:
        faces = np.flatnonzero(pieces.kind == kind)
        used, numbered = compact(pieces.faces[faces], len(pieces.vertices))
        place = pieces.vertices[used]
        if ground is not None and reach:
            place = lowered(place, ground, hair, reach)
        elif ground is not None:
            place[:, 2] -= hair * (place[:, 2] <= ground)
        # every face has a name, so that none is taken for part of another; a cap's faces lie in one plane
        solid = Manifold(
            Mesh64(
                vert_properties=np.ascontiguousarray(place),
                tri_verts=np.ascontiguousarray(numbered, np.uint64),
                run_index=np.array([0, 3 * len(faces)], np.uint64),
                run_original_id=np.array([first + len(sets)], np.uint32),
                face_id=faces.astype(np.uint64),
            )
        )
        if solid.is_empty():
            raise ValueError(f"a set of strand pieces is no solid: {solid.status()}")
        sets.append(solid)
    whole = Manifold.batch_boolean(sets, OpType.Add) if len(sets) > 1 else sets[0]
    if ground is not None and reach:  # below the ground there is a square bar, see :mod:`knotgeom.loop`
        wide, long = 2 * side_at(ground, reach), 4 * float(np.abs(pieces.vertices[:, 1]).max()) + 1.0
        whole -= Manifold.cube((wide, long, wide), True)
    elif ground is not None:
        whole = whole.trim_by_plane((0.0, 0.0, 1.0), ground)
    mesh = whole.to_mesh64()
    faces = np.asarray(mesh.tri_verts, np.int64)
    source = np.asarray(mesh.face_id, np.int64)
    ends = np.asarray(mesh.run_index).astype(np.int64)
    runs = (ends[1:] - ends[:-1]) // 3
    origin = np.asarray(mesh.run_original_id, np.int64)
    from_pieces = np.repeat((origin >= first) & (origin < first + len(kinds)), runs)
    return np.asarray(mesh.vert_properties, float)[:, :3], faces, np.where(from_pieces, source, -1)


def _rejoined(vertices: Floats, faces: Ints, source: Ints, sides: Ints, slit: float) -> tuple[Floats, Ints, Ints]:
    """Take the caps away again and join both sides of every cut, vertex by vertex."""
    side = np.where(source >= 0, sides[np.maximum(source, 0)], -1)
    on_cap = side >= 0
    cut = np.unique(np.repeat(side[on_cap], 3) * len(vertices) + faces[on_cap].ravel())
    one, other = _across_cuts(vertices, cut // len(vertices), cut % len(vertices), REACH * slit)
    merged = np.zeros(len(vertices), bool)
    if len(one):
        group = connected_labels(len(vertices), one, other)
        number = np.bincount(group)
        vertices = np.stack([np.bincount(group, vertices[:, k]) / number for k in range(3)], 1)
        faces, merged = group[faces], number > 1
    faces, source = faces[~on_cap], source[~on_cap]
    kept = without_folds(faces, np.asarray(merged[faces].any(axis=1), bool))
    faces, source = faces[kept], source[kept]
    # where one side has a vertex that the other has not, a slit is left
    more = filled(vertices, faces)
    if len(more):
        faces, source = np.concatenate([faces, more]), np.concatenate([source, _beside(faces, source, more)])
    return vertices, faces, source


def _across_cuts(vertices: Floats, side: Ints, vertex: Ints, reach: float) -> tuple[Ints, Ints]:
    """Each vertex of a cap with the nearest of the cap across the cut, where that lies within ``reach``; (n,), (n,).

    ``side`` is 2 c + s as in :class:`Pieces`, in rising order.
    """
    first = np.searchsorted(side, side ^ 1)
    number = np.searchsorted(side, side ^ 1, side="right") - first
    some = np.flatnonzero(number)
    first, number = first[some], number[some]
    start = np.cumsum(number) - number
    other = np.arange(int(number.sum())) + np.repeat(first - start, number)
    off = vertices[vertex[other]] - np.repeat(vertices[vertex[some]], number, axis=0)
    apart = np.einsum("ij,ij->i", off, off)
    least = np.minimum.reduceat(apart, start) if len(start) else apart
    row = np.repeat(np.arange(len(some)), number)
    best = np.flatnonzero(apart == least[row])
    best = best[np.unique(row[best], return_index=True)[1]]
    best = best[least < reach * reach]
    return vertex[some[row[best]]], vertex[other[best]]


def _beside(faces: Ints, source: Ints, more: Ints) -> Ints:
    """For each further face, where a face comes from that shares its first vertex."""
    of_vertex = np.full(int(max(faces.max(), more.max())) + 1, -1)
    of_vertex[faces.ravel()] = np.repeat(source, 3)
    return of_vertex[more[:, 0]]
