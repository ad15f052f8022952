"""What is released says one version everywhere, and names the licence of everything that it carries."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import knotgeom

ROOT = Path(__file__).parents[2]


def test_one_version_is_told_everywhere():
    manifest = tomllib.loads((ROOT / "blender_addon" / "blender_manifest.toml").read_text(encoding="utf-8"))
    citation = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert re.search(r"^version: (.*)$", citation, re.MULTILINE)[1] == knotgeom.__version__ == manifest["version"]
    changes = re.findall(r"^## \[(.*?)\]", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert changes[0] == "Unreleased" or changes[0] == knotgeom.__version__


def test_every_wheel_that_the_add_on_carries_has_its_licence_told():
    script = ast.parse((ROOT / "blender_addon" / "build_extension.py").read_text(encoding="utf-8"))
    names = [node.value for node in ast.walk(script) if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    names += [ast.unparse(node) for node in ast.walk(script) if isinstance(node, ast.JoinedStr)]
    wheels = {found[0] for name in names for found in re.findall(r"\b((\w+)-[0-9.]+[0-9])-(?:py3|cp3)", name)}
    assert wheels >= {"networkx-3.6.1"}
    rows = re.findall(
        r"^\| (\w+) ([0-9.]+) \|.*\| (.+) \|$", (ROOT / "THIRD_PARTY.md").read_text("utf-8"), re.MULTILINE
    )
    assert wheels == {f"{name}-{version}" for name, version, licence in rows if licence}
