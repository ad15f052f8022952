"""Let Atheris grow inputs for a reader: ``python tests/fuzz/fuzz.py TARGET [SECONDS]`` (``make fuzz``).

Coverage of the reader guides what is tried next (libFuzzer under Atheris). An input that raises anything but a refusal,
takes more than 2 s or 512 MiB in one piece ends the run; it is written to ``out/fuzz/TARGET-...`` and
belongs, made small, into ``tests/fuzz/found/TARGET``.
"""

from __future__ import annotations

import random
import sys
from pathlib import Path

import atheris

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

with atheris.instrument_imports(include=["knotgeom"]):
    from tests.fuzz import targets

SECONDS_EACH, MOST_MIB, LONGEST = 2, 512, 65_536
PROCESS_MIB = 4096
"""Atheris itself grows by about a GiB in half a million runs; the reader does not."""


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
        f"-timeout={SECONDS_EACH}",
        f"-malloc_limit_mb={MOST_MIB}",
        f"-rss_limit_mb={PROCESS_MIB}",
        f"-max_len={LONGEST}",
        f"-artifact_prefix={place}/{name}-",
        "-print_final_stats=1",
        "-close_fd_mask=0",
    ]
    atheris.Setup([sys.argv[0], *options, str(grown)], targets.TARGETS[name], custom_mutator=mutate)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
