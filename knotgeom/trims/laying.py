"""A trim laid along a path: whole repeats stretched a little to fit, corners by their angle, ends closed by caps.

The path is the middle line of the run. Between corners the straight piece is bent along it; corners stand rigid on the
path's own corners, so their arms want straight path beside them. Lengths are mm, angles degrees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ..errors import DesignError
from ..mesh import Floats
from .kit import Kit, Piece, TrimMesh
from .options import Part
from .paths import CORNER, Frames, Path, directions, turns

FITS = 0.25
"""How nearly a corner piece's angle must be that of the path."""
LEANS = 5.0
"""How far a corner may turn out of the plane of the trim."""
TIGHTEST = 0.9
"""How much of the distance to a bend's middle the trim may cover."""


@dataclass(frozen=True, slots=True)
class Placed:
    """One piece laid: from ``start`` along the path for ``length``, its own length times ``stretch``.

    ``corner`` is the number of the path's point that a corner piece stands on, -1 for pieces that are bent along it.
    """

    piece: str
    start: float
    length: float
    stretch: float = 1.0
    corner: int = -1


@dataclass(frozen=True, slots=True, eq=False)
class Laying:
    """A trim laid: the path as it is used, what stands where, in order, and by how much whole repeats are stretched.

    ``stretches`` has one number for each side between corners.
    """

    path: Path
    placed: tuple[Placed, ...]
    stretches: tuple[float, ...]


def lay(kit: Kit, path: Path, *, stretch: float | None = None, caps: bool = True) -> Laying:
    """Find what stands where.

    Parameters
    ----------
    stretch : float, optional
        Percent by which whole repeats may be stretched or pressed; by default what the kit's design allows.
    caps : bool
        Whether the ends of an open path are closed by caps.

    Raises
    ------
    DesignError
        No whole number of repeats fits a side, the kit has no corner of an angle, or the path bends too tightly. The
        message says what would fit.
    """
    limit = (kit.design.make.trim.stretch if stretch is None else stretch) / 100
    ways = directions(path.points, path.closed)
    turn = turns(ways, path.closed)
    corners = [int(k) for k in np.flatnonzero(turn > CORNER)]
    length = np.linalg.norm(np.roll(path.points, -1, axis=0) - path.points, axis=1)
    where = np.concatenate([[0.0], np.cumsum(length)])
    whole = float(where[-1] if path.closed else where[-2])
    _refuse_tight(kit, path)
    found = [_corner(kit, path, ways, k, float(turn[k])) for k in corners]
    reach = [legs(one) for one in found]
    placed: list[Placed] = []
    stretches: list[float] = []

    def side(start: float, end: float, name: str) -> None:
        count, by = _repeats(kit, end - start, limit, name)
        stretches.append(by)
        one = _unit(kit) * by
        placed.extend(Placed("straight", start + k * one, one, by) for k in range(count))

    if not corners and path.closed:
        side(0.0, whole, "the path")
    elif path.closed:
        for k, at in enumerate(corners):
            after = (k + 1) % len(corners)
            here, there = float(where[at]), float(where[corners[after]])
            if after <= k:
                there += whole
            placed.append(Placed(found[k].name, here - reach[k][0], sum(reach[k]), corner=at))
            side(here + reach[k][1], there - reach[after][0], f"side {k}")
    else:
        begin, end = _caps(kit) if caps else (None, None)
        reached, number = 0.0, 0
        if begin is not None:
            reached = -begin.box[0]
            placed.append(Placed(begin.name, reached, 0.0))
        for k, corner in enumerate(corners):
            here = float(where[corner])
            side(reached, here - reach[k][0], f"side {number}")
            placed.append(Placed(found[k].name, here - reach[k][0], sum(reach[k]), corner=corner))
            reached, number = here + reach[k][1], number + 1
        side(reached, whole - (0.0 if end is None else end.box[2]), f"side {number}" if corners else "the path")
        if end is not None:
            placed.append(Placed(end.name, whole - end.box[2], 0.0))
    return Laying(path, tuple(placed), tuple(stretches))


def meshes(kit: Kit, laying: Laying, level: int = 0) -> tuple[TrimMesh, ...]:
    """Every piece of a laying in its place, in order."""
    names = {one.name: one for one in kit.pieces}
    made = []
    frames = Frames(laying.path)
    for one in laying.placed:
        mesh = names[one.piece].levels[level].mesh
        made.append(_stood(frames, mesh, one) if one.corner >= 0 else _bent(frames, mesh, one))
    return tuple(made)


def joints(kit: Kit, laying: Laying, laid: tuple[TrimMesh, ...]) -> Floats:
    """How far the vertices of neighbours that should be one lie apart at most, at every joint, mm."""
    names = {one.name: one for one in kit.pieces}
    apart = []
    count = len(laid)
    for k in range(count if laying.path.closed else count - 1):
        before, after = laying.placed[k], laying.placed[(k + 1) % count]
        out = next(n for n, port in enumerate(names[before.piece].ports) if port.ahead)
        into = next(n for n, port in enumerate(names[after.piece].ports) if not port.ahead)
        one = laid[k].positions[laid[k].seam[out]]
        other = laid[(k + 1) % count].positions[laid[(k + 1) % count].seam[into]]
        if len(one) != len(other):
            raise DesignError(
                f"{before.piece} and {after.piece} have not the same vertices where they meet", "make the kit again"
            )
        apart.append(float(np.linalg.norm(one - other, axis=1).max(initial=0.0)))
    return np.array(apart)


