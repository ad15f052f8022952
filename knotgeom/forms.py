"""Small forms that say what a JSON value may be: each reads it, writes it back, and describes it as JSON Schema.

A design file is described once, as a table of these forms (in :mod:`.reading`); its reader, its writer and its schema
all follow from that one table and so cannot drift apart. A form refuses a value with a :class:`.DesignError` that
names the place as a path of keys.

Lists of sites run to hundreds of thousands of entries, so rows are read and written by columns wherever every entry is
as expected, and one by one only to find the entry to name.
"""

from __future__ import annotations

import dataclasses
import difflib
import enum
import functools
import math
import numbers
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from .errors import DesignError

_CHUNK = 1024  # entries read together; within a chunk with a wrong one they are read singly
_COLOUR = re.compile("#[0-9a-fA-F]{6}")
_SHOWN = 40  # characters of a found value that an error repeats


class Object(dict[str, Any]):
    """A JSON object that remembers which of its keys came more than once."""

    def __init__(self, pairs: list[tuple[str, Any]]) -> None:
        super().__init__(pairs)
        self.repeated: tuple[str, ...] = ()
        if len(self) < len(pairs):
            seen: set[str] = set()
            self.repeated = tuple(key for key, _ in pairs if key in seen or seen.add(key))  # type: ignore[func-returns-value]


def printable(text: str, most: int = _SHOWN) -> str:
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


class Form(Protocol):
    """What a value may be."""

    @property
    def wanted(self) -> str:
        """What is wanted, to follow the word "give"."""

    def read(self, value: object, place: str) -> Any:
        """The value in memory for a JSON value; raises `DesignError`."""

    def write(self, value: Any) -> Any:
        """The JSON value for a value in memory. What is of no fitting type is passed on for `read` to refuse."""

    def holds(self, value: object) -> bool:
        """Whether a value in memory is of this form's type; only asked where a form is one of several."""

    def schema(self) -> dict[str, Any]:
        """The form as JSON Schema."""


class Column(Form, Protocol):
    """A form that can be read many at a time, as one place of a row."""

    def read_column(self, values: Sequence[object]) -> Sequence[Any] | None:
        """All values at once, or None where one of them has to be looked at singly."""

    def write_column(self, values: Sequence[Any]) -> Sequence[Any]:
        """All values at once."""


def refuse(form: Form, value: object, place: str) -> DesignError:
    """The error for a value that is not what the form wants."""
    return DesignError(f"found {shown(value)}", f"give {form.wanted}", place)


@dataclass(frozen=True)
class Number:
    """A finite number within bounds; ``above`` and ``below`` are themselves outside. True and false are no numbers."""

    unit: str = ""
    above: float | None = None
    least: float | None = None
    most: float | None = None
    below: float | None = None

    @property
    def wanted(self) -> str:
        return _within("a number", self.unit, self.above, self.least, self.most, self.below)

    def read(self, value: object, place: str) -> float:
        if type(value) not in (int, float) or not self._allows(value):  # type: ignore[arg-type]
            raise refuse(self, value, place)
        return float(value)  # type: ignore[arg-type]

    def _allows(self, value: float) -> bool:
        return (
            abs(value) < math.inf  # false for NaN too
            and (self.above is None or value > self.above)
            and (self.least is None or value >= self.least)
            and (self.most is None or value <= self.most)
            and (self.below is None or value < self.below)
        )

    def write(self, value: Any) -> Any:
        return float(value) if isinstance(value, numbers.Real) and not isinstance(value, bool) else value

    def holds(self, value: object) -> bool:
        return isinstance(value, numbers.Real)

    def schema(self) -> dict[str, Any]:
        bounds = {
            "exclusiveMinimum": self.above,
            "minimum": self.least,
            "maximum": self.most,
            "exclusiveMaximum": self.below,
        }
        return {"type": "number"} | {key: bound for key, bound in bounds.items() if bound is not None}


@dataclass(frozen=True)
class Whole:
    """A whole number from ``least`` to ``most``."""

    least: int
    most: int

    @property
    def wanted(self) -> str:
        if self.least == self.most:
            return number_text(self.least)
        return _within("a whole number", "", None, self.least, self.most, None)

    def read(self, value: object, place: str) -> int:
        if type(value) is not int or not self.least <= value <= self.most:
            raise refuse(self, value, place)
        return value

    def write(self, value: Any) -> Any:
        return int(value) if isinstance(value, numbers.Integral) and not isinstance(value, bool) else value

    def holds(self, value: object) -> bool:
        return isinstance(value, numbers.Integral)

    def schema(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.least, "maximum": self.most}

    def read_column(self, values: Sequence[object]) -> Sequence[Any] | None:
        plain = set(map(type, values)) == {int} and self.least <= min(values) and max(values) <= self.most  # type: ignore[type-var, operator]
        return values if plain else None

    def write_column(self, values: Sequence[Any]) -> Sequence[Any]:
        return values if set(map(type, values)) == {int} else [self.write(value) for value in values]


