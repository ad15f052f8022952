"""The straight piece, and where in its repeat a strip is cut."""

from __future__ import annotations

from dataclasses import dataclass, replace

from ..design import Design
from ..errors import DesignError
from ..made import Made, make, no_mesh
from .cutting import cut_strip
from .parts import Pattern, PieceDesign, divides, pattern_of, plain, straight, strip_of
from .patches import OPEN, Patches
from .strands import Parting, Strand, strands_of


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
