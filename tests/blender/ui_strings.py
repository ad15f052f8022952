"""Every text that the add-on shows: from its registered classes and, for what is drawn, from its sources."""

from __future__ import annotations

import ast
import inspect
from pathlib import Path

import bpy

FOLDER = Path(__file__).resolve().parents[2] / "blender_addon"

SHOWN = {
    "words": 2,
    "report": 1,
    "poll_message_set": 0,
    "rpt_": 0,
    "_": 0,
    "pick": 2,
    "status_text_set": 0,
}
"""Functions that show a text, and which argument it is."""

KEYWORDS = {"text", "heading", "title", "message"}


def classes(addon):
    """The add-on's own classes that Blender knows."""
    for module in addon.MODULES:
        for _name, cls in inspect.getmembers(module, inspect.isclass):
            if cls.__module__ == module.__name__ and getattr(cls, "is_registered", False):
                yield cls


def declared(addon):
    """(context, text) of labels, descriptions, properties and their items."""
    for cls in classes(addon):
        rna = cls.bl_rna
        operator = issubclass(cls, bpy.types.Operator)
        if issubclass(cls, (bpy.types.Panel, bpy.types.Menu, bpy.types.Operator, bpy.types.WorkSpaceTool)):
            yield ("Operator" if operator else "*"), cls.bl_label
            if operator and cls.bl_description:
                yield "*", cls.bl_description
        base = {prop.identifier for prop in cls.__mro__[1].bl_rna.properties} if hasattr(cls.__mro__[1], "bl_rna") else set()
        for prop in rna.properties:
            if prop.identifier in base | {"rna_type", "name"} and prop.identifier not in cls.__annotations__:
                continue
            if prop.is_hidden:
                continue
            yield "*", prop.name
            yield "*", prop.description
            if prop.type == "ENUM":
                for item in prop.enum_items_static:
                    yield "*", item.name
                    yield "*", item.description


def drawn():
    """Texts that the sources hand to what shows them."""
    for path in sorted(FOLDER.glob("*.py")):
        if path.name == "build_extension.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
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
                        yield "*", part.value


def all_texts(addon):
    """Every (context, text) that has letters in it."""
    found = {*declared(addon), *drawn()}
    return sorted((where, text) for where, text in found if any(letter.isalpha() for letter in text))
