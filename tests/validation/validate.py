"""Run the whole validation: print the tables, write docs/validation.md, end with 1 if a bar is missed.

python -m tests.validation.validate [--subjects ABC] [--variants "worn joint,osteopenic"] [--jobs 2] [--no-page]

A whole run takes every subject and every ablation and writes the page.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import TypeVar

import numpy as np
from cotyle.files import write_text_atomically

from tests.validation.ablations import ABLATIONS, ablation_table
from tests.validation.bars import BARS, REPORTED
from tests.validation.errors_of import Error, Measured, errors_of_scan
from tests.validation.hard import Judged, hard_trials, judge
from tests.validation.hard_page import broken_bars, hard_section, unwarned
from tests.validation.morphology_check import morphology_of
from tests.validation.orientation_check import orientation_errors
from tests.validation.page import PageParts, error_table, morphology_table, page
from tests.validation.trials import TRIALS, Trial, make_scan

PAGE = Path(__file__).resolve().parents[2] / "docs" / "validation.md"
T, R = TypeVar("T"), TypeVar("R")


def main(arguments: list[str] | None = None) -> int:
    """Return the exit code."""
    options = _options(arguments)
    chosen = [trial for trial in TRIALS if options.whole or trial.name in (options.subjects or "")]
    wanted = [name.strip() for name in (options.variants or "").split(",")]
    hard = [trial for trial in hard_trials() if options.whole or trial.variant in wanted]
    begun = time.monotonic()
    measured = list(_all(_measured, chosen, options.jobs, options.all_errors))
    judged = list(_all(_judged, [trial.name for trial in hard], options.jobs, options.all_errors))
    seconds = time.monotonic() - begun

    missed = []
    section = ""
    if judged:
        clean_seconds = float(np.median([each.seconds for each in measured])) if measured else float("nan")
        section = hard_section(judged, [one for each in measured for one in each.stated], clean_seconds)
        print(section)
        missed += broken_bars(judged) + [f"unwarned: {error.where} {error.quantity}" for error in unwarned(judged)]
        missed += [f"refusal: {each.trial.name}" for each in judged if not each.as_expected]
    ablations = ablation_table(ABLATIONS, options.jobs) if options.whole and not options.no_page else ""
    if measured:
        errors = [
            error
            for trial, each in zip(chosen, measured, strict=True)
            for error in (*each.errors, *orientation_errors(trial.name, each.truth.pelvis))
        ]
        results, reported = ([bar.result(errors) for bar in bars] for bars in (BARS, REPORTED))
        gathered = morphology_of([each.truth for each in measured])
        print(error_table([*results, *reported]), morphology_table(gathered), sep="\n\n")
        missed += [each.bar.title for each in results if not (each.median_kept and each.worst_kept)]
        if options.whole and not options.no_page:
            parts = PageParts(results, reported, gathered, section, ablations, missed, seconds, _machine())
            write_text_atomically(PAGE, page(parts))
    print(f"\nmissed in {seconds:.0f} s: {'; '.join(missed) or 'nothing'}")
    return 1 if missed else 0


def _options(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--subjects", help="letters of the clean subjects to run; all if nothing is chosen")
    parser.add_argument("--variants", help="variants of hard subjects to run, with commas between; all as above")
    parser.add_argument("--jobs", type=int, default=1, help="scans at a time")
    parser.add_argument("--no-page", action="store_true", help="print only")
    parser.add_argument("--all-errors", action="store_true", help="print every single error too")
    options = parser.parse_args(arguments)
    options.whole = options.subjects is None and options.variants is None
    return options


def _all(work: Callable[[T], R], trials: Sequence[T], jobs: int, show_all: bool) -> Iterator[R]:
    """Do the work for each trial, in processes of their own if several at a time, and tell as they end."""
    if jobs == 1:
        for trial in trials:
            yield _told(trial, work(trial), show_all)
        return
    with ProcessPoolExecutor(jobs) as pool:
        for trial, result in zip(trials, pool.map(work, trials), strict=True):
            yield _told(trial, result, show_all)


def _measured(trial: Trial) -> Measured:
    return errors_of_scan(trial.name, *make_scan(trial))


def _judged(name: str) -> Judged:
    """Judge a trial by its name; a name can be sent to another process."""
    return judge(next(trial for trial in hard_trials() if trial.name == name))


def _told(trial: T, result: R, show_all: bool) -> R:
    if isinstance(result, Measured | Judged):
        print(f"{getattr(trial, 'name', trial)}: {result.seconds:.0f} s", file=sys.stderr, flush=True)
        for finding in result.findings:
            print(f"  {finding.code}: {finding.text}", file=sys.stderr, flush=True)
        if isinstance(result, Judged) and result.refused:
            print(f"  refused, {result.refused}: {result.sentence}", file=sys.stderr, flush=True)
        errors: Sequence[Error] = result.errors if show_all else ()
        for error in errors:
            print(f"  {error.quantity:18s} {error.where:45s} {error.value:.3f}", file=sys.stderr, flush=True)
    return result


def _machine() -> str:
    return f"{os.cpu_count()} cores, {platform.system()} {platform.machine()}, Python {platform.python_version()}"


if __name__ == "__main__":
    sys.exit(main())
