"""Which circuit runs through which pass, by the designer's names."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Iterable, Mapping

from .design import Breaks, CircuitStyle, Layouts, Pass
from .layout import lay_out, pass_of
from .trace import trace


@functools.lru_cache(maxsize=8)  # a pointer asks for the same layout many times between two changes
def circuits_by_pass(options: Layouts, breaks: Breaks) -> tuple[tuple[frozenset[Pass], ...], dict[Pass, int]]:
    """The passes of each circuit, in the order in which circuits are traced, and the circuit of each pass.

    Parameters
    ----------
    options : Layouts
        As it is set out: see :func:`knotgeom.resolve.resolved`.
    """
    layout = lay_out(options, breaks)
    traced = trace(layout)
    passes = [
        pass_of(layout, edge, index)
        for edge, index in zip(traced.visit_edge.tolist(), traced.visit_pass.tolist(), strict=True)
    ]
    bounds = traced.visit_start.tolist()
    circuits = tuple(frozenset(passes[a:b]) for a, b in itertools.pairwise(bounds))
    return circuits, {at: number for number, circuit in enumerate(circuits) for at in circuit}


def first_styles(styles: Iterable[CircuitStyle], number: Mapping[Pass, int]) -> tuple[CircuitStyle, ...]:
    """The first style of every circuit, where one is named more than once.

    Parameters
    ----------
    number : mapping of Pass to int
        The circuit of each pass.
    """
    first: dict[int | Pass, CircuitStyle] = {}  # one through no crossing stands for itself, to be refused by its place
    for style in styles:
        first.setdefault(number.get(style.through, style.through), style)
    return tuple(first.values())
