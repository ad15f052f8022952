"""The add-on's words in other languages, for Blender's own language switch; German's are in ``german``."""

import re

import bpy
from bpy.app.translations import pgettext_rpt as rpt_

from . import german

GERMAN = german.WORDS
LANGUAGES = {"de_DE": GERMAN, "de": GERMAN}
"""By Blender's names for languages; it has called German both."""

CONTEXTS = ("*", "Operator", "Relief Knots")
"""Blender looks for the texts of operators in a context of their own; ours is for words that it means otherwise."""


NUMBER = re.compile(r"\[-?\d+, -?\d+\]|-?\d+(?:\.\d+)?(?:e[+-]?\d+)?")
"""What stands in a ``{}`` of a text: a site, or a number."""


def said(text, look=rpt_):
    """A text with numbers in the language of the interface, as the core words its findings.

    What is looked up is the text with ``{}`` for each number. Where it is not known as a whole, its parts between
    "; " and " or " are; a part that is not known stays English.
    """
    numbers = NUMBER.findall(text)
    template = NUMBER.sub("{}", text)
    known = look(template)
    if known != template:
        return known.format(*numbers)
    if text.endswith(" would do"):
        return look("{} would do").format(said(text.removesuffix(" would do"), look))
    for mark, joined in (("; ", "{}; {}"), (" or ", look("{} or {}"))):
        before, found, after = text.rpartition(mark)
        if found:
            return joined.format(said(before, look), said(after, look))
    return text


def dictionary():
    """All words in the form that Blender takes."""
    return {
        language: {(context, text): said for text, said in words.items() for context in CONTEXTS}
        for language, words in LANGUAGES.items()
    }


def register():
    """Make this part known to Blender."""
    bpy.app.translations.register(__package__, dictionary())


def unregister():
    """Take back what register did."""
    bpy.app.translations.unregister(__package__)
