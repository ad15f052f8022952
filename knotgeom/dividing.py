"""Smallest changes of dividing after which over and under alternate more often.

A weave can fail to alternate only because of forks, so the changes move a fork by a pass, let a divided strand run on
to the next fork or draw it back to the last, divide a whole circuit or make it one strand, give up rejoining, or take
two small changes together. Each is tried by counting the design anew; those near the exceptions are tried first.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from .design import FREE, Design, Pass, Rejoin, Strip
from .divide import Run, circuit_of_visit, divide_strands, previous_visits
from .editing import set_passes
from .layout import Layout, lay_out, pass_of
from .reading import check
from .resolve import resolved
from .trace import Circuits, trace
from .weave import Weaving, weave_strands

Progress = Callable[[float, str], None]

TRIALS = 60
"""Changes tried at most where nothing else is asked for."""
PAIRED = 8
"""Single passes, those that leave least, of which several are tried together."""
ALIKE = 4
"""Remedies of one size that leave as much, at most."""


@dataclass(frozen=True, slots=True)
class DividingRemedy:
    """A change of dividing that lessens the exceptions.

    Attributes
    ----------
    divided, whole : tuple of Pass
        Passes to divide, and passes to make one strand; of a strip those of its first repeat.
    rejoin : Rejoin or None
        How halves rejoin from then on, None where that stays.
    size : int
        How many passes change, or steps on which halves no longer rejoin.
    exceptions, fork_exceptions : int
        What is left.
    forks : int
        Forks that there are then.
    design : Design
        The design with the change made.
    """

    divided: tuple[Pass, ...]
    whole: tuple[Pass, ...]
    rejoin: Rejoin | None
    size: int
    exceptions: int
    fork_exceptions: int
    forks: int
    design: Design

    @property
    def words(self) -> str:
        """The change in words."""
        parts = [
            f"{verb} {_told(passes)}"
            for verb, passes in (("divide", self.divided), ("make one strand", self.whole))
            if passes
        ]
        if self.rejoin is not None:
            parts.append(f'rejoin: "{self.rejoin.value}"')
        return "; ".join(parts)


@dataclass(frozen=True, slots=True)
class DividingSearch:
    """What was found, the smallest change first, of equal ones what leaves fewest; and what there is without a change.

    A remedy that a smaller one does as well as, or one of its size better, is left out. ``exact`` is False where the
    counts are upper bounds, on layouts of higher genus.
    """

    exceptions: int
    fork_exceptions: int
    remedies: tuple[DividingRemedy, ...]
    tried: int
    exact: bool


def find_dividings(design: Design, *, trials: int = TRIALS, progress: Progress | None = None) -> DividingSearch:
    """Changes of dividing that remove some or all exceptions of the weave.

    Parameters
    ----------
    trials : int
        Changes counted anew at most. Up to half of them are changes of one pass, those nearest to an exception first.
    progress : callable, optional
        Called with a share and a stage before each trial; may raise to stop the work.

    Raises
    ------
    DesignError
        The design is impossible.
    """
    check(design)
    state = _State(design)
    now, forks = state.count(design)
    if now.exceptions == 0:
        return DividingSearch(0, now.fork_exceptions, (), 0, now.exact)
    found: list[DividingRemedy] = []
    tried, exact = 0, now.exact
    seen: set[tuple[frozenset[Pass], Rejoin | None]] = set()

    def attempt(passes: frozenset[Pass], rejoin: Rejoin | None, size: int) -> DividingRemedy | None:
        nonlocal tried, exact
        if (passes, rejoin) in seen or tried >= trials:
            return None
        seen.add((passes, rejoin))
        if progress:
            progress(tried / trials, "trying changes of dividing")
        tried += 1
        divided = tuple(sorted(at for at in passes if at not in state.divided))
        whole = tuple(sorted(at for at in passes if at in state.divided))
        changed = set_passes(set_passes(design, divided, True), whole, False)
        if rejoin is not None:
            changed = replace(changed, divide=replace(changed.divide, rejoin=rejoin))
        weaving, left = state.count(changed)
        exact = exact and weaving.exact
        remedy = DividingRemedy(
            divided, whole, rejoin, size, weaving.exceptions, weaving.fork_exceptions, left, changed
        )
        if weaving.exceptions < now.exceptions:
            found.append(remedy)
        return remedy

    singles: list[tuple[int, int, Pass]] = []
    for number, at in enumerate(state.beside_forks[: max(trials // 2, 1)]):
        remedy = attempt(frozenset((at,)), None, 1)
        if remedy is not None:
            singles.append((remedy.exceptions, number, at))
    stretches = sorted(state.stretches(), key=len)
    for stretch in stretches[: max(trials // 4, 1)]:
        attempt(stretch, None, len(stretch))
    if state.rejoined:
        attempt(frozenset(), Rejoin.NONE, state.rejoined)
    for circuit in sorted(state.circuits(), key=len):
        attempt(circuit, None, len(circuit))
    best = [at for _, _, at in sorted(singles)[:PAIRED]]
    for pair in itertools.combinations(best, 2):
        attempt(frozenset(pair), None, 2)
    together = frozenset(best[:1])
    left = min((exceptions for exceptions, _, _ in singles), default=0)
    for at in best[1:]:  # one more after another, as long as each helps
        remedy = attempt(together | {at}, None, len(together) + 1) if left else None
        known = next((r.exceptions for r in found if {*r.divided, *r.whole} == together | {at}), None)
        after = remedy.exceptions if remedy is not None else known
        if after is not None and after < left:
            together, left = together | {at}, after
    return DividingSearch(now.exceptions, now.fork_exceptions, tuple(_worth(found)), tried, exact)


def _worth(found: Iterable[DividingRemedy]) -> Iterator[DividingRemedy]:
    """Remedies in order of size and of what is left, without those that a smaller one does as well as."""
    least: tuple[int, int] | None = None  # size and exceptions of what leaves fewest so far
    alike = 0
    for remedy in sorted(found, key=lambda r: (r.size, r.exceptions, r.fork_exceptions, r.forks)):
        if least is None or remedy.exceptions < least[1]:
            least, alike = (remedy.size, remedy.exceptions), 0
        if (remedy.size, remedy.exceptions) == least and alike < ALIKE:
            alike += 1
            yield remedy


def _told(passes: tuple[Pass, ...]) -> str:
    def one(at: Pass) -> str:
        if at.y == FREE:
            return f"edge {at.x}, pass {int(at.way.value == 'rising')}"
        return f"[{at.x}, {at.y}] {at.way.value}"

    if len(passes) <= 4:
        return ", ".join(map(one, passes))
    return f"{', '.join(map(one, passes[:3]))} and {len(passes) - 3} more"


class _State:
    """A design's circuits as they stand: what is divided, where forks are, how near things lie to the exceptions."""

    layout: Layout
    traced: Circuits

    def __init__(self, design: Design) -> None:
        whole = resolved(design)
        self.layout = lay_out(whole.layout, whole.breaks)
        self.traced = trace(self.layout)
        self.wide = 2 * design.layout.columns if isinstance(design.layout, Strip) else 0
        edges, indices = self.traced.visit_edge.tolist(), self.traced.visit_pass.tolist()
        self.passes = [self._named(pass_of(self.layout, e, i)) for e, i in zip(edges, indices, strict=True)]
        strand_map = divide_strands(self.layout, self.traced, whole.divide)
        self.is_divided = strand_map.divided
        self.divided = {at for at, halves in zip(self.passes, self.is_divided.tolist(), strict=True) if halves}
        self.before = previous_visits(self.traced)
        self.rejoined = int((strand_map.run == Run.REJOINED).sum())
        weaving = weave_strands(self.layout, strand_map, whole.weave)
        failing = np.flatnonzero(weaving.failing & ~weaving.fork_piece)
        places = self.layout.middle[self.traced.visit_edge]
        bad = places[strand_map.piece_visit[failing]]
        ends = sorted({*strand_map.fork_visit.tolist(), *self.before[strand_map.fork_visit].tolist()})
        away = {visit: float(np.linalg.norm(bad - places[visit], axis=1).min()) if len(bad) else 0.0 for visit in ends}
        self.beside_forks = list(
            dict.fromkeys(self.passes[visit] for visit in sorted(ends, key=lambda v: (round(away[v], 6), v)))
        )

    def _named(self, at: Pass) -> Pass:
        return Pass(at.x % self.wide, at.y, at.way) if self.wide else at

    def count(self, design: Design) -> tuple[Weaving, int]:
        """The weave of a design with the same circuits, and its number of forks."""
        whole = resolved(design)
        strand_map = divide_strands(self.layout, self.traced, whole.divide)
        return weave_strands(self.layout, strand_map, whole.weave), strand_map.forks

    def stretches(self) -> list[frozenset[Pass]]:
        """Passes in a row that are divided, or whole, from one fork to the next."""
        found = []
        for circuit in range(self.traced.count):
            a, b = self.traced.visit_start[circuit], self.traced.visit_start[circuit + 1]
            divided = self.is_divided[a:b]
            turns = np.flatnonzero(divided != np.roll(divided, 1))
            for begin, end in itertools.pairwise([*turns.tolist(), *(turns[:1] + (b - a)).tolist()]):
                found.append(frozenset(self.passes[a + k % (b - a)] for k in range(begin, end)))
        return found

    def circuits(self) -> list[frozenset[Pass]]:
        """For each circuit with forks the passes to change until all of it is whole, and until all is divided."""
        found = []
        number = circuit_of_visit(self.traced)
        for circuit in range(self.traced.count):
            visits = np.flatnonzero(number == circuit).tolist()
            whole = frozenset(self.passes[v] for v in visits if self.is_divided[v])
            halves = frozenset(self.passes[v] for v in visits if not self.is_divided[v])
            if whole and (halves or self.rejoined):
                found += [some for some in (whole, halves) if some]
        return found
