"""Judge registration on the theatre's pictures: the table, docs/validation-carm.md; ends with 1 if missed.

python -m tests.validation.theatre.validate --pictures DIR [--registration MODULE] [--limit N]
       [--jobs N] [--no-page]

The pictures: ``python -m tests.validation.theatre.pictures --out DIR --pairs 3 --camera 2 --wrong``. MODULE has the
functions ``one_view`` and ``two_views`` of :class:`tests.validation.theatre.judging.Registration`. With several jobs
the patients are shared out over so many processes; the results are the same.
"""

from __future__ import annotations

import argparse
import importlib
import os
import platform
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import cast

import numpy as np
from cotyle.files import write_text_atomically

from tests.validation.theatre.judging import STARTS, Judged, Registration, judge_folder, subjects_in
from tests.validation.theatre.picture import load_pictures
from tests.validation.theatre.table import Row, Share, camera_lines, coverage_lines, reported, rows, shares

PAGE = Path(__file__).resolve().parents[3] / "docs" / "validation-carm.md"
DEFAULT_REGISTRATION = "tests.validation.theatre.registering"

HEAD = """# Registration on simulated theatre pictures

Written by `python -m tests.validation.theatre.validate`; don't edit it by hand. Research software, not a medical
device: check every number.

The pictures are invented: no patient, no real machine. They are made by an outside projector (itk-rtk) from synthetic
scans; how, and what they leave out, is in [methods/theatre_trials.md](methods/theatre_trials.md). Registration knows
the scan, what Cotyle found on it, the picture as shown, and the stated machine. Errors are absolute; a trial without a
pose counts as infinitely wrong. In plane means at the operated hip, parallel to the detector. Where the stated pitch
was wrong, depth is not judged.
"""


def main(arguments: list[str] | None = None) -> int:
    """Return the exit code."""
    options = _options(arguments)
    patients = options.patients if options.patients is not None else options.pictures / "patients"
    clock = time.monotonic()
    judged = _judged(options.registration, options.pictures, patients, options.limit, options.jobs)
    seconds = time.monotonic() - clock
    text = result_text(judged)
    print(text)
    missed = missed_bars(judged)
    print(f"\nmissed in {seconds:.0f} s: {'; '.join(missed) or 'nothing'}")
    if not options.no_page and options.limit is None:
        write_text_atomically(PAGE, f"{HEAD}\n{text}\n{_closing(judged, missed, seconds, options.jobs)}")
    return 1 if missed else 0


def _judged(module: str, pictures: Path, patients: Path, limit: int | None, jobs: int) -> list[Judged]:
    """Return all trials in the order of their pictures, judged by one process or by several."""
    of_subject = partial(_of_subject, module, pictures, patients, limit)
    names = subjects_in(load_pictures(pictures))
    if jobs > 1:
        with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
            shares = list(pool.map(of_subject, names))
    else:
        shares = [of_subject(name) for name in names]
    return sorted((each for share in shares for each in share), key=lambda each: (each.picture, each.kind))


def _of_subject(module: str, pictures: Path, patients: Path, limit: int | None, subject: str) -> list[Judged]:
    registration = cast(Registration, importlib.import_module(module))
    return list(judge_folder(registration, pictures, patients, _tell, limit, [subject]))


def result_text(judged: Sequence[Judged]) -> str:
    """Return the tables in Markdown."""
    camera = camera_lines(judged)
    measured = [*rows(judged), *(each for each in camera if isinstance(each, Row)), *reported(judged)]
    counted = [*shares(judged), *coverage_lines(judged), *(each for each in camera if isinstance(each, Share))]
    lines = ["| quantity | n | median | bar | 95th percentile | bar | kept |", "|---|---:|---:|---:|---:|---:|---|"]
    for row in measured:
        free = np.isinf(row.median_bar)
        kept = "no bar" if free else _kept(row.kept)
        bars = [f"{bar:g}" if np.isfinite(bar) else "-" for bar in (row.median_bar, row.high_bar)]
        lines.append(
            f"| {row.title} | {len(row.values)} | {row.median:.2f} | {bars[0]} | {row.high:.2f} | {bars[1]} | {kept} |"
        )
    lines += ["", "| share of trials | n | share | bar | kept |", "|---|---:|---:|---:|---|"]
    for share in counted:
        free = share.low == 0.0 and share.high == 1.0
        kept = "no bar" if free else _kept(share.kept)
        lines.append(f"| {share.title} | {share.count} | {share.value:.1%} | {_bar_words(share)} | {kept} |")
    return "\n".join(lines)


def _bar_words(share: Share) -> str:
    if share.low == 0.0:
        return "-" if share.high == 1.0 else f"at most {share.high:.0%}"
    return f"at least {share.low:.0%}" if share.high == 1.0 else f"{share.low:.0%} to {share.high:.0%}"


def missed_bars(judged: Sequence[Judged]) -> list[str]:
    """Return the titles of bars that were not kept."""
    everything = [*rows(judged), *shares(judged), *camera_lines(judged)]
    return [each.title for each in everything if not each.kept]


def _closing(judged: Sequence[Judged], missed: Sequence[str], seconds: float, jobs: int) -> str:
    worst = [each for each in judged if each.kind in STARTS and not each.success]
    lines = [f"\nBars missed: {'; '.join(missed) or 'none'}.", ""]
    if worst:
        lines += ["Trials outside a limit of the 95th percentile:", ""]
        lines += [f"- {each.picture}, {each.kind}: {each.found.verdict}, {_numbers(each)}" for each in worst]
        lines.append("")
    times = [each.found.seconds for each in judged if np.isfinite(each.found.seconds)]
    if times:
        lines.append(f"Seconds of a registration: median {np.median(times):.1f}, longest {max(times):.1f}.")
    machine = f"{os.cpu_count()} cores, {platform.system()} {platform.machine()}, Python {platform.python_version()}"
    shared = "1 job" if jobs == 1 else f"{jobs} jobs"
    lines.append(f"{len(judged)} trials in {seconds:.0f} s by {shared} on {machine}.")
    return "\n".join(lines) + "\n"


def _numbers(judged: Judged) -> str:
    error = judged.error
    if error is None:
        return "no pose"
    return (
        f"{error.in_plane_mm:.2f} mm, {error.turn_deg:+.2f} deg, tilt {error.tilt_deg:+.2f}, "
        f"axial {error.axial_deg:+.2f}, depth {error.depth_mm:+.1f} mm"
    )


def _kept(kept: bool) -> str:
    return "yes" if kept else "**no**"


def _options(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pictures", type=Path, required=True, help="folder of the pictures")
    parser.add_argument("--patients", type=Path, help="folder of the patients; beside the pictures if none is named")
    parser.add_argument("--registration", default=DEFAULT_REGISTRATION, help="module with one_view and two_views")
    parser.add_argument("--limit", type=int, help="only so many pictures of each patient and set; writes no page")
    parser.add_argument("--jobs", type=int, default=1, help="processes that the patients are shared out over")
    parser.add_argument("--no-page", action="store_true", help="print only")
    return parser.parse_args(arguments)


def _tell(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
