"""Help without a network, words in German, and a manual whose tables are those of the add-on."""

from __future__ import annotations

import importlib.util
import re
import string
import sys
from pathlib import Path

import bpy
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))

import ui_strings  # noqa: E402

from blender_addon import help as helping  # noqa: E402
from blender_addon import translations, ui_parts  # noqa: E402

ROOT = Path(__file__).resolve().parents[2]

EXEMPT = {
    "3MF",
    "PLA",
    "Nylon PA12",
    "STL",
    "PLY",
    "OBJ",
    "GLB",
    "FBX",
    "USD",
    "Cycles",
    "Universal Scene Description",
    "name",
    "PDF",
    "SVG",
    "A4",
    "A3",
    "Letter",
    "V",
    "X",
    "Y",
    "Rising",
    "facts",
    "remedy",
    "place",
}
"""Names of formats, papers and axes, and keys of reports that are no words on the screen."""


def test_every_text_of_the_add_on_has_a_german_one(addon):
    missing = [text for text in ui_strings.all_texts(addon) if text not in translations.GERMAN | dict.fromkeys(EXEMPT)]
    assert missing == [], "add them to blender_addon/german"


def test_german_texts_leave_the_same_places_open_and_are_german():
    for english, german in translations.GERMAN.items():
        assert german.strip() == german != ""
        places = [
            [name for _, name, _, _ in string.Formatter().parse(text) if name is not None] for text in (english, german)
        ]
        assert places[0] == places[1], english
    same = {english for english, german in translations.GERMAN.items() if english == german}
    assert same <= {"Name", "Format", "Hand", "Bronze", "Oval"}
    text = " ".join(translations.GERMAN.values())
    assert not re.search(r"\b(the|and|strand|break|crossing)\b", text, re.IGNORECASE)


def test_blender_is_given_every_word_for_operators_too():
    words = translations.dictionary()
    assert set(words) == {"de", "de_DE"}
    assert words["de_DE"]["Operator", "Save as Starting Point"] == "Als Vorlage sichern"
    assert len(words["de"]) == len(translations.CONTEXTS) * len(translations.GERMAN)


@pytest.mark.parametrize("topic", helping.TOPICS, ids=lambda topic: topic.key)
def test_help_says_its_page_where_no_window_can_show_it(topic, capfd):
    assert bpy.ops.wm.relief_knot_help("EXEC_DEFAULT", topic=topic.key) == {"FINISHED"}
    assert topic.text[0] in capfd.readouterr().out


def test_help_has_a_page_for_every_section_of_the_work_and_cautions():
    assert [topic.key for topic in helping.TOPICS] == [
        *("START", "LAYOUT", "BREAKS", "DIVIDING", "WEAVE", "STRAND", "CHECKS", "FILES", "CAUTIONS")
    ]


def test_lines_of_help_keep_all_words_and_their_width():
    for topic in helping.TOPICS:
        for paragraph in topic.text:
            lines = ui_parts.wrap(paragraph, helping.CHARACTERS)
            assert " ".join(lines) == paragraph and max(map(len, lines)) <= helping.CHARACTERS


def tables():
    """The script that writes the manual's tables."""
    spec = importlib.util.spec_from_file_location("tables", ROOT / "manual" / "tables.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_manual_lists_the_settings_that_the_add_on_has(addon):
    kept = (ROOT / "manual" / "docs" / "settings.md").read_text(encoding="utf-8")
    assert kept == tables().settings_page(addon, bpy), "run manual/tables.py"


def test_the_manual_lists_the_keys_that_a_design_file_has():
    kept = (ROOT / "manual" / "docs" / "design-file.md").read_text(encoding="utf-8")
    assert kept == tables().design_page(), "run manual/tables.py"
