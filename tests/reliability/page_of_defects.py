"""The section on faulty series: each generated anew, read without and with repairs, and measured."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path

from cotyle.image.check import describe

from tests.reliability.defect import RIGHT, Defect
from tests.reliability.defect_outcome import Outcome, outcome, written
from tests.reliability.defects import COVERAGE, DEFECTS

INTRODUCTION = """## Faulty series

A ball of 24 mm radius (57.906 ml, 48 mm across: closed forms) with three denser marks to the left, to the back and to
the top, written as 64 shuffled DICOM slices of 64 x 64 pixels of 1 mm, each time with one thing wrong. *Right* means:
volume to 1 %, six lengths through the middle to 0.1 mm, the marks where they were put and with their HU. Otherwise the
code it is refused with. *Repair* means `--repair`, which is never done unasked and is recorded.

A repair makes missing slices up, in a straight line between their neighbours. What a missing slice held is not in its
neighbours (cubic interpolation was tried and is no better), so no length that ends there is called right: the stretch
is named with its z, edges in it are told to be less sure, and so is every landmark, socket and wall that lies in it
([how](methods/reading.md)). Such lengths stand in a column of their own: their worst error, and how far off they were
said to be at most (1.96 standard deviations); a series whose error is beyond that is *wrong*. Usual readers, on the
same kind of series, were seen to be wrong by up to 85 % of the volume without an exception.
"""


def defect_section() -> tuple[str, bool]:
    """Return the section and whether every row ended as it must."""
    rows, good = [], 0
    for defect in DEFECTS:
        with tempfile.TemporaryDirectory() as name:
            folder = written(defect, Path(name))
            plain = outcome(defect, folder, repair=False)
            repaired = None if plain.end == RIGHT else outcome(defect, folder, repair=True)
        as_it_must = plain.end == defect.plain and bool(re.search(defect.says, plain.said))
        as_it_must = as_it_must and (repaired is None or repaired.end == defect.repaired)
        good += as_it_must
        rows.append(_row(defect, plain, repaired, as_it_must))
    coverage = [_coverage(defect) for defect in COVERAGE]
    good += sum(ok for _, ok in coverage)
    total = len(DEFECTS) + len(COVERAGE)
    text = (
        f"{INTRODUCTION}\n{good} of {total} as they must be.\n\n"
        "| series | as it is | with repair | volume | worst length | ending in made-up slices | what is said |\n"
        "|---|---|---|---:|---:|---|---|\n"
        + "\n".join(rows)
        + "\n\nWhether a hip can be planned on what reads right:\n\n"
        + "| series | plannable | what is said |\n|---|---|---|\n"
        + "\n".join(row for row, _ in coverage)
        + "\n"
    )
    return text, good == total


def _row(defect: Defect, plain: Outcome, repaired: Outcome | None, as_it_must: bool) -> str:
    measured = plain if plain.volume_percent is not None else repaired
    volume = length = guess = ""
    if measured is not None and measured.volume_percent is not None:
        volume, length = f"{measured.volume_percent:+.2f} %", _mm(measured.worst_mm)
        if measured.guess_mm is not None:
            guess = f"{_mm(measured.guess_mm)}, said to be within {_mm(measured.guess_said_mm)}"
    said = plain.said if plain.end != RIGHT else _notes(plain.said)
    mark = "" if as_it_must else " **not as it must be**"
    cells = (defect.name, _end(plain) + mark, _end(repaired) if repaired else "", volume, length, guess, _cell(said))
    return "| " + " | ".join(cells) + " |"


def _mm(value: float | None) -> str:
    return "" if value is None else f"{value:.2f} mm"


def _end(found: Outcome) -> str:
    if found.end == RIGHT and found.guess_mm is not None:
        return "right but for made-up slices"
    return found.end if found.end in {RIGHT, "wrong"} else f"`{found.end}`"


def _notes(said: str) -> str:
    """Leave out that the ball is too small to be a pelvis."""
    return "; ".join(text for text in said.split("; ") if not text.startswith("too small for a pelvis"))


def _cell(text: str) -> str:
    short = re.sub(r" \[[a-z-]+\]$", "", text).replace("|", "/")
    return short if len(short) <= 200 else short[:197] + "..."


def _coverage(defect: Defect) -> tuple[str, bool]:
    with tempfile.TemporaryDirectory() as name:
        (report,) = describe(written(defect, Path(name)))
    said = "; ".join(report.reasons)
    good = report.plannable == (defect.plain == RIGHT) and bool(re.search(defect.says, said))
    return f"| {defect.name} | {'yes' if report.plannable else f'no: `{defect.plain}`'} | {_cell(said)} |", good
