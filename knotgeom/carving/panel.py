"""The carved panel before any height is worked out: the strands' heights on the board, and every size settled.

Depth comes first, since the board sets it. Of it the strands that pass over take their rounded edge, the step to the
strand below takes its part, and what is left stands over the ground. So the section is made as thick as the depth
allows, at most as thick as the design says.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ..design import Breaks, Design, Heights, Make, Making, Sizes, Strand, Strip
from ..drawing import Drawn
from ..errors import DesignError
from ..findings import Change, Finding
from ..layout import lay_out
from ..made import Made, make, no_mesh
from ..mesh import Floats
from ..progress import Progress
from ..resolve import resolved
from ..sizing import sizes
from .options import Carving, Ground, Moulding
from .upper_side import Walls, edge_and_crown
from .yielding import NEAR, Edges, give_way, least_step, overlap_edges

DEEP = 0.5
"""Depth of the relief in widths of strand: common practice 0.4 to 0.6, no source."""
STEP = 0.4
"""The step in depths of the relief where the design sets none: common practice 0.35 to 0.5, no source."""
STANDING = 0.12
"""What the lowest edge of a strand stands over the ground at least, in depths of the relief."""
LEAST_THICK = 0.06
"""Thinnest section that is tried, in depths of the relief."""
ATTEMPTS = 12
"""How often a section that fits the depth is sought; after that, strands are pressed into it."""
CLIMB = math.tan(math.radians(70.0))
"""A strand that was let down comes up again no steeper, unless it was steeper before."""


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """A relief on its board, with every size settled. Lengths are mm, heights count from the board's face.

    Attributes
    ----------
    design : Design
        As it was given.
    carving : Carving
    made : Made
        The strands made for this relief, ``carved`` and of a section that fits the depth.
    z : (m,) float64
        Mid-plane of the strands at every lane sample of ``made.drawn``.
    left, bottom, length, width, thickness : float
        The board in layout coordinates.
    depth : float
        Of the ground below the face.
    deepest : float
        Of the deepest cut; marks of a textured ground reach no deeper than the ground's depth.
    step : float
        Set: what over-strand edges stand above the strand that they cross.
    kept_step : float
        The least that they do anywhere along an edge; the set step where there is none.
    edge, crown : float
        Of the section: its edge and its highest place over the mid-plane.
    lean : float
        Run over fall of the walls.
    border, frame_width : float
        Margin and frame together; the frame alone.
    texture_size, texture_depth : float
    edges : Edges
        Places along all edges that lie over another strand.
    findings : tuple of Finding
    """

    design: Design
    carving: Carving
    made: Made
    z: Floats
    left: float
    bottom: float
    length: float
    width: float
    thickness: float
    depth: float
    deepest: float
    step: float
    kept_step: float
    edge: float
    crown: float
    lean: float
    border: float
    frame_width: float
    texture_size: float
    texture_depth: float
    edges: Edges
    findings: tuple[Finding, ...]

    @property
    def top(self) -> float:
        """Where the board ends upward, y in mm."""
        return self.bottom + self.width

    @property
    def walls(self) -> Walls:
        """The walls of the strands, down to the deepest ground."""
        return Walls(self.lean, self.depth)

    @property
    def line(self) -> float:
        """Depth of the line cut along strands whose ground is left standing."""
        return STANDING * self.depth

    @property
    def least_left(self) -> float:
        """Thickness of the thinnest board under the relief."""
        return self.thickness - self.deepest


def set_step(design: Design, depth: float | None) -> float:
    """The step that over-strand edges are to stand above the strand they cross, mm."""
    if design.heights.step is not None:
        return design.heights.step
    return sizes(design).step if depth is None else STEP * depth


def plan_panel(design: Design, carving: Carving | None = None, progress: Progress | None = None) -> Panel:
    """Settle the depth, the section, the heights of the strands and the board.

    Parameters
    ----------
    design : Design
        Of any way of making; its strands are made ``carved``.
    carving : Carving, optional
        The design's own where left out.
    progress : callable, optional

    Raises
    ------
    DesignError
        What is asked for does not fit the board, or no strand can be made.
    """
    kind = resolved(design).layout
    if isinstance(kind, Strip) or lay_out(kind, Breaks()).surface is not None:
        raise DesignError(
            "a strip that goes round, or a curved surface, is no relief on a board",
            "give a flat layout; for a strip a grid of as many columns and rows",
            "layout",
        )
    carving = design.make.carve if carving is None else carving
    report = progress or (lambda _share, _stage: None)
    plain = sizes(design)
    depth = _wanted_depth(design, carving, plain)
    step = set_step(design, depth)
    natural = depth is None
    levels = 1.0
    limit = depth if depth is not None else math.inf
    drawn: Drawn | None
    for attempt in range(ATTEMPTS):
        thick, rounded = _thickness(design, plain, step, limit, levels)
        report(0.05 + 0.8 * attempt / ATTEMPTS, "weaving the relief")
        made = _made(design, thick, step + rounded, None if natural else (1 - STANDING) * limit - rounded + thick)
        drawn = made.drawn
        assert drawn is not None
        edge, crown = _section(made)
        rounded = crown - edge
        edges = overlap_edges(made.counted, drawn)
        steepest = max(1.02 * drawn.relief.steepest, CLIMB)
        z = give_way(drawn.lanes, edges, drawn.relief.z, step + rounded, steepest)
        yielded = not len(edges.crossing) or least_step(drawn.lanes, edges, z).min() > step + rounded - 10 * NEAR
        if not yielded:  # strands so close that each would push the next one down: the overlaps' middles must do
            z = drawn.relief.z
        z = z - (float(z.max()) + crown)
        span = float(np.ptp(z))
        if natural or span + rounded + STANDING * limit <= limit * (1 + 1e-6) or thick <= 1.01 * LEAST_THICK * limit:
            break
        levels = max(span / (step + rounded), levels * 1.02)
    if depth is None:
        depth = max(span + thick, (span + rounded) / (1 - STANDING))
        if carving.board is not None:
            depth = min(depth, carving.board[2] / 2)
    room = (1 - STANDING) * depth - rounded
    if span > room:
        z = (z + crown) * max(room / span, 0.0) - crown
    assert drawn is not None
    kept = least_step(drawn.lanes, edges, z) - rounded
    kept_step = float(kept.min()) if len(kept) else step
    findings = list(made.findings)
    if kept_step < step - 0.02 and (span > room or not any(finding.kind == "step" for finding in findings)):
        needed = (span + rounded) / (1 - STANDING)
        findings.append(
            Finding(
                "step",
                "make.carve.depth",
                round(kept_step, 4),
                f"a relief {depth:.2f} mm deep has no room for steps of {step:.2f} mm: with a depth of "
                f"{_up(needed)} mm it would",
                None,
                (Change("heights.step", max(round(kept_step, 2), 0.01)),),
            )
        )
    return _on_board(design, carving, made, z, depth, step, kept_step, edge, crown, edges, tuple(findings), plain)


def _wanted_depth(design: Design, carving: Carving, plain: Sizes) -> float | None:
    """Depth of the relief, None for as much as the strands need."""
    board = carving.board
    if carving.depth is not None:
        if board is not None and carving.depth >= board[2]:
            raise DesignError(
                f"a relief {carving.depth:g} mm deep goes through a board {board[2]:g} mm thick",
                f"give at most {board[2] / 2:g} mm, half the board, or a thicker board",
                "make.carve.depth",
            )
        return carving.depth
    if design.strand.thickness is not None:
        return None
    depth = DEEP * plain.width
    return depth if board is None else min(depth, board[2] / 2)


def _section(made: Made) -> tuple[float, float]:
    """Edge and crown of the widest strand, whose edge is the most rounded."""
    widest = float(made.counted.widths.max(initial=made.counted.size.width))
    return edge_and_crown(made.design.strand, made.counted.size, widest)


def _thickness(design: Design, plain: Sizes, step: float, depth: float, levels: float) -> tuple[float, float]:
    """The thickest section, up to the design's own, that leaves room for the steps; and how far its edge is rounded."""

    def rounded(thick: float) -> float:
        strand = replace(design.strand, thickness=thick)
        edge, crown = edge_and_crown(strand, replace(plain, thickness=thick), plain.width)
        return crown - edge

    most, least = plain.thickness, min(LEAST_THICK * min(depth, plain.width), plain.thickness)

    def fits(thick: float) -> bool:
        return levels * (step + rounded(thick)) + rounded(thick) + STANDING * depth <= depth

    if not math.isfinite(depth) or fits(most):
        return most, rounded(most)
    for _ in range(40):
        middle = (least + most) / 2
        least, most = (middle, most) if fits(middle) else (least, middle)
    return least, rounded(least)


