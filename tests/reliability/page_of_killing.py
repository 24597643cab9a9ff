"""The section on writers that are killed."""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.reliability.killing import Tally, kill_at_each_step, kill_at_random, nursery
from tests.reliability.writers import MODES

INTRODUCTION = """## Killed writers

A process that writes is ended by SIGKILL, which it cannot notice, and what stands at its target is read through the
readers that commands use. All that it writes carries a number that grows with each turn; in all that is read there must
be one number, that of the last turn that was told as done or the one after it. *At random*: {kills} times for each kind
of writing, at moments spread over two turns. *At each step*: right before every step on the disk that Python knows of
(open, make, rename, link, flush, exchange, remove), one after another. Last, one turn is done whole, and nothing that
the killed ones left may be in its way, or stay beside a case. *Amid*: a half-written or an old folder was left beside
the case. *No exchange* stands for disks and systems that can't exchange two folders in one step. A kill shows what the
system holds; that it is on the disk, too, before it is named, is what flushing is for, and no test here cuts the power.
"""

WORDS = {
    "case": "whole case (plan, bones, scan, anatomy, landmarks, report, figure)",
    "case, no exchange": "whole case, no exchange",
    "added to a case": "files added to a case (comparison, report, figure)",
    "draft in a case": "draft in a case",
    "file": "file of its own",
}


def kill_section(kills: int, seed: int = 20261126) -> tuple[str, bool]:
    """Return the section and whether nothing was ever lost."""
    rows = [
        "| what is written | killed at random | amid | at each step | amid | old or new | faults |",
        "|---|---:|---:|---:|---:|---:|---:|",
    ]
    faults: list[str] = []
    with tempfile.TemporaryDirectory(prefix="cotyle-kill-") as folder, nursery() as writers:
        for at, mode in enumerate(MODES):
            name = "file.json" if mode == "file" else "case"
            random = kill_at_random(writers, mode, Path(folder, f"{at}-random", name), kills, seed + at)
            steps = kill_at_each_step(writers, mode, Path(folder, f"{at}-steps", name))
            found = [*random.faults, *steps.faults]
            whole = random.kills + steps.kills - len(found)
            counts = f"{random.kills} | {_amid(random)} | {steps.kills} | {_amid(steps)} | {whole} | {len(found)}"
            rows.append(f"| {WORDS[mode]} | {counts} |")
            faults += [f"- {WORDS[mode]}: {fault}" for fault in found]
    return "\n".join([INTRODUCTION.format(kills=kills), *rows, "", *faults]) + "\n", not faults


def _amid(tally: Tally) -> str:
    return "" if tally.mode in ("draft in a case", "file") else str(tally.amid)
