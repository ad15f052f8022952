"""Forms of objects: keys, and what each of them may be."""

from __future__ import annotations

import dataclasses
import difflib
import enum
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from ..errors import DesignError
from .form import Form, refuse
from .words import SHOWN, printable


class Object(dict[str, Any]):
    """A JSON object that remembers which of its keys came more than once."""

    def __init__(self, pairs: list[tuple[str, Any]]) -> None:
        super().__init__(pairs)
        self.repeated: tuple[str, ...] = ()
        if len(self) < len(pairs):
            seen: set[str] = set()
            self.repeated = tuple(key for key, _ in pairs if key in seen or seen.add(key))  # type: ignore[func-returns-value]


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
            near = difflib.get_close_matches(key[:SHOWN].lower(), list(self.kinds), n=1, cutoff=0.6)
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
        near = difflib.get_close_matches(key[:SHOWN].lower(), known, n=1, cutoff=0.6)
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
