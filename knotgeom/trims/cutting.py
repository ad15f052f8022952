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
from .spans import Cut, Pieces, cuts_at, divided_at_seam, keyed, opened, rings_of, run_of, spans_of
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
        A strand divides just where the strip is cut, or none passes there; the message says what would do.
    """
    period = plan.ports[1].at[0]
    origin = np.array([*plan.origin, 0.0])
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
            points = points - np.array([cell * period, 0.0, 0.0])
            ends = [OPEN, OPEN]
            for end, cut_here in ((0, span.first), (1, span.last)):
                if cut_here is not None:
                    ends[end] = cut_here.plane - cell
                    points[-end, :, 0] = ends[end] * period
            pieces.add(span, run_of(span, strand, points, (ends[0], ends[1])))
    runs = keyed(pieces.runs, plan.ports)
    if all(run.ports == (OPEN, OPEN) for run in runs):
        raise DesignError("no strand goes along the strip", "take breaks out that lie one over the other", "breaks")
    _share_seam(runs)
    forks = pieces.forks(partings)
    apart = [np.ptp([runs[run].points[-end, :, 0].mean() for run, end in _ends(fork)]) for fork in forks]
    if max(apart, default=0.0) > period / 2:  # one end here, another where the strip comes round
        raise divided_at_seam()
    return Patches(plan.name, plan.ports, runs, forks, (0.0, -height / 2, period, height / 2))


def _share_seam(runs: Sequence[Run]) -> None:
    """Give the strands at both ends of a strip the very same rings; there they differ by rounding alone.

    The strip comes round, so what crosses the plane at one end is what crosses it a repeat further on.
    """
    at_end = {run.seam_key[end]: run.points[-end] for run in runs for end in (0, 1) if run.ports[end] == 1}
    for run in runs:
        for end in (0, 1):
            if run.ports[end] == 0:
                run.points[-end, :, 1:] = at_end[run.seam_key[end]][:, 1:]


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
        The strands at a port are not those of the seam, or one divides just there.
    """
    pieces = _between_ports(plan, strands, height, width)
    runs, forks = keyed(pieces.runs, plan.ports), pieces.forks(partings)
    if open_ends(runs, forks):  # the other ends of a fork lie beyond a port
        raise divided_at_seam()
    _refuse_others(plan, runs, seams)
    if any(_lopsided(strand) for strand in strands):
        others = _between_ports(plan, [_turned_over(strand) for strand in strands], height, width)
        runs = _better(runs, keyed(others.runs, plan.ports), forks, plan.ports, seams)
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
            pieces.add(span, run_of(span, strand, points, ends))
    return pieces


def _outside(points: Floats, ports: Sequence[Port], height: float) -> bool:
    """Whether a strand that passes no port lies beyond one."""
    middle = points[len(points) // 2].mean(0)[None]
    for port in ports:
        own = into_port(replace(port, ahead=True), middle)[0]
        if own[0] > 0 and abs(own[1]) <= 0.52 * height:
            return True
    return False


def _ends(fork: Fork) -> tuple[tuple[int, int], ...]:
    """The runs that a fork joins, each with which of its ends."""
    return fork.trunk, fork.left, fork.right


def open_ends(runs: Sequence[Run], forks: Sequence[Fork]) -> int:
    """Ends of runs that meet neither a port nor a fork."""
    forked = {end for fork in forks for end in _ends(fork)}
    return sum(
        run.ports[end] == OPEN and (number, end) not in forked and not run.closed
        for number, run in enumerate(runs)
        for end in (0, 1)
    )


def _refuse_others(plan: PieceDesign, runs: Sequence[Run], seams: Mapping[str, Mapping[int, SeamRing]]) -> None:
    """Every port must have as many strands as the seam that is to stand there."""
    for k, port in enumerate(plan.ports):
        if sum(run.ports.count(k) for run in runs) != len(seams[port.profile]):
            raise DesignError(
                f"strands do not go on through {plan.name} as they come",
                "give the strip other breaks or divided strands, or leave this piece out",
                "make.trim.pieces",
            )


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
    joined = {run for fork in forks for run, _ in _ends(fork)}

    def off(run: Run) -> float:
        apart = [
            _seam_ring(seams, ports[run.ports[end]], run, end) - run.points[-end]
            for end in (0, 1)
            if run.ports[end] != OPEN
        ]
        return sum(float(np.linalg.norm(one - one.mean(0), axis=1).max()) for one in apart)

    def both(run: Run) -> list[Run]:
        return [run, *(one for one in others if (one.ports, one.seam_key) == (run.ports, run.seam_key))]

    return tuple(run if number in joined else min(both(run), key=off) for number, run in enumerate(runs))


def _seam_ring(seams: Mapping[str, Mapping[int, SeamRing]], port: Port, run: Run, end: int) -> Floats:
    """What the straight piece has where a run has its end, in the order of the run's own rails."""
    seam = seams[port.profile][run.seam_key[end]]
    ring = seam.ring
    if seam.forward != (port.ahead == (end == 1)):
        ring = ring[(-np.arange(len(ring))) % len(ring)]
    return out_of_port(port, ring)


def _lopsided(strand: Strand) -> bool:
    """Whether a strand's section is no mirror image of itself."""
    figure = profile(strand.points[len(strand.points) // 2])
    mirror = figure[(-np.arange(len(figure))) % len(figure)] * [-1.0, 1.0]
    return bool(np.abs(mirror - figure).max() > SYMMETRIC * float(np.ptp(figure, axis=0).max()))


def _turned_over(strand: Strand) -> Strand:
    """A strand with the mirror image of its section, left for right."""
    corners = strand.points.shape[1]
    half = corners // 2
    aside = strand.points[:, 1:half, :2].mean(1) - strand.points[:, half + 1 :, :2].mean(1)
    aside /= np.maximum(np.linalg.norm(aside, axis=1), 1e-12)[:, None]
    across = np.einsum("nkx,nx->nk", strand.points[..., :2], aside)
    middle = (across.min(1) + across.max(1))[:, None]
    points = strand.points.copy()
    points[..., :2] += (middle - 2 * across)[..., None] * aside[:, None]
    return replace(strand, points=points[:, (-np.arange(corners)) % corners])


def _led(
    plan: PieceDesign, runs: Sequence[Run], seams: Mapping[str, Mapping[int, SeamRing]], width: float
) -> tuple[tuple[Run, ...], float]:
    """Strands led over to the seams that all pieces share, and how far any point was moved."""
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
