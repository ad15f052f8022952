"""Cards and collision hulls of pieces that turn or branch: one part for each arm, so that none fills the space between.

An arm is what is nearer to its own middle line than to the others' (:func:`.sheet.arm_of`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..mesh import Floats
from .hull import Hull, upright
from .kit import Piece, Port, TrimMesh
from .sheet import arm_of, meeting


def turns(ports: Sequence[Port]) -> bool:
    """Whether a piece's arms lie any other way than one straight on from the other."""
    return len({round(port.heading % 180.0, 6) for port in ports}) > 1


def arm_card(card: TrimMesh, ports: Sequence[Port], low: float, high: float) -> TrimMesh:
    """A card cut along the lines where arms meet, in place of one over the whole plan.

    Parameters
    ----------
    card : TrimMesh
        The flat one; its height is kept.
    low, high : float
        The strip's lower and upper edge beside its middle line, mm; the run's left is high.
    """
    z = float(card.positions[0, 2])
    at = np.array([port.at for port in ports], float)
    ways = np.radians([port.heading for port in ports])
    out = np.stack([np.cos(ways), np.sin(ways)], 1)
    meet = meeting(at, out)
    left = np.stack([-out[:, 1], out[:, 0]], 1)
    # seen along its heading, a port where the run comes in has the run's left on its right
    edges = np.array([(low, high) if port.ahead else (-high, -low) for port in ports])
    order = np.argsort(np.mod(ways, 2 * np.pi), kind="stable").tolist()
    points: list[Floats] = []
    triangles: list[tuple[int, int, int]] = []
    for place, k in enumerate(order):
        after, before = order[(place + 1) % len(order)], order[place - 1]
        one = _corner(meet, out[k], left[k], edges[k, 1], out[after], left[after], edges[after, 0])
        other = _corner(meet, out[k], left[k], edges[k, 0], out[before], left[before], edges[before, 1])
        first = sum(len(part) for part in points)
        port_left, port_right = at[k] + edges[k, 1] * left[k], at[k] + edges[k, 0] * left[k]
        points.append(np.array([meet, other, port_right, port_left, one]))
        # arms are longer than the strip is wide about where they meet, so none of these is turned over
        triangles += [(first, first + corner, first + corner + 1) for corner in (1, 2, 3)]
    plan = np.concatenate(points)
    v = len(plan)
    spread = plan - plan.min(0)
    return replace(
        card,
        positions=np.column_stack([plan, np.full(v, z)]),
        normals=np.tile([0.0, 0.0, 1.0], (v, 1)),
        triangles=np.array(triangles, np.int32),
        strand=np.zeros(v, np.int32),
        along=spread[:, 0],
        across=spread[:, 1].max() - spread[:, 1],
        seam=tuple(np.zeros(0, np.int32) for _ in ports),
        patch=np.zeros(len(triangles), np.int32),
        uv=np.zeros((v, 2), np.float32),
        light_uv=np.zeros((v, 2), np.float32),
        tangents=np.tile([1.0, 0.0, 0.0, 1.0], (v, 1)),
    )


def _corner(
    meet: Floats, out: Floats, left: Floats, edge: float, other_out: Floats, other_left: Floats, other_edge: float
) -> Floats:
    """Where an arm's edge meets that of the next arm round."""
    cross = float(out[0] * other_out[1] - out[1] * other_out[0])
    if abs(cross) < 1e-9:
        return np.asarray(meet + edge * left)
    # meet + edge left + a out = meet + other_edge other_left + b other_out
    off = other_edge * other_left - edge * left
    share = (off[0] * other_out[1] - off[1] * other_out[0]) / cross
    return np.asarray(meet + edge * left + share * out)


def hulls(piece: Piece) -> tuple[Hull, ...]:
    """Convex bodies that together hold all of a piece, one for each arm."""
    mesh = piece.fine
    arm = arm_of(mesh, piece.ports)
    return tuple(upright(mesh.positions[np.unique(mesh.triangles[arm == k])]) for k in np.unique(arm).tolist())
