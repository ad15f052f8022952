"""Forms of single values: numbers, texts, choices, colours."""

from __future__ import annotations

import enum
import math
import numbers
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from .form import refuse
from .words import listed, number_text, within

_COLOUR = re.compile("#[0-9a-fA-F]{6}")


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
        return within("a number", self.unit, self.above, self.least, self.most, self.below)

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


class _Integral:
    """What whole numbers share: any integral number in memory is written as one."""

    def write(self, value: Any) -> Any:
        return int(value) if isinstance(value, numbers.Integral) and not isinstance(value, bool) else value

    def holds(self, value: object) -> bool:
        return isinstance(value, numbers.Integral)


@dataclass(frozen=True)
class Whole(_Integral):
    """A whole number from ``least`` to ``most``."""

    least: int
    most: int

    @property
    def wanted(self) -> str:
        if self.least == self.most:
            return number_text(self.least)
        return within("a whole number", "", None, self.least, self.most, None)

    def read(self, value: object, place: str) -> int:
        if type(value) is not int or not self.least <= value <= self.most:
            raise refuse(self, value, place)
        return value

    def schema(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.least, "maximum": self.most}

    def read_column(self, values: Sequence[object]) -> Sequence[Any] | None:
        plain = set(map(type, values)) == {int} and self.least <= min(values) and max(values) <= self.most  # type: ignore[type-var, operator]
        return values if plain else None

    def write_column(self, values: Sequence[Any]) -> Sequence[Any]:
        return values if set(map(type, values)) == {int} else [self.write(value) for value in values]


@dataclass(frozen=True)
class OneOf(_Integral):
    """One of a few whole numbers."""

    values: tuple[int, ...]

    @property
    def wanted(self) -> str:
        return listed([str(value) for value in self.values])

    def read(self, value: object, place: str) -> int:
        if type(value) is not int or value not in self.values:
            raise refuse(self, value, place)
        return value

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
        return listed([f'"{name}"' for name in self.names])

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
