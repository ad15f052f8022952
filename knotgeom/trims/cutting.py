"""From a made design to :class:`.Patches`: its strands as grids of points, cut at the ports of a piece.

Rails (the same point of the section along a strand) are cut where they pass a port's upright plane. Rings of a strand
that passes aslant meet the plane one rail after another; so before a cut every rail is sampled anew, its samples drawn
together or apart a little, until the last ring lies in the plane.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..design import Design, Making
from ..errors import DesignError
from ..made import Made, make, no_mesh
from ..mesh import Bools, Floats
from .choosing import profile
from .kit import Port
from .parts import Pattern, PieceDesign, divides, one_repeat, pattern_of, plain, straight, strip_of
from .patches import OPEN, Fork, Patches, Run
from .seams import into_port, out_of_port
from .strands import Parting, Strand, girth, hard_rails, strands_of

DRAWN_IN = 1.5
"""Over how long a stretch before a cut rails are sampled anew, in strand widths."""
BLENDED = 1.5
"""Over how long a stretch before a port a strand is led over to the seam that all pieces share, in strand widths."""
SYMMETRIC = 1e-3
"""A section is its own mirror image if no point lies off by more than this share of its size."""
FAR = 60
"""Rings to either side among which every rail of a strand passes a plane."""


@dataclass(frozen=True, slots=True, eq=False)
class SeamRing:
    """What stands on a seam at one place of its order, in the port's own frame: its ring and which way it runs.

    ``ring`` is (K, 3) with x = 0; ``forward`` whether the strand runs ahead there.
    """

    ring: Floats
    forward: bool


def _length(grid: Floats) -> Floats:
    """Length along the middle of a run up to each ring."""
    middle = grid.mean(1)
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(middle, axis=0), axis=1))])


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """Where a strand passes a plane: about which ring, the plane's number, whether outward, and each rail's ring."""

    at: float
    plane: int
    outward: bool
    rail: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Span:
    """A strand between two cuts (None: its own end, or nothing where it closes)."""

    strand: int
    first: _Cut | None
    last: _Cut | None
    grid: Floats


def _opened(strand: Strand) -> Floats:
    """A strand's rings, and where it closes those of four rounds one after another."""
    if not strand.closed:
        return strand.points
    move = np.array([strand.lap, 0.0, 0.0])
    return np.concatenate([strand.points + k * move for k in (-1, 0, 1, 2)])


def _cuts(away: Floats, plane: int, within: Bools) -> list[_Cut]:
    """Where a strand passes one plane; ``away`` (n, K) is how far outside each point is."""
    middle = away.mean(1)
    rings = np.flatnonzero(((middle[:-1] < 0) != (middle[1:] < 0)) & within[:-1])
    found = []
    for ring in rings.tolist():
        outward = bool(middle[ring] < 0)
        share = float(middle[ring] / (middle[ring] - middle[ring + 1]))
        found.append(_Cut(ring + share, plane, outward, _passes(away, ring, outward)))
    return found


def _passes(away: Floats, ring: int, outward: bool) -> Floats:
    """The ring, with its fraction, at which every rail passes the plane, searched from ``ring`` both ways."""
    low, high = max(0, ring - FAR), min(len(away), ring + FAR + 2)
    d = away[low:high] if outward else -away[low:high]
    crossing = (d[:-1] < 0) & (d[1:] >= 0)
    far = np.where(crossing, np.abs(np.arange(len(d) - 1) - (ring - low))[:, None], 2 * FAR)
    which, rails = far.argmin(0), np.arange(away.shape[1])
    if (far.min(0) == 2 * FAR).any():
        raise DesignError("a strand runs along a seam", "give the strip other breaks there", "breaks")
    before, after = d[which, rails], d[which + 1, rails]
    return np.asarray(low + which + before / (before - after))


def _spans(number: int, strand: Strand, grid: Floats, cuts: list[_Cut]) -> Iterable[_Span]:
    """The stretches of a strand between its cuts, each once."""
    cuts = sorted(cuts, key=lambda one: one.at)
    if not strand.closed:
        ends: list[_Cut | None] = [None, *cuts, None]
        pairs = list(zip(ends, ends[1:], strict=False))
    else:
        count = len(strand.points)
        start = next((k for k, one in enumerate(cuts) if one.at >= count), None)
        if start is None:
            return [_Span(number, None, None, strand.points)]
        end = next(k for k, one in enumerate(cuts) if one.at >= cuts[start].at + count - 0.5)
        pairs = list(zip(cuts[start:end], cuts[start + 1 : end + 1], strict=True))
    return [_Span(number, first, last, grid) for first, last in pairs]


