"""Make the search of the built site work from a disk too, where a browser may not fetch files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

SEARCH = """\
// The index is in the page, since a browser fetches no files for pages opened from a disk.
(function () {
  var pages = {};
  RELIEF_KNOTS_INDEX.docs.forEach(function (page) { pages[page.location] = page; });
  var index = lunr(function () {
    this.ref("location");
    this.field("title", { boost: 10 });
    this.field("text");
    RELIEF_KNOTS_INDEX.docs.forEach(function (page) { this.add(page); }, this);
  });
  function search() {
    var words = document.getElementById("mkdocs-search-query").value.trim();
    var shown = document.getElementById("mkdocs-search-results");
    shown.replaceChildren();
    if (words.length < 2) { return; }
    var found = index.query(function (query) {
      words.toLowerCase().split(/\\s+/).forEach(function (word) {
        query.term(lunr.tokenizer(word), { boost: 10 });
        query.term(lunr.tokenizer(word), { wildcard: lunr.Query.wildcard.TRAILING });
      });
    });
    found.slice(0, 20).forEach(function (hit) {
      var page = pages[hit.ref], entry = document.createElement("article");
      var title = document.createElement("h3"), link = document.createElement("a");
      link.href = base_url.replace(/\\/?$/, "/") + page.location;
      link.textContent = page.title;
      title.appendChild(link);
      var text = document.createElement("p");
      text.textContent = page.text.slice(0, 200);
      entry.append(title, text);
      shown.appendChild(entry);
    });
    if (!found.length) { shown.textContent = "Nothing found"; }
  }
  document.addEventListener("DOMContentLoaded", function () {
    var field = document.getElementById("mkdocs-search-query");
    field.addEventListener("keyup", search);
    field.form && field.form.addEventListener("submit", function (event) { event.preventDefault(); });
  });
})();
"""


def on_post_build(config: Any, **_: Any) -> None:
    """Put the index and a search of our own in place of the one that fetches."""
    folder = Path(config["site_dir"]) / "search"
    index = json.loads((folder / "search_index.json").read_text(encoding="utf-8"))
    kept = {"docs": [page for page in index["docs"] if page["text"].strip()]}
    words = f"var RELIEF_KNOTS_INDEX = {json.dumps(kept, ensure_ascii=False)};\n"
    lunr = (folder / "lunr.js").read_text(encoding="utf-8")
    (folder / "main.js").write_text(f"{lunr}\n{words}{SEARCH}", encoding="utf-8")
    for name in ("lunr.js", "worker.js", "search_index.json"):
        (folder / name).unlink()
