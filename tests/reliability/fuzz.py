"""Feed the ways in with broken files for a while: ``python -m tests.reliability.fuzz --seconds 60 [target ...]``.

Each crash, meaning anything but an InputError, and each input that takes too long is kept under ``found`` beside this
file. With ``--atheris`` one target is driven by coverage instead, if atheris is installed.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import sys
import tempfile
import time
import traceback
from dataclasses import dataclass
from pathlib import Path

from tests.reliability.breaking import broken

if "--atheris" in sys.argv:  # what is to drive the search must be instrumented as it is imported
    import atheris  # type: ignore[import-not-found,unused-ignore]

    with atheris.instrument_imports(include=["cotyle", "pydicom"]):
        from tests.reliability.fuzz_targets import FOUND, TARGETS, Target, random_edits
else:
    from tests.reliability.fuzz_targets import FOUND, TARGETS, Target, random_edits

TOO_LONG_S = 10.0


@dataclass(frozen=True)
class Tally:
    """What came of fuzzing one target; times in s."""

    target: str
    runs: int
    crashes: tuple[str, ...]
    slowest_s: float


def fuzz(target: Target, seconds: float, seed: int, keep: bool = True) -> Tally:
    """Run broken copies of the seeds for a while; the same seed gives the same inputs in the same order."""
    rng, seeds = random.Random(seed), target.seeds()
    crashes: dict[str, bytes] = {}
    runs, slowest, end = 0, 0.0, time.monotonic() + seconds
    while time.monotonic() < end:
        data = random_edits(rng) if target.name == "header" else broken(rng.choice(seeds), rng, seeds)
        start = time.process_time()
        try:
            target.run(data)
        except Exception as error:
            frames = [f for f in traceback.extract_tb(error.__traceback__) if "cotyle" in f.filename]
            place = f"{frames[-1].name}:{frames[-1].lineno}" if frames else "?"
            crashes.setdefault(f"{type(error).__name__} in {place}: {error}"[:200], data)
        taken = time.process_time() - start
        slowest, runs = max(slowest, taken), runs + 1
        if taken > TOO_LONG_S:
            crashes.setdefault(f"took {taken:.0f} s", data)
    if keep:
        for data in crashes.values():
            _keep(target, data)
    return Tally(target.name, runs, tuple(crashes), slowest)


def _keep(target: Target, data: bytes) -> None:
    folder = FOUND / target.name
    folder.mkdir(parents=True, exist_ok=True)
    (folder / hashlib.sha256(data).hexdigest()[:12]).write_bytes(data)


def _with_atheris(target: Target, seconds: float) -> None:
    corpus = Path(tempfile.mkdtemp(prefix="seeds-"))
    for n, seed in enumerate(target.seeds()):
        (corpus / str(n)).write_bytes(seed)
    limits = [f"-max_total_time={int(seconds)}", "-rss_limit_mb=4096", "-max_len=20000"]
    atheris.Setup([sys.argv[0], *limits, str(corpus)], target.run)
    atheris.Fuzz()


def main() -> int:
    """Do what the command line asks for; 1 if anything broke."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("targets", nargs="*", choices=[*TARGETS, []], default=[])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--atheris", action="store_true")
    options = parser.parse_args()
    names = options.targets or list(TARGETS)
    if options.atheris:
        _with_atheris(TARGETS[names[0]], options.seconds)
        return 0
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # C libraries complain there of each broken file
    tallies = [fuzz(TARGETS[name], options.seconds, options.seed) for name in names]
    for tally in tallies:
        print(f"{tally.target}: {tally.runs} runs, {len(tally.crashes)} crashes, slowest {tally.slowest_s:.1f} s")
        for crash in tally.crashes:
            print(f"    {crash}")
    return int(any(tally.crashes for tally in tallies))


if __name__ == "__main__":
    sys.exit(main())
