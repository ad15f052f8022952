"""All that cutters, hand tools and the depth table say of a relief: one part of the report, and its pictures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .bends import bends
from .cutters import Cutter, CutterKind, scallop_height, stepover_for, tip_radius
from .depths import CrossingDepth, Line, SectionAlong, crossing_depths, middle_lines, section_along
from .field import HeightField
from .gouges import Gouge, gouge_radius
from .grain import walls_across_grain
from .panel import Panel
from .pockets import narrow_places, panel_ground_level, pockets
from .practice import compare_with_practice
from .reach import DIAMETERS, Reach, largest_cutter, picture, reach, scale_colours
from .section_drawing import sections_svg
from .tools import chosen_cutters

U8 = NDArray[np.uint8]
Progress = Callable[[float, str], None]

ASSUMES = (
    "Shape alone: an upright cutter, its shank no wider than its cutting part and long enough, its tip never below the "
    "deepest place. Check the toolpath in your CAM program and follow the machine maker's and local rules."
)
MOST_LISTED = 12
LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True, eq=False)
class ToolReport:
    """What tools make of a relief: ``facts`` ready for JSON, and what the pictures are drawn from."""

    facts: dict[str, object]
    reaches: tuple[Reach, ...]
    crossings: tuple[CrossingDepth, ...]
    sections: tuple[SectionAlong, ...]


def reach_report(panel: Panel, field: HeightField, progress: Progress | None = None) -> ToolReport:
    """Try every tool of a panel's design on its relief.

    Parameters
    ----------
    panel : Panel
    field : HeightField
        The panel's relief.
    progress : callable, optional

    Raises
    ------
    DesignError
        A tool cannot be, or is wider than the board.
    """
    report = progress or (lambda _share, _stage: None)
    tools = panel.carving.tools
    cutters = chosen_cutters(tools, panel.length, panel.width, field.pitch)
    steps = 2 * len(cutters) + 2
    done = 0

    def part(share: float, stage: str) -> None:
        report((done + share) / steps, stage)

    reaches: list[Reach] = []
    rows: list[dict[str, object]] = []
    largest: dict[tuple[CutterKind, float, float], Reach | None] = {}
    for cutter in cutters:
        found = reach(field, cutter, tools.tolerance, part)
        done += 1
        like = _alike(cutter)
        if like not in largest:
            largest[like] = largest_cutter(field, cutter, tools.share, DIAMETERS, tools.tolerance, part)
        done += 1
        reaches.append(found)
        rows.append(_cutter_facts(found, largest[like], tools.share, tools.scallop))
    gouges, level = tools.gouges, panel_ground_level(panel)
    ground = pockets(field, gouges, part, level)
    done += 1
    made = panel.made
    lines = [
        Line(*ends, name=LETTERS[k] if k < len(LETTERS) else str(k + 1)) for k, ends in enumerate(tools.sections)
    ] or list(middle_lines(field))
    sections = tuple(section_along(made, field, line, level) for line in lines)
    crossings = crossing_depths(made, field)
    walls = walls_across_grain(field, tools.grain_deg)
    by_tool = Counter(_named(pocket.gouge) for pocket in ground)
    facts: dict[str, object] = {
        "assumes": ASSUMES,
        "cutters": rows,
        "hand": {
            "gouges": [{"name": gouge.name, "radius_mm": _mm(gouge_radius(gouge))} for gouge in gouges],
            "narrowest_ground": [
                {
                    "at": [_mm(place.x), _mm(place.y)],
                    "between_edges_mm": _mm(place.width),
                    "floor_mm": _mm(place.floor),
                    "enters": _named(place.gouge),
                }
                for place in narrow_places(made, field, gouges, MOST_LISTED, level)
            ],
            "pockets": {
                "count": len(ground),
                "by_tool": [{"tool": name, "pockets": count} for name, count in by_tool.most_common()],
                "narrowest": [
                    {
                        "at": [_mm(pocket.x), _mm(pocket.y)],
                        "area_mm2": _mm(pocket.area),
                        "depth_mm": _mm(pocket.depth),
                        "widest_mm": _mm(pocket.widest),
                        "enters": _named(pocket.enters),
                        "suits": _named(pocket.gouge),
                        "covers": round(pocket.covered, 3),
                        "misfit_mm": _mm(pocket.misfit),
                    }
                    for pocket in ground[:MOST_LISTED]
                ],
            },
            "bends": [
                {
                    "radius_mm": _mm(bend.radius),
                    "chord_mm": _mm(bend.chord),
                    "edge": "inside" if bend.hollow else "outside",
                    "count": bend.count,
                    "first_at": [_mm(bend.x), _mm(bend.y)],
                    "gouge": _named(bend.gouge),
                    "misfit_mm": _mm(bend.misfit) if bend.gouge else None,
                    "cuts": bend.cuts,
                }
                for bend in bends(made, gouges)
            ],
            "walls_across_grain": {
                "grain_deg": tools.grain_deg,
                "count": walls.count,
                "length_mm": _mm(walls.length),
                "longest": [
                    {
                        "at": [_mm(wall.x), _mm(wall.y)],
                        "length_mm": _mm(wall.length),
                        "height_mm": _mm(wall.height),
                        "steepest_deg": round(wall.steepest_deg, 1),
                    }
                    for wall in walls.worst
                ],
            },
            "starting_values": compare_with_practice(panel),
        },
        "depths": [
            {
                "crossing": row.number,
                "at": [_mm(row.x), _mm(row.y)],
                "over_circuit": row.over_circuit,
                "under_circuit": row.under_circuit,
                "over_mm": _mm(row.over),
                "under_mm": _mm(row.under),
                "step_mm": _mm(row.step),
                "ground_mm": _mm(row.ground),
            }
            for row in crossings
        ],
        "sections": [_section_facts(section) for section in sections],
    }
    report(1.0, "done")
    return ToolReport(facts, tuple(reaches), crossings, sections)


def tool_lines(facts: Mapping[str, Any]) -> list[str]:
    """The cutters' results in a line each, for a terminal; ``facts`` as :func:`reach_report` gives them."""
    lines = []
    for row in facts["cutters"]:
        best = row["largest_that_does"]
        does = f"{best['name']} is the largest that leaves" if best["name"] else "none sold leaves"
        lines.append(
            f"{row['name']}: {100 * row['uncut_share']:.1f} % of the lowered area uncut "
            f"by more than {row['tolerance_mm']:g} mm; "
            f"{does} at most {100 * best['uncut_share_allowed']:g} %"
        )
    return lines