@dataclass(frozen=True)
class OneOf:
    """One of a few whole numbers."""

    values: tuple[int, ...]

    @property
    def wanted(self) -> str:
        return _listed([str(value) for value in self.values])

    def read(self, value: object, place: str) -> int:
        if type(value) is not int or value not in self.values:
            raise refuse(self, value, place)
        return value

    def write(self, value: Any) -> Any:
        return int(value) if isinstance(value, numbers.Integral) and not isinstance(value, bool) else value

    def holds(self, value: object) -> bool:
        return isinstance(value, numbers.Integral)

    def schema(self) -> dict[str, Any]:
        return {"enum": list(self.values)}


@dataclass(frozen=True)
class Text:
    """A text of a few words, such as the name of a file."""

    about: str
    most: int = 1000

    @property
    def wanted(self) -> str:
        return self.about

    def read(self, value: object, place: str) -> str:
        if not isinstance(value, str) or not 0 < len(value) <= self.most or "\0" in value:
            raise refuse(self, value, place)
        return value

    def write(self, value: Any) -> Any:
        return value

    def holds(self, value: object) -> bool:
        return isinstance(value, str)

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "minLength": 1, "maxLength": self.most}


@dataclass(frozen=True)
class Flag:
    """True or false."""

    wanted: str = "true or false"

    def read(self, value: object, place: str) -> bool:
        if type(value) is not bool:
            raise refuse(self, value, place)
        return value

    def write(self, value: Any) -> Any:
        return value

    def holds(self, value: object) -> bool:
        return isinstance(value, bool)

    def schema(self) -> dict[str, Any]:
        return {"type": "boolean"}


@dataclass(frozen=True)
class Choice:
    """One of the values of an enumeration, by its name."""

    kind: type[enum.Enum]

    @property
    def names(self) -> list[str]:
        """The names to choose from."""
        return [str(member.value) for member in self.kind]

    @property
    def wanted(self) -> str:
        return _listed([f'"{name}"' for name in self.names])

    def read(self, value: object, place: str) -> enum.Enum:
        if not isinstance(value, str) or value not in self.names:
            raise refuse(self, value, place)
        return self.kind(value)

    def write(self, value: Any) -> Any:
        return str(value.value) if isinstance(value, self.kind) else value

    def holds(self, value: object) -> bool:
        return isinstance(value, self.kind)

    def schema(self) -> dict[str, Any]:
        return {"enum": self.names}

    def read_column(self, values: Sequence[object]) -> Sequence[Any] | None:
        if set(map(type, values)) != {str}:
            return None
        members = {name: self.kind(name) for name in self.names}
        return [members[value] for value in values] if members.keys() >= set(values) else None  # type: ignore[index]

    def write_column(self, values: Sequence[Any]) -> Sequence[Any]:
        return [self.write(value) for value in values]


@dataclass(frozen=True)
class Colour:
    """A colour as standards write it: ``#rrggbb`` in sRGB (CSS Color 4)."""

    wanted: str = 'a colour "#rrggbb"'

    def read(self, value: object, place: str) -> str:
        if not isinstance(value, str) or not _COLOUR.fullmatch(value):
            raise refuse(self, value, place)
        return value.lower()

    def write(self, value: Any) -> Any:
        return value

    def holds(self, value: object) -> bool:
        return isinstance(value, str)

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": _COLOUR.pattern}


