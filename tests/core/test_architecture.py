"""The code keeps its layers: nothing looks back up the pipeline, and the page that shows it is true."""

from __future__ import annotations

import ast
import importlib.util
import sys
from pathlib import Path

import networkx as nx
import pytest

ROOT = Path(__file__).parents[2]


def _script():
    spec = importlib.util.spec_from_file_location("architecture", ROOT / "manual" / "architecture.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclasses look their module up
    spec.loader.exec_module(module)
    return module


architecture = _script()
ORDER = {stage.name: number for number, stage in enumerate(architecture.STAGES)}


@pytest.fixture(scope="module")
def graph() -> dict[str, frozenset[str]]:
    """What each module of the core imports from it."""
    return architecture.imports()


def test_every_module_has_a_stage_and_every_stage_its_modules(graph):
    homeless = [name for name in graph if architecture.stage_of(name) is None]
    assert not homeless, "give them a stage in manual/architecture.py"
    folders = {name.rpartition(".")[0] for name in graph}
    gone = [name for stage in architecture.STAGES for name in stage.modules.split() if name not in {*graph, *folders}]
    assert not gone, "no longer there; take them out of manual/architecture.py"


def looking_up(graph: dict[str, frozenset[str]]) -> list[str]:
    """Imports that go down the pipeline, or aside to another maker's stage."""
    found = []
    for name, others in graph.items():
        for other in others:
            here, there = architecture.stage_of(name), architecture.stage_of(other)
            if here is None or there is None:
                continue  # told by another test
            aside = here != there and {here, there} <= architecture.ASIDE
            if ORDER[there] > ORDER[here] or aside:
                found.append(f"{name} ({here}) imports {other} ({there})")
    return found


def test_nothing_looks_back_up_the_pipeline_nor_aside(graph):
    assert looking_up(graph) == []


@pytest.mark.parametrize(
    ("name", "other"), [("trace", "weave"), ("heights", "made"), ("made", "command"), ("carving.field", "sheets.svg")]
)
def test_an_import_that_looks_back_up_or_aside_would_be_seen(graph, name, other):
    assert len(looking_up({**graph, name: graph[name] | {other}})) == 1


def test_no_modules_import_each_other_in_a_ring(graph):
    rings = [ring for ring in nx.strongly_connected_components(nx.DiGraph(graph)) if len(ring) > 1]
    assert rings == []
    assert not [name for name, others in graph.items() if name in others]


def test_the_add_on_takes_the_core_in_one_place_only():
    found = []
    for path in sorted((ROOT / "blender_addon").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import | ast.ImportFrom) else []
            if isinstance(node, ast.ImportFrom):
                names.append(node.module or "")
            if isinstance(node, ast.Call) and getattr(node.func, "attr", getattr(node.func, "id", "")) in (
                "import_module",
                "__import__",
            ):
                names.append(ast.unparse(node.args[0]))
            if any("knotgeom" in name or "_ROOT" in name for name in names):
                found.append(path.name)
    assert set(found) <= {"core.py"} and found


def test_the_page_of_the_architecture_and_its_picture_are_those_of_the_code(graph):
    stages = architecture.between_stages(graph)
    assert architecture.PAGE.read_text(encoding="utf-8") == architecture.page(stages), "run manual/architecture.py"
    assert architecture.PICTURE.read_text(encoding="utf-8") == architecture.picture(stages), (
        "run manual/architecture.py"
    )
