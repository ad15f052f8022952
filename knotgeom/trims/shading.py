"""Which faces of a strand are seen from above, and the normals of its exact surface.

Columns are the faces between two neighbouring rails; column ``k`` lies between rails ``k`` and ``k + 1``. Normals are
taken from rails and rings, not from faces of a level: across a flat column they are that column's own, so wide flat
tops stay flat when light is interpolated over them, and over small columns of like length they are the round curve's.
"""

from __future__ import annotations

import numpy as np

from ..mesh import Bools, Floats, Ints
from .patches import Run

DOWN = -0.05
"""A column whose normals' z (the median along the run) lies below this looks down."""
ALIKE = 1.5
"""Up to this ratio of lengths two columns are taken for steps of one round curve."""


def along_run(run: Run) -> Floats:
    """Direction along every rail at every ring, not of unit length, (n, K, 3).

    Differences to both neighbours are weighted so that they are exact for arcs whose rings lie unevenly; at open ends
    the arc through the last three rings goes on.
    """
    points = run.points
    if run.closed:
        points = np.concatenate([points[-1:], points, points[:1]])
    step = np.diff(points, axis=0)
    length = np.maximum(np.linalg.norm(step, axis=2), 1e-12)[..., None]
    way = step / length
    inner = (way[:-1] * length[1:] + way[1:] * length[:-1]) / (length[:-1] + length[1:])
    if run.closed:
        return np.asarray(inner)
    if len(points) < 3:
        return np.concatenate([way[:1], way[-1:]])
    return np.concatenate([2 * way[:1] - inner[:1], inner, 2 * way[-1:] - inner[-1:]])


def column_normals(points: Floats, along: Floats) -> Floats:
    """Unit normal of every column at both its rails, (n, K, 2, 3): of its own rail's direction crossed with the column.

    ``[:, k, 0]`` stands at rail ``k``, ``[:, k, 1]`` at rail ``k + 1``.
    """
    across = np.roll(points, -1, 1) - points
    pair = np.stack([np.cross(across, along), np.cross(across, np.roll(along, -1, 1))], 2)
    return unit(pair)


def rail_normals(points: Floats, along: Floats) -> tuple[Floats, Floats]:
    """Normals of the exact surface at every rail, as reached from the column before it and from the one after.

    Returns
    -------
    soft : (n, K, 3) float64
        One normal for both, for rails that are no edge: the two columns' normals weighted by their squared lengths.
    sides : (n, K, 2, 3) float64
        The column before and the column after by themselves, for rails that are edges.
    """
    normal = column_normals(points, along)
    across = np.roll(points, -1, 1) - points
    weight = np.einsum("nkx,nkx->nk", across, across)[..., None]
    before, after = np.roll(normal[:, :, 1], 1, 1), normal[:, :, 0]
    soft = unit(before * np.roll(weight, 1, 1) + after * weight)
    length = np.sqrt(weight)

    def ended(own: Floats, own_length: Floats, other: Floats, other_length: Floats) -> Floats:
        """A column's normal at its free rail: the arc that it is a step of goes on by half a step."""
        turn = np.einsum("nkx,nkx->nk", own, other)[..., None]
        arc = (turn > np.cos(np.radians(25))) & (turn < 1 - 1e-9)
        arc &= (own_length < ALIKE * other_length) & (other_length < ALIKE * own_length)
        return np.where(arc, unit(own - (other - own) / 2), own)

    # the column before a rail is bent away from the one before it, and likewise ahead
    left = ended(before, np.roll(length, 1, 1), np.roll(normal[:, :, 0], 2, 1), np.roll(length, 2, 1))
    right = ended(after, length, np.roll(normal[:, :, 1], -1, 1), np.roll(length, -1, 1))
    return soft, np.stack([left, right], 2)


def unit(vectors: Floats) -> Floats:
    """The vectors at unit length; those of no length stay as they are."""
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    short: Floats = vectors / np.where(length > 0, length, 1.0)
    return short


