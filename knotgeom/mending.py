"""What the verbs ``mend`` and ``circuits`` print and write: searches for remedies as plain values for JSON."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any

from .design import FREE, Design, Pass, Site
from .dividing import DividingRemedy, DividingSearch
from .editing import Line
from .errors import DesignError
from .files import whole
from .merging import BreakRemedy, BreakSearch
from .reading import write_text, written_pass
from .resolve import self_contained
from .symmetry import Symmetry


def told_dividings(search: DividingSearch) -> dict[str, Any]:
    """A search for changes of dividing, for JSON."""
    return {
        "exceptions": search.exceptions,
        "fork_exceptions": search.fork_exceptions,
        "exact": search.exact,
        "tried": search.tried,
        "remedies": [_dividing(number, remedy) for number, remedy in enumerate(search.remedies, 1)],
    }


def _dividing(number: int, remedy: DividingRemedy) -> dict[str, Any]:
    return {
        "number": number,
        "change": remedy.words,
        "size": remedy.size,
        "divide": _passes(remedy.divided),
        "whole": _passes(remedy.whole),
        "rejoin": remedy.rejoin.value if remedy.rejoin else None,
        "exceptions": remedy.exceptions,
        "fork_exceptions": remedy.fork_exceptions,
        "forks": remedy.forks,
    }


def _passes(passes: Sequence[Pass]) -> list[Any]:
    return [written_pass(at) for at in passes]


def told_breaks(search: BreakSearch, symmetries: Sequence[Symmetry], order: int | None = None) -> dict[str, Any]:
    """A search for breaks, for JSON; ``order`` is how many times round they repeat, None for as many as can be."""
    return {
        "circuits": search.before,
        "wanted": search.wanted,
        "symmetry": [symmetry.value for symmetry in symmetries],
        "times_round": order,
        "complete": search.complete,
        "remedies": [_break(number, remedy) for number, remedy in enumerate(search.remedies, 1)],
        "nearest": _break(None, search.nearest) if search.nearest else None,
    }


def _break(number: int | None, remedy: BreakRemedy) -> dict[str, Any]:
    told: dict[str, Any] = {} if number is None else {"number": number}
    breaks: dict[str, list[Any]] = {}
    for site, line in remedy.lines:
        breaks.setdefault(line.value, []).append(_site(site, line))
    return {
        **told,
        "change": remedy.words,
        "breaks": breaks,
        "circuits": remedy.count,
        "tight": remedy.tight,
        "dropped": list(remedy.dropped),
    }


def _site(site: Site, line: Line) -> int | list[int]:
    return site.x if site.y == FREE or line in (Line.ALONG, Line.ACROSS) else [site.x, site.y]


def chosen_symmetries(text: str) -> tuple[tuple[Symmetry, ...], int | None]:
    """Symmetries named with commas between, and how many times round.

    ``left-right``, ``up-down``, ``half-turn``, ``quarter-turn``, ``round`` or ``round:N``.

    Raises
    ------
    ValueError
        A name is unknown.
    """
    names = {symmetry.value.replace(" ", "-"): symmetry for symmetry in Symmetry}
    found: dict[Symmetry, None] = {}
    order: int | None = None
    for name in text.split(","):
        base, colon, number = name.strip().partition(":")
        if base not in names or (colon and (base != "round" or not (number.isascii() and number.isdigit()))):
            raise ValueError(name)
        found[names[base]] = None
        order = int(number) if colon and len(number) < 10 else order
    return tuple(found), order


def taken(remedies: Sequence[DividingRemedy] | Sequence[BreakRemedy], number: int) -> Design:
    """The design with the remedy of this number, from 1.

    Raises
    ------
    DesignError
        There is no such remedy.
    """
    if not 1 <= number <= len(remedies):
        some = f"take 1 to {len(remedies)}" if remedies else "there is none to take"
        raise DesignError(f"no remedy has number {number}", some, "--take")
    return remedies[number - 1].design


def write_design(design: Design, source: str, path: str, *, new: bool = False) -> None:
    """Write a changed design; in another folder without the files beside it, which it could not find from there.

    ``new`` refuses where there is a file of that name by then.
    """
    folders = [os.path.dirname(os.path.realpath(name)) for name in (source, path)]
    text = write_text(design if folders[0] == folders[1] else self_contained(design))
    whole.write(path, [text.encode("utf-8")], new=new)
