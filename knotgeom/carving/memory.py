"""How much memory the machine can still give, asked before long work and not found out in the middle of it."""

from __future__ import annotations

import contextlib
import os
import sys


def free_memory() -> float | None:
    """Bytes that can be had without paging, None where the system does not tell."""
    if sys.platform == "win32":
        return _windows()
    with contextlib.suppress(OSError, ValueError, IndexError), open("/proc/meminfo", encoding="ascii") as stream:
        for line in stream:
            if line.startswith("MemAvailable:"):
                return float(line.split()[1]) * 1024
    with contextlib.suppress(OSError, ValueError, AttributeError):
        # what the machine has, where what is free is not told; other programs take about half
        return float(os.sysconf("SC_PAGE_SIZE")) * float(os.sysconf("SC_PHYS_PAGES")) / 2
    return None


def _windows() -> float | None:
    import ctypes

    class Status(ctypes.Structure):
        """MEMORYSTATUSEX of the Windows interface."""

        _fields_ = [
            ("length", ctypes.c_uint32),
            ("load", ctypes.c_uint32),
            *((name, ctypes.c_uint64) for name in ("total", "free", "page", "page_free", "own", "own_free", "more")),
        ]

    status = Status()
    status.length = ctypes.sizeof(Status)
    library = getattr(ctypes, "windll", None)
    if library is None or not library.kernel32.GlobalMemoryStatusEx(ctypes.byref(status)):
        return None
    return float(status.free)
