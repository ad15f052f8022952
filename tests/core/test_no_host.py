"""The core knows no host program: it never imports Blender, and works under any package name."""

from __future__ import annotations

import ast
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "knotgeom"
MODULES = sorted(PACKAGE.rglob("*.py"))
HOSTS = {"bpy", "bmesh", "mathutils", "gpu", "bpy_extras", "blender_addon"}

# Run where importing a host fails; prints what it loaded.
IMPORT_ALL = """
import importlib, pkgutil, sys
sys.modules.update(dict.fromkeys({hosts!r}))
package = importlib.import_module("extension.core")
for module in pkgutil.walk_packages(package.__path__, "extension.core."):
    if not module.name.endswith("__main__"):
        importlib.import_module(module.name)
print("knotgeom" in sys.modules, sum(name.startswith("extension.core.") for name in sys.modules))
"""


def imports(path: Path) -> list[tuple[int, str]]:
    """Every import of a module: how many folders up it starts, and what it names."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(0, name.name) for name in node.names]
        elif isinstance(node, ast.ImportFrom):
            found.append((node.level, node.module or ""))
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_module_imports_its_own_package_relatively_and_no_host(path):
    absolute = {name.split(".")[0] for level, name in imports(path) if level == 0}
    assert not absolute & (HOSTS | {"knotgeom"})
    depth = len(path.relative_to(PACKAGE).parts)
    assert all(level <= depth for level, _ in imports(path)), "reaches out of the package"


def test_the_whole_core_works_as_part_of_another_package(tmp_path):
    copy = tmp_path / "extension" / "core"
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__"))
    (tmp_path / "extension" / "__init__.py").touch()
    code = IMPORT_ALL.format(hosts=sorted(HOSTS))
    # -P and an empty folder to run in: nothing but the copy can be found.
    run = subprocess.run(
        [sys.executable, "-P", "-c", f"import sys; sys.path.insert(0, {str(tmp_path)!r})\n{code}"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={"PATH": "", "PYTHONDONTWRITEBYTECODE": "1"},
    )
    assert run.returncode == 0, run.stderr
    loaded_again, count = run.stdout.split()
    assert loaded_again == "False"
    assert int(count) == sum(1 for path in MODULES if path.name not in ("__main__.py",)) - 1
