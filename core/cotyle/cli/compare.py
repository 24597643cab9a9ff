"""``cotyle compare``: real pictures against the plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TypeVar

import numpy as np

from cotyle import CAUTION, __version__
from cotyle.case import folder as names
from cotyle.case.comparison import Comparison, compare
from cotyle.case.comparison_file import ComparisonFile, comparison_file
from cotyle.case.json_text import read_json
from cotyle.case.measurements import Measurements
from cotyle.case.picture_start import PictureOfView
from cotyle.case.stages import plan_cup
from cotyle.case.store import read_case
from cotyle.cli.console import Progress, print_json, say
from cotyle.cup.orientation import Definition
from cotyle.errors import InputError
from cotyle.files import write_bytes_atomically, write_text_atomically
from cotyle.image.label_files import read_labels
from cotyle.report.comparison_figures import comparison_pictures
from cotyle.report.comparison_page import comparison_files, next_number, page_with_comparisons
from cotyle.report.pdf import PdfUnavailableError, page_as_pdf
from cotyle.space.arrays import Array
from cotyle.xray.carm import Tube
from cotyle.xray.display import Polarity
from cotyle.xray.pictures.patient_mark import require_one_patient
from cotyle.xray.pictures.picture_file import Told, read_radiograph
from cotyle.xray.pictures.usual_view import usual_view
from cotyle.xray.projector.line_integrals import warm_up
from cotyle.xray.views import ViewName

T = TypeVar("T")


@dataclass(frozen=True)
class PictureWords:
    """What the user says of the pictures, as typed; lists hold one for all, or one for each picture."""

    views: list[str]
    frames: list[int]
    shown: str | None
    polarity: str | None
    tube: str | None
    pixel_pitch_mm: float | None
    source_detector_mm: float | None
    source_isocenter_mm: float | None
    angles: list[str]
    rims: list[str]
    clicks: list[Path]


def run_compare(
    case: Path, images: list[Path], words: PictureWords, diameter_mm: float | None, *, pdf: bool, as_json: bool
) -> None:
    """Compare the cup in pictures with the plan; write comparison-<n>.json, pictures and the report's section."""
    progress = Progress(quiet=as_json)
    names.require_case(case)
    with progress.shown():
        progress("reading the pictures")
        pictures, doubts = _read_pictures(images, words)
        progress("reading the case")
        stored = read_case(case)
        measured = Measurements.read(case / names.MEASUREMENTS)
        labels = read_labels(case / names.BONES, stored.scan)
        planned = plan_cup(stored.anatomy, stored.scan, stored.plan)
        warm_up(progress)
        size = diameter_mm if diameter_mm is not None else planned.cup.outer_diameter_mm
        found = compare(planned, stored.scan, labels, pictures, size, progress)
        file = comparison_file(found, measured.orientation, f"cotyle {__version__}", CAUTION, doubts)
        others = comparison_files(case)
        number = next_number(list(others))
        progress("drawing the pictures")
        drawn = comparison_pictures(planned, stored.scan, found, f"comparison-{number}")
        progress("writing the report")
        _write(case, number, file, others, drawn, measured, pdf)
    if as_json:
        print_json({"comparison": number, **file.as_dict()})
        return
    _report(case, number, file, found)


def _read_pictures(images: Sequence[Path], words: PictureWords) -> tuple[list[PictureOfView], tuple[str, ...]]:
    count = len(images)
    views = _one_each("--view", words.views, count)
    frames: Sequence[int | None] = _one_each("--picture-frame", words.frames, count) if words.frames else [None] * count
    angles = [_pair(each, "--angles") for each in _one_each("--angles", words.angles, count)] if words.angles else []
    rims = _one_each("--rim", words.rims, count) if words.rims else [""] * count
    clicks = _one_each("--clicks", words.clicks, count) if words.clicks else []
    told = Told(
        polarity=None if words.polarity is None else Polarity(_one_of("--polarity", words.polarity, Polarity)),
        pixel_pitch_mm=words.pixel_pitch_mm,
        tube=None if words.tube is None else Tube(_one_of("--tube", words.tube, Tube)),
        source_detector_mm=words.source_detector_mm,
        source_isocenter_mm=words.source_isocenter_mm,
        patient_orientation=_shown(words.shown),
    )
    pictures, marks = [], {}
    for index, path in enumerate(images):
        radiograph = read_radiograph(path, frames[index], told)
        marks[f"picture {index + 1}"] = radiograph.patient
        usual, to_file = usual_view(radiograph)
        known = usual.geometry
        turned = angles[index] if angles else None
        if turned is None and known.primary_deg is not None and known.secondary_deg is not None:
            turned = (known.primary_deg, known.secondary_deg)
        places = _places(clicks[index], to_file) if clicks else {}
        rim = _rim(rims[index], to_file)
        pictures.append(PictureOfView(usual, _view(views[index]), to_file, rim, places, turned))
    return pictures, require_one_patient(marks)


