"""The add-on's words in German, by what they are about; see ``translations``.

Keys are the English texts as the sources have them. Where a word can be read in more than one way, German takes the
carver's: a *break* is an Unterbrechung, the background Grund, a circuit Umlauf.
"""

from . import carving, design, files, findings, helping, layouts, printing, trims, working

WORDS = {}
for _part in (design, layouts, working, findings, files, helping, carving, printing, trims):
    WORDS |= _part.WORDS
