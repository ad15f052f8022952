"""What single circuits have of their own: width and colour."""

from __future__ import annotations

import dataclasses

from .design import CircuitStyle, Design, Sizes
from .divide import circuit_of_visit
from .errors import DesignError
from .layout import Layout, edge_of_site, pass_index
from .sizing import sizes
from .trace import Circuits


def circuit_styles(design: Design, layout: Layout, circuits: Circuits) -> dict[int, CircuitStyle]:
    """The style of each circuit that has one.

    Raises
    ------
    DesignError
        If two entries name one circuit.
    """
    entries = design.strand.circuits
    if not entries:
        return {}
    edge_at = edge_of_site(layout)
    owner = circuit_of_visit(circuits).tolist()
    passes = zip(circuits.visit_edge.tolist(), circuits.visit_pass.tolist(), strict=True)
    circuit_at = {key: owner[visit] for visit, key in enumerate(passes)}
    styles: dict[int, CircuitStyle] = {}
    named: dict[int, int] = {}
    for number, style in enumerate(entries):
        x, y, way = style.through
        circuit = circuit_at[edge_at[x, y], pass_index(layout, edge_at[x, y], way)]
        if circuit in styles:
            raise DesignError(
                f'[{x}, {y}, "{way.value}"] lies on the same circuit as strand.circuits[{named[circuit]}]',
                "keep one of the two",
                f"strand.circuits[{number}]",
            )
        styles[circuit], named[circuit] = style, number
    return styles


def own_sizes(design: Design, layout: Layout, circuits: Circuits) -> dict[int, Sizes]:
    """The sizes of each circuit that has a width of its own."""
    base = sizes(design)
    result = {}
    for circuit, style in circuit_styles(design, layout, circuits).items():
        if style.width is not None:
            gap = base.gap if design.divide.gap is not None else 0.2 * style.width
            half = (style.width - gap) / 2
            result[circuit] = dataclasses.replace(base, width=style.width, gap=gap, half_width=half)
    return result
