"""Files that come from elsewhere: read whole, up to a size, without ever waiting for one that never ends."""

from __future__ import annotations

import errno
import os
import stat

from ..errors import DesignError


def read_bytes(path: str | os.PathLike[str], most: int, *, follow: bool = True) -> bytes:
    """The content of a plain file, and one byte more than ``most`` of what is larger.

    Parameters
    ----------
    follow : bool
        Whether ``path`` may be a link. A path that was found out beforehand may have become one meanwhile.

    Raises
    ------
    OSError
        There is no such file, it is no plain file (a folder, a device, a pipe), or it may not be read.
    ValueError
        The name holds a null character.
    """
    # Opened without waiting, so that a pipe with nobody at its other end is refused and not waited for.
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    handle = os.open(path, flags if follow else flags | getattr(os, "O_NOFOLLOW", 0))
    try:  # looked at before Python's own stream is opened on it, which refuses a folder and leaves the handle open
        kind = os.fstat(handle).st_mode
        if stat.S_ISDIR(kind):
            raise IsADirectoryError(errno.EISDIR, "Is a directory")
        if not stat.S_ISREG(kind):
            raise OSError(errno.EINVAL, "Not a plain file")
        with os.fdopen(handle, "rb", closefd=False) as stream:
            return stream.read(most + 1)
    finally:
        os.close(handle)


def unreadable(error: OSError | ValueError, name: str, what: str = "a design file") -> DesignError:
    """The refusal of a file that could not be read, ``name`` as a person may see it."""
    reason = getattr(error, "strerror", None) or str(error)
    remedies = {
        errno.ENOENT: f"give the name of {what} that exists",
        errno.EISDIR: f"give the name of {what} in it",
        errno.EACCES: "give a file that you may read",
    }
    remedy = remedies.get(getattr(error, "errno", None) or 0, f"give the name of {what}")
    return DesignError(f"cannot be read ({reason[:1].lower()}{reason[1:]})", remedy, file=name)
