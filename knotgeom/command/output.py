"""Files that a verb writes: never over the design that it reads, and over another only where that was asked for."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from ..errors import DesignError
from ..files import whole
from ..forms import printable


def refuse_output(path: str, *, source: str | None, replace: bool) -> None:
    """Find out before long work whether a file can be written.

    Parameters
    ----------
    source : str or None
        The design that it comes from.
    replace : bool
        Whether it may take the place of a file that is there.

    Raises
    ------
    DesignError
        It is there already, or is the design itself.
    OSError
        It cannot be written.
    """
    if os.path.lexists(path):
        if source is not None and os.path.exists(path) and os.path.samefile(source, path):
            raise DesignError("is the design itself", "give another name", file=printable(path, 400))
        if not replace and not os.path.isdir(path):
            raise DesignError("is there already", "give another name, or --replace", file=printable(path, 400))
    whole.refuse_unwritable(path)


@contextlib.contextmanager
def written(path: str, *, replace: bool) -> Iterator[Path]:
    """Give a new empty file to write to; it gets its name when the block ends well.

    What has come there meanwhile is not replaced either, unless asked for.

    Raises
    ------
    OSError
    """
    try:
        with whole.replacing(path, new=not replace) as spare:
            yield spare
    except OSError as error:  # told of the file that was asked for, not of the one that was to become it
        raise OSError(error.errno, error.strerror or str(error), path) from None
