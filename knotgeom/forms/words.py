"""Words for what was found and for what would be right."""

from __future__ import annotations

from collections.abc import Sequence

SHOWN = 40
"""Characters of a found value that an error repeats."""


def printable(text: str, most: int = SHOWN) -> str:
    r"""``text`` fit for one line of a terminal: control characters escaped, no longer than ``most``.

    >>> printable("a\nb")
    'a\\nb'
    """
    cut = text if len(text) <= most else text[: most - 3] + "..."
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in cut)


def shown(value: object) -> str:
    """A found value in a few words; what lists and objects hold is not repeated, they may be of any size and depth."""
    match value:
        case None:
            return "null"
        case bool():
            return "true" if value else "false"
        case str():
            return f'the text "{printable(value)}"'
        case int() | float():
            text = repr(value)
            return {"nan": "NaN", "inf": "a number too large to hold", "-inf": "a number too large to hold"}.get(
                text, printable(text)
            )
        case list():
            if len(value) <= 3 and all(type(item) in (int, float, str) for item in value):
                items = (f'"{printable(item)}"' if isinstance(item, str) else printable(repr(item)) for item in value)
                return f"[{', '.join(items)}]"
            return f"a list of {len(value):,}"
        case dict():
            return "an object"
    return f"a {type(value).__name__}"


def number_text(value: float) -> str:
    """A number as a person writes it: thousands marked, no needless zeros.

    >>> number_text(250_000), number_text(0.001), number_text(7.0)
    ('250,000', '0.001', '7')
    """
    return f"{value:,.10g}"


def within(
    what: str, unit: str, above: float | None, least: float | None, most: float | None, below: float | None
) -> str:
    """Words for a number within bounds: "a length from 0.001 to 1,000,000 mm"."""
    unit = f" {unit}" if unit else ""
    low = above if least is None else least
    high = below if most is None else most
    if low is None and high is None:
        return f"{what}{f' of{unit}' if unit else ''}"
    if low is None or high is None:
        words = {True: ("above", "below"), False: ("of at least", "of at most")}[least is None and most is None]
        bound, word = (low, words[0]) if high is None else (high, words[1])
        return f"{what} {word} {number_text(bound or 0.0)}{unit}"
    joined = ("between", "and") if least is None and most is None else ("from", "to")
    return f"{what} {joined[0]} {number_text(low)} {joined[1]} {number_text(high)}{unit}"


def listed(names: Sequence[str]) -> str:
    """Words for a choice: "a, b or c"."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
