"""Run the whole validation: print the table, write docs/validation.md, end with 1 if a bar is missed.

python -m tests.validation.validate [--subjects ABC] [--no-page]
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from pathlib import Path

from cotyle.files import write_text_atomically

from tests.validation.bars import BARS, REPORTED
from tests.validation.errors_of import Error, Measured, errors_of_scan
from tests.validation.morphology_check import morphology_of
from tests.validation.orientation_check import orientation_errors
from tests.validation.page import error_table, morphology_table, page
from tests.validation.trials import TRIALS, Trial, make_scan

PAGE = Path(__file__).resolve().parents[2] / "docs" / "validation.md"


def main(arguments: list[str] | None = None) -> int:
    """Return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--subjects", default="", help="letters of the subjects to run; all by default")
    parser.add_argument("--no-page", action="store_true", help="print only")
    parser.add_argument("--all-errors", action="store_true", help="print every single error too")
    options = parser.parse_args(arguments)
    chosen = [trial for trial in TRIALS if not options.subjects or trial.name in options.subjects]
    begun = time.monotonic()
    errors: list[Error] = []
    surveys = []
    for trial in chosen:
        measured = _measured(trial, options.all_errors)
        errors += [*measured.errors, *orientation_errors(trial.name, measured.truth.pelvis)]
        surveys.append(measured.truth)
    whole = len(chosen) == len(TRIALS)
    seconds = time.monotonic() - begun
    results, reported = ([bar.result(errors) for bar in bars] for bars in (BARS, REPORTED))
    gathered = morphology_of(surveys)
    print(error_table([*results, *reported]), morphology_table(gathered), sep="\n\n")
    if not options.no_page and whole:
        machine = (
            f"{os.cpu_count()} cores, {platform.system()} {platform.machine()}, Python {platform.python_version()}"
        )
        write_text_atomically(PAGE, page(results, reported, gathered, seconds, machine))
    broken = [result for result in results if not (result.median_kept and result.worst_kept)]
    print(f"\n{len(results) - len(broken)} of {len(results)} bars kept in {seconds:.0f} s")
    return 1 if broken else 0


def _measured(trial: Trial, show_all: bool) -> Measured:
    clock = time.monotonic()
    measured = errors_of_scan(trial.name, *make_scan(trial))
    print(f"subject {trial.name}: {time.monotonic() - clock:.0f} s", file=sys.stderr, flush=True)
    for doubt in measured.doubts:
        print(f"  doubt: {doubt}", file=sys.stderr, flush=True)
    if show_all:
        for error in measured.errors:
            print(f"  {error.quantity:18s} {error.where:45s} {error.value:.3f}", file=sys.stderr, flush=True)
    return measured


if __name__ == "__main__":
    sys.exit(main())
