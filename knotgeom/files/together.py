"""Several files in one folder: all of them, or none and whatever stood there before."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import shutil
import stat
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from ..errors import DesignError
from . import whole


def refuse_existing(folder: str | os.PathLike[str], names: Iterable[str], *, replace: bool) -> None:
    """Refuse a folder that holds such files already, that is none, or that cannot be written to, before any long work.

    Raises
    ------
    DesignError
        It is no folder, or has files of these names that may not be replaced.
    OSError
        It, or one of those files, cannot be written.
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
            if (target / name).exists() and not os.access(target / name, os.W_OK):
                raise PermissionError(errno.EACCES, "Permission denied", str(target / name))
    os.rmdir(_spare(target))


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
    spare = _spare(target)
    keep = _Keep()
    try:
        yield spare
        for name in names:
            with open(spare / name, "rb+") as stream:
                os.fsync(stream.fileno())
        if there:
            _move(spare, target, names, keep)
        else:
            mode = stat.S_IMODE(spare.stat().st_mode)
            os.replace(spare, target)
            os.chmod(target, mode)
        whole.settle(target if there else target.absolute().parent)
    except OSError as error:  # told of the folder that was asked for, not of files that nobody knows of
        if error.errno is None or (error.filename is not None and ".part-" not in os.fsdecode(error.filename)):
            raise
        raise OSError(error.errno, error.strerror, os.fspath(folder)) from None
    finally:
        if not keep.alone:
            shutil.rmtree(spare, ignore_errors=True)


def _spare(target: Path) -> Path:
    """A new folder in the folder, or beside it where it is not there yet."""
    there = target.is_dir()
    if not there and not target.absolute().parent.is_dir():
        raise FileNotFoundError(errno.ENOENT, "No such folder", str(target.parent))
    spare = (target if there else target.parent) / f".part-{secrets.token_hex(8)}"
    os.mkdir(spare)
    return spare


class _Keep:
    """Whether the spare folder may have the only copy of a file that was there before."""

    alone = False


def _move(spare: Path, target: Path, names: Sequence[str], keep: _Keep) -> None:
    """All files into a folder that is there; those that they replace are kept until all are in place.

    Where the disk fails in putting them back too, the spare folder stays, with the old files in it.
    """
    kept: list[str] = []
    try:
        for name in names:
            if (target / name).exists():
                os.chmod(spare / name, stat.S_IMODE((target / name).stat().st_mode))
                keep.alone = True
                kept.append(name)  # before it is: whoever stops the program may do so between the two
                _keep_before(target / name, spare / f"{name}.before")
            os.replace(spare / name, target / name)
        keep.alone = False
    except BaseException:
        for name in kept:
            if os.path.lexists(spare / f"{name}.before"):
                os.replace(spare / f"{name}.before", target / name)
        keep.alone = False
        for name in set(names).difference(kept):
            if not os.path.lexists(spare / name):  # it has taken its place
                with contextlib.suppress(OSError):
                    os.unlink(target / name)
        raise


def _keep_before(old: Path, kept: Path) -> None:
    """Give a file a second name, so that its first stands for the old or the new file at every moment.

    A file system without such links has it renamed.
    """
    try:
        os.link(old, kept, follow_symlinks=False)
    except (OSError, NotImplementedError):
        os.replace(old, kept)
