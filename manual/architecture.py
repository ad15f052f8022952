"""Draw the pipeline from the imports that the code has: the page and the picture of the architecture.

    python manual/architecture.py

``STAGES`` is the one place that says what stands before what; ``tests/core/test_architecture.py`` holds the code to it,
and page and picture to the code.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "knotgeom"
PAGE = ROOT / "manual" / "docs" / "architecture.md"
PICTURE = ROOT / "manual" / "docs" / "pictures" / "pipeline.svg"


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage of the pipeline: its name, the modules that it has (or whole folders of them), and what it gives."""

    name: str
    modules: str
    gives: str


STAGES = (
    Stage(
        "ground",
        "errors progress mesh cycles light files.whole files.together files.opening files.png16",
        "arrays, errors, files written whole",
    ),
    Stage(
        "values",
        "carving.cutters carving.gouges carving.tools carving.options printing.options trims.options design",
        "a design as small frozen values",
    ),
    Stage("layout", "layout", "a surface of faces, with a state on each edge"),
    Stage("trace", "trace", "circuits"),
    Stage("setting out", "naming panel resolve sizing places", "panels and borders as grids, every length in mm"),
    Stage(
        "reading",
        "forms jsontext printing.materials carving.form printing.form trims.form files.incoming layout_table table "
        "checking reading",
        "a checked design from a file, and its schema",
    ),
    Stage("editing", "editing symmetry", "a changed design"),
    Stage("divide", "divide styles", "a map of crossings, forks and pieces"),
    Stage("weave", "tjoin genus weave", "which strand lies over at each crossing"),
    Stage("course", "fair turns bends course", "centre lines seen from above"),
    Stage("lanes", "lanes footprints", "where strands run whole and as halves, and lie over one another"),
    Stage("heights", "slopes profile stretches climbing heights", "how high each strand lies"),
    Stage("sweep", "sections bands rings loop sweep uneven", "a mesh"),
    Stage("solid", "clean pieces solid selfcut caps seam", "one sound body, a flat strip cut where it comes round"),
    Stage(
        "facts",
        "gaps curvature findings parts meeting hollow remedies counting drawing judging made",
        "all of the above in one call, with what is to be mended",
    ),
    Stage("mending", "dividing merging mending starters", "designs to start from, and changes that mend one"),
    Stage("pictures", "raster picture files", "meshes and pictures as files"),
    Stage("carving", "carving", "a relief on a board"),
    Stage("sheets", "sheets", "patterns on paper"),
    Stage("printing", "printing", "a piece to print or cast"),
    Stage("trims", "trims", "pieces for games"),
    Stage("command", "command __main__ __init__", "the command line"),
)
"""In the order of the pipeline: a stage imports itself and what stands before it."""

ASIDE = frozenset({"carving", "sheets", "printing", "trims"})
"""Stages that stand side by side: each for one kind of maker, none knows of another."""


def modules() -> dict[str, Path]:
    """Every module of the core by its dotted name."""
    return {".".join(path.relative_to(PACKAGE).with_suffix("").parts): path for path in sorted(PACKAGE.rglob("*.py"))}


def imported(name: str, path: Path, known: Mapping[str, Path]) -> Iterator[str]:
    """The modules of the core that one of its modules imports, at its top or inside a function."""
    package = name.split(".")[:-1]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.ImportFrom) or not node.level:
            continue
        above = package[: len(package) - node.level + 1] + (node.module.split(".") if node.module else [])
        for alias in node.names:
            for parts in ([*above, alias.name], [*above, alias.name, "__init__"], above, [*above, "__init__"]):
                if ".".join(parts) in known:
                    yield ".".join(parts)
                    break
            else:
                raise ValueError(f"{path}, line {node.lineno}: no module of the core")


def imports() -> dict[str, frozenset[str]]:
    """What each module of the core imports from it."""
    known = modules()
    return {name: frozenset(imported(name, path, known)) for name, path in known.items()}


def stage_of(module: str) -> str | None:
    """The stage that a module belongs to: by its own name, else by its folder's; None where none has it."""
    for name in (module, module.rpartition(".")[0]):
        for stage in STAGES:
            if name and name in stage.modules.split():
                return stage.name
    return None


def between_stages(graph: Mapping[str, frozenset[str]]) -> dict[str, frozenset[str]]:
    """What each stage imports from others."""
    found: dict[str, set[str]] = {stage.name: set() for stage in STAGES}
    for module, others in graph.items():
        stage = stage_of(module)
        if stage is not None:
            found[stage].update(other for other in map(stage_of, others) if other is not None and other != stage)
    return {stage: frozenset(others) for stage, others in found.items()}


