"""Section drawings at true scale: the board cut along lines, with the depths to cut to, as SVG in mm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from xml.sax.saxutils import escape

import numpy as np

from ..errors import DesignError
from ..made import Made
from ..mesh import Floats
from .depths import SectionAlong, check_lines
from .field import HeightField

MARGIN, TITLE, LABELS, FOOT = 14.0, 9.0, 15.0, 9.0
PLAN = 62.0
"""Longest side of the key plan, mm."""
STRAIGHT = 0.005
"""mm by which a profile may be straightened."""
LETTERS = 2.6
HATCH_APART = 2.5
INK, STRAND_INK, GROUND_INK, LINE_INK = "#2b2622", "#8a3b12", "#2f5d73", "#b3261e"
WOOD, HATCH = "#f3e6cf", "#c9a878"


def profile(section: SectionAlong) -> Floats:
    """The cut surface as a polyline, (n, 2) of mm along the line and height (0 the board's face, down negative)."""
    return _straightened(np.column_stack([section.along, section.z]), STRAIGHT)


def sections_svg(made: Made, field: HeightField, sections: Sequence[SectionAlong], thickness: float) -> str:
    """One drawing with a key plan and every section at 1 : 1, lengths in mm.

    Groups are named ``plan``, ``section-A`` and so on. Along the upper edge of each section stands the depth of every
    strand's top, and of the ground between, below the board's face.

    Raises
    ------
    DesignError
        Two sections have one name, none is given, or the board is thinner than the relief is deep.
    """
    check_lines([section.line for section in sections])
    if not sections:
        raise DesignError("no section to draw", "give at least one line", "sections")
    deepest = -float(field.z.min())
    if not math.isfinite(thickness) or thickness <= deepest:
        raise DesignError(
            f"a board {thickness:.4g} mm thick under a relief {deepest:.4g} mm deep",
            f"give more than {deepest:.4g} mm",
            "board",
        )
    widest = max(float(section.along[-1] - section.along[0]) for section in sections)
    plan_scale = min(1.0, PLAN / (max(field.z.shape) * field.pitch))
    plan_height = field.z.shape[0] * field.pitch * plan_scale
    width = max(widest, 110.0) + 2 * MARGIN
    body, y = [_plan(made, field, sections, plan_scale, MARGIN, MARGIN)], MARGIN + plan_height + 8.0
    for section in sections:
        body.append(_section(section, thickness, MARGIN, y + TITLE + LABELS))
        y += TITLE + LABELS + thickness + FOOT
    body.append(_scale_bar(MARGIN, y + 2.0, 100.0 if widest >= 100 else 50.0))
    height = y + 14.0
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.3f}mm" height="{height:.3f}mm" '
        f'viewBox="0 0 {width:.3f} {height:.3f}" font-family="Helvetica, Arial, sans-serif">'
        "<title>Sections of the relief, lengths in mm</title>"
        f'<rect width="{width:.3f}" height="{height:.3f}" fill="#ffffff"/>'
    )
    return head + "\n" + "\n".join(body) + "\n</svg>\n"