def _sampled(points: Floats, at: Floats) -> Floats:
    """Rails at ring numbers with fractions, (m, K), by cubic interpolation through four rings."""
    count = len(points)
    base = np.floor(at).astype(np.int64)
    t = (at - base)[..., None]
    rails = np.arange(points.shape[1])
    p, q, r, s = (points[np.clip(base + offset, 0, count - 1), rails] for offset in (-1, 0, 1, 2))
    return np.asarray(q + 0.5 * t * (r - p + t * (2 * p - 5 * q + 4 * r - s + t * (3 * (q - r) + s - p))))


def _rings(span: _Span, width: float) -> Floats:
    """The rings of a span, the last ones drawn into its cuts."""
    grid = span.grid
    start = 0.0 if span.first is None else span.first.at
    end = len(grid) - 1.0 if span.last is None else span.last.at
    step = float(np.median(np.linalg.norm(np.diff(grid.mean(1), axis=0), axis=1)))
    inner = np.arange(math.ceil(start + 0.3), math.floor(end - 0.3) + 1, dtype=float)
    u = np.concatenate([[start], inner, [end]])
    at = np.repeat(u[:, None], grid.shape[1], axis=1)
    for cut_here, away in ((span.first, u - start), (span.last, end - u)):
        if cut_here is None:
            continue
        off = cut_here.rail - cut_here.at
        # rails stay in order where the shift changes by less than one ring from ring to ring
        reach = max(DRAWN_IN * width / max(step, 1e-9), 2.5 * float(np.abs(off).max()) + 2.0)
        share = np.clip(1 - away / min(reach, end - start), 0.0, 1.0)
        at = at + share[:, None] ** 2 * off
    if (np.diff(at, axis=0).min(0) <= 0).any():
        # so near its end a strand is passed aslant that some rails would have no length
        raise DesignError("a strand divides just at the seam", "divide it elsewhere, or not there", "divide")
    return _sampled(grid, at)


