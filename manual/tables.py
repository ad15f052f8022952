"""Write the manual's tables anew: every setting from the add-on's own properties, the design file from its schema.

python manual/tables.py          # in a Python that has bpy
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "manual" / "docs"

GROUPS = {
    "ReliefKnotSettings": ("The knot", "In the sidebar's sections; kept on the object."),
    "ReliefKnotCarving": ("Carving", "Under Making where it is set to Carved; kept in the design."),
    "ReliefKnotRelief": ("Relief View", "Under Carving; kept on the relief."),
    "ReliefKnotTrimming": (
        "Game Trims",
        "Under Making on strips; the kit is kept in the design, the path on the object.",
    ),
    "ReliefKnotTool": ("Draw on Knot", "The drawing tool; kept with the scene."),
    "ReliefKnotOverlay": ("Overlays", "What is drawn over the knot; kept with the scene."),
    "ReliefKnotStarts": ("Starting Points", "What is chosen there; not kept."),
}
"""Heading and place of property groups, in the order of the page. Groups not named here come after them."""

HIDDEN = {
    "text",
    "made",
    "error",
    "note",
    "report",
    "notice",
    "checked",
    "checked_of",
    "source",
    "piece_name",
    "piece_level",
}
"""Kept by the add-on for itself and shown nowhere as a setting."""


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ").strip()


def _number(value: float) -> str:
    return f"{value:.4g}"


def _kind(prop: Any) -> str:
    """What can be given: a length, an angle, a number, a choice."""
    if prop.type == "BOOLEAN":
        return "on or off"
    if prop.type == "ENUM":
        return "choice"
    if prop.type == "STRING":
        return "text"
    if prop.type == "INT":
        return f"whole number, {prop.hard_min} to {prop.hard_max}"
    if prop.type != "FLOAT":
        return "list"
    if prop.subtype in {"COLOR", "COLOR_GAMMA"}:
        return "colour"
    if prop.subtype == "ANGLE":
        low, high = (math.degrees(value) for value in (prop.hard_min, prop.hard_max))
        return f"angle, {_number(low)}° to {_number(high)}°"
    if prop.unit == "LENGTH":
        return "length, 0 or more"
    return f"number, {_number(prop.soft_min)} to {_number(prop.soft_max)}"


def _rows(group: Any) -> Iterator[str]:
    for prop in group.bl_rna.properties:
        if prop.identifier in HIDDEN | {"rna_type", "name"} or prop.is_hidden or prop.type == "POINTER":
            continue
        about = _cell(prop.description)
        items = [f"*{item.name}*: {_cell(item.description)}" for item in getattr(prop, "enum_items_static", ())]
        if items:
            about += "<br>" + "<br>".join(items)
        if about:  # else it is a part of what the add-on keeps for itself
            yield f"| {_cell(prop.name)} | {_kind(prop)} | {about} |"


def _classes(addon: Any, base: Any) -> list[Any]:
    found = []
    for module in addon.MODULES:
        for cls in vars(module).values():
            ours = isinstance(cls, type) and issubclass(cls, base) and cls.__module__ == module.__name__
            if ours and getattr(cls, "is_registered", False) and cls not in found:
                found.append(cls)
    return found


def settings_page(addon: Any, bpy: Any) -> str:
    """The page of every setting and every button, from a registered add-on."""
    groups = _classes(addon, bpy.types.PropertyGroup)
    order = list(GROUPS)
    groups.sort(key=lambda cls: order.index(cls.__name__) if cls.__name__ in order else len(order))
    lines = [
        "# Every setting",
        "",
        "Made from the add-on itself. Lengths are shown in the units of the scene and kept in mm.",
    ]
    for cls in groups:
        rows = list(dict.fromkeys(_rows(cls)))
        if not rows:
            continue
        title, where = GROUPS.get(cls.__name__, ((cls.__doc__ or cls.__name__).splitlines()[0].rstrip("."), ""))
        lines += ["", f"## {title}", "", where, "", "| setting | value | what it does |", "|---|---|---|", *rows]
    lines += ["", "## Buttons and menu entries", "", "| name | what it does |", "|---|---|"]
    buttons = {
        (cls.bl_label, cls.bl_description)
        for cls in _classes(addon, bpy.types.Operator)
        if "INTERNAL" not in getattr(cls, "bl_options", ()) and getattr(cls, "bl_description", "")
    }
    lines += [f"| {_cell(label)} | {_cell(about)} |" for label, about in sorted(buttons)]
    return "\n".join(lines).replace("\n\n\n", "\n\n") + "\n"


def _form(schema: dict[str, Any]) -> str:
    """What a key takes, in words."""
    if "anyOf" in schema:
        return " or ".join(dict.fromkeys(_form(each) for each in schema["anyOf"]))
    if "enum" in schema:
        return ", ".join(f"`{value}`" for value in schema["enum"])
    if "const" in schema:
        return f"`{schema['const']}`"
    kind = schema.get("type")
    if kind in {"integer", "number"}:
        low = schema.get("minimum", schema.get("exclusiveMinimum"))
        high = schema.get("maximum", schema.get("exclusiveMaximum"))
        word = "whole number" if kind == "integer" else "number"
        if low is not None and low == high:
            return f"{low}"
        return word if low is None or high is None or high >= 1e5 else f"{word}, {_number(low)} to {_number(high)}"
    if kind == "boolean":
        return "`true` or `false`"
    if kind == "string":
        return "text"
    if kind == "array":
        if "prefixItems" in schema:
            return "[" + ", ".join(_short(each) for each in schema["prefixItems"]) + "]"
        if schema.get("minItems") == schema.get("maxItems") == 2:
            return f"pair of {_form(schema['items']).partition(',')[0]}s"
        return f"list of {_many(_form(schema['items']))}"
    return "object"


def _many(words: str) -> str:
    return words.replace("pair", "pairs", 1) if words.startswith("pair") else words.replace("object", "objects")


def _short(schema: dict[str, Any]) -> str:
    return "number" if schema.get("type") in {"integer", "number"} else _form(schema).replace(", ", " or ")


def _keys(schema: dict[str, Any], before: str = "") -> Iterator[tuple[str, dict[str, Any], bool]]:
    for key, value in schema["properties"].items():
        name = f"{before}{key}"
        if "properties" in value:
            yield from _keys(value, f"{name}.")
        elif "oneOf" in value:  # one of several kinds of object
            for kind in value["oneOf"]:
                yield from _keys(kind, f"{name}.")
        elif isinstance(value.get("items"), dict) and "properties" in value["items"]:  # a list of objects
            yield name, value, key in schema.get("required", ())
            yield from _keys(value["items"], f"{name}[].")
        else:
            yield name, value, key in schema.get("required", ())


def design_page() -> str:
    """The page of the design file, from its JSON Schema."""
    schema = json.loads((ROOT / "shared" / "interlace.schema.json").read_text(encoding="utf-8"))
    lines = [
        "# Design file",
        "",
        "A design is a small JSON file whose name ends in `.interlace.json`. Lengths are in mm, angles in degrees.",
        "Everything but `interlace` and `layout` may be left out. Unknown and repeated keys are refused by name.",
        "",
        "    {",
        '      "interlace": 1,',
        '      "layout": {"grid": [4, 4], "cell": 7.0},',
        '      "breaks": {"horizontal": [[3, 4], [5, 4]]},',
        '      "divide": {"circuits": [[1, 2, "rising"]], "gap": 0.7},',
        '      "strand": {"width": 3.0, "thickness": 1.8},',
        '      "heights": {"way": "fused", "step": 0.6}',
        "    }",
        "",
        "A *site* is `[x, y]` in half cells from the lower left corner, x + y odd. A *pass* is a site and which of its",
        "two strands is meant: `rising` from lower left to upper right, or `falling`. On a ring x counts half sectors",
        "anticlockwise and y half rows outward, and so along a mitred border. On a free mesh a site is an edge,",
        "numbered as edges are met going round one face after another; a pass is `[edge, 0]` or `[edge, 1]`.",
        "",
        "| key | takes | meaning |",
        "|---|---|---|",
    ]
    for name, value, needed in _keys(schema):
        about = _cell(value.get("description", ""))
        lines.append(
            f"| `{name}` | {_cell(_form(value))} | {about}{' Required.' if needed and '.' not in name else ''} |"
        )
    lines += ["", "The JSON Schema stands in the project's folder `shared`.", ""]
    return "\n".join(lines)


def main() -> None:
    """Write both pages."""
    sys.path.insert(0, str(ROOT))
    import bpy

    import blender_addon

    blender_addon.register()
    (DOCS / "settings.md").write_text(settings_page(blender_addon, bpy), encoding="utf-8")
    (DOCS / "design-file.md").write_text(design_page(), encoding="utf-8")
    blender_addon.unregister()


if __name__ == "__main__":
    main()