def _section(section: SectionAlong, thickness: float, left: float, face: float) -> str:
    """One section; ``face`` is where the board's face lies on the sheet."""
    shift = left - float(section.along[0])
    line = profile(section)
    first, last = line[0, 0], line[-1, 0]
    name = escape(section.line.name)
    back = face + thickness
    surface = " ".join(f"L{x + shift:.3f} {face - z:.3f}" for x, z in line.tolist())
    outline = f"M{first + shift:.3f} {back:.3f} {surface} L{last + shift:.3f} {back:.3f} Z"
    parts = [
        f'<g id="section-{name}">',
        f'<path d="{outline}" fill="{WOOD}" stroke="none"/>',
        f'<path d="{_hatch(section, thickness, shift, face)}" stroke="{HATCH}" stroke-width="0.18" fill="none"/>',
        f'<path d="{outline}" fill="none" stroke="{INK}" stroke-width="0.35" stroke-linejoin="round"/>',
        f'<path d="M{first + shift:.3f} {face:.3f}H{last + shift:.3f}" stroke="{INK}" stroke-width="0.15" '
        'stroke-dasharray="2 1" fill="none"/>',
        _text(left, face - LABELS - 3.0, f"Section {name}–{name}′, 1 : 1", 3.6, INK, bold=True),
        _text(
            left + 40.0,
            face - LABELS - 3.0,
            "depths below the board's face in mm: strands brown, ground blue",
            LETTERS,
            INK,
        ),
    ]
    figures = [(s.along, s.depth, STRAND_INK) for s in section.strands if not s.hidden]
    figures += [((g.start + g.end) / 2, g.depth, GROUND_INK) for g in section.ground if g.end - g.start >= 0.5]
    places = _spread([place for place, _, _ in sorted(figures)], LETTERS * 1.15)
    for (place, depth, ink), x in zip(sorted(figures), places, strict=True):
        depth = abs(depth) if depth > 0 else 0.0
        parts.append(
            f'<path d="M{place + shift:.3f} {face + depth:.3f}V{face - 1.2:.3f}L{x + shift:.3f} {face - 3.2:.3f}'
            f'V{face - 4.0:.3f}" stroke="{ink}" stroke-width="0.15" fill="none"/>'
            f'<circle cx="{place + shift:.3f}" cy="{face + depth:.3f}" r="0.45" fill="{ink}"/>'
        )
        parts.append(
            f'<text transform="translate({x + shift + LETTERS * 0.36:.3f} {face - 4.6:.3f}) rotate(-90)" '
            f'font-size="{LETTERS}" fill="{ink}">{depth:.1f}</text>'
        )
    parts.append(_text(left - 5.0, face + thickness / 2 + 1.3, name, 3.6, LINE_INK, bold=True))
    parts.append(_text(last + shift + 2.5, face + thickness / 2 + 1.3, f"{name}′", 3.6, LINE_INK, bold=True))
    left_under = thickness + float(section.z.min())
    parts.append(
        _text(
            left,
            back + 4.5,
            f"board {thickness:.4g} thick, {left_under:.1f} left under the deepest place",
            LETTERS,
            INK,
        )
    )
    parts.append("</g>")
    return "".join(parts)


def _hatch(section: SectionAlong, thickness: float, shift: float, face: float) -> str:
    """Strokes at 45 degrees over the cut wood, ended at its surface; no pattern fill, which programs draw unlike."""
    first, last = float(section.along[0]), float(section.along[-1])
    reach = np.arange(0.0, thickness + 0.1, 0.1)
    strokes = []
    for foot in np.arange(first - thickness + HATCH_APART, last, HATCH_APART):
        x, z = foot + reach, reach - thickness
        wood = (x >= first) & (x <= last) & (z <= np.interp(x, section.along, section.z))
        edge = np.diff(np.concatenate([[0], wood.astype(np.int8), [0]]))
        for a, b in zip(np.flatnonzero(edge == 1).tolist(), (np.flatnonzero(edge == -1) - 1).tolist(), strict=True):
            strokes.append(f"M{x[a] + shift:.2f} {face - z[a]:.2f}L{x[b] + shift:.2f} {face - z[b]:.2f}")
    return "".join(strokes)


def _spread(places: Sequence[float], apart: float) -> list[float]:
    """The places moved as little as is simple so that no two are closer than ``apart``; they come sorted."""
    group: list[list[float]] = []  # each: sum of wished first places, count
    for k, place in enumerate(places):
        group.append([place - k * apart, 1.0])
        while len(group) > 1 and group[-2][0] / group[-2][1] > group[-1][0] / group[-1][1]:
            total, count = group.pop()
            group[-1][0] += total
            group[-1][1] += count
    firsts = [total / count for total, count in group for _ in range(int(count))]
    return [first + k * apart for k, first in enumerate(firsts)]