def _run(span: _Span, strand: Strand, points: Floats, ports: tuple[int, int], hard: float) -> Run:
    ring = points[len(points) // 2]
    closed = strand.closed and span.first is None
    return Run(points, closed, strand.circuit, _length(points), girth(ring), hard_rails(ring, hard), ports)


class _Pieces:
    """Runs gathered, with the ends of strands that forks join."""

    def __init__(self) -> None:
        self.runs: list[Run] = []
        self.ends: dict[tuple[int, int], tuple[int, int]] = {}

    def add(self, span: _Span, run: Run) -> None:
        """A run and the ends it has from its strand."""
        if not run.closed:
            for end, cut_here in ((0, span.first), (1, span.last)):
                if cut_here is None:
                    self.ends[span.strand, end] = (len(self.runs), end)
        self.runs.append(run)

    def forks(self, partings: Sequence[Parting]) -> tuple[Fork, ...]:
        """Forks all of whose ends are here."""
        return tuple(
            Fork(self.ends[one.trunk], self.ends[one.left], self.ends[one.right], one.wall)
            for one in partings
            if all(end in self.ends for end in (one.trunk, one.left, one.right))
        )


def _keyed(runs: Sequence[Run], ports: Sequence[Port]) -> tuple[Run, ...]:
    """Runs with their places in the order of each seam: from right to left, then from below."""
    keys = [[OPEN, OPEN] for _ in runs]
    for k, port in enumerate(ports):
        found = []
        for number, run in enumerate(runs):
            for end in (0, 1):
                if run.ports[end] == k:
                    middle = into_port(port, run.points[-end].mean(0)[None])[0]
                    found.append((round(float(middle[1]), 3), round(float(middle[2]), 3), number, end))
        for place, (_, _, number, end) in enumerate(sorted(found)):
            keys[number][end] = place
    return tuple(replace(run, seam_key=(key[0], key[1])) for run, key in zip(runs, keys, strict=True))


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
    pieces = _Pieces()
    for number, strand in enumerate(strands):
        grid = _opened(strand) - origin
        low, high = float(grid[:, :, 0].min()), float(grid[:, :, 0].max())
        every: Bools = np.ones(len(grid), bool)
        cuts: list[_Cut] = []
        for n in range(math.floor(low / period), math.ceil(high / period) + 1):
            cuts += _cuts(grid[:, :, 0] - n * period, n, every)
        for span in _spans(number, strand, grid, cuts):
            whole = span.first is None and span.last is None
            points = strand.points - origin if whole else _rings(span, width)
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
            pieces.add(span, _run(span, strand, points, (ends[0], ends[1]), hard))
    runs = _keyed(pieces.runs, plan.ports)
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
    runs, forks = _keyed(pieces.runs, plan.ports), pieces.forks(partings)
    turned_over = [_turned_over(strand) for strand in strands]
    if any(one is not strand for one, strand in zip(turned_over, strands, strict=True)):
        others = _keyed(_between_ports(plan, turned_over, height, width).runs, plan.ports)
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


def _between_ports(plan: PieceDesign, strands: Sequence[Strand], height: float, width: float) -> _Pieces:
    """Stretches of strands that lie between the ports of a piece."""
    origin = np.array([*plan.origin, 0.0])
    hard = plan.design.make.trim.hard
    pieces = _Pieces()
    for number, strand in enumerate(strands):
        grid = _opened(strand) - origin
        cuts: list[_Cut] = []
        for k, port in enumerate(plan.ports):
            own = into_port(replace(port, ahead=True), grid)
            within = (np.abs(own[..., 1].mean(1)) <= 0.52 * height) & (np.abs(own[..., 0].mean(1)) <= height)
            cuts += _cuts(own[..., 0], k, np.asarray(within))
        for span in _spans(number, strand, grid, cuts):
            if (span.first is not None and span.first.outward) or (span.last is not None and not span.last.outward):
                continue
            if span.first is None and span.last is None:
                points = strand.points - origin
                if _outside(points, plan.ports, height):
                    continue
            else:
                points = _rings(span, width)
            ends = (
                OPEN if span.first is None else span.first.plane,
                OPEN if span.last is None else span.last.plane,
            )
            pieces.add(span, _run(span, strand, points, ends, hard))
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


# ------------------------------------------------------------------------------------------------- from designs


@dataclass(frozen=True, slots=True, eq=False)
class Swept:
    """The strands of a piece's design, and what was said of it."""

    made: Made
    strands: tuple[Strand, ...]
    partings: tuple[Parting, ...]


def swept(plan: PieceDesign) -> Swept:
    """The strands of a piece's design.

    Raises
    ------
    DesignError
        No strand can be made of it; the message has its first finding.
    """
    made = make(plan.design, prove=0)
    if made.mesh is None or made.drawn is None:
        raise no_mesh(made)
    return Swept(made, *strands_of(made.counted, made.drawn))


def cut_straight(pattern: Pattern, name: str = "straight") -> Patches:
    """The straight piece of a pattern, cut at its phase."""
    plan = straight(pattern, name)
    found = swept(plan)
    return cut_strip(plan, found.strands, found.partings, pattern.height, found.made.counted.size.width)


def best_phase(design: Design) -> float:
    """Where in the repeat the seam lies best, half cells: between crossings, where strands pass it least aslant.

    ``design`` has its lengths filled in (:func:`.parts.one_repeat`).

    Raises
    ------
    DesignError
        It can be cut nowhere. Where that is for what is divided, a change that was tried is the remedy; otherwise the
        message is that of the first place tried.
    """
    phase, refused = _phase(design)
    if phase is not None:
        return phase
    if divides(design) and _phase(plain(design))[0] is not None:
        raise DesignError("strands divide or join wherever the strip could be cut", _left_whole(design), "divide")
    raise refused or DesignError("no strand goes along the strip", "take breaks out", "breaks")


def _phase(design: Design) -> tuple[float | None, DesignError | None]:
    """The best place for a seam, if there is one, and what the first that cannot be is refused for."""
    found = swept(straight(pattern_of(design, 0.5)))
    refused: DesignError | None = None
    best: tuple[float, float] | None = None
    for k in range(2 * strip_of(design).columns):
        pattern = pattern_of(design, k + 0.5)
        try:
            patches = cut_strip(
                straight(pattern), found.strands, found.partings, pattern.height, found.made.counted.size.width
            )
        except DesignError as error:
            refused = refused or error
            continue
        worth = _steepest(patches)
        if best is None or worth > best[0] + 0.02:
            best = (worth, k + 0.5)
    return None if best is None else best[1], refused


def _left_whole(design: Design) -> str:
    """Where strands can be left whole so that the strip can be cut there."""
    for x in range(2 * strip_of(design).columns - 1):
        kept = tuple(one for one in design.divide.passes if one.x not in (x, x + 1))
        tried = replace(design, divide=replace(design.divide, passes=kept))
        if not design.divide.all and _phase(tried)[0] is not None:
            return f"leave all strands whole at the crossings with x = {x} and x = {x + 1}"
    return "leave all strands whole at two neighbouring columns of crossings"


def _steepest(patches: Patches) -> float:
    """How straight strands pass the ports of a piece, the one that is most aslant: 1 right across, 0 along them."""
    across = [
        abs(float(run.points[-1 if end else 1, :, 0].mean() - run.points[-2 if end else 0, :, 0].mean()))
        / max(float(run.along[-1] - run.along[-2] if end else run.along[1]), 1e-12)
        for run in patches.runs
        for end in (0, 1)
        if run.ports[end] != OPEN
    ]
    return min(across, default=0.0)


def straight_patches(design: Design) -> Patches:
    """The straight piece of a design on a flat strip."""
    filled = one_repeat(design)
    return cut_straight(pattern_of(filled, best_phase(filled)))
