"""From a made design's strands to :class:`.Patches`: cut at the ports of a piece, led over to the seams.

How they are cut is in :mod:`.spans`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..design import Making
from ..errors import DesignError
from ..mesh import Bools, Floats
from .choosing import profile
from .kit import Port
from .parts import PieceDesign
from .patches import OPEN, Fork, Patches, Run
from .seams import into_port, out_of_port
from .spans import Cut, Pieces, cuts_at, keyed, opened, rings_of, run_of, spans_of
from .strands import Parting, Strand

BLENDED = 1.5
"""Over how long a stretch before a port a strand is led over to the seam that all pieces share, in strand widths."""
SYMMETRIC = 1e-3
"""A section is its own mirror image if no point lies off by more than this share of its size."""


@dataclass(frozen=True, slots=True, eq=False)
class SeamRing:
    """What stands on a seam at one place of its order, in the port's own frame: its ring and which way it runs.

    ``ring`` is (K, 3) with x = 0; ``forward`` whether the strand runs ahead there.
    """

    ring: Floats
    forward: bool


# ------------------------------------------------------------------------------------------------------ strips


def cut_strip(
    plan: PieceDesign, strands: Sequence[Strand], partings: Sequence[Parting], height: float, width: float
) -> Patches:
    """One repeat of a flat strip between its two ports.

    What ends at one port begins at the other, moved by the length of the piece: the same to the bit.

    Raises
    ------
    DesignError
        Strands do not go on from port to port; the message says what would do.
    """
    period = plan.ports[1].at[0]
    origin = np.array([*plan.origin, 0.0])
    hard = plan.design.make.trim.hard
    pieces = Pieces()
    for number, strand in enumerate(strands):
        grid = opened(strand) - origin
        low, high = float(grid[:, :, 0].min()), float(grid[:, :, 0].max())
        every: Bools = np.ones(len(grid), bool)
        cuts: list[Cut] = []
        for n in range(math.floor(low / period), math.ceil(high / period) + 1):
            cuts += cuts_at(grid[:, :, 0] - n * period, n, every)
        for span in spans_of(number, strand, grid, cuts):
            whole = span.first is None and span.last is None
            points = strand.points - origin if whole else rings_of(span, width)
            cell = math.floor(float(points[len(points) // 2, :, 0].mean()) / period)
            repeats = _repeats(plan)
            if cell % repeats:
                continue
            points = points - np.array([cell * period, 0.0, 0.0])
            ends = [OPEN, OPEN]
            for end, cut_here in ((0, span.first), (1, span.last)):
                if cut_here is not None:
                    ends[end] = cut_here.plane - cell
                    points[-end, :, 0] = ends[end] * period
            pieces.add(span, run_of(span, strand, points, (ends[0], ends[1]), hard))
    runs = keyed(pieces.runs, plan.ports)
    runs = _one_seam(plan.name, runs)
    forks = pieces.forks(partings)
    joined = {end for fork in forks for end in (fork.trunk, fork.left, fork.right)}
    if any(
        run.ports[end] == OPEN and not run.closed and (number, end) not in joined
        for number, run in enumerate(runs)
        for end in (0, 1)
    ):
        raise DesignError("a strand divides just at the seam", "divide it elsewhere, or not there", "divide")
    return Patches(plan.name, plan.ports, runs, forks, (0.0, -height / 2, period, height / 2))


def _repeats(plan: PieceDesign) -> int:
    return int(getattr(plan.design.layout, "repeats", 1))


def _one_seam(name: str, runs: Sequence[Run]) -> tuple[Run, ...]:
    """The runs of a strip with the very same rings at both ends."""
    rings: tuple[dict[int, Floats], dict[int, Floats]] = ({}, {})
    for run in runs:
        for end in (0, 1):
            if run.ports[end] in (0, 1):
                rings[run.ports[end]][run.seam_key[end]] = run.points[-end]
    if rings[0].keys() != rings[1].keys():
        raise DesignError(
            f"the strands of {name} do not go on where it comes round", "give other breaks there", "breaks"
        )
    for key, ring in rings[0].items():
        if np.abs(ring[:, 1:] - rings[1][key][:, 1:]).max() > 1e-3 * np.ptp(ring[:, 1:]):
            raise DesignError(
                f"the strands of {name} do not go on where it comes round", "give other breaks there", "breaks"
            )
        ring[:, 1:] = rings[1][key][:, 1:]
    return tuple(runs)


# ------------------------------------------------------------------------------------------------- other pieces


def seam_rings(straight: Patches) -> dict[int, SeamRing]:
    """What stands on the ports of a straight piece, by place in the seam's order."""
    at, found = straight.ports[1], {}
    for run in straight.runs:
        for end in (0, 1):
            if run.ports[end] == 1:
                ring = into_port(at, run.points[-end])
                ring[:, 0] = 0.0
                found[run.seam_key[end]] = SeamRing(ring, at.ahead == (end == 1))
    return found


