"""What all pieces of a level share where they meet: the kept rails, their places and normals at every port.

They are found on the straight piece, whose two ports are one and the same seam. There the level is fitted as if it
went on for ever, so nothing of the joint is to be seen. Places are kept in the port's own frame (the run ahead along
+x) on a grid of ``GRID`` mm, so that they come out the same to the bit wherever a port stands on that grid.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..mesh import Bools, Floats
from .choosing import Chains
from .kit import Port
from .patches import OPEN, Patches, Run
from .shading import normals_for

GRID = 2.0**-24


@dataclass(frozen=True, slots=True, eq=False)
class SeamEnd:
    """One strand where it passes a seam. Attributes in the order of ``chains``, one row after the other.

    Attributes
    ----------
    forward : bool
        Whether the strand runs ahead; the rails of one that comes the other way are numbered in a mirror.
    chains : tuple of (s,) int64
    places : (c, 3) float64
    normals : (c, 2, 3) float64
        From the column before and the one after.
    split : (c,) bool
    """

    forward: bool
    chains: Chains
    places: Floats
    normals: Floats
    split: Bools


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """A section and the rails kept of it, for runs of other pieces that have the same."""

    figure: Floats
    shown: Chains
    kept: Chains


@dataclass(frozen=True, slots=True, eq=False)
class Seams:
    """Of one level of a kit: what stands at its ports, by profile and place in the seam's order, and its sections."""

    tolerance: float
    ends: Mapping[tuple[str, int], SeamEnd]
    sections: tuple[Section, ...]


def turned(vectors: Floats, degrees: float) -> Floats:
    """Vectors turned anticlockwise about z; by whole quarter turns to the bit."""
    quarter = degrees / 90.0
    if quarter == round(quarter):
        cos, sin = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[round(quarter) % 4]
    else:
        cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    x, y = vectors[..., 0], vectors[..., 1]
    if sin == 0.0:
        x, y = cos * x, cos * y
    elif cos == 0.0:
        x, y = -sin * y, sin * x
    else:
        x, y = cos * x - sin * y, sin * x + cos * y
    result: Floats = np.stack([x, y, vectors[..., 2]], -1) + 0.0  # no negative zeros
    return result


def run_ahead(port: Port) -> float:
    """The way of the run at a port, degrees."""
    return port.heading if port.ahead else port.heading + 180.0


def into_port(port: Port, places: Floats) -> Floats:
    """Places of a piece in the port's own frame."""
    return turned(places - np.array([*port.at, 0.0]), -run_ahead(port))


def out_of_port(port: Port, places: Floats) -> Floats:
    """Places in the port's own frame as places of the piece."""
    result: Floats = turned(places, run_ahead(port)) + np.array([*port.at, 0.0])
    return result


def runs_forward(port: Port, end: int) -> bool:
    """Whether a strand that has this end (0 start, 1 end) at the port runs ahead there."""
    return port.ahead == (end == 1)


def mirrored(chains: Chains, corners: int) -> Chains:
    """The same rails numbered the other way round."""
    flipped = []
    for chain in chains:
        turn = corners - chain[::-1]
        flipped.append(turn - corners * (turn.min() // corners))
    return tuple(sorted(flipped, key=lambda chain: int(chain[0])))


def seam_end(seams: Seams, port: Port, key: int, end: int, corners: int) -> SeamEnd:
    """What stands at a port for a strand that starts or ends there, in the numbering of its own rails."""
    found = seams.ends[port.profile, key]
    if found.forward == runs_forward(port, end):
        return found
    chains = mirrored(found.chains, corners)
    rails = np.concatenate(found.chains) % corners
    order = []
    for rail in np.concatenate(chains):
        order.append(int(np.flatnonzero(rails == (corners - rail) % corners)[0]))
    at = np.array(order)
    return SeamEnd(not found.forward, chains, found.places[at], found.normals[at][:, ::-1], found.split[at])


def port_ends(patches: Patches) -> list[tuple[int, int, int, int]]:
    """(port, key, run, end) of every strand at every port, in the seam's order."""
    found = [
        (run.ports[end], run.seam_key[end], number, end)
        for number, run in enumerate(patches.runs)
        for end in (0, 1)
        if run.ports[end] != OPEN
    ]
    return sorted(found)


def seam_normals(
    into: Run, out: Run, turn_into: float, chains: Chains, hard: float
) -> tuple[list[Floats], list[Bools]]:
    """Normals at a seam, in its frame, from the run that ends there (``into``) and the one that goes on from there.

    ``turn_into`` is the way of the run, degrees, at both; they are the two ports of one straight piece.
    """
    back = np.diff(into.points[-2:], axis=0)
    on = np.diff(out.points[:2], axis=0)
    first, second = (np.maximum(np.linalg.norm(step, axis=2), 1e-12)[..., None] for step in (back, on))
    along = (back / first * second + on / second * first) / (first + second)
    along, ring = turned(along, -turn_into), turned(into.points[-1:], -turn_into)
    normals, split = [], []
    for chain in chains:
        normal, edge = normals_for(ring, along, chain, hard)
        normals.append(normal[0])
        split.append(edge)
    return normals, split
