"""The manual builds without a warning, reads from a disk with no network, and its search finds things."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "manual" / "docs"

pytest.importorskip("mkdocs", reason="needs mkdocs, see tests/requirements.txt")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("manual")
    command = [sys.executable, "-m", "mkdocs", "build", "--strict", "-q"]
    command += ["-f", str(ROOT / "manual" / "mkdocs.yml"), "-d", str(folder)]
    built = subprocess.run(command, capture_output=True, text=True, check=False)
    assert built.returncode == 0 and built.stderr == "", built.stderr
    return folder


def test_every_page_is_built_and_every_picture_is_shown(site: Path) -> None:
    pages = "".join(path.read_text(encoding="utf-8") for path in DOCS.glob("*.md"))
    for page in DOCS.glob("*.md"):
        assert (site / f"{page.stem}.html").exists()
    assert {path.name for path in (DOCS / "pictures").glob("*.png")} == set(
        re.findall(r"pictures/([\w-]+\.png)", pages)
    )


def test_pages_fetch_nothing_from_elsewhere(site: Path) -> None:
    for page in site.glob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert (
            re.findall(
                r"<(?:script|img|iframe)[^>]*src=\"(?:https?:)?//[^\"]*|<link[^>]*href=\"(?:https?:)?//[^\"]*", text
            )
            == []
        )
    for sheet in site.rglob("*.css"):
        assert not re.search(r"(?:url\(|@import)\s*['\"]?https?://", sheet.read_text(encoding="utf-8")), sheet


def test_pictures_and_site_are_small(site: Path) -> None:
    assert sum(path.stat().st_size for path in (DOCS / "pictures").iterdir()) < 1_000_000
    assert sum(path.stat().st_size for path in site.rglob("*") if path.is_file()) < 4_000_000


DESK = """
const listeners = {};
function element() { return { children: [], textContent: "", append(...all) { this.children.push(...all); },
  appendChild(one) { this.children.push(one); }, replaceChildren() { this.children = []; } }; }
const results = element();
const field = { value: WORD, form: null, addEventListener(_kind, act) { listeners.key = act; } };
const document = { createElement: element, addEventListener(_kind, act) { listeners.ready = act; },
  getElementById(id) { return id.endsWith("query") ? field : results; } };
const page = { base_url: ".", document, console };
require("vm").runInNewContext(require("fs").readFileSync(PATH, "utf8"), page);
listeners.ready(); listeners.key();
console.log(JSON.stringify(results.children.map(a => a.children[0].children[0].href)));
"""


@pytest.mark.skipif(shutil.which("node") is None, reason="needs node to run the page's script")
@pytest.mark.parametrize(("word", "page"), [("nickel", "cautions.html"), ("librar", "starting-points.html")])
def test_the_search_finds_a_page_without_fetching_its_index(site: Path, word: str, page: str) -> None:
    script = DESK.replace("WORD", json.dumps(word)).replace("PATH", json.dumps(str(site / "search" / "main.js")))
    done = subprocess.run(["node", "-e", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert any(page in address for address in json.loads(done.stdout))


def test_every_kind_of_finding_has_its_row_in_trouble_shooting() -> None:
    source = (ROOT / "knotgeom" / "findings.py").read_text(encoding="utf-8")
    kinds = set(re.findall(r"Finding\(\s*\"(\w+)\"", source))
    rows = set(re.findall(r"^\| (\w+) \|", (DOCS / "trouble.md").read_text(encoding="utf-8"), re.MULTILINE))
    assert kinds and {kind.capitalize() for kind in kinds} <= rows
