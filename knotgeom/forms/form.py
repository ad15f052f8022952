"""What a form is: it reads a JSON value, writes it back, and describes it as JSON Schema."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

from ..errors import DesignError
from .words import shown


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