def cut_piece(
    plan: PieceDesign,
    strands: Sequence[Strand],
    partings: Sequence[Parting],
    height: float,
    width: float,
    seams: Mapping[str, Mapping[int, SeamRing]],
) -> tuple[Patches, float]:
    """A piece between its ports, its strands led over to what the straight pieces have there.

    Parameters
    ----------
    height : float
        Of the strip, mm: a port's plane reaches half of it to both sides.
    seams : mapping
        By profile: :func:`seam_rings` of the straight piece.

    Returns
    -------
    patches : Patches
    moved : float
        How far any point was moved to meet the seam, mm.

    Raises
    ------
    DesignError
        The strands at a port are not those of the seam.
    """
    pieces = _between_ports(plan, strands, height, width)
    runs, forks = keyed(pieces.runs, plan.ports), pieces.forks(partings)
    turned_over = [_turned_over(strand) for strand in strands]
    if any(one is not strand for one, strand in zip(turned_over, strands, strict=True)):
        others = keyed(_between_ports(plan, turned_over, height, width).runs, plan.ports)
        runs = _better(runs, others, forks, plan.ports, seams)
    runs, moved = _led(plan, runs, seams, width)
    places = np.concatenate([run.points.reshape(-1, 3)[:, :2] for run in runs])
    (x0, y0), (x1, y1) = places.min(0).tolist(), places.max(0).tolist()
    for port in plan.ports:  # the strip's own margins belong to the piece
        side = math.radians(port.heading + 90.0)
        for reach in (-height / 2, height / 2):
            x, y = port.at[0] + reach * math.cos(side), port.at[1] + reach * math.sin(side)
            x0, y0, x1, y1 = min(x0, x), min(y0, y), max(x1, x), max(y1, y)
    return Patches(plan.name, plan.ports, runs, forks, (x0, y0, x1, y1)), moved


def _between_ports(plan: PieceDesign, strands: Sequence[Strand], height: float, width: float) -> Pieces:
    """Stretches of strands that lie between the ports of a piece."""
    origin = np.array([*plan.origin, 0.0])
    hard = plan.design.make.trim.hard
    pieces = Pieces()
    for number, strand in enumerate(strands):
        grid = opened(strand) - origin
        cuts: list[Cut] = []
        for k, port in enumerate(plan.ports):
            own = into_port(replace(port, ahead=True), grid)
            within = (np.abs(own[..., 1].mean(1)) <= 0.52 * height) & (np.abs(own[..., 0].mean(1)) <= height)
            cuts += cuts_at(own[..., 0], k, np.asarray(within))
        for span in spans_of(number, strand, grid, cuts):
            if (span.first is not None and span.first.outward) or (span.last is not None and not span.last.outward):
                continue
            if span.first is None and span.last is None:
                points = strand.points - origin
                if _outside(points, plan.ports, height):
                    continue
            else:
                points = rings_of(span, width)
            ends = (
                OPEN if span.first is None else span.first.plane,
                OPEN if span.last is None else span.last.plane,
            )
            pieces.add(span, run_of(span, strand, points, ends, hard))
    return pieces


