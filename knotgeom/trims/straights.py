"""The straight piece, and where in its repeat a strip is cut."""

from __future__ import annotations

from dataclasses import dataclass, replace

from ..design import Design, Divide, Rejoin
from ..errors import DesignError
from ..made import Made, make, no_mesh
from .cutting import cut_strip
from .parts import PieceDesign, straight
from .patches import OPEN, Patches
from .pattern import Pattern, divides, pattern_of, plain, strip_of
from .strands import Parting, Strand, strands_of

CLEARLY = 0.02
"""A later place to cut is taken only where strands pass it by so much less aslant."""


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


def cut_straight(pattern: Pattern, name: str = "straight", profile: str = "run") -> Patches:
    """The straight piece of a pattern, cut at its phase."""
    plan = straight(pattern, name, profile)
    return _cut(plan, swept(plan), pattern.reach)


def _cut(plan: PieceDesign, found: Swept, reach: float) -> Patches:
    return cut_strip(plan, found.strands, found.partings, reach, found.made.counted.size.width)


def best_phase(design: Design) -> float:
    """Where in the repeat the seam lies best, half cells: between crossings, where strands pass it least aslant.

    ``design`` has its lengths filled in (:func:`.pattern.one_repeat`).

    Raises
    ------
    DesignError
        It can be cut nowhere. Where that is for what is divided, a change that was tried is the remedy; otherwise the
        message is that of the first place tried.
    """
    phases, refused = _phases(design)
    if not phases:
        if divides(design) and _phases(plain(design))[0]:
            raise DesignError("strands divide or join wherever the strip could be cut", _remedy(design), "divide")
        raise refused[0]
    best, least = phases[0]
    for phase, worth in phases:
        if worth > least + CLEARLY:
            best, least = phase, worth
    return best


def _phases(design: Design) -> tuple[list[tuple[float, float]], list[DesignError]]:
    """Places where the strip can be cut and how straight strands pass them, and why it cannot be cut elsewhere."""
    found = swept(straight(pattern_of(design, 0.5)))
    phases, refused = [], []
    for k in range(2 * strip_of(design).columns):
        pattern = pattern_of(design, k + 0.5)
        try:
            phases.append((k + 0.5, _steepest(_cut(straight(pattern), found, pattern.reach))))
        except DesignError as error:
            refused.append(error)
    return phases, refused


def _remedy(design: Design) -> str:
    """What can be changed of what is divided so that the strip can be cut somewhere."""
    divide, columns = design.divide, 2 * strip_of(design).columns
    apart = ('leave halves apart, with rejoin "none"', replace(divide, rejoin=Rejoin.NONE))
    whole = [
        (
            f"leave all strands whole at the crossings with x = {x} and x = {x + 1}",
            replace(divide, passes=tuple(one for one in divide.passes if one.x not in (x, x + 1))),
        )
        for x in range(columns - 1)
    ]
    changes = [apart, *([] if divide.all else whole), ("divide no strand", Divide())]
    return next(words for words, changed in changes if _phases(replace(design, divide=changed))[0])


def _steepest(patches: Patches) -> float:
    """How straight strands pass the ports of a piece, the one that is most aslant: 1 right across, 0 along them."""
    return min(
        abs(float(run.points[-1 if end else 1, :, 0].mean() - run.points[-2 if end else 0, :, 0].mean()))
        / max(float(run.along[-1] - run.along[-2] if end else run.along[1]), 1e-12)
        for run in patches.runs
        for end in (0, 1)
        if run.ports[end] != OPEN
    )