def _made(design: Design, thick: float, separation: float, limit: float | None) -> Made:
    """The strands made ``carved``, mid-planes ``separation`` apart at every crossing."""
    strand: Strand = replace(design.strand, thickness=thick)
    heights: Heights = replace(design.heights, way=Making.CARVED, step=separation, depth_limit=limit)
    made = make(replace(design, strand=strand, heights=heights, make=Make()), prove=0)
    if made.mesh is None or made.drawn is None:
        raise no_mesh(made)
    return made


def _up(value: float) -> str:
    return f"{math.ceil(value * 20 - 1e-9) / 20:g}"


def plan_bounds(made: Made) -> tuple[float, float, float, float]:
    """Least and greatest x and y of the strands in plan, mm."""
    assert made.drawn is not None
    lanes, courses = made.drawn.lanes, made.drawn.courses
    lane = np.repeat(np.arange(len(lanes.circuit)), np.diff(lanes.start))
    whole = (lanes.offset == 0) | lanes.whole
    half = np.where(whole, lanes.breadth[lane], lanes.width) / 2
    offset = np.where(lanes.whole, 0.0, lanes.offset)
    sides = [
        courses.point[lanes.sample] + (offset + side * half)[:, None] * courses.lateral[lanes.sample]
        for side in (1.0, -1.0)
    ]
    place = np.concatenate(sides)
    (x0, y0), (x1, y1) = place.min(0), place.max(0)
    return float(x0), float(x1), float(y0), float(y1)