def _one_each(option: str, given: Sequence[T], count: int) -> list[T]:
    if len(given) == count:
        return list(given)
    if len(given) == 1 and option in ("--view", "--picture-frame"):
        return list(given) * count
    raise InputError("compare-count", f"{option} is given {len(given)} times for {count} pictures", "Give it once each")


def _one_of(option: str, text: str, choices: type[StrEnum]) -> str:
    if text not in set(choices):
        raise InputError("compare-choice", f"{option} can't be {text!r}", f"Choose from {', '.join(choices)}")
    return text


def _view(name: str) -> ViewName:
    if name not in set(ViewName):
        raise InputError("view-name", f"there is no view {name!r}", f"Choose from {', '.join(ViewName)}")
    return ViewName(name)


def _pair(text: str, option: str) -> tuple[float, float]:
    try:
        first, second = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(
            "compare-pair", f"{option} must be two numbers with a comma between, not {text!r}", f"{option}=30,-5"
        ) from None
    return first, second


def _shown(text: str | None) -> tuple[str, str] | None:
    if text is None:
        return None
    parts = text.replace("/", "\\").split("\\")
    if len(parts) != 2 or not all(parts):
        raise InputError(
            "picture-sides",
            f"--shown must name two directions, not {text!r}",
            "L/F: columns to the patient's left, rows to his feet",
        )
    return parts[0], parts[1]


def _rim(text: str, to_file: Array) -> Array | None:
    """Points clicked in the file's pixels, brought to the usual view."""
    if not text:
        return None
    return _from_file(np.array([_pair(each, "--rim") for each in text.split()]), to_file)


def _places(path: Path, to_file: Array) -> dict[str, Array]:
    """Places of the pelvis that were clicked in the file's pixels: a JSON object of name to [column, row]."""
    content = read_json(path)
    try:
        pixels = {str(name): np.array(pixel, dtype=float).reshape(2) for name, pixel in content.items()}
    except (AttributeError, TypeError, ValueError):
        raise InputError(
            "clicks-file", f"{path.name} does not hold places as [column, row] by name", '{"teardrop_left": [412, 300]}'
        ) from None
    return {name: _from_file(pixel, to_file) for name, pixel in pixels.items()}


def _from_file(pixels: Array, to_file: Array) -> Array:
    return np.asarray((pixels - to_file[:, 2]) @ np.linalg.inv(to_file[:, :2]).T)


def _write(
    case: Path,
    number: int,
    file: ComparisonFile,
    others: dict[int, ComparisonFile],
    drawn: dict[str, bytes],
    measured: Measurements,
    pdf: bool,
) -> None:
    for name, content in drawn.items():
        write_bytes_atomically(case / names.FIGURES / f"{name}.png", content)
    page = (case / names.REPORT_HTML).read_text(encoding="utf-8")
    html = page_with_comparisons(page, measured, case, {**others, number: file})
    file.write(case / f"comparison-{number}.json")
    write_text_atomically(case / names.REPORT_HTML, html)
    if pdf:
        try:
            write_bytes_atomically(case / names.REPORT_PDF, page_as_pdf(html))
        except PdfUnavailableError as error:
            say(f"! {error.what}. {error.remedy}")


def _report(case: Path, number: int, file: ComparisonFile, found: Comparison) -> None:
    say(f"{str(file.verdict).upper()}")
    for text in file.warnings:
        say(f"! {text}")
    if found.cup is not None and file.uncertainty is not None and file.center_shift is not None:
        frame = "supine" if "supine" in file.orientation else "app"
        angles, spread = (
            each[frame][Definition.RADIOGRAPHIC] for each in (file.orientation, file.uncertainty.orientation)
        )
        say(
            f"cup: inclination {angles.inclination_deg:.1f} ± {2 * spread.inclination_deg:.1f}, anteversion "
            f"{angles.anteversion_deg:.1f} ± {2 * spread.anteversion_deg:.1f} deg (radiographic, {frame}); "
            f"{file.depth_left_mm:.1f} ± {2 * file.uncertainty.depth_left_mm:.1f} mm left to the planned floor"
        )
    first = found.pictures[0].levelling
    if first is not None:
        say("to level: " + "; ".join(first["supine"].words))
    say(f"{case.name}/comparison-{number}.json. Research software, not a medical device: check every number.")