@dataclass(frozen=True)
class Row:
    """A list of fixed length, one form for each place; in memory a tuple of the given kind."""

    places: tuple[Form, ...]
    words: str
    kind: type[tuple[Any, ...]] = tuple

    @property
    def wanted(self) -> str:
        return self.words

    def read(self, value: object, place: str) -> Any:
        if not isinstance(value, list) or len(value) != len(self.places):
            raise refuse(self, value, place)
        read = (form.read(item, f"{place}[{i}]") for i, (form, item) in enumerate(zip(self.places, value)))
        return tuple.__new__(self.kind, read)

    def write(self, value: Any) -> Any:
        if not isinstance(value, tuple) or len(value) != len(self.places):
            return value
        return [form.write(item) for form, item in zip(self.places, value)]

    def holds(self, value: object) -> bool:
        return isinstance(value, tuple)

    def schema(self) -> dict[str, Any]:
        count = len(self.places)
        first = self.places[0].schema()
        if all(form.schema() == first for form in self.places):
            return {"type": "array", "items": first, "minItems": count, "maxItems": count}
        return {
            "type": "array",
            "prefixItems": [form.schema() for form in self.places],
            "items": False,
            "minItems": count,
        }

    def read_rows(self, rows: Sequence[object]) -> list[Any] | None:
        """All rows by columns, or None where one of them has to be looked at singly."""
        columns = self._columns(rows, list)
        if columns is None:
            return None
        read = [form.read_column(column) for form, column in zip(self.places, columns)]  # type: ignore[attr-defined]
        if any(column is None for column in read):
            return None
        return list(map(functools.partial(tuple.__new__, self.kind), zip(*read)))

    def write_rows(self, rows: Sequence[Any]) -> list[Any]:
        """All rows at once."""
        columns = self._columns(rows, tuple)
        if columns is None:
            return [self.write(row) for row in rows]
        return list(map(list, zip(*(f.write_column(c) for f, c in zip(self.places, columns)))))  # type: ignore[attr-defined]

    def _columns(self, rows: Sequence[Any], kind: type) -> list[tuple[Any, ...]] | None:
        alike = (
            bool(rows)
            and all(hasattr(form, "read_column") for form in self.places)
            and all(issubclass(found, kind) for found in set(map(type, rows)))
            and set(map(len, rows)) == {len(self.places)}
        )
        return list(zip(*rows)) if alike else None


@dataclass(frozen=True)
class Many:
    """A list of any number of entries of one form, none of them twice unless told so; a tuple in memory."""

    item: Form
    fewest: int = 0
    most: int | None = None
    repeats: bool = False  # whether an entry may come again

    @property
    def wanted(self) -> str:
        if self.fewest:
            return f"a list of {self.fewest} to {number_text(self.most or 0)} entries, each {self.item.wanted}"
        if self.most:
            return f"a list of at most {number_text(self.most)} entries, each {self.item.wanted}"
        return f"a list of entries, each {self.item.wanted}"

    def read(self, value: object, place: str) -> tuple[Any, ...]:
        if not isinstance(value, list) or len(value) < self.fewest or (self.most and len(value) > self.most):
            raise refuse(self, value, place)
        entries: list[Any] = []
        for start in range(0, len(value), _CHUNK):
            chunk = value[start : start + _CHUNK]
            read = self.item.read_rows(chunk) if isinstance(self.item, Row) else None
            if read is None:
                read = [self.item.read(item, f"{place}[{start + i}]") for i, item in enumerate(chunk)]
            entries += read
        if not self.repeats and len(set(entries)) < len(entries):
            first: dict[Any, int] = {}
            for i, entry in enumerate(entries):
                if first.setdefault(entry, i) != i:
                    raise DesignError(
                        f"{shown(value[i])} again, as at {place}[{first[entry]}]", "name it once", f"{place}[{i}]"
                    )
        return tuple(entries)

    def write(self, value: Any) -> Any:
        if not isinstance(value, tuple | list):
            return value
        if not isinstance(self.item, Row):
            return [self.item.write(item) for item in value]
        starts = range(0, len(value), _CHUNK)
        return [row for start in starts for row in self.item.write_rows(value[start : start + _CHUNK])]

    def holds(self, value: object) -> bool:
        return isinstance(value, tuple | list)

    def schema(self) -> dict[str, Any]:
        bounds = {"minItems": self.fewest or None, "maxItems": self.most}
        kept = {key: bound for key, bound in bounds.items() if bound is not None}
        return {"type": "array", "items": self.item.schema(), "uniqueItems": not self.repeats} | kept


@dataclass(frozen=True)
class Either:
    """One of several forms, told apart by the JSON type of the value."""

    forms: Mapping[type, Form]  # by the type that JSON gives

    @property
    def wanted(self) -> str:
        return " or ".join(form.wanted for form in self.forms.values())

    def read(self, value: object, place: str) -> Any:
        for kind, form in self.forms.items():
            if type(value) is kind or (kind is dict and isinstance(value, dict)) or (kind is float and _real(value)):
                return form.read(value, place)
        raise refuse(self, value, place)

    def write(self, value: Any) -> Any:
        for form in self.forms.values():
            if form.holds(value):
                return form.write(value)
        return value

    def holds(self, value: object) -> bool:
        return any(form.holds(value) for form in self.forms.values())

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [form.schema() for form in self.forms.values()]}


