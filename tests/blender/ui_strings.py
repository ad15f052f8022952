"""Every text that the add-on shows: from its registered classes and, for what is drawn, from its sources."""

from __future__ import annotations

import ast
import inspect
import re
from pathlib import Path

import bpy

FOLDER = Path(__file__).resolve().parents[2] / "blender_addon"

SHOWN = {
    "words": 2,
    "report": 1,
    "poll_message_set": 0,
    "rpt_": 0,
    "_": 0,
    "many": 1,
    "clear": 3,
    "said": 0,
    "work": 3,
    "switched": 4,
    "tip_": 0,
    "status_text_set": 0,
}
"""Functions that show a text, and which argument it is."""

BLENDERS_OWN = {"align", "location", "rotation", "filepath", "check_existing", "directory"}
"""Operator properties that come from Blender, which translates them itself."""

TABLES = {"FACTS", "EXCEPTIONS", "GESTURES"}
"""Lists of which drawing takes its labels: the words in them begin with a capital."""

KEYWORDS = {"text", "heading", "title", "message", "label", "step", "fault"}


def classes(addon):
    """The add-on's own classes that Blender knows."""
    for module in addon.MODULES:
        for _name, cls in inspect.getmembers(module, inspect.isclass):
            if cls.__module__ == module.__name__ and getattr(cls, "is_registered", False):
                yield cls


def declared(addon):
    """Texts of labels, descriptions, properties and their items."""
    for cls in classes(addon):
        if issubclass(cls, (bpy.types.Panel, bpy.types.Menu, bpy.types.Operator)):
            yield cls.bl_label
        if issubclass(cls, bpy.types.Operator):
            yield getattr(cls, "bl_description", "")
            group, _, name = cls.bl_idname.partition(".")
            properties = getattr(getattr(bpy.ops, group), name).get_rna_type().properties
        elif issubclass(cls, bpy.types.PropertyGroup):
            properties = cls.bl_rna.properties
        else:
            continue
        given = {name for each in cls.__mro__ for name in getattr(each, "__annotations__", {})}
        for prop in properties:
            if prop.identifier not in given or prop.is_hidden:
                continue
            if prop.identifier in BLENDERS_OWN and issubclass(cls, bpy.types.Operator):
                continue
            yield prop.name
            yield prop.description
            if prop.type == "ENUM":
                for item in prop.enum_items_static:
                    yield item.name
                    yield item.description


def kept(addon):
    """Texts of the help pages and of the collection, which are data."""
    for topic in addon.help.TOPICS:
        yield from (topic.title, *topic.text)
    for start in addon.starts.shipped():
        yield from (start.name, start.about)


def labels(node):
    """The labels in a table: texts that begin with a capital and have small letters too."""
    for part in ast.walk(node):
        text = getattr(part, "value", None)
        if isinstance(part, ast.Constant) and isinstance(text, str) and re.match(r"[A-Z][a-z]", text):
            yield text


def drawn():
    """Texts that the sources hand to what shows them."""
    for path in sorted(FOLDER.glob("*.py")):
        if path.name == "build_extension.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Yield) and isinstance(node.value, ast.Tuple):
                yield from labels(node.value.elts[0])
            if isinstance(node, ast.Assign) and any(getattr(name, "id", "") in TABLES for name in node.targets):
                yield from labels(node.value)
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "at_cursor":
                yield from labels(node)
            if not isinstance(node, ast.Call):
                continue
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            given = [keyword.value for keyword in node.keywords if keyword.arg in KEYWORDS]
            at = SHOWN.get(name)
            if at is not None and len(node.args) > at:
                given.append(node.args[at])
            for value in given:
                for part in ast.walk(value) if not isinstance(value, (ast.JoinedStr, ast.Call)) else ():
                    if isinstance(part, ast.Constant) and isinstance(part.value, str):
                        yield part.value


def all_texts(addon):
    """Every text that has letters in it."""
    found = {*declared(addon), *drawn(), *kept(addon)}
    return sorted(text for text in found if any(letter.isalpha() for letter in text))
