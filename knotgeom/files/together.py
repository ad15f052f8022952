"""Several files in one folder: all of them, or none and whatever stood there before."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import stat
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from ..errors import DesignError


def refuse_existing(folder: str | os.PathLike[str], names: Iterable[str], *, replace: bool) -> None:
    """Refuse a folder that holds such files already, or that is none, before any long work.

    Raises
    ------
    DesignError
    """
    target = Path(folder)
    if os.path.lexists(target) and not target.is_dir():
        raise DesignError("is no folder", "give the name of a folder", file=os.fspath(folder))
    for name in names:
        if os.path.lexists(target / name):
            if not replace:
                raise DesignError("is there already", "give another folder, or --replace", file=str(target / name))
            if (target / name).is_dir():
                raise DesignError("is a folder", "give another folder", file=str(target / name))


@contextlib.contextmanager
def together(folder: str | os.PathLike[str], names: Sequence[str]) -> Iterator[Path]:
    """Give an empty folder to write files of these names to; they take their places when the block ends well.

    Parameters
    ----------
    folder : path-like
        Made if it is not there; its parent must be.

    Raises
    ------
    OSError
        The files cannot be written; what stood there before is untouched.
    """
    target = Path(folder)
    there = target.is_dir()
    if not there and not target.absolute().parent.is_dir():
        raise FileNotFoundError(2, "No such folder", str(target.parent))
    spare = (target if there else target.parent) / f".part-{secrets.token_hex(8)}"
    os.mkdir(spare)
    try:
        yield spare
        for name in names:
            with open(spare / name, "rb+") as stream:
                os.fsync(stream.fileno())
        if there:
            _move(spare, target, names)
        else:
            mode = stat.S_IMODE(spare.stat().st_mode)
            os.replace(spare, target)
            os.chmod(target, mode)
    finally:
        shutil.rmtree(spare, ignore_errors=True)


def _move(spare: Path, target: Path, names: Sequence[str]) -> None:
    """All files into a folder that is there; those that they replace are kept until all are in place."""
    done: list[str] = []
    kept: list[str] = []
    try:
        for name in names:
            if (target / name).exists():
                os.replace(target / name, spare / f"{name}.before")
                kept.append(name)
            os.replace(spare / name, target / name)
            done.append(name)
    except BaseException:
        for name in done:
            with contextlib.suppress(OSError):
                os.unlink(target / name)
        for name in kept:
            os.replace(spare / f"{name}.before", target / name)
        raise