def _on_board(
    design: Design,
    carving: Carving,
    made: Made,
    z: Floats,
    depth: float,
    step: float,
    kept_step: float,
    edge: float,
    crown: float,
    edges: Edges,
    findings: tuple[Finding, ...],
    plain: Sizes,
) -> Panel:
    """Lay the knot in the middle of its board; refuse what does not fit."""
    lean = math.tan(math.radians(carving.draft_deg))
    framed = carving.frame is not Moulding.NONE
    frame_width = (plain.width if carving.frame_width is None else carving.frame_width) if framed else 0.0
    border = carving.margin + frame_width
    wall = lean * depth
    x0, x1, y0, y1 = plan_bounds(made)
    needed = (x1 - x0 + 2 * (border + wall), y1 - y0 + 2 * (border + wall))
    if border > 0:
        needed = (needed[0] + 2 * wall, needed[1] + 2 * wall)
    if carving.board is None:
        free = max(0.5 * plain.width, wall + 1.0)
        length, width = (float(math.ceil(side + 2 * free - 1e-9)) for side in needed)
        thickness = float(math.ceil(max(2 * depth, depth + 6.0) - 1e-9))
    else:
        length, width, thickness = carving.board
        for side, least, name in ((length, needed[0], "long"), (width, needed[1], "wide")):
            if side < least - 1e-6:
                with_frame = " with its margin and frame" if border > 0 else ""
                raise DesignError(
                    f"the board is {side:g} mm {name}, the knot{with_frame} and its walls take {least:.2f} mm",
                    f"give a board of at least {_up(needed[0])} x {_up(needed[1])} mm, or smaller cells",
                    "make.carve.board",
                )
    most = min(length, width, 2 * thickness) / 2
    if carving.easing > most:
        raise DesignError(
            f"edges eased by {carving.easing:g} mm on a board of {length:g} x {width:g} x {thickness:g} mm",
            f"give at most {most:g} mm",
            "make.carve.easing",
        )
    textured = carving.ground in (Ground.PUNCHED, Ground.STIPPLED)
    size, mark = 0.0, 0.0
    if textured:
        rough = 0.28 if carving.ground is Ground.PUNCHED else 0.14
        size = carving.texture_size or max(rough * plain.width, 0.6)
        mark = carving.texture_depth or min(0.22 * size, 0.15 * depth)
        if mark > 0.5 * depth:
            raise DesignError(
                f"marks {mark:g} mm deep in a ground of {depth:.2f} mm",
                f"give at most {0.5 * depth:.2f} mm",
                "make.carve.texture_depth",
            )
    lowest = float(z.min()) + edge
    deepest = depth if carving.ground is not Ground.LEFT else STANDING * depth - lowest
    if carving.ground is Ground.LEFT and framed:
        deepest = max(deepest, depth * 0.6)
    return Panel(
        design=design,
        carving=carving,
        made=made,
        z=z,
        left=(x0 + x1 - length) / 2,
        bottom=(y0 + y1 - width) / 2,
        length=length,
        width=width,
        thickness=thickness,
        depth=depth,
        deepest=deepest,
        step=step,
        kept_step=kept_step,
        edge=edge,
        crown=crown,
        lean=lean,
        border=border,
        frame_width=frame_width,
        texture_size=size,
        texture_depth=mark,
        edges=edges,
        findings=findings,
    )