@dataclass(frozen=True)
class ByKey:
    """An object of one of several kinds, told by a key that only that kind has."""

    kinds: Mapping[str, Form]
    kind_of: Callable[[Any], str]

    @property
    def wanted(self) -> str:
        return f"an object with one of the keys {', '.join(self.kinds)}"

    def read(self, value: object, place: str) -> Any:
        if not isinstance(value, dict):
            raise refuse(self, value, place)
        there = [key for key in self.kinds if key in value]
        if len(there) == 1:
            return self.kinds[there[0]].read(value, place)
        if there:
            raise DesignError(f"both {there[0]} and {there[1]} stand here", "keep one of them", place)
        for key in value:
            near = difflib.get_close_matches(key[:_SHOWN].lower(), list(self.kinds), n=1, cutoff=0.6)
            if near:
                raise DesignError(
                    f'unknown key "{printable(key)}"', f'the nearest key known here is "{near[0]}"', place
                )
        first = next(iter(self.kinds))
        kind = self.kinds[first]
        known = kind.keys if isinstance(kind, Keys) else {}
        for key in value:
            if key not in known:
                raise DesignError(
                    f'unknown key "{printable(key)}"', f"give one of the keys {', '.join(self.kinds)}", place
                )
        wanted = known[first].form.wanted if first in known else "..."
        others = ", ".join(list(self.kinds)[1:])
        raise DesignError(f'the key "{first}" is missing', f'add "{first}": {wanted}, or one of {others}', place)

    def write(self, value: Any) -> Any:
        kind = self.kind_of(value)
        return self.kinds[kind].write(value) if kind in self.kinds else value

    def holds(self, value: object) -> bool:
        return self.kind_of(value) in self.kinds

    def schema(self) -> dict[str, Any]:
        return {"oneOf": [form.schema() for form in self.kinds.values()]}


NEEDED: Any = enum.Enum("Needed", "NEEDED").NEEDED  # type: ignore[attr-defined]
"""Stands for the default of a key that must be there."""


@dataclass(frozen=True)
class Key:
    """One key of an object: its form, what it means, and its default in memory.

    ``default`` left as None takes the default of the dataclass field of that name.
    """

    form: Form
    about: str
    default: Any = None


@dataclass(frozen=True)
class Keys:
    """An object with known keys; in memory what ``make`` returns for those that are there.

    Parameters
    ----------
    make : callable
        Takes the keys that are there as keyword arguments.
    keys : mapping of str to Key
    take : callable
        The reverse of `make`: every key's value in memory, for writing.
    """

    make: Callable[..., Any]
    keys: Mapping[str, Key]
    take: Callable[[Any], Mapping[str, Any]] | None = None

    @property
    def wanted(self) -> str:
        return f"an object with keys among {', '.join(self.keys)}" if len(self.keys) > 1 else self._only()

    def _only(self) -> str:
        (name,) = self.keys
        return f'an object {{"{name}": ...}}'

    def read(self, value: object, place: str) -> Any:
        if not isinstance(value, dict):
            raise refuse(self, value, place)
        for key in getattr(value, "repeated", ()):
            raise DesignError(f'the key "{printable(key)}" stands here more than once', "keep one of them", place)
        for key in value:
            if key not in self.keys:
                raise DesignError(f'unknown key "{printable(key)}"', self._nearest(key), place)
        for name, key in self.keys.items():
            if name not in value and key.default is NEEDED:
                raise DesignError(f'the key "{name}" is missing', f'add "{name}": {key.form.wanted}', place)
        dot = f"{place}." if place else ""
        return self.make(**{n: key.form.read(value[n], dot + n) for n, key in self.keys.items() if n in value})

    def _nearest(self, key: str) -> str:
        known = list(self.keys)
        near = difflib.get_close_matches(key[:_SHOWN].lower(), known, n=1, cutoff=0.6)
        return f'the nearest key known here is "{near[0]}"' if near else f"keys known here are {', '.join(known)}"

    def write(self, value: Any) -> Any:
        if self.take is not None:
            values = self.take(value)
        elif isinstance(value, self.make):  # type: ignore[arg-type]
            values = {name: getattr(value, name) for name in self.keys}
        else:
            return value
        written = {}
        for name, key in self.keys.items():
            if key.default is NEEDED or values[name] != self._default(name):
                written[name] = key.form.write(values[name])
        return written

    def _default(self, name: str) -> Any:
        if self.keys[name].default is not None or not dataclasses.is_dataclass(self.make):
            return self.keys[name].default
        field = next(field for field in dataclasses.fields(self.make) if field.name == name)
        return field.default if field.default_factory is dataclasses.MISSING else field.default_factory()

    def holds(self, value: object) -> bool:
        return True

    def schema(self) -> dict[str, Any]:
        needed = [name for name, key in self.keys.items() if key.default is NEEDED]
        properties = {name: key.form.schema() | {"description": key.about} for name, key in self.keys.items()}
        described = {"type": "object", "properties": properties, "additionalProperties": False}
        return described | ({"required": needed} if needed else {})


def _real(value: object) -> bool:
    return type(value) in (int, float)


def _within(
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


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