def _plan(
    made: Made, field: HeightField, sections: Sequence[SectionAlong], scale: float, left: float, top: float
) -> str:
    """The board from above, small, with the middle lines of the strands and where the sections run."""
    width, height = (side * field.pitch * scale for side in reversed(field.z.shape))

    def place(x: float, y: float) -> str:
        return f"{left + (x - field.left) * scale:.3f} {top + (field.top - y) * scale:.3f}"

    parts = [
        f'<g id="plan"><rect x="{left:.3f}" y="{top:.3f}" width="{width:.3f}" height="{height:.3f}" '
        f'fill="{WOOD}" stroke="{INK}" stroke-width="0.25"/>'
    ]
    for circuit in made.circuits:
        course = _straightened(circuit[:, :2], 0.05 / scale)
        path = "L".join(place(x, y) for x, y in course.tolist())
        parts.append(f'<path d="M{path}Z" fill="none" stroke="{HATCH}" stroke-width="0.7"/>')
    for section in sections:
        line, name = section.line, escape(section.line.name)
        u = ((line.x1 - line.x0) / line.length, (line.y1 - line.y0) / line.length)
        ends = [(line.x0 + a * u[0], line.y0 + a * u[1]) for a in (float(section.along[0]), float(section.along[-1]))]
        parts.append(
            f'<path d="M{place(*ends[0])}L{place(*ends[1])}" stroke="{LINE_INK}" stroke-width="0.35" '
            'stroke-dasharray="3 0.8 0.6 0.8" fill="none"/>'
        )
        for (x, y), way, words in ((ends[0], -1, name), (ends[1], 1, f"{name}′")):
            px = left + (x - field.left) * scale + way * u[0] * 3.2
            py = top + (field.top - y) * scale - way * u[1] * 3.2
            parts.append(
                f'<text x="{px:.3f}" y="{py + 1.1:.3f}" font-size="3" fill="{LINE_INK}" text-anchor="middle" '
                f'font-weight="bold">{words}</text>'
            )
    size = f"{field.z.shape[1] * field.pitch:.4g} x {field.z.shape[0] * field.pitch:.4g} mm"
    parts.append(_text(left + width + 8.0, top + 4.0, f"Board {size}, where the sections run", LETTERS, INK))
    deepest = f"deepest place {-float(field.z.min()):.2f} mm below the face"
    parts.append(_text(left + width + 8.0, top + 8.5, deepest, LETTERS, INK))
    parts.append("</g>")
    return "".join(parts)


def _scale_bar(left: float, top: float, length: float) -> str:
    ticks = "".join(f"M{left + x:.3f} {top:.3f}v{2.5 if x % 50 == 0 else 1.5}" for x in range(0, int(length) + 1, 10))
    return (
        f'<g id="scale"><path d="M{left:.3f} {top:.3f}h{length:.3f}{ticks}" '
        f'stroke="{INK}" stroke-width="0.3" fill="none"/>'
        + _text(left + length + 2.0, top + 2.4, f"{length:.0f} mm, if printed true to scale", LETTERS, INK)
        + "</g>"
    )


def _text(x: float, y: float, words: str, size: float, ink: str, *, bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return f'<text x="{x:.3f}" y="{y:.3f}" font-size="{size}" fill="{ink}"{weight}>{escape(words)}</text>'


def _straightened(line: Floats, tolerance: float) -> Floats:
    """A polyline with fewer points, nowhere over ``tolerance`` from the given one (Douglas and Peucker, 1973)."""
    keep = np.zeros(len(line), bool)
    keep[[0, -1]] = True
    stack = [(0, len(line) - 1)]
    while stack:
        a, b = stack.pop()
        if b - a < 2:
            continue
        chord = line[b] - line[a]
        length = float(np.hypot(*chord))
        away = line[a + 1 : b] - line[a]
        off = np.abs(away[:, 0] * chord[1] - away[:, 1] * chord[0]) / length
        k = int(off.argmax())
        if off[k] > tolerance:
            keep[a + 1 + k] = True
            stack += [(a, a + 1 + k), (a + 1 + k, b)]
    kept: Floats = line[keep]
    return kept
