"""What a command says: one line for a refusal, what it printed, how far it has got."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import sys
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, NoReturn

from ..errors import DesignError
from ..forms import printable

if TYPE_CHECKING:
    from ..design import Design


def refuse(line: str, status: int) -> int:
    """Say in one line why it was not done; gives the status."""
    with contextlib.suppress(OSError, ValueError, AttributeError):  # nobody may be listening there either
        print(f"knotgeom: {printable(' '.join(line.split()), 2000)}", file=sys.stderr, flush=True)
    return status


def os_words(error: OSError) -> str:
    """A line for what the operating system refused."""
    what = (error.strerror or str(error) or type(error).__name__).strip()
    remedies = {
        errno.ENOENT: "give the name of a folder that exists",
        errno.EISDIR: "give the name of a file",
        errno.ENOTDIR: "give the name of a folder that exists",
        errno.EACCES: "give a place that you may write to",
        errno.EPERM: "give a place that you may write to",
        errno.EROFS: "give a place that can be written to",
        errno.ENOSPC: "make room there, or give another place",
        errno.ENAMETOOLONG: "give a shorter name",
    }
    remedy = remedies.get(error.errno or 0, "give another place to write to")
    place = os.fsdecode(error.filename) if isinstance(error.filename, str | bytes) else "standard output"
    return str(DesignError(f"cannot be written ({what[:1].lower()}{what[1:]})", remedy, file=printable(place, 400)))


def say(text: str) -> None:
    """Print a result."""
    if sys.stdout is None:
        raise OSError(errno.EBADF, "Closed")
    print(text)


def flush() -> None:
    """Let what was printed be on its way, or fail."""
    if sys.stdout is not None:
        sys.stdout.flush()


def forget_output() -> None:
    """Keep Python from trying once more, at its end, to write what could not be written."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@contextlib.contextmanager
def shown_progress() -> Iterator[Callable[[float, str], None] | None]:
    """How far long work has got, in one line that is wiped out at its end; none unless a person watches."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield None
        return

    def show(fraction: float, stage: str) -> None:
        print(f"\r\x1b[K{fraction:4.0%} {stage}", end="", file=sys.stderr, flush=True)

    try:
        yield show
    finally:
        print("\r\x1b[K", end="", file=sys.stderr, flush=True)


@contextlib.contextmanager
def ended_by_signals() -> Iterator[None]:
    """Let a polite request to end run its course through the code, so that half-written files are cleared away."""

    def end(number: int, _: object) -> NoReturn:
        raise SystemExit(128 + number)

    try:
        before = signal.signal(signal.SIGTERM, end)
    except ValueError:  # not the main thread, where no signal arrives
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextlib.contextmanager
def within(path: str) -> Iterator[None]:
    """Tell which file a refusal is about."""
    try:
        yield
    except DesignError as error:
        raise error if error.file else error.within(printable(path, 400)) from None


def read(path: str) -> Design:
    """The design of a file."""
    from ..reading import read_file

    return read_file(path)


def title(path: str) -> str:
    """A design's name: that of its file."""
    return os.path.basename(path).removesuffix(".json").removesuffix(".interlace")
