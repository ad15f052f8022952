"""How long work tells how far it is, and how it is stopped."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[float, str], None]
"""Called with a share of the work done and the name of the stage that begins; it may raise :class:`Cancelled`."""


class Cancelled(Exception):  # noqa: N818 - it is no error
    """Raised by a progress function to stop the work; nothing has been changed."""


def silent(_share: float, _stage: str) -> None:
    """No progress is shown."""