def _refuse_tight(kit: Kit, path: Path) -> None:
    """A path may not bend so tightly that the trim's inner side folds."""
    frames = Frames(path)
    middle = (frames.start[:-1] + frames.start[1:]) / 2
    bend = np.abs(frames.at(middle)[4])
    reach = np.array([kit.height / 2, max(kit.high, -kit.low)])
    worst = (bend * reach).max(1)
    k = int(worst.argmax())
    if worst[k] > TIGHTEST:
        axis = int((bend[k] * reach).argmax())
        raise DesignError(
            f"the path bends about a radius of {1 / bend[k, axis]:.3g} mm at its point {k}",
            f"bend it no tighter than {reach[axis] / TIGHTEST:.3g} mm, or make a corner of it",
            f"path point {k}",
        )


# ----------------------------------------------------------------------------------------------------- the pieces


def _corner(kit: Kit, path: Path, ways: Floats, at: int, turn: float) -> Piece:
    """The corner piece that stands at a point of the path."""
    before, after = ways[at - 1], ways[at]
    axis = np.cross(before, after)
    axis /= np.linalg.norm(axis)
    lean = math.degrees(math.acos(min(abs(float(axis @ path.up[at])), 1.0)))
    if lean > LEANS:
        raise DesignError(
            f"the path's corner at point {at} turns {lean:.0f} degrees out of the trim's plane",
            "keep corners in the trim's plane, or round this one",
            f"path point {at}",
        )
    part = Part.INNER if float(axis @ path.up[at]) > 0 else Part.OUTER
    kinds = [one for one in kit.pieces if one.part is part]
    for one in kinds:
        if abs(abs(one.turn) - turn) <= FITS:
            return one
    have = ", ".join(f"{abs(one.turn):g}" for one in kinds) or "none"
    raise DesignError(
        f"the path has an {part.value} corner of {turn:.4g} degrees at its point {at}, which the kit has not "
        f"(only {have})",
        f"add {turn:.4g} to the kit's corners and make it again",
        f"path point {at}",
    )


def legs(corner: Piece) -> tuple[float, float]:
    """How far a corner piece's ports lie before and behind the point where their middle lines meet."""
    behind = next(port for port in corner.ports if not port.ahead)
    ahead = next(port for port in corner.ports if port.ahead)
    one, other = math.radians(behind.heading + 180), math.radians(ahead.heading)
    d, e = np.array([math.cos(one), math.sin(one)]), np.array([math.cos(other), math.sin(other)])
    # behind.at + a d = ahead.at - b e
    a, b = np.linalg.solve(np.stack([d, e], 1), np.subtract(ahead.at, behind.at))
    return float(a), float(b)


def _caps(kit: Kit) -> tuple[Piece | None, Piece | None]:
    """The pieces that begin and end a run, where the kit has them."""
    caps = [one for one in kit.pieces if one.part is Part.CAP]
    return (
        next((one for one in caps if one.ports[0].ahead), None),
        next((one for one in caps if not one.ports[0].ahead), None),
    )


def _unit(kit: Kit) -> float:
    """The length of the straight piece, mm."""
    return kit.period * next(one for one in kit.pieces if one.name == "straight").repeats


def _repeats(kit: Kit, length: float, limit: float, name: str) -> tuple[int, float]:
    """How many repeats fill a length, and by how much they are stretched."""
    unit = _unit(kit)
    exact = length / unit
    if abs(exact) < 1e-6:
        return 0, 1.0
    best = min(
        (n for n in (math.floor(exact), math.ceil(exact)) if n > 0),
        key=lambda n: abs(exact / n - 1),
        default=0,
    )
    if best > 0 and abs(exact / best - 1) <= limit + 1e-9:
        return best, exact / best
    least, most = (1 - limit) * unit, (1 + limit) * unit
    lower, upper = math.floor(exact), math.ceil(exact)
    fits = [f"{max(n, 0) * (most if n <= exact else least):.4g}" for n in (lower, upper) if n >= 0 and exact > 0]
    if exact < 0:
        words = f"make it at least {-length:.4g} mm longer"
    else:
        words = (
            f"change it so that {' or '.join(fits)} mm lie there, or allow {100 * abs(exact / best - 1):.3g} percent"
        )
    raise DesignError(
        f"{length:.4g} mm are left, which repeats of {unit:.4g} mm do not fill with {100 * limit:g} percent of "
        "stretching",
        words,
        name,
    )


def _bent(frames: Frames, mesh: TrimMesh, one: Placed) -> TrimMesh:
    """A piece bent along the path."""
    x, y, z = mesh.positions.T
    place, way, side, up, bend = frames.at(one.start + one.stretch * x)
    moved = place + y[:, None] * side + z[:, None] * up
    # along the run the surface grows by as much as it lies outside of the bend
    grown = one.stretch * (1 - bend[:, 0] * y - bend[:, 1] * z)
    for seam in mesh.seam:  # where pieces meet both turn with the frame alone, so that they agree
        grown[seam] = 1.0

    def turned(vectors: Floats, along: Floats) -> Floats:
        out = (vectors[:, 0] * along)[:, None] * way + vectors[:, 1, None] * side + vectors[:, 2, None] * up
        return np.asarray(out / np.maximum(np.linalg.norm(out, axis=1), 1e-30)[:, None])

    normals, tangents = turned(mesh.normals, 1 / grown), turned(mesh.tangents[:, :3], grown)
    return replace(mesh, positions=moved, normals=normals, tangents=np.column_stack([tangents, mesh.tangents[:, 3]]))


def _stood(frames: Frames, mesh: TrimMesh, one: Placed) -> TrimMesh:
    """A corner piece stood on the path by its first port."""
    place, way, side, up, _ = (v[0] for v in frames.at(np.array([one.start])))
    axes = np.stack([way, side, up])
    tangents = np.column_stack([mesh.tangents[:, :3] @ axes, mesh.tangents[:, 3]])
    return replace(mesh, positions=place + mesh.positions @ axes, normals=mesh.normals @ axes, tangents=tangents)
