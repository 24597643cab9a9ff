"""The section on broken files."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from tests.reliability.fuzz import fuzz
from tests.reliability.fuzz_targets import TARGETS

INTRODUCTION = """## Broken files

Whole files (the seeds) are broken at random: bits turned, pieces lost, doubled or exchanged, awkward numbers and words
put in; `header` writes awkward values into the fields of whole slices instead. Only a result or a refusal may come of
it. This run took {seconds:g} s for each way in, with a seed of its own; the tests do the same for a moment with new
seeds each time, and `python -m tests.reliability.fuzz` for as long as you like, driven by coverage if atheris is
installed. `labels` and `picture` start child processes and are slow for that; `image_header` is the reader of label
maps without its child process.
"""


def fuzz_section(seconds: float) -> tuple[str, bool]:
    """Return the section and whether nothing broke."""
    with _quiet_libraries():
        tallies = [fuzz(target, seconds, seed=20261126) for target in TARGETS.values()]
    rows = [
        "| way in | broken files | crashes | most work, without children | once broke it, kept |",
        "|---|---:|---:|---:|---:|",
    ]
    for tally in tallies:
        kept = len(TARGETS[tally.target].found())
        rows.append(f"| {tally.target} | {tally.runs} | {len(tally.crashes)} | {tally.slowest_s:.1f} s | {kept} |")
    crashes = [f"- {tally.target}: {crash}" for tally in tallies for crash in tally.crashes]
    text = INTRODUCTION.format(seconds=seconds) + "\n" + "\n".join([*rows, "", *crashes]) + "\n"
    return text, not crashes


@contextmanager
def _quiet_libraries() -> Iterator[None]:
    """C libraries complain of each broken file on the standard error."""
    sys.stderr.flush()
    saved = os.dup(2)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    try:
        yield
    finally:
        os.dup2(saved, 2)