def reduced(graph: Mapping[str, frozenset[str]]) -> dict[str, frozenset[str]]:
    """The same order with the fewest arrows: none that a way over other stages already tells."""

    def reached(stage: str) -> set[str]:
        return set().union(*({other} | reached(other) for other in graph[stage]))

    return {
        stage: frozenset(
            other for other in others if not any(other in reached(between) for between in others - {other})
        )
        for stage, others in graph.items()
    }


# ------------------------------------------------------------------------------------------------------------ drawing

_ROW, _LEFT, _BOX, _TOP = 34, 8, 118, 8  # of the picture, in its pixels


def picture(graph: Mapping[str, frozenset[str]]) -> str:
    """The stages one below another, an arc from each to those that it builds on: all of them go up."""
    place = {stage.name: _TOP + _ROW * number + _ROW / 2 for number, stage in enumerate(STAGES)}
    arcs = sorted(
        ((place[stage] - place[other]) / _ROW, stage, other)
        for stage, others in reduced(graph).items()
        for other in others
    )
    widest = max(span for span, _, _ in arcs)
    right = _LEFT + _BOX + 16 + 14 * widest
    height = 2 * _TOP + _ROW * len(STAGES)
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {right:.0f} {height}" width="{right:.0f}" '
        f'height="{height}" font-family="sans-serif" font-size="13">',
        "<style>path{fill:none;stroke:#8a5a2b;stroke-width:1.4} rect{fill:#f3ece2;stroke:#5b4630} "
        "text{fill:#2b2118}</style>",
        '<defs><marker id="tip" viewBox="0 0 8 8" refX="7" refY="4" markerWidth="7" markerHeight="7" '
        'orient="auto"><path d="M0 1 L7 4 L0 7 Z" style="fill:#8a5a2b;stroke:none"/></marker></defs>',
        f'<rect x="0" y="0" width="{right:.0f}" height="{height}" style="fill:#fffdf9;stroke:none"/>',
    ]
    edge = _LEFT + _BOX
    for span, stage, other in arcs:
        start, end, out = place[stage] - 5, place[other] + 5, edge + 10 + 18 * span
        lines.append(
            f'<path d="M{edge} {start:g} C{out:.0f} {start:g} {out:.0f} {end:g} {edge + 1} {end:g}" '
            'marker-end="url(#tip)"/>'
        )
    for stage in STAGES:
        y = place[stage.name]
        lines += [
            f'<rect x="{_LEFT}" y="{y - 11:g}" width="{_BOX}" height="22" rx="4"/>',
            f'<text x="{_LEFT + _BOX / 2:g}" y="{y + 4.5:g}" text-anchor="middle">{stage.name}</text>',
        ]
    return "\n".join([*lines, "</svg>\n"])


def page(graph: Mapping[str, frozenset[str]]) -> str:
    """The page of the architecture."""
    fewest = reduced(graph)
    rows = []
    for stage in STAGES:
        named = ", ".join(
            f"`{name}/`" if (PACKAGE / name).is_dir() else f"`{name.replace('.', '/')}.py`"
            for name in stage.modules.split()
        )
        builds = ", ".join(other.name for other in STAGES if other.name in fewest[stage.name]) or "nothing"
        rows.append(f"| {stage.name} | {named} | {builds} | {stage.gives} |")
    table = "\n".join(rows)
    return f"""<!-- Written by manual/architecture.py from the imports of the code; do not edit by hand. -->
# Architecture

For those who read or change the code. The core, `knotgeom`, turns a design into woven strands and those into meshes,
reliefs, sheets and pieces. It knows nothing of Blender; the add-on, `blender_addon`, takes the core's modules in one
place, its `core.py`.

Each stage is a pure function from one small immutable value to the next. A stage imports itself and stages above it,
and nothing looks back up: a test reads the imports of every module and says so. Carving, sheets, printing and trims
stand side by side; none of them knows of another.

![The stages one below another, an arrow from each to those that it builds on](pictures/pipeline.svg)

The arrows are the imports that the code has. Where one stage builds on another by way of a third, only that way is
drawn. A folder stands for what it has beyond the modules that are named.

| stage | modules | builds on | gives |
|---|---|---|---|
{table}
"""


def main() -> None:
    """Write page and picture anew."""
    graph = between_stages(imports())
    PICTURE.write_text(picture(graph), encoding="utf-8")
    PAGE.write_text(page(graph), encoding="utf-8")


if __name__ == "__main__":
    main()
