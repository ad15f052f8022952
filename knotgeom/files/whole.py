"""Files that appear whole or not at all, and never in halves under their name."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path


def refuse_unwritable(path: str | os.PathLike[str]) -> None:
    """Find out before long work whether ``path`` can be written.

    Raises
    ------
    OSError
        It cannot.
    """
    target = _target(path)
    spare = _spare(target)
    os.close(_create(spare))
    spare.unlink()


@contextlib.contextmanager
def replacing(path: str | os.PathLike[str], *, new: bool = False) -> Iterator[Path]:
    """Give the name of a new empty file to write to; it takes the place of ``path`` when the block ends well.

    The new file stands in the same folder and has the same ending. It is gone again when the block raises.

    Parameters
    ----------
    new : bool
        Whether to refuse where there is a file of that name by then.

    Raises
    ------
    OSError
        The file cannot be made, or cannot take the place of ``path``.
    """
    target = _target(path)
    spare = _spare(target)
    try:
        # Made by exclusive creation with the usual mode, not as a private temporary file, so that the finished file
        # has the permissions that any new file has here.
        os.close(_create(spare))
        yield spare
        with open(spare, "rb+") as stream:
            os.fsync(stream.fileno())
        if target.exists():
            os.chmod(spare, stat.S_IMODE(target.stat().st_mode))
        if new:
            _named(spare, target)
        else:
            os.replace(spare, target)
    except BaseException:
        with contextlib.suppress(OSError):
            spare.unlink()
        raise
    settle(target.parent)


def write(path: str | os.PathLike[str], content: Iterable[bytes], *, new: bool = False) -> None:
    """Write the pieces of ``content`` one after another, whole or not at all; ``new`` as for `replacing`.

    Raises
    ------
    OSError
        The file cannot be written; what stood there before is untouched.
    """
    with replacing(path, new=new) as spare, open(spare, "wb") as stream:
        stream.writelines(content)


def _named(spare: Path, target: Path) -> None:
    """Give a file a name that none has, in one step where the file system knows second names."""
    try:
        os.link(spare, target)
    except FileExistsError:
        raise FileExistsError(errno.EEXIST, "It is there by now", str(target)) from None
    except OSError:
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, "It is there by now", str(target)) from None
        os.replace(spare, target)
    else:
        spare.unlink()


def _create(spare: Path) -> int:
    return os.open(spare, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)


def _target(path: str | os.PathLike[str]) -> Path:
    """The file itself where ``path`` is a link, which is kept. Folders, devices and pipes are refused."""
    target = Path(os.path.realpath(path))
    if not target.parent.is_dir():
        raise FileNotFoundError(errno.ENOENT, "No such folder", str(target.parent))
    if target.is_dir():
        raise IsADirectoryError(errno.EISDIR, "Is a directory", str(path))
    if target.exists():
        if not target.is_file():
            raise OSError(errno.EINVAL, "Not a plain file", str(path))
        if not os.access(target, os.W_OK):
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
    return target


def _spare(target: Path) -> Path:
    return target.with_name(f".part-{secrets.token_hex(8)}{target.suffix}")


def settle(folder: Path) -> None:
    """Make the new name itself survive a power cut, where the system lets a folder be flushed (Windows does not)."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