def uncut_pixels(reaches: Sequence[Reach]) -> U8:
    """What each cutter leaves, one picture below the other with its legend in mm, (h, w, 3) uint8.

    Words need Pillow, which Blender does not bring; without it the legends are colour alone.
    """
    sheets = [_with_legend(found) for found in reaches]
    width = max((sheet.shape[1] for sheet in sheets), default=1)
    padded = [np.pad(one, ((0, 0), (0, width - one.shape[1]), (0, 0)), constant_values=255) for one in sheets]
    return np.concatenate(padded) if padded else np.full((1, 1, 3), 255, np.uint8)


def uncut_texts(reaches: Sequence[Reach]) -> dict[str, str]:
    """What stands in the text of the picture's file: the cutters and what the darkest red is, in mm."""
    said = "; ".join(f"{one.cutter.name}: at most {float(one.left.max(initial=0.0)):.3f} mm left" for one in reaches)
    return {"Title": "what cutters leave of a carved relief", "Description": said or "no cutter"}


def sections_drawing(panel: Panel, field: HeightField, found: ToolReport) -> str:
    """The section drawings as SVG at true scale."""
    return sections_svg(panel.made, field, found.sections, panel.thickness)


def _with_legend(found: Reach) -> U8:
    pixels = picture(found)
    width = max(pixels.shape[1], 760)
    letter = max(14, width // 64)
    top, left = pixels.shape[0] + letter, width - 18 * letter
    sheet = np.full((pixels.shape[0] + 5 * letter, width, 3), 255, np.uint8)
    margin = (width - pixels.shape[1]) // 2
    sheet[: pixels.shape[0], margin : margin + pixels.shape[1]] = pixels
    most = float(found.left.max(initial=0.0))
    something = most > found.tolerance
    if something:
        sheet[top : top + letter, left : left + 14 * letter] = scale_colours(14 * letter)
    try:
        from PIL import Image, ImageDraw, ImageFont  # only here: Blender brings none
    except ImportError:
        return sheet
    page = Image.fromarray(sheet)
    draw, ink = ImageDraw.Draw(page), (43, 38, 34)
    font, small = ImageFont.load_default(letter * 1.15), ImageFont.load_default(letter)
    draw.text((letter, top), f"{found.cutter.name}: what it leaves", fill=ink, font=font)
    said = (
        f"{100 * found.share:.1f} % of the lowered area keeps more than {found.tolerance:g} mm, "
        f"{found.volume / 1000:.2f} cm3 in all"
    )
    draw.text((letter, top + 1.8 * letter), said, fill=ink, font=small)
    if not something:
        draw.text((width - letter, top), "nothing is left", fill=ink, font=small, anchor="ra")
    else:
        for share in (0.0, 0.5, 1.0):
            x = left + round(share * (14 * letter - 1))
            draw.line([(x, top + letter), (x, top + 1.4 * letter)], fill=ink, width=max(1, letter // 12))
            words = f"{share * most:.1f}" + (" mm left" if share == 1.0 else "")
            draw.text((x, top + 1.5 * letter), words, fill=ink, font=small, anchor="ma")
    return np.array(page, np.uint8)


def _alike(cutter: Cutter) -> tuple[CutterKind, float, float]:
    """What cutters have in common of which one largest is looked for."""
    angle = cutter.angle_deg if cutter.kind in (CutterKind.V, CutterKind.TAPERED) else 0.0
    shank = {CutterKind.V: cutter.tip, CutterKind.TAPERED: cutter.diameter}.get(cutter.kind, 0.0)
    return cutter.kind, angle, shank


def _cutter_facts(found: Reach, best: Reach | None, share: float, scallop: float) -> dict[str, object]:
    cutter, ball = found.cutter, tip_radius(found.cutter)
    passes: dict[str, object] | None = None
    if ball:
        stepover = stepover_for(ball, min(scallop, ball))
        tenth = 0.1 * 2 * ball
        passes = {
            "scallop_mm": _mm(min(scallop, ball)),
            "stepover_mm": _mm(stepover),
            "scallop_at_a_tenth_of_the_ball_mm": round(scallop_height(ball, tenth), 4),
        }
    return {
        "name": cutter.name,
        "kind": cutter.kind.value,
        "diameter_mm": cutter.diameter,
        "angle_deg": cutter.angle_deg if cutter.kind in (CutterKind.V, CutterKind.TAPERED) else None,
        "tip_mm": cutter.tip if cutter.kind in (CutterKind.V, CutterKind.TAPERED) else None,
        "tolerance_mm": found.tolerance,
        "lowered_area_mm2": _mm(found.lowered_area),
        "removed_volume_mm3": _mm(found.lowered_volume),
        "uncut_area_mm2": _mm(found.area),
        "uncut_share": round(found.share, 4),
        "uncut_volume_mm3": _mm(found.volume),
        "most_left_mm": _mm(float(found.left.max(initial=0.0))),
        "uncut_places": found.places_count,
        "largest_places": [
            {
                "at": [_mm(place.x), _mm(place.y)],
                "area_mm2": _mm(place.area),
                "volume_mm3": _mm(place.volume),
                "height_mm": _mm(place.height),
            }
            for place in found.places
        ],
        "largest_that_does": {
            "uncut_share_allowed": share,
            "name": best.cutter.name if best else None,
            "uncut_share": round(best.share, 4) if best else None,
            "chosen_from_mm": list(DIAMETERS),
        },
        "passes": passes,
    }


def _section_facts(section: SectionAlong) -> dict[str, object]:
    line = section.line
    return {
        "name": line.name,
        "from": [_mm(line.x0), _mm(line.y0)],
        "to": [_mm(line.x1), _mm(line.y1)],
        "strands": [
            {
                "along_mm": _mm(strand.along),
                "at": [_mm(strand.x), _mm(strand.y)],
                "circuit": strand.circuit,
                "depth_mm": _mm(strand.depth),
                "hidden": strand.hidden,
            }
            for strand in section.strands
        ],
        "ground": [
            {"from_mm": _mm(ground.start), "to_mm": _mm(ground.end), "depth_mm": _mm(ground.depth)}
            for ground in section.ground
        ],
    }


def _named(gouge: Gouge | None) -> str | None:
    return gouge.name if gouge else None


def _mm(value: float) -> float | None:
    """To the micrometre; None where there is none (the radius of a flat edge)."""
    return round(float(value), 3) + 0.0 if np.isfinite(value) else None