def shown_columns(run: Run, underside: bool) -> Bools:
    """Which columns are kept, (K,): all, or those that do not look down.

    A column looks down where its normals' z, the median over the run, lies below ``DOWN``: undersides and the lower
    halves of rounded edges. Nothing that looks down is seen from above. Upright walls are kept, since a camera sees
    them aslant, and so are tops that pass under another strand: one looks in beside it.
    """
    if underside:
        return np.ones(run.points.shape[1], bool)
    z = column_normals(run.points, along_run(run))[..., 2].mean(2)
    shown: Bools = np.median(z, axis=0) >= DOWN
    return shown


def chains_of(shown: Bools) -> tuple[Ints, ...]:
    """Rails of each unbroken row of kept columns, in order; beyond the last rail they count on from ``K``.

    All columns kept make one row from 0 to ``K``, which is rail 0 again.
    """
    corners = len(shown)
    if shown.all():
        return (np.arange(corners + 1),)
    begins = np.flatnonzero(shown & ~np.roll(shown, 1))
    ends = np.flatnonzero(shown & ~np.roll(shown, -1)) + 1
    return tuple(
        np.arange(begin, (ends[ends > begin].min() if (ends > begin).any() else ends.min() + corners) + 1)
        for begin in begins
    )


def across_at(run: Run, rails: Ints) -> Floats:
    """Length round the section up to rails that may count on beyond ``K``."""
    corners = run.points.shape[1]
    lap: Floats = run.across[rails % corners] + (rails // corners) * run.across[-1]
    return lap


def normals_for(points: Floats, along: Floats, chain: Ints, hard: float) -> tuple[Floats, Bools]:
    """Normals at the chosen rails of one row: of the exact surface where soft, of the level's own columns at edges.

    Parameters
    ----------
    points, along : (n, K, 3) float64
        Rings, and the directions of their rails.
    chain : (s,) int
        The chosen rails in order.
    hard : float
        Degrees: chosen rails whose columns turn by more (the median over the rings) are edges.

    Returns
    -------
    normals : (n, s, 2, 3) float64
        From the column before, and from the column after: the same where the rail is soft.
    split : (s,) bool
        The edges.
    """
    corners = points.shape[1]
    rails = chain % corners
    loop = len(chain) > 2 and rails[0] == rails[-1]
    soft, sides = rail_normals(points, along)
    way = np.diff(points[:, rails], axis=1)
    before = unit(np.cross(way, along[:, rails[1:]]))  # of each column at its end
    after = unit(np.cross(way, along[:, rails[:-1]]))  # and at its beginning
    result = np.stack([soft[:, rails], soft[:, rails]], 2)
    turn = np.zeros((len(points), len(chain)))
    turn[:, 1:-1] = angle(before[:, :-1], after[:, 1:])
    if loop:
        turn[:, 0] = turn[:, -1] = angle(before[:, -1], after[:, 0])
    split = np.median(turn, axis=0) > hard
    joined = np.diff(chain) == 1  # columns that are the surface's own keep its normals at their edges
    own_before, own_after = sides[:, rails[1:], 0], sides[:, rails[:-1], 1]
    before = np.where(joined[:, None], own_before, before)
    after = np.where(joined[:, None], own_after, after)
    inner = np.flatnonzero(split[1:-1]) + 1
    result[:, inner, 0], result[:, inner, 1] = before[:, inner - 1], after[:, inner]
    if loop and split[0]:
        result[:, 0], result[:, -1] = (np.stack([before[:, -1], after[:, 0]], 1) for _ in range(2))
    elif not loop:  # rims of what is left out: only one column is there
        result[:, 0], result[:, -1] = after[:, :1], before[:, -1:]
    return result, split


def angle(one: Floats, other: Floats) -> Floats:
    """Degrees between unit vectors."""
    cross = np.linalg.norm(np.cross(one, other), axis=-1)
    degrees: Floats = np.degrees(np.arctan2(cross, np.einsum("...x,...x->...", one, other)))
    return degrees
