"""The section of the report on real pictures, put into the page that is there."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cotyle.case import folder as names
from cotyle.case.comparison_file import ComparisonFile
from cotyle.case.measurements import Measurements
from cotyle.cup.orientation import Definition
from cotyle.errors import InputError
from cotyle.report.page import rendered
from cotyle.report.tiles import minus
from cotyle.xray.verdict import Verdict

BEGIN, END = "<!-- real pictures -->", "<!-- end of real pictures -->"
"""Marks in the page between which the sections stand."""

_VERDICT_WORDS = {
    Verdict.CONVERGED: "The pose was found and nothing speaks against it. Check the outlines all the same.",
    Verdict.DOUBTFUL: "Doubtful: look at the outlines before any number is used.",
    Verdict.FAILED: "Failed: no number is given for this picture.",
}
_CAPTIONS = {
    "overlay": "Real picture: planned cup dashed, found cup solid, edges of bone thin.",
    "simulated": "The same pose simulated from the CT, same outlines.",
    "difference": "Real minus simulated: grey where they agree.",
    "blink": "Real and simulated in turn: bone that jumps is bone that does not fit.",
}


@dataclass(frozen=True)
class ComparisonSection:
    """What one section shows."""

    number: int
    file: ComparisonFile
    verdict_words: str
    pictures: tuple[str, ...]
    captions: Mapping[str, str]
    rows: tuple[tuple[str, str, str, str, str], ...]
    twin_words: str
    levelling: tuple[tuple[str, tuple[str, ...], str], ...]
    poses: tuple[tuple[str, ...], ...]
    machine_words: str


def page_with_comparisons(html: str, measured: Measurements, case: Path, files: Mapping[int, ComparisonFile]) -> str:
    """Return the report's page with a section for each comparison in place of those that stood there.

    Raises
    ------
    InputError
        ``report-outdated`` if the page has no place for them.
    """
    if BEGIN not in html or END not in html:
        raise InputError("report-outdated", f"{names.REPORT_HTML} is of an older version", "Measure the case again")
    parts = [_rendered(number, file, measured, case) for number, file in sorted(files.items())]
    whole = "\n".join([BEGIN, *parts, END])
    return re.sub(re.escape(BEGIN) + ".*?" + re.escape(END), lambda _: whole, html, count=1, flags=re.DOTALL)


def _rendered(number: int, file: ComparisonFile, measured: Measurements, case: Path) -> str:
    found = sorted((case / names.FIGURES).glob(f"comparison-{number}-*.png"))
    order = list(_CAPTIONS)
    found.sort(key=lambda path: (path.stem.rsplit("-", 1)[0], order.index(path.stem.rsplit("-", 1)[1])))
    pictures = {path.stem: path.read_bytes() for path in found}
    section = ComparisonSection(
        number=number,
        file=file,
        verdict_words=_VERDICT_WORDS[file.verdict],
        pictures=tuple(pictures),
        captions={name: _CAPTIONS[name.rsplit("-", 1)[1]] for name in pictures},
        rows=_rows(file, measured),
        twin_words="" if file.twin_choice is None else file.twin_choice.text,
        levelling=_levelling(file),
        poses=_poses(file),
        machine_words=_machine_words(file),
    )
    return rendered("comparison.html.j2", pictures, c=section)


def _rows(file: ComparisonFile, measured: Measurements) -> tuple[tuple[str, str, str, str, str], ...]:
    if file.cup is None or file.uncertainty is None or file.difference is None or file.center_shift is None:
        return ()
    rows = []
    each = Definition.RADIOGRAPHIC
    for frame in file.orientation:
        planned, found = measured.orientation[frame].get(each), file.orientation[frame].get(each)
        if planned is None or found is None:
            continue
        spread, difference = file.uncertainty.orientation[frame][each], file.difference.orientation[frame][each]
        for name in ("inclination", "anteversion"):
            field = f"{name}_deg"
            rows.append(
                _row(
                    f"{name}, {each}, {frame} frame",
                    getattr(planned, field),
                    getattr(found, field),
                    getattr(difference, field),
                    getattr(spread, field),
                    "deg",
                )
            )
    shift, spread_mm = file.center_shift, file.uncertainty.center_shift_mm
    for name in ("medial", "superior", "anterior"):
        value = getattr(shift, name)
        rows.append(_row(f"centre, {name}, supine frame", None, None, value, getattr(spread_mm, name), "mm"))
    assert file.depth_left_mm is not None
    words = "left to the planned floor along the planned axis"
    rows.append(_row(words, None, None, file.depth_left_mm, file.uncertainty.depth_left_mm, "mm"))
    return tuple(rows)


def _row(
    words: str, plan: float | None, found: float | None, difference: float, sd: float, unit: str
) -> tuple[str, str, str, str, str]:
    def number(value: float | None, sign: str = "") -> str:
        return "" if value is None else minus(f"{value:{sign}.1f} {unit}")

    return words, number(plan), number(found), number(difference, "+"), f"{2 * sd:.1f} {unit}"


def _levelling(file: ComparisonFile) -> tuple[tuple[str, tuple[str, ...], str], ...]:
    rows = []
    for frame, content in (file.levelling or {}).items():
        spread: Mapping[str, Any] = content.get("sd", {})
        angles = []
        for name in ("anterior_tilt_deg", "rotation_to_left_deg", "left_up_deg"):
            value = content.get(name)
            angles.append("not settled" if value is None else minus(f"{value:.1f} ± {2 * spread.get(name, 0):.1f}°"))
        rows.append((frame, tuple(angles), "; ".join(content.get("words", ()))))
    return tuple(rows)


def _poses(file: ComparisonFile) -> tuple[tuple[str, ...], ...]:
    rows = []
    for number, view in enumerate(file.views, start=1):
        sd = view.standard_deviations
        residual = "none agree" if view.residual_mm is None else f"{view.residual_mm:.2f} mm"
        rows.append(
            (
                f"{number}: {view.view.replace('_', ' ')}, {view.verdict}",
                f"{100 * max(view.explained, 0):.0f} %",
                residual,
                f"{2 * max(sd['along_columns_mm'], sd['along_rows_mm']):.1f} mm",
                f"{2 * max(sd['about_columns_deg'], sd['about_rows_deg']):.1f}°",
                f"{2 * sd['depth_mm']:.1f} mm",
            )
        )
    return tuple(rows)


def _machine_words(file: ComparisonFile) -> str:
    per_percent = abs(file.registration.depth_mm_per_percent_of_distance)
    return (
        "Deviations hold for the machine as stated. If its distance from source to detector is wrong by 1 %, depth "
        f"along the beam is wrong by {per_percent:.0f} mm; one picture alone cannot tell. Depth is the weakest number "
        "of a single view."
    )


def comparison_files(case: Path) -> dict[int, ComparisonFile]:
    """Return the comparisons of a case by number."""
    found = {}
    for path in case.glob("comparison-*.json"):
        number = path.stem.removeprefix("comparison-")
        if number.isdigit():
            found[int(number)] = ComparisonFile.read(path)
    return found


def next_number(numbers: Sequence[int]) -> int:
    """Return the number of the next comparison."""
    return max(numbers, default=0) + 1