def _outside(points: Floats, ports: Sequence[Port], height: float) -> bool:
    """Whether a strand that passes no port lies beyond one."""
    middle = points[len(points) // 2].mean(0)[None]
    for port in ports:
        own = into_port(replace(port, ahead=True), middle)[0]
        if own[0] > 0 and abs(own[1]) <= 0.52 * height:
            return True
    return False


def _better(
    runs: Sequence[Run],
    others: Sequence[Run],
    forks: Sequence[Fork],
    ports: Sequence[Port],
    seams: Mapping[str, Mapping[int, SeamRing]],
) -> tuple[Run, ...]:
    """Strands as they are or left for right (``others``), whichever fits the seams better; at forks as they are.

    Which way a strand is followed is chance, and a section that is no mirror image of itself lies left and right by it.
    """
    joined = {end[0] for fork in forks for end in (fork.trunk, fork.left, fork.right)}

    def off(run: Run) -> float:
        total = 0.0
        for end in (0, 1):
            port = ports[run.ports[end]]
            if run.ports[end] != OPEN and run.seam_key[end] in seams[port.profile]:
                apart = _seam_ring(seams, port, run, end) - run.points[-end]
                total += float(np.linalg.norm(apart - apart.mean(0), axis=1).max())
        return total

    if [run.ports for run in runs] != [run.ports for run in others]:
        return tuple(runs)
    both = zip(runs, others, strict=True)
    return tuple(run if number in joined else min(run, other, key=off) for number, (run, other) in enumerate(both))


def _seam_ring(seams: Mapping[str, Mapping[int, SeamRing]], port: Port, run: Run, end: int) -> Floats:
    """What the straight piece has where a run has its end, in the order of the run's own rails."""
    seam = seams[port.profile][run.seam_key[end]]
    ring = seam.ring
    if seam.forward != (port.ahead == (end == 1)):
        ring = ring[(-np.arange(len(ring))) % len(ring)]
    return out_of_port(port, ring)


def _turned_over(strand: Strand) -> Strand:
    """A strand with the mirror image of its section, left for right; the same strand where that is the section."""
    figure = profile(strand.points[len(strand.points) // 2])
    corners = len(figure)
    back = (corners - np.arange(corners)) % corners
    if np.abs(figure[back] * [-1.0, 1.0] - figure).max() <= SYMMETRIC * float(np.ptp(figure, axis=0).max()):
        return strand
    half = corners // 2
    aside = strand.points[:, 1:half, :2].mean(1) - strand.points[:, half + 1 :, :2].mean(1)
    aside /= np.maximum(np.linalg.norm(aside, axis=1), 1e-12)[:, None]
    across = np.einsum("nkx,nx->nk", strand.points[..., :2], aside)
    middle = (across.min(1) + across.max(1))[:, None]
    points = strand.points.copy()
    points[..., :2] += (middle - 2 * across)[..., None] * aside[:, None]
    return replace(strand, points=points[:, back])


def _led(
    plan: PieceDesign, runs: Sequence[Run], seams: Mapping[str, Mapping[int, SeamRing]], width: float
) -> tuple[tuple[Run, ...], float]:
    """Strands led over to the seams that all pieces share, and how far any point was moved."""
    wrong = DesignError(
        f"strands do not go on through {plan.name} as they come",
        "give the strip other breaks or divided strands, or leave this piece out",
        "make.trim.pieces",
    )
    for k, port in enumerate(plan.ports):
        if sum(run.ports.count(k) for run in runs) != len(seams[port.profile]):
            raise wrong
    offs: dict[tuple[int, int], Floats] = {}
    for number, run in enumerate(runs):
        for end in (0, 1):
            if run.ports[end] != OPEN:
                offs[number, end] = _seam_ring(seams, plan.ports[run.ports[end]], run, end) - run.points[-end]
    # heights are given but for how high all of it lies
    lift = float(np.mean([off[:, 2].mean() for off in offs.values()]))
    ground = min(float(seam.ring[:, 2].min()) for rings in seams.values() for seam in rings.values())
    moved, out = 0.0, []
    for number, run in enumerate(runs):
        points = run.points + [0.0, 0.0, lift]
        if plan.design.heights.way is Making.CARVED:
            foot = run.points[..., 2] <= run.points[..., 2].min() + 1e-9
            points[foot, 2] = ground
        for end in (0, 1):
            if (number, end) not in offs:
                continue
            exact = offs[number, end] + run.points[-end]
            off = exact - points[-end]
            moved = max(moved, float(np.linalg.norm(off, axis=1).max()))
            away = run.along if end == 0 else run.along[-1] - run.along
            share = np.clip(1 - away / min(BLENDED * width, 0.9 * float(run.along[-1])), 0.0, 1.0)
            points = points + (share * share * (3 - 2 * share))[:, None, None] * off
            points[-end] = exact
        out.append(replace(run, points=points))
    return tuple(out), moved
