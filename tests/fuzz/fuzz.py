"""Let Atheris grow inputs for a reader: ``python tests/fuzz/fuzz.py TARGET [SECONDS]`` (``make fuzz``).

Coverage of the reader guides what is tried next (libFuzzer under Atheris). An input that raises anything but a refusal,
takes more than 2 s of the processor, or lets the process grow by more than 512 MiB while it is read, ends the run; it
is written to ``out/fuzz/TARGET-...`` and belongs, made small, into ``tests/fuzz/found/TARGET``.
"""

from __future__ import annotations

import inspect
import random
import signal
import sys
from collections.abc import Callable
from pathlib import Path

import atheris

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

with atheris.instrument_imports(include=["knotgeom"]):
    from tests.fuzz import targets
for reader in filter(inspect.isfunction, vars(targets.TEXTS).values()):  # loaded from its path, past the import system
    atheris.instrument_func(reader)

SECONDS_EACH, MOST_MIB, LONGEST = 2, 512, 65_536
WAIT = 60
"""Seconds by the clock, for what waits or hangs without giving Python a turn; the machine may be busy otherwise."""
PROCESS_MIB = 4096
"""Atheris itself grows by about a GiB in half a million runs; so what each input adds is looked at: see `bounded`."""
STATUS, RESET = Path("/proc/self/status"), Path("/proc/self/clear_refs")


def memory() -> tuple[int, int]:
    """What the process holds, and the most that it held since the last reset, KiB (Linux; proc_pid_status(5))."""
    found = dict(line.split(":", 1) for line in STATUS.read_text(encoding="ascii").splitlines())
    return int(found["VmRSS"].split()[0]), int(found["VmHWM"].split()[0])


def bounded(target: Callable[[bytes], None]) -> Callable[[bytes], None]:
    """The same target, failing where an input takes too long or lets the process grow too far, if only for a moment."""

    def stop(_number: int, _frame: object) -> None:
        raise TimeoutError(f"more than {SECONDS_EACH} s of the processor")

    signal.signal(signal.SIGVTALRM, stop)

    def run(data: bytes) -> None:
        RESET.write_text("5", encoding="ascii")  # the peak begins anew: proc_pid_clear_refs(5)
        before, _ = memory()
        signal.setitimer(signal.ITIMER_VIRTUAL, SECONDS_EACH)
        try:
            target(data)
        finally:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0)
            most = memory()[1] - before
            if most > PEAK[0] + 1024:  # libFuzzer ends the process without a last word, so it is told as it grows
                PEAK[0] = most
                print(f"at most {most // 1024} MiB for one input", file=sys.stderr, flush=True)
        assert most < MOST_MIB * 1024, f"{most // 1024} MiB for {len(data)} bytes"

    return run


PEAK = [0]
"""The most that any input of this run took, KiB."""


def mutate(data: bytes, longest: int, seed: int) -> bytes:
    """Half of the time what libFuzzer does to bytes, else what keeps JSON JSON and numbers numbers."""
    rng = random.Random(seed)
    if rng.random() < 0.5 or not data:
        return bytes(atheris.Mutate(data, longest))
    return targets.mutated(rng, [data])[:longest]


def main() -> None:
    """Fuzz one target."""
    name = sys.argv[1]
    seconds = int(sys.argv[2]) if len(sys.argv) > 2 else 60
    place = ROOT / "out" / "fuzz"
    grown = place / f"corpus-{name}"
    grown.mkdir(parents=True, exist_ok=True)
    for number, data in enumerate([*targets.corpus(name), *targets.found(name)]):
        (grown / f"seed-{number}").write_bytes(data)
    options = [
        f"-max_total_time={seconds}",
        f"-timeout={WAIT}",
        f"-malloc_limit_mb={MOST_MIB}",
        f"-rss_limit_mb={PROCESS_MIB}",
        f"-max_len={LONGEST}",
        f"-artifact_prefix={place}/{name}-",
        "-print_final_stats=1",
        "-close_fd_mask=0",
    ]
    atheris.Setup([sys.argv[0], *options, str(grown)], bounded(targets.TARGETS[name]), custom_mutator=mutate)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
