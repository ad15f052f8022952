"""Forms of lists, and of values that may be of one form or another.

Lists of sites run to hundreds of thousands of entries, so rows are read and written by columns wherever every entry is
as expected, and one by one only to find the entry to name.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ..errors import DesignError
from .form import Form, refuse
from .words import number_text, shown

_CHUNK = 1024  # entries read together; within a chunk with a wrong one they are read singly


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
            again = next(i for i, entry in enumerate(entries) if first.setdefault(entry, i) != i)
            raise DesignError(
                f"{shown(value[again])} again, as at {place}[{first[entries[again]]}]",
                "name it once",
                f"{place}[{again}]",
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


def _real(value: object) -> bool:
    return type(value) in (int, float)
